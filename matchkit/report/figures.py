"""Which picture belongs to which answer: ``plot`` draws into axes or a new figure, ``figure_bytes`` writes svg, png or pdf."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from matchkit.report import bench, counter, marks
from matchkit.report.draw import Format, fit_labels, new_figure, written

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

Draw = Callable[[Any, Sequence["Axes"]], None]
FORMATS: tuple[Format, ...] = ("svg", "png", "pdf")


@dataclass(frozen=True)
class Picture:
    """How an answer is drawn: by what, how large in inches, and with how many panels, whose heights are as ``heights``."""

    draw: Draw
    size: Callable[[Any], tuple[float, float]]
    heights: tuple[int, ...] | Callable[[Any], tuple[int, ...]] = (1,)
    narrows: bool = True
    """Whether it can be drawn for a narrow screen."""


def _sized(width: float, height: float) -> Callable[[Any], tuple[float, float]]:
    return lambda _: (width, height)


def _rows(
    count: Callable[[Any], int], *, width: float = 8.0, each: float = 0.32, base: float = 1.6
) -> Callable[[Any], tuple[float, float]]:
    return lambda answer: (width, base + each * count(answer))


def _charted(beside: Any) -> bool:
    return any(item.chart is not None and item.sds[0] > 0 for item in beside.features)


PICTURES: dict[str, Picture] = {
    "Ranking": Picture(counter.rank_map, _sized(8.0, 5.4)),
    "Strengths": Picture(counter.strengths_ladder, _sized(8.0, 6.0)),
    "Swap": Picture(counter.swap_slopes, _rows(lambda a: len(a.rows), each=0.5, base=2.0)),
    "Comparison": Picture(counter.compare_sides, _sized(8.0, 2.8)),
    "ClosingReport": Picture(counter.closing_curves, _sized(8.0, 6.0), (3, 2)),
    "Explanation": Picture(
        counter.explain_waterfall, _rows(lambda a: len(a.setup.terms) + len(a.setup.groups), each=0.34, base=2.0)
    ),
    "WhatIf": Picture(counter.what_if_curves, _sized(8.0, 5.4), (1, 1)),
    "FacingReport": Picture(bench.facing_lines, _sized(8.0, 6.0), (3, 2)),
    "BatchReport": Picture(
        bench.batch_cells, lambda a: (3.0 + 0.42 * len(bench.batch_columns(a)), 2.2 + 0.22 * len(a.pieces)), narrows=False
    ),
    "FeatureSummary": Picture(bench.chart, _sized(8.0, 5.4), (3, 2)),
    "BatchesBeside": Picture(
        bench.batches_beside,
        lambda a: (8.0, 3.6 + 0.22 * len(a.features) if _charted(a) else 1.6 + 0.22 * len(a.features)),
        lambda a: (len(a.features) + 2, 10) if _charted(a) else (1,),
    ),
    "Pairing": Picture(bench.pairing_strips, _rows(lambda a: len(a.lots), each=0.26, base=1.8)),
    "RefacePlan": Picture(bench.reface_removal, _sized(8.0, 4.6)),
    "GaugeStudy": Picture(bench.gauge_parts, lambda a: (8.0, 6.2 if a.cells else 3.4), lambda a: (1, 1) if a.cells else (1,)),
    "Analysis": Picture(marks.choices, marks.analysis_size, marks.analysis_heights),
    "Evaluation": Picture(marks.trust, _sized(9.0, 5.4), (3, 2)),
}
"""By the name of the answer's type."""


def picture_of(answer: Any) -> Picture:
    """Return how an answer is drawn; TypeError for one that has no picture."""
    found = PICTURES.get(type(answer).__name__)
    if found is None:
        raise TypeError(f"a {type(answer).__name__} has no picture; those that have: {', '.join(PICTURES)}")
    return found


def figure_of(answer: Any, *, width: float | None = None) -> Figure:
    """Return an answer as a figure of its own, ``width`` inches wide where that is asked for."""
    picture = picture_of(answer)
    wide, high = picture.size(answer)
    figure = new_figure(wide if width is None else min(width, wide), high)
    heights = picture.heights(answer) if callable(picture.heights) else picture.heights
    axes = figure.subplots(len(heights), 1, sharex=_shares(answer), height_ratios=heights, squeeze=False)
    picture.draw(answer, list(axes[:, 0]))
    fit_labels(figure)
    return figure


def _shares(answer: Any) -> bool:
    return type(answer).__name__ in {"ClosingReport", "WhatIf", "FacingReport", "FeatureSummary"}


def plot(answer: Any, ax: Axes | None = None) -> Axes:
    """Draw an answer into axes, its main panel where it has several; into a figure of its own where none are given. Return the (first) axes."""
    if ax is None:
        return figure_of(answer).axes[0]
    picture_of(answer).draw(answer, [ax])
    return ax


def figure_bytes(answer: Any, style: Format = "svg") -> bytes:
    """Return an answer's picture, written."""
    return written(figure_of(answer), style)


def style_of(path: str | Path) -> Format | None:
    """Return which format a file's name asks for; None for another."""
    found = Path(path).suffix.lower().lstrip(".")
    return next((style for style in FORMATS if style == found), None)
