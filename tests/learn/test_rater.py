"""Players' own lines of marks: against analysis of variance, published shrinkage, simulation; and nothing learned from what is held out."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.typing import NDArray

import matchkit as mk
from matchkit.learn.blend import fit_blend, interval_from
from matchkit.learn.marks import DEFAULT_SETTINGS, RatedTests, fit_line
from matchkit.learn.rater import (
    LEAST_FREE,
    LEAST_TESTS,
    WIDEST,
    CommonScale,
    RaterCalibration,
    calibrate_raters,
    common_marks,
    line_of,
    raters,
    rescale_residuals,
)
from matchkit.learn.trial import folds
from matchkit.learn.trial.choosing import folds_of
from matchkit.learn.trial.evaluation import MOST_FOLDS, evaluate_tests, ranking_quality
from matchkit.learn.trial.folds import FoldTable

Array = NDArray[np.float64]


@pytest.fixture(scope="module")
def tests() -> RatedTests:
    return mk.open().learner.rated_tests


@pytest.fixture(scope="module")
def differing(tests: RatedTests) -> RatedTests:
    """The demo house's tests with players made to mark differently (invented): offsets of 0.7 points, spreads of 0.3 in the logarithm."""
    rng = np.random.default_rng(1)
    names = sorted(set(tests.players))
    spread = dict(zip(names, np.exp(rng.normal(0, 0.3, len(names))), strict=True))
    offset = dict(zip(names, rng.normal(0, 0.7, len(names)), strict=True))
    marks = [6 + offset[name] + spread[name] * (mark - 6) for name, mark in zip(tests.players, tests.rating, strict=True)]
    return replace(tests, rating=np.clip(np.array(marks), 0, 10))


def rated(
    players: list[str],
    marks: Array,
    *,
    overall_d: Array | None = None,
    pieces: list[str] | None = None,
    instruments: list[str] | None = None,
) -> RatedTests:
    """Rated tests with these marks, each on a mouthpiece of its own unless ``pieces`` says otherwise."""
    count = len(players)
    return RatedTests(
        ids=tuple(f"t{k:04d}" for k in range(count)),
        players=tuple(players),
        mouthpieces=tuple(pieces or [f"m{k}" for k in range(count)]),
        reeds=tuple(f"r{k}" for k in range(count)),
        sessions=(None,) * count,
        instruments=tuple(instruments or ["alto"] * count),
        ligatures=(None,) * count,
        rating=np.asarray(marks, dtype=float),
        overall_d=np.zeros(count) if overall_d is None else overall_d,
        features=np.zeros((count, 1)),
        weight=np.ones(count),
    )


def panel(
    players: int, each: int, seed: int, *, offset: float = 0.0, spread: float = 0.0
) -> tuple[list[str], Array, Array, Array, Array]:
    """Return names and marks (n,) of players who differ so much, what is to be expected of each test, and the true offsets and spreads."""
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
    lines = raters(rated(names, marks), expected)
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
    lines = raters(rated(np.repeat([f"P{k:02d}" for k in range(18)], 45).tolist(), marks.ravel()), np.zeros(18 * 45))
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
        lines = raters(rated(names, marks), expected)
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
        lines = raters(rated(names, marks), expected)
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
    assert set(raters(rated(names, marks), expected)) == {"P00", "P01", "P02", "P03"}
    short = [k for k in range(len(names)) if not (names[k] == "P02" and k % LEAST_TESTS == 0)]
    assert "P02" not in raters(rated([names[k] for k in short], marks[short]), expected[short])
    few = [k for k, name in enumerate(names) if name in ("P00", "P01", "P03")]  # LEAST_FREE asks for one more
    lines = raters(rated([names[k] for k in few], marks[few]), expected[few])
    assert LEAST_FREE == 3
    assert all(line.offset == 0 and line.spread == 1 for line in lines.values())
    assert common_marks(names, marks, {}) == pytest.approx(marks)


def test_one_mark_again_and_again_is_no_line_of_no_width() -> None:
    """Players who give one mark to everything: bounded spreads, and marks that come back."""
    names = [name for name in "abcd" for _ in range(10)]
    marks = np.concatenate([np.full(10, 7.0), np.linspace(0, 10, 10), np.full(10, 3.0), np.linspace(0, 10, 10)])
    for expected in (np.full(40, 6.0), np.linspace(3, 9, 40)):
        lines = raters(rated(names, marks), expected)
        assert all(1 / WIDEST <= line.spread <= WIDEST for line in lines.values())
        assert lines["a"].spread < 0.9
        assert lines["b"].spread > 1.1
        back = [float(lines[name].own(mark)) for name, mark in zip(names, common_marks(names, marks, lines), strict=True)]
        assert back == pytest.approx(marks, abs=1e-9)
    assert all(line.spread == pytest.approx(1.0) for line in raters(rated(names, np.full(40, 5.0)), np.full(40, 5.0)).values())


@given(st.floats(-5, 5), st.floats(0.5, 2), st.floats(0, 10), st.lists(st.floats(-20, 20), min_size=1, max_size=20))
def test_a_line_keeps_the_order_and_comes_back(offset: float, spread: float, middle: float, marks: list[float]) -> None:
    """To the common scale and back is nothing; more stays more."""
    line, given_ = RaterCalibration(offset, spread, middle, 9), np.array(marks)
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


def test_a_player_held_out_has_no_line(differing: RatedTests) -> None:
    """New players are predicted as the common scale has it; known ones on a line of their own."""
    table = FoldTable(differing, ())
    new, known = (
        table.predict(table.questions(folds_of(differing, split)), DEFAULT_SETTINGS)
        for split in ("new player", "new mouthpiece")
    )
    assert np.all(new.spread == 1.0)
    assert np.ptp(known.spread) > 0.1


def test_an_order_is_that_of_one_line_a_player(differing: RatedTests) -> None:
    """In lists a player has one line in all folds; for marks each fold has its own."""
    table = FoldTable(differing, ())
    split = folds_of(differing, "new mouthpiece")
    for lists in (False, True):
        found = table.predict(table.questions(split, lists=lists), DEFAULT_SETTINGS)
        mine = np.array(differing.players) == "P03"
        assert (len(set(found.spread[mine])) == 1) == lists
        assert found.spread[mine][0] != 1


def test_marks_used_differently_are_predicted_better_on_the_common_scale(
    differing: RatedTests, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Where players mark differently the error out of fold is lower with own lines than without."""
    table = FoldTable(differing, ())

    def error(split: str) -> float:
        said = table.predict(table.questions(folds_of(differing, split)), DEFAULT_SETTINGS).blended
        return float(np.abs(differing.rating - said).mean())

    with_lines = {split: error(split) for split in ("new player", "new mouthpiece")}
    monkeypatch.setattr(
        folds, "calibrate_raters", lambda t, *, flat=False: CommonScale(line_of(t.overall_d, t.rating, flat=flat), {})
    )
    assert with_lines["new mouthpiece"] < error("new mouthpiece") - 0.005
    assert with_lines["new player"] < error("new player")


def test_no_playtest_says_more_than_the_whole_line() -> None:
    """However differently two players mark, what one missed is at most ten points to the other: a correction stays below 10 w/(w + kappa)."""
    assert rescale_residuals(2.0, np.array([-9.0, 3.0, 9.0])).tolist() == [-10.0, 6.0, 10.0]
    assert rescale_residuals(np.array([[0.5], [1.0]]), np.array([[-4.0], [30.0]])).tolist() == [[-2.0], [10.0]]


def test_an_answer_stands_on_the_player_s_own_line(differing: RatedTests) -> None:
    """The model on a player's line says what the common one says, put on that line; intervals widen with it; order does not change."""
    house = mk.open()
    blend = fit_blend(differing, house.parts.ligatures)
    house.learner.__dict__["blend"] = blend  # instead of the model that it would load
    own, mine = blend.rater("P02"), blend.on_line_of("P02")
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
    assert ranking.rater == own
    told = sum(reason.residual * reason.weight for reason in first.neighbours) / (first.evidence + blend.settings.kappa)
    assert told == pytest.approx(first.correction, abs=1e-9)
    assert first.score == pytest.approx(10 * (first.computed + first.correction), abs=1e-6)
    common = house.learner.blend.by_instrument["alto"]
    row = common.tests.ids.index(first.neighbours[0].playtest)
    assert first.neighbours[0].residual == pytest.approx(own.spread * common.residual[row])


def test_what_an_instrument_s_players_miss_alike_is_none_of_theirs() -> None:
    """Four instruments with levels of their own and players who do not differ: nobody gets an offset, nor does the only one of an instrument."""
    rng = np.random.default_rng(4)
    names, kinds, marks = [], [], []
    for kind, level, players in (("alto", 1.0, 5), ("tenor", -1.0, 5), ("clarinet", -1.5, 5), ("soprano", 2.0, 1)):
        for player in range(players):
            names += [f"{kind}{player}"] * 12
            kinds += [kind] * 12
            marks += list(6 + level + rng.normal(0, 1.0, 12))
    tests_ = rated(names, np.array(marks), instruments=kinds)
    lines = raters(tests_, np.full(len(marks), 6.0))
    assert lines["soprano0"].offset == 0
    assert lines["soprano0"].spread == 1
    assert max(abs(line.offset) for line in lines.values()) < 0.15
    level = np.array(marks)[:60].mean()
    assert lines["alto0"].middle == pytest.approx(level, abs=0.1)


def test_marks_on_one_mouthpiece_count_once() -> None:
    """Players who do not differ and mark two mouthpieces eight times each: sixteen marks are two, so chance is seen to be chance.

    Counted as sixteen, nearly every such panel would give somebody an offset (checked by marking sixteen mouthpieces alike).
    """

    def largest(seed: int, *, together: bool) -> float:
        rng = np.random.default_rng(seed)
        names, marks, pieces = [], [], []
        for player in range(12):
            for piece in range(2):
                liking = rng.normal(0, 1.2)
                names += [f"P{player:02d}"] * 8
                marks += list(6 + liking + rng.normal(0, 0.3, 8))
                pieces += [f"m{piece}" if together else f"m{piece}-{k}" for k in range(8)]
        lines = raters(rated(names, np.array(marks), pieces=pieces), np.full(len(marks), 6.0))
        return max(abs(line.offset) for line in lines.values())

    assert np.mean([largest(seed, together=True) > 0.5 for seed in range(100)]) < 0.4
    assert np.mean([largest(seed, together=False) > 0.5 for seed in range(100)]) > 0.9


def test_own_lines_stay_on_the_line_of_marks() -> None:
    """Whatever D, nobody is expected to mark below 0 or above 10: the line is moved or narrowed just so far."""
    line = (2.0, 7.0)
    for own in (
        RaterCalibration(2.5, 1.2, 6.0, 20),
        RaterCalibration(-4.0, 1.0, 5.0, 20),
        RaterCalibration(0.0, 2.0, 5.0, 20),
        RaterCalibration(0.3, 0.9, 5.0, 20),
    ):
        kept = own.within(line)
        ends = kept.own(np.array([2.0, 9.0]))
        assert ends.min() >= -1e-9
        assert ends.max() <= 10 + 1e-9
        inside = own.own(np.array([2.0, 9.0]))
        if inside.min() >= 0 and inside.max() <= 10:
            assert kept == own
        else:
            assert min(ends.min(), 10 - ends.max()) == pytest.approx(0, abs=1e-9)
    blend = mk.open().learner.blend
    for player in blend.players:
        ends = blend.on_line_of(player).computed(np.array([0.0, 1.0]))
        assert -1e-12 <= ends[0] <= ends[1] <= 10 + 1e-12


def test_the_line_is_fitted_to_the_common_marks() -> None:
    """One player marks two points above the rest and only good set-ups: on marks as given the line would be too steep for everybody."""
    rng = np.random.default_rng(6)
    names = [f"P{k}" for k in range(6) for _ in range(30)]
    d = np.concatenate([rng.uniform(0.0, 0.5, 150), rng.uniform(0.5, 1.0, 30)])
    marks = 3 + 4 * d + rng.normal(0, 0.5, 180) + np.repeat([0.6, -0.6, 0.3, -0.3, 0.0, 2.0], 30)
    scale = calibrate_raters(rated(names, marks, overall_d=d))
    assert scale.raters["P5"].offset > 0.1
    raw = fit_line(d, marks)[1]
    assert abs(scale.line[1] - 4) < abs(raw - 4)


def test_an_interval_is_as_wide_as_its_player_s_line(differing: RatedTests) -> None:
    """Fitted to residuals over the spread: marks of everybody pulled together to half leave q where it was; a wide player's interval is wider."""
    table = FoldTable(differing, ())
    found = table.predict(table.questions(folds_of(differing, "new mouthpiece")), DEFAULT_SETTINGS)
    interval = interval_from(table, differing.mouthpieces, DEFAULT_SETTINGS)
    assert interval is not None
    scaled = np.abs(differing.rating - found.blended) / found.spread / interval.half_width(found.evidence)
    assert np.mean(scaled <= 1) == pytest.approx(0.8, abs=0.005)
    blend = fit_blend(differing, ())
    wide = max(blend.raters, key=lambda name: blend.raters[name].spread)
    narrow = min(blend.raters, key=lambda name: blend.raters[name].spread)
    halves = [blend.on_line_of(name).interval(name) for name in (wide, narrow)]
    assert halves[0] is not None
    assert halves[1] is not None
    assert float(halves[0].half_width(1.0)) > 1.1 * float(halves[1].half_width(1.0))


def test_evaluated_intervals_follow_the_player_s_line(differing: RatedTests) -> None:
    """Out of fold the width of an interval is that of the player's line: within one player and evidence it goes with the spread."""
    evaluation = evaluate_tests(differing, (), nested=False, splits=("new mouthpiece",))
    score = evaluation.score("new mouthpiece", "blend")
    table = FoldTable(differing, ())
    widths = []
    for fold in folds_of(differing, "new mouthpiece", folds=MOST_FOLDS):
        train = differing.take(fold[0])
        interval = interval_from(FoldTable(train, ()), train.mouthpieces, DEFAULT_SETTINGS)
        assert interval is not None
        seen = table.predict(table.questions([fold]), DEFAULT_SETTINGS)
        widths.append(2 * interval.half_width(seen.evidence[fold[1]]) * seen.spread[fold[1]])
    assert score.width == pytest.approx(np.concatenate(widths).mean(), rel=1e-9)


def test_lists_earn_nothing_from_their_constant_line() -> None:
    """Marks without any order: lists on one line a player are ranked no better than chance (mean tau of 30 panels within 3 se, or below)."""
    taus = []
    for seed in range(30):
        rng = np.random.default_rng(seed)
        names = [f"P{k}" for k in range(8) for _ in range(10)]
        pieces = [f"m{k}" for _ in range(8) for k in range(10)]
        marks = 6 + np.repeat(rng.normal(0, 1, 8), 10) + rng.normal(0, 1, 80)
        made = replace(rated(names, marks, overall_d=rng.uniform(0, 1, 80), pieces=pieces), features=rng.normal(0, 1, (80, 3)))
        table = FoldTable(made, ())
        listed = table.predict(table.questions(folds_of(made, "new mouthpiece", folds=10), lists=True), DEFAULT_SETTINGS)
        for player in range(8):
            mine = slice(10 * player, 10 * player + 10)
            taus.append(ranking_quality(made.rating[mine], listed.blended[mine])[1])
    assert np.mean(taus) < 3 * np.std(taus) / np.sqrt(len(taus))


def test_a_line_that_would_leave_the_scale_is_fitted_within_it() -> None:
    """Marks of 9 and 10 on good set-ups only: fitted as it would be it expects more than ten of the best, so it is moved until it does not."""
    rng = np.random.default_rng(2)
    names = [f"P{k}" for k in range(8) for _ in range(20)]
    d = np.concatenate([rng.uniform(0.2, 1.0, 140), rng.uniform(0.2, 0.6, 20)])
    marks = np.clip(np.concatenate([1 + 8 * d[:140] + rng.normal(0, 0.3, 140), 8.5 + 2 * d[140:]]), 0, 10)
    made = rated(names, marks, overall_d=d)
    scale = calibrate_raters(made)
    first = fit_line(d, marks)
    free = raters(made, first[0] + first[1] * d)["P7"]
    assert float(free.own(sum(scale.line))) > 10.5
    assert float(scale.raters["P7"].own(sum(scale.line))) == pytest.approx(10)


def test_heavy_tails_leave_less_to_the_spread() -> None:
    """The same differences of spread count for less where marks have heavy tails: their deviations scatter more by chance."""
    shrinks = []
    for tails in (3.0, 50.0):  # Student's degrees of freedom
        rng = np.random.default_rng(7)
        names = [f"P{k:02d}" for k in range(12) for _ in range(40)]
        noise = rng.standard_t(tails, (12, 40))
        noise = (noise - noise.mean(axis=1, keepdims=True)) / noise.std(axis=1, ddof=1, keepdims=True)
        noise *= np.exp(np.linspace(-0.4, 0.4, 12))[:, None]
        lines = raters(rated(names, 6 + noise.ravel()), np.full(480, 6.0))
        shrinks.append(np.log(lines["P11"].spread) - np.log(lines["P00"].spread))
    assert 0.1 < shrinks[0] < shrinks[1] - 0.02
