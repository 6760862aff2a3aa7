"""The gauge study: the manual's ten pieces both ways, and NIST StRD's analysis of variance, ill-conditioned ones among them."""

from __future__ import annotations

import math
import warnings
from dataclasses import replace
from importlib.resources import files
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner
from conftest import REFERENCE
from numpy.typing import NDArray
from scipy.stats import chi2
from statsmodels.regression.mixed_linear_model import MixedLM, VCSpec

import matchkit as mk
from matchkit.cli import main
from matchkit.cli.printing import lay_out
from matchkit.files import shipped
from matchkit.maker.batch import gauge_from
from matchkit.maker.gauge import _finite, _ratio, average_range, expected_range, range_constants, study
from matchkit.maker.gauge_readings import odd_readings
from matchkit.maker.gauge_uneven import _by_levels, _covariance, _whitened, uneven_study
from matchkit.records.spec import Gauge
from matchkit.records.study import StudyReading
from matchkit.words.maker.gauge import gauge_screen

Array = NDArray[np.float64]

TEN = np.array(
    [
        [float(value) for value in row.split()]
        for row in (REFERENCE / "gauge_study_ten_pieces.txt").read_text(encoding="utf-8").splitlines()
        if not row.startswith("#")
    ]
).reshape(10, 3, 3)
"""AIAG MSA 4th edition, ten pieces, three people, three repeats (second-hand, two transcriptions agree)."""


def test_the_manual_s_study_by_analysis_of_variance() -> None:
    """Components, shares and categories of the published analysis (interaction pooled, tolerance 8): AIAG MSA, second-hand."""
    found = study(TEN, quantity="other", unit="mm", tolerance=8)
    assert found.pooled
    assert found.repeatability**2 == pytest.approx(0.03997, abs=5e-6)
    assert found.reproducibility is not None
    assert found.reproducibility**2 == pytest.approx(0.05146, abs=5e-6)
    assert found.gauge**2 == pytest.approx(0.09143, abs=5e-6)
    assert found.piece**2 == pytest.approx(1.08645, abs=5e-6)
    assert 100 * found.share_of_study == pytest.approx(27.86, abs=0.005)
    assert found.share_of_tolerance is not None
    assert 100 * found.share_of_tolerance == pytest.approx(22.68, abs=0.005)
    assert found.distinct == 4
    squares = {row.source: (row.sum_of_squares, row.degrees) for row in found.table}
    assert squares["piece"] == pytest.approx((88.3619, 9), abs=5e-5)
    assert squares["person"] == pytest.approx((3.1673, 2), abs=5e-5)
    assert squares["piece x person"] == pytest.approx((0.3590, 18), abs=5e-5)
    cross = next(row for row in found.table if row.source == "piece x person")
    assert cross.f == pytest.approx(0.434, abs=5e-4)
    assert cross.probability == pytest.approx(0.974, abs=5e-4)


def test_the_manual_s_study_by_averages_and_ranges() -> None:
    """EV .202, AV .230, GRR .306, PV 1.104, TV 1.146, 5.09 categories: AIAG MSA, second-hand (its PV is low by .0006)."""
    found = average_range(TEN)
    assert (found.repeatability, found.reproducibility, found.gauge) == pytest.approx((0.2019, 0.2297, 0.3058), abs=1e-3)
    assert (found.piece, found.total) == pytest.approx((1.1046, 1.1461), abs=1e-3)
    assert found.distinct == pytest.approx(5.09, abs=5e-3)


def test_range_constants() -> None:
    """d2 and d3 of tables (ASTM, by way of Montgomery, app. VI) and the 1/d2* constants of the manual."""
    d2 = {2: 1.1284, 3: 1.6926, 4: 2.0588, 5: 2.3259, 6: 2.5344, 10: 3.0775}
    d3 = {2: 0.8525, 3: 0.8884, 4: 0.8798, 5: 0.8641, 6: 0.8480, 10: 0.7971}
    assert {n: range_constants(n)[0] for n in d2} == pytest.approx(d2, abs=1e-4)
    assert {n: range_constants(n)[1] for n in d3} == pytest.approx(d3, abs=1e-4)
    assert 1 / expected_range(10, groups=1) == pytest.approx(0.3146, abs=1e-4)
    assert 1 / expected_range(3, groups=1) == pytest.approx(0.5231, abs=1e-4)
    assert 1 / expected_range(3, groups=30) == pytest.approx(0.5908, abs=1e-4)
    with pytest.raises(ValueError, match="two values"):
        range_constants(1)


def strd(name: str) -> tuple[Array, float]:
    """Read a data set of NIST StRD from scipy's own copy: groups by repeats, and the certified F."""
    text = (Path(str(files("scipy"))) / "stats/tests/data/nist_anova" / f"{name}.dat").read_text(encoding="utf-8")
    lines = text.splitlines()
    certified = next(float(line.split()[-1]) for line in lines if line.startswith("Between"))
    rows = [line.split() for line in lines[60:] if len(line.split()) == 2]
    groups: dict[str, list[float]] = {}
    for group, value in rows:
        groups.setdefault(group, []).append(float(value))
    return np.array(list(groups.values())), certified


@pytest.mark.parametrize(
    ("name", "tolerance"),
    [("SiRstv", 1e-9), ("SmLs01", 1e-9), ("AtmWtAg", 1e-8), ("SmLs04", 1e-6), ("SmLs07", 1e-3), ("SmLs09", 1e-3)],
)
def test_certified_analyses_of_variance(name: str, tolerance: float) -> None:
    """One person is a one-way analysis: F agrees with NIST StRD as far as doubles go, large offsets included."""
    groups, certified = strd(name)
    found = study(groups[:, None, :], quantity="other", unit="mm")
    assert found.table[0].f == pytest.approx(certified, rel=tolerance)
    assert found.reproducibility is None
    assert found.people == 1
    assert not found.pooled


@pytest.mark.slow
def test_components_are_those_put_in() -> None:
    """Over 300 seeded studies the mean components are those simulated, an interaction among them, within 8 %."""
    rng = np.random.default_rng(9)
    sums = np.zeros(3)
    for _ in range(300):
        parts, people = rng.normal(0, 1.0, (10, 1, 1)), rng.normal(0, 0.4, (1, 3, 1))
        cross, touch = rng.normal(0, 0.5, (10, 3, 1)), rng.normal(0, 0.2, (10, 3, 3))
        found = study(1000 + parts + people + cross + touch, quantity="other", unit="mm")
        assert not found.pooled
        sums += [found.repeatability**2, (found.reproducibility or 0.0) ** 2, found.piece**2]
    assert sums / 300 == pytest.approx([0.04, 0.16 + 0.25, 1.0], rel=0.08)


def write(path: Path, rows: list[str]) -> Path:
    path.write_text("\n".join(["quantity,piece,operator,repeat,reading_mm", *rows]) + "\n", encoding="utf-8")
    return path


def test_studies_that_cannot_be(tmp_path: Path) -> None:
    """Doubled rows, a study of one reading each, no reading, no file, a tip that cannot be."""
    whole = [f"stop,{p},{o},{r},{p + 0.1 * r}" for p in (1, 2, 3) for o in ("A", "B") for r in (1, 2)]
    with pytest.raises(mk.DataError, match="row 2 has it already"):
        mk.gauge_study(write(tmp_path / "b.csv", [*whole, whole[0]]))
    with pytest.raises(mk.DataError, match="each read twice or more"):
        mk.gauge_study(write(tmp_path / "c.csv", [row for row in whole if row.split(",")[3] == "1"]))
    with pytest.raises(mk.DataError, match="no reading"):
        mk.gauge_study(write(tmp_path / "d.csv", []))
    with pytest.raises(mk.SourceError, match="expected a csv file"):
        mk.gauge_study(tmp_path / "none.csv")
    with pytest.raises(mk.DataError, match=r"a tip opening from 0\.5 to 4 mm"):
        mk.gauge_study(
            write(tmp_path / "e.csv", [row.replace("stop", "tip_opening") for row in whole[:1]] + ["tip_opening,1,A,9,-22"])
        )
    with pytest.raises(mk.RequestError, match="above 0"):
        mk.gauge_study(tolerance={"stop": 0.0})


def test_the_study_feeds_the_bench(house: mk.House) -> None:
    """Touch and people of the demo study replace the stated uncertainties: people enter every stop, repeats do not lessen them."""
    studies = mk.gauge_study()
    before, after = house.facing("TM-02"), house.facing("TM-02", studies=studies)
    assert after.budget["u_stop_mm"] == pytest.approx(studies[0].repeatability)
    one_person = replace(studies[0], reproducibility=None)
    stated = Gauge(u_operator_mm=0.1, stop_step_mm=0.05)
    kept = gauge_from(stated, [one_person])
    assert kept.u_operator_mm == 0.1
    assert kept.u_stop_mm == pytest.approx(np.sqrt(studies[0].repeatability ** 2 - 0.05**2 / 12))
    assert after.budget["u_operator_mm"] == pytest.approx(studies[0].reproducibility or 0)
    assert after.budget["u_tip_mm"] == pytest.approx(studies[1].gauge)
    assert after.stations[0].u_left_mm is not None
    assert before.stations[0].u_left_mm is not None
    assert after.u_tip_opening_mm < before.u_tip_opening_mm
    judged = house.batch(studies=studies, pair=False)
    assert judged.counts["fail"] >= 6
    assert len(studies[0].to_frame()) == 4


def test_repeats_that_are_all_alike_have_no_ratio(tmp_path: Path) -> None:
    """Every repeat the same: F over nothing is left out, in JSON and csv too."""
    path = tmp_path / "alike.csv"
    rows = [f"stop,{piece},{who},{k},{20 + piece}" for piece in (1, 2, 3) for who in "AB" for k in (1, 2)]
    path.write_text("quantity,piece,operator,repeat,reading_mm\n" + "\n".join(rows) + "\n")
    for style in ("json", "csv", "table"):
        result = CliRunner().invoke(main, ["gauge", str(path), "--format", style])
        assert result.exit_code == 0, result.output
        assert "inf" not in result.stdout.lower().replace("information", "")


def test_a_ratio_over_nothing() -> None:
    """F is 0 where neither has any, infinite where only the lower has none (so it is left empty), and the ratio otherwise."""
    assert (_ratio(0.0, 0.0), _ratio(1.0, 0.0), _ratio(3.0, 2.0)) == (0.0, float("inf"), 1.5)
    assert _finite(_ratio(1.0, 0.0)) is None


def _rows(study_of: Array) -> list[StudyReading]:
    parts, people, repeats = study_of.shape
    return [
        StudyReading(quantity="stop", piece=str(p), operator=f"B{o}", repeat=r + 1, reading_mm=10 + float(study_of[p, o, r]))
        for p in range(parts)
        for o in range(people)
        for r in range(repeats)
    ]


def test_an_even_study_by_the_mixed_model_is_the_analysis_of_variance() -> None:
    """REML equals the analysis of variance on balanced data whose components are above 0 (Searle 1992, from memory); statsmodels on the one side."""
    even = study(TEN, quantity="stop", unit="mm")
    mixed = uneven_study(_rows(TEN), source="study.csv", unit="mm")
    assert mixed.method == "restricted maximum likelihood"
    assert mixed.pooled == even.pooled
    for name in ("repeatability", "reproducibility", "piece", "gauge"):
        assert getattr(mixed, name) == pytest.approx(getattr(even, name), rel=5e-3)
    for name in ("touch", "piece"):
        assert (mixed.ranges[name].low, mixed.ranges[name].high) == pytest.approx(
            (even.ranges[name].low, even.ranges[name].high), rel=0.08
        )


def test_a_missing_cell_costs_little(tmp_path: Path) -> None:
    """Three readings gone from the manual's study: nothing is refused, and the components stay within 15 % of the whole study's."""
    rows = _rows(TEN)
    lines = [f"stop,{r.piece},{r.operator},{r.repeat},{r.reading_mm}" for r in rows]
    (whole,) = mk.gauge_study(write(tmp_path / "whole.csv", lines))
    (found,) = mk.gauge_study(write(tmp_path / "less.csv", lines[:3] + lines[4:40] + lines[41:70] + lines[71:]))
    assert whole.method == "analysis of variance"
    assert found.method == "restricted maximum likelihood"
    for name in ("repeatability", "reproducibility", "piece"):
        assert getattr(found, name) == pytest.approx(getattr(whole, name), rel=0.15)
    one = [line for line in lines if ",B0," in line][:-1]
    (alone,) = mk.gauge_study(write(tmp_path / "one.csv", one))
    assert alone.reproducibility is None


def test_the_touch_has_the_chi_squared_interval() -> None:
    """Without pooling, s sqrt(v / chi2) exactly, as every text has it, within the draws'."""
    rng = np.random.default_rng(21)
    readings = rng.normal(0, 1, (10, 1, 1)) + rng.normal(0, 0.8, (10, 3, 1)) + rng.normal(0, 0.2, (10, 3, 3))
    found = study(readings, quantity="other", unit="mm")
    v = found.repeatability_degrees
    ends = [found.repeatability * (v / chi2.ppf(share, v)) ** 0.5 for share in (0.975, 0.025)]
    assert (found.ranges["touch"].low, found.ranges["touch"].high) == pytest.approx(ends, rel=5e-3)


@pytest.mark.parametrize("uneven", [False, True])
def test_intervals_of_components_hold_what_they_say(*, uneven: bool) -> None:
    """Of seeded studies (ten pieces, three people, three repeats; 400 even ones, 100 with cells gone) 95 % intervals hold the truth in 92 % or more, of the uneven ones in 90 % or more.

    People are three, so theirs are wide; those that are alike have a range too, from 0.
    """
    rng = np.random.default_rng(22)
    truth = {"touch": 0.05, "people": 0.04, "piece": 0.3}
    count = 100 if uneven else 400
    held = dict.fromkeys(truth, 0)
    for _ in range(count):
        readings = (
            rng.normal(0, truth["piece"], (10, 1, 1))
            + rng.normal(0, truth["people"], (1, 3, 1))
            + rng.normal(0, truth["touch"], (10, 3, 3))
        )
        if uneven:
            rows = [row for row in _rows(readings) if rng.random() > 0.1]
            ranges = uneven_study(rows, source="study.csv", unit="mm").ranges
        else:
            ranges = study(readings, quantity="other", unit="mm").ranges
        for name, value in truth.items():
            held[name] += ranges[name].low <= value <= ranges[name].high
    least = 0.9 if uneven else 0.92
    assert all(hits >= least * count for hits in held.values()), held


def test_equal_slips_are_told_once(tmp_path: Path) -> None:
    """Ninety readings with the same slip are one line, with the first row and how many there are."""
    lines = [f"stop,{p},A,{r},wide" for p in range(30) for r in (1, 2, 3)]
    with pytest.raises(mk.DataError) as caught:
        mk.gauge_study(write(tmp_path / "a.csv", lines))
    text = str(caught.value).splitlines()
    assert len(text) == 2
    assert "so in 90 rows" in text[1]


@pytest.mark.parametrize("touch", [0.001, 0.003, 0.01, 0.1])
def test_the_mixed_model_finds_its_optimum(touch: float) -> None:
    """Balanced studies whose touch is up to a thousandth of the pieces: REML is the analysis of variance within 1 % (Searle 1992, from memory)."""
    rng = np.random.default_rng(31)
    for _ in range(4):
        readings = rng.normal(0, 1, (8, 1, 1)) + rng.normal(0, 0.3, (1, 3, 1)) + rng.normal(0, touch, (8, 3, 2))
        even = study(readings, quantity="stop", unit="mm")
        mixed = uneven_study(_rows(readings), source="study.csv", unit="mm")
        if even.pooled == mixed.pooled:
            assert mixed.piece == pytest.approx(even.piece, rel=0.01)
            assert mixed.repeatability == pytest.approx(even.repeatability, rel=0.01)


def test_the_mixed_model_of_a_kept_library() -> None:
    """Uneven data: the variances of statsmodels' MixedLM at its optimum have no higher restricted likelihood than ours gives, and lie within 2 %."""
    rng = np.random.default_rng(32)
    readings = rng.normal(0, 0.3, (10, 1, 1)) + rng.normal(0, 0.1, (1, 3, 1)) + rng.normal(0, 0.05, (10, 3, 3))
    rows = [row for row in _rows(readings) if rng.random() > 0.1]
    y = np.array([row.reading_mm for row in rows])
    names = {name: [getattr(row, name) for row in rows] for name in ("piece", "operator")}
    designs = [
        np.array([[float(item == level) for level in dict.fromkeys(items)] for item in items]) for items in names.values()
    ]
    spec = VCSpec(list(names), [[[str(k) for k in range(d.shape[1])]] for d in designs], [[d] for d in designs])
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # it warns of variances below 0.01, whatever their unit
        theirs = MixedLM(y - y.mean(), np.ones((len(y), 1)), groups=np.zeros(len(y)), exog_vc=spec).fit(reml=True)
    ours = uneven_study(rows, source="study.csv", unit="mm")
    assert ours.pooled
    assert ours.piece == pytest.approx(theirs.vcomp[0] ** 0.5, rel=0.02)
    assert ours.reproducibility == pytest.approx(theirs.vcomp[1] ** 0.5, rel=0.02)
    assert ours.repeatability == pytest.approx(theirs.scale**0.5, rel=0.02)


def test_readings_that_repeat_exactly(tmp_path: Path) -> None:
    """Everybody repeats exactly: of an even study with people apart the gauge has a verdict by the people; an uneven one has no touch and no ranges."""
    lines = [f"stop,{p},{o},{r},{10 + p + (0.3 if o == 'B' else 0)}" for p in range(4) for o in "AB" for r in (1, 2)]
    (even,) = mk.gauge_study(write(tmp_path / "even.csv", lines), tolerance=1.0)
    assert even.verdict == "too coarse"
    (uneven,) = mk.gauge_study(write(tmp_path / "uneven.csv", lines[1:]), tolerance=1.0)
    assert (uneven.repeatability, uneven.ranges) == (0.0, {})
    assert uneven.piece == pytest.approx(even.piece, rel=0.02)


def test_a_reading_that_slipped_is_asked_about() -> None:
    """5 mm off in one of ninety readings is named; none is in the manual's study, in 200 of touch and people alone, and where one person reads 5 mm more than the others."""
    assert odd_readings(_rows(TEN)) == ()
    rng = np.random.default_rng(78)
    for _ in range(200):
        read = 20 + rng.normal(0, 1, (10, 1, 1)) + rng.normal(0, 0.1, (1, 3, 1)) + rng.normal(0, 0.05, (10, 3, 3))
        assert odd_readings(_rows(read)) == ()
    read[4, 1, 2] += 5.0
    (found,) = odd_readings(_rows(read))
    assert found.reading == pytest.approx(10 + read[4, 1, 2])
    assert found.others == pytest.approx(10 + np.median(np.delete(read[4].ravel(), 5)))
    assert odd_readings(_rows(20 + 5.0 * np.array([0, 0, 1])[None, :, None] + rng.normal(0, 0.05, (10, 3, 3)))) == ()


def test_a_study_with_a_slip_offers_nothing_to_paste(tmp_path: Path) -> None:
    """The reading stands first, with who read what of which piece; lines for house.toml come when it is settled."""
    rows = shipped("data/demo-bench/study.csv").read_text(encoding="utf-8").splitlines()
    path = tmp_path / "study.csv"
    path.write_text("\n".join("stop,2,B1,2,27" if row.startswith("stop,2,B1,2,") else row for row in rows), encoding="utf-8")
    told = CliRunner().invoke(main, ["gauge", str(path)]).output
    assert "piece 2 by B1, repeat 2" in told
    assert "Nothing for house.toml until that is settled." in told
    assert "u_tip_mm = " in told
    assert "u_stop_mm = " not in told


def test_people_who_read_alike_have_a_range_too() -> None:
    """Studies with cells gone, three people who do not differ at all: the range of what they differ by begins at 0 in nine of ten or more, and its end is near that of the even study."""
    rng = np.random.default_rng(26)
    none, ends, nothing = 0, [], 0
    for _ in range(60):
        readings = rng.normal(0, 0.1, (10, 1, 1)) + rng.normal(0, 0.05, (10, 3, 3)) + 20
        rows = [row for row in _rows(readings) if rng.random() > 0.15]
        whole = uneven_study(rows, source="study.csv", unit="mm")
        found = whole.ranges["people"]
        nothing += whole.reproducibility == 0
        assert (whole.pieces, whole.people, whole.repeats) == (10, 3, 3)
        assert whole.ranges["gauge"].low < whole.gauge < whole.ranges["gauge"].high
        assert found.high > 0.015
        none += found.low == 0.0
        ends.append(found.high / study(readings, quantity="other", unit="mm").ranges["people"].high)
    assert none >= 54
    assert nothing >= 15
    assert float(np.median(ends)) == pytest.approx(1.0, abs=0.15)


def test_half_a_study_in_inches_is_asked_about(tmp_path: Path) -> None:
    """One person wrote inches: the rows are named once, with the factor; a study of small heights, alike in size, is not."""
    rows = _rows(TEN + 20)
    lines = [
        f"stop,{r.piece},{r.operator},{r.repeat},{r.reading_mm / (25.4 if r.operator == rows[-1].operator else 1):.4f}"
        for r in rows
    ]
    with pytest.raises(mk.DataError, match=r"in inches\? multiply them by 25.4") as told:
        mk.gauge_study(write(tmp_path / "inches.csv", lines))
    (problem,) = told.value.problems
    assert "and 29 more" in problem.read
    small = [line.replace("stop,", "other,") for line in lines]
    with pytest.raises(mk.DataError, match="inches"):
        mk.gauge_study(write(tmp_path / "other.csv", small))
    level = [f"other,{r.piece},{r.operator},{r.repeat},{r.reading_mm:.4f}" for r in _rows(TEN)]
    assert mk.gauge_study(write(tmp_path / "level.csv", level))


def test_a_step_that_explains_the_scatter_is_what_is_pasted(tmp_path: Path) -> None:
    """Stops read to 0.5 mm: house.toml gets the step, and no touch that is finer than it; the same readings to 0.01 mm give the touch."""
    rng = np.random.default_rng(27)
    readings = rng.normal(20, 0.3, (10, 1, 1)) + rng.normal(0, 0.05, (10, 3, 3))
    for step, wanted, other in ((0.5, "stop_step_mm = 0.5", "u_stop_mm ="), (0.01, "u_stop_mm = 0.0", "stop_step_mm =")):
        lines = [f"stop,{r.piece},{r.operator},{r.repeat},{round(r.reading_mm / step) * step:.2f}" for r in _rows(readings)]
        told = lay_out(gauge_screen(mk.gauge_study(write(tmp_path / f"{step}.csv", lines))))
        assert wanted in told
        assert other not in told


def test_the_covariance_of_a_study_is_that_of_its_parts() -> None:
    """Two readings of one piece share the piece, readings of one person the person, each its own touch (analytic); the P of REML takes off the mean and is its own under it."""
    parts = {"piece": np.array([0, 0, 1, 1]), "person": np.array([0, 1, 0, 1])}
    variances = {"piece": 4.0, "person": 1.0, "touch": 0.25}
    found = _covariance(parts, variances, 4)
    assert found == pytest.approx(np.array([[5.25, 4, 1, 0], [4, 5.25, 0, 1], [1, 0, 5.25, 4], [0, 1, 4, 5.25]]))
    project = _whitened(np.zeros(4), parts, variances)
    assert project @ np.ones(4) == pytest.approx(np.zeros(4))
    assert project @ found @ project == pytest.approx(project)


def test_a_cross_that_is_not_there_is_kept_as_often_as_its_level_says() -> None:
    """Uneven studies in which no person reads one piece otherwise than the next, seeded: kept in about a quarter (the level), since a variance lies at its edge."""
    rng = np.random.default_rng(30)
    kept = 0
    for _ in range(80):
        readings = rng.normal(0, 0.1, (8, 1, 1)) + rng.normal(0, 0.03, (1, 3, 1)) + rng.normal(0, 0.05, (8, 3, 3)) + 20
        rows = [row for row in _rows(readings) if rng.random() > 0.1]
        kept += not uneven_study(rows, source="study.csv", unit="mm").pooled
    assert 0.13 * 80 <= kept <= 0.38 * 80


def test_a_study_in_inches_is_that_in_millimetres(tmp_path: Path) -> None:
    """The same readings under reading_in (an inch is 25.4 mm): the same touch to what four places of an inch leave."""
    lines = [(r.piece, r.operator, r.repeat, r.reading_mm) for r in _rows(TEN)]
    metric = write(tmp_path / "mm.csv", [f"other,{p},{o},{k},{x:.4f}" for p, o, k, x in lines])
    inch = tmp_path / "in.csv"
    head = metric.read_text().splitlines()[0].replace("reading_mm", "reading_in")
    inch.write_text("\n".join([head, *(f"other,{p},{o},{k},{x / 25.4:.6f}" for p, o, k, x in lines)]) + "\n")
    (found,), (wanted,) = mk.gauge_study(inch), mk.gauge_study(metric)
    assert found.repeatability == pytest.approx(wanted.repeatability, rel=1e-3)


def test_ends_of_a_variance_of_balanced_levels_are_those_of_chi_squared() -> None:
    """Levels read equally often: their sum of squares over what it is expected to be is chi-squared (the textbook's one-way layout), the touch being known."""
    rng = np.random.default_rng(4)
    levels, times, touch = 8, 5, 0.04
    code = np.repeat(np.arange(levels), times)
    y = rng.normal(0, 0.5, levels)[code] + rng.normal(0, math.sqrt(touch), len(code))
    means = y.reshape(levels, times).mean(axis=1)
    between = times * float(((means - means.mean()) ** 2).sum())
    guess = max((between / (levels - 1) - touch) / times, 0.0)
    low, high = _by_levels(y, {"part": code}, {"part": guess, "touch": touch}, "part")
    for found, share in ((low, 0.975), (high, 0.025)):
        assert found == pytest.approx((between / chi2.ppf(share, levels - 1) - touch) / times, rel=0.03)
