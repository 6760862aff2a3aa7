"""Whether players agree, with themselves and with one another: intraclass correlations and Kendall's W."""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Agreement:
    """Intraclass correlation of single ratings with its 95 % interval; ``form`` is that of Shrout and Fleiss 1979.

    ``targets`` were rated, each by ``raters``. None where the ratings do not vary at all.
    """

    form: str
    targets: int
    raters: int
    value: float
    low: float
    high: float


def mean_squares(ratings: Array) -> tuple[float, float, float]:
    """Return the mean squares between targets, between raters and of the rest of a two-way table (targets, raters)."""
    y = np.asarray(ratings, dtype=float)
    targets, raters = y.shape
    y = y - y.mean()
    by_target, by_rater = y.mean(axis=1), y.mean(axis=0)
    rest = y - by_target[:, None] - by_rater[None, :]
    return (
        raters * float((by_target**2).sum()) / (targets - 1),
        targets * float((by_rater**2).sum()) / (raters - 1),
        float((rest**2).sum()) / ((targets - 1) * (raters - 1)),
    )


def consistency(ratings: Array, *, confidence: float = 0.95) -> Agreement | None:
    """Return ICC(3,1), how far single ratings order targets alike whatever each rater's level (Shrout and Fleiss 1979).

    ``ratings`` are (targets, raters) or (set-ups, repeats of one player), two of each or more and none missing.

    >>> found = consistency(np.array([[9.0, 2, 5, 8], [6, 1, 3, 2], [8, 4, 6, 8], [7, 1, 2, 6], [10, 5, 6, 9], [6, 2, 4, 7]]))
    >>> round(found.value, 4)
    0.7148
    """
    from scipy.stats import f as fisher

    targets, raters = _shape(ratings)
    between, _, rest = mean_squares(ratings)
    if between + rest == 0:
        return None
    value = (between - rest) / (between + (raters - 1) * rest)
    if rest == 0:
        return Agreement("ICC(3,1)", targets, raters, value, 1.0, 1.0)
    ratio = between / rest
    df = targets - 1, (targets - 1) * (raters - 1)
    tail = (1 - confidence) / 2
    low, high = ratio / float(fisher.isf(tail, *df)), ratio * float(fisher.isf(tail, *df[::-1]))
    return Agreement("ICC(3,1)", targets, raters, value, (low - 1) / (low + raters - 1), (high - 1) / (high + raters - 1))


def agreement(ratings: Array, *, confidence: float = 0.95) -> Agreement | None:
    """Return ICC(2,1), how far single ratings agree in the value itself, raters drawn from many (Shrout and Fleiss 1979).

    Interval after Satterthwaite, as they give it. Shapes as :func:`consistency`.

    >>> found = agreement(np.array([[9.0, 2, 5, 8], [6, 1, 3, 2], [8, 4, 6, 8], [7, 1, 2, 6], [10, 5, 6, 9], [6, 2, 4, 7]]))
    >>> round(found.value, 4), round(found.low, 2), round(found.high, 2)
    (0.2898, 0.02, 0.76)
    """
    from scipy.stats import f as fisher

    targets, raters = _shape(ratings)
    between, level, rest = mean_squares(ratings)
    bottom = between + (raters - 1) * rest + raters * (level - rest) / targets
    if bottom <= 0:
        return None
    value = (between - rest) / bottom
    if rest == 0:
        return Agreement("ICC(2,1)", targets, raters, value, 0.0, 1.0)
    ratio = level / rest
    a = targets * (1 + (raters - 1) * value) - raters * value
    top = (raters - 1) * (targets - 1) * (raters * value * ratio + a) ** 2
    df = top / ((targets - 1) * raters**2 * value**2 * ratio**2 + a**2)
    tail = (1 - confidence) / 2
    up, down = float(fisher.isf(tail, targets - 1, df)), float(fisher.isf(tail, df, targets - 1))
    whole = raters * level + (raters * targets - raters - targets) * rest
    low = targets * (between - up * rest) / (up * whole + targets * between)
    high = targets * (down * between - rest) / (whole + targets * down * between)
    return Agreement("ICC(2,1)", targets, raters, value, low, high)


@dataclass(frozen=True)
class Concordance:
    """Kendall's W (0 to 1) with Friedman's chi-squared and its p, which is ``exact`` for small tables: whether raters order the targets alike."""

    targets: int
    raters: int
    value: float
    chi_squared: float
    probability: float
    exact: bool


def concordance(ratings: Array) -> Concordance:
    """Return Kendall's W, corrected for ties (Kendall and Smith 1939), of ratings (targets, raters); Friedman's test beside it.

    Small tables are counted out, for others each rater's ranks are dealt out anew, 9,999 times: chi-squared finds too little, and F too much.

    >>> concordance(np.array([[1.0, 1, 1], [2, 2, 2], [3, 3, 3]])).value
    1.0
    """
    from scipy.stats import rankdata

    targets, raters = _shape(ratings)
    ranks = np.apply_along_axis(rankdata, 0, np.asarray(ratings, dtype=float))
    spread = float(((ranks.sum(axis=1) - raters * (targets + 1) / 2) ** 2).sum())
    ties = 0.0
    for column in ranks.T:
        _, counts = np.unique(column, return_counts=True)
        ties += float((counts**3 - counts).sum())
    bottom = raters**2 * (targets**3 - targets) - raters * ties
    value = 12 * spread / bottom if bottom > 0 else math.nan
    chi = raters * (targets - 1) * value
    if math.isnan(value):
        return Concordance(targets, raters, value, chi, math.nan, exact=False)
    if raters <= EXACT.get(targets, 0):
        return Concordance(targets, raters, value, chi, _exact_tail(ranks, spread), exact=True)
    return Concordance(targets, raters, value, chi, _drawn_tail(ranks, spread), exact=False)


EXACT = {2: 30, 3: 20, 4: 10, 5: 6, 6: 4}
"""Most raters, by targets, for which the distribution is counted out."""
DRAWN = 9999
SEED = 30


def _drawn_tail(ranks: Array, spread: float) -> float:
    """Return how likely rank sums are at least so far apart where each rater's ranks fall anyhow: drawn 9,999 times by a fixed seed."""
    given = tuple(sorted(tuple(sorted(column)) for column in ranks.T.tolist()))
    return float((1 + (_drawn_spreads(given) >= spread - 1e-9).sum()) / (DRAWN + 1))


@lru_cache(maxsize=8)
def _drawn_spreads(given: tuple[tuple[float, ...], ...]) -> Array:
    """Return how far apart rank sums fall in each draw; ``given`` are the ranks that each rater has to give, whoever gets which."""
    rng = np.random.default_rng(SEED)
    targets, raters = len(given[0]), len(given)
    sums = np.zeros((DRAWN, targets))
    for ranks in given:
        sums += np.array(ranks)[rng.random((DRAWN, targets)).argsort(axis=1)]
    return np.asarray(((sums - raters * (targets + 1) / 2) ** 2).sum(axis=1))


def _exact_tail(ranks: Array, spread: float) -> float:
    """Return how likely rank sums are at least so far apart where each rater's ranks fall anyhow, ties as they are: counted out."""
    apart, weight = _counted_spreads(tuple(sorted(tuple(sorted(column)) for column in ranks.T.tolist())))
    return float(weight[apart >= spread - 1e-9].sum())


@lru_cache(maxsize=8)
def _counted_spreads(given: tuple[tuple[float, ...], ...]) -> tuple[Array, Array]:
    """Return how far apart rank sums can fall, and how likely each is; ``given`` as for :func:`_drawn_spreads`."""
    from itertools import permutations

    states: dict[tuple[float, ...], float] = {tuple([0.0] * len(given[0])): 1.0}
    for ranks in given:
        ways = [np.array(way) for way in permutations(ranks)]
        ahead: dict[tuple[float, ...], float] = {}
        for state, weight in states.items():
            sums = np.sort(np.array(state) + np.array(ways), axis=1)
            kinds, counts = np.unique(sums, axis=0, return_counts=True)
            for kind, count in zip(kinds.tolist(), counts.tolist(), strict=True):
                key = tuple(kind)
                ahead[key] = ahead.get(key, 0.0) + weight * count / len(ways)
        states = ahead
    middle = len(given) * (len(given[0]) + 1) / 2
    apart = ((np.array(list(states)) - middle) ** 2).sum(axis=1)
    return np.asarray(apart), np.array(list(states.values()))


def page_trend(ratings: Array, foretold: Array) -> float | None:
    """Return p of Page's test that ratings (targets, raters) rise with what is foretold (targets,): Page 1963; exact where scipy has it so.

    None where the foretold order has ties, or is not known.

    >>> round(page_trend(np.array([[1.0, 1, 2], [2, 3, 1], [3, 2, 3]]), np.array([0.0, 1.0, 2.0])), 3)
    0.088
    """
    from scipy.stats import page_trend_test

    order = np.argsort(foretold, kind="stable")
    if not np.all(np.isfinite(foretold)) or np.any(np.diff(foretold[order]) <= 0) or len(order) < 3:
        return None
    return float(page_trend_test(np.asarray(ratings, dtype=float)[order].T).pvalue)


def _shape(ratings: Array) -> tuple[int, int]:
    y = np.asarray(ratings, dtype=float)
    if y.ndim != 2 or min(y.shape) < 2 or not np.all(np.isfinite(y)):
        raise ValueError(f"expected two targets and two raters or more, none missing; read {y.shape}")
    return y.shape[0], y.shape[1]
