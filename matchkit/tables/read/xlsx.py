"""A workbook, one sheet a table; read without running anything in it, in bounded time and memory."""

from __future__ import annotations

import datetime as dt
import zipfile
import zlib
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from matchkit.errors import Problem
from matchkit.records.quantity import quantities
from matchkit.records.schema import TABLES
from matchkit.tables.read.sheet import NumberCell, Reading, take_rows

MAX_PACKED = 32 * 1024 * 1024
MAX_UNPACKED = 128 * 1024 * 1024
MAX_PARTS = 2000
MAX_COLUMNS = 200


def read_workbook(path: Path) -> tuple[dict[str, Reading], list[Problem], list[Problem]]:
    """Return a reading for each sheet that is named like a table, problems of the workbook, and warnings.

    Dates become ISO days, a formula where a value belongs is refused (paste its value), an id held as a number is a problem. An
    archive that unpacks to more than 128 MB, holds document types or entities, or is no workbook, is refused before it is parsed.
    """
    slip = _unsafe(path)
    if slip is not None:
        return {}, [slip], []
    from openpyxl import load_workbook
    from openpyxl.utils.exceptions import InvalidFileException

    readings: dict[str, Reading] = {}
    warnings: list[Problem] = []
    try:
        book = load_workbook(path, read_only=True, data_only=False, keep_links=False)
        try:
            for sheet in book.worksheets:
                name = sheet.title.strip().lower().replace(" ", "_")
                if name not in TABLES:
                    read = f"the sheet '{sheet.title}'"
                    warnings.append(Problem(path.name, None, None, read, f"one of {', '.join(TABLES)}; it was left out"))
                    continue
                reading = Reading(f"{path.name}, sheet {name}")
                take_rows(_rows(sheet), TABLES[name], reading, decimal_comma=False)
                readings[name] = reading
        finally:
            book.close()
    except (InvalidFileException, zipfile.BadZipFile, KeyError, ValueError, TypeError, EOFError, zlib.error, OSError) as error:
        return {}, [Problem(path.name, None, None, f"{type(error).__name__}: {error}", "an xlsx workbook")], []
    return readings, [], warnings


def _rows(sheet: Any) -> Iterator[list[str]]:
    """Return rows as text, trailing blanks cut; the sheet's own claim about its size is not believed."""
    sheet.reset_dimensions()
    for row in sheet.iter_rows(max_col=MAX_COLUMNS):
        cells = [_text(cell.value, cell.data_type) for cell in row]
        while cells and not cells[-1]:
            cells.pop()
        yield cells


def _text(value: Any, kind: str) -> str:
    if value is None:
        return ""
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, dt.datetime):
        return value.date().isoformat() if value.time() == dt.time() else value.isoformat()
    if isinstance(value, dt.date):
        return value.isoformat()
    if isinstance(value, int | float):
        return NumberCell(repr(int(value)) if float(value).is_integer() else repr(value))
    text = str(value)
    return text if kind != "f" or text.startswith("=") else f"={text}"


def _unsafe(path: Path) -> Problem | None:
    """Look at the archive before any of it is parsed."""

    def slip(read: str, expected: str) -> Problem:
        return Problem(path.name, None, None, read, expected)

    try:
        if path.stat().st_size > MAX_PACKED:
            return slip(f"{path.stat().st_size} bytes", f"at most {MAX_PACKED} bytes")
        with zipfile.ZipFile(path) as archive:
            parts = archive.infolist()
            size = sum(part.file_size for part in parts)
            if size > MAX_UNPACKED or len(parts) > MAX_PARTS:
                return slip(f"{len(parts)} parts, {size} bytes unpacked", f"at most {MAX_PARTS} parts and {MAX_UNPACKED} bytes")
            for part in parts:
                if part.filename.lower().endswith((".xml", ".rels")):
                    with archive.open(part) as file:
                        start = file.read(4096)
                    if b"<!DOCTYPE" in start or b"<!ENTITY" in start or start.startswith((b"\xff\xfe", b"\xfe\xff")):
                        return slip(f"a document type in {part.filename}", "a plain workbook")
    except OSError as error:
        return slip(str(error.strerror or error), "a file that can be read")
    except (zipfile.BadZipFile, zlib.error, EOFError, NotImplementedError, RuntimeError) as error:
        return slip(str(error), "an xlsx workbook")
    return None


def write_workbook_template(path: Path) -> None:
    """Write an empty workbook: a sheet a table with its header row, text columns formatted as text."""
    from openpyxl import Workbook
    from openpyxl.styles import Font

    book = Workbook()
    for table, model in TABLES.items():
        sheet = book.create_sheet(table)
        columns = list(quantities(model))
        sheet.append(columns)
        for place, name in enumerate(columns, start=1):
            sheet.cell(1, place).font = Font(bold=True)
            letter = sheet.cell(1, place).column_letter
            sheet.column_dimensions[letter].width = max(len(name) + 2, 10)
            if name == "id" or name.endswith("_id"):
                for row in range(2, 1001):
                    sheet.cell(row, place).number_format = "@"
        sheet.freeze_panes = "A2"
    book.remove(book.worksheets[0])
    book.save(path)
