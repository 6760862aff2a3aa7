"""Two splines that scipy has too, against which the tests hold these: importing it costs more than a whole ranking of a small house.

Monotone cubic interpolation, for thicknesses and lays; cubic B-splines, for scans.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

DEGREE = 3
"""The degree of the B-splines."""


@dataclass(frozen=True)
class MonotoneCubic:
    """The piecewise cubic through points (n,) at growing places that overshoots nowhere (Fritsch and Carlson 1980).

    Slopes inside are weighted harmonic means of the two secants, 0 where these differ in sign (Fritsch and Butland 1984); at the ends
    three-point slopes, cut down until the curve is monotone (Moler, Numerical Computing with MATLAB, 2004, section 3.6; from memory).
    """

    x: Array
    y: Array

    @cached_property
    def slopes(self) -> Array:
        """Slopes at the points (n,)."""
        width, secant = np.diff(self.x), np.diff(self.y) / np.diff(self.x)
        if len(secant) == 1:
            return np.repeat(secant, 2)
        before, after = secant[:-1], secant[1:]
        same = before * after > 0
        one, two = 2 * width[1:] + width[:-1], width[1:] + 2 * width[:-1]
        with np.errstate(divide="ignore", invalid="ignore"):
            mean = (one + two) / (one / before + two / after)
        inside = np.where(same, mean, 0.0)
        first = _end_slope(width[0], width[1], secant[0], secant[1])
        last = _end_slope(width[-1], width[-2], secant[-1], secant[-2])
        return np.concatenate([[first], inside, [last]])

    def __call__(self, x: Array) -> Array:
        """Return the curve at ``x`` (any shape), which must lie between the first and the last point."""
        place = np.clip(np.searchsorted(self.x, x, side="right") - 1, 0, len(self.x) - 2)
        square, cubic = self._coefficients
        s = x - self.x[place]
        return np.asarray(self.y[place] + s * (self.slopes[place] + s * (square[place] + s * cubic[place])))

    @cached_property
    def _coefficients(self) -> tuple[Array, Array]:
        width, secant = np.diff(self.x), np.diff(self.y) / np.diff(self.x)
        left, right = self.slopes[:-1], self.slopes[1:]
        return (3 * secant - 2 * left - right) / width, (left + right - 2 * secant) / width**2


def _end_slope(near: float, next_: float, secant: float, following: float) -> float:
    """Return the slope at an end from the widths and secants of its two cells."""
    slope = ((2 * near + next_) * secant - near * following) / (near + next_)
    if np.sign(slope) != np.sign(secant):
        return 0.0
    if np.sign(secant) != np.sign(following) and abs(slope) > 3 * abs(secant):
        return 3 * secant
    return float(slope)


def cubic_basis(x_m: Array, knots_m: Array) -> Array:
    """Return the cubic B-splines over ``knots_m`` (k + 4,), the first and last of them four times, at places (m,) within them, as (m, k).

    By the recursion of de Boor (1972, from memory) in the order of Piegl and Tiller, The NURBS Book, algorithm A2.2 (from memory).

    >>> cubic_basis(np.array([0.5]), np.array([0.0, 0, 0, 0, 1, 1, 1, 1]))
    array([[0.125, 0.375, 0.375, 0.125]])
    """
    x = np.asarray(x_m, dtype=float)
    span = np.clip(np.searchsorted(knots_m, x, side="right") - 1, DEGREE, len(knots_m) - DEGREE - 2)
    values = np.zeros((len(x), DEGREE + 1))
    values[:, 0] = 1.0
    for degree in range(1, DEGREE + 1):
        kept = np.zeros(len(x))
        for part in range(degree):
            ahead, behind = knots_m[span + part + 1] - x, x - knots_m[span + 1 - degree + part]
            share = values[:, part] / (ahead + behind)
            values[:, part] = kept + ahead * share
            kept = behind * share
        values[:, degree] = kept
    found = np.zeros((len(x), len(knots_m) - DEGREE - 1))
    found[np.arange(len(x))[:, None], span[:, None] - DEGREE + np.arange(DEGREE + 1)] = values
    return found
