"""Paper: sheets to fill in, and records for the file."""

from __future__ import annotations

import datetime as dt
import io
from pathlib import Path

import pandas as pd
import pytest
from conftest import edit_table
from maker_shop import changed_batch

import matchkit as mk
from matchkit.cli.printing import lay_out, to_csv
from matchkit.records.parts import FacingReading
from matchkit.tables.read.csv import read_csv
from matchkit.words.maker.paper import record_screen, sheet_screen


def test_a_sheet_has_a_place_for_every_feeler_of_the_drawing() -> None:
    """Eight feelers on two rails for each of forty pieces, no expected value anywhere; a piece without a drawing gets the usual feelers."""
    house = mk.open()
    sheet = house.sheet()
    assert len(sheet.rows) == 40 * 16
    text = lay_out(sheet_screen(house.sheet("TB-25-07")))
    assert text.count("______") >= 8 * 4 + 8
    assert "24.55" not in text
    assert {row.feeler_mm for row in house.sheet("AM-05").rows} == {0.038, 0.1, 0.2, 0.4, 0.6, 0.9, 1.2}
    with pytest.raises(mk.UnknownIdError):
        house.sheet("nobody")


def test_a_sheet_that_was_filled_in_is_a_table_of_facings(tmp_path: object) -> None:
    """The csv, typed into, is read as facings.csv as it is."""
    sheet = mk.open().sheet("TB-25-07")
    frame = pd.read_csv(io.StringIO(to_csv(sheet.flat_rows(), sheet.columns())))
    frame["stop_mm"] = 12.5
    path = Path(str(tmp_path)) / "facings.csv"
    frame.to_csv(path, index=False)
    reading = read_csv(path, FacingReading)
    assert not reading.problems
    assert len(reading.records) == 16


def test_a_record_says_everything_that_a_verdict_rests_on() -> None:
    """Each piece with every feature, its doubt (1.96 u), limits and verdict; the same as the batch's; the day only where it was given."""
    house = mk.open()
    record, report = house.record(), house.batch(pair=False)
    assert [piece.verdict for piece in record.pieces] == [piece.verdict for piece in report.pieces]
    for piece, judged in zip(record.pieces, report.pieces, strict=True):
        assert len(piece.lines) == len(judged.features)
        for line, feature in zip(piece.lines, judged.features, strict=True):
            assert (line.value, line.low, line.high, line.verdict) == (
                feature.value,
                feature.low,
                feature.high,
                feature.verdict,
            )
            assert line.plus_minus == pytest.approx(1.96 * feature.u)
    assert record.made_on is None
    one = house.record(piece="TB-25-13", made_on=dt.date(2026, 3, 1))
    text = lay_out(record_screen(one))
    for told in ("TB-25-13", "2026-03-01", "out of drawing", "Tip 0.19 mm too open", "2.42 to 2.58", "Read on 2026-02-03"):
        assert told in text
    rows = record.flat_rows()
    assert len(rows) == sum(len(piece.lines) for piece in record.pieces)
    assert {"mouthpiece_id", "feature", "value", "plus_minus", "low", "high", "verdict", "read_on"} <= set(rows[0])
    with pytest.raises(mk.UnknownIdError):
        house.record(piece="TB-25-99")


def test_a_record_shows_what_fails_a_piece_and_what_the_batch_is_off(tmp_path: Path) -> None:
    """A rail that is short at one feeler has its row; a batch whose stops are all 1 mm long says so first; a rail that was not read is named once."""

    def bent(row: dict[str, str]) -> dict[str, str]:
        there = row["mouthpiece_id"] == "TB-25-01" and row["rail"] == "left" and row["feeler_mm"] == "0.6"
        return {**row, "stop_mm": f"{float(row['stop_mm']) - 0.45:.2f}"} if there else row

    (tmp_path / "bent").mkdir()
    record = mk.open().record(changed_batch(tmp_path / "bent", "facings", bent), piece="TB-25-01")
    assert record.pieces[0].verdict == "fail"
    text = " ".join(lay_out(record_screen(record)).split())
    assert "left against right -0.4" in text
    assert text.count("out of drawing") >= 2

    def longer(row: dict[str, str]) -> dict[str, str]:
        return {**row, "stop_mm": f"{float(row['stop_mm']) + 1:.2f}"}

    (tmp_path / "longer").mkdir()
    off = mk.open().record(changed_batch(tmp_path / "longer", "facings", longer))
    text = " ".join(lay_out(record_screen(off)).split())
    assert text.index("Every feeler stops") < text.index("TB-25-01 (")

    def one_rail(row: dict[str, str]) -> dict[str, str]:
        return {**row, "rail": "left" if row["rail"] == "left" else "right"}

    folder = changed_batch(tmp_path, "facings", one_rail)
    edit_table(
        folder,
        "facings",
        lambda rows: [row for row in rows if (row["mouthpiece_id"], row["rail"]) != ("TB-25-01", "right")],
    )
    text = " ".join(lay_out(record_screen(mk.open().record(folder, piece="TB-25-01"))).split())
    assert "not measured enough to say" in text
    assert "Not measured: right rail with the 0.038, 0.1, 0.2" in text


def test_a_record_assumes_no_scan_of_a_piece_that_was_not_scanned(house: mk.House) -> None:
    """The doubt of a scan's height stands on the record of the scanned piece, and of the whole batch, and on no other."""
    for only, scanned in (("TB-25-07", False), ("TB-25-40", True), (None, True)):
        record = house.record(piece=only)
        assert ("u_scan_mm" in {one.like for one in record.assumed}) == scanned
