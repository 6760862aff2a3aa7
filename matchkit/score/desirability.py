"""How a number becomes a desirability, from the floor to 1 (Derringer and Suich 1980), and how several become one."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

FLOOR = 0.01
"""Lowest desirability of a term: one that is bad never erases a set-up."""

NEUTRAL = 0.7
"""Desirability of a term that is not known; it keeps its weight, so not measuring never beats a good measurement."""

STEP_POWER = 1.73
"""Makes d = 0.1 at the poor limit where it is 0.5 half way."""


def by_steps(steps: Array, *, good: float = 0.0, poor: float = 2.0) -> Array:
    """Return d for a distance from the target in steps: 1 up to ``good``, 0.1 at ``poor``, 0.5 half way between.

    >>> [round(float(d), 3) for d in by_steps(np.array([0.0, 1.0, 2.0, 9.0]))]
    [1.0, 0.5, 0.1, 0.01]
    """
    past = np.maximum(np.abs(steps) - good, 0.0) * 2 / (poor - good)
    return np.asarray(np.maximum(np.exp(-np.log(2) * past**STEP_POWER), FLOOR))


def falling(value: Array, *, good: float, poor: float) -> Array:
    """Return d that is 1 up to ``good`` and falls straight to the floor at ``poor`` (Derringer and Suich's one-sided form, s = 1).

    >>> [round(float(d), 3) for d in falling(np.array([0.0, 0.115, 0.5]), good=0.03, poor=0.2)]
    [1.0, 0.5, 0.01]
    """
    return np.clip((poor - value) / (poor - good), FLOOR, 1.0)


def falling_on_average(value: Array, u: Array | float, *, good: float, poor: float) -> Array:
    """Return :func:`falling` averaged over a normal uncertainty ``u``, by seven-point Gauss-Hermite."""
    node, weight = np.polynomial.hermite_e.hermegauss(7)
    around = np.asarray(value)[..., None] + np.asarray(u)[..., None] * node
    return np.asarray(falling(around, good=good, poor=poor) @ (weight / weight.sum()))


def geometric_mean(d: Array, weights: Array) -> Array:
    """Return ``prod d_i^(w_i / sum w)`` over the first axis (T, N), as Derringer and Suich's overall desirability with weights.

    >>> float(geometric_mean(np.array([[0.25], [1.0]]), np.array([1.0, 1.0]))[0])
    0.5
    """
    return np.asarray(np.exp(weights @ np.log(d) / weights.sum()))
