"""``matchkit batch``: forty pieces, forty verdicts, and what they say together."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import click

from matchkit.cli.options import data_option, jobs_option, open_data, output_options, study_option, write_figure
from matchkit.cli.printing import deliver, number, paragraph, table, to_csv, to_json
from matchkit.cli.progress import bar

if TYPE_CHECKING:
    from matchkit.bench.batch import BatchReport, FeatureSummary
    from matchkit.bench.pairing import Pairing

FAILS = 5
SHOWN_FEATURES = 8
SHOWN_PIECES = 30
WORTH_TELLING = 0.05
"""A drift that takes less than this share of the tolerance over the whole batch is left to --format json."""


@click.command(name="batch")
@click.argument("pieces", required=False)
@click.option("--house", "spec", metavar="FILE", help="A house.toml with the drawings.  [default: that of --data]")
@study_option
@click.option("--no-pairing", "pair", is_flag=True, flag_value=False, default=True, help="Judge only; leave the reeds out.")
@click.option("--draws", type=int, default=1000, show_default=True, help="Monte Carlo draws a pair.")
@jobs_option("Workers")
@click.option("--figure", metavar="FILE", help="Draw the batch, pieces by features, into an svg or png.")
@click.option("--figure-pairs", metavar="FILE", help="Draw the pairing, pieces by strengths, into an svg or png.")
@click.option("--figure-chart", metavar="FILE", help="Draw the tip openings in the order of making, into an svg or png.")
@data_option
@output_options
def command(
    pieces: str | None,
    data: str | None,
    model: str | None,
    style: str,
    out: str | None,
    study: str | None,
    figure: str | None,
    figure_pairs: str | None,
    figure_chart: str | None,
    **options: Any,
) -> None:
    """Judge PIECES against the drawings of their models, and pair them with the house reeds.

    PIECES is a folder of csv tables, or a workbook, with mouthpieces and facings (default: the demo batch). Ends with exit code 5 where a
    piece fails.
    """
    import matchkit as mk

    house = open_data(data, model)
    studies = () if study is None else mk.gauge_study(study)
    with bar("measuring and pairing") as progress:
        report = house.batch(pieces, studies=studies, progress=progress, **options)
    if pieces is None:
        click.echo("the demo batch, which is invented", err=True)
    _draw(report, figure, figure_pairs, figure_chart)
    if style == "json":
        deliver(to_json(report.to_dict()), out)
    elif style == "csv":
        rows = report.rows()
        deliver(to_csv(rows, list(rows[0])), out)
    else:
        deliver(as_text(report), out)
    if report.failed:
        click.get_current_context().exit(FAILS)


def _draw(report: BatchReport, figure: str | None, figure_pairs: str | None, figure_chart: str | None) -> None:
    if figure is not None:
        write_figure("batch_figure", report, figure)
    if figure_pairs is not None:
        if not report.pairings:
            raise click.UsageError("there is no pairing to draw")
        write_figure("pairing_figure", report.pairings[0], figure_pairs)
        if len(report.pairings) > 1:
            click.echo(
                f"{figure_pairs} shows {report.pairings[0].model} only, the first of {len(report.pairings)} models", err=True
            )
    if figure_chart is not None:
        drawn = [item for item in report.features if item.feature == "tip_opening_mm" and item.chart is not None]
        if not drawn:
            raise click.UsageError("there is no chart to draw: ten pieces or more, in a known order")
        write_figure("chart_figure", drawn[0], figure_chart)
        if len(drawn) > 1:
            click.echo(f"{figure_chart} shows {drawn[0].where} only, the first of {len(drawn)} models", err=True)


def as_text(report: BatchReport) -> str:
    """Lay out a batch: the pieces that do not pass, what is wrong with each, the features, the pairing."""
    counts = ", ".join(f"{count} {verdict}" for verdict, count in report.counts.items())
    many = len(report.pieces)
    lines = [
        paragraph(
            f"{many} {'piece' if many == 1 else 'pieces'}: {counts}. Pass and fail are sure to 95 % (1.645 u inside or outside a limit); inconclusive is neither."
        ),
        "",
    ]
    told = sorted((piece for piece in report.pieces if piece.verdict != "pass"), key=lambda piece: piece.verdict)
    if told:
        rows = [
            (
                piece.mouthpiece_id,
                piece.verdict,
                *(
                    ("-", "-", "-")
                    if piece.worst is None or piece.unmeasured
                    else (
                        number(piece.worst.value, 3),
                        number(piece.worst.u, 3),
                        f"{piece.worst.low:.2f} to {piece.worst.high:.2f}",
                    )
                ),
                piece.advice,
            )
            for piece in told[:SHOWN_PIECES]
        ]
        columns = [
            ("piece", "left"),
            ("verdict", "left"),
            ("read", "right"),
            ("u", "right"),
            ("allowed", "left"),
            ("what", "left"),
        ]
        lines += [table(columns, rows), ""]
        if len(told) > SHOWN_PIECES:
            lines += [f"... and {len(told) - SHOWN_PIECES} more; --format csv has all.", ""]
    unmeasured = sum(piece.unmeasured for piece in report.pieces)
    coarse = report.counts["inconclusive"] - unmeasured
    if coarse:
        lines.append(
            paragraph(
                f"{100 * coarse / many:.0f} % of the pieces are inconclusive: the gauges are too coarse for their limits."
            )
        )
    if unmeasured:
        lines.append(paragraph(f"{100 * unmeasured / many:.0f} % of the pieces are inconclusive for want of a measurement."))
    lines += [
        paragraph(
            f"With {what.how}, the same values: " + ", ".join(f"{count} {name}" for name, count in what.counts.items()) + "."
        )
        for what in report.what_if
    ]
    if report.worst_share is not None:
        count = len(report.pieces)
        lines.append(
            paragraph(
                f"{f'All {count} pass' if count > 1 else 'It passes'}: with 95 % confidence at most {100 * report.worst_share:.0f} % of pieces made so would not."
            )
        )
    elif not report.counts["fail"] and len(report.pieces) > 1:
        lines.append(paragraph("None surely fails, but with pieces that are inconclusive nothing is said of others made so."))
    missing = sorted({name for piece in report.pieces for name in piece.missing})
    if missing:
        lines.append(paragraph(f"Not measured on every piece, and so not judged there: {', '.join(missing)}."))
    lines += [paragraph(f"{piece.mouthpiece_id}: {remark}.") for piece in report.pieces for remark in piece.remarks]
    lines += ["", *_features(report), *(line for pairing in report.pairings for line in _pairing(pairing))]
    lines += [paragraph(f"Note: {note}.") for note in report.notes]
    if report.counts["fail"]:
        lines.append(
            paragraph(
                "Mending a facing makes dust that must not be breathed: work wet, follow local rules, ask a qualified person."
            )
        )
    return "\n".join(lines).rstrip() + "\n"


def _features(report: BatchReport) -> list[str]:
    """Tell the least capable features, and what the order of making shows."""
    known = [item for item in report.features if item.capability is not None]
    known.sort(key=lambda item: item.capability.cpk if item.capability is not None else 0.0)
    known = [item for item in known if not (item.feature == "rail_difference_mm" and "leaf" in item.where)]
    if not known:
        return []
    rows = [
        (
            item.short,
            number(item.sd, 3),
            f"{item.tolerance_low:.2f} to {item.tolerance_high:.2f}",
            f"{item.low:.2f} to {item.high:.2f}",
            _index(item),
        )
        for item in known[:SHOWN_FEATURES]
    ]
    titles = ("least capable", "sd", "95 % of such", "allowed", "Cpk")
    lines = [table([(title, "left" if place == 0 else "right") for place, title in enumerate(titles)], rows), ""]
    first = known[0]
    lines.append(
        paragraph(
            "95 % of pieces made so lie within the third column, with 95 % confidence (normal); Cpk has its 95 % interval"
            + (
                "."
                if first.capability is not None and first.capability.quotable
                else f", and from {first.count} pieces says little."
            )
        )
    )
    for item in (
        item for item in report.features if item.chart is not None and item.feature != "stop_mm" and "leaf" not in item.where
    ):
        lines += _chart(item)
    return [*lines, ""]


def _index(item: FeatureSummary) -> str:
    found = item.capability
    return "-" if found is None else f"{found.cpk:.2f} ({found.cpk_low:.2f}..{found.cpk_high:.2f})"


def _chart(item: FeatureSummary) -> list[str]:
    chart = item.chart
    if chart is None:
        return []
    said = [
        f"{item.where}, in the order of making: {signal.rule} at {', '.join(item.positions[place] for place in signal.positions[:6])}"
        + (f" and {len(signal.positions) - 6} more" if len(signal.positions) > 6 else "")
        + "."
        for signal in chart.signals
    ]
    if chart.drifts and abs(chart.slope) * item.count > WORTH_TELLING * (item.high - item.low):
        said.append(
            f"{item.where} drifts by {1e3 * chart.slope:+.1f} µm a piece ({1e3 * chart.slope_low:+.1f} to {1e3 * chart.slope_high:+.1f})."
        )
    return [paragraph(text[0].upper() + text[1:]) for text in said]


def _pairing(pairing: Pairing) -> list[str]:
    low, high = pairing.window_kpa
    by_lot = {lot.lot: [pair for pair in pairing.pairs if pair.lot == lot.lot] for lot in pairing.lots}

    def span(values: list[float], digits: int) -> str:
        ordered = sorted(values)
        low, high = (f"{value:.{digits}f}" for value in (ordered[0], ordered[-1]))
        return low if low == high else f"{low}..{high}"

    rows = [
        (
            lot.lot,
            span([pair.closing_pressure_kpa for pair in by_lot[lot.lot]], 1),
            number(max(pair.u_closing_pressure_kpa for pair in by_lot[lot.lot]), 1),
            span([pair.effort_kpa for pair in by_lot[lot.lot]], 1),
            span([pair.playing_opening_mm for pair in by_lot[lot.lot]], 2),
            span([100 * pair.closing_share for pair in by_lot[lot.lot]], 1),
            f"{100 * lot.in_window:.0f}",
            f"{100 * lot.in_window_half_softer:.0f}",
        )
        for lot in pairing.lots
    ]
    titles = ("reeds", "closing", "u", "effort", "opening", "share %", "in %", "softer")
    box = " and ".join(f"{item.strength:g} ({100 * item.in_window:.0f} %)" for item in pairing.box)
    lines = [
        paragraph(
            f"Pairing of {pairing.model} with the house reeds, window {low:g} to {high:g} kPa, {pairing.draws} draws a pair:"
        ),
        "",
        table([(title, "left" if place == 0 else "right") for place, title in enumerate(titles)], rows),
        "",
        paragraph(
            "Closing pressure and effort in kPa, opening in mm, as ranges over the pieces; u is the largest doubt of one pair. In: share of pairs of a reed and a piece inside the "
            "window; softer: the same if the lot were half a strength softer. Share: jet area left at the closing pressure."
        ),
        paragraph(
            f"On the box of this batch: {pairing.box[0].profile}, strengths {box} of pairs inside the window."
            if pairing.box[0].in_window > 0
            else "No strength can go on the box: no pair falls into the window."
        ),
    ]
    alone = ", ".join(pairing.alone)
    lines.append(
        paragraph(f"Pieces that pair with none of these: {alone}." if alone else "Every piece pairs with one of these.")
    )
    return [*lines, *(paragraph(f"Note: {doubt}.") for doubt in pairing.doubts), ""]
