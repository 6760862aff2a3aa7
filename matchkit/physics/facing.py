"""The facing: from feeler readings to the lay, its fair arc, and how far the one strays from the other.

``x`` runs from the tip (0) towards the butt in the plane of the table; the lay height ``y(x)`` is the distance of the lay
from that plane, so ``y(0)`` is the tip opening. The fair curve here is a circular arc tangent to the table at the break::

    x = break - sqrt(2 R y - y^2)

A feeler of known thickness is pushed in until it stops, so a reading is a place ``x`` for a given ``y``: the arc is fitted in
``x``, each reading weighted by its own uncertainty and the leaf's, carried over by the slope.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np
from numpy.typing import NDArray

from matchkit import constants
from matchkit.errors import PhysicsInputError
from matchkit.units import mm_to_m

Array = NDArray[np.float64]

LEAST_LEAVES = 4
"""With fewer feelers on a rail the readings fix an arc, and say nothing of how far the facing strays from one."""

_GRID = 201


@dataclass(frozen=True)
class Arc:
    """A circular arc tangent to the table, and the covariance of its two parameters.

    ``break_m`` is where it leaves the table, ``radius_m`` its radius; ``covariance`` (2, 2) is theirs, in m2.
    """

    break_m: float
    radius_m: float
    covariance: Array

    def height_m(self, x_m: Array) -> Array:
        """Give the height over ``x_m`` (any shape), 0 behind the break.

        >>> arc = Arc(20e-3, 101e-3, np.zeros((2, 2)))
        >>> round(float(arc.height_m(np.array(0.0))) * 1e3, 2)
        2.0
        """
        run = np.clip(self.break_m - np.asarray(x_m, dtype=float), 0.0, self.radius_m)
        return np.asarray(self.radius_m - np.sqrt(self.radius_m**2 - run**2))

    def place_m(self, height_m: float) -> float:
        """Give the ``x`` at which the arc is ``height_m`` high.

        >>> arc = Arc(20e-3, 101e-3, np.zeros((2, 2)))
        >>> round(arc.place_m(2e-3), 6)
        0.0
        """
        return float(self.break_m - np.sqrt(2 * self.radius_m * height_m - height_m**2))

    def u_place_m(self, height_m: float) -> float:
        """Give the standard uncertainty of :meth:`place_m`, in m."""
        slope = np.array([1.0, -height_m / np.sqrt(2 * self.radius_m * height_m - height_m**2)])
        return float(np.sqrt(slope @ self.covariance @ slope))

    @property
    def clamp_m(self) -> float:
        """Where the reed is taken as clamped: the fair arc is 0.010 mm high there."""
        return self.place_m(mm_to_m(constants.CLAMP_HEIGHT.value))

    @property
    def u_clamp_m(self) -> float:
        """Standard uncertainty of the clamp place."""
        return self.u_place_m(mm_to_m(constants.CLAMP_HEIGHT.value))

    @property
    def facing_length_m(self) -> float:
        """Where the 0.038 mm leaf stops, on the fair arc."""
        return self.place_m(mm_to_m(constants.THIN_FEELER.value))


@dataclass(frozen=True)
class Readings:
    """Feeler readings of one rail: heights, places and their standard uncertainties, all (n,) in m, thickest leaf first."""

    height_m: Array
    place_m: Array
    u_height_m: Array
    u_place_m: Array


@dataclass(frozen=True)
class Lay:
    """A measured lay: its knots from the tip to the break, and the fair arc.

    ``height_m`` follows the knots by monotone cubic interpolation in sqrt(y), in which an arc is nearly a straight line
    (Fritsch and Carlson 1980, as scipy's PchipInterpolator).
    """

    knots_x_m: Array
    knots_y_m: Array
    fair: Arc
    u_tip_m: float
    measured: bool

    @property
    def tip_opening_m(self) -> float:
        """Height at the tip."""
        return float(self.knots_y_m[0])

    @property
    def shape_known(self) -> bool:
        """Whether there are readings enough to tell the lay from an arc."""
        return self.measured and len(self.knots_x_m) >= LEAST_LEAVES + 2

    @cached_property
    def _root(self) -> Any:
        from scipy.interpolate import PchipInterpolator

        return PchipInterpolator(self.knots_x_m, np.sqrt(self.knots_y_m))

    def height_m(self, x_m: Array) -> Array:
        """Give the lay's height over ``x_m`` (any shape), 0 behind the break."""
        x = np.asarray(x_m, dtype=float)
        if not self.measured:
            return self.fair.height_m(x)
        inside = np.clip(x, self.knots_x_m[0], self.knots_x_m[-1])
        return np.where(x < self.knots_x_m[-1], np.asarray(self._root(inside)) ** 2, 0.0)

    @property
    def smoothness_m(self) -> float | None:
        """RMS of measured minus fair, from the tip to the thinnest reading; None for nominal data.

        >>> lay = nominal_lay(tip_opening_m=2e-3, facing_length_m=22e-3, u_tip_m=5e-5, u_facing_m=1e-3)
        >>> lay.smoothness_m is None
        True
        """
        if not self.measured:
            return None
        x = np.linspace(0.0, self.knots_x_m[-2], _GRID)
        return float(np.sqrt(np.mean((self.height_m(x) - self.fair.height_m(x)) ** 2)))


def fit_arc(readings: Readings, *, tip_opening_m: float, u_tip_m: float) -> Arc:
    """Fit the fair arc to the readings of a rail (or both) and the tip opening.

    Weighted least squares in ``x`` with effective variance ``u_x^2 + (dx/dy u_y)^2`` (Orear 1982), the tip opening being one
    more reading at ``x = 0``. The covariance is widened by the reduced chi-squared where that exceeds 1, so a rough
    facing has a less certain clamp place.

    Raises PhysicsInputError where no arc leaves the table behind the readings.
    """
    from scipy.optimize import least_squares

    y = np.append(readings.height_m, tip_opening_m)
    x = np.append(readings.place_m, 0.0)
    u_y = np.append(readings.u_height_m, u_tip_m)
    u_x = np.append(readings.u_place_m, 0.0)
    order = np.argsort(y)
    chord = np.polyfit(np.sqrt(y[order]), x[order], 1)
    if not chord[0] < 0:
        raise PhysicsInputError("the readings do not fall towards the table")

    def run(radius: float) -> Array:
        return np.asarray(np.sqrt(np.maximum(2 * radius * y - y**2, 1e-18)))

    def residual(parameters: Array) -> Array:
        edge, radius = parameters
        along = run(radius)
        sigma = np.sqrt(u_x**2 + ((radius - y) / along * u_y) ** 2)
        return np.asarray((edge - along - x) / sigma)

    start = np.array([chord[1], max(chord[0] ** 2 / 2, float(y.max()))])
    low = np.array([float(x.max()), float(y.max())])
    high = np.array([0.1, 10.0])
    start = np.clip(start, low * (1 + 1e-6), high * (1 - 1e-6))
    found = least_squares(residual, start, bounds=(low, high), x_scale=[1e-2, 1e-1], xtol=1e-12, ftol=1e-12)
    if not found.success:
        raise PhysicsInputError("no arc could be fitted to the readings")
    degrees = len(y) - 2
    widen = max(1.0, 2 * found.cost / degrees) if degrees > 0 else 1.0
    slopes = np.asarray(found.jac)
    covariance = np.linalg.inv(slopes.T @ slopes) * widen
    return Arc(float(found.x[0]), float(found.x[1]), covariance)


def nominal_arc(*, tip_opening_m: float, facing_length_m: float, u_tip_m: float, u_facing_m: float) -> Arc:
    """Give the arc that has this tip opening and this facing length (where the 0.038 mm leaf stops).

    >>> arc = nominal_arc(tip_opening_m=2e-3, facing_length_m=22e-3, u_tip_m=5e-5, u_facing_m=1e-3)
    >>> round(arc.place_m(0.038e-3) * 1e3, 3)
    22.0
    """
    from scipy.optimize import brentq

    thin = mm_to_m(constants.THIN_FEELER.value)
    if not (tip_opening_m > thin and facing_length_m > 0):
        raise PhysicsInputError(f"no arc has a tip opening of {tip_opening_m} m and a facing length of {facing_length_m} m")

    def solve(tip: float, length: float) -> Array:
        def miss(radius: float) -> float:
            return float(np.sqrt(2 * radius * tip - tip**2) - np.sqrt(2 * radius * thin - thin**2) - length)

        radius = float(brentq(miss, tip, 10.0, xtol=1e-15))
        return np.array([np.sqrt(2 * radius * tip - tip**2), radius])

    edge, radius = solve(tip_opening_m, facing_length_m)
    step = 1e-6
    by_tip = (solve(tip_opening_m + step, facing_length_m) - solve(tip_opening_m - step, facing_length_m)) / (2 * step)
    by_length = (solve(tip_opening_m, facing_length_m + step) - solve(tip_opening_m, facing_length_m - step)) / (2 * step)
    slopes = np.column_stack([by_tip, by_length])
    return Arc(float(edge), float(radius), slopes @ np.diag([u_tip_m**2, u_facing_m**2]) @ slopes.T)


def nominal_lay(*, tip_opening_m: float, facing_length_m: float, u_tip_m: float, u_facing_m: float) -> Lay:
    """Give the lay of a mouthpiece known by its tip opening and facing length only."""
    arc = nominal_arc(tip_opening_m=tip_opening_m, facing_length_m=facing_length_m, u_tip_m=u_tip_m, u_facing_m=u_facing_m)
    x = np.array([0.0, arc.break_m])
    return Lay(x, np.array([tip_opening_m, 0.0]), arc, u_tip_m, measured=False)


def measured_lay(readings: Readings, *, tip_opening_m: float, u_tip_m: float) -> Lay:
    """Give the lay through the readings: tip, one knot a reading, and the arc's break.

    The readings must be thickest leaf first with growing places (PhysicsInputError otherwise).
    """
    if len(readings.height_m) == 0:
        raise PhysicsInputError("a measured lay needs at least one reading")
    x = np.concatenate([[0.0], readings.place_m])
    y = np.concatenate([[tip_opening_m], readings.height_m])
    if not (np.all(np.diff(x) > 0) and np.all(np.diff(y) < 0)):
        raise PhysicsInputError(
            "a thinner leaf must stop further from the tip, and no leaf may be thicker than the tip opening"
        )
    arc = fit_arc(readings, tip_opening_m=tip_opening_m, u_tip_m=u_tip_m)
    return Lay(np.append(x, max(arc.break_m, x[-1] + 1e-4)), np.append(y, 0.0), arc, u_tip_m, measured=True)


@dataclass(frozen=True)
class MeanLay:
    """The mean of two rails as the reed meets it; the fair arc is fitted to the readings of both."""

    left: Lay
    right: Lay
    fair: Arc
    u_tip_m: float
    measured: bool = True

    @property
    def tip_opening_m(self) -> float:
        """Height at the tip, the same on both rails."""
        return self.left.tip_opening_m

    @property
    def shape_known(self) -> bool:
        """Whether both rails have readings enough to tell the lay from an arc."""
        return self.left.shape_known and self.right.shape_known

    def height_m(self, x_m: Array) -> Array:
        """Give the mean height of the rails over ``x_m`` (any shape)."""
        return (self.left.height_m(x_m) + self.right.height_m(x_m)) / 2

    @property
    def smoothness_m(self) -> float:
        """RMS of the mean lay minus the fair arc, from the tip to the nearer of the thinnest readings."""
        x = np.linspace(0.0, min(self.left.knots_x_m[-2], self.right.knots_x_m[-2]), _GRID)
        return float(np.sqrt(np.mean((self.height_m(x) - self.fair.height_m(x)) ** 2)))

    @property
    def leak_m2(self) -> float:
        """Area between the two rails seen from the side, the integral of abs(left - right), in m2."""
        x = np.linspace(0.0, max(self.left.fair.break_m, self.right.fair.break_m), _GRID)
        return float(np.trapezoid(np.abs(self.left.height_m(x) - self.right.height_m(x)), x))

    @property
    def rail_difference_m(self) -> float:
        """Left minus right facing length, each where the 0.038 mm leaf stops on that rail's own arc."""
        return self.left.fair.facing_length_m - self.right.fair.facing_length_m

    @property
    def u_rail_difference_m(self) -> float:
        """Standard uncertainty of the rail difference."""
        thin = mm_to_m(constants.THIN_FEELER.value)
        return float(np.hypot(self.left.fair.u_place_m(thin), self.right.fair.u_place_m(thin)))


def mean_lay(left: Readings, right: Readings, *, tip_opening_m: float, u_tip_m: float) -> MeanLay:
    """Give the mean of the two rails' measured lays, with one fair arc for both."""
    both = Readings(
        *(
            np.concatenate([getattr(left, name), getattr(right, name)])
            for name in ("height_m", "place_m", "u_height_m", "u_place_m")
        )
    )
    return MeanLay(
        left=measured_lay(left, tip_opening_m=tip_opening_m, u_tip_m=u_tip_m),
        right=measured_lay(right, tip_opening_m=tip_opening_m, u_tip_m=u_tip_m),
        fair=fit_arc(both, tip_opening_m=tip_opening_m, u_tip_m=u_tip_m),
        u_tip_m=u_tip_m,
    )


AnyLay = Lay | MeanLay
