"""Weighted non-linear least squares with standard errors, and the averaging of rival models."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from matchkit.errors import PhysicsInputError

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Fit:
    """Parameters (p,), their covariance (p, p) for independent residuals of unit variance, and the sum of squared residuals.

    ``gain`` (p, n) is how the parameters move with the residuals, so that correlated residuals propagate as ``gain S gain^T``.
    """

    parameters: Array
    covariance: Array
    gain: Array
    chi_squared: float
    count: int

    @property
    def residual_deviation(self) -> float:
        """Standard deviation of the residuals, with p degrees of freedom spent."""
        return float(np.sqrt(self.chi_squared / (self.count - len(self.parameters))))

    @property
    def standard_errors(self) -> Array:
        """Standard errors of the parameters, scaled by the residual deviation (as NIST StRD certifies them)."""
        return np.asarray(np.sqrt(np.diag(self.covariance)) * self.residual_deviation)

    @property
    def corrected_criterion(self) -> float:
        """AICc for known variances: ``chi^2 + 2k + 2k(k+1)/(n-k-1)`` (Hurvich and Tsai 1989); infinite with too few points."""
        n, k = self.count, len(self.parameters)
        return self.chi_squared + 2 * k + 2 * k * (k + 1) / (n - k - 1) if n - k - 1 > 0 else float("inf")


def fit(residual: Callable[[Array], Array], start: Array, *, low: Array, high: Array) -> Fit:
    """Minimise the sum of squared residuals within bounds (trust region, scipy's least_squares), with scaled parameters.

    ``residual`` maps parameters (p,) to residuals (n,), each already over its standard uncertainty. Raises PhysicsInputError where no
    minimum is found or the parameters are not all determined.
    """
    from scipy.optimize import least_squares

    inside = np.clip(start, low + 1e-9 * (high - low), high - 1e-9 * (high - low))
    scale = np.maximum(np.abs(inside), 1e-12)

    def scaled(relative: Array) -> Array:
        return residual(relative * scale)

    bounds = (low / scale, high / scale)
    found = least_squares(scaled, inside / scale, bounds=bounds, xtol=1e-12, ftol=1e-12, gtol=1e-12, max_nfev=200)
    if not found.success:
        raise PhysicsInputError("no fit was found")
    parameters = np.asarray(found.x) * scale
    size = np.maximum(np.abs(parameters), 1e-3 * scale)
    slopes = sensitivity(residual, parameters, steps=1e-5 * size) * size
    information = slopes.T @ slopes
    length = np.sqrt(np.diag(information))
    if (
        not np.all(np.isfinite(information))
        or np.any(length == 0)
        or np.linalg.cond(information / np.outer(length, length)) > 1e14
    ):
        raise PhysicsInputError("the readings do not fix the curve")
    inverse = np.linalg.inv(information)
    gain = size[:, None] * (inverse @ slopes.T)
    return Fit(parameters, inverse * np.outer(size, size), gain, float(2 * found.cost), len(found.fun))


def sensitivity(function: Callable[[Array], Array], values: Array, *, steps: Array) -> Array:
    """Give the slopes of what a function gives (m,) with its inputs (p,), as (m, p), by central differences over ``steps`` (p,)."""
    columns = []
    for place, size in enumerate(steps):
        step = np.zeros_like(values)
        step[place] = size
        columns.append((function(values + step) - function(values - step)) / (2 * size))
    return np.column_stack(columns)


def propagate(function: Callable[[Array], Array], values: Array, covariance: Array) -> tuple[Array, Array]:
    """Give what a function makes of inputs (p,), as (m,), and its covariance (m, m) to first order.

    Law of propagation of uncertainty with correlated inputs, ``S C S^T`` (JCGM 100:2008, 5.2.2); slopes over a thousandth of each input's
    standard uncertainty.

    >>> value, covariance = propagate(lambda x: x[:1] + x[1:], np.array([1.0, 2.0]), np.array([[1.0, -1.0], [-1.0, 1.0]]))
    >>> float(value[0]), round(abs(float(covariance[0, 0])), 9)
    (3.0, 0.0)
    """
    deviation = np.sqrt(np.diag(covariance))
    steps = np.where(deviation > 0, 1e-3 * deviation, np.maximum(1e-6 * np.abs(values), 1e-12))
    slopes = sensitivity(function, values, steps=steps)
    return function(values), np.asarray(slopes @ covariance @ slopes.T)


def weights_of(criteria: Sequence[float]) -> Array:
    """Give model weights ``exp(-AICc/2)``, normalised (Burnham and Anderson 2002).

    >>> [round(float(w), 3) for w in weights_of([10.0, 12.0, float("inf")])]
    [0.731, 0.269, 0.0]
    """
    best = min(criteria)
    raw = np.exp(-(np.asarray(criteria) - best) / 2) if np.isfinite(best) else np.ones(len(criteria))
    return np.asarray(raw / raw.sum())
