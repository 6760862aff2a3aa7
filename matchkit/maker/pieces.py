"""The pieces of a batch with what was read of them, in the order of making."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace

from matchkit.errors import DataError, RequestError
from matchkit.maker.facts import SetAside
from matchkit.records.parts import FacingReading, LayPoint, Mouthpiece
from matchkit.records.sets import ReadingSet, latest, sets_of_pieces


@dataclass(frozen=True)
class Pieces:
    """The pieces of a batch with their readings and scans, in the order of making."""

    mouthpieces: tuple[Mouthpiece, ...]
    readings: dict[str, list[FacingReading]]
    points: dict[str, list[LayPoint]]
    order_known: bool = True
    """Whether every piece has a serial number of its own within its model, so that the order of making is known."""
    sets: Mapping[str, tuple[ReadingSet, ...]] = field(default_factory=dict)
    """Everything that was read of each piece, oldest first; the readings and scans are those of the latest."""
    filed: Mapping[str, Mouthpiece] = field(default_factory=dict)
    """Each piece as it stands in its table, whatever was read of its tip later."""
    set_aside: tuple[SetAside, ...] = ()
    """Pieces of the batch that are not among these, since something in their rows is wrong."""

    unread: tuple[Mouthpiece, ...] = ()
    """Those of them of which only readings are wrong, so that a sheet can be made to read them again."""

    def refuse(self, *ids: str) -> None:
        """Raise DataError where one of these pieces, or of all where none is named, was set aside."""
        lost = [problem for one in self.set_aside if not ids or one.mouthpiece_id in ids for problem in one.problems]
        if lost:
            raise DataError(lost)

    def without(self, aside: Sequence[SetAside]) -> Pieces:
        """Return the pieces without some more that are set aside."""
        if not aside:
            return self
        gone = {one.mouthpiece_id for one in aside}
        kept = tuple(piece for piece in self.mouthpieces if piece.id not in gone)
        return replace(self, mouthpieces=kept, set_aside=(*self.set_aside, *aside))

    def before(self, piece: str) -> tuple[Mouthpiece, Pieces]:
        """Return a piece, and the pieces, as they were before its latest readings; RequestError where it was read once only."""
        sets = self.sets.get(piece, ())
        if len(sets) < 2:
            raise RequestError(f"{piece} was read once only")
        then = sets[-2]
        was = then.on(self.filed[piece])
        readings, points = {**self.readings, piece: list(then.readings)}, {**self.points, piece: list(then.points)}
        return was, replace(self, readings=readings, points=points)

    @property
    def stops_mm(self) -> list[float]:
        """Every stop that was read."""
        return [reading.stop_mm for rows in self.readings.values() for reading in rows]


def gather(mouthpieces: Sequence[Mouthpiece], readings: Sequence[FacingReading], points: Sequence[LayPoint]) -> Pieces:
    """Put the latest readings to their pieces, and the pieces into the order of their serial numbers where all have one."""
    ordered = list(mouthpieces)
    if all(piece.serial for piece in ordered):
        ordered.sort(key=lambda piece: _natural(str(piece.serial)))
    numbered = all(piece.serial and any(mark.isdigit() for mark in piece.serial) for piece in ordered)
    known = numbered and len({(piece.model, piece.serial) for piece in ordered}) == len(ordered)
    sets = sets_of_pieces(readings, points)
    today = latest(ordered, sets)
    return Pieces(
        tuple(piece for piece, _ in today),
        {piece.id: list(last.readings) for piece, last in today},
        {piece.id: list(last.points) for piece, last in today},
        known,
        sets,
        {piece.id: piece for piece in ordered},
    )


def _natural(serial: str) -> tuple[tuple[int, int, str], ...]:
    """Sort 9 before 10, whatever stands around the digits."""
    return tuple((0, int(part), "") if part.isdigit() else (1, 0, part) for part in re.split(r"(\d+)", serial) if part)
