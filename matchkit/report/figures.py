"""Figures: one facing, one batch in one look, one pairing. Drawn with matplotlib's objects, without a display.

Verdicts are told by letter as well as by shade, so that they survive a printer without colour.
"""

from __future__ import annotations

import io
from typing import TYPE_CHECKING, Any, Literal

import numpy as np

from matchkit.words.maker.features import feature_words

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from matchkit.maker.conformity.batch import BatchReport, FeatureSummary
    from matchkit.maker.conformity.drawing import Judged
    from matchkit.maker.measure.report import FacingReport
    from matchkit.maker.pairing import Pairing

Format = Literal["svg", "png"]

LEFT, RIGHT, FAIR, BAND = "#0b6e99", "#b3541e", "#333333", "#cccccc"
SHADES = {"pass": "#e8f1e4", "inconclusive": "#f6dd9b", "fail": "#c0504d"}
LETTERS = {"pass": "", "inconclusive": "?", "fail": "F"}
DPI = 110


def _figure(width: float, height: float) -> Figure:
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure

    figure = Figure(figsize=(width, height), layout="constrained")
    FigureCanvasAgg(figure)
    return figure


def _written(figure: Figure, style: Format) -> bytes:
    """Write a figure; the same report gives the same bytes."""
    import matplotlib as mpl

    file = io.BytesIO()
    metadata: dict[str, Any] = {"Date": None} if style == "svg" else {"Software": None}
    with mpl.rc_context({"svg.hashsalt": "matchkit", "svg.fonttype": "none"}):
        figure.savefig(file, format=style, dpi=DPI, metadata=metadata)
    return file.getvalue()


def facing_figure(report: FacingReport, style: Format = "svg") -> bytes:
    """Draw a facing: the lay of both rails with its readings, and how far it is from the fair curve with the band of two u.

    A mouthpiece known by its nominal numbers has no readings to draw (ValueError).
    """
    lines = report.outline
    if lines is None:
        raise ValueError(f"{report.mouthpiece_id} is known by its nominal numbers only: there are no readings to draw")
    figure = _figure(8.0, 6.0)
    above, below = figure.subplots(2, 1, sharex=True, height_ratios=(3, 2))
    x = np.array(lines.x_mm)
    above.plot(x, lines.fair_mm, color=FAIR, linewidth=1, linestyle="--", label=f"fair curve ({report.shape})")
    for name, values, colour, mark in (("left", lines.left_mm, LEFT, "<"), ("right", lines.right_mm, RIGHT, ">")):
        read = [(getattr(s, f"{name}_mm"), s.feeler_mm) for s in report.stations if getattr(s, f"{name}_mm") is not None]
        if not read:
            continue  # one rail was not read
        above.plot(x, values, color=colour, linewidth=1, label=f"{name} rail")
        above.plot(*zip(*read, strict=True), mark, color=colour, markersize=5)
        off = [
            (getattr(s, f"{name}_mm"), getattr(s, f"{name}_off_um"), 2 * getattr(s, f"u_{name}_off_um"))
            for s in report.stations
            if getattr(s, f"{name}_mm") is not None
        ]
        if off:
            place, value, bar = zip(*off, strict=True)
            below.errorbar(place, value, yerr=bar, fmt=mark, color=colour, markersize=5, elinewidth=0.8, capsize=2)
    above.set_ylabel("height over the table's plane, mm")
    above.legend(frameon=False)
    above.set_title(
        f"{report.mouthpiece_id}: tip {report.tip_opening_mm:.2f} ± {2 * report.u_tip_opening_mm:.2f} mm, facing "
        f"{report.facing_length_mm:.2f} ± {2 * report.u_facing_length_mm:.2f} mm",
        fontsize=11,
    )
    off_um, u_um = np.array(lines.off_um), np.array(lines.u_off_um)
    below.axhline(0, color=FAIR, linewidth=0.8, linestyle="--")
    below.fill_between(
        x,
        off_um - 2 * u_um,
        off_um + 2 * u_um,
        color=BAND,
        linewidth=0,
        label="mean of the rails, ± 2 u" if report.rail_difference_mm is not None else "the rail that was read, ± 2 u",
    )
    below.plot(x, off_um, color=FAIR, linewidth=1)
    below.set_ylabel("off the fair curve, µm")
    below.set_xlabel("from the tip, mm")
    below.legend(frameon=False, fontsize=8)
    _quiet(above, below)
    return _written(figure, style)


def batch_figure(report: BatchReport, style: Format = "svg") -> bytes:
    """Draw a batch in one look: pieces in rows, features in columns; each cell says how far off the nominal, in half tolerances."""
    every = dict.fromkeys(judged.at for piece in report.pieces for judged in piece.features)
    names = [at for at in every if at.feature != "rail_difference_mm" or at.feeler_mm is None]
    count = len(report.pieces)
    figure = _figure(3.0 + 0.42 * len(names), 2.2 + 0.22 * count)
    axes = figure.subplots()
    for row, piece in enumerate(report.pieces):
        found = {judged.at: judged for judged in piece.features}
        for column, name in enumerate(names):
            if name in found:
                _cell(axes, column, row, found[name])
    axes.set_xlim(-0.5, len(names) - 0.5)
    axes.set_ylim(count - 0.5, -0.5)
    axes.set_xticks(range(len(names)), [feature_words(at) for at in names], rotation=90, fontsize=8)
    axes.xaxis.tick_top()
    axes.set_yticks(
        range(count), [f"{piece.mouthpiece_id} {LETTERS[piece.verdict]}".strip() for piece in report.pieces], fontsize=7
    )
    told = ", ".join(f"{value} {verdict}" for verdict, value in report.counts.items())
    axes.set_xlabel(
        f"{count} pieces: {told}. Number: off the nominal in half tolerances. F fails, ? is inconclusive, at 95 %.", fontsize=8
    )
    axes.tick_params(length=0)
    for side in axes.spines.values():
        side.set_visible(False)
    return _written(figure, style)


def _cell(axes: Axes, column: int, row: int, judged: Judged) -> None:
    from matplotlib.patches import Rectangle

    half = judged.allowed_off
    shade = SHADES[judged.verdict] if judged.critical or judged.verdict == "pass" else "#dddddd"
    axes.add_patch(Rectangle((column - 0.48, row - 0.46), 0.96, 0.92, facecolor=shade, linewidth=0))
    text = f"{round(judged.off / half, 1) + 0.0:+.1f}" if half > 0 else "0"
    dark = judged.verdict == "fail" and judged.critical
    axes.text(
        column,
        row,
        f"{text}{LETTERS[judged.verdict]}",
        ha="center",
        va="center",
        fontsize=6,
        color="white" if dark else "black",
        fontweight="bold" if dark else "normal",
    )


def pairing_figure(pairing: Pairing, style: Format = "svg") -> bytes:
    """Draw a pairing: pieces in rows, lots in columns; each cell the share of pairs inside the window, in per cent."""
    pieces = list(dict.fromkeys(pair.mouthpiece_id for pair in pairing.pairs))
    lots = [lot.lot for lot in pairing.lots]
    share = np.array([100 * pair.in_range for pair in pairing.pairs]).reshape(len(pieces), len(lots))
    figure = _figure(3.0 + 0.45 * len(lots), 2.2 + 0.22 * len(pieces))
    axes = figure.subplots()
    axes.imshow(share, aspect="auto", cmap="Greens", vmin=0, vmax=160)
    for (row, column), value in np.ndenumerate(share):
        axes.text(column, row, f"{value:.0f}", ha="center", va="center", fontsize=6)
    axes.set_xticks(range(len(lots)), lots, rotation=90, fontsize=8)
    axes.xaxis.tick_top()
    axes.set_yticks(range(len(pieces)), [f"{name} none" if name in pairing.alone else name for name in pieces], fontsize=7)
    low, high = pairing.closing_range_kpa
    axes.set_xlabel(f"per cent of pairs with a closing pressure from {low:g} to {high:g} kPa", fontsize=8)
    axes.tick_params(length=0)
    return _written(figure, style)


def chart_figure(feature: FeatureSummary, style: Format = "svg") -> bytes:
    """Draw one feature in the order of making: individuals with their limits above, the moving range below.

    A feature without a chart has nothing to draw (ValueError).
    """
    chart = feature.chart
    if chart is None:
        raise ValueError(f"{feature_words(feature.at)} has no chart: too few pieces, or no known order")
    figure = _figure(8.0, 5.0)
    above, below = figure.subplots(2, 1, sharex=True, height_ratios=(3, 2))
    values = np.array(chart.values)
    place = np.arange(1, len(values) + 1)
    told = sorted({position for signal in chart.signals for position in signal.positions})
    above.plot(place, values, "o-", color=LEFT, markersize=3, linewidth=0.8)
    above.plot(
        place[told], values[told], "s", color=RIGHT, markersize=6, fillstyle="none", label="a rule fired"
    ) if told else None
    for level, line in ((chart.mean, "-"), (chart.low, "--"), (chart.high, "--")):
        above.axhline(level, color=FAIR, linewidth=0.8, linestyle=line)
    above.set_ylabel(feature_words(feature.at))
    above.set_title(
        f"{feature_words(feature.at)}: mean {chart.mean:.3f}, limits {chart.low:.3f} to {chart.high:.3f}", fontsize=10
    )
    above.legend(frameon=False, fontsize=8) if told else None
    below.plot(place[1:], np.abs(np.diff(values)), "o-", color=LEFT, markersize=3, linewidth=0.8)
    below.axhline(chart.range_mean, color=FAIR, linewidth=0.8)
    below.axhline(chart.range_high, color=FAIR, linewidth=0.8, linestyle="--")
    below.set_ylabel("moving range")
    below.set_xlabel("piece, in the order of making")
    _quiet(above, below)
    return _written(figure, style)


def _quiet(*axes: Axes) -> None:
    for one in axes:
        for side in ("top", "right"):
            one.spines[side].set_visible(False)
        one.grid(visible=True, linewidth=0.3, color="#dddddd")
