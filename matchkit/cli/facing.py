"""``matchkit facing``: what the readings of a mouthpiece tell."""

from __future__ import annotations

from typing import TYPE_CHECKING

import click

from matchkit.cli.options import data_option, open_data, output_options
from matchkit.cli.printing import deliver, number, paragraph, signed, table, to_csv, to_json

if TYPE_CHECKING:
    from matchkit.match.answers import FacingReport


@click.command(name="facing")
@click.argument("mouthpiece")
@data_option
@output_options
def command(mouthpiece: str, data: str | None, model: str | None, style: str, out: str | None) -> None:
    """Say what the feeler readings of MOUTHPIECE tell: lengths, shape, smoothness, rails, bumps and flats."""
    report = open_data(data, model).facing(mouthpiece)
    if style == "json":
        deliver(to_json(report.to_dict()), out)
    elif style == "csv":
        flat = {name: value for name, value in report.to_dict().items() if not isinstance(value, tuple | list | dict)}
        deliver(to_csv([flat], list(flat)), out)
    else:
        deliver(as_text(report), out)


def as_text(report: FacingReport) -> str:
    """Lay out a facing, and say what a maker would look at."""
    rows = [
        ("tip opening", number(report.tip_opening_mm), number(report.u_tip_opening_mm), "mm", "as measured"),
        (
            "facing length",
            number(report.facing_length_mm),
            number(report.u_facing_length_mm),
            "mm",
            "where the 0.038 mm leaf stops",
        ),
        ("clamp", number(report.clamp_mm), number(report.u_clamp_mm), "mm", "where the reed is taken as held"),
        ("break", number(report.break_mm, 1), "-", "mm", "where the lay leaves the table; feelers fix it poorly"),
        ("smoothness", number(report.smoothness_um, 0), "-", "µm", "measured against fair, root mean square"),
        (
            "left - right",
            number(report.rail_difference_mm),
            number(report.u_rail_difference_mm),
            "mm",
            "facing length of the rails",
        ),
        ("leak", number(report.leak_mm2), "-", "mm2", "between the rails, seen from the side"),
    ]
    known = "" if report.measured else ", from its nominal numbers only"
    lines = [
        paragraph(f"Facing of {report.mouthpiece_id}{known}:"),
        "",
        table([("", "left"), ("value", "right"), ("u", "right"), ("unit", "left"), ("what it is", "left")], rows),
        "",
    ]
    shapes = ", ".join(
        f"{name} {100 * weight:.0f} %" for name, weight in sorted(report.shape_weights.items(), key=lambda item: -item[1])
    )
    lines.append(paragraph(f"Fair curve, by weight: {shapes}."))
    lines += [
        paragraph(
            f"A {flaw.kind} {flaw.place_mm:.0f} mm from the tip: {signed(flaw.height_um, 0)} µm from the fair curve, over {flaw.length_mm:.0f} mm."
        )
        for flaw in report.bumps
    ]
    difference, u = report.rail_difference_mm, report.u_rail_difference_mm
    if difference is not None and u is not None and abs(difference) > 2 * u:
        shorter = "left" if difference < 0 else "right"
        lines.append(
            paragraph(f"The {shorter} rail is {abs(difference):.1f} mm short (u {u:.1f}): lengthen it to meet the other.")
        )
        lines.append(
            paragraph("Refacing makes dust that must not be breathed: work wet, follow local rules, ask a qualified person.")
        )
    if report.assumed:
        lines.append(paragraph(f"Assumed: {'; '.join(report.assumed)}."))
    return "\n".join(lines) + "\n"
