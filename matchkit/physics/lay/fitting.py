"""Weighted non-linear least squares with standard errors, and the averaging of rival models."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from matchkit.errors import PhysicsInputError

Array = NDArray[np.float64]

STEP = 1e-3
"""Step of the differences, as a share of a parameter's size: they are then right to about 1e-12."""

STEP_OF_U = 1e-2
"""Step of the differences where an uncertainty says how far an input may move."""

_MOVES = np.array([-2.0, -1.0, 1.0, 2.0])
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

    @property
    def corrected_criterion(self) -> float:
        """AICc for known variances: ``chi^2 + 2k + 2k(k+1)/(n-k-1)`` (Hurvich and Tsai 1989); infinite with too few points."""
        n, k = self.count, len(self.parameters)
        return self.chi_squared + 2 * k + 2 * k * (k + 1) / (n - k - 1) if n - k - 1 > 0 else float("inf")


def fit(
    residual: Callable[[Array], Array],
    start: Array,
    *,
    low: Array,
    high: Array,
    slopes: Callable[[Array, Array], Array] | None = None,
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
        gives the slopes of the residuals (n, p) at parameters (p,) over steps (p,); by default :func:`sensitivity` of ``residual``

    Raises
    ------
    PhysicsInputError
        where no minimum is found, or the parameters are not all determined
    """
    parameters = np.clip(np.asarray(start, dtype=float), low, high)
    scale = np.maximum(np.abs(parameters), 1e-12)
    problem = _Problem(residual, slopes, scale, np.asarray(low), np.asarray(high))
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
    slopes: Callable[[Array, Array], Array] | None
    scale: Array
    low: Array
    high: Array

    def scaled_slopes(self, parameters: Array) -> tuple[Array, Array]:
        """Return the sizes of the parameters (p,), and the slopes of the residuals with parameters over them (n, p)."""
        size = np.maximum(np.abs(parameters), self.scale)
        if self.slopes is None:
            return size, sensitivity(self.residual, parameters, steps=STEP * size) * size
        return size, self.slopes(parameters, STEP * size) * size

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


def sensitivity(function: Callable[[Array], Array], values: Array, *, steps: Array) -> Array:
    """Return the slopes of what a function gives (m,) with its inputs (p,), as (m, p).

    Five-point central differences over ``steps`` (p,), exact for a polynomial of degree four (Abramowitz and Stegun 1964, table 25.2).
    """
    points = stencil(values, steps)
    return from_stencil(np.stack([function(points[:, place]) for place in range(points.shape[1])]), steps)


def stencil(values: Array, steps: Array) -> Array:
    """Return the points (p, 4 p) at which :func:`sensitivity` asks: each input moved by -2, -1, 1 and 2 of its steps."""
    return np.asarray(values[:, None] + (np.diag(steps)[:, :, None] * _MOVES).reshape(len(values), -1))


def from_stencil(found: Array, steps: Array) -> Array:
    """Return the slopes (m, p) from what a function gave (4 p, m) at the points of :func:`stencil`."""
    four = found.reshape(len(steps), 4, -1)
    near, far = four[:, 2] - four[:, 1], four[:, 3] - four[:, 0]
    return np.asarray(((8 * near - far) / (12 * steps[:, None])).T)


def propagate(function: Callable[[Array], Array], values: Array, covariance: Array) -> tuple[Array, Array]:
    """Return what a function makes of inputs (p,), as (m,), and its covariance (m, m) to first order.

    Law of propagation of uncertainty with correlated inputs, ``S C S^T`` (JCGM 100:2008, 5.2.2); slopes over a hundredth of each input's
    standard uncertainty.

    >>> value, covariance = propagate(lambda x: x[:1] + x[1:], np.array([1.0, 2.0]), np.array([[1.0, -1.0], [-1.0, 1.0]]))
    >>> float(value[0]), round(abs(float(covariance[0, 0])), 9)
    (3.0, 0.0)
    """
    deviation = np.sqrt(np.diag(covariance))
    steps = np.where(deviation > 0, STEP_OF_U * deviation, np.maximum(1e-6 * np.abs(values), 1e-12))
    slopes = sensitivity(function, values, steps=steps)
    return function(values), np.asarray(slopes @ covariance @ slopes.T)


def weights_of(criteria: Sequence[float]) -> Array:
    """Return model weights ``exp(-AICc/2)``, normalised (Burnham and Anderson 2002).

    >>> [round(float(w), 3) for w in weights_of([10.0, 12.0, float("inf")])]
    [0.731, 0.269, 0.0]
    """
    best = min(criteria)
    raw = np.exp(-(np.asarray(criteria) - best) / 2) if np.isfinite(best) else np.ones(len(criteria))
    return np.asarray(raw / raw.sum())
