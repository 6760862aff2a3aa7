"""A fair curve fitted again to many disturbed sets of readings at once, for Monte Carlo."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from matchkit.physics.lay.fair import FairCurve, Readings, miss_slopes, usual, usual_slopes
from matchkit.physics.lay.shapes import fall_m, rise_m, run_m
from matchkit.units import MM

Array = NDArray[np.float64]

_ROUNDS = 150
_SMALL = 1e-7
"""Below this, in relative parameters, comparing sums of squares tells nothing more, and steps are whole."""
_DONE = 1e-12
_LONGEST = 0.3
_LEAST_U_M = 1e-9
_LOW = np.array([1e-3, 1e-3, 0.25, -0.25])
_HIGH = np.array([0.1, 0.2, 1.0, 2.0])
"""Bounds of the parameters, the bend over the tip opening, wider than those of the fit."""


@dataclass(frozen=True)
class Redrawn:
    """Many draws of one fair curve: its parameters (4, D)."""

    parameters: Array

    def place_m(self, height_m: Array | float) -> Array:
        """Return where each curve is ``height_m`` high (D,), all alike or each its own."""
        return np.asarray(self.parameters[0] - run_m(self.parameters[1:], np.asarray(height_m)))

    def height_m(self, x_m: Array) -> Array:
        """Return the height of each curve over places ``x_m`` (m,) that all share, or (D, m) of its own."""
        return rise_m(self.parameters[1:, :, None], self.parameters[0][:, None] - np.atleast_2d(x_m))

    @property
    def half_open_m(self) -> Array:
        """Where each is half as high as at the tip (D,)."""
        return self.place_m(rise_m(self.parameters[1:], self.parameters[0]) / 2)

    @property
    def break_m(self) -> Array:
        """Where each leaves the table (D,)."""
        return np.asarray(self.parameters[0])


@dataclass(frozen=True)
class _Drawn:
    """Disturbed places and heights (D, n), the tip last, and what is usual of a facing (2, D), disturbed as well."""

    x: Array
    y: Array
    u_x: Array
    u_y: Array
    usual: Array

    def take(self, rows: NDArray[np.intp]) -> _Drawn:
        return _Drawn(self.x[rows], self.y[rows], self.u_x, self.u_y, self.usual[:, rows])

    def miss(self, parameters: Array) -> Array:
        """Return the residuals of parameters (4, D), as (D, n + 2)."""
        shape = parameters[1:, :, None]
        sigma = np.sqrt(self.u_x**2 + (fall_m(shape, self.y) * self.u_y) ** 2 + _LEAST_U_M**2)
        off = (parameters[0][:, None] - run_m(shape, self.y) - self.x) / sigma
        return np.concatenate([off, (np.stack(usual(parameters, self.y[:, -1])) - self.usual).T], axis=1)

    def slopes(self, parameters: Array) -> Array:
        """Return the slopes of the residuals with the parameters (D, n + 2, 4)."""
        found = miss_slopes(parameters[:, :, None], self.x, self.y, u_x=self.u_x, u_y=self.u_y)
        return np.concatenate([found, usual_slopes(self.y[:, -1])], axis=1)


def redraw(
    curve: FairCurve,
    readings: Readings,
    *,
    place_m: Array,
    height_m: Array,
    tip_m: Array,
    u_tip_m: float,
    usual_off: Array | None = None,
) -> Redrawn:
    """Fit a fair curve to ``D`` disturbed sets of readings.

    ``place_m`` and ``height_m`` are (D, n), ``tip_m`` (D,); ``usual_off`` (2, D) disturbs what facings are usually like, in its standard
    uncertainties. The weights follow the curve, as in the fit. Levenberg-Marquardt on orthogonal factors, in relative parameters, from the
    curve as it was fitted until it has converged.
    """
    draws, count = len(tip_m), 4
    data = _Drawn(
        np.concatenate([place_m, np.zeros((draws, 1))], axis=1),
        np.concatenate([height_m, tip_m[:, None]], axis=1),
        np.append(readings.u_place_m, 0.0),
        np.append(readings.u_height_m, u_tip_m),
        np.zeros((2, draws)) if usual_off is None else usual_off,
    )
    tip = float(tip_m.mean()) / MM
    bound = np.array([1.0, 1.0, 1.0, 1 / tip])
    low, high = (_LOW * bound)[:, None], (_HIGH * bound)[:, None]
    scale = np.append(curve.parameters[:3], 0.1 / tip)
    parameters = np.repeat(curve.parameters[:, None], draws, axis=1)
    miss = data.miss(parameters)
    damping = np.full(draws, 1e-3)
    left = np.arange(draws)
    for _ in range(_ROUNDS):
        now, seen, some = parameters[:, left], miss[left], data.take(left)
        slopes = some.slopes(now) * scale
        uphill = np.einsum("dnp,dn->pd", slopes, seen)
        held = (((now <= low) & (uphill > 0)) | ((now >= high) & (uphill < 0))).T  # by a bound
        slopes = np.where(held[:, None, :], 0.0, slopes)
        weight = np.where(held, 1.0, np.sqrt(damping[left, None] * (slopes**2).sum(axis=1)))
        tall = np.concatenate([slopes, weight[:, :, None] * np.eye(count)], axis=1)
        orthogonal, triangular = np.linalg.qr(tall)
        right = np.einsum("dnp,dn->dp", orthogonal[:, : seen.shape[1]], seen)
        step = np.clip(np.linalg.solve(triangular, right[:, :, None])[:, :, 0], -_LONGEST, _LONGEST)
        trial = np.clip(now - (scale * step).T, low, high)
        further = some.miss(trial)
        size = np.abs((trial - now) / scale[:, None]).max(axis=0)
        better = ((further**2).sum(axis=1) < (seen**2).sum(axis=1)) | (size < _SMALL)
        taken = left[better]
        parameters[:, taken], miss[taken] = trial[:, better], further[better]
        whole = damping[left] == 0.0  # a damped step may be short far from the minimum
        damping[left] = np.where(size < _SMALL, 0.0, np.where(better, damping[left] / 5, np.maximum(damping[left] * 8, 1e-6)))
        left = left[~(better & (size < _DONE) & whole)]
        if not len(left):
            break
    return Redrawn(parameters)


def redraw_same_shape(
    curve: FairCurve, readings: Readings, *, place_m: Array, height_m: Array, tip_m: Array, u_tip_m: float
) -> Redrawn:
    """Fit break and size alone to every draw, the shape being that of the curve: what ``same_shape`` does of one."""
    x = np.concatenate([place_m, np.zeros((len(tip_m), 1))], axis=1)
    y = np.concatenate([height_m, tip_m[:, None]], axis=1)
    heights, u_height = np.append(readings.height_m, tip_m.mean()), np.append(readings.u_height_m, u_tip_m)
    sigma = np.hypot(np.append(readings.u_place_m, _LEAST_U_M), fall_m(curve.parameters[1:], heights) * u_height)
    shape = np.append(1.0, curve.parameters[2:])
    run, weight = run_m(shape, y), sigma**-2.0 / (sigma**-2.0).sum()
    middle = (x @ weight, run @ weight)
    off = run - middle[1][:, None]
    size = -((off * (x - middle[0][:, None])) @ weight) / (off**2 @ weight)
    edge = middle[0] + size * middle[1]
    return Redrawn(np.stack([edge, size, *(np.full(len(tip_m), part) for part in shape[1:])]))
