"""Carrying the tables of a house between csv, workbooks and a book, losing nothing on the way."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from collections.abc import Set as AbstractSet
from pathlib import Path
from typing import Any

from matchkit.errors import DataError, Problem, SourceError, safe_name
from matchkit.records.schema import TABLES
from matchkit.tables.book.book import Book, exists
from matchkit.tables.book.connection import WAIT_SECONDS
from matchkit.tables.export import export
from matchkit.tables.read.sheet import Reading
from matchkit.tables.rules.house import check_house
from matchkit.tables.source import SPEC_FILE, SourceReading
from matchkit.tables.store import read_source, take_spec


def carry_in(
    source: str | Path,
    book: str | Path,
    *,
    command: str = "tables import",
    wait_s: float = WAIT_SECONDS,
    progress: Callable[[int, int], None] | None = None,
) -> dict[str, Any]:
    """Put every table of a source into a book, made where there is none; gives what changed, table by table.

    Raises DataError with every problem of the tables, or of rows that may not be changed, and SourceError; the book is then as before.
    """
    first = None if exists(book) else _sound(source)  # what is no house leaves no empty book behind
    target = Book(book, make=True, wait_s=wait_s)
    reading = _sound(source, target.ids()) if first is None else first
    records = {table: found.records for table, found in reading.tables.items()}

    def check(tables: dict[str, Reading], spec: str | None) -> list[Problem]:
        whole = SourceReading(target.name, tables)
        if spec is not None:
            take_spec(spec, SPEC_FILE, whole)
        check_house(whole)
        return whole.problems

    return target.put(records, command=command, spec=reading.spec_text, check=check, progress=progress)


def cells_of(book: str | Path, table: str, key: Sequence[Any], before: Mapping[str, Any]) -> dict[str, tuple[Any, Any]]:
    """Return what the cells of one row of a book were, as the history has them, and what they are now, by column."""
    row = Book(book).find(table, **dict(zip(TABLES[table].key, key, strict=True)))[0]
    return {column: (was, getattr(row, column)) for column, was in before.items()}


def carry_out(source: str | Path, target: str | Path) -> Path:
    """Write every table of a source into a new folder of csv files or a new workbook; raises as :func:`carry_in`."""
    return export(_sound(source), target)


def _sound(source: str | Path, known: Mapping[str, AbstractSet[str]] | None = None) -> SourceReading:
    """Read a source and refuse it whole where anything is wrong with it; what it lacks altogether may be in the book."""
    reading = read_source(source, needed=(), elsewhere=known)
    if reading.problems:
        raise DataError(reading.problems)
    if not reading.tables:
        raise SourceError(f"{safe_name(source) or 'no name'}: expected a house, and it has no table")
    return reading
