"""Pictures for the counter and the music stand: where set-ups lie, which reed is how hard, old against new, and what a score is made of."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from matchkit import constants
from matchkit.constants import TWO_SIDED
from matchkit.report.draw import BAND, FAINT, FIRST, INK, SECOND, beside, name_rows, plain, quiet, title
from matchkit.words.marks import group_name
from matchkit.words.rank import set_words, wish_words

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from matchkit.advise.answers import ClosingReport, Explanation, Ranking, Setup
    from matchkit.advise.beside.compare import Comparison
    from matchkit.advise.beside.reeds import Strengths
    from matchkit.advise.beside.swap import Swap
    from matchkit.advise.beside.what_if import WhatIf

Array = NDArray[np.float64]

MARKS = ("o", "s", "D", "^", "v", "P", "X")
LABEL_APART = 0.16
"""Half strengths between two names in a ladder, so that they do not lie upon one another."""
LEAST_POINTS = 0.05
"""Points below this are summed up as other."""
HALF = math.log(1 + constants.HALF_STRENGTH.value)


def _stiffness(row: Setup) -> float:
    """Return how stiff the reed is on that facing, in kPa for each mm of opening."""
    return row.closing_pressure_kpa / row.tip_opening_mm


def rank_map(ranking: Ranking, panels: Sequence[Axes]) -> None:
    """Draw the map: tip opening against how stiff the reed is there, lines along which it is as hard to blow, the wanted band, and the set-ups."""
    axes = panels[0]
    shown = [*ranking.rows, *([ranking.present] if ranking.present is not None else [])]
    if not shown:
        title(axes, "Nothing fits")
        axes.set_axis_off()
        return
    tips = np.array([row.tip_opening_mm for row in shown])
    stiff = np.array([_stiffness(row) for row in shown])
    low_x, high_x = tips.min() - 0.12, tips.max() + 0.2
    x = np.linspace(low_x, high_x, 200)
    target = _target(ranking)
    if ranking.present is not None:
        axes.plot(ranking.present.tip_opening_mm, _stiffness(ranking.present), "*", color=INK, markersize=15)
        _direct(axes, f"now: {set_words(ranking.present)}", ranking.present, below=True, middle=(low_x + high_x) / 2)
    for row in ranking.rows:
        mark = MARKS[(row.position - 1) % len(MARKS)]
        axes.plot(row.tip_opening_mm, _stiffness(row), mark, color=FIRST, markersize=9, fillstyle="none", markeredgewidth=1.8)
        _direct(
            axes,
            f"{row.position}: {row.mouthpiece_id} + {row.reed_id}{_expected(row)}",
            row,
            below=False,
            middle=(low_x + high_x) / 2,
        )
    axes.set_xlim(low_x, high_x)
    pad = 0.25 * max(float(np.ptp(stiff)), 0.08 * float(stiff.mean()))
    axes.set_ylim(float(stiff.min()) - pad, float(stiff.max()) + pad)
    if target is not None:
        now = None if ranking.present is None else ranking.present.closing_pressure_kpa
        _lines_of_resistance(axes, x, target, now)
    axes.set_xlabel("tip opening, mm (wider is bigger)")
    axes.set_ylabel("reed on it, kPa for each mm (higher is stiffer)")
    who = "the customer" if ranking.player == constants.VISITOR else ranking.player
    wants = f", who wants {wish_words(ranking.wish)}" if ranking.wish else ""
    title(
        axes,
        f"Where the set-ups for {who}{wants} lie",
        "Along a line it is as hard to blow; up and to the right is harder. A mark off the grey band is a little harder or freer than wanted, which its "
        "expected mark of 10 counts (in brackets, with the range of 8 in 10 next marks).",
    )
    quiet(axes)


def _lines_of_resistance(axes: Axes, x: Array, target: float, now: float | None) -> None:
    """Draw the wanted band and the lines along which a set-up is so much harder or freer than now, or than wanted, each named where it leaves the picture."""
    start, than = (target, "wanted") if now is None else (now, "now")
    low, high = axes.get_ylim()
    axes.fill_between(
        x, target * math.exp(-HALF / 2) / x, target * math.exp(HALF / 2) / x, color=BAND, alpha=0.7, linewidth=0, zorder=0
    )
    middle = target / x
    within = np.flatnonzero((middle > low) & (middle < high))
    if len(within):
        at = int(within[0])
        beside(axes, "wanted", (float(x[at]), float(middle[at])), xytext=(4, -2), fontsize=8, ha="left", va="top")
    for steps in (-3, -2, -1, 0, 1, 2, 3):
        line = start * math.exp(steps * HALF) / x
        inside = np.flatnonzero((line > low) & (line < high))
        if len(inside) < len(x) // 8 or (now is None and not steps):
            continue  # a corner only, or the middle of what is wanted
        axes.plot(x, line, color=FAINT, linewidth=0.6, linestyle="--")
        name = f"as hard as {than}" if not steps else f"{_strengths(steps).replace('softer', 'freer')} than {than}"
        at = int(inside[-1])
        beside(
            axes,
            name,
            (float(x[at]), float(line[at])),
            xytext=(-4, 2),
            fontsize=7,
            color=INK,
            ha="right",
            va="bottom",
        )


def _direct(axes: Axes, text: str, row: Setup, *, below: bool, middle: float) -> None:
    """Name a set-up beside its mark, towards the middle of the picture."""
    left = row.tip_opening_mm > middle
    beside(
        axes,
        text,
        (row.tip_opening_mm, _stiffness(row)),
        xytext=(-8 if left else 8, -13 if below else 7),
        ha="right" if left else "left",
    )


def _expected(row: Setup) -> str:
    if row.score_low is None or row.score_high is None:
        return ""
    low, mid, high = (min(max(value / 10, 0.0), 10.0) for value in (row.score_low, row.score, row.score_high))
    return f" ({mid:.1f}, {low:.1f} to {high:.1f})"


def _target(ranking: Ranking) -> float | None:
    """Return the closing pressure that is aimed at, kPa: where the resistance term of a row says how far off it is."""
    for row in (*ranking.rows, *([ranking.present] if ranking.present is not None else [])):
        term = next((term for term in row.terms if term.name == "resistance" and term.known), None)
        if term is not None and term.value is not None:
            return float(row.closing_pressure_kpa * ranking.wish_step**term.value)
    return None


def strengths_ladder(found: Strengths, panels: Sequence[Axes]) -> None:
    """Draw a ladder: every line of reeds side by side, each strength at how much harder it is than now, with the spread of a box."""
    axes = panels[0]
    rows = [row for row in found.rows if row.steps is not None]
    lines = list(dict.fromkeys(row.profile for row in rows))
    spread = constants.BOX_SPREAD.value / 100 / HALF
    axes.axhspan(-0.5, 0.5, color=BAND, linewidth=0)
    axes.axhline(0, color=INK, linewidth=0.8)
    for line in lines:
        last = -math.inf
        for turn, row in enumerate(sorted((row for row in rows if row.profile == line), key=lambda row: row.steps or 0.0)):
            place, steps = lines.index(line) + 0.07 * (turn % 2), row.steps or 0.0
            axes.plot(
                [place, place], [steps - spread, steps + spread], color=FIRST, linewidth=3, alpha=0.35, solid_capstyle="butt"
            )
            axes.plot(
                place, steps, "s" if row.equal else "o", color=SECOND if row.equal else FIRST, markersize=9 if row.equal else 6
            )
            last = max(last + LABEL_APART, steps)
            beside(axes, f"{row.strength:g}{' closest' if row.equal else ''}", (place, last), xytext=(12 - 3 * (turn % 2), 2))
    axes.set_xticks(range(len(lines)), [plain(line) for line in lines])
    axes.set_xlim(-0.4, len(lines) - 0.2)
    ticks = (
        range(
            math.floor(min((row.steps or 0.0) for row in rows) - 0.6),
            math.ceil(max((row.steps or 0.0) for row in rows) + 0.6) + 1,
        )
        if rows
        else ()
    )
    axes.set_yticks(list(ticks), [_strengths(step) for step in ticks])
    axes.set_xlabel("line of reeds; the number is the strength")
    who = "" if found.player in (None, constants.VISITOR) else f" for {found.player}"
    now = f"what is played now ({' + '.join(found.present)})" if found.present else "what is aimed at"
    title(
        axes,
        f"Reeds on {found.mouthpiece_id}{who}",
        f"Against {now}; bars are the spread of a box (7 in 10), the band feels alike.",
    )
    quiet(axes)


def _strengths(step: int) -> str:
    if step == 0:
        return "alike"
    size = {1: "half a strength", 2: "a strength"}.get(abs(step), f"{abs(step) / 2:g} strengths")
    return f"{size} {'harder' if step > 0 else 'softer'}"


def swap_slopes(found: Swap, panels: Sequence[Axes]) -> None:
    """Draw old against new: each set-up by how much harder and how much more open it is than now."""
    axes = panels[0]
    rows = found.rows
    names = [f"{row.mouthpiece_id} + {row.reed_id}" for row in rows]
    for place, row in enumerate(rows):
        hard, wide = row.steps_resistance, row.steps_opening
        axes.plot([0, hard], [place - 0.12] * 2, color=FIRST, linewidth=1.2)
        axes.plot(hard, place - 0.12, "o", color=FIRST, label="harder to blow" if place == 0 else None)
        axes.plot([0, wide], [place + 0.12] * 2, color=SECOND, linewidth=1.2, linestyle=":")
        axes.plot(wide, place + 0.12, "D", color=SECOND, fillstyle="none", label="more open" if place == 0 else None)
    _against_now(axes, names, f"{' + '.join(found.present)} against what is like it on {found.new_id}")


def compare_sides(found: Comparison, panels: Sequence[Axes]) -> None:
    """Draw two set-ups beside one another: the mark to expect of each with its range, and where they differ."""
    axes = panels[0]
    for place, (row, mark) in enumerate(((found.first, "o"), (found.second, "s"))):
        if row.score_low is not None and row.score_high is not None:
            low, high = max(row.score_low / 10, 0.0), min(row.score_high / 10, 10.0)
            axes.plot([low, high], [place, place], color=(FIRST, SECOND)[place], linewidth=6, alpha=0.3, solid_capstyle="butt")
        axes.plot(row.score / 10, place, mark, color=(FIRST, SECOND)[place], markersize=9)
        beside(
            axes,
            f"{row.score / 10:.1f}",
            (row.score / 10, place),
            xytext=(0, 9),
            textcoords="offset points",
            fontsize=9,
            ha="center",
        )
    name_rows(axes, [set_words(found.first), set_words(found.second)])
    axes.set_xlim(0, 10)
    axes.set_xlabel("expected mark of 10; the bar holds 8 in 10 next marks")
    doubt = "" if found.u_difference is None else f" ± {TWO_SIDED * found.u_difference:.1f}"
    title(
        axes,
        "One against the other",
        f"The second is expected {found.difference:+.1f}{doubt} marks (19 times of 20): the bars share most of their doubt.",
    )
    quiet(axes)


def _against_now(axes: Axes, names: list[str], head: str) -> None:
    axes.axvspan(-0.5, 0.5, color=BAND, linewidth=0)
    axes.axvline(0, color=INK, linewidth=0.8)
    name_rows(axes, names)
    axes.set_xlabel("steps from now: one is half a strength, or a tenth of the tip opening (the band feels alike)")
    title(axes, head)
    if names:
        axes.legend(frameon=False, fontsize=8, loc="best")
    quiet(axes)


def closing_curves(found: ClosingReport, panels: Sequence[Axes]) -> None:
    """Draw how a reed closes: jet area and flow against pressure, with where it plays, where the lip presses and where it shuts."""
    area = panels[0]
    pressure = np.array([point.pressure_kpa for point in found.curve])
    area.plot(pressure, [point.area_mm2 for point in found.curve], color=FIRST, linewidth=1.6)
    area.axvline(found.closing_pressure_kpa, color=INK, linewidth=0.8, linestyle="--")
    area.axvspan(
        found.closing_pressure_kpa - TWO_SIDED * found.u_closing_pressure_kpa,
        found.closing_pressure_kpa + TWO_SIDED * found.u_closing_pressure_kpa,
        color=BAND,
        linewidth=0,
    )
    beside(
        area,
        f"closes: {found.closing_pressure_kpa:.1f} kPa\n(± {TWO_SIDED * found.u_closing_pressure_kpa:.1f}, 19 times of 20)",
        (found.closing_pressure_kpa, found.rest_area_mm2 * 0.8),
        xytext=(4, 0),
        textcoords="offset points",
        fontsize=8,
    )
    if found.blow_kpa is not None:
        for panel in panels:
            panel.axvline(found.blow_kpa, color=SECOND, linewidth=1, linestyle=":")
        beside(area, "blown", (found.blow_kpa, found.rest_area_mm2), color=SECOND, xytext=(4, -4), va="top")
    area.set_ylabel("open area, mm²")
    title(
        area,
        f"{found.reed_id} on {found.mouthpiece_id}",
        f"Without the lip, which lowers all of it. The reed touches the facing first {found.first_contact_mm:.1f} mm from the tip.",
    )
    quiet(*panels)
    if len(panels) > 1:
        flow = panels[1]
        flow.plot(pressure, [point.flow_l_s for point in found.curve], color=SECOND, linewidth=1.6)
        flow.set_ylabel("air, litres a second")
        flow.set_xlabel("pressure that sucks it shut, kPa")
    else:
        area.set_xlabel("pressure that sucks it shut, kPa")


def explain_waterfall(found: Explanation, panels: Sequence[Axes]) -> None:
    """Draw a score as a waterfall: from what perfect terms would reach, down by what each costs, up and down by what the marks add; the sums are exact."""
    axes = panels[0]
    row = found.setup
    lost = [term for term in row.terms if term.cost >= LEAST_POINTS]
    top = 10 * row.computed + sum(term.cost for term in row.terms)
    steps: list[tuple[str, float]] = [
        (f"{TERM_NAMES.get(term.name, term.name.replace('_', ' '))}{'' if term.known else ' (not known)'}", -term.cost)
        for term in lost
    ]
    steps += [(group_name(group.name), group.points) for group in row.groups if abs(group.points) >= LEAST_POINTS]
    told = sum(points for _, points in steps)
    rest = row.score - top - told
    if abs(rest) >= LEAST_POINTS / 2:
        steps.append(("other", rest))
    names = ["if all fitted", *(name for name, _ in steps), "score"]
    at = top
    axes.barh(0, top, color=BAND, edgecolor=INK, linewidth=0.6)
    for place, (_, points) in enumerate(steps, start=1):
        axes.barh(
            place,
            points,
            left=at,
            color=FIRST if points > 0 else SECOND,
            hatch="" if points > 0 else "///",
            edgecolor="white",
            linewidth=0,
        )
        beside(
            axes,
            f"{points:+.1f}",
            (max(at, at + points), place),
            xytext=(4, 0),
            textcoords="offset points",
            fontsize=8,
            va="center",
        )
        at += points
    axes.barh(len(names) - 1, row.score, color=INK)
    beside(
        axes,
        f"{row.score:.1f}",
        (row.score, len(names) - 1),
        xytext=(4, 0),
        textcoords="offset points",
        fontsize=9,
        va="center",
    )
    name_rows(axes, names)
    axes.set_xlim(0, max(top, at, 100) * 1.06)
    axes.set_xlabel("points of 100")
    title(axes, f"What the score of {set_words(row)} is made of", "Hatched: takes off. Plain: adds. The sums are exact.")
    quiet(axes)


TERM_NAMES = {
    "closing": "how it closes",
    "box_spread": "spread of a box",
    "tone": "tone",
    "volume": "chamber",
    "rails": "rails",
}


def what_if_curves(found: WhatIf, panels: Sequence[Axes]) -> None:
    """Draw what changing a mouthpiece does: resistance above, the expected mark below, over the size that changes most."""
    rows = sorted((*found.rows, found.unchanged), key=lambda row: row.tip_opening_mm)
    sizes = {
        "tip opening, mm": [row.tip_opening_mm for row in rows],
        "facing length, mm": [row.facing_length_mm for row in rows],
        "baffle under the rails, mm": [row.baffle_height_mm or 0.0 for row in rows],
        "chamber, cm³": [row.chamber_volume_cm3 or 0.0 for row in rows],
    }
    name = max(sizes, key=lambda key: float(np.ptp(sizes[key])) / max(abs(float(np.mean(sizes[key]))), 1e-9))
    order = np.argsort(sizes[name], kind="stable")
    x = np.array(sizes[name])[order]
    above = panels[0]
    above.plot(x, np.array([row.steps_resistance for row in rows])[order], "o-", color=FIRST, markersize=4)
    above.axhline(0, color=INK, linewidth=0.8)
    above.set_ylabel("half strengths\nharder (+), freer (-)")
    at = next(sizes[name][place] for place, row in enumerate(rows) if row is found.unchanged)
    for axes in panels:
        axes.axvline(at, color=FAINT, linewidth=0.8, linestyle="--")
    title(above, f"{found.mouthpiece_id}, changed, with {found.reed_id}", "The dashed line is the mouthpiece as it is.")
    quiet(*panels)
    if len(panels) > 1:
        panels[1].plot(x, np.array([row.score / 10 for row in rows])[order], "s-", color=SECOND, markersize=4)
        marks = [row.score / 10 for row in rows]
        middle, half = (max(marks) + min(marks)) / 2, max(0.6 * (max(marks) - min(marks)), 1.0)
        panels[1].set_ylim(middle - half, middle + half)  # a tenth of a mark must not look like much
        panels[1].set_ylabel("expected mark of 10")
    panels[-1].set_xlabel(name)
