"""Where the demo house, the defaults and the models are: in the installed package, or in the checkout."""

from __future__ import annotations

from pathlib import Path

from matchkit.errors import DataError, SourceError
from matchkit.records.defaults import Defaults, DefaultValue

_PACKAGE = Path(__file__).resolve().parent.parent


def shipped(name: str) -> Path:
    """Give the path of a shipped file or folder, such as ``data/demo``.

    A wheel carries them inside the package; an editable install runs from the checkout, where they stand at the top. Raises
    SourceError where neither has it.
    """
    for place in (_PACKAGE / "_shipped" / name, _PACKAGE.parent / name):
        if place.exists():
            return place
    raise SourceError(f"{name} is not part of this installation")


def read_defaults() -> Defaults:
    """Return the values assumed where a house has not measured."""
    from matchkit.tables.csv_reader import read_csv

    reading = read_csv(shipped("data/defaults.csv"), DefaultValue)
    if reading.problems:
        raise DataError(reading.problems)
    return Defaults(record for record in reading.records if isinstance(record, DefaultValue))
