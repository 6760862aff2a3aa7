"""Reading csv as people export it: what is taken, what is refused, and in which words."""

from __future__ import annotations

import pickle
import shutil
from collections.abc import Callable
from pathlib import Path

import pytest
from conftest import Edit, Rows, edit_table, read_rows, write_rows

import matchkit as mk
from matchkit import constants
from matchkit.errors import DataError, Problem, SourceError
from matchkit.files import shipped
from matchkit.records.parts import FacingReading, Mouthpiece
from matchkit.records.people import Playtest
from matchkit.records.schema import TABLES
from matchkit.tables.read import csv as csv_reader
from matchkit.tables.read import sheet
from matchkit.tables.read.cells import Refusal, _choice
from matchkit.tables.read.csv import read_csv
from matchkit.tables.read.sheet import Reading
from matchkit.tables.store import PIECES_TABLES, read_source, read_spec, read_tables
from matchkit.tables.template import write_template

HEADER = "id,instrument,tip_opening_mm\n"


def read(tmp_path: Path, text: str | bytes, name: str = "mouthpieces.csv") -> Reading:
    path = tmp_path / name
    path.write_bytes(text.encode() if isinstance(text, str) else text)
    return read_csv(path, Mouthpiece)


def only(problems: list[Problem]) -> Problem:
    assert len(problems) == 1, [str(problem) for problem in problems]
    return problems[0]


@pytest.mark.parametrize(
    "text",
    [
        HEADER + "A,alto,1.9\n",
        "\ufeff" + HEADER + "A,alto,1.9\n",
        "id;instrument;tip_opening_mm\nA;alto;1,9\n",
        "id\tinstrument\ttip_opening_mm\r\nA\talto\t1.9\r\n",
        "tip_opening_mm,id,instrument\n1.90,A,Alto\n",
        "id,instrument,tip_opening_thou\nA,alto,74.80315\n",
        HEADER + "\n\n A ,alto, 1.9 ,\n\n",
    ],
    ids=["plain", "mark", "semicolons", "tabs", "any order", "thousandths", "blanks"],
)
def test_the_same_mouthpiece_in_every_spelling(tmp_path: Path, text: str) -> None:
    """Byte-order mark, semicolons with decimal commas, tabs, any order, thousandths and blanks give one record."""
    reading = read(tmp_path, text)
    assert not reading.problems
    record = reading.records[0]
    assert isinstance(record, Mouthpiece)
    assert (record.id, record.instrument, round(record.tip_opening_mm, 4)) == ("A", "alto", 1.9)


def test_half_millimetres_and_inches_are_converted(tmp_path: Path) -> None:
    """feeler_in and stop_half_mm become millimetres: 0.0015 in is 0.0381 mm, 42 half millimetres are 21 mm."""
    (tmp_path / "facings.csv").write_text("mouthpiece_id,rail,feeler_in,stop_half_mm\nA,left,0.0015,42\n")
    record = read_csv(tmp_path / "facings.csv", FacingReading).records[0]
    assert isinstance(record, FacingReading)
    assert (record.feeler_mm, record.stop_mm) == (0.0381, 21.0)


def test_text_stays_as_typed(tmp_path: Path) -> None:
    """Labels keep their blanks, quotes, line breaks, markup and formulas; ids lose blanks around them, leading zeros stay."""
    label = ' =1+2 "x"\n<b>[red]é '
    quoted = label.replace('"', '""')
    reading = read(tmp_path, f'id,label,instrument,tip_opening_mm\n 007 ,"{quoted}",alto,1.9\n')
    assert not reading.problems
    record = reading.records[0]
    assert isinstance(record, Mouthpiece)
    assert (record.id, record.label) == ("007", label)


def test_rows_count_as_a_spreadsheet_counts(tmp_path: Path) -> None:
    """Blank rows count, and a cell with a line break is one row."""
    text = 'id,label,instrument,tip_opening_mm\nA,"two\nlines",alto,1.9\n\n\nB,,alto,wide\n'
    problem = only(read(tmp_path, text).problems)
    assert (problem.row, problem.column, problem.read) == (5, "tip_opening_mm", "'wide'")


@pytest.mark.parametrize(
    ("typed", "hint"),
    [
        ("192", "192 looks like 1.92 mm in hundredths"),
        ("0.076", "0.076 looks like inches: that is 1.93 mm"),
        ("75", "75 looks like 0.75 mm in hundredths; or 75 looks like thousandths of an inch: that is 1.905 mm"),
        ("19", "19 looks like 1.9 mm in tenths"),
        ("1.9 mm", "the number alone"),
        ("1,9", "decimal comma? write 1.9"),
        ("=1+1", "this is a formula: paste its value"),
        ("nan", ""),
        ("1e400", ""),
        ("1_9", ""),
        ("-1.9", "-1.9 looks like 1.9 with its sign turned"),
        ("wide", ""),
    ],
)
def test_slips_in_a_length_are_named(tmp_path: Path, typed: str, hint: str) -> None:
    """A length out of range or not a number says what was read, what was expected, and the slip where it is recognisable."""
    problem = only(read(tmp_path, f'{HEADER}A,alto,"{typed}"\n').problems)
    assert (problem.source, problem.row, problem.column) == ("mouthpieces.csv", 2, "tip_opening_mm")
    assert problem.read == f"'{typed}'"
    assert problem.expected == "a number from 0.5 to 4 mm"
    assert problem.hint.startswith(hint)
    assert bool(problem.hint) == bool(hint)


def test_other_types_say_what_they_want(tmp_path: Path) -> None:
    """Choices, whole numbers, days and yes or no each say what they take."""
    path = tmp_path / "playtests.csv"
    path.write_text("id,player_id,mouthpiece_id,reed_id,date,blind,position,reed_age\nT,P,M,R,31/01/2026,perhaps,1.5,ancient\n")
    expected = {problem.column: problem.expected for problem in read_csv(path, Playtest).problems}
    assert expected == {
        "date": "a day as 2026-01-31",
        "blind": "yes or no",
        "position": "a whole number from 1 to 1000",
        "reed_age": "one of new, broken in, old",
    }
    path.write_text("id,player_id,mouthpiece_id,reed_id,date,blind,position\nT,P,M,R,2026-01-31,Yes,3\n")
    record = read_csv(path, Playtest).records[0]
    assert isinstance(record, Playtest)
    assert (str(record.date), record.blind, record.position) == ("2026-01-31", True, 3)


@pytest.mark.parametrize(
    ("content", "row", "read_words", "expected"),
    [
        (b"", None, "an empty file", "a header row"),
        (b"\n,,\n", 1, "an empty first row", "a header row"),
        (b"id,instrument,tip_opening_mm\nA,alto,\xff\n", 2, "the byte 0xff", "UTF-8 text"),
        ("id,x\n".encode("utf-16"), 1, "the byte 0xff", "UTF-8 text"),
        (b"id,instrument,tip_opening_mm\nA,alto,1\0\n", None, "a zero byte", "a text file"),
        (b'id,instrument,tip_opening_mm\n"A,alto,1.9\n', 2, "unexpected end of data", "matched quotes"),
        (b"id,instrument,tip_opening_mm\nA,alto,1,9\n", 2, "4 cells", "3 cells"),
        (b"id,instrument\nA,alto\n", 1, "no such column", "a column tip_opening_mm"),
        (b"id,instrument,tip_opening_mm,tip_opening_thou\nA,alto,1.9,75\n", 1, "'tip_opening_thou'", "one column for"),
        (b"id,instrument,tip_opening_mm\n,alto,1.9\n", 2, "nothing", "a value: short code"),
    ],
)
def test_broken_files_say_what_and_where(
    tmp_path: Path, content: bytes, row: int | None, read_words: str, expected: str
) -> None:
    """Empty, binary, badly quoted and incomplete files give one problem each, with the row where there is one."""
    problem = only(read(tmp_path, content).problems)
    assert (problem.row, problem.read) == (row, read_words)
    assert expected in problem.expected


def test_limits_of_size(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A file too large or too long is refused without being taken in."""
    monkeypatch.setattr(sheet, "MAX_ROWS", 3)
    assert only(read(tmp_path, HEADER + "A,alto,1.9\nB,alto,1.9\nC,alto,1.9\n").problems).expected == "at most 3 rows"
    monkeypatch.setattr(csv_reader, "MAX_BYTES", 10)
    assert only(read(tmp_path, HEADER).problems).expected == "at most 10 bytes"


def test_extra_columns_are_a_warning(tmp_path: Path) -> None:
    """A column nobody knows is left out and told; a near miss is named."""
    reading = read(tmp_path, "id,instrument,tip_opening_mm,colour,facing_lenght_mm\nA,alto,1.9,red,22\n")
    assert not reading.problems
    assert [warning.column for warning in reading.warnings] == ["colour", "facing_lenght_mm"]
    assert reading.warnings[1].hint == "did you mean facing_length_mm?"


def test_a_thousand_rows_at_once(tmp_path: Path) -> None:
    """A thousand-row paste with a slip in every tenth row lists a hundred problems, each in its row."""
    rows = [f"M{k},alto,{190 if k % 10 == 0 else 1.9}" for k in range(1000)]
    reading = read(tmp_path, HEADER + "\n".join(rows) + "\n")
    assert [problem.row for problem in reading.problems] == list(range(2, 1002, 10))
    assert len(reading.records) == 900


# whole houses


def problems_of(folder: Path) -> list[Problem]:
    return read_source(folder).problems


def change(folder: Path, table: str, row: int, **cells: str) -> None:
    """Change cells of a table of a copied house; ``row`` as a spreadsheet counts."""

    def edit(rows: Rows) -> Rows:
        rows[row - 2].update(cells)
        return rows

    edit_table(folder, table, edit)


def test_the_demo_house_has_no_problem(demo_copy: Path) -> None:
    """The demo house passes its own check; two uncalibrated profiles are told."""
    reading = read_source(demo_copy)
    assert not reading.problems
    assert {warning.read for warning in reading.warnings} == {"'alto-E'", "'tenor-E'"}


def test_all_problems_come_at_once(demo_copy: Path) -> None:
    """Slips in five files are all listed, and reading the house raises them all together."""
    change(demo_copy, "mouthpieces", 5, tip_opening_mm="192")
    change(demo_copy, "reeds", 3, cut="flat")
    change(demo_copy, "ligatures", 2, min_diameter_mm="30", max_diameter_mm="20")
    change(demo_copy, "players", 2, reed_id="NOPE")
    (demo_copy / "house.toml").write_text("wish_step = 2\n[closing_range]\nalto = [9.0, 4.0]\n")
    with pytest.raises(DataError) as caught:
        read_tables(demo_copy)
    places = {(problem.source, problem.row, problem.column) for problem in caught.value.problems}
    assert places >= {
        ("mouthpieces.csv", 5, "tip_opening_mm"),
        ("reeds.csv", 3, "cut"),
        ("ligatures.csv", 2, "max_diameter_mm"),
        ("house.toml", None, "wish_step"),
    }
    assert str(caught.value).startswith(f"{len(caught.value.problems)} problems in the tables")


@pytest.mark.parametrize(
    ("table", "row", "cells", "column", "words"),
    [
        ("mouthpieces", 6, {"id": "AM-01"}, "id", "row 5 has it already"),
        ("facings", 3, {"repeat": "1"}, "mouthpiece_id", "row 2 has it already"),
        ("players", 3, {"mouthpiece_id": "AM-99"}, "mouthpiece_id", "an id of mouthpieces.csv"),
        ("playtests", 9, {"ligature_id": "L-99"}, "ligature_id", "an id of ligatures.csv"),
        ("ligatures", 4, {"min_diameter_mm": "30"}, "max_diameter_mm", "are the two swapped?"),
        ("mouthpieces", 5, {"tip_opening_mm": "2.40"}, "tip_opening_mm", "measure the tip again"),
        ("mouthpieces", 5, {"tip_opening_mm": "1.10"}, "feeler_mm", "less than the tip opening"),
        ("reeds", 4, {"vamp_length_mm": "59", "length_mm": "50"}, "vamp_length_mm", "less than the length"),
        ("reeds", 4, {"stiffness_n_per_mm": "1.2", "stiffness_load_mm": "25"}, "stiffness_load_mm", "less than the clamp"),
        ("strength_scale", 2, {"modulus_gpa": "6"}, None, "one of stiffness_n_per_mm"),
        (
            "strength_scale",
            2,
            {"stiffness_n_per_mm": "", "equals_profile_id": "alto-A", "equals_strength": ""},
            "equals_strength",
            "equals_profile_id with equals_strength",
        ),
        (
            "strength_scale",
            2,
            {"stiffness_n_per_mm": "", "equals_profile_id": "alto-Q", "equals_strength": "3"},
            "equals_profile_id",
            "a row of this table",
        ),
        (
            "strength_scale",
            2,
            {"stiffness_n_per_mm": "", "equals_profile_id": "soprano-A", "equals_strength": "2"},
            "equals_profile_id",
            "a measured row at its end",
        ),
    ],
)
def test_rules_across_rows(
    demo_copy: Path, table: str, row: int, cells: dict[str, str], column: str | None, words: str
) -> None:
    """Duplicates, dangling ids, contradictions and swapped limits are found in their row, with what was expected."""
    change(demo_copy, table, row, **cells)
    found = [problem for problem in problems_of(demo_copy) if problem.column == column]
    assert any(words in f"{problem.expected} {problem.hint}" for problem in found), [str(p) for p in problems_of(demo_copy)]


def stops(folder: Path, piece: str, rail: str, change_stop: Callable[[str, str, float], float]) -> None:
    """Change the stops of one rail; the function is given feeler, repeat and stop."""

    def edit(rows: Rows) -> Rows:
        for row in rows:
            if row["mouthpiece_id"] == piece and row["rail"] in rail:
                row["stop_mm"] = f"{change_stop(row['feeler_mm'], row['repeat'], float(row['stop_mm'])):.3f}"
        return rows

    edit_table(folder, "facings", edit)


def test_one_slip_of_a_facing_is_told_once(demo_copy: Path) -> None:
    """A slip in a repeat, two feelers swapped, half millimetres: one problem each, where it stands; a short rail is a warning."""
    seen = {}
    cases: dict[str, tuple[str, Callable[[str, str, float], float]]] = {
        "slip": ("left", lambda feeler, repeat, stop: stop / 10 if (feeler, repeat) == ("0.1", "1") else stop),
        "short": ("right", lambda _feeler, _repeat, stop: stop - 1.2 * stop / 20),
        "half": ("left right", lambda _feeler, _repeat, stop: 2 * stop),
        "half of one": ("right", lambda feeler, _repeat, stop: stop * 2 if feeler != "0.038" else stop + 1.5),
    }
    for name, (rail, function) in cases.items():
        folder = demo_copy.parent / name
        shutil.copytree(demo_copy, folder)
        stops(folder, "AM-01", rail, function)
        seen[name] = problems_of(folder)
    assert {name: len(problems) for name, problems in seen.items() if name != "half of one"} == {
        "slip": 1,
        "short": 0,
        "half": 1,
    }
    slip = seen["slip"][0]
    rows = read_rows(demo_copy.parent / "slip" / "facings.csv")
    wanted = next(k for k, row in enumerate(rows, start=2) if row["mouthpiece_id"] == "AM-01" and row["feeler_mm"] == "0.1")
    assert (slip.source, slip.row, slip.column) == ("facings.csv", wanted, "stop_mm")
    assert "within 1 mm of the other readings" in slip.expected
    (short,) = [item for item in read_source(demo_copy.parent / "short").warnings if item.source == "facings.csv"]
    assert "rails within 1 mm" in short.expected  # a warning with a verdict: such a rail is what the readings are for
    assert "agree that the right rail is short" in short.expected
    assert "stop_half_mm" in seen["half"][0].hint
    assert len(seen["half of one"]) <= 2


def test_rows_pasted_again_are_no_repeats(demo_copy: Path) -> None:
    """A whole table that stands there twice is one problem, at the first row that comes again; repeats without numbers are none."""

    def unnumbered(rows: Rows) -> Rows:
        return [{**row, "repeat": ""} for row in rows]

    edit_table(demo_copy, "facings", unnumbered)
    assert problems_of(demo_copy) == []
    before = len(read_rows(demo_copy / "facings.csv"))
    edit_table(demo_copy, "facings", lambda rows: [*rows, *rows])
    problem = only(problems_of(demo_copy))
    assert problem.row == before + 2
    assert problem.read == f"2 times the same {before} rows"


def test_a_numbered_table_pasted_twice_is_one_line(demo_copy: Path) -> None:
    """Rows with their repeat numbers twice: neither a problem a row nor a second line."""
    edit_table(demo_copy, "facings", lambda rows: [*rows, *rows])
    assert "times the same" in only(problems_of(demo_copy)).read


def test_rails_by_their_initials(demo_copy: Path) -> None:
    """L and R are left and right; what begins like neither, or like several, is refused."""
    edit_table(demo_copy, "facings", lambda rows: [{**row, "rail": row["rail"][0].upper()} for row in rows])
    assert problems_of(demo_copy) == []
    edit_table(
        demo_copy, "facings", lambda rows: [{**row, "rail": "m" if at == 3 else row["rail"]} for at, row in enumerate(rows)]
    )
    problem = only(problems_of(demo_copy))
    assert (problem.row, problem.column, problem.expected) == (5, "rail", "one of left, right")
    assert not isinstance(_choice("BAR", ("bass", "baritone")), Refusal)
    assert isinstance(_choice("ba", ("bass", "baritone")), Refusal)


def test_a_feeler_in_thousandths_of_a_millimetre_is_asked_about(demo_copy: Path) -> None:
    """38 for 0.038: micrometres are asked about first."""
    edit_table(
        demo_copy, "facings", lambda rows: [{**row, "feeler_mm": "38"} if at == 0 else row for at, row in enumerate(rows)]
    )
    assert problems_of(demo_copy)[0].hint.startswith("38 looks like thousandths of a mm (µm): that is 0.038 mm")


def test_rounding_leads_to_no_other_tip(demo_copy: Path) -> None:
    """Stops rounded to whole millimetres make no tip of the house doubtful, which two would be by their rounding alone; a tip that is off by more still is."""

    def tips() -> list[Problem]:
        return [problem for problem in problems_of(demo_copy) if problem.column == "tip_opening_mm"]

    edit_table(demo_copy, "facings", lambda rows: [{**row, "stop_mm": f"{round(float(row['stop_mm'])):g}"} for row in rows])
    assert tips() == []
    edit_table(
        demo_copy,
        "mouthpieces",
        lambda rows: [{**row, "tip_opening_mm": "3.6"} if row["id"] == "TM-05" else row for row in rows],
    )
    assert len(tips()) == 1


def test_swapped_feelers_are_found(demo_copy: Path) -> None:
    """Two feelers swapped on a rail: one problem that asks whether two readings are swapped."""

    def swap(rows: Rows) -> Rows:
        mine = [row for row in rows if row["mouthpiece_id"] == "AM-01" and row["rail"] == "left"]
        for one, two in zip(*([row for row in mine if row["feeler_mm"] == feeler] for feeler in ("0.1", "0.2")), strict=True):
            one["stop_mm"], two["stop_mm"] = two["stop_mm"], one["stop_mm"]
        return rows

    edit_table(demo_copy, "facings", swap)
    problem = only(problems_of(demo_copy))
    assert problem.hint == "are two readings swapped?"
    assert "left rail" in problem.expected


@pytest.mark.parametrize(("feeler", "stop"), [("0.01", "0.1"), ("1.8", "0.1"), ("0.4", "40")])
def test_a_facing_that_nothing_can_follow_is_refused(tmp_path: Path, feeler: str, stop: str) -> None:
    """A single reading that leads to no possible facing is a problem of its row, not an error of a later command."""
    write_rows(tmp_path / "mouthpieces.csv", [{"id": "M", "instrument": "alto", "tip_opening_mm": "1.9"}])
    write_rows(tmp_path / "reeds.csv", [{"id": "R", "instrument": "alto", "cut": "filed", "strength": "2.5"}])
    write_rows(tmp_path / "ligatures.csv", [{"id": "L"}])
    write_rows(tmp_path / "facings.csv", [{"mouthpiece_id": "M", "rail": "left", "feeler_mm": feeler, "stop_mm": stop}])
    problem = only(problems_of(tmp_path))
    assert (problem.source, problem.row, problem.column) == ("facings.csv", 2, "stop_mm")
    assert "a facing that ends" in problem.expected


def test_missing_ids_are_told_once_and_not_for_a_table_that_is_missing(demo_copy: Path) -> None:
    """A renamed id is one problem with a count; a missing required table is one problem, and draws no others after it."""
    change(demo_copy, "mouthpieces", 5, id="AM-renamed")
    found = problems_of(demo_copy)
    assert {problem.read for problem in found} == {"'AM-01'"}
    assert len(found) == 3  # in facings, in playtests and in what a player plays
    assert sum("rows, this one first" in problem.hint for problem in found) == 2
    (demo_copy / "mouthpieces.csv").rename(demo_copy / "mouthpiece.csv")
    problem = only(problems_of(demo_copy))
    assert problem.hint == "is it mouthpiece.csv?"
    (demo_copy / "mouthpiece.csv").rename(demo_copy / "mouthpieces.csv")
    change(demo_copy, "mouthpieces", 5, id="AM-01")
    (demo_copy / "players.csv").unlink()
    found = problems_of(demo_copy)
    assert len(found) == 21  # sixteen players of playtests, five of trials
    assert all("players.csv, which is not there" in problem.expected for problem in found)


def test_things_that_are_no_files(demo_copy: Path) -> None:
    """A folder or a dangling link under a table's name is a problem, and so is a house file that cannot be read."""
    for name in ("facings.csv", "reeds.csv", "house.toml"):
        (demo_copy / name).unlink()
    (demo_copy / "facings.csv").mkdir()
    (demo_copy / "reeds.csv").symlink_to(demo_copy / "nowhere.csv")
    (demo_copy / "house.toml").mkdir()
    found = {(problem.source, problem.expected) for problem in problems_of(demo_copy)}
    assert {("facings.csv", "a csv file"), ("reeds.csv", "a csv file"), ("house.toml", "a file that can be read")} <= found


def test_unreadable_files_are_problems(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A file that the system refuses to open is one problem with the system's own word."""

    def refuse(_: Path) -> bytes:
        raise PermissionError(13, "Permission denied")

    monkeypatch.setattr(Path, "read_bytes", refuse)
    problem = only(read(tmp_path, HEADER).problems)
    assert (problem.read, problem.expected) == ("Permission denied", "a file that can be read")


def test_headers_are_met_half_way(tmp_path: Path) -> None:
    """Case does not matter; a misspelt required column is one problem that names it, and no note besides."""
    assert not read(tmp_path, "ID,Instrument,Tip_Opening_MM\nA,alto,1.9\n").problems
    reading = read(tmp_path, "id,instrument,tip_openning_mm,\x1b[31mred\nA,alto,1.9,\n")
    assert only(reading.problems).hint == "is it the column tip_openning_mm?"
    assert [warning.column for warning in reading.warnings] == ["[31mred"]


@pytest.mark.parametrize(
    ("typed", "expected", "hint"),
    [
        ("1.9", "a number from 19.69 to 157.5 thousandths of an inch", "1.9 looks like mm"),
        ("751", "a number from 19.69 to 157.5 thousandths of an inch", ""),
    ],
)
def test_slips_in_a_column_of_another_unit(tmp_path: Path, typed: str, expected: str, hint: str) -> None:
    """Range and hint are in the unit of the column that was used."""
    problem = only(read(tmp_path, f"id,instrument,tip_opening_thou\nA,alto,{typed}\n").problems)
    assert (problem.read, problem.expected, problem.hint) == (f"'{typed}'", expected, hint)


def test_tabs_with_decimal_commas(tmp_path: Path) -> None:
    """A paste from a spreadsheet with tabs may have decimal commas; money signs are named."""
    assert not read(tmp_path, "id\tinstrument\ttip_opening_mm\nA\talto\t1,9\n").problems
    problem = only(read(tmp_path, "id,instrument,tip_opening_mm,price\nA,alto,1.9,$400\n").problems)
    assert problem.hint == "the number alone, without a sign of money"
    assert problem.expected == "a number from 0 to 1000000"


def test_a_profile_of_two_points_is_refused(demo_copy: Path) -> None:
    """A profile needs three thicknesses; the message says which places make a good set."""
    edit_table(
        demo_copy, "reed_profiles", lambda rows: [r for r in rows if r["profile_id"] != "alto-A" or r["x_mm"] in ("2.0", "5.0")]
    )
    problem = only(problems_of(demo_copy))
    assert "2 points" in problem.read
    assert "2, 5, 10, 15, 20, 30 mm" in problem.hint


def test_warnings_are_not_problems(demo_copy: Path) -> None:
    """A load far from the tip, another instrument's part, a test without a mark and a strange file are told and kept."""
    change(demo_copy, "reeds", 5, stiffness_n_per_mm="1.3", stiffness_load_mm="10")
    change(demo_copy, "players", 2, reed_id="TR-A-3")
    change(demo_copy, "playtests", 4, overall="")
    change(demo_copy, "playtests", 5, overall="")
    (demo_copy / "sales.csv").write_text("a\n1\n")
    reading = read_source(demo_copy)
    assert not reading.problems
    told = " ".join(str(warning) for warning in reading.warnings)
    change(demo_copy, "playtests", 6, mouthpiece_id="SM-01")
    change(demo_copy, "strength_scale", 4, stiffness_n_per_mm="0.5")
    edit_table(
        demo_copy, "reed_profiles", lambda rows: [r for r in rows if r["profile_id"] != "alto-A" or float(r["x_mm"]) < 15]
    )
    told += " ".join(str(warning) for warning in read_source(demo_copy).warnings)
    for words in ("the test is kept and not learned from", "a generic profile is assumed for the rest", "more than the"):
        assert words in told
    for words in ("twice as uncertain", "a part for alto", "no mark in 2 rows", "sales.csv"):
        assert words in told


def test_a_profile_that_thins_or_has_thick_edges_is_told(demo_copy: Path) -> None:
    """A reed thickens towards the butt and is thickest in the middle; a point that says otherwise is a warning in its row."""
    change(demo_copy, "reed_profiles", 4, thickness_mm="0.05")
    change(demo_copy, "reed_profiles", 3, edge_mm="0.9")
    told = [str(warning) for warning in read_source(demo_copy).warnings]
    assert any("row 4, column thickness_mm" in line and "thickens towards the butt" in line for line in told)
    assert any("row 3, column edge_mm" in line and "are the two swapped?" in line for line in told)


def test_problems_survive_the_way_from_a_worker() -> None:
    """An error made in another process arrives whole: it is rebuilt from its problems."""
    problem = Problem("reeds.csv", 3, "cut", "'x'", "filed or unfiled")
    again = pickle.loads(pickle.dumps(DataError([problem])))
    assert again.problems == (problem,)
    assert str(again) == str(DataError([problem]))


@pytest.mark.parametrize(
    ("line", "words"),
    [
        ("tip_opening_mm = { nominal = 25.0, upper = 0.1 }", "not 25 (in tenths, or without its point?)"),
        ("tip_opening_mm = { nominal = 0.098, upper = 0.01 }", "not 0.098 (in inches? then its key is tip_opening_in)"),
        ("station = [{ feeler_mm = 0.0015, stop_mm = 24.0, tol_mm = 0.5 }]", "(in inches? then its key is feeler_in)"),
    ],
)
def test_a_drawing_in_another_unit_is_asked_about(tmp_path: Path, line: str, words: str) -> None:
    """Lengths that would be right in inches or without their point are named as such."""
    path = tmp_path / "house.toml"
    path.write_text(f"[drawing.M]\n{line}\n", encoding="utf-8")
    with pytest.raises(DataError) as caught:
        read_spec(path)
    assert words in str(only(list(caught.value.problems)))


def test_missing_tables(tmp_path: Path, demo_copy: Path) -> None:
    """Mouthpieces, reeds and ligatures must be there, everything else may be missing; no folder at all is a SourceError."""
    for name in ("facings", "reed_profiles", "strength_scale", "necks", "players", "playtests", "trials"):
        (demo_copy / f"{name}.csv").unlink()
    (demo_copy / "house.toml").unlink()
    (demo_copy / "ligatures.csv").unlink()
    problem = only(problems_of(demo_copy))
    assert (problem.source, problem.read) == ("ligatures.csv", "no such file")
    with pytest.raises(SourceError, match="nothing there"):
        read_source(tmp_path / "nowhere")
    with pytest.raises(SourceError, match="expected a directory"):
        read_source(demo_copy / "reeds.csv")


@pytest.mark.parametrize(
    ("text", "column"),
    [
        ("wish_step = [", None),
        ("gauge = 3", "gauge"),
        ("unknown = 1", "unknown"),
        ("[gauge]\nu_stop_mm = -1", "gauge.u_stop_mm"),
    ],
)
def test_house_file_slips(demo_copy: Path, text: str, column: str | None) -> None:
    """A house file that is no TOML, or says what it cannot, is a problem of its own."""
    (demo_copy / "house.toml").write_text(text)
    problem = only(problems_of(demo_copy))
    assert (problem.source, problem.column) == ("house.toml", column)


def test_template_is_an_empty_house_and_overwrites_nothing(tmp_path: Path) -> None:
    """The template reads without problems; writing it again is refused and leaves every file as it was."""
    folder = tmp_path / "new"
    written = write_template(folder)
    reading = read_source(folder)
    assert not reading.problems
    assert not reading.warnings
    (folder / "reeds.csv").write_text("mine\n")
    (folder / "necks.csv").unlink()
    with pytest.raises(SourceError, match="nothing was written"):
        write_template(folder)
    assert (folder / "reeds.csv").read_text() == "mine\n"
    assert not (folder / "necks.csv").exists()
    assert len(written) == len(TABLES) + 1


def test_day_one_needs_only_ids_and_labels(tmp_path: Path) -> None:
    """Id, instrument, tip opening, cut and strength rank set-ups; the answer says what is assumed and what to measure."""
    write_rows(
        tmp_path / "mouthpieces.csv",
        [{"id": f"M{k}", "instrument": "alto", "tip_opening_mm": str(1.6 + 0.2 * k)} for k in range(3)],
    )
    write_rows(
        tmp_path / "reeds.csv",
        [
            {"id": f"{cut}{s}", "instrument": "alto", "cut": cut, "strength": str(s)}
            for cut in ("filed", "unfiled")
            for s in (2, 3, 4)
        ],
    )
    write_rows(tmp_path / "ligatures.csv", [{"id": "L"}])
    ranking = mk.open(tmp_path).rank(mk.Visitor(instrument="alto"))
    assert len(ranking.rows) == 3
    assert ranking.uncompared == ()  # there is none to compare them with, and all are placed
    for row in ranking.rows:
        assert row.measure_next.doubt or row.measure_next.term
        assumed = [item.what for item in row.assumed]
        assert assumed == ["facing length", "facing shape", "profile", "stiffness by strength number"]
        assert 0.25 < row.u_closing_pressure_kpa / row.closing_pressure_kpa < 0.35
    # between filed and unfiled of unknown make nothing is compared, once the present set-up is known
    visitor = mk.Visitor(instrument="alto", mouthpiece_id="M1", reed_id="filed3")
    rows = mk.open(tmp_path).rank(visitor, top=100).rows
    known = {row.reed_id: next(t for t in row.terms if t.name == "resistance").known for row in rows}
    assert known == dict.fromkeys(("filed2", "filed3", "filed4"), True)
    assert read_rows(tmp_path / "ligatures.csv") == [{"id": "L"}]


@pytest.mark.parametrize(
    ("change_rows", "words"),
    [
        (
            lambda rows: [r for r in rows if not 5 < float(r["x_mm"]) < 12],
            "no point from 5 to 12 mm, the left rail of TB-25-40",
        ),
        (lambda rows: [r | {"height_mm": "1.9"} if r["x_mm"] == "9.00" else r for r in rows], "as its neighbours"),
        (lambda rows: rows[:10], "10 points for the left rail"),
        (lambda rows: [r for r in rows if float(r["x_mm"]) > 4], "points from 2 mm of the tip or nearer"),
        (lambda rows: [r for r in rows if float(r["x_mm"]) < 15], "still"),
        (
            lambda rows: [r | {"height_mm": f"{float(r['height_mm']) * 0.8:.4f}"} for r in rows],
            "goes with the tip opening.*is the table under the indicator level",
        ),
    ],
)
def test_scans_that_cannot_be_read(tmp_path: Path, change_rows: Edit, words: str) -> None:
    """A hole, a speck, too few points, a start too far back and an end too early are each told with row and rail."""
    folder = Path(shutil.copytree(shipped("data/demo-bench/batch"), tmp_path / "batch"))
    edit_table(folder, "lay_points", change_rows)
    with pytest.raises(DataError, match=words):
        read_tables(folder, needed=PIECES_TABLES)


@pytest.mark.parametrize(("share", "refused"), [(0.62, False), (0.57, True), (1.55, False), (1.7, True)])
def test_where_a_facing_may_leave_the_table(tmp_path: Path, share: float, refused: bool) -> None:  # noqa: FBT001
    """An arc that ends at 0.6 to 1.6 of the usual facing length of its instrument is taken, one beyond is refused with both numbers."""
    typical = constants.FEATURE_SCALES["facing_length"].typical["alto"]
    write_rows(tmp_path / "mouthpieces.csv", [{"id": "M", "instrument": "alto", "tip_opening_mm": "1.9"}])
    write_rows(tmp_path / "reeds.csv", [{"id": "R", "instrument": "alto", "cut": "filed", "strength": "2.5"}])
    write_rows(tmp_path / "ligatures.csv", [{"id": "L"}])
    stops = {feeler: share * typical * (1 - (feeler / 1.9) ** 0.5) for feeler in (0.038, 0.2, 0.6)}
    rows = [
        {"mouthpiece_id": "M", "rail": rail, "feeler_mm": f"{feeler}", "stop_mm": f"{stop:.3f}"}
        for rail in ("left", "right")
        for feeler, stop in stops.items()
    ]
    write_rows(tmp_path / "facings.csv", rows)
    found = [problem for problem in problems_of(tmp_path) if "a facing that ends" in problem.expected]
    assert bool(found) is refused
    if found:
        assert f"{0.6 * typical:.0f} to {1.6 * typical:.0f} mm from the tip of a mouthpiece for alto" in found[0].expected


def test_three_thicknesses_are_a_profile(tmp_path: Path) -> None:
    """Three places are enough, two are not."""
    write_rows(tmp_path / "mouthpieces.csv", [{"id": "M", "instrument": "alto", "tip_opening_mm": "1.9"}])
    write_rows(
        tmp_path / "reeds.csv", [{"id": "R", "instrument": "alto", "cut": "filed", "strength": "2.5", "profile_id": "P"}]
    )
    write_rows(tmp_path / "ligatures.csv", [{"id": "L"}])
    points = [("2", "0.15"), ("15", "0.75"), ("32", "2.2")]
    for count, refused in ((3, False), (2, True)):
        rows = [{"profile_id": "P", "x_mm": x, "thickness_mm": thickness} for x, thickness in points[:count]]
        write_rows(tmp_path / "reed_profiles.csv", rows)
        assert any("profile" in str(problem.column) for problem in problems_of(tmp_path)) is refused


@pytest.mark.parametrize(
    ("number", "hint"), [("-30", "looks like thousandths of a mm"), ("-1.5", "looks like thousandths of a mm"), ("-2000", "")]
)
def test_a_negative_size_is_hinted_only_where_it_fits(tmp_path: Path, number: str, hint: str) -> None:
    """A slip that no unit would mend is refused without a hint."""
    write_rows(
        tmp_path / "mouthpieces.csv", [{"id": "M", "instrument": "alto", "tip_opening_mm": "1.9", "table_gap_mm": number}]
    )
    write_rows(tmp_path / "reeds.csv", [{"id": "R", "instrument": "alto", "cut": "filed", "strength": "2.5"}])
    write_rows(tmp_path / "ligatures.csv", [{"id": "L"}])
    problem = only(problems_of(tmp_path))
    assert (hint in problem.hint) if hint else problem.hint == ""


@pytest.mark.parametrize(
    ("places", "warned"), [((2, 15, 32), False), ((5, 15, 32), True), ((2, 10, 15), True), ((5, 10, 15), True)]
)
def test_a_profile_that_stops_short_is_completed_and_said(tmp_path: Path, places: tuple[int, ...], warned: bool) -> None:  # noqa: FBT001
    """A profile that begins behind 3 mm or ends before 20 mm is completed with a generic one, and that is said."""
    write_rows(tmp_path / "mouthpieces.csv", [{"id": "M", "instrument": "alto", "tip_opening_mm": "1.9"}])
    write_rows(
        tmp_path / "reeds.csv", [{"id": "R", "instrument": "alto", "cut": "filed", "strength": "2.5", "profile_id": "P"}]
    )
    write_rows(tmp_path / "ligatures.csv", [{"id": "L"}])
    rows = [{"profile_id": "P", "x_mm": str(x), "thickness_mm": f"{0.1 + 0.06 * x:.2f}"} for x in places]
    write_rows(tmp_path / "reed_profiles.csv", rows)
    warnings = read_source(tmp_path).warnings
    assert any("a generic profile is assumed for the rest" in str(problem) for problem in warnings) is warned


@pytest.mark.parametrize("times", [2, 3, 5])
def test_a_table_pasted_so_many_times_is_one_problem(demo_copy: Path, times: int) -> None:
    """All rows of facings again and again: said once, with the number of times."""
    count = len(read_rows(demo_copy / "facings.csv"))
    edit_table(demo_copy, "facings", lambda rows: [{**row, "repeat": ""} for row in rows] * times)
    assert only(problems_of(demo_copy)).read == f"{times} times the same {count} rows"


def test_a_column_in_thousandths_of_an_inch_names_the_factor(demo_copy: Path) -> None:
    """Tip openings of all mouthpieces in thousandths: one line, and the 39.37 that would bring them in."""

    def in_thousandths(rows: Rows) -> Rows:
        return [{**row, "tip_opening_mm": f"{float(row['tip_opening_mm']) * 39.37:.1f}"} for row in rows]

    edit_table(demo_copy, "mouthpieces", in_thousandths)
    told = [problem for problem in problems_of(demo_copy) if problem.column == "tip_opening_mm"]
    assert len(told) == 1
    assert "divide by 39.37 " in told[0].hint


def test_a_row_that_cannot_be_read_is_checked_all_the_same(demo_copy: Path) -> None:
    """Its id twice and the parts it names that are not there are told with its other slips, all at once."""

    def spoil(rows: Rows) -> Rows:
        return [rows[0], {**rows[1], "id": rows[0]["id"], "mouthpiece_id": "AM-99", "overall": "x"}, *rows[2:]]

    edit_table(demo_copy, "playtests", spoil)
    found = [(item.row, item.column) for item in read_source(demo_copy).problems]
    assert found == [(3, "overall"), (3, "id"), (3, "mouthpiece_id")]


def test_few_pieces_pasted_many_times_are_one_problem(demo_copy: Path) -> None:
    """Each of three pieces would be a slip of its own, and 25 pastes of their rows a paste of five times as many: the shortest stretch is told."""
    few = ("AM-01", "AM-02", "AM-03")
    edit_table(demo_copy, "facings", lambda rows: [row for row in rows if row["mouthpiece_id"] in few] * 25)
    count = len(read_rows(demo_copy / "facings.csv")) // 25
    problem = only(problems_of(demo_copy))
    assert (problem.row, problem.read) == (count + 2, f"25 times the same {count} rows")
