"""What is assumed where a house has not measured, read from the shipped table."""

from __future__ import annotations

from matchkit.errors import DataError
from matchkit.files import shipped
from matchkit.records.defaults import Defaults, DefaultValue


def read_defaults() -> Defaults:
    """Return the values assumed where a house has not measured."""
    from matchkit.tables.read.csv import read_csv

    reading = read_csv(shipped("data/defaults.csv"), DefaultValue)
    if reading.problems:
        raise DataError(reading.problems)
    return Defaults(record for record in reading.records if isinstance(record, DefaultValue))
