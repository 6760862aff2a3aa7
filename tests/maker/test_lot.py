"""A lot of reeds against the house's scale."""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner

import matchkit as mk
from matchkit.cli import main
from matchkit.cli.printing import lay_out
from matchkit.maker.lot import LotReport, grubbs_limit, judge_lot
from matchkit.records.calibration import BenchReading
from matchkit.words.maker.lot import lot_screen


def _lot(factors: list[float], *, strength: float = 3.0) -> LotReport:
    """Judge reeds of alto-A whose stiffness is that of the demo's scale times so much, read with two weights."""
    scale = mk.open().tables.strength_scale
    known = next(row for row in scale if (row.profile_id, row.strength) == ("alto-A", strength)).stiffness_n_per_mm
    assert known is not None
    readings = [
        BenchReading(profile_id="alto-A", strength=strength, reed=f"r{place}", load_n=load, sink_mm=load / (known * factor))
        for place, factor in enumerate(factors)
        for load in (0.5, 1.0)
    ]
    return judge_lot(readings, scale)


def test_the_limits_of_an_odd_one() -> None:
    """Grubbs' two-sided limits at 5 %: 1.887 for 6, 2.290 for 10, 2.709 for 20 (tables as printed in handbooks, from memory)."""
    assert [grubbs_limit(count) for count in (6, 10, 20)] == pytest.approx([1.887, 2.290, 2.709], abs=1.5e-3)


def test_a_lot_half_a_strength_hard() -> None:
    """Ten reeds 16 % stiffer are one half strength harder; their spread has the chi-squared interval; nothing is odd."""
    rng = np.random.default_rng(4)
    logs = rng.normal(math.log(1.16), 0.05, 10)
    (row,) = _lot(np.exp(logs).tolist()).rows
    assert row.steps == pytest.approx((logs.mean()) / math.log(1.16), abs=1e-6)
    assert row.steps == pytest.approx(1.0, abs=0.3)
    assert row.spread_pct == pytest.approx(100 * logs.std(ddof=1))
    # chi-squared of nine degrees: 2.700 and 19.023 (any table)
    assert row.spread_low_pct == pytest.approx(100 * logs.std(ddof=1) * math.sqrt(9 / 19.023), rel=1e-3)
    assert row.spread_high_pct == pytest.approx(100 * logs.std(ddof=1) * math.sqrt(9 / 2.700), rel=1e-3)
    assert row.odd == ()


def test_a_reed_that_does_not_belong() -> None:
    """One reed half as stiff is named, and neither level nor spread hang on it."""
    rng = np.random.default_rng(5)
    factors = np.exp(rng.normal(0, 0.05, 9)).tolist()
    (whole,), (with_it,) = _lot(factors).rows, _lot([*factors, 0.5]).rows
    assert with_it.odd == ("r9",)
    assert (with_it.stiffness_n_per_mm, with_it.spread_pct) == pytest.approx((whole.stiffness_n_per_mm, whole.spread_pct))


def test_sound_lots_name_few_reeds() -> None:
    """Of 200 seeded lots of ten at most 8 % name a reed, where 5 % were allowed."""
    rng = np.random.default_rng(6)
    assert sum(bool(_lot(np.exp(rng.normal(0, 0.08, 10)).tolist()).rows[0].odd) for _ in range(200)) <= 16


def test_what_cannot_be_told(tmp_path: Path) -> None:
    """Two reeds have no spread, a profile off the scale no level, and the command says so; without readings it asks."""
    path = tmp_path / "lot.csv"
    path.write_text("profile_id,strength,reed,mass_g,sink_mm\nalto-Z,3,a,100,0.9\nalto-Z,3,b,100,1.0\n")
    result = CliRunner().invoke(main, ["calibrate", str(path), "--lot"])
    assert result.exit_code == 0
    assert "its level cannot be told" in " ".join(result.stdout.split())
    assert "its spread cannot be told" in " ".join(result.stdout.split())
    assert CliRunner().invoke(main, ["calibrate", "--lot"]).exit_code == 2
    with pytest.raises(mk.RequestError, match="no reading"):
        judge_lot([], ())


def test_a_lot_in_another_unit_is_asked_about() -> None:
    """Ten times as stiff, as with sinks in cm, is a slip and no level; sixteen per cent is a level."""
    assert _lot([10.0] * 4).rows[0].factor == pytest.approx(10.0)
    assert "is a column in another unit" in " ".join(lay_out(lot_screen(_lot([10.0] * 4))).split())
    assert _lot([1.16] * 4).rows[0].factor is None
    assert _lot([2.5] * 4).rows[0].factor is None


def test_what_the_scale_lacks_is_named() -> None:
    """A profile, a strength or a state that it does not have."""
    scale = mk.open().tables.strength_scale

    def told(**change: object) -> str | None:
        about = {"profile_id": "alto-A", "strength": 3.0, "state": "dry", **change}
        readings = [BenchReading.model_validate({**about, "reed": f"r{k}", "load_n": 1.0, "sink_mm": 0.5}) for k in range(3)]
        return judge_lot(readings, scale).rows[0].unknown

    assert told() is None
    assert told(profile_id="alto-Z") == "profile"
    assert told(strength=9.5) == "strength"
    assert told(state="wet") == "state"


def test_a_lot_is_judged_without_its_bad_rows(tmp_path: Path) -> None:
    """Text in a number: the row is told with exit code 3, a reed whose own readings disagree is named, the rest is judged; a file of nothing is refused by name."""
    rows = ["profile_id,strength,reed,load_n,sink_mm"]
    rows += [f"alto-A,3,r{k},{load},{load / 2:.3f}" for k in range(6) for load in (0.5, 1.0)]
    rows[3] = "alto-A,3,r1,0.5,about .2"
    rows[6] = "alto-A,3,r2,1.0,5.0"
    path = tmp_path / "lot.csv"
    path.write_text("\n".join(rows), encoding="utf-8")
    done = CliRunner().invoke(main, ["calibrate", str(path), "--lot"])
    text = " ".join(done.stdout.split())
    assert done.exit_code == 3
    assert "lot.csv, row 4, column sink_mm: read 'about .2'" in text
    assert "the readings of r2 disagree with one another" in text.lower()
    assert mk.open().lot(path).rows[0].reeds == 6
    path.write_text(rows[0] + "\n", encoding="utf-8")
    with pytest.raises(mk.DataError, match=r"lot\.csv"):
        mk.open().lot(path)


def test_a_reed_that_sank_less_under_more_is_a_slip(tmp_path: Path) -> None:
    """Two sinks swapped: calibrate is refused with the row, a lot is judged without the reed; no stiffness is made of it."""
    rows = ["profile_id,strength,reed,load_n,sink_mm"]
    rows += [f"alto-A,3,r{k},{load},{load / 2:.3f}" for k in range(5) for load in (0.5, 1.0)]
    rows[3], rows[4] = "alto-A,3,r1,0.5,0.5", "alto-A,3,r1,1.0,0.25"
    path = tmp_path / "lot.csv"
    path.write_text("\n".join(rows), encoding="utf-8")
    with pytest.raises(mk.DataError) as caught:
        mk.calibrate(path)
    (problem,) = caught.value.problems
    assert (problem.row, problem.column) == (5, "sink_mm")
    assert "swapped" in problem.hint
    report = mk.open().lot(path)
    assert report.rows[0].reeds == 4
    assert [one.row for one in report.left_out] == [5]
