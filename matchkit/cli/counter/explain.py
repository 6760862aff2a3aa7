"""``matchkit explain``: every number behind one set-up."""

from __future__ import annotations

from typing import Any

import click

from matchkit.cli.options import (
    data_option,
    open_data,
    output_options,
    person_options,
    picture_options,
    read_person,
    wish_option,
)
from matchkit.cli.printing import show
from matchkit.facts import PARTS
from matchkit.words.explain import explain_screen
from matchkit.words.facts import model_words


@click.command(name="explain")
@click.argument("mouthpiece")
@click.argument("reed")
@click.argument("ligature", required=False)
@click.option("--player", metavar="ID", help="A player of the tables.")
@person_options
@wish_option
@click.option("--change", type=click.Choice(PARTS), help="The one part that may change, as in rank.")
@click.option("--neck", metavar="ID", help="Neck of the instrument.")
@data_option
@picture_options
@output_options
def command(
    mouthpiece: str,
    reed: str,
    ligature: str | None,
    player: str | None,
    data: str | None,
    model: str | None,
    style: str,
    out: str | None,
    **options: Any,
) -> None:
    """Show every term and playtest behind the score of MOUTHPIECE with REED (and LIGATURE) for a player."""
    house = open_data(data, model)
    wish, neck, change = options.pop("wish"), options.pop("neck"), options.pop("change")
    person = read_person(house, player, options)
    if person is None:
        person = house.visitor(house.parts.facing(mouthpiece).mouthpiece.instrument)
    explanation = house.explain(person, mouthpiece, reed, ligature, wish=wish, change=change, neck=neck)
    click.echo(f"{model_words(explanation.model)}", err=True)
    show(explanation, explain_screen, style, out)
