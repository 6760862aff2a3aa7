"""Desirability, intervals and folds: published examples, closed forms, simulation."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
from conftest import Case, reference

from matchkit.learn.interval import LEVEL, fit_interval, unit_quantile
from matchkit.learn.trial.folds import crossed_folds, group_folds
from matchkit.records.parts import Neck
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
def test_one_residual_a_unit_is_split_conformal(case: Case) -> None:
    """With one residual a unit the bound is the published order statistic, unmoved by floating point; none where it is beyond them all."""
    count, rank = case.inputs["count"], case.expected["rank"]
    found = unit_quantile(np.arange(1.0, count + 1), [str(place) for place in range(count)], level=case.inputs["level"])
    assert found == (rank if rank <= count else np.inf)


def test_interval_coverage_in_simulation() -> None:
    """Over 2000 seeded repeats 78 to 83 % of a new unit's residuals fall inside, whether the model's own width is right or half of it.

    Theory: by units alone 0.8 or a little more; the model's own width is counted in as by eight units.
    """
    rng = np.random.default_rng(7)
    names = [str(place // 5) for place in range(200)]
    for scale, low, high in ((1.0, 0.78, 0.83), (2.0, 0.70, 0.80)):
        inside = 0
        for _ in range(2000):
            level = rng.normal(size=41) * 0.6
            noise = rng.normal(size=205) * 0.8
            residual = scale * (np.repeat(level, 5) + noise)
            interval = fit_interval(residual[:200], names)
            inside += bool(abs(residual[200]) <= interval.half_width(1.0))
        assert low < inside / 2000 < high
    assert LEVEL == 0.8


def test_units_weigh_the_same() -> None:
    """A unit with a thousand residuals weighs no more than one with one."""
    scaled = np.concatenate([np.full(1000, 9.0), np.ones(9)])
    names = ["many"] * 1000 + [f"{k}" for k in range(9)]
    assert unit_quantile(scaled, names) == 1.0
    assert unit_quantile(scaled, [str(k) for k in range(1009)]) == 9.0


def test_few_units_leave_the_models_own_width() -> None:
    """Below eight units it is 1.28 standard deviations, and called the model's own; perfect predictions do not make it nothing."""
    for residual, units in ((np.ones(7), 7), (np.zeros(40), 40), (np.zeros(0), 0)):
        found = fit_interval(residual, [str(place) for place in range(len(residual))])
        assert found.q == pytest.approx(1.2815515655446004)
        assert found.own
        assert found.units == min(units, 7)
    eight = fit_interval(np.full(40, 2.0), [str(place % 20) for place in range(40)])
    assert not eight.own
    assert np.log(eight.q) == pytest.approx((20 * np.log(2) + 8 * np.log(1.2815515655446004)) / 28, abs=1e-5)


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
