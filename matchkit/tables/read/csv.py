"""A csv file as people export it: byte-order mark, semicolons and decimal commas, columns in any order, blank rows."""

from __future__ import annotations

import csv
import io
from pathlib import Path

from matchkit.errors import Problem
from matchkit.records.quantity import Record
from matchkit.tables.read.sheet import Reading, take_rows

MAX_BYTES = 64 * 1024 * 1024


def read_csv(path: Path, model: type[Record]) -> Reading:
    """Read one table; problems are collected, never raised.

    Rows count as a spreadsheet counts them: the header is row 1 and blank rows count. Text stays as typed but for blanks
    around an id; a column may stand in another unit where the schema accepts it.
    """
    reading = Reading(path.name)
    text = _decode(path, reading)
    if text is None:
        return reading
    delimiter = _delimiter(text)
    rows = csv.reader(io.StringIO(text, newline=""), delimiter=delimiter, strict=True)
    try:
        take_rows(rows, model, reading, decimal_comma=delimiter != ",")
    except csv.Error as error:
        expected, hint = "csv with matched quotes", "look for a stray quotation mark"
        reading.problems.append(Problem(reading.source, reading.last_row + 1, None, str(error), expected, hint))
    return reading


def _decode(path: Path, reading: Reading) -> str | None:
    try:
        size = path.stat().st_size
        if size > MAX_BYTES:
            reading.problems.append(Problem(reading.source, None, None, f"{size} bytes", f"at most {MAX_BYTES} bytes"))
            return None
        raw = path.read_bytes()
    except OSError as error:
        reading.problems.append(Problem(reading.source, None, None, str(error.strerror), "a file that can be read"))
        return None
    try:
        text = raw.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        before = io.StringIO(raw[: error.start].decode("utf-8-sig", "replace"), newline="")
        row = max(sum(1 for _ in csv.reader(before)), 1) + raw[: error.start].endswith(b"\n")
        read = f"the byte {raw[error.start]:#04x}"
        reading.problems.append(Problem(reading.source, row, None, read, "UTF-8 text", "save it as 'CSV UTF-8'"))
        return None
    if not text.strip():
        reading.problems.append(Problem(reading.source, None, None, "an empty file", "a header row with column names"))
        return None
    if "\0" in text:
        reading.problems.append(Problem(reading.source, None, None, "a zero byte", "a text file with commas or semicolons"))
        return None
    return text


def _delimiter(text: str) -> str:
    first = next(line for line in text.splitlines() if line.strip())
    return max((",", ";", "\t"), key=first.count)
