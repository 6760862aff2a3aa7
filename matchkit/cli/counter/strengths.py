"""``matchkit strengths``: every reed that fits a mouthpiece, side by side."""

from __future__ import annotations

from typing import Any

import click

from matchkit.cli.options import data_option, open_data, output_options, person_options, read_person
from matchkit.cli.printing import show
from matchkit.words.side_by_side import strengths_screen


@click.command(name="strengths")
@click.argument("mouthpiece")
@click.option("--player", metavar="ID", help="A player of the tables.")
@person_options
@data_option
@output_options
def command(
    mouthpiece: str, player: str | None, data: str | None, model: str | None, style: str, out: str | None, **described: Any
) -> None:
    """Lay every reed that fits MOUTHPIECE side by side: which strength and cut, and which equals what they play now."""
    house = open_data(data, model)
    found = house.strengths(mouthpiece, read_person(house, player, described))
    show(found, strengths_screen, style, out)
