"""The fair curve of a facing: arc, ellipse and power law, averaged rather than chosen.

Each shape leaves the table at the break ``L``, tangent to it, and is fitted in ``x`` (a feeler of known thickness is pushed in until it
stops, so a reading is a place for a given height):

* circular arc      ``x = L - sqrt(2 R y - y^2)``
* ellipse           ``x = L - sqrt(2 R y - q y^2)``, half axes ``R / sqrt(q)`` along and ``R / q`` across; ``q = 0`` is its limit, a parabola
* power law         ``x = L - (y / c)^(1/m)``

They are averaged with weights ``exp(-AICc/2)``, and the doubt about the shape enters the uncertainty. With few readings the arc stands alone.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import partial

import numpy as np
from numpy.typing import NDArray

from matchkit import constants
from matchkit.errors import PhysicsInputError
from matchkit.physics.lay.fitting import STEP_OF_U, Fit, fit, from_stencil, propagate, sensitivity, stencil, weights_of
from matchkit.physics.lay.shapes import Form, rise_m, run_m
from matchkit.units import MM

Array = NDArray[np.float64]

THIN = constants.THIN_FEELER.value * MM
SEEN = constants.SEEN_HEIGHT.value * MM
CLAMP_BEHIND = constants.CLAMP_BEHIND.value * MM
LEAST_WEIGHT = 0.05
"""A shape that weighs less than this is left out."""
DECIMALS = 6
"""What decides between shapes is rounded to this, so that it does not hang on the last bits of a machine's arithmetic."""


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
        return Readings(height, place, u_height, u_place, self.u_common_m, self.u_tilt, step, stacked)


@dataclass(frozen=True)
class Shape:
    """One fitted shape: parameters (break first) and their covariance."""

    form: Form
    parameters: Array
    covariance: Array
    with_tip: Array | None = None
    """Covariance of the parameters with the tip opening as it was measured (p,), in m times their units; None where there is none."""

    def place_m(self, height_m: float) -> float:
        """Return where the shape is ``height_m`` high."""
        return _place(self.form, self.parameters, height_m)

    def height_m(self, x_m: Array) -> Array:
        """Return the height over ``x_m`` (any shape), 0 behind the break."""
        return rise_m(self.form, self.parameters[1:], self.parameters[0] - np.asarray(x_m, dtype=float))

    def lengths(self) -> tuple[Array, Array]:
        """Return tip opening, facing length and half-open place (3,), and their covariance (3, 3), first order."""
        return propagate(partial(_lengths, self.form), self.parameters, self.covariance)

    def lengths_with_tip(self) -> Array:
        """Return the covariance of the lengths (3,) with the measured tip opening, 0 where the shape was not fitted to one."""
        if self.with_tip is None:
            return np.zeros(3)
        steps = STEP_OF_U * np.sqrt(np.diag(self.covariance))
        slopes = sensitivity(partial(_lengths, self.form), self.parameters, steps=steps)
        return np.asarray(slopes @ self.with_tip)


def _place(form: Form, parameters: Array, height_m: float) -> float:
    return float(parameters[0] - run_m(form, parameters[1:], np.asarray(height_m)))


def _lengths(form: Form, parameters: Array) -> Array:
    tip = float(rise_m(form, parameters[1:], np.asarray(parameters[0])))
    return np.array([tip, *(_place(form, parameters, height) for height in (THIN, tip / 2))])


@dataclass(frozen=True)
class FairCurve:
    """A weighted mean of shapes; ``weights`` (n,) sum to 1.

    ``lengths_m`` (3,) are tip opening, facing length and where the lay is half as high as the tip, averaged with the
    weights. Their ``covariance_m2`` (3, 3) is that of the shape ``widest``, about the average: the weights say which shape predicts best,
    not which one a facing has, and in simulation the mean of the shapes' covariances covered too little (``make bench`` prints it).
    """

    shapes: tuple[Shape, ...]
    weights: Array
    lengths_m: Array
    covariance_m2: Array
    widest: int = 0
    unknown_shape_m2: Array | None = None
    """What too few feelers to tell the shape added to the covariance of lengths and break (4, 4), where that is so."""
    scatter: float = 1.0
    """Chi-squared a degree of freedom of the best shape where that exceeds 1: how much rougher the readings are than stated."""

    @property
    def form(self) -> Form:
        """The shape that weighs most."""
        return self.shapes[int(self.weights.round(DECIMALS).argmax())].form

    def height_m(self, x_m: Array) -> Array:
        """Return the mean height over ``x_m`` (any shape)."""
        heights = [weight * shape.height_m(x_m) for weight, shape in zip(self.weights, self.shapes, strict=True)]
        return np.asarray(sum(heights))

    @property
    def break_m(self) -> float:
        """Where it leaves the table: the mean of the shapes' own; poorly fixed by feelers."""
        return float(sum(weight * shape.parameters[0] for weight, shape in zip(self.weights, self.shapes, strict=True)))

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
    def with_tip_m2(self) -> Array:
        """Covariance of the lengths (3,) with the tip opening as it was measured, of the widest shape."""
        return self.shapes[self.widest].lengths_with_tip()

    @property
    def half_open_m(self) -> float:
        """Where the lay is half as high as the tip: with the facing length it tells the shape."""
        return float(self.lengths_m[2])


def averaged(shapes: list[Shape], weights: Array) -> FairCurve:
    """Average shapes: means of the lengths, and the covariance of the shape that leaves the facing length most in doubt."""
    pairs = [shape.lengths() for shape in shapes]
    mean = np.asarray(sum(w * lengths for w, (lengths, _) in zip(weights, pairs, strict=True)))
    about = [within + np.outer(lengths - mean, lengths - mean) for lengths, within in pairs]
    doubt = np.array([covariance[1, 1] for covariance in about])
    widest = int(np.argmax(np.round(doubt / doubt.max(), DECIMALS))) if doubt.max() > 0 else 0
    return FairCurve(tuple(shapes), weights, mean, about[widest], widest)


def fair_curve(readings: Readings, *, tip_opening_m: float, u_tip_m: float, arc_only: bool = False) -> FairCurve:
    """Fit the fair curve to the readings of a rail (or both) and the tip opening; ``arc_only`` leaves the other shapes out.

    Weighted least squares in ``x`` with effective variance ``u_x^2 + (dx/dy u_y)^2`` (Orear 1982), the tip opening being one more reading
    at ``x = 0``. A shape's covariance is widened by its reduced chi-squared where that exceeds 1, so a rough facing has a less
    certain length. Readings with one feeler, by one person, or from one tilted plate are correlated. Raises PhysicsInputError where no arc leaves the table behind the readings.
    """
    y = np.append(readings.height_m, tip_opening_m)
    x = np.append(readings.place_m, 0.0)
    u_y = np.append(readings.u_height_m, u_tip_m)
    u_x = np.append(readings.u_place_m, 0.0)
    alike = np.eye(len(y), dtype=bool)
    alike[:-1, :-1] |= readings.alike()
    data = _Data(x, y, u_x, u_y, readings.u_common_m, readings.u_tilt, alike)
    order = np.argsort(y)
    chord = np.polyfit(np.sqrt(y[order]), x[order], 1)
    if not chord[0] < 0:
        raise PhysicsInputError("the readings do not fall towards the table")
    edge, radius = chord[1], max(chord[0] ** 2 / 2, float(y.max()))
    far, tall = float(x.max()), float(y.max())
    fits: list[tuple[Form, Fit]] = [("arc", _fit_form("arc", data, np.array([edge, radius]), [far, tall], [0.1, 10.0]))]
    arc = fits[0][1]
    if len(y) > 5 and not arc_only:
        run = float(run_m("arc", arc.parameters[1:], np.array(1e-3)))
        starts: list[tuple[Form, Array, list[float], list[float]]] = [
            (
                "ellipse",
                np.append(arc.parameters, 1.0),
                [far, tall, 0.0],
                [0.1, 10.0, 2 * arc.parameters[1] / tall],
            ),
            ("power law", np.array([arc.parameters[0], run, 0.5]), [far, 1e-3, 0.25], [0.1, 0.2, 1.0]),
        ]
        for form, start, low, high in starts:
            try:
                fits.append((form, _fit_form(form, data, start, low, high)))
            except PhysicsInputError:
                continue  # a shape the readings do not fix has no say
    # scatter beyond the stated uncertainties is common to all shapes: the best of them says how much
    scatter = max(1.0, min(found.chi_squared / max(found.count - len(found.parameters), 1) for _, found in fits))
    criteria = [found.corrected_criterion - found.chi_squared * (1 - 1 / scatter) for _, found in fits]
    weights = weights_of(criteria)
    kept = np.flatnonzero(weights.round(DECIMALS) >= LEAST_WEIGHT)
    shapes = [_shape(*fits[place], data) for place in kept]
    curve = replace(averaged(shapes, weights[kept] / weights[kept].sum()), scatter=scatter)
    if len(shapes) == 1 and shapes[0].form == "arc" and len(y) < ENOUGH_READINGS and not arc_only:
        unknown = _unknown_shape(data, arc, np.append(curve.lengths_m, curve.break_m))
        curve = replace(curve, covariance_m2=curve.covariance_m2 + unknown[:3, :3], unknown_shape_m2=unknown)
    return curve


EXPONENT_SEEN, U_EXPONENT_SEEN = 2.05, 0.15
"""The exponent of the power law that is nearest to a facing, and how far facings differ in it (assumed)."""

ENOUGH_READINGS = 9
"""Readings, the tip among them, from which on an arc that stands alone does so by its fit, not because AICc allows nothing else."""


def _unknown_shape(data: _Data, arc: Fit, lengths_m: Array) -> Array:
    """Return what not knowing the shape adds to the covariance of lengths and break (4, 4).

    It is what a power law has more than the arc, its exponent held by what facings have as by one more reading: more doubt, and other lengths.
    """

    def residual(three: Array) -> Array:
        miss, sigma, _ = _misses("power law", three, data.x, data.y, data)
        return np.append(miss / sigma, (1 / three[2] - EXPONENT_SEEN) / U_EXPONENT_SEEN)

    def whole(form: Form, parameters: Array) -> Array:
        return np.append(_lengths(form, parameters), parameters[0])

    start = np.array([arc.parameters[0], float(run_m("arc", arc.parameters[1:], np.array(1e-3))), 1 / EXPONENT_SEEN])
    try:
        free = fit(residual, start, low=np.array([float(data.x.max()), 1e-3, 0.25]), high=np.array([0.1, 0.2, 1.0]))
    except PhysicsInputError:
        return np.zeros((4, 4))  # these readings exclude any such shape
    lengths, wide = propagate(partial(whole, "power law"), free.parameters, free.covariance)
    _, narrow = propagate(partial(whole, "arc"), arc.parameters, arc.covariance)
    size, axes = np.linalg.eigh(wide - narrow)
    more = (axes * np.maximum(size, 0.0)) @ axes.T
    return np.asarray(more + np.outer(lengths - lengths_m, lengths - lengths_m))


@dataclass(frozen=True)
class _Data:
    """Readings with the tip opening as one more, at ``x = 0`` and last; see :class:`Readings`."""

    x: Array
    y: Array
    u_x: Array
    u_y: Array
    u_common: float
    u_tilt: float
    alike: NDArray[np.bool_]


def _fit_form(form: Form, data: _Data, start: Array, low: list[float], high: list[float]) -> Fit:
    def residual(parameters: Array) -> Array:
        miss, sigma, _ = _misses(form, parameters, data.x, data.y, data)
        return miss / sigma

    def slopes(parameters: Array, steps: Array) -> Array:
        return from_stencil(residual(stencil(parameters, steps)[:, :, None]), steps)  # every point of it at once

    return fit(residual, start, low=np.array(low), high=np.array(high), slopes=slopes)


def _misses(form: Form, parameters: Array, x: Array, y: Array, data: _Data) -> tuple[Array, Array, Array]:
    """Return how far readings lie from a shape along x, their standard uncertainties, and dx/dy, all (..., n)."""
    around, count = run_m(form, parameters[1:], np.concatenate([0.999 * y, y, 1.001 * y])), len(y)
    behind, run, ahead = around[..., :count], around[..., count:-count], around[..., -count:]
    slope = (ahead - behind) / (2e-3 * y)
    sigma = np.maximum(np.sqrt(data.u_x**2 + (slope * data.u_y) ** 2), 1e-9)
    return parameters[0] - run - x, sigma, slope


def _shape(form: Form, found: Fit, data: _Data) -> Shape:
    """Put a fit's covariance together: feelers and touch, widened where the readings are rougher than that, and what all of them share."""
    _, sigma, slope = _misses(form, found.parameters, data.x, data.y, data)
    degrees = found.count - len(found.parameters)
    rougher = max(1.0, found.chi_squared / degrees) if degrees > 0 else 1.0
    by_feeler = slope * data.u_y / sigma
    own = data.alike * np.outer(by_feeler, by_feeler)  # one feeler errs alike wherever it is used
    np.fill_diagonal(own, 1.0)
    moved = np.where(np.arange(len(sigma)) < len(sigma) - 1, data.u_common / sigma, 0.0)  # all but the tip
    lift = data.u_tilt * np.maximum(found.parameters[0] - data.x, 0.0)
    raised = slope * lift / sigma
    gain = found.gain
    return Shape(
        form,
        found.parameters,
        gain @ (rougher * own + np.outer(moved, moved) + np.outer(raised, raised)) @ gain.T,
        gain[:, -1] * data.u_y[-1] + gain @ raised * lift[-1],
    )


def nominal_curve(*, tip_opening_m: float, facing_length_m: float, u_tip_m: float, u_facing_m: float) -> FairCurve:
    """Return the arc that has this tip opening and this facing length (where the 0.038 mm feeler stops).

    >>> curve = nominal_curve(tip_opening_m=2e-3, facing_length_m=22e-3, u_tip_m=5e-5, u_facing_m=1e-3)
    >>> round(curve.facing_length_m * 1e3, 3), round(float(curve.height_m(np.array(0.0))) * 1e3, 3)
    (22.0, 2.0)
    """
    if not (tip_opening_m > THIN and facing_length_m > 0):
        raise PhysicsInputError(f"no arc has a tip opening of {tip_opening_m} m and a facing length of {facing_length_m} m")

    def solve(tip: float, length: float) -> Array:
        radius = _nominal_radius(tip, length)
        return np.array([float(run_m("arc", np.array([radius]), np.array(tip))), radius])

    step = 1e-6
    by_tip = (solve(tip_opening_m + step, facing_length_m) - solve(tip_opening_m - step, facing_length_m)) / (2 * step)
    by_length = (solve(tip_opening_m, facing_length_m + step) - solve(tip_opening_m, facing_length_m - step)) / (2 * step)
    slopes = np.column_stack([by_tip, by_length])
    covariance = slopes @ np.diag([u_tip_m**2, u_facing_m**2]) @ slopes.T
    return averaged([Shape("arc", solve(tip_opening_m, facing_length_m), covariance)], np.ones(1))


def _nominal_radius(tip: float, length: float) -> float:
    """Return the radius of the arc that rises from the thin feeler to ``tip`` over ``length``.

    With A and B the runs of the tip and of the feeler, ``A - B = length`` and ``A^2 - B^2 = 2 R (tip - thin) - tip^2 + thin^2``, which
    gives A as a line in R; put into ``A^2 = 2 R tip - tip^2`` that is a quadratic, whose larger root has B above zero.
    """
    rise, offset = (tip - THIN) / length, length / 2 - (tip**2 - THIN**2) / (2 * length)  # A = rise R + offset
    half = rise * offset - tip
    inside = max(half**2 - rise**2 * (offset**2 + tip**2), 0.0)
    return (-half + float(np.sqrt(inside))) / rise**2
