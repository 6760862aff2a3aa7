"""Workbooks: the same house as from csv, and hostile ones refused."""

from __future__ import annotations

import datetime as dt
import time
import zipfile
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from conftest import read_rows
from openpyxl import Workbook, load_workbook

import matchkit as mk
from matchkit.errors import Problem
from matchkit.records.people import Playtest
from matchkit.records.schema import TABLES
from matchkit.tables.read import xlsx as xlsx_reader
from matchkit.tables.store import read_source, read_tables
from matchkit.tables.template import write_template


def typed(name: str, text: str) -> Any:
    """A cell as a spreadsheet holds it: numbers as numbers, days as days, ids as text."""
    if not text or name == "id" or name.endswith("_id") or name in ("label", "model", "session", "note"):
        return text or None
    if name == "date":
        return dt.datetime.fromisoformat(text)
    try:
        return float(text)
    except ValueError:
        return text


def workbook(folder: Path, target: Path, change: Callable[[Workbook], None] = lambda _: None) -> Path:
    """Turn a folder of csv into a workbook."""
    book = Workbook()
    book.remove(book.worksheets[0])
    for table in TABLES:
        if not (folder / f"{table}.csv").exists():
            continue  # a table that a house may do without
        rows = read_rows(folder / f"{table}.csv")
        page = book.create_sheet(table)
        page.append(list(rows[0]))
        for row in rows:
            page.append([typed(name, text) for name, text in row.items()])
    change(book)
    book.save(target)
    return target


def only(problems: list[Problem]) -> Problem:
    assert len(problems) == 1, [str(problem) for problem in problems]
    return problems[0]


def test_a_workbook_is_the_same_house(demo_copy: Path) -> None:
    """A house in a workbook has the same records and ranking as the csv it came from; it takes the model of its name beside it."""
    book = workbook(demo_copy, demo_copy / "house.xlsx")
    from_csv, from_book = read_tables(demo_copy), read_tables(book)
    assert from_book.playtests == from_csv.playtests
    assert from_book.spec == from_csv.spec
    one, two = (mk.open(path).rank("P01", top=5).to_dict() for path in (demo_copy, book))
    assert one == two
    mk.open(book).train()
    assert (demo_copy / "house.model.npz").is_file()
    assert (mk.open(book).model.use, mk.open(book).model.name) == ("file", "house.model.npz")
    assert mk.open(demo_copy).model.use == "memory", "two houses in one folder do not share a model"


def test_slips_in_a_workbook_name_sheet_row_and_column(demo_copy: Path) -> None:
    """An id typed as a number, a formula, a wrong length and a text where a day belongs are each told in their place."""

    def spoil(book: Workbook) -> None:
        book["reeds"]["A3"] = 7
        book["mouthpieces"]["H4"] = "=1.5+0.2"
        book["mouthpieces"]["H5"] = 192
        book["playtests"]["B6"] = "31/01/2026"
        book.create_sheet("Sales 2026").append(["x"])

    reading = read_source(workbook(demo_copy, demo_copy / "house.xlsx", spoil))
    found = {(problem.source, problem.row, problem.column): problem for problem in reading.problems}
    number = found["house.xlsx, sheet reeds", 3, "id"]
    assert (number.read, number.expected) == ("the number 7", "an id as text")
    assert "format the column as text" in number.hint
    assert found["house.xlsx, sheet mouthpieces", 4, "tip_opening_mm"].hint == "this is a formula: paste its value"
    assert "1.92 mm in hundredths" in found["house.xlsx, sheet mouthpieces", 5, "tip_opening_mm"].hint
    assert found["house.xlsx, sheet playtests", 6, "date"].expected == "a day as 2026-01-31"
    assert any("Sales 2026" in warning.read for warning in reading.warnings)


def test_missing_sheets_and_empty_books(tmp_path: Path) -> None:
    """A required sheet that is missing is a problem; an empty sheet has no header."""
    book = Workbook()
    book.worksheets[0].title = "reeds"
    book.save(tmp_path / "h.xlsx")
    found = {problem.read for problem in read_source(tmp_path / "h.xlsx").problems}
    assert found == {"no sheet mouthpieces", "no sheet ligatures", "an empty first row"}


def test_days_and_truth_from_a_spreadsheet(tmp_path: Path) -> None:
    """A day becomes ISO text, true becomes yes, whole numbers lose their point."""
    book = Workbook()
    page = book.worksheets[0]
    page.title = "playtests"
    page.append(["id", "player_id", "mouthpiece_id", "reed_id", "date", "blind", "position", "overall"])
    page.append(["T", "P", "M", "R", dt.date(2026, 1, 31), True, 3, 7.5])
    book.save(tmp_path / "h.xlsx")
    record = read_source(tmp_path / "h.xlsx").tables["playtests"].records[0]
    assert isinstance(record, Playtest)
    assert (record.date, record.blind, record.position, record.overall) == (dt.date(2026, 1, 31), True, 3, 7.5)
    assert xlsx_reader._text(dt.datetime.fromisoformat("2026-01-31T08:00"), "d") == "2026-01-31T08:00:00"
    assert xlsx_reader._text("1+1", "f") == "=1+1"


def test_template_workbook_is_an_empty_house(tmp_path: Path) -> None:
    """The template workbook has a sheet a table, reads without problems, and is not overwritten."""
    written = write_template(tmp_path / "t", xlsx=True)
    assert [path.name for path in written] == ["house.xlsx", "house.toml"]
    reading = read_source(written[0])
    assert not reading.problems
    assert set(reading.tables) == set(TABLES)
    assert load_workbook(written[0])["reeds"]["A2"].number_format == "@"
    with pytest.raises(mk.SourceError, match="nothing was written"):
        write_template(tmp_path / "t", xlsx=True)


def refused(path: Path) -> Problem:
    """Read a hostile workbook; it must be refused quickly and as a problem."""
    start = time.process_time()
    problem = read_source(path).problems[0]
    assert time.process_time() - start < 10
    return problem


def test_zip_bombs_are_refused_unread(tmp_path: Path, demo_copy: Path) -> None:
    """A sheet that unpacks to 300 MB, and thousands of parts, are refused by the archive's listing."""
    bomb = workbook(demo_copy, tmp_path / "bomb.xlsx")
    with zipfile.ZipFile(bomb, "a", zipfile.ZIP_DEFLATED) as archive, archive.open("xl/worksheets/sheet99.xml", "w") as part:
        for _ in range(300):
            part.write(b" " * 1024 * 1024)
    assert "bytes unpacked" in refused(bomb).read
    many = tmp_path / "many.xlsx"
    with zipfile.ZipFile(many, "w") as archive:
        for place in range(3000):
            archive.writestr(f"part{place}.xml", "<x/>")
    assert "3000 parts" in refused(many).read


@pytest.mark.parametrize(
    "header",
    [
        b'<?xml version="1.0"?><!DOCTYPE x [<!ENTITY a SYSTEM "file:///etc/passwd">]>',
        b'<!DOCTYPE x [<!ENTITY a "aaaaaaaaaa"><!ENTITY b "&a;&a;&a;&a;">]>',
        "<x/>".encode("utf-16"),
    ],
)
def test_entities_and_document_types_are_refused(tmp_path: Path, header: bytes) -> None:
    """External entities, nested entities and encodings that would hide them are refused before any parsing."""
    path = tmp_path / "xxe.xlsx"
    with zipfile.ZipFile(path, "w") as archive:
        archive.writestr("[Content_Types].xml", header)
    assert "a document type" in refused(path).read


def test_no_workbook_at_all(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Text, half a file and an empty archive under the name of a workbook are problems, not errors; so is one too large."""
    for name, content in (("text", b"hello"), ("empty", b"")):
        (tmp_path / f"{name}.xlsx").write_bytes(content)
        assert refused(tmp_path / f"{name}.xlsx").expected == "an xlsx workbook"
    with zipfile.ZipFile(tmp_path / "bare.xlsx", "w") as archive:
        archive.writestr("x.txt", "x")
    assert refused(tmp_path / "bare.xlsx").expected == "an xlsx workbook"
    monkeypatch.setattr(xlsx_reader, "MAX_PACKED", 10)
    assert refused(tmp_path / "bare.xlsx").expected == "at most 10 bytes"


def test_a_decimal_comma_in_a_workbook_is_no_number(demo_copy: Path, tmp_path: Path) -> None:
    """A spreadsheet keeps numbers as numbers: a text with a comma is refused there, since "1,920" may be a thousand or two."""

    def comma(book: Workbook) -> None:
        page = book["mouthpieces"]
        place = [cell.value for cell in page[1]].index("tip_opening_mm") + 1
        page.cell(2, place).value = "1,92"

    reading = read_source(workbook(demo_copy, tmp_path / "house.xlsx", comma))
    problem = only(reading.problems)
    assert (problem.row, problem.column, problem.read) == (2, "tip_opening_mm", "'1,92'")
