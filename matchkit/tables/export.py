"""Writing the tables of a house, so that reading them again gives the same records."""

from __future__ import annotations

import csv
import datetime as dt
import shutil
import tempfile
from collections.abc import Sequence
from pathlib import Path
from typing import Any

from matchkit.errors import DataError, Problem, SourceError
from matchkit.records.quantity import Record
from matchkit.records.schema import TABLES
from matchkit.tables.source import SPEC_FILE, SourceReading

LONGEST_CELL = 32_767
"""A workbook holds no longer text in one cell."""


def export(house: SourceReading, target: str | Path) -> Path:
    """Write every table of a house into a new folder of csv files, or a new workbook with ``house.toml`` beside it.

    Nothing is overwritten, and nothing stays half written: raises SourceError where something is there already or cannot be written,
    DataError for text that a workbook cannot hold.
    """
    place = Path(target)
    workbook = place.suffix.lower() == ".xlsx"
    spec = place.parent / SPEC_FILE if workbook else None
    if place.exists() and (workbook or not place.is_dir() or any(place.iterdir())):
        raise SourceError(f"{place}: already there; nothing was written")
    if spec is not None and house.spec_text is not None and spec.exists():
        raise SourceError(f"{spec}: already there; nothing was written")
    try:
        place.parent.mkdir(parents=True, exist_ok=True)
        whole = Path(tempfile.mkdtemp(dir=place.parent, prefix=f".{place.name}."))
    except OSError as error:
        raise SourceError(f"{place}: cannot be written ({error.strerror})") from error
    try:
        if house.spec_text is not None:
            (whole / SPEC_FILE).write_text(house.spec_text, encoding="utf-8", newline="")
        if workbook:
            _write_workbook(house, whole / place.name)
            if spec is not None and house.spec_text is not None:
                (whole / SPEC_FILE).replace(spec)
            (whole / place.name).replace(place)
        else:
            for table, reading in house.tables.items():
                _write_csv(whole / f"{table}.csv", TABLES[table], reading.records)
            whole.chmod(0o755)
            whole.replace(place)
    except OSError as error:
        raise SourceError(f"{place}: cannot be written ({error.strerror})") from error
    finally:
        shutil.rmtree(whole, ignore_errors=True)
    return place


def _write_csv(path: Path, model: type[Record], records: Sequence[Record]) -> None:
    with path.open("w", encoding="utf-8", newline="") as file:
        writer = csv.writer(file)  # line ends of both kinds are quoted
        writer.writerow(model.model_fields)
        writer.writerows([_text(value) for value in record.model_dump().values()] for record in records)


def _text(value: Any) -> str:
    if value is None:
        return ""
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, dt.date):
        return value.isoformat()
    return value if isinstance(value, str) else repr(value).removesuffix(".0")


def _write_workbook(house: SourceReading, path: Path) -> None:
    from openpyxl import Workbook
    from openpyxl.cell import WriteOnlyCell

    problems = [
        Problem(house.file(table), row, column, repr(value[:20]), "text that a workbook can hold; export to a folder instead")
        for table, reading in house.tables.items()
        for row, record in zip(reading.rows, reading.records, strict=True)
        for column, value in record.model_dump().items()
        if isinstance(value, str) and not _fits(value)
    ]
    if problems:
        raise DataError(problems)
    book = Workbook(write_only=True)
    for table, reading in house.tables.items():
        sheet = book.create_sheet(table)
        sheet.freeze_panes = "A2"
        sheet.append(list(TABLES[table].model_fields))
        for record in reading.records:
            cells = []
            for value in record.model_dump().values():
                cell = WriteOnlyCell(sheet, value=_text(value) if isinstance(value, bool | dt.date) else value)
                if isinstance(value, str):
                    cell.data_type, cell.number_format = "s", "@"  # never a formula, whatever it begins with
                cells.append(cell)
            sheet.append(cells)
    book.save(path)


def _fits(text: str) -> bool:
    """Tell whether a workbook gives a text back as it was: no control characters but tab and line feed, no escapes of its own."""
    plain = all(character >= " " or character in "\t\n" for character in text)
    return plain and len(text) <= LONGEST_CELL and "_x" not in text and "\ufffe" not in text and "\uffff" not in text
