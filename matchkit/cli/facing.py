"""``matchkit facing``: what the readings of a mouthpiece tell."""

from __future__ import annotations

from typing import TYPE_CHECKING

import click

from matchkit.cli.options import data_option, open_data, output_options, study_option, write_figure
from matchkit.cli.printing import deliver, flat, number, paragraph, signed, table, to_csv, to_json

if TYPE_CHECKING:
    from matchkit.bench.facing_report import FacingReport


SURE = 3.0
"""A rail is called short, and not perhaps short, from so many standard uncertainties on, as a plan levels rails from there."""


@click.command(name="facing")
@click.argument("mouthpiece")
@click.option("--pieces", metavar="PATH", help="Folder or workbook that it is in.  [default: the tables of --data]")
@study_option
@click.option("--figure", metavar="FILE", help="Draw the lay and its distance from the fair curve into an svg or png.")
@data_option
@output_options
def command(
    mouthpiece: str,
    pieces: str | None,
    data: str | None,
    model: str | None,
    style: str,
    out: str | None,
    study: str | None,
    figure: str | None,
) -> None:
    """Say what the readings of MOUTHPIECE tell: lengths, shape, smoothness, rails, bumps and flats, and how sure each is."""
    import matchkit as mk

    studies = () if study is None else mk.gauge_study(study)
    report = open_data(data, model).facing(mouthpiece, pieces=pieces, studies=studies)
    if figure is not None:
        if report.outline is None:
            raise click.UsageError(f"{mouthpiece} is known by its nominal numbers only: there are no readings to draw")
        write_figure("facing_figure", report, figure)
    if style == "json":
        deliver(to_json(report.to_dict()), out)
    elif style == "csv":
        row = flat(report.to_dict())
        deliver(to_csv([row], list(row)), out)
    else:
        deliver(as_text(report), out)


def as_text(report: FacingReport) -> str:
    """Lay out a facing, and say what a maker would look at."""
    floor = "" if report.smoothness_floor_um is None else f"; the gauge alone shows {report.smoothness_floor_um:.0f}"
    rows = [
        (
            "tip opening",
            number(report.tip_opening_mm),
            number(report.u_tip_opening_mm),
            "mm",
            "as measured" if report.measured else "as listed",
        ),
        (
            "facing length",
            number(report.facing_length_mm),
            number(report.u_facing_length_mm),
            "mm",
            "where the 0.038 mm leaf stops",
        ),
        ("clamp", number(report.clamp_mm), number(report.u_clamp_mm), "mm", "where the reed is taken as held"),
        ("break", number(report.break_mm, 1), number(report.u_break_mm, 1), "mm", "where the lay leaves the table"),
        ("smoothness", number(report.smoothness_um, 0), number(report.u_smoothness_um, 0), "µm", f"off the fair curve{floor}"),
        (
            "left - right",
            number(report.rail_difference_mm),
            number(report.u_rail_difference_mm),
            "mm",
            "facing length of the rails, each an arc by itself"
            + (
                ""
                if report.left_facing_length_mm is None
                else f", {number(report.left_facing_length_mm)} and {number(report.right_facing_length_mm)}"
            ),
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
    if report.stations:
        lines += ["", _stations(report), ""]
        lines.append(
            paragraph("Leaf, stops and difference in mm; off: the lay's height off the fair curve, in µm; u in brackets.")
        )
    lines += [
        paragraph(
            f"A {flaw.kind} {flaw.place_mm:.0f} mm from the tip: {signed(flaw.height_um, 0)} µm (u {flaw.u_height_um:.0f}) from the fair "
            f"curve, over {flaw.length_mm:.0f} mm."
        )
        for flaw in report.bumps
        if abs(flaw.height_um) > 2 * flaw.u_height_um
    ]
    doubtful = sum(abs(flaw.height_um) <= 2 * flaw.u_height_um for flaw in report.bumps)
    if doubtful:
        lines.append(paragraph(f"{doubtful} more that may be the gauge's doing; --format json has them."))
    difference, u = report.rail_difference_mm, report.u_rail_difference_mm
    if difference is not None and u is not None and abs(difference) > 2 * u:
        lines += _rails(report, difference, u)
    lines += [paragraph(f"Table: {said}.") for said in report.table] if report.measured else []
    if report.draws:
        lines.append(
            paragraph(
                f"u is one standard uncertainty, from {report.draws} draws; to first order that of the facing length is "
                f"{report.u_facing_length_first_order_mm:.2f} mm."
            )
        )
    if report.assumed:
        lines.append(paragraph(f"Assumed: {'; '.join(report.assumed)}."))
    return "\n".join(lines) + "\n"


def _rails(report: FacingReport, difference: float, u: float) -> list[str]:
    """Say that one rail is short, and what follows: nothing within the drawing, measuring again where it is not sure."""
    shorter = "left" if difference < 0 else "right"
    what = f"The {shorter} rail is {abs(difference):.2f} mm short (u {u:.2f})"
    limit = report.rail_limit_mm
    if limit is not None and abs(difference) <= limit:
        return [paragraph(f"{what}, within the {limit:g} mm of the drawing.")]
    if abs(difference) <= SURE * u:
        return [paragraph(f"Perhaps {what[0].lower()}{what[1:]}: measure again, with repeats, before touching it.")]
    lines = [paragraph(f"{what}: lengthen it to meet the other.")]
    if report.twisted:
        lines.append(paragraph("A twisted table would read the same: try a straight edge across it first."))
    lines.append(
        paragraph("Refacing makes dust that must not be breathed: work wet, follow local rules, ask a qualified person.")
    )
    return lines


def _stations(report: FacingReport) -> str:
    """Lay out the leaves: where each stops on the rails, and how far the lay is from the fair curve there."""

    def with_u(value: float | None, u: float | None, digits: int) -> str:
        return "-" if value is None or u is None else f"{value:.{digits}f} ({u:.{digits}f})"

    rows = [
        (
            f"{read.feeler_mm:.3f}",
            with_u(read.left_mm, read.u_left_mm, 2),
            with_u(read.right_mm, read.u_right_mm, 2),
            with_u(read.difference_mm, read.u_difference_mm, 2),
            with_u(read.left_off_um, read.u_left_off_um, 0),
            with_u(read.right_off_um, read.u_right_off_um, 0),
        )
        for read in report.stations
    ]
    titles = ("leaf", "left (u)", "right (u)", "left - right", "left off", "right off")
    return table([(title, "right") for title in titles], rows)
