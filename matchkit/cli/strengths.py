"""``matchkit strengths``: every reed that fits a mouthpiece, side by side."""

from __future__ import annotations

from dataclasses import asdict
from typing import TYPE_CHECKING, Any

import click

from matchkit.cli.options import data_option, open_data, output_options, person_options, read_person
from matchkit.cli.printing import deliver, number, paragraph, signed, table, to_csv, to_json

if TYPE_CHECKING:
    from matchkit.match.side_by_side import Strengths


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
    if style == "json":
        deliver(to_json(found.to_dict()), out)
    elif style == "csv":
        from matchkit.match.side_by_side import ReedLine

        deliver(to_csv([asdict(row) for row in found.rows], list(ReedLine.__dataclass_fields__)), out)
    else:
        deliver(as_text(found), out)


def as_text(found: Strengths) -> str:
    """Lay out the reeds, softest first."""
    rows = [
        (
            ("= " if row.equal else "  ") + row.reed_id,
            "-" if row.steps is None else signed(row.steps),
            number(row.closing_pressure_kpa, 1),
            number(row.u_closing_pressure_kpa, 1),
            number(row.effort_kpa, 1),
            number(row.playing_opening_mm),
            "-" if row.closing_share is None else f"{100 * row.closing_share:.0f} %",
            "-" if row.box_share is None else f"{10 * row.box_share:.0f} of 10",
            "-" if row.place_mm is None else f"{signed(row.place_mm)} mm",
        )
        for row in found.rows
    ]
    columns = [("  reed", "left")]
    columns += [(name, "right") for name in ("steps", "kPa", "u", "effort", "opens", "left", "box", "move")]
    lines = [
        paragraph(f"Reeds on {found.mouthpiece_id} for {found.player}, softest first; steps are from {found.target}."),
        "",
        table(columns, rows) if rows else "No reed fits.",
        "",
    ]
    if any(row.equal for row in found.rows):
        lines.append(paragraph("= is nearest to what is aimed at."))
    lines += [paragraph(words + ".") for words in found.steps_up]
    lines.append(
        paragraph(
            "Steps: about half a strength each, - where a reed is on no strength scale. kPa: closing pressure, with its uncertainty u; "
            "effort: what the lip must supply, kPa; opens: mm under the lip; left: still open when the reed closes; box: reeds of a box "
            "within a step; move: how far to move the reed to be right on, forward +; try that before another reed, it costs nothing."
        )
    )
    return "\n".join(lines) + "\n"
