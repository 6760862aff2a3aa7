"""A piece before and after: what each set of readings says of it, and what changed between them."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise
from statistics import NormalDist
from typing import Any, ClassVar, Literal

from matchkit.constants import TWO_SIDED
from matchkit.errors import RequestError
from matchkit.maker.measure.report import FacingReport, facing_report
from matchkit.maker.measure.stations import RAILS, moved_evenly
from matchkit.records.defaults import Defaults
from matchkit.records.parts import Mouthpiece
from matchkit.records.sets import ReadingSet
from matchkit.records.spec import HouseSpec
from matchkit.results import Answer

Doubt = Literal["all alike", "exchanged", "grew back"]
CHANCE = 0.05
"""So often a stop of a set is said to have moved by chance alone."""


@dataclass(frozen=True)
class Size:
    """A size with its standard uncertainty."""

    value: float
    u: float

    @property
    def sure(self) -> bool:
        """Whether it surely is not 0."""
        return abs(self.value) > TWO_SIDED * self.u


@dataclass(frozen=True)
class SetRead:
    """What one set of readings says; ``day`` is None where it has no date. Rails: left minus right over the feelers, above 0 where the left is longer.

    ``rails_read`` are those that were read; where it is one, the facing length is that rail's.
    """

    day: str | None
    rails_read: tuple[str, ...]
    tip_opening_mm: Size
    facing_length_mm: Size
    rails_mm: Size | None
    smoothness_um: float | None


@dataclass(frozen=True)
class StopMoved:
    """How far a feeler's stop moved on a rail, away from the tip where above 0."""

    feeler_mm: float
    rail: str
    by_mm: Size


@dataclass(frozen=True)
class Changed:
    """What changed from one set to the next. Uncertainties take the two as independent, so they are rather too large: the feelers are the same ones.

    ``rails`` are those that both have read: the facing length is held against that of the same rails; ``one_rail`` where it is one, and the sets
    have not both read that one alone. ``moved`` are the stops that surely moved, each only where it would by chance in 5 of 100 sets at most.
    ``doubt`` is what cannot be the work at the bench: every feeler off by the same, the rails for one another, or what grew back.
    """

    rails: tuple[str, ...]
    before: str | None
    after: str | None
    tip_opening_mm: Size
    facing_length_mm: Size
    rails_mm: Size | None
    stops: tuple[StopMoved, ...]
    one_rail: str | None
    moved: tuple[StopMoved, ...]
    doubt: Doubt | None


@dataclass(frozen=True)
class FacingHistory(Answer):
    """A piece over its sets of readings, oldest first, and what changed from each to the next."""

    schema: ClassVar[str] = "history"

    mouthpiece_id: str
    sets: tuple[SetRead, ...]
    changes: tuple[Changed, ...]

    def flat_rows(self) -> list[dict[str, Any]]:
        """Return one flat row a set."""
        return [
            {
                "day": one.day,
                "tip_opening_mm": one.tip_opening_mm.value,
                "u_tip_opening_mm": one.tip_opening_mm.u,
                "facing_length_mm": one.facing_length_mm.value,
                "u_facing_length_mm": one.facing_length_mm.u,
                "rails_mm": None if one.rails_mm is None else one.rails_mm.value,
                "smoothness_um": one.smoothness_um,
            }
            for one in self.sets
        ]


def facing_history(piece: Mouthpiece, sets: Sequence[ReadingSet], *, defaults: Defaults, spec: HouseSpec) -> FacingHistory:
    """Measure every set of a piece; raises RequestError where there is none."""
    if not sets:
        raise RequestError(f"{piece.id} has no readings, so it has no history")
    reports = [(one.day, facing_report(one.on(piece), one.readings, one.points, defaults=defaults, spec=spec)) for one in sets]
    read = [(None if day is None else day.isoformat(), report) for day, report in reports]
    return FacingHistory(
        piece.id,
        tuple(_read(day, report) for day, report in read),
        tuple(changed(before, after) for before, after in pairwise(read)),
    )


def _read(day: str | None, report: FacingReport) -> SetRead:
    return SetRead(
        day,
        _rails_read(report),
        Size(report.tip_opening_mm, report.u_tip_opening_mm),
        Size(report.facing_length_mm, report.u_facing_length_mm),
        rails_apart(report),
        report.smoothness_um,
    )


def _rails_read(report: FacingReport) -> tuple[str, ...]:
    """Return which rails were read, left first."""
    sides = {"left": [row.left_mm for row in report.stations], "right": [row.right_mm for row in report.stations]}
    return tuple(rail for rail, stops in sides.items() if any(stop is not None for stop in stops))


def rails_apart(report: FacingReport) -> Size | None:
    """Return the mean difference of the rails over the feelers."""
    mean, u = report.rails.mean_mm, report.rails.u_mean_mm
    return None if mean is None or u is None else Size(mean, u)


def _minus(after: Size, before: Size) -> Size:
    return Size(after.value - before.value, math.hypot(after.u, before.u))


def changed(before: tuple[str | None, FacingReport], after: tuple[str | None, FacingReport]) -> Changed:
    """Return what changed from one set of readings, with its day, to the next."""
    (day, old), (then, new) = before, after
    one, two = _read(day, old), _read(then, new)
    shared = tuple(rail for rail in one.rails_read if rail in two.rails_read)
    was, now = _stops(old), _stops(new)
    tip, length = _minus(two.tip_opening_mm, one.tip_opening_mm), _minus(_length(new, shared), _length(old, shared))
    stops = tuple(StopMoved(*at, _minus(now[at], was[at])) for at in sorted(set(was) & set(now)))
    alone = len(shared) == 1 and {len(one.rails_read), len(two.rails_read)} != {1}
    return Changed(
        shared,
        day,
        then,
        tip,
        length,
        None if one.rails_mm is None or two.rails_mm is None else _minus(two.rails_mm, one.rails_mm),
        stops,
        shared[0] if alone else None,
        _moved(stops),
        "exchanged" if are_exchanged(one.rails_mm, two.rails_mm, _by_rail(stops)) else _doubt(tip, length, stops, len(shared)),
    )


def _moved(stops: Sequence[StopMoved]) -> tuple[StopMoved, ...]:
    limit = NormalDist().inv_cdf(1 - CHANCE / 2 / max(len(stops), 1))
    return tuple(stop for stop in stops if abs(stop.by_mm.value) > limit * stop.by_mm.u)


def are_exchanged(was: Size | None, now: Size | None, moved: Mapping[str, Size]) -> bool:
    """Tell rails of which the other one is the shorter now, by as much, and that moved against one another by as much: they were written for one another.

    ``moved`` says by how much the stops of each rail did, on average; of a rail that was worked alone only one does.
    """
    sizes = (was, now, moved.get("left"), moved.get("right"))
    if any(size is None or not size.sure for size in sizes):
        return False
    pairs = ((was, now), (moved["left"], moved["right"]))
    return not any(
        Size(one.value + other.value, math.hypot(one.u, other.u)).sure
        for one, other in pairs
        if one is not None and other is not None
    )


def _by_rail(stops: Sequence[StopMoved]) -> dict[str, Size]:
    """Return how far the stops of each rail moved on average."""
    found: dict[str, Size] = {}
    for rail in RAILS:
        mine = [stop.by_mm for stop in stops if stop.rail == rail]
        if mine:
            found[rail] = Size(
                math.fsum(size.value for size in mine) / len(mine), math.hypot(*(size.u for size in mine)) / len(mine)
            )
    return found


def _doubt(tip: Size, length: Size, stops: Sequence[StopMoved], rails: int) -> Doubt | None:
    u = max((stop.by_mm.u for stop in stops), default=0.0)
    if rails == 2 and not tip.sure and moved_evenly([stop.by_mm.value for stop in stops], u):
        return "all alike"
    return "grew back" if any(size.sure and size.value < 0 for size in (tip, length)) else None


def _length(report: FacingReport, rails: tuple[str, ...]) -> Size:
    """Return the facing length by some of the rails that were read."""
    if len(rails) == 1:
        own, u = getattr(report, f"{rails[0]}_facing_length_mm"), report.u_rail_facing_length_mm
        if own is not None and u is not None:
            return Size(own, u)
    return Size(report.facing_length_mm, report.u_facing_length_mm)


def _stops(report: FacingReport) -> dict[tuple[float, str], Size]:
    """Return the stop of each feeler on each rail that was read."""
    found = {}
    for row in report.stations:
        for rail, value, u in (("left", row.left_mm, row.u_left_mm), ("right", row.right_mm, row.u_right_mm)):
            if value is not None and u is not None:
                found[round(row.feeler_mm, 4), rail] = Size(value, u)
    return found
