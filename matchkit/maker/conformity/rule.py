"""Whether a measured value meets its limits, given how well it is known.

Decision rule, after JCGM 106:2012 and in the spirit of ISO 14253-1:2017 (both from memory): the probability of conformity decides.
A value passes where that probability is at least the confidence, fails where it lies beyond one of the limits with at least as much, and is
inconclusive between. For one limit this is a guard band of 1.645 u at 95 %. Limits that are narrower than the doubt leave everything near them
inconclusive: a gauge that cannot tell fails nothing.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from statistics import NormalDist
from typing import Literal

Verdict = Literal["pass", "inconclusive", "fail"]

CONFIDENCE = 0.95

ORDER: dict[Verdict, int] = {"pass": 0, "inconclusive": 1, "fail": 2}
"""From good to bad."""


@dataclass(frozen=True)
class Limits:
    """A lower and an upper limit, either of which may be missing."""

    low: float | None = None
    high: float | None = None

    def __post_init__(self) -> None:
        if self.low is not None and self.high is not None and not self.low <= self.high:
            raise ValueError(f"the lower limit {self.low} is above the upper one {self.high}")

    @property
    def width(self) -> float | None:
        """Upper minus lower, None where one is missing."""
        return None if self.low is None or self.high is None else self.high - self.low


def conformity_probability(value: float, *, u: float, limits: Limits) -> float:
    """Return the probability that the true value lies within the limits, for a normal distribution about ``value``.

    ``u`` is the standard uncertainty, not negative; with 0 the answer is 0 or 1 (on a limit: 1).

    >>> round(conformity_probability(5.47, u=0.05, limits=Limits(low=5.40)), 2)
    0.92
    """
    if u < 0 or not math.isfinite(value):
        raise ValueError(f"expected a finite value and an uncertainty of at least 0, read {value} and {u}")
    if u == 0:
        above = limits.low is None or value >= limits.low
        return float(above and (limits.high is None or value <= limits.high))
    below_high = 1.0 if limits.high is None else _normal((limits.high - value) / u)
    below_low = 0.0 if limits.low is None else _normal((limits.low - value) / u)
    return max(below_high - below_low, 0.0)


def _normal(z: float) -> float:
    return 0.5 * math.erfc(-z / math.sqrt(2))


def guard_band(u: float, *, confidence: float = CONFIDENCE) -> float:
    """Return how far inside one limit a value must lie to pass.

    >>> round(guard_band(1.0), 4)
    1.6449
    """
    return NormalDist().inv_cdf(confidence) * u


def judge(value: float, *, u: float, limits: Limits, confidence: float = CONFIDENCE) -> Verdict:
    """Return the verdict on one value.

    >>> [judge(x, u=0.02, limits=Limits(2.45, 2.55)) for x in (2.5, 2.54, 2.6)]
    ['pass', 'inconclusive', 'fail']
    """
    if conformity_probability(value, u=u, limits=limits) >= confidence:
        return "pass"
    sides = (Limits(low=limits.low), Limits(high=limits.high))
    within = min(conformity_probability(value, u=u, limits=side) for side in sides)
    return "fail" if within <= 1 - confidence else "inconclusive"
