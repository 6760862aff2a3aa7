"""Capability, tolerance factors, zero-failure samples and the individuals chart, against handbook values."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from maker_shop import changed_batch
from scipy.stats import norm

import matchkit as mk
from matchkit.cli.printing import lay_out
from matchkit.maker.conformity.capability import (
    capability,
    howe_factor,
    indices,
    two_sided_factor,
    worst_share,
)
from matchkit.maker.conformity.chart import CHANCE, RULES, beyond_the_others, individuals_chart, signal_limits
from matchkit.maker.conformity.rule import Limits
from matchkit.words.maker.batch.screen import batch_screen

FLOW = np.array([49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1])
"""Ten batches of the flow-rate example, NIST/SEMATECH e-Handbook 6.3.2.2."""


def test_capability_of_the_handbook() -> None:
    """Cp 1.0 and Cpk 0.6667: NIST/SEMATECH e-Handbook 6.1.6 (USL 20, LSL 8, mean 16, s 2)."""
    found = indices(mean=16, sd=2, degrees=49, count=50, limits=Limits(8, 20))
    assert found is not None
    assert found[0] is not None
    assert (found[0].value, found[1].value) == pytest.approx((1.0, 0.6667), abs=5e-5)


def test_intervals_of_capability() -> None:
    """Cp 2.29 with 1.57 to 3.01 (n 20, limits 38 to 62, s 1.75: Montgomery ch. 8, from memory); Bissell's Cpk 0.883 to 1.777."""
    found = indices(mean=50, sd=1.75, degrees=19, count=20, limits=Limits(38, 62))
    assert found is not None
    assert found[0] is not None
    assert (found[0].value, found[0].low, found[0].high) == pytest.approx((2.2857, 1.565, 3.006), abs=5e-4)
    bissell = indices(mean=0, sd=1, degrees=19, count=20, limits=Limits(-100, 1.33 * 3))
    assert bissell is not None
    assert (bissell[1].low, bissell[1].high) == pytest.approx((0.883, 1.777), abs=5e-4)


def test_one_limit_by_the_noncentral_t() -> None:
    """A tolerance factor turned round: k 1.8740 for 43 pieces, 90 % with 99 % confidence (NIST/SEMATECH e-Handbook 7.2.6.3).

    So 43 pieces whose mean is 1.8740 s within their one limit have an index of at least 1.2816/3, 99 % sure.
    """
    found = indices(mean=0, sd=1, degrees=42, count=43, limits=Limits(high=1.8740), confidence=0.98)
    assert found is not None
    assert found[0] is None
    assert found[1].low == pytest.approx(norm.ppf(0.9) / 3, abs=1e-4)
    below = indices(mean=0, sd=1, degrees=42, count=43, limits=Limits(low=-1.8740), confidence=0.98)
    assert below is not None
    assert below[1] == found[1]


def test_one_limit_for_a_few_pieces() -> None:
    """From two pieces on an interval is found; for six, at either end a sample as far or further off comes in 2.5 of 100 (simulated noncentral t: normal over root chi-squared)."""
    for count in range(2, 40):
        for index in (-3.3, -0.4, 0.0, 1.04, 4.9):
            found = indices(mean=0, sd=1, degrees=count - 1, count=count, limits=Limits(high=3 * index))
            assert found is not None
            assert found[1].low < index < found[1].high
    found = indices(mean=0, sd=1, degrees=5, count=6, limits=Limits(high=3 * 1.0408913833646556))
    assert found is not None
    rng = np.random.default_rng(8)
    scale, spread = 3 * 6**0.5, np.sqrt(rng.chisquare(5, 200_000) / 5)
    for end, way in ((found[1].low, 1), (found[1].high, -1)):
        drawn = (rng.normal(size=200_000) + end * scale) / spread
        assert float((way * drawn > way * found[1].value * scale).mean()) == pytest.approx(0.025, abs=0.0015)


def test_neighbours_and_all_of_them() -> None:
    """The flow-rate example (NIST/SEMATECH e-Handbook 6.3.2.2): MRbar 1.8778 and s 2.0339; a drift parts Cpk from Ppk."""
    found = capability(FLOW, limits=Limits(44, 58))
    assert found is not None
    assert found.cp is not None
    assert found.pp is not None
    assert found.cp.value == pytest.approx(14 / 6 / (1.8778 / 1.128), abs=1e-4)
    assert found.pp.value == pytest.approx(14 / 6 / 2.0339, abs=1e-4)
    assert found.held_back == "few pieces"
    rng = np.random.default_rng(8)
    drifting = capability(rng.normal(0, 1, 40) + 0.1 * np.arange(40), limits=Limits(-4, 8))
    assert drifting is not None
    assert drifting.cpk is not None
    assert drifting.cpk.value > 1.3 * drifting.ppk.value


def test_the_interval_of_neighbours_holds_what_it_says() -> None:
    """Of 3,000 seeded stable batches of 25 the interval of Cp holds the truth in 95 %, within 1.5 points."""
    rng = np.random.default_rng(9)
    held = 0
    for values in rng.normal(size=(3000, 25)):
        found = capability(values, limits=Limits(-4, 4))
        assert found is not None
        assert found.cp is not None
        held += found.cp.low <= 4 / 3 <= found.cp.high
    assert held / 3000 == pytest.approx(0.95, abs=0.015)


def test_capability_that_says_nothing() -> None:
    """No spread, no limit: no index; fewer than twenty pieces, an unknown order or signals hold it back; one piece is an error."""
    rng = np.random.default_rng(7)
    some = rng.normal(1, 0.1, 30)
    assert capability(np.ones(30), limits=Limits(0, 2)) is None
    assert capability(some, limits=Limits()) is None
    told = [
        capability(some[:19], limits=Limits(0, 2)),
        capability(some, limits=Limits(0, 2), ordered=False),
        capability(some, limits=Limits(0, 2), in_control=False),
        capability(some, limits=Limits(0, 2)),
    ]
    assert [None if item is None else item.held_back for item in told] == [
        "few pieces",
        "order not known",
        "out of control",
        None,
    ]
    assert told[1] is not None
    assert told[1].cpk is None
    assert told[1].nearest == told[1].ppk
    with pytest.raises(ValueError, match="two pieces"):
        capability(np.ones(1), limits=Limits(0, 2))


def test_tolerance_factors() -> None:
    """NIST/SEMATECH e-Handbook 7.2.6.3 (N 43, Howe) and exact two-sided factors by quadrature."""
    assert howe_factor(43, coverage=0.90, confidence=0.99) == pytest.approx(2.217, abs=5e-4)
    exact = {5: 5.0769, 10: 3.3934, 20: 2.7603, 30: 2.5549, 43: 2.4254}
    assert {n: two_sided_factor(n) for n in exact} == pytest.approx(exact, abs=5e-4)


def test_a_tolerance_interval_holds_what_it_says() -> None:
    """Of 4,000 seeded samples of ten, 95 % have an interval that holds 95 % of the population, within 1.1 points."""
    rng = np.random.default_rng(3)
    samples = rng.normal(size=(4000, 10))
    mean, half = samples.mean(axis=1), two_sided_factor(10) * samples.std(axis=1, ddof=1)
    content = norm.cdf(mean + half) - norm.cdf(mean - half)
    assert float((content >= 0.95).mean()) == pytest.approx(0.95, abs=0.011)


def test_samples_without_a_failure() -> None:
    """59 give 95 % confidence of less than 5 %, 299 of 1 %, 22 of 10 % at 90 % (ln(1-C)/ln(1-p), analytic)."""
    assert worst_share(59) < 0.05 < worst_share(58)
    assert worst_share(299) < 0.01 < worst_share(298)
    assert worst_share(22, confidence=0.9) < 0.1 < worst_share(21, confidence=0.9)
    with pytest.raises(ValueError, match="one piece"):
        worst_share(0)


def test_individuals_chart_of_the_handbook() -> None:
    """Mean 50.81, MRbar 1.8778, limits 45.8159 and 55.8041, range up to 6.1349: NIST/SEMATECH e-Handbook 6.3.2.2."""
    chart = individuals_chart(FLOW)
    assert chart.mean == pytest.approx(50.81, abs=5e-5)
    assert chart.range_mean == pytest.approx(1.8778, abs=5e-5)
    assert chart.low == pytest.approx(45.8159, abs=5e-5)
    assert chart.high == pytest.approx(55.8041, abs=1e-4)
    assert chart.range_high == pytest.approx(6.1349, abs=3e-4)  # the print rounds MRbar first
    assert float(FLOW.std(ddof=1)) == pytest.approx(2.0339, abs=5e-5)
    assert chart.signals == ()


def test_the_rule_that_fired_is_named() -> None:
    """One far point, a run of eight, and a drift are each told as what they are, and nothing else is."""
    rng = np.random.default_rng(5)
    quiet = rng.normal(0, 1, 30)
    assert not individuals_chart(quiet).drifts
    far = quiet.copy()
    far[11] += 8
    assert ("beyond a limit", (11,)) in [(s.rule, s.positions) for s in individuals_chart(far).signals]
    shifted = np.concatenate([rng.normal(0, 1, 15), rng.normal(2.5, 1, 15)])
    assert any(signal.rule == "run on one side" for signal in individuals_chart(shifted).signals)
    drifting = quiet + 0.1 * np.arange(30)
    chart = individuals_chart(drifting)
    assert chart.drifts
    assert chart.slope_low < 0.1 < chart.slope_high


def test_a_drift_is_seen_past_a_piece_that_is_something_else() -> None:
    """Values known to be unsound do not hide a drift; without saying so they do."""
    rng = np.random.default_rng(6)
    values = rng.normal(0, 0.2, 30) + 0.02 * np.arange(30)
    values[2] += 6
    sound = np.ones(30, dtype=bool)
    sound[2] = False
    assert individuals_chart(values, sound=sound).drifts
    assert not individuals_chart(values).drifts
    with pytest.raises(ValueError, match="three finite"):
        individuals_chart(np.array([1.0, 2.0]))


@pytest.mark.parametrize("charts", [1, 10])
def test_a_stable_batch_shows_no_signal(charts: int) -> None:
    """Of 200 seeded, stable batches of 25 with so many charts at most 5 of 100 show a signal; a far piece still shows among ten charts."""
    rng = np.random.default_rng(40 + charts)
    told = [any(individuals_chart(rng.normal(size=25), charts=charts).signals for _ in range(charts)) for _ in range(200)]
    assert sum(told) <= 10
    far = rng.normal(size=25)
    far[7] += 7
    assert any(signal.positions == (7,) for signal in individuals_chart(far, charts=charts).signals)


def test_runs_of_a_fair_coin() -> None:
    """Five alike or more in ten throws: 222 of 1,024, by counting every sequence."""
    import itertools

    from matchkit.maker.conformity.chart import _chance_of_run

    long = sum(
        max(len(list(run)) for _, run in itertools.groupby(throws)) >= 5 for throws in itertools.product("HT", repeat=10)
    )
    assert _chance_of_run(10, 5) == pytest.approx(long / 1024, abs=1e-12)


def test_a_coarse_reading_gives_no_cpk() -> None:
    """Fifteen at 14.0, then fifteen at 14.1: neighbours differ once, so there is no Cpk, and it says why; a far-off one-sided limit does not fail."""
    coarse = capability(np.repeat([14.0, 14.1], 15), limits=Limits(13.5, 14.5), coarse=True)
    assert coarse is not None
    assert coarse.cpk is None
    assert coarse.held_back == "read too coarsely"
    far = indices(mean=0, sd=1, degrees=29, count=30, limits=Limits(high=90))
    assert far is not None
    assert far[1].low < 30 < far[1].high


def test_limits_of_large_batches_are_passed_as_seldom_as_they_say() -> None:
    """Batches of 150 sound pieces whose deviation is known, seeded: the furthest is beyond its limit, and the widest jump beyond its, each in about the share that falls to one of its rules."""
    far, jump, _ = signal_limits(150, 1)
    rng = np.random.default_rng(4)
    values = rng.standard_normal((40_000, 150))
    beyond = float((np.abs(values).max(axis=1) > far).mean())
    jumped = float((np.abs(np.diff(values, axis=1)).max(axis=1) > jump).mean())
    assert beyond == pytest.approx(CHANCE / RULES, rel=0.15)
    assert jumped == pytest.approx(CHANCE / RULES, rel=0.15)


def test_a_step_is_told_from_a_drift() -> None:
    """25 pieces, noise of 1: a step of 4 is found at its piece or the next in at least 95 of 100 and told to 1 (twice its standard error and more); a drift of 4 in all is a step in at most 5."""
    rng = np.random.default_rng(44)
    found = [individuals_chart(rng.normal(0, 1, 25) + 4.0 * (np.arange(25) >= 12)) for _ in range(100)]
    near = [chart for chart in found if chart.step_at is not None and abs(chart.step_at - 12) <= 1]
    assert len(near) >= 95
    assert sum(abs(chart.step - 4.0) < 1.0 for chart in near) >= 0.95 * len(near)
    drifting = [individuals_chart(rng.normal(0, 1, 25) + np.linspace(0, 4, 25)) for _ in range(100)]
    assert sum(chart.step_at is not None for chart in drifting) <= 5


def test_equal_values_have_no_step() -> None:
    """Twelve pieces alike: no step (by definition)."""
    chart = individuals_chart(np.full(12, 2.5))
    assert (chart.step_at, chart.step) == (None, 0.0)


def test_pieces_that_fail_do_not_hide_themselves() -> None:
    """Two of 25 lie 7 deviations off: they widen the chart of all so that it shows nothing, and the chart of the others shows them; two at 1 deviation are nothing."""
    rng = np.random.default_rng(45)
    values = rng.normal(0, 1, 25)
    others = np.ones(25, dtype=bool)
    others[[5, 14]] = False
    far = np.where(others, values, 7.0)
    assert individuals_chart(far, charts=10).signals == ()
    assert beyond_the_others(far, others, charts=10)
    assert not beyond_the_others(np.where(others, values, 1.0), others, charts=10)
    assert not beyond_the_others(far, np.ones(25, dtype=bool), charts=10)
    assert not beyond_the_others(far[:6], others[:6], charts=10)


def test_a_batch_with_a_step_says_where(tmp_path: Path) -> None:
    """Tips of the demo batch 0.1 mm larger from one piece on: that piece is named, no growth a piece, and the capability is not quoted."""
    pieces = [piece.mouthpiece_id for piece in mk.open().batch(pair=False).pieces]
    late = set(pieces[20:])

    def larger(row: dict[str, str]) -> dict[str, str]:
        return {**row, "tip_opening_mm": f"{float(row['tip_opening_mm']) + 0.1:.3f}"} if row["id"] in late else row

    report = mk.open().batch(changed_batch(tmp_path, "mouthpieces", larger), pair=False)
    told = " ".join(lay_out(batch_screen(report)).split())
    assert "Tip opening is 0." in told
    assert "larger from TB-25-" in told
    assert "Tip opening grows" not in told
    (tip,) = (item for item in report.features if item.feature == "tip_opening_mm")
    assert tip.chart is not None
    assert tip.chart.step_at is not None
    assert abs(tip.chart.step_at - 20) <= 2


def test_a_chart_needs_numbers() -> None:
    """One value that is none among many is refused."""
    for values in ([1.0, 2.0], [1.0, 2.0, np.nan, 3.0], [1.0, np.inf, 2.0]):
        with pytest.raises(ValueError, match="three finite values"):
            individuals_chart(np.array(values))
