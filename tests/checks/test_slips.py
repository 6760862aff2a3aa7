"""Whole columns in another unit: planted in the demo house, and not seen where nothing is wrong."""

from __future__ import annotations

import csv
from pathlib import Path

import pytest

import matchkit as mk


def scaled(folder: Path, table: str, column: str, factor: float) -> None:
    """Multiply a whole column."""
    path = folder / f"{table}.csv"
    with path.open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    for row in rows:
        if row[column]:
            row[column] = f"{float(row[column]) * factor:.5f}"
    with path.open("w", encoding="utf-8", newline="") as file:
        writer = csv.DictWriter(file, list(rows[0]))
        writer.writeheader()
        writer.writerows(rows)


@pytest.mark.parametrize("table", ["strength_scale", "reeds"])
@pytest.mark.parametrize(
    ("factor", "mend"),
    [
        (9.81, "divide it by 9.81 or 10"),
        (10, "divide it by 9.81 or 10"),
        (25.4, "divide it by 25.4"),
        (0.1, "multiply it by 9.81 or 10"),
    ],
)
def test_a_whole_column_in_another_unit_is_named_once(demo_copy: Path, table: str, factor: float, mend: str) -> None:
    """One note for the table, with the factor that would mend it."""
    scaled(demo_copy, table, "stiffness_n_per_mm", factor)
    (found,) = mk.open(demo_copy).slips
    assert (found.source, found.row, found.column) == (f"{table}.csv", None, "stiffness_n_per_mm")
    assert "GPa" in found.read
    assert mend in found.hint


def test_nothing_is_said_of_a_house_that_is_right() -> None:
    """The demo house, whose reeds differ by a strength or two, has no such column."""
    assert mk.open().slips == ()


def test_a_few_soft_reeds_are_no_slip(demo_copy: Path) -> None:
    """Reeds half or twice as stiff as usual are reeds, not a mistake of units."""
    scaled(demo_copy, "strength_scale", "stiffness_n_per_mm", 0.5)
    assert mk.open(demo_copy).slips == ()


@pytest.mark.parametrize(
    ("column", "factor", "mend"),
    [
        ("stop_mm", 0.1, "multiply it by 10"),
        ("stop_mm", 10, "divide by 10"),
        ("stop_mm", 25.4, "divide by 10 or divide by 25.4"),
    ],
)
def test_facings_in_another_unit_are_named_once(demo_copy: Path, column: str, factor: float, mend: str) -> None:
    """Stops in centimetres, in tenths, or taken for inches: one problem for the table, with what would mend it."""
    scaled(demo_copy, "facings", column, factor)
    with pytest.raises(mk.DataError) as told:
        mk.open(demo_copy)
    (found,) = told.value.problems
    assert (found.source, found.column) == ("facings.csv", column)
    assert "whole column" in found.hint
    assert mend in found.hint
