"""``matchkit reface``: what to take off a facing, where, and in which order."""

from __future__ import annotations

from pathlib import Path
from typing import Literal

import click

from matchkit.cli.options import data_option, house_option, open_data, output_options, picture_options, tell_rules
from matchkit.cli.printing import show
from matchkit.errors import RequestError
from matchkit.maker.reface.plan import RefacePlan
from matchkit.parts.said import read_tip_mm
from matchkit.words.maker.done import done_screen
from matchkit.words.maker.reface import reface_screen

TARGETS = ("fair", "drawing")


@click.command(name="reface")
@click.argument("piece")
@click.option("--pieces", metavar="PATH", help="Folder or workbook that the piece is in.  [default: the tables of --data]")
@house_option
@click.option(
    "--to",
    metavar="fair|drawing|FILE|PIECE",
    default="fair",
    show_default=True,
    help="The nearest fair curve, the drawing of its model or that of another house.toml, or the facing of another piece.",
)
@click.option("--tip", metavar="SIZE", help="A tip opening instead: 1.96mm, 77thou, or +0.1 for a tenth of a millimetre more.")
@click.option(
    "--keep", type=click.Choice(["resistance"]), help="With --tip: facing length and curve that leave it as hard to play."
)
@click.option("--reed", metavar="ID", help="A facing that closes on this reed instead, or the reed that --keep goes by.")
@click.option("--closing", "closing_kpa", type=float, metavar="KPA", help="Closing pressure wanted with --reed.")
@click.option("--done", is_flag=True, help="Hold the readings after the work against this plan, made from those before it.")
@click.option("--table-down", is_flag=True, help="Allow the table to be faced down where the target asks for it.")
@data_option
@picture_options
@output_options
def command(
    piece: str,
    pieces: str | None,
    spec: str | None,
    to: str,
    tip: str | None,
    keep: Literal["resistance"] | None,
    reed: str | None,
    closing_kpa: float | None,
    data: str | None,
    model: str | None,
    style: str,
    out: str | None,
    *,
    table_down: bool,
    done: bool,
) -> None:
    """Plan the refacing of PIECE. Only removal is possible; the plan says where a target stays out of reach."""
    house = open_data(data, model)
    drawn = to.lower().endswith(".toml") or Path(to).is_file()
    absolute, change = _tip(tip)
    if drawn and spec is not None:
        raise click.UsageError("either --to FILE or --house FILE")
    if not drawn:
        tell_rules(spec, pieces)
    ask = house.refaced if done else house.reface
    found = ask(
        piece,
        pieces=pieces,
        spec=to if drawn else spec,
        drawing=drawn or to == "drawing",
        like=None if drawn or to in TARGETS else to,
        tip_opening_mm=absolute,
        tip_by_mm=change,
        keep=keep,
        reed=reed,
        closing_kpa=closing_kpa,
        table_down=table_down,
    )
    if isinstance(found, RefacePlan):
        show(found, reface_screen, style, out)
    else:
        show(found, done_screen, style, out)


def _tip(text: str | None) -> tuple[float | None, float | None]:
    """Return a tip opening, or by how much it changes where a sign stands before it, in mm."""
    if text is None:
        return None, None
    if not text.strip().startswith(("+", "-")):
        try:
            return read_tip_mm(text), None
        except RequestError:
            expected = "expected a tip opening such as 1.96mm or 77thou, or a change such as +0.1"
            raise click.BadParameter(f"{expected}; read {text!r}", param_hint="--tip") from None
    number = text.strip().lower().removesuffix("mm").strip()
    try:
        return None, float(number)
    except ValueError:
        raise click.BadParameter(
            f"expected a size such as 1.96mm or 77thou, or a change such as +0.1; read {text!r}", param_hint="--tip"
        ) from None
