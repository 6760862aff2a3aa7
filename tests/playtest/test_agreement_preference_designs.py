"""Agreement, strengths from preferences and designs, against published examples, other libraries, and by counting."""

from __future__ import annotations

import warnings
from itertools import pairwise, permutations

import choix
import numpy as np
import pandas as pd
import pingouin
import pytest
import statsmodels.api as sm
from scipy.stats import friedmanchisquare

from matchkit.playtest.design.orders import BLOCK_STARTS, blind_codes, incomplete_blocks, williams
from matchkit.playtest.stats.agreement import agreement, concordance, consistency, mean_squares
from matchkit.playtest.stats.preference import bradley_terry, counted_by_order

JUDGES = np.array([[9.0, 2, 5, 8], [6, 1, 3, 2], [8, 4, 6, 8], [7, 1, 2, 6], [10, 5, 6, 9], [6, 2, 4, 7]])
"""Six targets by four judges: Shrout and Fleiss 1979, table 2."""


def test_intraclass_correlations_of_shrout_and_fleiss() -> None:
    """ICC(2,1) .29 and ICC(3,1) .71, mean squares 11.24, 32.49, 1.02; to four digits as computed from them (.2898, .7148)."""
    assert mean_squares(JUDGES) == pytest.approx((11.24, 32.49, 1.02), abs=5e-3)
    two, three = agreement(JUDGES), consistency(JUDGES)
    assert two is not None
    assert three is not None
    assert (two.value, three.value) == pytest.approx((0.2898, 0.7148), abs=5e-5)
    assert (two.targets, two.raters) == (6, 4)


@pytest.mark.parametrize("seed", [None, 1, 2, 3])
def test_intraclass_correlations_of_another_library(seed: int | None) -> None:
    """Values and 95 % intervals as pingouin has them, on the published ratings and on three seeded tables."""
    ratings = JUDGES
    if seed is not None:
        rng = np.random.default_rng(seed)
        ratings = rng.normal(size=(8, 1)) + 0.5 * rng.normal(size=(1, 5)) + rng.normal(size=(8, 5))
    rows = [(target, judge, value) for (target, judge), value in np.ndenumerate(ratings)]
    long = pd.DataFrame(rows, columns=["target", "judge", "rating"])
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # of that library's own
        other = pingouin.intraclass_corr(data=long, targets="target", raters="judge", ratings="rating")
    bounds = next(column for column in other.columns if column.startswith("CI95"))
    for place, found in ((1, agreement(ratings)), (2, consistency(ratings))):
        assert found is not None
        assert found.value == pytest.approx(other["ICC"].iloc[place], abs=1e-4)
        assert (found.low, found.high) == pytest.approx(tuple(other[bounds].iloc[place]), abs=6e-3)


def test_concordance_is_friedman_s() -> None:
    """Kendall's W from Friedman's chi-squared, ties corrected, as scipy has it; 1 where all order alike."""
    found = concordance(JUDGES)
    library = friedmanchisquare(*JUDGES)
    assert found.chi_squared == pytest.approx(library.statistic, rel=1e-9)
    assert found.probability < library.pvalue  # exact, where chi-squared is a little too large for so few
    assert found.value == pytest.approx(library.statistic / (4 * 5))
    assert concordance(np.array([[1.0, 5], [2, 6], [3, 9]])).value == pytest.approx(1.0)


def test_friedman_on_null_data_rejects_as_it_says() -> None:
    """10,000 seeded panels of ten raters and five set-ups that are all alike: rejected in 4 to 6 % at 5 %."""
    rng = np.random.default_rng(6)
    ranks = rng.random((10_000, 5, 10)).argsort(axis=1).argsort(axis=1) + 1.0
    spread = ((ranks.sum(axis=2) - 10 * 3) ** 2).sum(axis=1)
    w = 12 * spread / (100 * 120)
    assert concordance(ranks[0]).value == pytest.approx(w[0])
    rejected = float((10 * 4 * w > 9.487729).mean())  # chi-squared, 4 df, 5 %
    assert 0.04 <= rejected <= 0.06


def test_ratings_that_say_nothing() -> None:
    """All alike: no correlation; one rater, or one missing, is refused."""
    assert consistency(np.ones((4, 2))) is None
    assert agreement(np.ones((4, 2))) is None
    with pytest.raises(ValueError, match="two raters"):
        consistency(np.ones((4, 1)))
    with pytest.raises(ValueError, match="none missing"):
        agreement(np.array([[1.0, np.nan], [2, 3]]))
    perfect = consistency(np.array([[1.0, 2], [2, 3], [3, 4]]))
    assert perfect is not None
    assert (perfect.value, perfect.low, perfect.high) == (1.0, 1.0, 1.0)


TEAMS = ("Mil", "Det", "Tor", "NY", "Bos", "Cle", "Bal")
WINS = np.array(
    [
        [0, 7, 9, 7, 7, 9, 11],
        [6, 0, 7, 5, 11, 9, 9],
        [4, 6, 0, 7, 7, 8, 12],
        [6, 8, 6, 0, 6, 7, 10],
        [6, 2, 6, 7, 0, 7, 12],
        [4, 4, 5, 6, 6, 0, 6],
        [2, 4, 1, 3, 1, 7, 0],
    ],
    dtype=float,
)
HOME_WON = np.array(
    [
        [0, 4, 4, 4, 6, 4, 6],
        [3, 0, 4, 4, 6, 6, 4],
        [2, 4, 0, 2, 4, 4, 6],
        [3, 5, 2, 0, 4, 4, 6],
        [5, 2, 3, 4, 0, 5, 6],
        [2, 3, 3, 4, 4, 0, 2],
        [2, 1, 1, 2, 1, 3, 0],
    ],
    dtype=float,
)
HOME_LOST = np.array(
    [
        [0, 3, 2, 3, 1, 2, 0],
        [3, 0, 2, 3, 0, 1, 3],
        [5, 3, 0, 4, 3, 2, 0],
        [3, 1, 5, 0, 3, 2, 1],
        [1, 5, 3, 2, 0, 2, 0],
        [5, 3, 4, 3, 2, 0, 4],
        [5, 5, 6, 4, 6, 4, 0],
    ],
    dtype=float,
)
"""American League East 1987, Agresti 2002 table 10.11 (the tables from memory; they reproduce every published figure)."""


def test_baseball_without_home_effect() -> None:
    """Abilities 1.58 1.44 1.29 1.25 1.11 .68 0 (Agresti 2002); as choix has them to 1e-4."""
    found = bradley_terry(TEAMS, WINS)
    assert found.worth == pytest.approx([1.58, 1.44, 1.29, 1.25, 1.11, 0.68, 0], abs=5e-3)
    assert np.sqrt(np.diag(found.covariance))[:-1] == pytest.approx(0.3, abs=0.05)
    pairs = [(i, j) for i in range(7) for j in range(7) for _ in range(int(WINS[i, j]))]
    other = choix.mm_pairwise(7, pairs, tol=1e-12, max_iter=100_000)
    assert found.worth == pytest.approx(other - other[-1], abs=1e-4)
    assert found.unbounded == ()
    assert (HOME_WON + HOME_LOST.T == WINS).all()


def test_baseball_with_home_effect() -> None:
    """Home effect .302, shares .220 .190 .164 .157 .137 .088 .044, deviance 38.643 (Agresti 2002); as statsmodels' logit has them."""
    found = counted_by_order(TEAMS, HOME_WON, HOME_LOST)
    assert found.first == pytest.approx(0.302, abs=5e-4)
    assert found.shares == pytest.approx([0.220, 0.190, 0.164, 0.157, 0.137, 0.088, 0.044], abs=5e-4)
    assert found.deviance == pytest.approx(38.643, abs=5e-4)
    assert found.degrees == 35
    rows = [(i, j) for i in range(7) for j in range(7) if i != j]
    design = np.array([[float(i == k) - float(j == k) for k in range(6)] + [1.0] for i, j in rows])
    counts = np.array([[HOME_WON[i, j], HOME_LOST[i, j]] for i, j in rows])
    model = sm.GLM(counts, design, family=sm.families.Binomial()).fit()
    assert [*found.worth[:-1], found.first] == pytest.approx(model.params, abs=1e-6)
    assert found.u_first == pytest.approx(model.bse[-1], rel=1e-4)


def test_an_item_that_won_everything_is_named() -> None:
    """No finite strength is the likeliest: the item is named, the others keep theirs; groups never compared are refused."""
    found = bradley_terry(("a", "b", "c"), np.array([[0.0, 5, 5], [0, 0, 3], [0, 2, 0]]))
    assert found.unbounded == ("a",)
    assert found.worth[1] == pytest.approx(np.log(3 / 2), abs=1e-4)
    with pytest.raises(ValueError, match="never compared"):
        bradley_terry(("a", "b", "c", "d"), np.array([[0, 1, 0, 0], [1, 0, 0, 0], [0, 0, 0, 1], [0, 0, 1, 0]]))
    with pytest.raises(ValueError, match="square table"):
        bradley_terry(("a",), np.zeros((1, 1)))


@pytest.mark.parametrize("count", range(2, 11))
def test_williams_orders_balance_what_comes_before(count: int) -> None:
    """Each ordered pair of neighbours once for an even number, twice for an odd one; each item once at each place of a square (counting)."""
    orders = williams(count)
    times = 1 if count % 2 == 0 else 2
    assert len(orders) == times * count
    assert all(sorted(order) == list(range(count)) for order in orders)
    follows = [(before, after) for order in orders for before, after in pairwise(order)]
    assert all(follows.count(pair) == times for pair in permutations(range(count), 2))
    for place in range(count):
        assert sorted(order[place] for order in orders) == sorted(list(range(count)) * times)


@pytest.mark.parametrize(("count", "size"), [*BLOCK_STARTS, (5, 4), (6, 2), (4, 9)])
def test_incomplete_blocks_meet_equally_often(count: int, size: int) -> None:
    """Bk = vr and lambda(v - 1) = r(k - 1), and every pair meets lambda times (counting; 7 in blocks of 3 is 013, 124, 235, ...)."""
    blocks = incomplete_blocks(count, size)
    each = [sum(item in block for block in blocks) for item in range(count)]
    pairs = [sum(one in block and other in block for block in blocks) for one in range(count) for other in range(one)]
    assert len(set(each)) == 1
    assert len(set(pairs)) == 1
    k = len(blocks[0])
    assert 2 <= k <= size
    assert k == min(size, count) or (count, size) == (6, 2)
    assert len(blocks) * k == count * each[0]
    assert pairs[0] * (count - 1) == each[0] * (k - 1)
    if (count, size) == (7, 3):
        assert [sorted(block) for block in blocks[:2]] == [[0, 1, 3], [1, 2, 4]]


def test_designs_that_cannot_be() -> None:
    """One item, blocks of one, more codes than there are."""
    rng = np.random.default_rng(0)
    for make, words in (
        (lambda: williams(1), "two items"),
        (lambda: incomplete_blocks(5, 1), "blocks of two"),
        (lambda: blind_codes(901, rng=rng), "900"),
    ):
        with pytest.raises(ValueError, match=words):
            make()
    codes = blind_codes(900, rng=rng)
    assert len(set(codes)) == 900
    assert {len(code) for code in codes} == {3}


@pytest.mark.parametrize(("targets", "raters", "exact"), [(2, 30, True), (2, 31, False), (3, 20, True), (6, 5, False)])
def test_small_tables_are_counted_out(targets: int, raters: int, exact: bool) -> None:  # noqa: FBT001 - a table of cases
    """As far as the module says, and no further."""
    assert concordance(np.random.default_rng(1).normal(size=(targets, raters))).exact == exact
