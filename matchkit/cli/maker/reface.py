"""``matchkit reface``: what to take off a facing, where, and in which order."""

from __future__ import annotations

import click

from matchkit.cli.options import data_option, open_data, output_options
from matchkit.cli.printing import show
from matchkit.words.maker.reface import reface_screen

TARGETS = ("fair", "drawing")


@click.command(name="reface")
@click.argument("piece")
@click.option("--pieces", metavar="PATH", help="Folder or workbook that the piece is in.  [default: the tables of --data]")
@click.option(
    "--to",
    metavar="fair|drawing|FILE",
    default="fair",
    show_default=True,
    help="The nearest fair curve, the drawing of its model, or that of another house.toml.",
)
@click.option("--tip", "tip_opening_mm", type=float, metavar="MM", help="A fair curve with this tip opening instead.")
@click.option("--reed", metavar="ID", help="The facing that closes most evenly on this reed instead.")
@click.option("--closing", "closing_kpa", type=float, metavar="KPA", help="Closing pressure wanted with --reed.")
@click.option("--table-down", is_flag=True, help="Allow the table to be faced down where the target asks for it.")
@data_option
@output_options
def command(
    piece: str,
    pieces: str | None,
    to: str,
    tip_opening_mm: float | None,
    reed: str | None,
    closing_kpa: float | None,
    data: str | None,
    model: str | None,
    style: str,
    out: str | None,
    *,
    table_down: bool,
) -> None:
    """Plan the refacing of PIECE. Only removal is possible; the plan says where a target stays out of reach."""
    house = open_data(data, model)
    plan = house.reface(
        piece,
        pieces=pieces,
        spec=None if to in TARGETS else to,
        drawing=to != "fair",
        tip_opening_mm=tip_opening_mm,
        reed=reed,
        closing_kpa=closing_kpa,
        table_down=table_down,
    )
    show(plan, reface_screen, style, out)
