"""``matchkit swap``: one part replaced, and what on the new one feels like the old."""

from __future__ import annotations

from typing import Any

import click

from matchkit.cli.options import data_option, open_data, output_options, person_options, picture_options, read_person
from matchkit.cli.printing import show
from matchkit.words.side_by_side import swap_screen


@click.command(name="swap")
@click.argument("player", required=False)
@person_options
@click.option("--mouthpiece", metavar="ID", help="The new mouthpiece; reeds are searched for it.")
@click.option("--reed", metavar="ID", help="The new reed; mouthpieces are searched for it.")
@click.option("--top", type=int, default=3, show_default=True, help="How many rows.")
@data_option
@picture_options
@output_options
def command(player: str | None, data: str | None, model: str | None, style: str, out: str | None, **options: Any) -> None:
    """Replace one part of what PLAYER has: what on the new part feels like the old, and what difference remains."""
    house = open_data(data, model)
    asked = {name: options.pop(name) for name in ("mouthpiece", "reed", "top")}
    person = read_person(house, player, options)
    if person is None:
        raise click.UsageError("whom for? name a PLAYER of the tables, or describe one with --instrument")
    found = house.swap(person, **asked)
    show(found, swap_screen, style, out)
