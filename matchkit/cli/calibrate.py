"""``matchkit calibrate``: weights and dial readings become a strength scale."""

from __future__ import annotations

from dataclasses import asdict
from typing import TYPE_CHECKING

import click

from matchkit.cli.options import output_options
from matchkit.cli.printing import deliver, number, paragraph, table, to_csv, to_json

if TYPE_CHECKING:
    from matchkit.match.calibrate import Calibration

SCALE_COLUMNS = ("profile_id", "strength", "stiffness_n_per_mm", "state", "spread_pct")


@click.command(name="calibrate")
@click.argument("readings", type=click.Path(dir_okay=False))
@output_options
def command(readings: str, style: str, out: str | None) -> None:
    """Turn READINGS, a csv of loads and dial readings of a few reeds, into rows of strength_scale.csv.

    Columns: profile_id, strength, reed, load_n or mass_g, sink_mm, and state (dry or wet). docs/data.md shows how to take them;
    --format csv gives rows to paste.
    """
    import matchkit as mk

    found = mk.calibrate(readings)
    if style == "json":
        deliver(to_json(found.to_dict()), out)
    elif style == "csv":
        rows = [{name: value for name, value in asdict(row).items() if name in SCALE_COLUMNS} for row in found.rows]
        deliver(to_csv(rows, SCALE_COLUMNS), out)
    else:
        deliver(as_text(found), out)


def as_text(found: Calibration) -> str:
    """Lay out a strength scale with its doubts."""
    columns = [("profile", "left"), *((name, "right") for name in ("strength", "N/mm", "spread", "reeds", "u")), ("", "left")]
    rows = [
        (
            row.profile_id,
            f"{row.strength:g}",
            number(row.stiffness_n_per_mm, 3),
            "-" if row.spread_pct is None else f"{row.spread_pct:.1f} %",
            str(row.reeds),
            f"{row.u_pct:.1f} %",
            row.note,
        )
        for row in found.rows
    ]
    lines = [table(columns, rows), ""]
    lines.append(
        paragraph("Spread: between reeds of a box, one standard deviation. u: how sure the mean is, the gauge's 3 % included.")
    )
    lines.append(paragraph("With --format csv these are rows for strength_scale.csv."))
    return "\n".join(lines) + "\n"
