"""The fair curve of a facing: the smooth curve nearest to its readings.

It leaves the table at the break ``L``, tangent to it, and is fitted in ``x`` (a feeler of known thickness is pushed in until it stops, so a
reading is a place for a given height): ``x = L - S t^a (1 + b t)``, ``t`` the height in mm (:mod:`matchkit.physics.lay.shapes`). What facings
are usually like counts as two more readings, so that few feelers fix a curve as well, and leave its shape in the doubt it is in.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property, partial

import numpy as np
from numpy.typing import NDArray

from matchkit import constants
from matchkit.errors import PhysicsInputError
from matchkit.physics.lay.fitting import Fit, fit, propagate, slopes_of
from matchkit.physics.lay.shapes import fall_m, rise_m, run_m
from matchkit.units import MM

Array = NDArray[np.float64]

THIN = constants.THIN_FEELER.value * MM
SEEN = constants.SEEN_HEIGHT.value * MM
CLAMP_BEHIND = constants.CLAMP_BEHIND.value * MM

EXPONENT, U_EXPONENT = 0.49, 0.08
"""Exponents of facings: 1/2 for an arc, 0.56 to 0.40 for power laws of 1.8 to 2.5 (assumed)."""
BEND, U_BEND = 0.0, 0.2
"""By how much facings bend away from a power law, as a share of the run at the tip (assumed)."""
LOW_EXPONENT, HIGH_EXPONENT, LEAST_BEND, MOST_BEND = 0.3, 0.9, -0.2, 1.5
"""Bounds within which every curve rises."""
_LEAST_U_M = 1e-9


@dataclass(frozen=True)
class Readings:
    """Feeler readings of one rail: heights, places and their standard uncertainties, all (n,) in m, thickest feeler first.

    Readings of one height were taken with one feeler and err alike in it, and so do the ``stacked`` (n,), whose feelers come from one set;
    ``u_common_m`` is an error of place that all share, ``u_tilt`` one of the plane they were taken from: a plate that rocks by that
    angle about the break lifts each by as much as it lies ahead of it.
    """

    height_m: Array
    place_m: Array
    u_height_m: Array
    u_place_m: Array
    u_common_m: float = 0.0
    u_tilt: float = 0.0
    u_step_m: float = 0.0
    """Of ``u_place_m``, what is due to the step that places are read to: alike on both rails where both read the same."""
    stacked: NDArray[np.bool_] | None = None
    lifts_m: Array | None = None
    """Errors of the rail's own plane, as a scan's zero and tilt, one row each (k, n): what one standard uncertainty of it lifts each reading by."""
    grounded: bool = True
    """False of a scan that shows no table: its zero may be anywhere, beyond these errors."""

    def alike(self) -> NDArray[np.bool_]:
        """Tell which readings err alike in height (n, n)."""
        same = self.height_m[:, None] == self.height_m[None, :]
        return np.asarray(same if self.stacked is None else same | np.logical_and.outer(self.stacked, self.stacked))

    def beside(self, other: Readings) -> Readings:
        """Put the readings of another rail behind these; person and plane are those of both."""
        names = ("height_m", "place_m", "u_height_m", "u_place_m")
        height, place, u_height, u_place = (np.concatenate([getattr(self, name), getattr(other, name)]) for name in names)
        stacks = [np.zeros(len(rail.height_m), bool) if rail.stacked is None else rail.stacked for rail in (self, other)]
        stacked = np.concatenate(stacks) if any(stack.any() for stack in stacks) else None
        step = max(self.u_step_m, other.u_step_m)
        lifts = np.concatenate(
            [
                np.pad(self.lifts, ((0, 0), (0, len(other.height_m)))),
                np.pad(other.lifts, ((0, 0), (len(self.height_m), 0))),
            ]
        )
        return Readings(
            height, place, u_height, u_place, self.u_common_m, self.u_tilt, step, stacked, lifts if len(lifts) else None
        )

    @property
    def lifts(self) -> Array:
        """``lifts_m``, without a row where there is none (k, n)."""
        return np.zeros((0, len(self.height_m))) if self.lifts_m is None else self.lifts_m


@dataclass(frozen=True)
class FairCurve:
    """A fair curve: break (m), size (m), exponent and bend (1/mm) as ``parameters`` (4,), with their covariance (4, 4)."""

    parameters: Array
    covariance: Array
    with_tip: Array
    """Covariance of the parameters with the tip opening as it was measured (4,), in m times their units; 0 where there was none."""
    scatter: float = 1.0
    """Chi-squared a degree of freedom where that exceeds 1: how much rougher the readings are than stated."""

    def place_m(self, height_m: Array | float) -> Array:
        """Return where the curve is ``height_m`` high (any shape)."""
        return np.asarray(self.parameters[0] - run_m(self.parameters[1:], np.asarray(height_m, dtype=float)))

    def fall(self, height_m: Array | float) -> Array:
        """Return how the place falls with the height, where the curve is ``height_m`` high (any shape)."""
        return np.asarray(fall_m(self.parameters[1:], np.asarray(height_m, dtype=float)))

    def u_place_m(self, height_m: Array) -> Array:
        """Return the standard uncertainty of the place where the curve is ``height_m`` high (n,), each above 0."""
        slopes = slopes_of(lambda parameters: parameters[0] - run_m(parameters[1:], height_m), self.parameters)
        return np.asarray(np.sqrt(np.einsum("np,pq,nq->n", slopes, self.covariance, slopes)))

    def height_m(self, x_m: Array) -> Array:
        """Return the height over ``x_m`` (any shape), 0 behind the break."""
        return rise_m(self.parameters[1:], self.parameters[0] - np.asarray(x_m, dtype=float))

    @property
    def break_m(self) -> float:
        """Where it leaves the table; poorly fixed by feelers."""
        return float(self.parameters[0])

    @cached_property
    def tip_m(self) -> float:
        """Height at the tip."""
        return float(self.height_m(np.zeros(())))

    @cached_property
    def _lengths(self) -> tuple[Array, Array]:
        return propagate(partial(_lengths, self.tip_m), self.parameters, self.covariance)

    @property
    def lengths_m(self) -> Array:
        """Tip opening, facing length, and where the lay is half as high as the tip (3,): with the facing length that tells the shape."""
        return self._lengths[0]

    @property
    def covariance_m2(self) -> Array:
        """Covariance of the lengths (3, 3), to first order."""
        return self._lengths[1]

    @property
    def with_tip_m2(self) -> Array:
        """Covariance of the lengths (3,) with the tip opening as it was measured."""
        return np.asarray(slopes_of(partial(_lengths, self.tip_m), self.parameters) @ self.with_tip)

    @property
    def facing_length_m(self) -> float:
        """Where the 0.038 mm feeler stops."""
        return float(self.lengths_m[1])

    @property
    def u_facing_length_m(self) -> float:
        """Standard uncertainty of the facing length."""
        return float(np.sqrt(self.covariance_m2[1, 1]))

    @property
    def clamp_m(self) -> float:
        """Where the reed is taken as clamped: 5 mm behind the facing length."""
        return self.facing_length_m + CLAMP_BEHIND

    @property
    def half_open_m(self) -> float:
        """Where the lay is half as high as the tip."""
        return float(self.lengths_m[2])

    @property
    def exponent(self) -> tuple[float, float]:
        """The power of the run by which the lay rises from the thin feeler to the tip, 2 for an arc, with its standard uncertainty."""
        found, covariance = propagate(partial(_exponent, self.tip_m), self.parameters, self.covariance)
        return float(found[0]), float(np.sqrt(covariance[0, 0]))


def _tip(tip_m: float, parameters: Array) -> Array:
    """Return the height at the tip, known already as a number, so that it follows its parameters: a Newton step from it."""
    shape = parameters[1:]
    return np.asarray(tip_m + (parameters[0] - run_m(shape, tip_m)) / fall_m(shape, tip_m))


def _lengths(tip_m: float, parameters: Array) -> Array:
    tip = _tip(tip_m, parameters)
    return np.stack([tip, parameters[0] - run_m(parameters[1:], THIN), parameters[0] - run_m(parameters[1:], tip / 2)])


def _exponent(tip_m: float, parameters: Array) -> Array:
    tip = _tip(tip_m, parameters)
    return np.stack([np.log(tip / THIN) / np.log(parameters[0] / run_m(parameters[1:], THIN))])


@dataclass(frozen=True)
class _Data:
    """Readings with the tip opening as one more, at ``x = 0`` and last; see :class:`Readings`."""

    x: Array
    y: Array
    u_x: Array
    u_y: Array

    def miss(self, parameters: Array) -> tuple[Array, Array, Array]:
        """Return how far readings lie from a curve along x, their standard uncertainties, and dx/dy, all (n,)."""
        fall = fall_m(parameters[1:], self.y)
        sigma = np.sqrt(self.u_x**2 + (fall * self.u_y) ** 2 + _LEAST_U_M**2)
        return parameters[0] - run_m(parameters[1:], self.y) - self.x, sigma, fall


def _data(readings: Readings, tip_opening_m: float, u_tip_m: float) -> _Data:
    return _Data(
        np.append(readings.place_m, 0.0),
        np.append(readings.height_m, tip_opening_m),
        np.append(readings.u_place_m, 0.0),
        np.append(readings.u_height_m, u_tip_m),
    )


def usual(parameters: Array, tip_m: Array | float) -> tuple[Array, Array]:
    """Return what facings are usually like as two more residuals: of the exponent, and of the bend at a tip as open as measured."""
    return (parameters[2] - EXPONENT) / U_EXPONENT, (parameters[3] * tip_m / MM - BEND) / U_BEND


def miss_slopes(parameters: Array, x_m: Array, y_m: Array, *, u_x: Array, u_y: Array) -> Array:
    """Return how the residuals of readings (..., n), misses along x over their standard uncertainties, move with the parameters (..., n, 4).

    Written out, weights that follow the curve included; ``parameters`` are (4,), or (4, ...) of many curves at once.
    """
    size, exponent, bend = shape = parameters[1:]
    t, run, fall = y_m / MM, run_m(shape, y_m), fall_m(shape, y_m)
    sigma = np.sqrt(u_x**2 + (fall * u_y) ** 2 + _LEAST_U_M**2)
    power, log = size * t ** (exponent - 1) / MM, np.log(t)
    wider = (parameters[0] - run - x_m) * fall * (u_y / sigma) ** 2
    moved = run / size, run * log, size * t ** (exponent + 1)
    steeper = fall / size, fall * log + power * (1 + bend * t), power * (exponent + 1) * t
    along = [-(by_run + wider * by_fall) / sigma for by_run, by_fall in zip(moved, steeper, strict=True)]
    return np.stack([1 / sigma, *along], axis=-1)


def usual_slopes(tip_m: Array) -> Array:
    """Return the slopes of :func:`usual` with the parameters, for tips (...), as (..., 2, 4)."""
    found = np.zeros((*np.shape(tip_m), 2, 4))
    found[..., 0, 2] = 1 / U_EXPONENT
    found[..., 1, 3] = tip_m / MM / U_BEND
    return found


def fair_curve(readings: Readings, *, tip_opening_m: float, u_tip_m: float, spent: int = 0) -> FairCurve:
    """Fit the fair curve to the readings of a rail (or both) and the tip opening; ``spent`` degrees of freedom have gone to levelling them.

    Weighted least squares in ``x`` with effective variance ``u_x^2 + (dx/dy u_y)^2`` (Orear 1982), the tip opening being one more reading
    at ``x = 0``. The covariance is widened by the reduced chi-squared where that exceeds 1, so a rough facing has a less
    certain length. Readings with one feeler, by one person, or from one tilted plate are correlated.

    Raises
    ------
    PhysicsInputError
        where the readings do not fall towards the table
    """
    data = _data(readings, tip_opening_m, u_tip_m)
    order = np.argsort(data.y)
    chord = np.polyfit(np.sqrt(data.y[order] / MM), data.x[order], 1)
    if not chord[0] < 0:
        raise PhysicsInputError("the readings do not fall towards the table")

    def residual(parameters: Array) -> Array:
        miss, sigma, _ = data.miss(parameters)
        return np.append(miss / sigma, usual(parameters, tip_opening_m))

    def slopes(parameters: Array) -> Array:
        found = miss_slopes(parameters, data.x, data.y, u_x=data.u_x, u_y=data.u_y)
        return np.concatenate([found, usual_slopes(np.asarray(tip_opening_m))])

    tip = float(data.y.max()) / MM
    found = fit(
        residual,
        np.array([chord[1], -chord[0], EXPONENT, 0.01]),
        low=np.array([float(data.x.max()), 1e-3, LOW_EXPONENT, LEAST_BEND / tip]),
        high=np.array([0.1, 0.2, HIGH_EXPONENT, MOST_BEND / tip]),
        slopes=slopes,
    )
    degrees = found.count - len(found.parameters) - spent
    scatter = max(1.0, found.chi_squared / degrees) if degrees > 0 else 1.0
    return _curve(found, data, readings, scatter)


def _curve(found: Fit, data: _Data, readings: Readings, scatter: float) -> FairCurve:
    """Put a fit's covariance together: feelers and touch, widened where the readings are rougher than that, and what all of them share."""
    _, sigma, fall = data.miss(found.parameters)
    by_feeler = fall * data.u_y / sigma
    alike = np.eye(len(sigma), dtype=bool)
    alike[:-1, :-1] |= readings.alike()
    own = alike * np.outer(by_feeler, by_feeler)  # one feeler errs alike wherever it is used
    np.fill_diagonal(own, 1.0)
    rougher = np.sqrt(np.append(np.full(len(sigma) - 1, scatter), 1.0))  # the tip was read in its own way
    moved = np.append(readings.u_common_m / sigma[:-1], 0.0)  # all but the tip
    lift = readings.u_tilt * np.maximum(found.parameters[0] - data.x, 0.0)
    raised = fall * lift / sigma
    gain, usually = found.gain[:, : len(sigma)], found.gain[:, len(sigma) :]
    spread = own * np.outer(rougher, rougher) + np.outer(moved, moved) + np.outer(raised, raised)
    planes = readings.lifts * (fall / sigma)[:-1]
    spread[:-1, :-1] += planes.T @ planes
    return FairCurve(
        found.parameters,
        gain @ spread @ gain.T + usually @ usually.T,
        gain[:, -1] * data.u_y[-1] + gain @ raised * lift[-1],
        scatter,
    )


def same_shape(readings: Readings, of: FairCurve | None = None, *, tip_opening_m: float, u_tip_m: float) -> FairCurve:
    """Fit break and size alone, with exponent and bend those ``of`` another curve, or of an arc: the curve of one rail beside the other's.

    A straight line in what the run is at each height. The covariance is that of the readings, the shape being held.

    Raises
    ------
    PhysicsInputError
        where the readings do not fall towards the table
    """
    data = _data(readings, tip_opening_m, u_tip_m)
    shape = np.array([1.0, 0.5, 0.0]) if of is None else np.array([1.0, *of.parameters[2:]])
    run = run_m(shape, data.y)
    size = 1.0 if of is None else float(of.parameters[1])
    if of is None:
        chord = np.polyfit(run, data.x, 1)
        if not chord[0] < 0:
            raise PhysicsInputError("the readings do not fall towards the table")
        size = float(-chord[0])
    fall = size * fall_m(shape, data.y)
    sigma = np.sqrt(data.u_x**2 + (fall * data.u_y) ** 2 + _LEAST_U_M**2)
    gain = np.linalg.pinv(np.column_stack([np.ones(len(run)), -run]) / sigma[:, None])
    edge, length = gain @ (data.x / sigma)
    if not length > 0:
        raise PhysicsInputError("the readings do not fall towards the table")
    rest = (edge - length * run - data.x) / sigma
    degrees = len(run) - 2
    scatter = max(1.0, float(rest @ rest) / degrees) if degrees > 0 else 1.0
    both = np.zeros((4, len(run)))
    both[:2] = gain
    found = Fit(np.array([edge, length, *shape[1:]]), np.zeros((4, 4)), both, float(rest @ rest), len(run))
    return _curve(found, data, readings, scatter)


def nominal_curve(*, tip_opening_m: float, facing_length_m: float, u_tip_m: float, u_facing_m: float) -> FairCurve:
    """Return the arc that has this tip opening and this facing length (where the 0.038 mm feeler stops).

    >>> curve = nominal_curve(tip_opening_m=2e-3, facing_length_m=22e-3, u_tip_m=5e-5, u_facing_m=1e-3)
    >>> round(curve.facing_length_m * 1e3, 3), round(float(curve.height_m(np.array(0.0))) * 1e3, 3)
    (22.0, 2.0)
    """
    if not (tip_opening_m > THIN and facing_length_m > 0):
        raise PhysicsInputError(f"no arc has a tip opening of {tip_opening_m} m and a facing length of {facing_length_m} m")
    bend = -MM / (4 * _nominal_radius(tip_opening_m, facing_length_m))

    def solve(sizes: Array) -> Array:
        shape = np.stack([1.0 + 0 * sizes[0], 0.5 + 0 * sizes[0], bend + 0 * sizes[0]])
        size = sizes[1] / (run_m(shape, sizes[0]) - run_m(shape, THIN))
        return np.stack([size * run_m(shape, sizes[0]), size, *shape[1:]])

    sizes = np.array([tip_opening_m, facing_length_m])
    parameters, covariance = propagate(solve, sizes, np.diag([u_tip_m**2, u_facing_m**2]))
    return FairCurve(parameters, covariance, np.zeros(4))


def _nominal_radius(tip: float, length: float) -> float:
    """Return the radius of the arc that rises from the thin feeler to ``tip`` over ``length``.

    With A and B the runs of the tip and of the feeler, ``A - B = length`` and ``A^2 - B^2 = 2 R (tip - thin) - tip^2 + thin^2``, which
    gives A as a line in R; put into ``A^2 = 2 R tip - tip^2`` that is a quadratic, whose larger root has B above zero.
    """
    rise, offset = (tip - THIN) / length, length / 2 - (tip**2 - THIN**2) / (2 * length)  # A = rise R + offset
    half = rise * offset - tip
    inside = max(half**2 - rise**2 * (offset**2 + tip**2), 0.0)
    return (-half + float(np.sqrt(inside))) / rise**2
