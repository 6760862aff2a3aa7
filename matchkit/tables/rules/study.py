"""What must hold of the readings of a gauge study."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator
from statistics import median

from matchkit.errors import Problem
from matchkit.records.study import StudyReading
from matchkit.tables.read.cells import plain
from matchkit.tables.read.sheet import Reading
from matchkit.units import MM_PER_INCH

TOO_SHORT_MM = 2.0
"""Stops of a whole study that are all nearer the tip than this are in inches."""
STUDY_RANGES_MM = {"stop": (0.1, 45.0), "tip_opening": (0.5, 4.0)}


ALIKE = 0.25
"""Readings of one piece lie nearer one another than this share of their size."""


def _of_inches(reading: Reading) -> list[tuple[int, StudyReading]]:
    """Return the readings of a piece that are a twenty-fifth of its longest ones, where they lie so much nearer one another in inches."""
    pieces: dict[tuple[str, str], list[tuple[int, StudyReading]]] = defaultdict(list)
    for row, record in zip(reading.rows, reading.records, strict=True):
        if isinstance(record, StudyReading) and record.reading_mm > 0:
            pieces[record.quantity, record.piece].append((row, record))
    found = []
    for rows in pieces.values():
        longest = max(record.reading_mm for _, record in rows)
        long = median(record.reading_mm for _, record in rows if record.reading_mm > longest / 2)
        found += [one for one in rows if abs(one[1].reading_mm * MM_PER_INCH / long - 1) < ALIKE]
    return sorted(found, key=lambda one: one[0])


def study_ranges(reading: Reading) -> Iterator[Problem]:
    """Check that a reading of a study lies where such a quantity can lie at all."""
    stops = [
        (row, record)
        for row, record in zip(reading.rows, reading.records, strict=True)
        if isinstance(record, StudyReading) and record.quantity == "stop"
    ]
    if len(stops) > 1 and max(record.reading_mm for _, record in stops) < TOO_SHORT_MM:
        read = f"{len(stops)} stops, the longest {plain(max(record.reading_mm for _, record in stops))} mm"
        yield Problem(reading.source, stops[0][0], "reading_mm", read, "stops in millimetres", "inches? multiply them by 25.4")
        return
    inches = _of_inches(reading)
    if inches:
        first, slip = inches[0]
        read = f"{plain(slip.reading_mm)}{f' and {len(inches) - 1} more' if len(inches) > 1 else ''}, a twenty-fifth of the other readings of the piece"
        yield Problem(reading.source, first, "reading_mm", read, "all in millimetres", "in inches? multiply them by 25.4")
        return
    for row, record in zip(reading.rows, reading.records, strict=True):
        if isinstance(record, StudyReading) and record.quantity in STUDY_RANGES_MM:
            low, high = STUDY_RANGES_MM[record.quantity]
            if not low <= record.reading_mm <= high:
                what = record.quantity.replace("_", " ")
                read, expected = f"{plain(record.reading_mm)} mm", f"a {what} from {low:g} to {high:g} mm"
                yield Problem(reading.source, row, "reading_mm", read, expected)
