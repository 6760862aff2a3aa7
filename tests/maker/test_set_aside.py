"""A batch some of whose rows are wrong: the others are judged as ever, and what is wrong is told once per cause."""

from __future__ import annotations

import csv
import shutil
from collections.abc import Callable
from pathlib import Path

import pytest
from click.testing import CliRunner
from conftest import read_rows
from maker_shop import changed_batch

import matchkit as mk
from matchkit.cli import main
from matchkit.errors import listing
from matchkit.files import shipped
from matchkit.maker.files import read_pieces
from matchkit.words.paper.headings import heading_of

Row = dict[str, str]


def batch_with(folder: Path, table: str, change: Callable[[list[Row]], object]) -> Path:
    """Copy the demo batch and change one of its tables."""
    copied = Path(shutil.copytree(shipped("data/demo-bench/batch"), folder / "batch"))
    path = copied / f"{table}.csv"
    with path.open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    change(rows)
    with path.open("w", encoding="utf-8", newline="") as file:
        writer = csv.DictWriter(file, list(rows[0]))
        writer.writeheader()
        writer.writerows(rows)
    return copied


def of_piece(rows: list[Row], piece: str) -> list[Row]:
    """Return the rows of one piece."""
    return [row for row in rows if row["mouthpiece_id"] == piece]


def asked(*words: str) -> tuple[int, str]:
    """Return the exit code and what a command prints, on one line."""
    done = CliRunner().invoke(main, words)
    return done.exit_code, " ".join(f"{done.stdout} {done.stderr}".split())


def test_one_bad_cell_keeps_one_piece_out(tmp_path: Path) -> None:
    """Every other piece has the verdict it has in the whole batch; the piece is named with its file, row, column, what was read and what was expected."""

    def typo(rows: list[Row]) -> None:
        of_piece(rows, "TB-25-13")[0]["stop_mm"] = "2o.3"

    folder = batch_with(tmp_path, "facings", typo)
    report, whole = mk.open().batch(folder, pair=False), mk.open().batch(pair=False)
    assert [piece.mouthpiece_id for piece in report.pieces] == [
        piece.mouthpiece_id for piece in whole.pieces if piece.mouthpiece_id != "TB-25-13"
    ]
    verdicts = {piece.mouthpiece_id: piece.verdict for piece in whole.pieces}
    assert all(piece.verdict == verdicts[piece.mouthpiece_id] for piece in report.pieces)
    assert report.counts["fail"] == whole.counts["fail"] - 1
    (aside,) = report.set_aside
    assert aside.mouthpiece_id == "TB-25-13"
    code, told = asked("batch", str(folder), "--no-pairing")
    assert code == 5  # others fail
    assert "1 not judged" in told
    assert heading_of(report) == f"{heading_of(whole)}, 1 of them not judged"
    assert "TB-25-13. facings.csv, row" in told
    assert "read '2o.3'; expected a number from 0.1 to 45 mm" in told
    for house_asks in (mk.open().facing, mk.open().history, mk.open().reface):
        with pytest.raises(mk.DataError, match=r"2o\.3"):
            house_asks("TB-25-13", pieces=folder)
    assert mk.open().facing("TB-25-12", pieces=folder).measured


def test_record_sheet_and_a_second_batch_of_a_batch_with_a_bad_cell(tmp_path: Path) -> None:
    """A record and a comparison say who is missing and end with code 3; the record of the piece itself is refused; a sheet has it, since it is to be read again."""

    def typo(rows: list[Row]) -> None:
        of_piece(rows, "TB-25-02")[0]["stop_mm"] = "?"

    folder = str(batch_with(tmp_path, "facings", typo))
    for word in ("--record", str(shipped("data/demo-bench/batch"))):
        code, told = asked("batch", folder, word)
        assert code == 3
        assert "Not judged, since something in their rows is wrong: TB-25-02." in told
    code, told = asked("batch", folder, "--piece=TB-25-02")
    assert code == 3
    assert "1 problem in the tables" in told
    for words in (("batch", folder, "--sheet"), ("facing", "TB-25-02", "--pieces", folder, "--sheet")):
        code, told = asked(*words)
        assert code == 0
        assert "TB-25-02 read on ______" in told
    assert asked("batch", folder, "--piece", "TB-25-03")[0] == 0


def test_a_batch_is_paired_without_what_is_wrong(tmp_path: Path) -> None:
    """The pairing of the pieces that are left is that of a batch without the others."""

    def model(rows: list[Row]) -> None:
        rows[3]["model"] = "TX"

    def gone(rows: list[Row]) -> None:
        del rows[3]

    undrawn = batch_with(tmp_path / "a", "mouthpieces", model)
    without = batch_with(tmp_path / "b", "mouthpieces", gone)
    for table in ("facings",):
        path = without / f"{table}.csv"
        lines = path.read_text(encoding="utf-8").splitlines()
        path.write_text("\n".join(line for line in lines if not line.startswith("TB-25-04,")), encoding="utf-8")
    one, other = (mk.open().batch(folder, draws=100) for folder in (undrawn, without))
    assert one.pairings == other.pairings
    assert [aside.mouthpiece_id for aside in one.set_aside] == ["TB-25-04"]
    assert "expected a model with a drawing: TB-25" in str(one.set_aside[0].problems[0])


def test_what_is_wrong_with_everything_is_refused(tmp_path: Path) -> None:
    """A column in another unit, a table pasted twice, no sound piece at all, or a header that is wrong: nothing is judged on a guess."""

    def inches(rows: list[Row]) -> None:
        for row in rows:
            row["stop_mm"] = f"{float(row['stop_mm']) * 25.4:.1f}"

    def twice(rows: list[Row]) -> None:
        rows += [dict(row, repeat="") for row in rows]
        for row in rows:
            row["repeat"] = ""

    def words(rows: list[Row]) -> None:
        for row in rows:
            row["stop_mm"] = "long"

    for number, (change, expected) in enumerate(((inches, "another unit"), (twice, "the same"), (words, "'long'"))):
        folder = batch_with(tmp_path / str(number), "facings", change)
        (folder / "lay_points.csv").unlink()
        pieces = folder / "mouthpieces.csv"
        lines = pieces.read_text(encoding="utf-8").splitlines()
        pieces.write_text("\n".join(line for line in lines if not line.startswith("TB-25-40")), encoding="utf-8")
        with pytest.raises(mk.DataError, match=expected):
            read_pieces(folder)
    header = batch_with(tmp_path / "header", "facings", list.copy)
    path = header / "facings.csv"
    path.write_text(path.read_text(encoding="utf-8").replace("stop_mm,", "stops,", 1), encoding="utf-8")
    with pytest.raises(mk.DataError, match="no such column"):
        read_pieces(header)


def test_half_a_file_in_inches_is_half_a_file(tmp_path: Path) -> None:
    """Stops of the second twenty pieces in inches: one line asks about that, they are not judged, and the first twenty are."""

    def inches(rows: list[Row]) -> None:
        for row in rows:
            if row["mouthpiece_id"] > "TB-25-20":
                row["stop_mm"] = f"{float(row['stop_mm']) / 25.4:.4f}"

    report = mk.open().batch(batch_with(tmp_path, "facings", inches), pair=False)
    assert [piece.mouthpiece_id for piece in report.pieces][:20] == [f"TB-25-{number:02d}" for number in range(1, 21)]
    assert {one.mouthpiece_id for one in report.set_aside} == {f"TB-25-{number}" for number in range(21, 40)}
    (line,) = listing(problem for one in report.set_aside for problem in one.problems)
    assert "inches? they have a column of their own, stop_in" in line


def test_rows_pasted_again_keep_their_pieces_out(tmp_path: Path) -> None:
    """The first thousand rows a second time: one line for a thousand rows; the pieces of the other rows are judged."""

    def paste(rows: list[Row]) -> None:
        rows += [dict(row) for row in rows[:1000]]

    folder = batch_with(tmp_path, "facings", paste)
    report = mk.open().batch(folder, pair=False)
    pasted = {row["mouthpiece_id"] for row in read_rows(folder / "facings.csv")[:1000]}
    assert {one.mouthpiece_id for one in report.set_aside} == pasted
    assert len(report.pieces) == 40 - len(pasted)
    (line,) = listing(problem for one in report.set_aside for problem in one.problems)
    assert "were rows pasted twice" in line
    assert "so in 1000 rows" in line


def test_an_id_that_is_no_piece_is_none_of_the_batch(tmp_path: Path) -> None:
    """A reading of TB-25-1 is told, and all forty pieces are judged."""

    def typo(rows: list[Row]) -> None:
        rows[0]["mouthpiece_id"] = "TB-25-1"

    report = mk.open().batch(batch_with(tmp_path, "facings", typo), pair=False)
    assert len(report.pieces) == 40
    (aside,) = report.set_aside
    assert aside.mouthpiece_id is None
    assert "'TB-25-1'; expected an id of mouthpieces.csv" in str(aside.problems[0])


def test_a_row_that_names_no_piece_keeps_none_out(tmp_path: Path) -> None:
    """It is told, and every piece is judged; so is a slip in a table that a batch does not need."""

    def nameless(rows: list[Row]) -> None:
        rows[0]["mouthpiece_id"] = ""

    folder = batch_with(tmp_path, "facings", nameless)
    (folder / "ligatures.csv").write_text("id,min_diameter_mm\nL,wide\n", encoding="utf-8")
    report = mk.open().batch(folder, pair=False)
    assert len(report.pieces) == 40
    (aside,) = report.set_aside
    assert aside.mouthpiece_id is None
    assert [problem.source for problem in aside.problems] == ["facings.csv", "ligatures.csv"]
    assert "Wrong in the tables:" in asked("batch", str(folder), "--no-pairing")[1]


@pytest.mark.parametrize(
    ("change", "told"),
    [
        (lambda cell: f"{cell} mm", "the unit is in the column's name"),
        (lambda cell: cell.replace(".", ","), "decimal comma?"),
        (lambda cell: f"={cell}", "paste its value"),
        (lambda cell: f"-{cell}", "right as numbers with their sign turned); so in"),
    ],
)
def test_one_slip_in_ninety_cells_is_one_line(tmp_path: Path, change: Callable[[str], str], told: str) -> None:
    """Whatever the values are: the first with its row, how many rows have it, and a few of the others."""

    def slip(rows: list[Row]) -> None:
        for row in rows[:90]:
            row["stop_mm"] = change(row["stop_mm"] if "." in row["stop_mm"] else f"{row['stop_mm']}.0")

    report = mk.open().batch(batch_with(tmp_path, "facings", slip), pair=False)
    lines = listing(problem for one in report.set_aside for problem in one.problems)
    assert len(lines) == 1
    assert told in lines[0]
    assert "so in 90 rows: " in lines[0]
    assert len(report.pieces) == 37


@pytest.mark.parametrize(("way", "told"), [("reverse", "typed in reverse?"), ("table", "from where the facing begins")])
def test_stops_the_wrong_way_round_are_named_by_their_cause(tmp_path: Path, way: str, told: str) -> None:
    """Stops of three pieces in reverse, or counted from the table: one line that asks about just that, and only these pieces are not judged."""

    def turned(rows: list[Row]) -> None:
        for piece in ("TB-25-04", "TB-25-05", "TB-25-06"):
            for rail in ("left", "right"):
                mine = [row for row in of_piece(rows, piece) if row["rail"] == rail]
                stops = [row["stop_mm"] for row in mine]
                new = stops[::-1] if way == "reverse" else [f"{26 - float(stop):.2f}" for stop in stops]
                for row, stop in zip(mine, new, strict=True):
                    row["stop_mm"] = stop

    report = mk.open().batch(batch_with(tmp_path, "facings", turned), pair=False)
    assert [one.mouthpiece_id for one in report.set_aside] == ["TB-25-04", "TB-25-05", "TB-25-06"]
    (line,) = listing(problem for one in report.set_aside for problem in one.problems)
    assert told in line
    assert line.endswith("so in 6 rows")


def test_the_feeler_that_the_drawing_has_in_inches_is_asked_about(tmp_path: Path) -> None:
    """A drawing with 0.024 inches beside readings of 0.6 mm: not judged, and asked whether they are one."""
    text = (shipped("data/demo") / "house.toml").read_text(encoding="utf-8")
    path = tmp_path / "house.toml"
    path.write_text(text.replace("feeler_mm = 0.6,", "feeler_in = 0.024,"), encoding="utf-8")
    assert "Is the 0.6 mm feeler the 0.6096 mm one of the drawing?" in asked("batch", "--house", str(path), "--no-pairing")[1]


def test_lengths_of_a_drawing_may_be_in_inches(tmp_path: Path) -> None:
    """Limits are those of the same numbers in millimetres; both at once, or a unit where there is none, is refused."""
    path = tmp_path / "house.toml"
    path.write_text(
        '[drawing."TB-25"]\ntip_opening_in = { nominal = 0.098, lower = -0.002, upper = 0.003 }\n', encoding="utf-8"
    )
    judged = mk.open().batch(spec=path, pair=False).pieces[0].features[0]
    assert judged.feature == "tip_opening_mm"
    assert judged.nominal == pytest.approx(0.098 * 25.4)
    assert (judged.low, judged.high) == pytest.approx((0.096 * 25.4, 0.101 * 25.4))
    path.write_text(path.read_text(encoding="utf-8") + "tip_opening_mm = { nominal = 2.5, upper = 0.1 }\n", encoding="utf-8")
    with pytest.raises(mk.DataError, match="either tip_opening_mm or tip_opening_in"):
        mk.open().batch(spec=path, pair=False)
    path.write_text('[drawing."TB-25"]\nchamber_volume_in = { nominal = 1, upper = 0.1 }\n', encoding="utf-8")
    with pytest.raises(mk.DataError, match="unknown key"):
        mk.open().batch(spec=path, pair=False)


def test_a_decimal_comma_in_a_house_toml_is_asked_about(tmp_path: Path) -> None:
    """With the row, and what stands there."""
    path = tmp_path / "house.toml"
    path.write_text("[gauge]\nu_tip_mm = ", encoding="utf-8")
    with pytest.raises(mk.DataError, match="expected TOML text"):
        mk.open().batch(spec=path, pair=False)
    path.write_text("[gauge]\nu_tip_mm = 0,02\n", encoding="utf-8")
    with pytest.raises(mk.DataError, match=r"house.toml, row 2: read 'u_tip_mm = 0,02'.*decimal comma\?"):
        mk.open().batch(spec=path, pair=False)


@pytest.mark.parametrize(
    ("change", "told"),
    [
        ({"height_mm": 1000.0}, "divide by 1000 would bring it in"),
        ({"x_mm": 1000.0}, "divide by 1000 would bring it in"),
        ({"height_mm": -1.0}, "is the sign of the whole column turned round?"),
        ({"height_mm": 1 / 25.4, "x_mm": 1 / 25.4}, "(heights in inches?); so in 2 rows"),
    ],
)
def test_a_scan_in_another_unit_keeps_out_its_piece_and_is_one_line(
    tmp_path: Path, change: dict[str, float], told: str
) -> None:
    """The one scanned piece of the demo batch in micrometres, upside down or in inches: one line, and the other 39 are judged."""

    def scaled(row: dict[str, str]) -> dict[str, str]:
        return {**row, **{name: f"{float(row[name]) * by:.4f}" for name, by in change.items()}}

    report = mk.open().batch(changed_batch(tmp_path, "lay_points", scaled), pair=False)
    assert [one.mouthpiece_id for one in report.set_aside] == ["TB-25-40"]
    assert len(report.pieces) == 39
    assert report.counts["fail"] == 6
    lines = listing(problem for one in report.set_aside for problem in one.problems)
    assert len(lines) == 1
    assert told in lines[0]


def test_what_follows_from_feelers_in_inches_is_not_told(tmp_path: Path) -> None:
    """Half the feelers of one piece are out of range: the unit is asked about, and neither its tip nor its length is doubted besides."""

    def inches(rows: list[Row]) -> None:
        for row in of_piece(rows, "TB-25-13"):
            row["feeler_mm"] = f"{float(row['feeler_mm']) / 25.4:.4f}"

    report = mk.open().batch(batch_with(tmp_path, "facings", inches), pair=False)
    problems = [problem for one in report.set_aside for problem in one.problems]
    assert {(problem.source, problem.column) for problem in problems} == {("facings.csv", "feeler_mm")}
    assert len(listing(problems)) == 1
    assert "of TB-25-13 would be right as inches" in listing(problems)[0]


def test_stops_beyond_the_gauge_may_be_half_millimetres(tmp_path: Path) -> None:
    """48.4 is 24.2 mm in half millimetres, which have a column; 138.5 is 13.85 without its point."""

    def typed(rows: list[Row]) -> None:
        of_piece(rows, "TB-25-13")[0]["stop_mm"] = "48.4"
        of_piece(rows, "TB-25-14")[0]["stop_mm"] = "138.5"

    report = mk.open().batch(batch_with(tmp_path, "facings", typed), pair=False)
    half, point = (next(problem for problem in one.problems) for one in report.set_aside)
    assert half.hint.startswith("48.4 looks like half millimetres, whose column is stop_half_mm")
    assert point.hint.startswith("138.5 looks like 13.85 mm without its point")
