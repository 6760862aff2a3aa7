"""What must hold of the readings of a gauge study."""

from __future__ import annotations

from collections.abc import Iterator

from matchkit.errors import Problem
from matchkit.records.study import StudyReading
from matchkit.tables.read.cells import plain
from matchkit.tables.read.sheet import Reading

TOO_SHORT_MM = 2.0
"""Stops of a whole study that are all nearer the tip than this are in inches."""
STUDY_RANGES_MM = {"stop": (0.1, 45.0), "tip_opening": (0.5, 4.0)}


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
    for row, record in zip(reading.rows, reading.records, strict=True):
        if isinstance(record, StudyReading) and record.quantity in STUDY_RANGES_MM:
            low, high = STUDY_RANGES_MM[record.quantity]
            if not low <= record.reading_mm <= high:
                what = record.quantity.replace("_", " ")
                read, expected = f"{plain(record.reading_mm)} mm", f"a {what} from {low:g} to {high:g} mm"
                yield Problem(reading.source, row, "reading_mm", read, expected)
