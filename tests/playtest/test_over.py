"""Tests over players and over parts: exact where they can be, against scipy and statsmodels, and in simulated nulls."""

from __future__ import annotations

import datetime as dt
import itertools

import numpy as np
import pytest
import scipy.stats
from numpy.typing import NDArray

from matchkit.playtest.stats.agreement import concordance, page_trend
from matchkit.playtest.stats.discrimination import holm
from matchkit.playtest.stats.over import LEAST_PLAYERS, LEAST_UNITS, goes_with, mean_over, sign_flip
from matchkit.playtest.stats.ratings import evenings
from matchkit.records.people import Playtest

Array = NDArray[np.float64]
Index = NDArray[np.intp]


@pytest.mark.parametrize("leans", [[3, 5, -1, 4, 2], [2, 2, 2, 2, 2, 2], [0, 1, -1, 5], [7]])
@pytest.mark.parametrize("two_sided", [True, False])
def test_sign_flips_are_counted_out(leans: list[int], two_sided: bool) -> None:  # noqa: FBT001
    """The exact p is that of all 2^n signs, counted one by one; it equals scipy's permutation test over samples of one sign each."""
    sums = [
        sum(sign * abs(lean) for sign, lean in zip(signs, leans, strict=True))
        for signs in itertools.product((1, -1), repeat=len(leans))
    ]
    observed = sum(leans)
    expected = np.mean([abs(value) >= abs(observed) if two_sided else value >= observed for value in sums])
    found = sign_flip(leans, two_sided=two_sided)
    assert found.probability == pytest.approx(float(expected), abs=1e-12)
    assert found.players == len(leans)
    if len(leans) > 1:
        theirs = scipy.stats.permutation_test(
            (np.array(leans),),
            np.sum,
            permutation_type="samples",
            n_resamples=10_000,
            alternative="two-sided" if two_sided else "greater",
        )
        assert min(found.probability, 1.0) == pytest.approx(float(theirs.pvalue), abs=1e-9)


def test_few_players_cannot_tell() -> None:
    """Five players who all lean one way reach 1 in 16 two-sided and 1 in 32 one-sided; six reach 1 in 32."""
    assert sign_flip([4] * 5, two_sided=True).least == 1 / 16
    assert sign_flip([4] * 5, two_sided=False).least == 1 / 32
    assert sign_flip([4] * 6, two_sided=True).probability == 1 / 32
    assert sign_flip([], two_sided=True).probability == 1.0
    assert sign_flip([0, 0], two_sided=True).probability == 1.0


def test_players_who_differ_are_no_difference() -> None:
    """2,000 seeded panels of eight players with leanings of their own (sd 1 on the probit scale, mean 0) reject in at most 5 %; pooled, five times that."""
    rng = np.random.default_rng(20)
    over = pooled = 0
    for _ in range(2000):
        share = scipy.stats.norm.cdf(rng.normal(0, 1, 8))
        hits = rng.binomial(12, share)
        over += sign_flip((2 * hits - 12).tolist(), two_sided=True).probability <= 0.05
        pooled += scipy.stats.binomtest(int(hits.sum()), 96).pvalue <= 0.05
    assert over / 2000 <= 0.05 + 3 * np.sqrt(0.05 * 0.95 / 2000)
    assert over / 2000 > 0.03
    assert pooled / 2000 > 0.2


def test_a_mean_over_players_is_students() -> None:
    """Mean, interval and p are those of scipy's one-sample t test, worked out here step by step."""
    values = np.array([0.3, -0.1, 0.5, 0.2, 0.4])
    mean, low, high, p = mean_over(values)
    error = values.std(ddof=1) / np.sqrt(5)
    half = scipy.stats.t.ppf(0.975, 4) * error
    assert (mean, low, high) == pytest.approx((values.mean(), values.mean() - half, values.mean() + half))
    assert p == pytest.approx(2 * scipy.stats.t.sf(values.mean() / error, 4))


def panel(
    rng: np.random.Generator,
    *,
    players: int = 8,
    parts: int = 14,
    marks: int = 20,
    of_parts: float = 0.0,
    of_players: float = 0.0,
    slope: float = 0.0,
) -> tuple[Array, Array, Index, Index]:
    """Return marks, a feature of mouthpieces, players and mouthpieces, drawn with levels of parts and slopes of players."""
    who: Index = np.repeat(np.arange(players, dtype=np.intp), marks)
    part: Index = rng.integers(0, parts, players * marks).astype(np.intp)
    feature = rng.normal(size=parts)[part]
    mark = rng.normal(size=players)[who] + of_parts * rng.normal(size=parts)[part] + rng.normal(size=len(who))
    return mark + (slope + of_players * rng.normal(size=players))[who] * feature, feature, who, part


@pytest.mark.parametrize(("of_parts", "of_players"), [(1.0, 0.0), (0.0, 0.7), (0.7, 0.5)])
def test_parts_with_levels_and_players_with_slopes_are_no_connection(of_parts: float, of_players: float) -> None:
    """1,000 seeded houses without a connection: a feature of mouthpieces is found in 2.5 to 7.5 % (``make nulls`` counts 5,000 of each)."""
    rng = np.random.default_rng(21)
    found = 0
    for _ in range(1000):
        mark, feature, who, part = panel(rng, of_parts=of_parts, of_players=of_players)
        gone = goes_with(mark, feature, who, [part])
        assert gone is not None
        found += gone.probability <= 0.05
    assert 0.025 <= found / 1000 <= 0.075


def test_a_connection_that_is_there_is_found_with_its_size() -> None:
    """The correlation is that within players, and its interval holds it; against statsmodels' least squares with players as dummies."""
    import statsmodels.api as sm

    rng = np.random.default_rng(22)
    mark, feature, who, part = panel(rng, slope=0.8, parts=20, marks=40)
    gone = goes_with(mark, feature, who, [part])
    assert gone is not None
    assert gone.probability < 0.001
    assert gone.low < gone.correlation < gone.high
    design = np.column_stack([feature, np.eye(8)[who]])
    theirs = sm.OLS(mark, design).fit(cov_type="cluster", cov_kwds={"groups": np.column_stack([who, part])})
    size = np.sqrt(sum(feature[who == k].var() for k in range(8)) / sum(mark[who == k].var() for k in range(8)))
    assert gone.correlation == pytest.approx(float(theirs.params[0]) * size, abs=1e-9)
    ours = (gone.high - gone.low) / 2 / size
    assert ours == pytest.approx(2.2 * float(theirs.bse[0]), rel=0.5)
    assert (gone.players, gone.units, gone.tests) == (8, 20, 320)


def test_too_few_players_or_parts_say_nothing() -> None:
    """Below five players or eight parts, or where nothing varies, there is no answer."""
    rng = np.random.default_rng(23)
    for players, parts in ((LEAST_PLAYERS - 1, 14), (8, LEAST_UNITS - 1)):
        mark, feature, who, part = panel(rng, players=players, parts=parts)
        assert goes_with(mark, feature, who, [part]) is None
    mark, feature, who, part = panel(rng)
    assert goes_with(np.ones(len(mark)), feature, who, [part]) is None
    assert goes_with(mark, np.full(len(mark), np.nan), who, [part]) is None


def test_friedman_for_small_tables_is_exact() -> None:
    """P of three set-ups by four raters: all 6^4 orders counted here, and one value of the published exact table."""
    ranks = list(itertools.permutations((1, 2, 3)))
    spreads = []
    for orders in itertools.product(ranks, repeat=4):
        sums = np.sum(orders, axis=0)
        spreads.append(float(((sums - 8) ** 2).sum()))
    table = np.array([[1.0, 1, 2, 1], [2, 3, 1, 2], [3, 2, 3, 3]])
    found = concordance(table)
    observed = float(((table.sum(axis=1) - 8) ** 2).sum())
    assert found.exact
    assert found.probability == pytest.approx(np.mean(np.array(spreads) >= observed - 1e-9), abs=1e-12)
    assert found.chi_squared == pytest.approx(scipy.stats.friedmanchisquare(*table).statistic)
    # Friedman 1937, exact probabilities of three by four: chi-squared 4.5 or more has p = 0.125 (from memory)
    published = concordance(np.array([[1.0, 1, 1, 2], [2, 2, 3, 1], [3, 3, 2, 3]]))
    assert published.chi_squared == pytest.approx(4.5)
    assert published.probability == pytest.approx(0.125, abs=5e-4)


def test_friedman_nulls_reject_as_often_as_they_say() -> None:
    """3,000 seeded tables of raters who rank at random: at most 5 % for small tables (exact), 4 to 6 % for large ones (ranks dealt out anew)."""
    rng = np.random.default_rng(24)
    for targets, raters, low, high in ((4, 5, 0.02, 0.055), (10, 12, 0.04, 0.06)):
        found = sum(concordance(rng.normal(size=(targets, raters))).probability <= 0.05 for _ in range(3000))
        assert low <= found / 3000 <= high, (targets, raters)


def test_page_is_scipys_and_needs_an_order() -> None:
    """The documented example of scipy's page_trend_test (Page 1963): L = 133.5, p = 0.0018 for three prescribed orders (from memory)."""
    table = np.array(
        [[3, 4, 3], [2, 2, 4], [3, 3, 5], [1, 3, 2], [2, 3, 2], [2, 4, 5], [1, 2, 4], [3, 4, 4], [2, 4, 5], [1, 3, 4]],
        dtype=float,
    )
    assert page_trend(table.T, np.arange(3.0)) == pytest.approx(0.0018191161948127822, rel=1e-9)
    assert page_trend(table[:, ::-1].T, np.array([2.0, 1.0, 0.0])) == pytest.approx(0.0018191161948127822, rel=1e-9)
    assert page_trend(table.T, np.array([0.0, 1.0, 1.0])) is None
    assert page_trend(table.T, np.array([0.0, np.nan, 1.0])) is None


def test_holm_is_statsmodels() -> None:
    """The worked example of Holm's step-down procedure, and nothing from nothing."""
    assert holm([0.01, 0.04, 0.03]) == pytest.approx([0.03, 0.06, 0.06])
    assert holm([]) == []


def test_marks_by_evening() -> None:
    """Each mark against its player's own average, by hand: evenings in the order of their days, Student's interval of their mean (scipy); one visit tells nothing."""

    def mark(name: str, player: str, day: int, overall: float) -> Playtest:
        return Playtest(
            id=f"{name}{player}{overall}",
            date=dt.date(2026, 1, day),
            player_id=player,
            mouthpiece_id="M",
            reed_id="R",
            session=name,
            overall=overall,
        )

    tests = [
        mark("late", "A", 9, 8),
        mark("late", "A", 9, 9),
        mark("late", "B", 9, 5),
        mark("early", "A", 2, 4),
        mark("early", "B", 2, 3),
    ]
    early, late = evenings([*tests, mark("once", "C", 5, 10)])
    assert (early.name, late.name, early.tests, late.tests) == ("early", "late", 2, 3)
    assert early.mean == pytest.approx(((4 - 7) + (3 - 4)) / 2)
    assert late.mean == pytest.approx((1 + 2 + 1) / 3)
    ends = scipy.stats.t.interval(0.95, 2, loc=late.mean, scale=scipy.stats.sem([1.0, 2.0, 1.0]))
    assert (late.low, late.high) == pytest.approx(ends)


def test_a_connection_does_not_depend_on_the_units() -> None:
    """A feature in metres instead of millimetres, and marks of a thousandth: the same correlation, interval and p."""
    rng = np.random.default_rng(8)
    who, part = np.repeat(np.arange(8), 20), rng.integers(0, 12, 160)
    x = rng.normal(size=12)[part]
    mark = 0.5 * x + rng.normal(size=8)[who] + rng.normal(size=160)
    plain, small = goes_with(mark, x, who, [part]), goes_with(1e-3 * mark, 1e-3 * x, who, [part])
    assert plain is not None
    assert small is not None
    assert (small.correlation, small.low, small.high, small.probability) == pytest.approx(
        (plain.correlation, plain.low, plain.high, plain.probability), rel=1e-9
    )


@pytest.mark.parametrize(("of_parts", "least", "most"), [(0.0, 0.037, 0.063), (1.0, 0.037, 0.060)])
def test_noise_and_levels_of_parts_reject_as_often_as_they_say(of_parts: float, least: float, most: float) -> None:
    """Eight players, twelve mouthpieces, twenty marks each, seeded: noise alone, and parts with levels of their own, at 5 % in about as many of 3,000."""
    rng = np.random.default_rng(31)
    found = []
    for _ in range(3000):
        who, part = np.repeat(np.arange(8), 20), rng.integers(0, 12, 160)
        mark = rng.normal(size=8)[who] + of_parts * rng.normal(size=12)[part] + rng.normal(size=160)
        gone = goes_with(mark, rng.normal(size=12)[part], who, [part])
        found.append(gone is not None and gone.probability <= 0.05)
    assert least <= float(np.mean(found)) <= most
