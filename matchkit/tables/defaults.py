"""What is assumed where a house has not measured, read from the shipped table."""

from __future__ import annotations

from matchkit.errors import DataError, Problem
from matchkit.files import shipped
from matchkit.records.defaults import Defaults, DefaultValue


def read_defaults() -> Defaults:
    """Return the values assumed where a house has not measured; raises DataError for a row that cannot be read or stands twice."""
    from matchkit.tables.read.csv import read_csv

    reading = read_csv(shipped("data/defaults.csv"), DefaultValue)
    records = [record for record in reading.records if isinstance(record, DefaultValue)]
    seen: dict[tuple[str, str, float | None], int] = {}
    for row, record in zip(reading.rows, records, strict=True):
        first = seen.setdefault((record.instrument, record.name, record.x_mm), row)
        if first != row:
            hint = f"row {first} has it already"
            reading.problems.append(
                Problem(reading.source, row, "name", f"{record.instrument} {record.name}", "each one once", hint)
            )
    if reading.problems:
        raise DataError(reading.problems)
    return Defaults(records)
