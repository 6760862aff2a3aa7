"""Desirability, the line, the interval: published examples, closed forms, simulation."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
from conftest import Case, reference
from hypothesis import given, settings
from hypothesis import strategies as st

from matchkit.learn.blend import InstrumentNeighbours
from matchkit.learn.interval import LEVEL, conformal_rank, crossed_folds, fit_interval, group_folds
from matchkit.learn.marks import PRIOR_TESTS, LigatureWeights, RatedTests, Settings, fit_line
from matchkit.records.parts import Ligature, Neck
from matchkit.score.desirability import FLOOR, NEUTRAL, by_steps, falling, falling_on_average, geometric_mean
from matchkit.score.term import Desirabilities, all_terms, judge_values, terms_for
from matchkit.score.wishes import understand


@pytest.mark.parametrize("case", reference("desirability"), ids=lambda c: c.source[:12])
def test_overall_desirability(case: Case) -> None:
    """The weighted geometric mean gives the published overall desirabilities; one-sided terms fall as published."""
    if "responses" in case.inputs:
        y1, y2, y3, y4 = case.inputs["responses"]
        found = [
            float(falling(np.array(-y1), good=-170, poor=-120)),
            float(falling(np.array(-y2), good=-1300, poor=-1000)),
            float(falling(np.array(abs(y3 - 500)), good=0, poor=100)),
            float(falling(np.array(abs(y4 - 67.5)), good=0, poor=7.5)),
        ]
        for place, value in enumerate(found):
            case.check("d", value, place)
    else:
        found = case.inputs["d"]
    overall = geometric_mean(np.array(found)[:, None], np.array(case.inputs["weights"], dtype=float))
    case.check("overall", float(overall[0]))


def test_steps_are_half_and_a_tenth() -> None:
    """Desirability is 1 on target, 0.5 at one step, 0.1 at two, and the floor far away, on both sides."""
    d = by_steps(np.array([0.0, 1.0, -1.0, 2.0, 50.0]))
    assert d == pytest.approx([1.0, 0.5, 0.5, 0.1, FLOOR], abs=2e-3)


def test_average_over_uncertainty() -> None:
    """Well inside the limits averaging changes nothing; at a limit it takes the loss of one side (normal mean, analytic)."""
    inside = falling_on_average(np.array([0.115]), np.array([0.01]), good=0.03, poor=0.2)
    assert inside[0] == pytest.approx(falling(np.array(0.115), good=0.03, poor=0.2))
    u = 0.02
    at_limit = falling_on_average(np.array([0.03]), np.array([u]), good=0.03, poor=0.2)[0]
    assert 1 - at_limit == pytest.approx(u / np.sqrt(2 * np.pi) / 0.17, rel=0.2)


ONE_PAIR = SimpleNamespace(facings=(), of_facings=lambda _: np.array([0.0]))
"""Stands in for a table of one pair, whose mouthpiece can be moved on no cork."""


def asked(*wishes: str, cone: bool = True) -> Any:
    """Stand in for a question: what the terms look at besides their values."""
    neck = Neck(id="N", instrument="alto", bore_mm=12.0, half_angle_deg=1.6 if cone else 0.0)
    view = SimpleNamespace(neck=neck, level="beginner", present=None)
    return SimpleNamespace(wishes=understand(wishes), view=view, u_closing_share=np.array([0.01]), pairs=ONE_PAIR)


def judged(question: Any, **known: float) -> Desirabilities:
    """Judge one set-up of which only these values are known."""
    values = {name: np.array([known.get(name.replace(" ", "_"), np.nan)]) for name in all_terms()}
    return judge_values(values, question)


def test_every_unknown_is_neutral_and_keeps_its_weight() -> None:
    """With nothing known every term is 0.7, so D is 0.7, whatever the weights."""
    found = judged(asked("brighter", "more even"))
    assert found.overall[0] == pytest.approx(NEUTRAL)
    assert not found.known.any()
    assert found.weights.sum() == sum(term.weight for term in all_terms().values()) + 4


GOOD_VALUES = {name.replace(" ", "_"): term.good for name, term in all_terms().items()} | {
    "resistance": 0.0,
    "opening": 0.0,
    "closing": 0.0,
    "smoothness": 2.0,
    "rails": 0.01,
    "box_spread": 0.95,
    "volume": 0.0,
    "tone": 1.0,
}


@pytest.mark.parametrize("name", list(GOOD_VALUES))
def test_an_empty_measurement_is_never_rewarded(name: str) -> None:
    """Leaving out a good measurement always costs; an unknown term never beats a known good one."""
    whole = judged(asked("brighter"), **GOOD_VALUES).overall[0]
    missing = {key: value for key, value in GOOD_VALUES.items() if key != name}
    assert judged(asked("brighter"), **missing).overall[0] < whole


def test_shares_of_the_loss_sum_to_one_or_nothing() -> None:
    """The loss is shared out whole; a perfect set-up has none to share."""
    mixed = judged(asked(), resistance=0.8, smoothness=30.0)
    assert mixed.shares.sum() == pytest.approx(1.0, abs=1e-12)
    perfect = judged(asked(), **{**GOOD_VALUES, "closing": -0.05, "box_spread": 1.0})
    assert perfect.overall[0] == pytest.approx(1.0, abs=1e-12)
    assert perfect.d.min() > 1 - 1e-12


def test_terms_that_count() -> None:
    """Volume counts for cones only, tone when it was wished for, "more even" doubles three weights."""
    assert "volume" not in terms_for(asked(cone=False))
    assert "tone" not in terms_for(asked())
    even = terms_for(asked("brighter", "more even"))
    assert {name for name, (_, times) in even.items() if times == 2} == {"closing", "smoothness", "rails"}
    much = terms_for(asked("much brighter", "much more even"))
    assert (much["tone"][1], much["rails"][1]) == (2, 4)


@pytest.mark.parametrize("case", reference("conformal"), ids=lambda c: f"{c.inputs['count']}-{c.inputs['level']}")
def test_conformal_rank(case: Case) -> None:
    """The order statistic is the published one, unmoved by floating point."""
    assert conformal_rank(case.inputs["count"], level=case.inputs["level"]) == case.expected["rank"]


def test_interval_coverage_in_simulation() -> None:
    """Over 2000 seeded repeats 78 to 82 % of new residuals fall inside, whatever their evidence (theory of split conformal).

    The residuals' spread follows the model's own form, so wide and narrow intervals must both cover.
    """
    rng = np.random.default_rng(7)
    n, groups = 99, [f"g{place % 9}" for place in range(99)]
    hits = 0
    narrow: list[bool] = []
    wide: list[bool] = []
    for _ in range(2000):
        evidence = rng.uniform(0, 12, n + 1)
        residual = rng.normal(size=n + 1) * np.sqrt(0.5 + 2 / (evidence + 1))
        interval = fit_interval(residual[:n], evidence[:n], groups, kappa=1.0)
        assert interval is not None
        inside = abs(residual[n]) <= interval.half_width(evidence[n])
        hits += bool(inside)
        (narrow if evidence[n] > 6 else wide).append(bool(inside))
    assert 0.78 < hits / 2000 < 0.82
    assert 0.76 < np.mean(narrow) < 0.84
    assert 0.76 < np.mean(wide) < 0.84
    assert LEVEL == 0.8


def test_more_evidence_never_widens() -> None:
    """The half width falls with the evidence where residuals do, and stays finite without any."""
    rng = np.random.default_rng(3)
    evidence = rng.uniform(0, 10, 400)
    residual = rng.normal(size=400) * np.sqrt(0.2 + 3 / (evidence + 1))
    interval = fit_interval(residual, evidence, [str(k % 20) for k in range(400)], kappa=1.0)
    assert interval is not None
    widths = interval.half_width(np.linspace(0, 20, 50))
    assert np.all(np.diff(widths) <= 0)
    assert widths[0] > 1.5 * widths[-1]


@pytest.mark.parametrize(("rows", "groups"), [(39, 39), (60, 7)])
def test_too_few_playtests_have_no_interval(rows: int, groups: int) -> None:
    """Below 40 rows or 8 groups there is no interval."""
    names = [f"g{place % groups}" for place in range(rows)]
    assert fit_interval(np.ones(rows), np.zeros(rows), names, kappa=1.0) is None


def test_no_finite_bound_and_no_residual() -> None:
    """At a level that asks for more than the largest residual there is no interval; perfect predictions have one of no width."""
    names = [str(place) for place in range(40)]
    assert fit_interval(np.ones(40), np.zeros(40), names, kappa=1.0, level=0.99) is None
    perfect = fit_interval(np.zeros(40), np.zeros(40), names, kappa=0.0)
    assert perfect is not None
    assert float(perfect.half_width(0.0)) == 0.0


def test_crossed_folds_hold_both_apart() -> None:
    """In *new both* neither the player nor the mouthpiece of a test was trained on; every row is tested once."""
    rng = np.random.default_rng(5)
    one, two = ([f"{k}" for k in rng.integers(0, 10, 150)] for _ in range(2))
    tested: list[int] = []
    for train, test in crossed_folds(one, two, [None] * 150):
        assert not {one[row] for row in train} & {one[row] for row in test}
        assert not {two[row] for row in train} & {two[row] for row in test}
        tested += test.tolist()
    assert sorted(tested) == list(range(150))


def test_folds_hold_groups_and_sessions_apart() -> None:
    """No group and no session stands on both sides; every row is tested once."""
    rng = np.random.default_rng(2)
    groups = [f"m{k}" for k in rng.integers(0, 12, 200)]
    sessions: list[str | None] = [f"s{k}" if k else None for k in rng.integers(0, 60, 200)]
    tested: list[int] = []
    for train, test in group_folds(groups, sessions):
        assert not {groups[row] for row in train} & {groups[row] for row in test}
        assert not ({sessions[row] for row in train} & {sessions[row] for row in test}) - {None}
        tested += test.tolist()
    assert sorted(tested) == list(range(200))


def test_line_without_playtests_is_ten_times_d() -> None:
    """No ratings: exactly 10 D."""
    assert fit_line(np.array([]), np.array([])) == (0.0, 10.0)


def test_line_is_ridge_with_twenty_playtests() -> None:
    """The line equals least squares over the ratings and twenty more, ten at (0, 0) and ten at (1, 10) (numpy's lstsq)."""
    rng = np.random.default_rng(4)
    d = rng.uniform(0.2, 0.9, 50)
    rating = 3 + 5 * d + rng.normal(0, 0.5, 50)
    both = np.concatenate([d, np.zeros(PRIOR_TESTS // 2), np.ones(PRIOR_TESTS // 2)])
    target = np.concatenate([rating, np.zeros(PRIOR_TESTS // 2), np.full(PRIOR_TESTS // 2, 10.0)])
    expected = np.linalg.lstsq(np.column_stack([np.ones_like(both), both]), target, rcond=None)[0]
    assert fit_line(d, rating) == pytest.approx(tuple(expected), abs=1e-9)


@settings(max_examples=100, deadline=None)
@given(
    points=st.lists(st.tuples(st.floats(0.01, 1), st.floats(0, 10)), min_size=0, max_size=300),
)
def test_line_stays_on_the_scale_and_rises(points: list[tuple[float, float]]) -> None:
    """Whatever the ratings, the expected one lies within 0 to 10 for every D and rises with it by 0.5 or more."""
    d, rating = np.array([p[0] for p in points]), np.array([p[1] for p in points])
    start, slope = fit_line(d, rating)
    assert -1e-9 <= start <= start + slope <= 10 + 1e-9
    assert slope >= 0.5 - 1e-9


def test_ligature_weights() -> None:
    """1 for the same ligature, 0.7 for the same contact, 0.5 otherwise; an unknown contact is like no other."""
    items = [Ligature(id="a", contact="rails"), Ligature(id="b", contact="rails"), Ligature(id="c"), Ligature(id="d")]
    weights = LigatureWeights(items, ["a", "c", "a", "b", "c", "d", None])
    table = weights.of(np.arange(2)[:, None], np.arange(2, 7)[None], Settings())
    assert table.tolist() == [[1.0, 0.7, 0.5, 0.5, 0.5], [0.5, 0.5, 1.0, 0.5, 0.5]]


def test_another_player_stands_omega_apart() -> None:
    """A test by another player lies omega further in squared distance than one's own; to a stranger all lie so."""
    tests = RatedTests(
        ids=("a", "b"),
        players=("p", "q"),
        mouthpieces=("m", "m"),
        reeds=("r", "r"),
        sessions=(None, None),
        instruments=("alto", "alto"),
        ligatures=(None, None),
        rating=np.array([5.0, 5.0]),
        overall_d=np.array([0.5, 0.5]),
        features=np.array([[1.0, 0.0], [1.0, 0.0]]),
        weight=np.ones(2),
    )
    known = InstrumentNeighbours(tests, np.zeros(2))
    for player, squared in (("p", [1.0, 5.0]), ("stranger", [5.0, 5.0]), (None, [5.0, 5.0])):
        distance, _ = known.seen_by(player, Settings(other_player=4.0)).nearest(np.zeros((1, 2)), 25)
        assert distance[0] ** 2 == pytest.approx(squared)


LIMITS = {
    "resistance": (4, 0, 2, "half strengths"),
    "closing": (2, 0.03, 0.20, ""),
    "opening": (2, 0, 2, "steps of opening"),
    "box spread": (1, 1, 0, ""),
    "rails": (1, 0.05, 0.8, "mm2"),
    "smoothness": (1, 5, 60, "µm"),
    "tone": (1, 0, 0, "vote"),
    "volume": (1, 0.05, 0.30, ""),
}
"""Weight, good and poor limit, and unit of each term: assumed, chosen by judgement, and changed on purpose only."""


def test_weights_and_limits_are_those_that_were_chosen() -> None:
    """Nobody changes a weight or a limit by accident; a new term has its own."""
    found = {name: (term.weight, term.good, term.poor, term.unit) for name, term in all_terms().items()}
    assert {name: found[name] for name in LIMITS} == LIMITS
