"""Whether the rails of a piece are level: one verdict on their mean over the feelers, or on the one feeler at which they differ."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from statistics import NormalDist
from typing import Literal

from matchkit.maker.conformity.rule import CONFIDENCE, Limits, judge
from matchkit.maker.measure.stations import StationRead

RailsVerdict = Literal[
    "not compared", "at one feeler", "not known", "level", "level, near", "within", "no zero", "near", "perhaps", "short"
]
"""``not known``: read too coarsely. ``level, near`` and ``near``: too near the limit of the drawing to say. ``within``: apart, and within it.
``no zero``: apart, if the zero of the indicator is right. ``perhaps``: apart, but not by enough to be sure, where no drawing says what matters."""

LEVEL = 2.0
"""Rails are level where their mean difference is within so many standard uncertainties."""
TELLS_MM = 0.3
"""Where no drawing says what matters, rails known no better than to this are not called level."""
SURE = 3.0
"""A rail is called short, and not perhaps short, from so many standard uncertainties on, as a plan levels rails from there."""
LEAST_READ, NEAR_MM = 3, 2.0
"""From so many feelers one may stand out; a bump or flat that is told so near it says why."""


@dataclass(frozen=True)
class RailsJudged:
    """How the rails lie to one another, left minus right over the feelers as a drawing limits it: where below 0 the left rail is short.

    ``thinnest_mm`` is the difference at the thinnest feeler; ``feeler_mm``, ``place_mm`` and ``size_mm`` are of the one feeler at which they differ,
    where the verdict is on that, and ``at_flaw`` whether a bump or flat that is told lies there.
    """

    verdict: RailsVerdict
    mean_mm: float | None = None
    u_mean_mm: float | None = None
    limit_mm: float | None = None
    thinnest_mm: float | None = None
    feeler_mm: float | None = None
    place_mm: float | None = None
    size_mm: float | None = None
    at_flaw: bool = False

    @property
    def short(self) -> Literal["left", "right"]:
        """The rail that is the shorter one, or has the less at the one feeler."""
        size = self.mean_mm if self.size_mm is None else self.size_mm
        return "left" if (size or 0.0) < 0 else "right"


def judge_rails(
    mean: tuple[float, float] | None,
    stations: Sequence[StationRead],
    *,
    limit_mm: float | None,
    flaws_mm: Sequence[float],
    zero_known: bool,
) -> RailsJudged:
    """Judge the rails by their mean difference with its standard uncertainty; ``flaws_mm`` are the places of bumps and flats that are told."""
    if mean is None:
        return RailsJudged("not compared", limit_mm=limit_mm)
    alone = _alone(mean, stations, limit_mm or 0.0)
    if alone is not None:
        feeler, place, size = alone
        at_flaw = any(abs(place - flaw) <= NEAR_MM + abs(size) for flaw in flaws_mm)
        return RailsJudged("at one feeler", *mean, limit_mm, None, feeler, place, size, at_flaw)
    thinnest = next((row.difference_mm for row in stations if row.difference_mm is not None), None)
    return RailsJudged(_verdict(*mean, limit_mm, zero_known=zero_known), *mean, limit_mm, thinnest)


def _verdict(mean: float, u: float, limit_mm: float | None, *, zero_known: bool) -> RailsVerdict:
    by_drawing = None if limit_mm is None else judge(mean, u=u, limits=Limits(-limit_mm, limit_mm))
    if abs(mean) <= LEVEL * u:
        if u > (limit_mm or TELLS_MM):
            return "not known"
        return "level" if by_drawing in (None, "pass") else "level, near"
    if by_drawing == "pass":
        return "within"
    if not zero_known:
        return "no zero"
    if by_drawing is None:
        return "perhaps" if abs(mean) <= SURE * u else "short"
    return "near" if by_drawing == "inconclusive" else "short"


def _alone(mean: tuple[float, float], stations: Sequence[StationRead], limit_mm: float) -> tuple[float, float, float] | None:
    """Return the one feeler at which the rails surely differ where they do not on average: its thickness, where it stops, and by how much."""
    rows = [row for row in stations if row.difference_mm is not None and row.u_difference_mm]
    if len(rows) < LEAST_READ or abs(mean[0]) > max(LEVEL * mean[1], limit_mm):
        return None
    enough = NormalDist().inv_cdf(1 - (1 - CONFIDENCE) / len(rows))

    def beyond(row: StationRead) -> float:
        return (abs(row.difference_mm or 0.0) - limit_mm) / (row.u_difference_mm or 1.0)

    worst = max(rows, key=beyond)
    size = worst.difference_mm or 0.0
    place = worst.right_mm if size < 0 else worst.left_mm
    if beyond(worst) <= enough or place is None:
        return None
    return worst.feeler_mm, place, size
