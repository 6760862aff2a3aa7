"""What a sample of pieces says about the batch: capability with its intervals, tolerance intervals, and no failure in n.

Cp and Cpk hold the limits against how much neighbours in the order of making differ (moving range), Pp and Ppk against how much all of them do.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from matchkit.maker.conformity.chart import D2, range_degrees
from matchkit.maker.conformity.rule import Limits

Array = NDArray[np.float64]

FAR = 5.0
LEAST_PIECES = 20
"""Below so many pieces a capability index is never quoted without its interval."""


@dataclass(frozen=True)
class Index:
    """A capability index with its two-sided 95 % interval."""

    value: float
    low: float
    high: float


HeldBack = Literal["few pieces", "order not known", "read too coarsely", "out of control"]


@dataclass(frozen=True)
class Capability:
    """Cp and Cpk from neighbours, Pp and Ppk overall; Cp and Pp only where there are two limits.

    Cp and Cpk are None where the order of making is not known or neighbours do not differ. ``held_back`` is why no index may be quoted by itself.
    """

    count: int
    cp: Index | None
    cpk: Index | None
    pp: Index | None
    ppk: Index
    held_back: HeldBack | None

    @property
    def nearest(self) -> Index:
        """Cpk, or Ppk where there is none."""
        return self.ppk if self.cpk is None else self.cpk


def capability(
    values: Array, *, limits: Limits, ordered: bool = True, coarse: bool = False, in_control: bool = True
) -> Capability | None:
    """Return the capability of values (n,) in the order of making; n at least 2 (ValueError otherwise).

    None where nothing varies or there is no limit. Where neighbours mostly read alike (``coarse``) their differences are those of the rounding, and give no Cp. NIST/SEMATECH e-Handbook 6.1.6; Cp and Cpk take the deviation MRbar / 1.128, whose degrees of freedom
    are those of a mean of overlapping ranges (:func:`matchkit.maker.conformity.chart.range_degrees`).
    """
    values = np.asarray(values, dtype=float)
    count = len(values)
    if count < 2:
        raise ValueError(f"expected two pieces or more, read {count}")
    mean, sd = float(values.mean()), float(values.std(ddof=1))
    overall = indices(mean=mean, sd=sd, degrees=count - 1, count=count, limits=limits) if np.ptp(values) > 0 else None
    if overall is None:
        return None
    within = None
    if ordered and not coarse and count > 2:
        near = float(np.abs(np.diff(values)).mean()) / D2
        within = indices(mean=mean, sd=near, degrees=range_degrees(count), count=count, limits=limits) if near > 0 else None
    held: HeldBack | None = None if in_control else "out of control"
    if coarse:
        held = "read too coarsely"
    if not ordered:
        held = "order not known"
    if count < LEAST_PIECES:
        held = "few pieces"
    cp, cpk = within or (None, None)
    return Capability(count, cp, cpk, *overall, held)


def indices(
    *, mean: float, sd: float, degrees: float, count: int, limits: Limits, confidence: float = 0.95
) -> tuple[Index | None, Index] | None:
    """Return (USL - LSL) / 6s, where there are two limits, and min(USL - mean, mean - LSL) / 3s, each with its interval.

    The first: chi-squared of the variance, exact for a normal sample. The second with two limits: Bissell 1990,
    ``C (1 +- z sqrt(1/(9 n C^2) + 1/(2 v)))``; with one limit: exact by the noncentral t (Chou, Owen and Borrego 1990, from memory). None without a limit.

    >>> both = indices(mean=16, sd=2, degrees=49, count=50, limits=Limits(8, 20))
    >>> [round(index.value, 4) for index in both]
    [1.0, 0.6667]
    """
    from scipy.stats import chi2, norm

    sides = [(limits.high - mean) if limits.high is not None else None, (mean - limits.low) if limits.low is not None else None]
    known = [side for side in sides if side is not None]
    if not known:
        return None
    nearest = min(known) / (3 * sd)
    if limits.width is None:
        return None, Index(nearest, *_one_sided(nearest, degrees=degrees, count=count, confidence=confidence))
    z = float(norm.ppf(0.5 + confidence / 2))
    half = z * math.sqrt(1 / (9 * count) + nearest**2 / (2 * degrees))
    width = limits.width / (6 * sd)
    low, high = (
        width * math.sqrt(float(chi2.ppf(share, degrees)) / degrees) for share in (0.5 - confidence / 2, 0.5 + confidence / 2)
    )
    return Index(width, low, high), Index(nearest, nearest - half, nearest + half)


def _one_sided(index: float, *, degrees: float, count: int, confidence: float) -> tuple[float, float]:
    """Return the interval of an index with one limit: where the noncentral t of the sample has the tails that are left."""
    from scipy.optimize import brentq
    from scipy.stats import nct, norm

    scale = 3 * math.sqrt(count)
    half = math.sqrt(1 / (9 * count) + index**2 / (2 * degrees))  # Bissell's, which is where the search begins

    def at(share: float) -> float:
        seen = index * scale
        low, high = ((index + sign * 6 * half) * scale for sign in (-1, 1))

        def above(true: float) -> float:
            below = float(nct.cdf(seen, degrees, true))
            return (float(true < seen) if math.isnan(below) else below) - share  # so far out that it has no digits

        return float(brentq(above, low, high, xtol=1e-9)) / scale

    if abs(index) > FAR:  # so far that the noncentral t has no digits left, and nobody needs it
        z = float(norm.ppf(0.5 + confidence / 2))
        return index - z * half, index + z * half
    return at(0.5 + confidence / 2), at(0.5 - confidence / 2)


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
