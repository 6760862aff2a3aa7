"""Weighted non-linear least squares with standard errors, and the propagation of uncertainty.

Slopes are taken by the complex step ``Im f(x + ih) / h`` (Squire and Trapp 1998), right to the last digit: a function given here must be made of
what numpy continues to complex numbers (no absolute value, no maximum).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import partial

import numpy as np
from numpy.typing import NDArray

from matchkit.errors import PhysicsInputError

Array = NDArray[np.float64]

_STEP = 1e-40
"""Step along the imaginary axis: nothing is subtracted, so it may be as small as one likes."""

_MOST_STEPS = 200
_MOST_POLISH = 60
_SMALL = 1e-9
"""A step below this, in scaled parameters, is as near as comparing sums of squares can come; what is left is polish."""
_DONE = 1e-15
_FIXED = 1e7
"""Condition of the scaled slopes beyond which parameters are not told apart."""


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


def fit(
    residual: Callable[[Array], Array],
    start: Array,
    *,
    low: Array,
    high: Array,
    slopes: Callable[[Array], Array] | None = None,
) -> Fit:
    """Minimise the sum of squared residuals within bounds, until it has converged.

    Levenberg-Marquardt steps (Marquardt 1963; More 1978) on orthogonal factors of the slopes, in parameters scaled by their size; a
    parameter that a bound holds stays there. Comparing sums of squares settles a parameter to about 1e-8 of its size only; Gauss-Newton
    steps then go on until they no longer shrink, so that the answer is the minimum's own and not that of where a search gave up.

    Parameters
    ----------
    residual
        maps parameters (p,) to residuals (n,), each already over its standard uncertainty; also asked just outside the bounds
    start, low, high
        (p,) each; the start is moved inside the bounds
    slopes
        maps parameters to the slopes of the residuals with them (n, p); without it they are taken by the complex step

    Raises
    ------
    PhysicsInputError
        where no minimum is found, or the parameters are not all determined
    """
    parameters = np.clip(np.asarray(start, dtype=float), low, high)
    scale = np.maximum(np.abs(parameters), 1e-12)
    problem = _Problem(residual, slopes or partial(slopes_of, residual), scale, np.asarray(low), np.asarray(high))
    parameters = _polished(problem, _descend(problem, parameters))
    found = residual(parameters)
    size, scaled = problem.scaled_slopes(parameters)
    length = np.sqrt((scaled**2).sum(axis=0))
    if not np.all(np.isfinite(scaled)) or np.any(length == 0) or np.linalg.cond(scaled / length) > _FIXED:
        raise PhysicsInputError("the readings do not fix the curve")
    orthogonal, triangular = np.linalg.qr(scaled)
    inverse = np.linalg.inv(triangular)
    gain = size[:, None] * (inverse @ orthogonal.T)
    return Fit(parameters, (inverse @ inverse.T) * np.outer(size, size), gain, float(found @ found), len(found))


@dataclass(frozen=True)
class _Problem:
    """Residuals to be made small, with the size of each parameter and its bounds (p,)."""

    residual: Callable[[Array], Array]
    slopes: Callable[[Array], Array]
    scale: Array
    low: Array
    high: Array

    def scaled_slopes(self, parameters: Array) -> tuple[Array, Array]:
        """Return the sizes of the parameters (p,), and the slopes of the residuals with parameters over them (n, p)."""
        size = np.maximum(np.abs(parameters), self.scale)
        return size, self.slopes(parameters) * size

    def free(self, parameters: Array, downhill: Array) -> NDArray[np.bool_]:
        """Mark the parameters that no bound holds: those at one are free to come back."""
        held = ((parameters <= self.low) & (downhill < 0)) | ((parameters >= self.high) & (downhill > 0))
        return np.asarray(~held)


def _step(slopes: Array, found: Array, free: NDArray[np.bool_], damping: float) -> Array:
    """Return the damped Gauss-Newton step of the free parameters, 0 for the others, by QR."""
    step = np.zeros(slopes.shape[1])
    tall, right = slopes[:, free], -found
    if damping:
        weight = np.sqrt(damping * np.maximum((tall**2).sum(axis=0), 1e-300))
        tall = np.concatenate([tall, np.diag(weight)])
        right = np.concatenate([right, np.zeros(len(weight))])
    orthogonal, triangular = np.linalg.qr(tall)
    try:
        step[free] = np.linalg.solve(triangular, right @ orthogonal)
    except np.linalg.LinAlgError as error:
        raise PhysicsInputError("the readings do not fix the curve") from error
    return step


def _descend(problem: _Problem, parameters: Array) -> Array:
    """Go downhill until a step is small; raises PhysicsInputError where that takes too many."""
    found, damping = problem.residual(parameters), 1e-3
    for _ in range(_MOST_STEPS):
        size, slopes = problem.scaled_slopes(parameters)
        if not np.all(np.isfinite(slopes)):
            break
        free = problem.free(parameters, -(slopes.T @ found))
        if not free.any():
            return parameters
        while True:
            step = _step(slopes, found, free, damping)
            trial = np.clip(parameters + size * step, problem.low, problem.high)
            further = problem.residual(trial)
            moved = float(np.abs((trial - parameters) / size).max())
            if further @ further < found @ found or moved < _SMALL:
                break
            damping = max(4 * damping, 1e-6)
        parameters, found, damping = trial, further, damping / 10
        if moved < _SMALL:
            return parameters
    raise PhysicsInputError("no fit was found")


def _polished(problem: _Problem, parameters: Array) -> Array:
    """Take whole Gauss-Newton steps as long as each is shorter than the one before."""
    before = np.inf
    for _ in range(_MOST_POLISH):
        found = problem.residual(parameters)
        size, slopes = problem.scaled_slopes(parameters)
        free = problem.free(parameters, -(slopes.T @ found))
        if not free.any():
            return parameters
        step = _step(slopes, found, free, 0.0)
        length = float(np.abs(step).max())
        if not length < before or length < _DONE:
            return parameters
        parameters, before = np.clip(parameters + size * step, problem.low, problem.high), length
    return parameters


def slopes_of(function: Callable[[Array], Array], values: Array) -> Array:
    """Return the slopes of what a function gives (m,) with its inputs (p,), as (m, p), by the complex step.

    >>> slopes_of(lambda x: x[:1] ** 3, np.array([2.0])).tolist()
    [[12.0]]
    """
    moved = values + 1j * _STEP * np.eye(len(values))
    return np.stack([np.imag(function(row)) / _STEP for row in moved], axis=1)


def propagate(function: Callable[[Array], Array], values: Array, covariance: Array) -> tuple[Array, Array]:
    """Return what a function makes of inputs (p,), as (m,), and its covariance (m, m) to first order.

    Law of propagation of uncertainty with correlated inputs, ``S C S^T`` (JCGM 100:2008, 5.2.2).

    >>> value, covariance = propagate(lambda x: x[:1] + x[1:], np.array([1.0, 2.0]), np.array([[1.0, -1.0], [-1.0, 1.0]]))
    >>> float(value[0]), round(abs(float(covariance[0, 0])), 9)
    (3.0, 0.0)
    """
    slopes = slopes_of(function, values)
    return function(values), np.asarray(slopes @ covariance @ slopes.T)
