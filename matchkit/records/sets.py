"""A piece read more than once: which readings belong together, and which set counts when.

A set is what was read on one day. A day on which fewer than three feelers were read on any rail, or on which nothing was read that the set before
has already (the other rail), begins no set of its own: it belongs to the set before it. A rail that was scanned and is read with feelers on a later day,
or the other way round, was read again. Within a set the latest reading of a feeler on a rail counts. Readings without a date come before all others. The latest set counts for what is asked today; a playtest goes by the
set that was valid on its day.
"""

from __future__ import annotations

import datetime as dt
from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

from matchkit.records.parts import FacingReading, LayPoint, Mouthpiece

Day = dt.date | None

LEAST_FEELERS = 3
LEAST_POINTS = 20
SCANNED = 0.0
"""Stands for a feeler where a rail was scanned."""


@dataclass(frozen=True)
class ReadingSet:
    """The readings and scanned points of a piece that belong together; ``tip_opening_mm`` is None where it was not read with them."""

    day: Day
    tip_opening_mm: float | None
    readings: tuple[FacingReading, ...]
    points: tuple[LayPoint, ...]

    def on(self, piece: Mouthpiece) -> Mouthpiece:
        """Return a piece with the tip opening of that day."""
        if self.tip_opening_mm is None or self.tip_opening_mm == piece.tip_opening_mm:
            return piece
        return piece.model_copy(update={"tip_opening_mm": self.tip_opening_mm})


def _order(day: Day) -> dt.date:
    return dt.date.min if day is None else day


def days_of_sets(readings: Iterable[FacingReading], scanned: Iterable[LayPoint] = ()) -> dict[Day, Day]:
    """Return, for every day on which a piece was read, the day of the set it belongs to."""
    feelers: dict[Day, dict[str, set[float]]] = defaultdict(lambda: defaultdict(set))
    points: dict[Day, dict[str, int]] = defaultdict(lambda: defaultdict(int))
    for row in readings:
        feelers[row.date][row.rail].add(row.feeler_mm)
    for point in scanned:
        points[point.date][point.rail] += 1
    found: dict[Day, Day] = {}
    current: Day = None
    seen: set[tuple[str, float]] = set()
    for day in sorted({*feelers, *points}, key=_order):
        mine = {(rail, feeler) for rail, read in feelers[day].items() for feeler in read}
        mine |= {(rail, SCANNED) for rail in points[day]}
        whole = max(map(len, feelers[day].values()), default=0) >= LEAST_FEELERS
        whole = whole or max(points[day].values(), default=0) >= LEAST_POINTS
        if not found or (whole and (mine & seen or _other_way(mine, seen))):
            current, seen = day, set()
        seen |= mine
        found[day] = current
    return found


def _other_way(mine: set[tuple[str, float]], seen: set[tuple[str, float]]) -> bool:
    """Tell whether a rail was scanned before and is read with feelers now, or the other way round."""

    def read(on: set[tuple[str, float]]) -> dict[str, int]:
        return {rail: sum(name == rail and feeler != SCANNED for name, feeler in on) for rail, _ in on}

    now, before = read(mine), read(seen)
    again = ((rail, SCANNED) in seen and count >= LEAST_FEELERS for rail, count in now.items())
    scanned = ((rail, SCANNED) in mine and count >= LEAST_FEELERS for rail, count in before.items())
    return any(again) or any(scanned)


def sets_of(readings: Sequence[FacingReading], points: Sequence[LayPoint]) -> tuple[ReadingSet, ...]:
    """Return the sets of one piece, oldest first; none where nothing was read."""
    if len({row.date for row in readings} | {row.date for row in points}) == 1:
        return (_set(readings[0].date if readings else points[0].date, readings, points),)
    labels = days_of_sets(readings, points)
    days = sorted(set(labels.values()), key=_order) if labels else []
    return tuple(
        _set(
            day,
            [row for row in readings if labels[row.date] == day],
            [row for row in points if labels[row.date] == day],
        )
        for day in days
    )


def _latest_of_each(readings: Sequence[FacingReading]) -> Sequence[FacingReading]:
    """Return the readings without those of a feeler on a rail that was read again on a later day."""
    last: dict[tuple[str, float], dt.date] = {}
    for row in readings:
        at = row.rail, row.feeler_mm
        last[at] = max(last.get(at, dt.date.min), _order(row.date))
    return [row for row in readings if _order(row.date) == last[row.rail, row.feeler_mm]]


def _set(day: Day, readings: Sequence[FacingReading], points: Sequence[LayPoint]) -> ReadingSet:
    readings = _latest_of_each(readings)
    tips = [row.tip_opening_mm for row in readings if row.tip_opening_mm is not None]
    return ReadingSet(day, sum(tips) / len(tips) if tips else None, tuple(readings), tuple(points))


def sets_of_pieces(readings: Iterable[FacingReading], points: Iterable[LayPoint]) -> dict[str, tuple[ReadingSet, ...]]:
    """Return the sets of every piece that was read, by its id."""
    read: dict[str, list[FacingReading]] = defaultdict(list)
    scanned: dict[str, list[LayPoint]] = defaultdict(list)
    for row in readings:
        read[row.mouthpiece_id].append(row)
    for point in points:
        scanned[point.mouthpiece_id].append(point)
    return {piece: sets_of(read[piece], scanned[piece]) for piece in {**read, **scanned}}


def valid_on(sets: Sequence[ReadingSet], day: Day) -> ReadingSet | None:
    """Return the set that was valid on a day: the latest one up to it, the first where none is so old, the latest where no day is told."""
    if not sets:
        return None
    if day is None:
        return sets[-1]
    before = [one for one in sets if _order(one.day) <= day]
    return before[-1] if before else sets[0]


def latest(mouthpieces: Iterable[Mouthpiece], sets: Mapping[str, Sequence[ReadingSet]]) -> list[tuple[Mouthpiece, ReadingSet]]:
    """Return every piece as it is today, with its latest set."""
    empty = ReadingSet(None, None, (), ())
    found = []
    for piece in mouthpieces:
        last = sets[piece.id][-1] if sets.get(piece.id) else empty
        found.append((last.on(piece), last))
    return found
