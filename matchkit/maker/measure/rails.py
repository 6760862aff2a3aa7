"""Whether the rails of a piece are level: one verdict on their mean over the feelers, or on the one feeler at which they differ."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from statistics import NormalDist
from typing import Literal

from matchkit.maker.conformity.rule import CONFIDENCE, Limits, judge
from matchkit.maker.facts import Fault
from matchkit.maker.measure.stations import RAILS, SAME_FEELER_MM, StationRead, stray_rail

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
    where the verdict is on that, ``at_flaw`` whether a bump or flat that is told lies there, and ``way`` whether ``rail`` stops short there or long.
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
    rail: Literal["left", "right"] | None = None
    """The rail that is short, or that leaves its own line at the one feeler; the one that stops shorter there where neither is known to."""
    way: Literal["short", "long"] = "short"
    stray: bool = False
    """Whether it is known that this rail leaves its own line at the one feeler, and not the other."""


def judge_rails(
    mean: tuple[float, float] | None,
    stations: Sequence[StationRead],
    *,
    limit_mm: float | None,
    fault: Fault | None,
    flaws_mm: Sequence[float],
    zero_known: bool,
) -> RailsJudged:
    """Judge the rails by their mean difference with its standard uncertainty, and by the fault that the drawing finds, where it is one of the rails.

    ``flaws_mm`` are the places of bumps and flats that are told.
    """
    if mean is None:
        return RailsJudged("not compared", limit_mm=limit_mm)
    short: Literal["left", "right"] = "left" if mean[0] < 0 else "right"
    surely = fault if fault is not None and fault.sure and fault.feature == "rail_difference_mm" else None
    verdict = "short" if surely is not None else _verdict(*mean, limit_mm, zero_known=zero_known)
    alone = (
        _alone(mean, stations, limit_mm or 0.0)
        if surely is None
        else _row_at(stations, surely)
        if surely.kind == "rails uneven"
        else None
    )
    if alone is not None:
        return _at_one(alone, mean, stations, limit_mm, flaws_mm, surely)
    if surely is not None and surely.rail in RAILS:
        short = surely.rail
    thinnest = next((row.difference_mm for row in stations if row.difference_mm is not None), None)
    return RailsJudged(verdict, *mean, limit_mm, thinnest, rail=short)


def _at_one(
    row: StationRead,
    mean: tuple[float, float],
    stations: Sequence[StationRead],
    limit_mm: float | None,
    flaws_mm: Sequence[float],
    fault: Fault | None,
) -> RailsJudged:
    """Return what is said of the one feeler at which the rails differ: which rail leaves its own line there, or which stops shorter.

    Where the drawing finds it a fault, the rail is that of the fault.
    """
    size = row.difference_mm or 0.0
    shorter: Literal["left", "right"] = "left" if size < 0 else "right"
    off: dict[str, dict[float, float]] = {
        rail: {one.feeler_mm: by for one in stations if (by := getattr(one, f"{rail}_off_um")) is not None} for rail in RAILS
    }
    stray = stray_rail(off, row.feeler_mm)
    rail = fault.rail if fault is not None and fault.rail in RAILS else stray or shorter
    place = row.left_mm if rail == "left" else row.right_mm
    at_flaw = place is not None and any(abs(place - flaw) <= NEAR_MM + abs(size) for flaw in flaws_mm)
    way: Literal["short", "long"] = "short" if rail == shorter else "long"
    return RailsJudged("at one feeler", *mean, limit_mm, None, row.feeler_mm, place, size, at_flaw, rail, way, stray == rail)


def _row_at(stations: Sequence[StationRead], fault: Fault) -> StationRead | None:
    """Return the row of the feeler that a fault is at."""
    rows = (row for row in stations if row.difference_mm is not None and fault.feeler_mm is not None)
    return next((row for row in rows if abs(row.feeler_mm - (fault.feeler_mm or 0.0)) <= SAME_FEELER_MM), None)


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


def _alone(mean: tuple[float, float], stations: Sequence[StationRead], limit_mm: float) -> StationRead | None:
    """Return the one feeler at which the rails surely differ where they do not on average."""
    rows = [row for row in stations if row.difference_mm is not None and row.u_difference_mm]
    if len(rows) < LEAST_READ or abs(mean[0]) > max(LEVEL * mean[1], limit_mm):
        return None
    enough = NormalDist().inv_cdf(1 - (1 - CONFIDENCE) / len(rows))

    def beyond(row: StationRead) -> float:
        return (abs(row.difference_mm or 0.0) - limit_mm) / (row.u_difference_mm or 1.0)

    worst = max(rows, key=beyond)
    return worst if beyond(worst) > enough else None
