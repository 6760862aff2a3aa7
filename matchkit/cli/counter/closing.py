"""``matchkit closing``: how one reed closes on one facing."""

from __future__ import annotations

from typing import Any

import click

from matchkit.cli.options import data_option, open_data, output_options, picture_options
from matchkit.cli.printing import show
from matchkit.constants import INSTRUMENTS
from matchkit.words.closing import closing_screen


@click.command(name="closing")
@click.argument("mouthpiece")
@click.argument("reed")
@click.option("--player", metavar="ID", help="A player of the tables, for blowing pressure and lip.")
@click.option("--instrument", type=click.Choice(INSTRUMENTS), help="Instrument, where parts are typed: 75thou, 2.5.")
@click.option(
    "--offset", "reed_offset_mm", type=float, default=0.0, show_default=True, help="Reed's tip past the tip rail, mm."
)
@data_option
@picture_options
@output_options
def command(
    mouthpiece: str,
    reed: str,
    player: str | None,
    instrument: str | None,
    data: str | None,
    model: str | None,
    style: str,
    out: str | None,
    **options: Any,
) -> None:
    """Compute how REED closes on MOUTHPIECE: resistance, opening, air, and how sure each is."""
    house = open_data(data, model)
    if player is not None and instrument is not None:
        raise click.UsageError("name a player of the tables, or an instrument; not both")
    person = house.visitor(instrument) if instrument is not None else player
    report = house.closing(mouthpiece, reed, player=person, **options)
    show(report, closing_screen, style, out)
