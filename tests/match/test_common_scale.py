"""Players' own lines of marks: against analysis of variance, published shrinkage, simulation; and nothing learned from what is held out."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.typing import NDArray

import matchkit as mk
from matchkit.match import folds
from matchkit.match.common_scale import LEAST_TESTS, WIDEST, OwnLine, common_marks, missed_on, own_lines
from matchkit.match.folds import FoldTable
from matchkit.match.rated import DEFAULT_SETTINGS, RatedTests
from matchkit.match.validate import folds_of

Array = NDArray[np.float64]


@pytest.fixture(scope="module")
def tests() -> RatedTests:
    return mk.open().workshop.rated_tests


def panel(
    players: int, each: int, seed: int, *, offset: float = 0.0, spread: float = 0.0
) -> tuple[list[str], Array, Array, Array, Array]:
    """Give names and marks (n,) of players who differ so much, what is to be expected of each test, and the true offsets and spreads."""
    rng = np.random.default_rng(seed)
    place = np.repeat(np.arange(players), each)
    expected = rng.uniform(4, 8, len(place))
    offsets, spreads = rng.normal(0, offset, players), np.exp(rng.normal(0, spread, players))
    marks = 6 + offsets[place] + spreads[place] * (expected - 6 + rng.normal(0, 1.2, len(place)))
    return [f"P{k:02d}" for k in place], marks, expected, offsets, spreads


def test_offsets_are_the_predicted_effects_of_a_mixed_model() -> None:
    """In a balanced panel the method of moments is REML, so shrunk offsets are statsmodels' predicted random intercepts (BLUP)."""
    from statsmodels.regression.mixed_linear_model import MixedLM

    names, marks, expected, _, _ = panel(12, 15, 3, offset=0.8)
    missed = marks - expected
    found = MixedLM(missed, np.ones(len(missed)), groups=np.array(names)).fit(reml=True)
    lines = own_lines(names, marks, expected + missed.mean())
    assert len(lines) == 12
    for name, line in lines.items():
        assert line.offset == pytest.approx(float(found.random_effects[name].iloc[0]), abs=2e-3)


def test_shrinkage_of_published_averages() -> None:
    """Eighteen batting averages of 45 at-bats (Efron and Morris 1975, from memory): S = sum (x - mean)^2 = 18.96 at unit variance.

    The published factor is 1 - (k - 3)/S = 0.209; that of the moments, which is used here, is 1 - (k - 1)/S.
    """
    hits = np.array([18, 17, 16, 15, 14, 14, 13, 12, 11, 11, 10, 10, 10, 10, 10, 9, 8, 7])
    x = np.sqrt(45) * np.arcsin(2 * hits / 45 - 1)
    total = float(((x - x.mean()) ** 2).sum())
    assert 1 - 15 / total == pytest.approx(0.209, abs=0.002)
    # players with these means and marks whose pooled variance is 45, so that each mean has variance 1
    noise = np.random.default_rng(1).normal(0, 1, (18, 45))
    noise -= noise.mean(axis=1, keepdims=True)
    noise *= np.sqrt(45 * 44 * 18 / (noise**2).sum())
    marks = (x - x.mean())[:, None] + noise
    lines = own_lines(np.repeat([f"P{k:02d}" for k in range(18)], 45).tolist(), marks.ravel(), np.zeros(18 * 45))
    offsets = np.array([lines[f"P{k:02d}"].offset for k in range(18)])
    assert offsets == pytest.approx((1 - 17 / total) * (x - x.mean()), abs=1e-9)


def test_the_logarithm_of_a_deviation_scatters_as_stated() -> None:
    """Variance of ln s: (kurtosis - 1) / 4(n - 1), 1/2(n - 1) for normal marks, for which kurtosis is 3 and for even ones 1.8 (moments)."""
    rng = np.random.default_rng(2)
    for draw, kurtosis in ((rng.normal(0, 1, (20_000, 60)), 3.0), (rng.uniform(-1, 1, (20_000, 60)), 1.8)):
        seen = float(np.log(draw.std(axis=1, ddof=1)).var())
        assert seen == pytest.approx((kurtosis - 1) / (4 * 59), rel=0.06)


def test_players_who_do_not_differ_keep_their_marks() -> None:
    """On 200 panels where nobody differs, offsets and spreads are far smaller than chance would make them unshrunk; on most they are none."""
    chance = 1.2 / np.sqrt(20)
    sizes, spreads, none = [], [], 0
    for seed in range(200):
        names, marks, expected, _, _ = panel(12, 20, seed)
        lines = own_lines(names, marks, expected)
        sizes.append(np.mean([line.offset**2 for line in lines.values()]))
        spreads.append(np.mean([np.log(line.spread) ** 2 for line in lines.values()]))
        none += all(abs(line.offset) < 1e-12 for line in lines.values())
    assert np.sqrt(np.mean(sizes)) < 0.5 * chance
    assert np.sqrt(np.mean(spreads)) < 0.5 / np.sqrt(2 * 19)
    assert none > 80


def test_planted_lines_are_found() -> None:
    """On players who differ, shrunk lines are nearer the truth than marks as given, and than lines that are not shrunk (mean square)."""
    off = {"given": 0.0, "shrunk": 0.0, "raw": 0.0}
    width = {"given": 0.0, "shrunk": 0.0}
    for seed in range(60):
        names, marks, expected, offsets, spreads = panel(16, 12, seed, offset=0.6, spread=0.25)
        lines = own_lines(names, marks, expected)
        shrunk = np.array([line.offset for line in lines.values()])
        raw = np.array([(marks - expected)[np.array(names) == name].mean() for name in lines])
        off["given"] += float((offsets**2).mean())
        off["shrunk"] += float(((shrunk - offsets) ** 2).mean())
        off["raw"] += float(((raw - offsets) ** 2).mean())
        width["given"] += float((np.log(spreads) ** 2).mean())
        width["shrunk"] += float(((np.log([line.spread for line in lines.values()]) - np.log(spreads)) ** 2).mean())
    assert off["shrunk"] < off["raw"] < off["given"]
    assert width["shrunk"] < 0.75 * width["given"]


def test_few_playtests_or_players_make_no_line() -> None:
    """Fewer than eight playtests, or nobody to differ from: marks as given."""
    names, marks, expected, _, _ = panel(4, LEAST_TESTS, 5, offset=2.0)
    assert set(own_lines(names, marks, expected)) == {"P00", "P01", "P02", "P03"}
    short = [k for k in range(len(names)) if not (names[k] == "P02" and k % LEAST_TESTS == 0)]
    assert "P02" not in own_lines([names[k] for k in short], marks[short], expected[short])
    alone = [k for k, name in enumerate(names) if name == "P00"]
    assert own_lines([names[k] for k in alone], marks[alone], expected[alone]) == {}
    assert common_marks(names, marks, {}) == pytest.approx(marks)


def test_one_mark_again_and_again_is_no_line_of_no_width() -> None:
    """Players who give one mark to everything: bounded spreads, and marks that come back."""
    names = ["a"] * 10 + ["b"] * 10 + ["c"] * 10
    marks = np.concatenate([np.full(10, 7.0), np.linspace(0, 10, 10), np.full(10, 3.0)])
    for expected in (np.full(30, 6.0), np.linspace(3, 9, 30)):
        lines = own_lines(names, marks, expected)
        assert all(1 / WIDEST <= line.spread <= WIDEST for line in lines.values())
        back = [float(lines[name].own(mark)) for name, mark in zip(names, common_marks(names, marks, lines), strict=True)]
        assert back == pytest.approx(marks, abs=1e-9)
    assert all(line.spread == pytest.approx(1.0) for line in own_lines(names, np.full(30, 5.0), np.full(30, 5.0)).values())


@given(st.floats(-5, 5), st.floats(0.5, 2), st.floats(0, 10), st.lists(st.floats(-20, 20), min_size=1, max_size=20))
def test_a_line_keeps_the_order_and_comes_back(offset: float, spread: float, middle: float, marks: list[float]) -> None:
    """To the common scale and back is nothing; more stays more."""
    line, given_ = OwnLine(offset, spread, middle, 9), np.array(marks)
    assert line.own(line.common(given_)) == pytest.approx(given_, abs=1e-9)
    assert np.all(np.diff(line.own(np.sort(given_))) >= 0)
    assert float(line.own(middle)) == pytest.approx(middle + offset, abs=1e-9)


def test_a_held_out_mark_moves_nothing_that_is_said_of_it(tests: RatedTests) -> None:
    """Lines are fitted inside the training part: another mark on a held-out row leaves its own prediction as it was, to the last digit."""
    for split in ("new player", "new mouthpiece"):
        train, test = folds_of(tests, split)[0]
        table = FoldTable(tests, ())
        marks = tests.rating.copy()
        marks[test] = 10 - marks[test]
        other = FoldTable(replace(tests, rating=marks), ())
        one, two = (t.predict(t.questions([(train, test)]), DEFAULT_SETTINGS) for t in (table, other))
        assert np.array_equal(one.blended[test], two.blended[test])
        assert np.array_equal(one.computed[test], two.computed[test])


def test_a_player_held_out_has_no_line(tests: RatedTests) -> None:
    """New players are predicted as the common scale has it; known ones on a line of their own."""
    table = FoldTable(tests, ())
    new, known = (
        table.predict(table.questions(folds_of(tests, split)), DEFAULT_SETTINGS) for split in ("new player", "new mouthpiece")
    )
    assert np.all(new.spread == 1.0)
    assert np.ptp(known.spread) > 0.1


def test_an_order_is_that_of_one_line_a_player(tests: RatedTests) -> None:
    """In lists a player has one line in all folds; for marks each fold has its own."""
    table = FoldTable(tests, ())
    split = folds_of(tests, "new mouthpiece")
    for lists in (False, True):
        found = table.predict(table.questions(split, lists=lists), DEFAULT_SETTINGS)
        mine = np.array(tests.players) == "P03"
        assert (len(set(found.spread[mine])) == 1) == lists


def test_marks_used_differently_are_predicted_better_on_the_common_scale(
    tests: RatedTests, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The demo house's players made to mark differently (invented): the error out of fold is lower with lines than without."""
    rng = np.random.default_rng(1)
    names = sorted(set(tests.players))
    spread = dict(zip(names, np.exp(rng.normal(0, 0.3, len(names))), strict=True))
    offset = dict(zip(names, rng.normal(0, 0.7, len(names)), strict=True))
    marks = np.array(
        [6 + offset[name] + spread[name] * (mark - 6) for name, mark in zip(tests.players, tests.rating, strict=True)]
    )
    table = FoldTable(replace(tests, rating=np.clip(marks, 0, 10)), ())

    def error(split: str) -> float:
        return float(
            np.abs(table.tests.rating - table.predict(table.questions(folds_of(tests, split)), DEFAULT_SETTINGS).blended).mean()
        )

    with_lines = {split: error(split) for split in ("new player", "new mouthpiece")}

    monkeypatch.setattr(folds, "own_lines", lambda *_: {})
    assert with_lines["new mouthpiece"] < error("new mouthpiece") - 0.01
    assert with_lines["new player"] < error("new player")


def test_no_playtest_says_more_than_the_whole_line() -> None:
    """However differently two players mark, what one missed is at most ten points to the other: a correction stays below 10 w/(w + kappa)."""
    assert missed_on(2.0, np.array([-9.0, 3.0, 9.0])).tolist() == [-10.0, 6.0, 10.0]
    assert missed_on(np.array([[0.5], [1.0]]), np.array([[-4.0], [30.0]])).tolist() == [[-2.0], [10.0]]


def test_an_answer_stands_on_the_player_s_own_line() -> None:
    """The model on a player's line says what the common one says, put on that line; intervals widen with it; order does not change."""
    house = mk.open()
    blend = house.workshop.blend
    own, mine = blend.own_line("P02"), blend.on_line_of("P02")
    assert own.tests > LEAST_TESTS
    assert own.spread != 1.0
    d = np.array([0.0, 0.4, 1.0])
    assert mine.computed(d) == pytest.approx(own.own(blend.computed(d)), abs=1e-12)
    wide, narrow = mine.interval("P02"), blend.interval("P02")
    assert wide is not None
    assert narrow is not None
    assert float(wide.half_width(3.0)) == pytest.approx(own.spread * float(narrow.half_width(3.0)))
    assert blend.on_line_of("nobody").intercept == blend.intercept
    ranking = house.rank("P02", top=8)
    first = ranking.rows[0]
    assert ranking.own_line == own
    told = sum(reason.residual * reason.weight for reason in first.neighbours) / (first.evidence + blend.settings.kappa)
    assert told == pytest.approx(first.correction, abs=1e-9)
    assert first.score == pytest.approx(10 * (first.computed + first.correction), abs=1e-6)
    common = house.workshop.blend.by_instrument["alto"]
    row = common.tests.ids.index(first.neighbours[0].playtest)
    assert first.neighbours[0].residual == pytest.approx(own.spread * common.residual[row])
