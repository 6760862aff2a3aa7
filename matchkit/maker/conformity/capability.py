"""What a sample of pieces says about the batch: capability with its interval, tolerance intervals, and no failure in n."""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from matchkit.maker.conformity.rule import Limits

Array = NDArray[np.float64]

LEAST_PIECES = 20
"""Below so many pieces a capability index is never quoted without its interval."""


@dataclass(frozen=True)
class Capability:
    """Cpk of a sample with its interval, and Cp where there are two limits."""

    count: int
    cp: float | None
    cp_low: float | None
    cp_high: float | None
    cpk: float
    cpk_low: float
    cpk_high: float
    quotable: bool
    """Whether there are pieces enough to quote the index by itself."""


def capability(*, mean: float, sd: float, count: int, limits: Limits, confidence: float = 0.95) -> Capability | None:
    """Return Cp = (USL - LSL) / 6s and Cpk = min(USL - mean, mean - LSL) / 3s with two-sided intervals.

    Cp: chi-squared of the variance, exact for a normal sample. Cpk: Bissell 1990, ``Cpk (1 +- z sqrt(1/(9 n Cpk^2) + 1/(2(n-1))))``.
    None where nothing varies (sd 0) or there is no limit. NIST/SEMATECH e-Handbook 6.1.6.

    >>> found = capability(mean=16, sd=2, count=50, limits=Limits(8, 20))
    >>> round(found.cp, 4), round(found.cpk, 4)
    (1.0, 0.6667)
    """
    from scipy.stats import chi2, norm

    if count < 2:
        raise ValueError(f"expected two pieces or more, read {count}")
    sides = [(limits.high - mean) if limits.high is not None else None, (mean - limits.low) if limits.low is not None else None]
    known = [side for side in sides if side is not None]
    if sd <= 0 or not known:
        return None
    index = min(known) / (3 * sd)
    z = float(norm.ppf(0.5 + confidence / 2))
    half = z * math.sqrt(1 / (9 * count) + index**2 / (2 * (count - 1)))
    cp = low = high = None
    if limits.width is not None:
        cp = limits.width / (6 * sd)
        low, high = (
            cp * math.sqrt(float(chi2.ppf(share, count - 1)) / (count - 1))
            for share in (0.5 - confidence / 2, 0.5 + confidence / 2)
        )
    return Capability(count, cp, low, high, index, index - half, index + half, count >= LEAST_PIECES)


@lru_cache(maxsize=256)
def two_sided_factor(count: int, *, coverage: float = 0.95, confidence: float = 0.95) -> float:
    """Return k such that mean +- k s holds a share ``coverage`` of a normal population, exact.

    The content of the interval depends on the sample mean and variance, which are independent: the confidence is integrated over the
    mean, and k is where it is reached (Odeh and Owen 1980, from memory). Howe's approximation starts the search.
    """
    from scipy.optimize import brentq
    from scipy.stats import chi2, ncx2

    if count < 2:
        raise ValueError(f"expected two pieces or more, read {count}")
    nodes, weights = np.polynomial.hermite_e.hermegauss(80)
    offset = nodes / math.sqrt(count)
    weights = weights / weights.sum()
    radius = np.sqrt(ncx2.ppf(coverage, 1, np.maximum(offset**2, 1e-12)))

    def short(k: float) -> float:
        return float(weights @ chi2.sf((count - 1) * radius**2 / k**2, count - 1)) - confidence

    start = howe_factor(count, coverage=coverage, confidence=confidence)
    return float(brentq(short, 0.5 * start, 2 * start, xtol=1e-10))


def howe_factor(count: int, *, coverage: float = 0.95, confidence: float = 0.95) -> float:
    """Return Howe's 1969 approximation of :func:`two_sided_factor` (NIST/SEMATECH e-Handbook 7.2.6.3).

    >>> round(howe_factor(43, coverage=0.90, confidence=0.99), 3)
    2.217
    """
    from scipy.stats import chi2, norm

    z = float(norm.ppf(0.5 + coverage / 2))
    return float(z * math.sqrt((count - 1) * (1 + 1 / count) / chi2.ppf(1 - confidence, count - 1)))


def worst_share(count: int, *, confidence: float = 0.95) -> float:
    """Return the largest share of failing pieces that a sample of ``count`` without a failure leaves open, ``1 - (1-C)^(1/n)``.

    >>> worst_share(59) < 0.05 < worst_share(58)
    True
    """
    if count < 1:
        raise ValueError(f"expected one piece or more, read {count}")
    return float(1 - (1 - confidence) ** (1 / count))
