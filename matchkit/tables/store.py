"""The tables of one house, read and checked."""

from __future__ import annotations

import re
import tomllib
from collections.abc import Mapping
from collections.abc import Set as AbstractSet
from pathlib import Path
from typing import Any, TypeVar

from matchkit.errors import DataError, Problem, SourceError, safe_name
from matchkit.names import nearly
from matchkit.records.building import Slip, build
from matchkit.records.calibration import ClosingTest
from matchkit.records.parts import FacingReading, LayPoint, Ligature, Mouthpiece, Neck, ProfilePoint, Reed, StrengthStep
from matchkit.records.people import Loan, Player, Playtest
from matchkit.records.quantity import Record
from matchkit.records.schema import REQUIRED_TABLES, TABLES
from matchkit.records.spec import HouseSpec, keys_at
from matchkit.records.trials import Trial
from matchkit.tables.read.cells import shown
from matchkit.tables.read.csv import read_csv
from matchkit.tables.source import SPEC_FILE, SourceReading, Tables

Row = TypeVar("Row", bound=Record)
Kept = TypeVar("Kept", Playtest, Trial)


def read_source(
    source: str | Path, *, needed: tuple[str, ...] = REQUIRED_TABLES, elsewhere: Mapping[str, AbstractSet[str]] | None = None
) -> SourceReading:
    """Read a directory of csv files, an xlsx workbook or a book, and check everything in it; problems are collected.

    ``needed`` are the tables that must be there; ids of ``elsewhere`` may be pointed at too. Raises SourceError where there is nothing to read.
    """
    from matchkit.tables.rules.house import check_house

    path = Path(source)
    reading = SourceReading(safe_name(source), {}, elsewhere=elsewhere or {})
    if is_book(source):
        _read_book(source, reading, needed)
    elif path.suffix.lower() == ".xlsx" and path.is_file():
        _read_workbook(path, reading, needed)
    else:
        _read_folder(path, reading, needed)
    for found in reading.tables.values():
        reading.problems.extend(found.problems)
        reading.warnings.extend(found.warnings)
    check_house(reading)
    return reading


BOOK_SUFFIXES = (".sqlite", ".sqlite3", ".db")


def is_book(source: str | Path) -> bool:
    """Tell a book, a file of SQLite or a URL, from a folder or a workbook."""
    return "://" in str(source) or Path(source).suffix.lower() in BOOK_SUFFIXES


def _read_book(source: str | Path, reading: SourceReading, needed: tuple[str, ...]) -> None:
    from matchkit.tables.book.book import Book

    book = Book(source)
    reading.source = book.name
    tables, spec = book.read()
    reading.tables.update(tables)
    reading.problems += [
        Problem(book.name, None, None, f"no row in {table}", "one or more, by tables import")
        for table in needed
        if table not in tables and not any(other in tables for other in needed)  # a shop may have no ligatures yet
    ]
    if spec is not None:
        take_spec(spec, SPEC_FILE, reading)


def _read_workbook(path: Path, reading: SourceReading, needed: tuple[str, ...]) -> None:
    from matchkit.tables.read.xlsx import read_workbook

    tables, problems, warnings = read_workbook(path)
    reading.tables.update(tables)
    reading.problems.extend(problems)
    reading.warnings.extend(warnings)
    if not problems:
        for table in needed:
            if table not in tables:
                reading.problems.append(Problem(path.name, None, None, f"no sheet {table}", "a sheet of this name"))
    _read_spec(path.parent / SPEC_FILE, reading)


def _read_folder(folder: Path, reading: SourceReading, needed: tuple[str, ...]) -> None:
    names = _names(folder)
    for table, model in TABLES.items():
        path = folder / f"{table}.csv"
        if path.is_file():
            reading.tables[table] = read_csv(path, model)
        elif path.name in names:
            reading.problems.append(Problem(path.name, None, None, "something that is no file", "a csv file"))
        elif table in needed:
            near = nearly(path.name, [name for name in names if Path(name).stem not in TABLES], most=1, alike=0.7)
            hint = f"is it {near[0]}?" if near else "matchkit tables template writes empty ones into a new folder"
            reading.problems.append(Problem(path.name, None, None, "no such file", "this table", hint))
    for name in sorted(names):
        if name.lower().endswith(".csv") and Path(name).stem not in TABLES:
            reading.warnings.append(Problem(name, None, None, "a file", f"one of {', '.join(TABLES)}; it was left out"))
    _read_spec(folder / SPEC_FILE, reading)


PIECES_TABLES = ("mouthpieces",)
"""Without these a batch of pieces cannot be judged."""


def read_spec(path: str | Path) -> HouseSpec:
    """Read a ``house.toml`` by itself; raises SourceError where it is not there, DataError with every problem."""
    place = Path(path)
    if not place.is_file():
        raise SourceError(f"{safe_name(path)}: expected a house.toml, and there is no such file")
    from matchkit.tables.rules.house import limits_in_order

    reading = SourceReading(str(path), {})
    _read_spec(place, reading)
    reading.problems.extend(limits_in_order(reading))
    if reading.problems:
        raise DataError(reading.problems)
    return reading.spec


def spec_beside(pieces: str | Path | None) -> Path | None:
    """Return the ``house.toml`` in the folder of some pieces, or beside their workbook; None where there is none."""
    if pieces is None:
        return None
    place = Path(pieces)
    found = (place if place.is_dir() else place.parent) / SPEC_FILE
    return found if found.is_file() else None


def read_tables(source: str | Path, *, needed: tuple[str, ...] = REQUIRED_TABLES) -> Tables:
    """Read a house, or the pieces of a batch with other tables ``needed``; raises DataError with every problem."""
    reading = read_source(source, needed=needed)
    if reading.problems:
        raise DataError(reading.problems)
    return tables_of(reading)


def tables_of(reading: SourceReading) -> Tables:
    """Return the records that were read, table by table, whatever is wrong with other rows."""

    def records(table: str, model: type[Row]) -> tuple[Row, ...]:
        return tuple(record for _, record in reading.rows(table, model))

    return Tables(
        source=reading.source,
        mouthpieces=records("mouthpieces", Mouthpiece),
        facings=records("facings", FacingReading),
        lay_points=records("lay_points", LayPoint),
        reeds=records("reeds", Reed),
        reed_profiles=records("reed_profiles", ProfilePoint),
        strength_scale=records("strength_scale", StrengthStep),
        ligatures=records("ligatures", Ligature),
        closing_tests=records("closing_tests", ClosingTest),
        necks=records("necks", Neck),
        players=records("players", Player),
        playtests=standing(records("playtests", Playtest)),
        trials=standing(records("trials", Trial)),
        loans=records("loans", Loan),
        spec=reading.spec,
        warnings=tuple(reading.warnings),
    )


def standing(rows: tuple[Kept, ...]) -> tuple[Kept, ...]:
    """Leave out the rows that a later one corrects."""
    replaced = {row.corrects for row in rows}
    return tuple(row for row in rows if row.id not in replaced)


def _names(folder: Path) -> set[str]:
    try:
        return {path.name for path in folder.iterdir()}
    except FileNotFoundError as error:
        raise SourceError(f"{safe_name(folder)}: expected a directory of csv files, and there is nothing there") from error
    except OSError as error:
        raise SourceError(f"{safe_name(folder)}: expected a directory of csv files ({error.strerror})") from error


def _read_spec(path: Path, reading: SourceReading) -> None:
    if not path.exists():
        return
    try:
        text = path.read_text(encoding="utf-8-sig")
    except OSError as error:
        reading.problems.append(Problem(path.name, None, None, str(error.strerror), "a file that can be read"))
        return
    except UnicodeDecodeError as error:
        reading.problems.append(Problem(path.name, None, None, str(error), "TOML text in UTF-8"))
        return
    take_spec(text, path.name, reading)


def _not_toml(error: tomllib.TOMLDecodeError, text: str, name: str) -> Problem:
    """Say where a text stops being TOML, and which slip it may be."""
    place = re.search(r"line (\d+)", str(error))
    if place is None:
        return Problem(name, None, None, str(error), "TOML text in UTF-8")
    row = int(place[1])
    line = "".join(text.split("\n")[row - 1 : row]).strip()
    hint = "decimal comma? numbers have a point" if re.search(r"\d,\d", line) else ""
    return Problem(name, row, None, f"{shown(line)}, {error}", "TOML text in UTF-8", hint)


def _spec_problem(slip: Slip, name: str) -> Problem:
    """Say what is wrong with a value of a house.toml; lists are counted from 1, as people count."""
    path = [part for part in slip.path if part != "[key]"]
    place = "".join(f" {part + 1}" if isinstance(part, int) else f".{part}" for part in path).lstrip(".")
    if not slip.unknown:
        read = shown(slip.read) if slip.read else "nothing" if slip.expected == "a value" else "this table"
        return Problem(name, None, place, read, slip.expected)
    keys = keys_at(slip.path)
    near = nearly(str(slip.path[-1]), keys, most=2, alike=0.6)
    hint = f"did you mean {' or '.join(near)}?" if near else ""
    metric = [key for key in keys if f"{key.removesuffix('_in')}_mm" not in keys]
    also = ", and lengths in inches, as tip_opening_in" if len(metric) < len(keys) and not near else ""
    return Problem(name, None, place, "an unknown key", "a known one" if near else f"one of {', '.join(metric)}{also}", hint)


def take_spec(text: str, name: str, reading: SourceReading) -> None:
    """Read the text of a house.toml into a reading; problems are collected."""
    reading.spec_text = text
    try:
        raw: dict[str, Any] = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        reading.problems.append(_not_toml(error, text, name))
        return
    spec = build(HouseSpec, raw)
    if isinstance(spec, list):
        reading.problems.extend(_spec_problem(slip, name) for slip in spec)
    else:
        reading.spec = spec
