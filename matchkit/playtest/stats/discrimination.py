"""Blind tests of two set-ups: exact binomial tests, what they can find, and what a result leaves open.

A triangle is guessed right with probability 1/3, and asks whether there is any difference. The choice of two on a named attribute is a fair
coin where there is none. Model of sensory difference: Thurstone, as tabled in ISO 4120 (triangle) and ISO 5495 (paired comparison).
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np

Kind = Literal["triangle", "two"]

CHANCE: dict[Kind, float] = {"triangle": 1 / 3, "two": 1 / 2}
LEVEL = 0.05
MOST_TRIALS = 1000


@dataclass(frozen=True)
class Binomial:
    """One exact test: counts, the critical count (None where no count would do), p, and an exact interval of the share.

    ``level`` is the size asked for, ``size`` the one that the critical count really has. ``verdict`` is "different" or "inconclusive": a
    test that finds nothing does not show that there is nothing.
    """

    kind: Kind
    two_sided: bool
    trials: int
    successes: int
    critical: int | None
    level: float
    size: float
    probability: float
    share: float
    share_low: float
    share_high: float
    verdict: Literal["different", "inconclusive"]


def critical_count(kind: Kind, trials: int, *, level: float = LEVEL, two_sided: bool = False) -> int | None:
    """Return the smallest count that chance reaches with probability ``level`` at most; two-sided: the larger of both answers.

    None where even all right would not do. ISO 4120, ISO 10399 and ISO 5495, their tables.

    >>> critical_count("triangle", 24), critical_count("two", 20), critical_count("two", 20, two_sided=True), critical_count("triangle", 2)
    (13, 15, 15, None)
    """
    from scipy.stats import binom

    _sensible(trials, level)
    share = level / 2 if two_sided else level
    tails = binom.sf(np.arange(trials + 1) - 1, trials, CHANCE[kind])
    found = np.flatnonzero(tails <= share)
    return int(found[0]) if len(found) else None


def exact_size(kind: Kind, trials: int, *, level: float = LEVEL, two_sided: bool = False) -> float:
    """Return the probability with which chance alone reaches the critical count; at most ``level``, 0 where there is none."""
    from scipy.stats import binom

    critical = critical_count(kind, trials, level=level, two_sided=two_sided)
    if critical is None:
        return 0.0
    return float(binom.sf(critical - 1, trials, CHANCE[kind])) * (2 if two_sided else 1)


def binomial_test(kind: Kind, *, trials: int, successes: int, level: float = LEVEL, two_sided: bool = False) -> Binomial:
    """Test a count of right answers (triangle) or of answers for A (two) against chance; interval after Clopper and Pearson 1934."""
    from scipy.stats import binomtest

    _sensible(trials, level)
    if not 0 <= successes <= trials:
        raise ValueError(f"expected 0 to {trials} answers, read {successes}")
    test = binomtest(successes, trials, CHANCE[kind], alternative="two-sided" if two_sided else "greater")
    interval = binomtest(successes, trials).proportion_ci(confidence_level=1 - level, method="exact")
    probability = float(test.pvalue)
    return Binomial(
        kind=kind,
        two_sided=two_sided,
        trials=trials,
        successes=successes,
        critical=critical_count(kind, trials, level=level, two_sided=two_sided),
        level=level,
        size=exact_size(kind, trials, level=level, two_sided=two_sided),
        probability=probability,
        share=successes / trials,
        share_low=float(interval.low),
        share_high=float(interval.high),
        verdict="different" if probability <= level else "inconclusive",
    )


def wilson_interval(successes: int, trials: int, *, confidence: float = 0.95) -> tuple[float, float]:
    """Return the score interval of a share (Wilson 1927), which stays sensible for small counts.

    >>> [round(value, 4) for value in wilson_interval(81, 263)]
    [0.2553, 0.3662]
    """
    from scipy.stats import binomtest

    if not 0 <= successes <= trials or trials < 1:
        raise ValueError(f"expected 0 to {trials} of one trial or more, read {successes} of {trials}")
    interval = binomtest(successes, trials).proportion_ci(confidence_level=confidence, method="wilson")
    return float(interval.low), float(interval.high)


def power(kind: Kind, trials: int, *, correct: float, level: float = LEVEL, two_sided: bool = False) -> float:
    """Return the probability of a result where an answer is right with probability ``correct``; it is not monotone in ``trials``."""
    from scipy.stats import binom

    critical = critical_count(kind, trials, level=level, two_sided=two_sided)
    if critical is None:
        return 0.0
    found = float(binom.sf(critical - 1, trials, correct))
    return found + (float(binom.cdf(trials - critical, trials, correct)) if two_sided else 0.0)


def trials_needed(
    kind: Kind, *, correct: float, wanted: float = 0.8, level: float = LEVEL, two_sided: bool = False
) -> int | None:
    """Return the fewest trials from which on the power never falls below ``wanted``; None beyond 1,000.

    >>> trials_needed("two", correct=proportion_correct("two", 1.0))
    26
    """
    found = None
    for trials in range(MOST_TRIALS, 2, -1):
        if power(kind, trials, correct=correct, level=level, two_sided=two_sided) < wanted:
            return found
        found = trials
    return found


def proportion_correct(kind: Kind, d_prime: float) -> float:
    """Return how often a player answers right who perceives a difference of ``d_prime`` standard deviations (Thurstone; Ennis 1993).

    Two: ``Phi(d/sqrt(2))``. Triangle: ``2 int Phi(-z sqrt(3) + d sqrt(2/3)) + Phi(-z sqrt(3) - d sqrt(2/3)) phi(z) dz`` over z > 0.

    >>> round(proportion_correct("two", 1.0), 4), round(proportion_correct("triangle", 1.0), 4)
    (0.7602, 0.418)
    """
    from scipy.special import ndtr

    if not d_prime >= 0:
        raise ValueError(f"expected a difference of 0 or more, read {d_prime}")
    if kind == "two":
        return float(ndtr(d_prime / math.sqrt(2)))
    z = np.linspace(0, 12, 24_001)
    shift = d_prime * math.sqrt(2 / 3)
    density = np.exp(-(z**2) / 2) / math.sqrt(2 * math.pi)
    return float(2 * np.trapezoid((ndtr(-z * math.sqrt(3) + shift) + ndtr(-z * math.sqrt(3) - shift)) * density, z))


def d_prime_of(kind: Kind, correct: float) -> float:
    """Return the difference that a share of right answers stands for; 0 at chance or below, infinite at 1.

    >>> round(d_prime_of("triangle", 10 / 15), 3)
    2.321
    """
    from scipy.optimize import brentq

    if correct <= CHANCE[kind]:
        return 0.0
    if correct >= proportion_correct(kind, 12.0):
        return math.inf
    return float(brentq(lambda d: proportion_correct(kind, d) - correct, 0.0, 12.0, xtol=1e-10))


def holm(probabilities: list[float]) -> list[float]:
    """Adjust p values for having looked at all of them (Holm 1979): step down, never more than 1.

    >>> holm([0.01, 0.04, 0.03])
    [0.03, 0.06, 0.06]
    """
    from statsmodels.stats.multitest import multipletests

    return [float(value) for value in multipletests(probabilities, method="holm")[1]] if probabilities else []


def _sensible(trials: int, level: float) -> None:
    if trials < 1 or not 0 < level < 1:
        raise ValueError(f"expected one trial or more and a level between 0 and 1, read {trials} and {level}")
