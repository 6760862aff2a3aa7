"""``matchkit rank``: what to hand over first, and why."""

from __future__ import annotations

from typing import Any

import click

from matchkit.cli.options import (
    PERSON,
    data_option,
    jobs_option,
    open_data,
    output_options,
    person_options,
    picture_options,
    read_person,
    wish_option,
)
from matchkit.cli.printing import show
from matchkit.cli.progress import bar
from matchkit.words.facts import model_words
from matchkit.words.rank import rank_screen


@click.command(name="rank")
@click.argument("player", required=False)
@person_options
@wish_option
@click.option("--mouthpiece", metavar="ID|TIP", multiple=True, help="Only this mouthpiece: an id, or 75thou. May be repeated.")
@click.option("--reed", metavar="ID|STRENGTH", multiple=True, help="Only this reed: an id, or 2.5. May be repeated.")
@click.option("--ligature", metavar="ID|CONTACT", multiple=True, help="Only this ligature: an id, or plate. May be repeated.")
@click.option(
    "--change", type=click.Choice(("mouthpiece", "reed", "ligature")), help="Change only this part of what they play now."
)
@click.option(
    "--complaint",
    multiple=True,
    metavar="WORDS",
    help="What is wrong now: stuffy, hard to blow, too soft, squeaks, buzzy, tired lip, closes up, flat, sharp ... May be repeated.",
)
@click.option("--budget", type=float, metavar="MONEY", help="Leave out what costs more; what they have costs nothing.")
@click.option("--in-stock", is_flag=True, help="Leave out what the tables count as 0.")
@click.option("--alike", is_flag=True, help="The best rows even where they are much the same set-up.")
@click.option("--across", is_flag=True, help="Allow parts made for another instrument.")
@click.option("--neck", metavar="ID", help="Neck of the instrument.")
@click.option("--top", type=int, default=3, show_default=True, help="How many rows.")
@jobs_option("Workers for the contact solutions")
@data_option
@picture_options
@output_options
def command(player: str | None, data: str | None, model: str | None, style: str, out: str | None, **options: Any) -> None:
    """Rank every set-up that fits, best first, with reasons.

    PLAYER is an id of the players table. A customer who is in no table is described with --instrument and the --now options;
    what is not known is "?".
    """
    house = open_data(data, model)
    described = {name: options.pop(name) for name in PERSON}
    person = read_person(house, player, described)
    if person is None:
        raise click.UsageError("whom for? name a PLAYER of the tables, or describe one with --instrument")
    fixed = {part: value for part in ("mouthpiece", "reed", "ligature") if (value := options.pop(part))}
    with bar("ranking") as progress:
        ranking = house.rank(person, fixed=fixed, progress=progress, **options)
    click.echo(f"{model_words(ranking.model)}", err=True)
    show(ranking, rank_screen, style, out)
