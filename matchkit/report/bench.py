"""Pictures for the bench: one facing, one batch in one look and in the order of making, a pairing, a plan, a gauge.

Verdicts are told by letter as well as by shade, so that they survive a printer without colour.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np

from matchkit.constants import TWO_SIDED
from matchkit.report.draw import BAND, FAINT, FIRST, INK, SECOND, THIRD, beside, name_rows, plain, quiet, title
from matchkit.words.maker.features import feature_words, unit_of

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from matchkit.maker.conformity.batch import BatchReport, FeatureSummary
    from matchkit.maker.conformity.beside import BatchesBeside
    from matchkit.maker.conformity.judged import Judged
    from matchkit.maker.gauge import GaugeStudy
    from matchkit.maker.measure.report import FacingReport
    from matchkit.maker.pairing import Pairing
    from matchkit.maker.reface.plan import RefacePlan

LEFT, RIGHT, FAIR = FIRST, SECOND, INK
SHADES = {"pass": "#e8f1e4", "inconclusive": "#f6dd9b", "fail": "#c0504d"}
PEOPLE = ("o", "s", "D", "^", "v", "P", "X")
LETTERS = {"pass": "", "inconclusive": "?", "fail": "F"}


def facing_lines(report: FacingReport, panels: Sequence[Axes]) -> None:
    """Draw a facing: the lay of both rails with its readings, and how far it is from the fair curve with its doubt, on to the last reading.

    A mouthpiece known by its nominal numbers has no readings to draw (ValueError).
    """
    lines = report.outline
    if lines is None:
        raise ValueError(f"{report.mouthpiece_id} is known by its nominal numbers only: there are no readings to draw")
    above = panels[0]
    x = np.array(lines.x_mm)
    above.plot(x, lines.fair_mm, color=FAIR, linewidth=1, linestyle="--", label="fair curve")
    for name, values, colour, mark in (("left", lines.left_mm, LEFT, "<"), ("right", lines.right_mm, RIGHT, ">")):
        read = [(getattr(s, f"{name}_mm"), s.feeler_mm) for s in report.stations if getattr(s, f"{name}_mm") is not None]
        if not read:
            continue  # one rail was not read
        above.plot(x, values, color=colour, linewidth=1, label=f"{name} rail")
        above.plot(*zip(*read, strict=True), mark, color=colour, markersize=5)
    above.set_ylabel("height over the table, mm")
    above.legend(frameon=False, fontsize=8)
    tip, length = (
        f"{value:.{digits}f} ± {TWO_SIDED * u:.{digits}f}"
        for value, u, digits in (
            (report.tip_opening_mm, report.u_tip_opening_mm, 2),
            (report.facing_length_mm, report.u_facing_length_mm, 1),
        )
    )
    title(above, f"{report.mouthpiece_id}: tip {tip} mm, facing {length} mm", "± and bars hold the truth 19 times of 20")
    quiet(*panels)
    if len(panels) > 1:
        _off_curve(report, panels[1], x)
    panels[-1].set_xlabel("from the tip, mm")


def _off_curve(report: FacingReport, below: Axes, x: np.ndarray) -> None:
    lines = report.outline
    assert lines is not None  # noqa: S101 - the caller looked
    off_um, u_um = np.array(lines.off_um), np.array(lines.u_off_um)
    below.axhline(0, color=FAIR, linewidth=0.8, linestyle="--")
    name = "mean of the rails" if report.rail_difference_mm is not None else "the rail that was read"
    below.fill_between(
        x, off_um - TWO_SIDED * u_um, off_um + TWO_SIDED * u_um, color=BAND, linewidth=0, label=f"{name}, 19 times of 20"
    )
    below.plot(x, off_um, color=FAIR, linewidth=1)
    for rail, colour, mark in (("left", LEFT, "<"), ("right", RIGHT, ">")):
        off = [
            (getattr(s, f"{rail}_mm"), getattr(s, f"{rail}_off_um"), TWO_SIDED * getattr(s, f"u_{rail}_off_um"))
            for s in report.stations
            if getattr(s, f"{rail}_mm") is not None
        ]
        if off:
            place, value, bar = zip(*off, strict=True)
            below.errorbar(place, value, yerr=bar, fmt=mark, color=colour, markersize=5, elinewidth=0.8, capsize=2)
    for flaw in report.bumps:
        beside(
            below,
            flaw.kind,
            (flaw.place_mm, flaw.height_um),
            fontsize=8,
            ha="center",
            xytext=(0, 12),
            textcoords="offset points",
        )
    below.set_ylabel("off the fair curve, µm")
    below.legend(frameon=False, fontsize=8)


def batch_cells(report: BatchReport, panels: Sequence[Axes]) -> None:
    """Draw a batch in one look: pieces in rows, features in columns; each cell says how far off the nominal, in parts of what is allowed."""
    axes = panels[0]
    names = batch_columns(report)
    for row, piece in enumerate(report.pieces):
        found = {judged.at: judged for judged in piece.features}
        for column, name in enumerate(names):
            if name in found:
                _cell(axes, column, row, found[name])
    axes.set_xlim(-0.5, len(names) - 0.5)
    axes.set_xticks(range(len(names)), [feature_words(at) for at in names], rotation=90, fontsize=8)
    axes.xaxis.tick_top()
    name_rows(axes, [f"{piece.mouthpiece_id} {LETTERS[piece.verdict]}".strip() for piece in report.pieces], size=7)
    words = {"pass": "good", "inconclusive": "near a limit (?)", "fail": "out of drawing (F)"}
    told = ", ".join(f"{value} {words[verdict]}" for verdict, value in report.counts.items() if value)
    axes.set_xlabel(f"{len(report.pieces)} pieces: {told}. In a cell: off the drawing, 1 is the limit.", fontsize=9)
    axes.tick_params(length=0)
    for side in axes.spines.values():
        side.set_visible(False)


def batch_columns(report: BatchReport) -> list:  # type: ignore[type-arg]
    """Return the features that stand in the picture of a batch, in their order."""
    every = dict.fromkeys(judged.at for piece in report.pieces for judged in piece.features)
    return [at for at in every if at.feature != "rail_difference_mm" or at.feeler_mm is None]


def _cell(axes: Axes, column: int, row: int, judged: Judged) -> None:
    from matplotlib.patches import Rectangle

    shade = SHADES[judged.verdict] if judged.critical or judged.verdict == "pass" else "#dddddd"
    axes.add_patch(Rectangle((column - 0.48, row - 0.46), 0.96, 0.92, facecolor=shade, linewidth=0))
    text = f"{round(judged.share, 1) + 0.0:+.1f}"
    dark = judged.verdict == "fail" and judged.critical
    axes.text(
        column,
        row,
        f"{text}{LETTERS[judged.verdict]}",
        ha="center",
        va="center",
        fontsize=6.5,
        color="white" if dark else "black",
        fontweight="bold" if dark else "normal",
    )


def pairing_strips(pairing: Pairing, panels: Sequence[Axes]) -> None:
    """Draw a pairing, a strip a strength: where nine in ten close (thick), and with the lot's unknown level (thin), against the house's range."""
    axes = panels[0]
    low, high = pairing.closing_range_kpa
    axes.axvspan(low, high, color=BAND, linewidth=0)
    ends = [low, high]
    for row, strip in enumerate(pairing.lots):
        more = np.exp(TWO_SIDED * strip.level_pct / 100)
        axes.plot([strip.low_kpa / more, strip.high_kpa * more], [row, row], color=FAINT, linewidth=1)
        colour = FIRST if strip.playable else SECOND
        axes.plot(
            [strip.low_kpa, strip.high_kpa],
            [row, row],
            color=colour,
            linewidth=6,
            solid_capstyle="butt",
            linestyle="-" if strip.playable else (0, (1, 0.6)),
        )
        axes.plot(strip.closing_kpa, row, "|", color="white", markersize=8, markeredgewidth=2)
        ends += [strip.low_kpa / more, strip.high_kpa * more]
    axes.axvline(pairing.shuts_below_kpa, color=SECOND, linewidth=1, linestyle=":")
    beside(
        axes,
        "shuts by itself",
        (pairing.shuts_below_kpa, -0.9),
        fontsize=7,
        color=SECOND,
        ha="right",
        va="center",
        xytext=(-3, 0),
        textcoords="offset points",
    )
    box = None if pairing.box is None else pairing.box.strip.lot
    name_rows(axes, [f"{strip.lot}{' (for the box)' if strip.lot == box else ''}" for strip in pairing.lots])
    axes.set_ylim(len(pairing.lots) - 0.5, -1.4)
    axes.set_xlim(min(ends) * 0.95, max(ends) * 1.03)
    axes.set_xlabel("closing pressure, kPa")
    title(
        axes,
        f"{pairing.model or pairing.instrument} with the house reeds",
        "Thick: nine in ten of the pieces and of a box. Thin: if the lot is off. Grey: the house's range. Dashed strip: not playable.",
    )
    quiet(axes)


def chart(feature: FeatureSummary, panels: Sequence[Axes]) -> None:
    """Draw one feature in the order of making, with the limits of the drawing, those of the process, and the drift with its range; the moving range below.

    A feature without a chart has nothing to draw (ValueError).
    """
    found = feature.chart
    if found is None:
        raise ValueError(f"{feature_words(feature.at)} has no chart: too few pieces, or no known order")
    above = panels[0]
    values = np.array(found.values)
    place = np.arange(1, len(values) + 1)
    told = sorted({position for signal in found.signals for position in signal.positions})
    above.plot(place, values, "o-", color=LEFT, markersize=3, linewidth=0.8)
    if told:
        above.plot(
            place[told],
            values[told],
            "s",
            color=RIGHT,
            markersize=8,
            fillstyle="none",
            label="far from the others, or in a run",
        )
    above.axhline(found.mean, color=FAIR, linewidth=0.8)
    for level in (found.low, found.high):
        above.axhline(level, color=FAIR, linewidth=0.8, linestyle="--")
    for name, limit in (("drawing", feature.low), ("drawing", feature.high)):
        if limit is not None:
            above.axhline(limit, color=SECOND, linewidth=1.4)
            beside(above, name, (place[-1], limit), fontsize=7, color=SECOND, ha="right", va="bottom")
    if found.drifts:
        turn = found.drift_about
        run, at = place - turn[0], turn[1]
        above.fill_between(place, at + found.slope_low * run, at + found.slope_high * run, color=THIRD, alpha=0.2, linewidth=0)
        above.plot(place, at + found.slope * run, color=THIRD, linewidth=1.6, linestyle="-.", label="drift, with its range")
    above.set_ylabel(f"{feature_words(feature.at)}, {unit_of(feature.at)}")
    title(
        above,
        f"{feature.model}: {feature_words(feature.at)} in the order of making",
        "Dashed: where the process stays if nothing changes. Solid brown: the drawing's limits.",
    )
    if told or found.drifts:
        above.legend(frameon=False, fontsize=8)
    quiet(*panels)
    if len(panels) > 1:
        below = panels[1]
        below.plot(place[1:], np.abs(np.diff(values)), "o-", color=LEFT, markersize=3, linewidth=0.8)
        below.axhline(found.range_mean, color=FAIR, linewidth=0.8)
        below.axhline(found.range_high, color=FAIR, linewidth=0.8, linestyle="--")
        below.set_ylabel(f"piece to piece, {unit_of(feature.at)}")
    panels[-1].set_xlabel("piece, in the order of making")


def batches_beside(found: BatchesBeside, panels: Sequence[Axes]) -> None:
    """Draw by how much each size's mean differs from one batch to the other, over the first's spread, with its range; below, the size that differs most, piece by piece."""
    axes = panels[0]
    shown = [item for item in found.features if item.sds[0] > 0]
    for row, item in enumerate(shown):
        low, mid, high = (value / item.sds[0] for value in (item.difference_low, item.difference, item.difference_high))
        axes.plot([low, high], [row, row], color=FIRST, linewidth=1.4)
        axes.plot(mid, row, "s" if item.different else "o", color=FIRST, fillstyle="full" if item.different else "none")
    axes.axvline(0, color=INK, linewidth=0.8)
    name_rows(axes, [f"{item.model} {feature_words(item.at)}" for item in shown], size=8)
    axes.set_xlabel(f"{found.second} less {found.first}, in standard deviations of {found.first}")
    title(
        axes,
        f"{found.second} against {found.first}",
        "Lines are ranges that hold 19 times of 20 for all sizes together. Full squares: another size.",
    )
    quiet(*panels)
    charted = [item for item in shown if item.chart is not None]
    if len(panels) > 1 and charted:
        most = max(charted, key=lambda item: abs(item.difference) / item.sds[0])
        values = np.array(most.chart.values if most.chart is not None else ())
        below, place, turn = panels[1], np.arange(1, len(values) + 1), most.counts[0]
        below.plot(place[:turn], values[:turn], "o-", color=LEFT, markersize=3, linewidth=0.8, label=plain(found.first))
        below.plot(place[turn:], values[turn:], "s-", color=RIGHT, markersize=3, linewidth=0.8, label=plain(found.second))
        below.axvline(turn + 0.5, color=FAINT, linewidth=0.8, linestyle=":")
        below.set_ylabel(f"{feature_words(most.at)}, {unit_of(most.at)}")
        below.set_xlabel("piece, in the order of making")
        below.legend(frameon=False, fontsize=8)


def reface_removal(plan: RefacePlan, panels: Sequence[Axes]) -> None:
    """Draw what comes off where, on both rails, with how well the facing is known there."""
    axes = panels[0]
    place = np.array([row.place_mm for row in plan.removals])
    for name, colour, mark, style in (("left", LEFT, "<", "-"), ("right", RIGHT, ">", "--")):
        off = np.array([getattr(row, f"{name}_um") for row in plan.removals])
        axes.plot(place, off, mark + style, color=colour, markersize=6, label=f"{name} rail")
    u = TWO_SIDED * np.array([row.u_um for row in plan.removals])
    axes.fill_between(place, 0, u, color=BAND, linewidth=0, label="known only to this, 19 times of 20")
    axes.axhline(0, color=INK, linewidth=0.8)
    axes.set_xlabel("from the tip, mm")
    axes.set_ylabel("to take off, µm")
    title(
        axes,
        f"{plan.mouthpiece_id}: what comes off where",
        f"The tip goes from {plan.tip_opening_mm:.2f} to {plan.target_tip_opening_mm:.2f} mm. Work wet, do not breathe the dust, measure after every step.",
    )
    axes.legend(frameon=False, fontsize=8)
    quiet(axes)


def gauge_parts(study: GaugeStudy, panels: Sequence[Axes]) -> None:
    """Draw the components of a gauge study as bars with their ranges; below, each person's readings of each piece against its mean."""
    axes = panels[0]
    names = {
        "touch": "one person twice",
        "people": "people among one another",
        "gauge": "gauge, in all",
        "piece": "the pieces themselves",
    }
    values = {"touch": study.repeatability, "people": study.reproducibility, "gauge": study.gauge, "piece": study.piece}
    shown = [name for name, value in values.items() if value is not None]
    for row, name in enumerate(shown):
        value = values[name] or 0.0
        axes.barh(
            row,
            value,
            color=THIRD if name == "piece" else FIRST,
            hatch="//" if name == "piece" else "",
            edgecolor="white",
            linewidth=0,
            height=0.5,
        )
        ends = study.ranges.get(name)
        if ends is not None:
            axes.plot([ends.low, ends.high], [row, row], color=INK, linewidth=1.2)
            axes.plot([ends.low, ends.high], [row, row], "|", color=INK, markersize=9)
        beside(axes, f"{value:.3f}", (value, row), xytext=(3, 10), textcoords="offset points", fontsize=8)
    name_rows(axes, [names[name] for name in shown])
    axes.set_xlim(left=0)
    axes.set_xlabel(f"standard deviation, {study.unit}; the line is its range, 19 times of 20")
    title(
        axes,
        plain(f"How far a {study.quantity.replace('_', ' ')} can be trusted"),
        f"{study.pieces} pieces, {study.people} people",
    )
    quiet(*panels)
    if len(panels) > 1:
        _people_by_pieces(study, panels[1])


def _people_by_pieces(study: GaugeStudy, axes: Axes) -> None:
    """Draw how far each person reads each piece from its mean: a mark a person, with the way from the lowest to the highest reading."""
    pieces = list(dict.fromkeys(cell.piece for cell in study.cells))
    people = list(dict.fromkeys(cell.person for cell in study.cells))
    apart = 0.7 / max(len(people), 1)
    for place, piece in enumerate(pieces):
        mine = [cell for cell in study.cells if cell.piece == piece]
        middle = sum(cell.mean for cell in mine) / len(mine)
        for cell in mine:
            who = people.index(cell.person)
            at, colour = place + apart * (who - (len(people) - 1) / 2), (FIRST, SECOND, THIRD, INK)[who % 4]
            axes.plot([at, at], [cell.low - middle, cell.high - middle], color=colour, linewidth=1)
            label = plain(cell.person) if place == 0 else None
            axes.plot(at, cell.mean - middle, PEOPLE[who % len(PEOPLE)], color=colour, markersize=5, label=label)
    axes.axhline(0, color=INK, linewidth=0.6)
    axes.set_xticks(range(len(pieces)), [plain(piece) for piece in pieces], fontsize=8)
    axes.set_xlabel("piece; mark: a person's mean, line: lowest to highest reading")
    axes.set_ylabel(f"off the piece's mean, {study.unit}")
    axes.legend(frameon=False, fontsize=8, ncols=min(len(people), 4), loc="upper left", bbox_to_anchor=(0, 1.18))
