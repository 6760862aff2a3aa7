"""The facing: from feeler readings to the lay, its fair curve, and how far the one strays from the other.

``x`` runs from the tip (0) towards the butt in the plane of the table; the lay height ``y(x)`` is the distance of the lay
from that plane, so ``y(0)`` is the tip opening. The fair curve (``fair.py``) is fitted to the readings.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from matchkit.errors import PhysicsInputError
from matchkit.physics.lay.fair import FairCurve, Readings, fair_curve, nominal_curve, same_shape
from matchkit.physics.lay.splines import MonotoneCubic

Array = NDArray[np.float64]

LEAST_FEELERS = 4
"""With fewer feelers on a rail the readings say nothing of how far the facing strays from a fair curve."""

_GRID = 201


@dataclass(frozen=True)
class Lay:
    """A measured lay: its knots from the tip to the break, and the fair curve.

    ``height_m`` follows the knots by monotone cubic interpolation in sqrt(y), in which an arc is nearly a straight line
    (:mod:`matchkit.physics.lay.splines`).
    """

    knots_x_m: Array
    knots_y_m: Array
    fair: FairCurve
    u_tip_m: float
    measured: bool

    @property
    def tip_opening_m(self) -> float:
        """Height at the tip."""
        return float(self.knots_y_m[0])

    @property
    def shape_known(self) -> bool:
        """Whether there are readings enough to tell the lay from an arc."""
        return self.measured and len(self.knots_x_m) >= LEAST_FEELERS + 2

    @cached_property
    def _root(self) -> MonotoneCubic:
        return MonotoneCubic(self.knots_x_m, np.sqrt(self.knots_y_m))

    def height_m(self, x_m: Array) -> Array:
        """Return the lay's height over ``x_m`` (any shape), 0 behind the break."""
        x = np.asarray(x_m, dtype=float)
        if not self.measured:
            return self.fair.height_m(x)
        inside = np.clip(x, self.knots_x_m[0], self.knots_x_m[-1])
        return np.where(x < self.knots_x_m[-1], self._root(inside) ** 2, 0.0)

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


def nominal_lay(*, tip_opening_m: float, facing_length_m: float, u_tip_m: float, u_facing_m: float) -> Lay:
    """Return the lay of a mouthpiece known by its tip opening and facing length only."""
    fair = nominal_curve(tip_opening_m=tip_opening_m, facing_length_m=facing_length_m, u_tip_m=u_tip_m, u_facing_m=u_facing_m)
    x = np.array([0.0, fair.break_m])
    return Lay(x, np.array([tip_opening_m, 0.0]), fair, u_tip_m, measured=False)


def measured_lay(readings: Readings, *, tip_opening_m: float, u_tip_m: float) -> Lay:
    """Return the lay through the readings: tip, one knot a reading, and the fair curve's break.

    The readings must be thickest feeler first with growing places (PhysicsInputError otherwise).
    """
    _in_order(readings, tip_opening_m)
    return _knotted(readings, fair_curve(readings, tip_opening_m=tip_opening_m, u_tip_m=u_tip_m), tip_opening_m, u_tip_m)


def _in_order(readings: Readings, tip_opening_m: float) -> None:
    if len(readings.height_m) == 0:
        raise PhysicsInputError("a measured lay needs at least one reading")
    x, y = np.append(0.0, readings.place_m), np.append(tip_opening_m, readings.height_m)
    if not (np.all(np.diff(x) > 0) and np.all(np.diff(y) < 0)):
        raise PhysicsInputError(
            "a thinner feeler must stop further from the tip, and no feeler may be thicker than the tip opening"
        )


def _knotted(readings: Readings, fair: FairCurve, tip_opening_m: float, u_tip_m: float) -> Lay:
    x, y = np.append(0.0, readings.place_m), np.append(tip_opening_m, readings.height_m)
    u_tip_m = float(np.hypot(u_tip_m, readings.u_tilt * fair.break_m))
    return Lay(np.append(x, max(fair.break_m, x[-1] + 1e-4)), np.append(y, 0.0), fair, u_tip_m, measured=True)


@dataclass(frozen=True)
class MeanLay:
    """The mean of two rails as the reed meets it; the fair curve is fitted to the readings of both."""

    left: Lay
    right: Lay
    fair: FairCurve
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
        """Return the mean height of the rails over ``x_m`` (any shape)."""
        return (self.left.height_m(x_m) + self.right.height_m(x_m)) / 2

    @property
    def smoothness_m(self) -> float:
        """RMS of the mean lay minus the fair curve, from the tip to the nearer of the thinnest readings."""
        x = np.linspace(0.0, min(self.left.knots_x_m[-2], self.right.knots_x_m[-2]), _GRID)
        return float(np.sqrt(np.mean((self.height_m(x) - self.fair.height_m(x)) ** 2)))

    @property
    def leak_m2(self) -> float:
        """Area between the two rails seen from the side, the integral of abs(left - right), in m2."""
        x = np.linspace(0.0, max(self.left.fair.break_m, self.right.fair.break_m), _GRID)
        return float(np.trapezoid(np.abs(self.left.height_m(x) - self.right.height_m(x)), x))

    @property
    def rail_difference_m(self) -> float:
        """Left minus right facing length, each where the 0.038 mm feeler stops on that rail's own curve, of the shape of both."""
        return self.left.fair.facing_length_m - self.right.fair.facing_length_m

    @property
    def u_rail_difference_m(self) -> float:
        """Standard uncertainty of the rail difference."""
        return float(np.hypot(self.left.fair.u_facing_length_m, self.right.fair.u_facing_length_m))


def mean_lay(left: Readings, right: Readings, *, tip_opening_m: float, u_tip_m: float) -> MeanLay:
    """Return the mean of the two rails' measured lays, with one fair curve for both.

    What both rails share (the person, the tilt of the plate) cancels between them, and is left out of their own curves, which have the
    shape of both.
    """
    for rail in (left, right):
        _in_order(rail, tip_opening_m)
    even, _ = evened(left, right, tip_opening_m=tip_opening_m, u_tip_m=u_tip_m)
    fair = fair_curve(even, tip_opening_m=tip_opening_m, u_tip_m=u_tip_m, spent=1)
    alone = [replace(rail, u_common_m=0.0, u_tilt=0.0) for rail in (left, right)]
    one, other = (
        _knotted(rail, same_shape(rail, fair, tip_opening_m=tip_opening_m, u_tip_m=u_tip_m), tip_opening_m, u_tip_m)
        for rail in alone
    )
    return MeanLay(one, other, fair, float(np.hypot(u_tip_m, even.u_tilt * fair.break_m)))


def evened(left: Readings, right: Readings, *, tip_opening_m: float, u_tip_m: float) -> tuple[Readings, tuple[float, float]]:
    """Put the rails behind one another, each stretched from the tip to their mean length, and return by how much each was.

    A rail that is short all along is another length of the same curve, and no roughness of it.
    """
    lengths = [same_shape(rail, tip_opening_m=tip_opening_m, u_tip_m=u_tip_m).facing_length_m for rail in (left, right)]
    mean = sum(lengths) / 2
    one, other = (mean / length for length in lengths)
    return replace(left, place_m=left.place_m * one).beside(replace(right, place_m=right.place_m * other)), (one, other)


AnyLay = Lay | MeanLay
