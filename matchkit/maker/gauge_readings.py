"""The readings of a gauge study before they are analysed: by person and piece, as a whole array, and those that look like slips."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from matchkit.errors import DataError, Problem
from matchkit.maker.gauge import GaugeCell, OddReading
from matchkit.records.spec import implied_step_mm
from matchkit.records.study import StudyReading

Array = NDArray[np.float64]

LEAST_ODD_MM = 0.005
"""The least that readings are taken to scatter by when they are looked through for slips."""
ODD, MOST_ODD = 8.0, 0.1
"""A reading so many robust standard deviations from the others of its piece is asked about, where at most this share of the study is."""


def odd_readings(readings: Sequence[StudyReading]) -> tuple[OddReading, ...]:
    """Return the readings that are far from the others of their piece, whoever read those: median and median absolute deviation.

    Where many are, people or pieces differ, and no reading slipped.
    """
    of_piece: dict[str, list[float]] = defaultdict(list)
    for reading in readings:
        of_piece[reading.piece].append(reading.reading_mm)
    middles = []
    for reading in readings:
        others = list(of_piece[reading.piece])
        others.remove(reading.reading_mm)
        middles.append(float(np.median(others)) if others else reading.reading_mm)
    off = np.abs(np.array([reading.reading_mm for reading in readings]) - middles)
    step = implied_step_mm([reading.reading_mm for reading in readings]) or LEAST_ODD_MM
    far = off > ODD * max(float(np.median(off)) / 0.6745, step)
    if far.mean() > MOST_ODD:
        return ()
    return tuple(
        OddReading(reading.piece, reading.operator, reading.repeat, reading.reading_mm, middle)
        for reading, middle, is_far in zip(readings, middles, far, strict=True)
        if is_far
    )


def cells_of(readings: Sequence[StudyReading]) -> tuple[GaugeCell, ...]:
    """Return what each person read of each piece."""
    found: dict[tuple[str, str], list[float]] = defaultdict(list)
    for reading in readings:
        found[reading.piece, reading.operator].append(reading.reading_mm)
    return tuple(
        GaugeCell(piece, person, float(np.mean(read)), min(read), max(read), len(read))
        for (piece, person), read in found.items()
    )


def crossed(readings: Sequence[StudyReading], *, source: str) -> Array | None:
    """Arrange readings into an array (pieces, people, repeats); None where a cell is missing or was not read as often as the others.

    Raises DataError where there are fewer than two pieces, or each was read once.
    """
    cells: dict[tuple[str, str], list[float]] = defaultdict(list)
    for reading in readings:
        cells[reading.piece, reading.operator].append(reading.reading_mm)
    pieces = list(dict.fromkeys(reading.piece for reading in readings))
    people = list(dict.fromkeys(reading.operator for reading in readings))
    counts = {len(cells[piece, person]) for piece in pieces for person in people}
    if len(pieces) < 2 or max(counts) < 2:
        read = f"pieces: {len(pieces)}, people: {len(people)}, readings of each by one person: {max(counts)}"
        raise DataError([Problem(source, None, None, read, "two pieces or more, each read twice or more")])
    if len(counts) > 1:
        return None
    return np.array([[cells[piece, person] for person in people] for piece in pieces])
