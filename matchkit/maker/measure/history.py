"""A piece before and after: what each set of readings says of it, and what changed between them."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Any, ClassVar

from matchkit.errors import RequestError
from matchkit.maker.measure.report import FacingReport, facing_report
from matchkit.records.defaults import Defaults
from matchkit.records.parts import Mouthpiece
from matchkit.records.sets import ReadingSet
from matchkit.records.spec import HouseSpec
from matchkit.results import Answer


@dataclass(frozen=True)
class Size:
    """A size with its standard uncertainty."""

    value: float
    u: float


@dataclass(frozen=True)
class SetRead:
    """What one set of readings says; ``day`` is None where it has no date. Rails: left minus right over the feelers, above 0 where the left is longer."""

    day: str | None
    tip_opening_mm: Size
    facing_length_mm: Size
    rails_mm: Size | None
    smoothness_um: float | None


@dataclass(frozen=True)
class StopMoved:
    """How far a feeler's stop moved, the mean of the rails, away from the tip where above 0."""

    feeler_mm: float
    by_mm: Size


@dataclass(frozen=True)
class Changed:
    """What changed from one set to the next. Uncertainties take the two as independent, so they are rather too large: the feelers are the same ones."""

    before: str | None
    after: str | None
    tip_opening_mm: Size
    facing_length_mm: Size
    rails_mm: Size | None
    stops: tuple[StopMoved, ...]


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
        tuple(_changed(before, after) for before, after in pairwise(read)),
    )


def _read(day: str | None, report: FacingReport) -> SetRead:
    return SetRead(
        day,
        Size(report.tip_opening_mm, report.u_tip_opening_mm),
        Size(report.facing_length_mm, report.u_facing_length_mm),
        _rails(report),
        report.smoothness_um,
    )


def _rails(report: FacingReport) -> Size | None:
    """Return the mean difference of the rails over the feelers."""
    apart = [
        (row.difference_mm, row.u_difference_mm)
        for row in report.stations
        if row.difference_mm is not None and row.u_difference_mm is not None
    ]
    if not apart:
        return None
    return Size(math.fsum(value for value, _ in apart) / len(apart), math.hypot(*(u for _, u in apart)) / len(apart))


def _minus(after: Size, before: Size) -> Size:
    return Size(after.value - before.value, math.hypot(after.u, before.u))


def _changed(before: tuple[str | None, FacingReport], after: tuple[str | None, FacingReport]) -> Changed:
    (day, old), (then, new) = before, after
    one, two = _read(day, old), _read(then, new)
    was, now = mean_stops(old), mean_stops(new)
    return Changed(
        day,
        then,
        _minus(two.tip_opening_mm, one.tip_opening_mm),
        _minus(two.facing_length_mm, one.facing_length_mm),
        None if one.rails_mm is None or two.rails_mm is None else _minus(two.rails_mm, one.rails_mm),
        tuple(StopMoved(feeler, _minus(now[feeler], was[feeler])) for feeler in sorted(set(was) & set(now))),
    )


def mean_stops(report: FacingReport) -> dict[float, Size]:
    """Return the mean stop of each feeler over the rails that were read."""
    found = {}
    for row in report.stations:
        sides = [(row.left_mm, row.u_left_mm), (row.right_mm, row.u_right_mm)]
        known = [(value, u) for value, u in sides if value is not None and u is not None]
        if known:
            mean = math.fsum(value for value, _ in known) / len(known)
            found[round(row.feeler_mm, 4)] = Size(mean, math.hypot(*(u for _, u in known)) / len(known))
    return found
