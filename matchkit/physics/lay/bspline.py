"""Cubic B-splines over knots: each place falls on four of them.

scipy has them too (BSpline.design_matrix, against which the tests hold this), but importing that costs more than all else a scan takes.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

DEGREE = 3


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
