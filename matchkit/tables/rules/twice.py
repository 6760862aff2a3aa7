"""Rows of one table that say the same thing twice."""

from __future__ import annotations

from collections.abc import Iterator

from matchkit.errors import Problem
from matchkit.records.calibration import ClosingTest
from matchkit.records.parts import FacingReading
from matchkit.records.quantity import Record
from matchkit.tables.read.cells import shown
from matchkit.tables.read.sheet import Reading

TWICE = "twice"
"""With what the cause of such a slip begins."""
TOLD_TWICE = 3
"""More rows than these that are there already are one slip, and told once."""


def double_rows(reading: Reading, model: type[Record]) -> Iterator[Problem]:
    """Return the rows of one table whose key stands in an earlier row; where many do, as in a paste done twice, they are one slip."""
    seen: dict[tuple[object, ...], int] = {}
    twice: list[tuple[int, tuple[object, ...]]] = []
    for row, key in sorted(_keys(reading, model)):
        if key in seen:
            twice.append((row, key))
        else:
            seen[key] = row
    many = len(twice) > TOLD_TWICE
    asked = "; were rows pasted twice, or is a column missing that tells them apart?" if many else ""
    several = len({key[0] for _, key in twice})
    for row, key in twice:
        what = ", ".join(shown(str(part)) for part in key if part is not None)
        hint = f"row {seen[key]} has it already{asked}"
        yield Problem(reading.source, row, model.key[0], what, "each one once", hint, _cause(key, several) if many else "")


def _keys(reading: Reading, model: type[Record]) -> Iterator[tuple[int, tuple[object, ...]]]:
    """Yield each row with its key; of rows that could not be read those that are known by their id alone."""
    for row, record in zip(reading.rows, reading.records, strict=True):
        if not isinstance(record, FacingReading | ClosingTest) or record.repeat is not None:  # unnumbered repeats are averaged
            yield row, tuple(getattr(record, name) for name in model.key)
    if model.key == ("id",):
        yield from ((row, (ids["id"],)) for row, ids in reading.refused.items() if "id" in ids)


def _cause(key: tuple[object, ...], several: int) -> str:
    """Return what tells one slip from another: each of a few ids by itself."""
    return f"{TWICE} {key[0]}" if several <= TOLD_TWICE else TWICE
