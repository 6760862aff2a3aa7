"""A fair curve fitted again to many disturbed sets of readings at once, for Monte Carlo."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from matchkit.physics.lay.fair import FairCurve, Readings, Shape
from matchkit.physics.lay.shapes import Form, rise_m, run_m

Array = NDArray[np.float64]

ROUNDS = 40
_STEP = 1e-4
_SMALL = 1e-7
"""Below this, in relative parameters, comparing sums of squares tells nothing more, and steps are whole."""
_DONE = 1e-12
_LONGEST = 0.3
LEAST: dict[Form, list[float]] = {
    "arc": [1e-3, 1e-3],
    "ellipse": [1e-3, 1e-3, -200.0],
    "power law": [1e-3, 1e-3, 0.25],
}
MOST: dict[Form, list[float]] = {
    "arc": [0.1, 10.0],
    "ellipse": [0.1, 10.0, 1e3],
    "power law": [0.1, 0.2, 1.0],
}
"""Bounds of the parameters, wider than those of the fit: the draws of a parabola lie to both sides of it."""


def refit_shape(shape: Shape, readings: Readings, *, place_m: Array, height_m: Array, tip_m: Array, u_tip_m: float) -> Array:
    """Fit one shape to ``D`` disturbed sets of readings; gives its parameters (p, D).

    ``place_m`` and ``height_m`` are (D, n), ``tip_m`` (D,); the weights follow the shape, as in the fit.
    Levenberg-Marquardt on orthogonal factors, in relative parameters, from the shape as it was fitted until it has converged.
    """
    x = np.concatenate([place_m, np.zeros((len(tip_m), 1))], axis=1)
    y = np.concatenate([height_m, tip_m[:, None]], axis=1)
    u_x = np.append(readings.u_place_m, 0.0)
    u_y = np.append(readings.u_height_m, u_tip_m)
    count = len(shape.parameters)
    scale = shape.parameters.copy()
    if shape.form == "ellipse":  # which may be a parabola, q = 0: its q over that of a quarter ellipse as high as the tip
        scale[2] = shape.parameters[1] / tip_m.mean()
    parameters = np.repeat(shape.parameters[:, None], len(tip_m), axis=1)
    low = np.array(LEAST[shape.form])[:, None]
    high = np.array(MOST[shape.form])[:, None]
    miss = _misses(shape.form, parameters, x, y, u_x, u_y)
    damping = np.full(len(tip_m), 1e-3)
    left = np.arange(len(tip_m))
    for _ in range(ROUNDS):
        now, seen = parameters[:, left], miss[left]
        slopes = np.empty((*seen.shape, count))
        for column in range(count):
            step = _STEP * (scale * (np.arange(count) == column))[:, None]
            ahead, behind = (_misses(shape.form, now + sign * step, x[left], y[left], u_x, u_y) for sign in (1, -1))
            slopes[:, :, column] = (ahead - behind) / (2 * _STEP)
        weight = np.sqrt(damping[left, None] * (slopes**2).sum(axis=1))
        tall = np.concatenate([slopes, weight[:, :, None] * np.eye(count)], axis=1)
        orthogonal, triangular = np.linalg.qr(tall)
        right = np.einsum("dnp,dn->dp", orthogonal[:, : seen.shape[1]], seen)
        step = np.clip(np.linalg.solve(triangular, right[:, :, None])[:, :, 0], -_LONGEST, _LONGEST)
        trial = np.clip(now - (scale * step).T, low, high)
        further = _misses(shape.form, trial, x[left], y[left], u_x, u_y)
        size = np.abs((trial - now) / scale[:, None]).max(axis=0)
        better = ((further**2).sum(axis=1) < (seen**2).sum(axis=1)) | (size < _SMALL)
        taken = left[better]
        parameters[:, taken], miss[taken] = trial[:, better], further[better]
        damping[left] = np.where(size < _SMALL, 0.0, np.where(better, damping[left] / 5, damping[left] * 8))
        left = left[~(better & (size < _DONE))]
        if not len(left):
            break
    return parameters


def _misses(form: Form, parameters: Array, x: Array, y: Array, u_x: Array, u_y: Array) -> Array:
    shape = parameters[1:, :, None]
    step = 1e-3 * y
    slope = (run_m(form, shape, y + step) - run_m(form, shape, y - step)) / (2 * step)
    sigma = np.maximum(np.sqrt(u_x**2 + (slope * u_y) ** 2), 1e-9)
    return np.asarray((parameters[0][:, None] - run_m(form, shape, y) - x) / sigma)


@dataclass(frozen=True)
class Redrawn:
    """Many draws of one shape: its parameters (p, D)."""

    form: Form
    parameters: Array

    def place_m(self, height_m: Array | float) -> Array:
        """Return where each curve is ``height_m`` high (D,), all alike or each its own."""
        return np.asarray(self.parameters[0] - run_m(self.form, self.parameters[1:], np.asarray(height_m)))

    def height_m(self, x_m: Array) -> Array:
        """Return the height of each curve over places ``x_m`` (m,) that all share, or (D, m) of its own."""
        return rise_m(self.form, self.parameters[1:, :, None], self.parameters[0][:, None] - np.atleast_1d(x_m))

    @property
    def half_open_m(self) -> Array:
        """Where each is half as high as at the tip (D,)."""
        return self.place_m(rise_m(self.form, self.parameters[1:], self.parameters[0]) / 2)

    @property
    def break_m(self) -> Array:
        """Where each leaves the table (D,)."""
        return np.asarray(self.parameters[0])


def redraw(curve: FairCurve, readings: Readings, *, place_m: Array, height_m: Array, tip_m: Array, u_tip_m: float) -> Redrawn:
    """Fit the widest shape of a fair curve to every draw."""
    shape = curve.shapes[curve.widest]
    found = refit_shape(shape, readings, place_m=place_m, height_m=height_m, tip_m=tip_m, u_tip_m=u_tip_m)
    return Redrawn(shape.form, found)
