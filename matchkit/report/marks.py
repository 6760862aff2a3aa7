"""Pictures of playtests: what blind evenings found, and how far the model can be trusted."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from matchkit.playtest.stats.discrimination import CHANCE
from matchkit.report.draw import BAND, FAINT, FIRST, INK, SECOND, beside, name_rows, plain, quiet, title
from matchkit.words.playtest.learned import METHOD_NAMES, SPLIT_NAMES

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from matchkit.learn.trial.evaluation import Evaluation
    from matchkit.playtest.stats.analyse import Analysis

MOST_NAMES = 8
"""Evenings that are named along an axis."""
VERDICTS = {"different": "told apart", "these players": "these players told them apart", "inconclusive": "cannot be told"}


def choices(found: Analysis, panels: Sequence[Axes]) -> None:
    """Draw every comparison of an analysis: the share that chose one way, with its range, against chance; drifts along a sitting, and marks by evening, below."""
    axes = panels[0]
    for row, item in enumerate(found.comparisons):
        sure = item.verdict != "inconclusive"
        axes.plot([item.test.share_low, item.test.share_high], [row, row], color=FIRST, linewidth=1.4)
        axes.plot(item.test.share, row, "s" if sure else "o", color=FIRST, fillstyle="full" if sure else "none", markersize=8)
        axes.plot(CHANCE[item.test.kind], row, "|", color=SECOND, markersize=14, markeredgewidth=2)
        beside(axes, VERDICTS[item.verdict], (item.test.share, row), xytext=(0, 9), ha="center")
    name_rows(
        axes,
        [
            f"{item.set_a}\nor {item.set_b}{'' if item.attribute is None else f', {item.attribute}'}"
            for item in found.comparisons
        ],
        size=8,
    )
    axes.set_xlim(0, 1)
    axes.set_xlabel("share of answers; the line is its range, 19 times of 20")
    title(axes, "What the blind playtests found", "Brown stroke: chance alone. Full squares: told apart.")
    quiet(*panels)
    if len(panels) > 1 and found.evenings:
        _evenings(found, panels[-1])
    if len(panels) > 1 and found.drift:
        below = panels[1]
        below.axvline(0, color=INK, linewidth=0.8)
        for row, drift in enumerate(found.drift):
            below.plot([drift.low, drift.high], [row, row], color=FIRST, linewidth=1.4)
            below.plot(drift.slope, row, "o", color=FIRST)
        name_rows(below, [f"{drift.attribute}, along a sitting" for drift in found.drift])
        below.set_xlabel("change of a mark with each place further on in a sitting")


def analysis_heights(found: Analysis) -> tuple[int, ...]:
    """Return the panels of an analysis: comparisons, drifts where there are any, evenings where there are any."""
    return (2 + len(found.comparisons), *((2 + len(found.drift),) if found.drift else ()), *((6,) if found.evenings else ()))


def analysis_size(found: Analysis) -> tuple[float, float]:
    """Return how large an analysis is drawn, in inches."""
    return 8.0, 0.8 + 0.42 * sum(analysis_heights(found))


def _evenings(found: Analysis, axes: Axes) -> None:
    """Draw how high each evening's marks lie against what its players give on average, with its range, in the order of their days."""
    axes.axhline(0, color=INK, linewidth=0.8)
    for place, evening in enumerate(found.evenings):
        if evening.low is not None and evening.high is not None:
            axes.plot([place, place], [evening.low, evening.high], color=FAINT, linewidth=1)
        axes.plot(place, evening.mean, "o", color=FIRST, markersize=4)
    every = max(1, -(-len(found.evenings) // MOST_NAMES))
    named = range(0, len(found.evenings), every)
    axes.set_xticks(list(named), [plain(found.evenings[place].name) for place in named], fontsize=7)
    axes.set_ylabel("marks, against\nwhat is usual")
    axes.set_xlabel("evening; the line is the range of its mean, 19 times of 20")


def trust(found: Evaluation, panels: Sequence[Axes]) -> None:
    """Draw how far off each method is on each split, and how many marks fall into the range that promised eight of ten."""
    axes = panels[0]
    splits = list(dict.fromkeys(score.split for score in found.scores))
    methods = list(dict.fromkeys(score.method for score in found.scores))
    marks = "osD^vPX*<>hd"
    for place, split in enumerate(splits):
        for at, method in enumerate(methods):
            score = next((item for item in found.scores if (item.split, item.method) == (split, method)), None)
            if score is None or score.error != score.error:
                continue
            main = method == "blend"
            axes.plot(
                score.error,
                place + 0.6 * (at / max(len(methods) - 1, 1) - 0.5),
                marks[at % len(marks)],
                color=FIRST if main else FAINT,
                markersize=9 if main else 5,
                label=METHOD_NAMES.get(method, method) if place == 0 else None,
            )
    name_rows(axes, [SPLIT_NAMES[split] for split in splits])
    axes.set_xlabel("off by, marks of 10, on playtests held back")
    axes.legend(frameon=False, fontsize=7, loc="center left", bbox_to_anchor=(1.0, 0.5))
    title(
        axes,
        "How far off each way of expecting a mark is",
        f"{found.tests} playtests of {found.players} players; the large circle is matchkit's own.",
    )
    quiet(*panels)
    if len(panels) > 1:
        below = panels[1]
        told = [score for score in found.scores if score.coverage is not None]
        below.axvspan(0.75, 0.85, color=BAND, linewidth=0)
        for row, score in enumerate(told):
            if score.coverage_low is not None and score.coverage_high is not None:
                below.plot([score.coverage_low, score.coverage_high], [row, row], color=FIRST, linewidth=1.4)
            below.plot(score.coverage or 0.0, row, "s", color=FIRST)
        name_rows(below, [SPLIT_NAMES[score.split] for score in told])
        below.set_xlabel("marks within the range; eight in ten were promised")
