"""Weights and dial readings become a strength scale."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner

import matchkit as mk
from matchkit.cli import main
from matchkit.records.parts import StrengthStep
from matchkit.tables.read.csv import read_csv

HEADER = "profile_id,strength,reed,mass_g,sink_mm\n"


def readings(tmp_path: Path, text: str) -> Path:
    path = tmp_path / "readings.csv"
    path.write_text(HEADER + text)
    return path


def test_force_over_deflection(tmp_path: Path) -> None:
    """100 g is 0.980665 N (standard gravity, ISO 80000-3); 0.9 mm of sink make 1.0896 N/mm."""
    (row,) = mk.calibrate(readings(tmp_path, "A,2.5,1,100,0.9\n")).rows
    assert row.stiffness_n_per_mm == pytest.approx(0.980665 / 0.9, abs=1e-9)
    assert row.spread_pct is None
    assert row.u_pct > 8
    assert row.reeds == 1


def test_several_loads_forgive_a_dial_that_was_not_zeroed(tmp_path: Path) -> None:
    """With three weights the slope is taken: an offset of the dial changes nothing."""
    text = "".join(f"A,2.5,1,{mass},{mass * 9.80665e-3 / 1.2 + 0.3:.6f}\n" for mass in (50, 100, 150))
    (row,) = mk.calibrate(readings(tmp_path, text)).rows
    assert row.stiffness_n_per_mm == pytest.approx(1.2, rel=1e-4)


def test_spread_and_uncertainty_of_a_box(tmp_path: Path) -> None:
    """Ten reeds drawn with 8 % spread give mean, spread and uncertainty as the sample has them (seeded)."""
    stiff = np.random.default_rng(1).normal(1.2, 0.08 * 1.2, 10)
    text = "".join(f"A,2.5,{place},100,{0.980665 / k:.6f}\n" for place, k in enumerate(stiff))
    (row,) = mk.calibrate(readings(tmp_path, text)).rows
    assert row.stiffness_n_per_mm == pytest.approx(stiff.mean(), rel=1e-4)
    assert row.spread_pct == pytest.approx(100 * stiff.std(ddof=1) / stiff.mean(), rel=1e-3)
    assert row.u_pct == pytest.approx(100 * np.hypot(stiff.std(ddof=1) / stiff.mean() / np.sqrt(10), 0.03), rel=1e-3)
    assert row.reeds == 10


def test_rows_can_be_pasted(tmp_path: Path) -> None:
    """The csv answer is a strength_scale.csv that reads without problems, wet and dry kept apart, few reeds told."""
    path = tmp_path / "readings.csv"
    path.write_text("profile_id,strength,reed,load_n,sink_mm,state\nA,2.5,1,1,0.9,dry\nA,2.5,2,1,0.95,dry\nA,3,1,1,0.8,wet\n")
    done = CliRunner().invoke(main, ["calibrate", str(path), "--format", "csv"])
    (tmp_path / "strength_scale.csv").write_text(done.stdout)
    reading = read_csv(tmp_path / "strength_scale.csv", StrengthStep)
    assert not reading.problems
    assert [(r.strength, r.state) for r in reading.records if isinstance(r, StrengthStep)] == [(2.5, "dry"), (3.0, "wet")]
    text = CliRunner().invoke(main, ["calibrate", str(path)]).stdout
    assert "Fewer than 5 reeds" in text
    assert max(len(line) for line in text.splitlines()) <= 80
    found = json.loads(CliRunner().invoke(main, ["calibrate", str(path), "--format", "json"]).stdout)
    assert found["schema"] == "matchkit.calibrate/1"
    assert len(mk.calibrate(path).to_frame()) == 2


def test_slips_and_missing_files(tmp_path: Path) -> None:
    """A weight in the wrong unit is told in grams; a missing file is a SourceError."""
    with pytest.raises(mk.DataError, match=r"a number from 5\.099 to 2039 grams"):
        mk.calibrate(readings(tmp_path, "A,2.5,1,0.1,0.9\n"))
    with pytest.raises(mk.SourceError, match="bench readings"):
        mk.calibrate(tmp_path / "none.csv")
