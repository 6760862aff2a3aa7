"""``matchkit whatif``: a mouthpiece and itself changed."""

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
from matchkit.words.what_if import what_if_screen

_HELP = "{} as a change (+0.1mm), a size (2.1mm), a list (+0.05,+0.1) or a range (-0.1:0.1:0.05)."


@click.command(name="whatif")
@click.argument("mouthpiece")
@click.option("--tip", metavar="SIZE", help=_HELP.format("Tip opening,"))
@click.option("--facing", metavar="SIZE", help="Facing length, likewise.")
@click.option("--baffle", metavar="SIZE", help="Baffle height, 5 mm behind the tip rail, likewise.")
@click.option("--chamber", metavar="SIZE", help="Chamber volume in cm3, likewise.")
@click.option("--reed", metavar="ID|STRENGTH", help="With this reed.  [default: theirs, else the nearest of the house]")
@click.option("--player", metavar="ID", help="A player of the tables.")
@person_options
@wish_option
@data_option
@picture_options
@output_options
def command(
    mouthpiece: str, player: str | None, data: str | None, model: str | None, style: str, out: str | None, **options: Any
) -> None:
    """Say what changing MOUTHPIECE would do, with the same reed: how free, how big, and which reed would play as before.

    Its measured shape is kept and stretched. What to take off where is a matter for reface.
    """
    house = open_data(data, model)
    names = ("tip", "facing", "baffle", "chamber", "reed", "wish")
    asked = {name: value for name in names if (value := options.pop(name)) is not None}
    found = house.what_if(mouthpiece, player=read_person(house, player, options), **asked)
    show(found, what_if_screen, style, out)
