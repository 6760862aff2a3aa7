"""A lay with another tip opening or length: its measured shape kept, heights and places each multiplied by one number.

Places are taken from the tip. Fair curves stretched so are fair curves.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from matchkit.errors import PhysicsInputError
from matchkit.physics.lay.facing import AnyLay, Lay, MeanLay
from matchkit.physics.lay.fair import THIN, FairCurve

Array = NDArray[np.float64]


def scaled_lay(lay: AnyLay, *, tip_opening_m: float, facing_length_m: float) -> AnyLay:
    """Return a lay stretched to another tip opening, and to another place where the 0.038 mm feeler stops.

    Raises PhysicsInputError where the tip would be no higher than that feeler.

    >>> from matchkit.physics.lay.facing import nominal_lay
    >>> lay = nominal_lay(tip_opening_m=2e-3, facing_length_m=22e-3, u_tip_m=5e-5, u_facing_m=1e-3)
    >>> wider = scaled_lay(lay, tip_opening_m=2.2e-3, facing_length_m=22e-3)
    >>> round(wider.tip_opening_m * 1e3, 6), round(wider.fair.facing_length_m * 1e3, 6)
    (2.2, 22.0)
    """
    if not (tip_opening_m > THIN and facing_length_m > 0):
        raise PhysicsInputError(f"no lay has a tip opening of {tip_opening_m} m and a facing length of {facing_length_m} m")
    height = tip_opening_m / lay.tip_opening_m
    return _stretched(lay, height, facing_length_m / float(lay.fair.place_m(THIN / height)))


def _stretched(lay: AnyLay, height: float, place: float) -> AnyLay:
    if not isinstance(lay, MeanLay):
        return _rail(lay, height, place)
    left, right = (_rail(rail, height, place) for rail in (lay.left, lay.right))
    return replace(lay, left=left, right=right, fair=_curve(lay.fair, height, place), u_tip_m=lay.u_tip_m * height)


def _rail(lay: Lay, height: float, place: float) -> Lay:
    return replace(
        lay,
        knots_x_m=lay.knots_x_m * place,
        knots_y_m=lay.knots_y_m * height,
        fair=_curve(lay.fair, height, place),
        u_tip_m=lay.u_tip_m * height,
    )


def _curve(fair: FairCurve, height: float, place: float) -> FairCurve:
    """Return a curve stretched: parameters, and their covariance by the slopes of the new ones over the old."""
    break_m, size, exponent, bend = fair.parameters.tolist()
    wider = place * height**-exponent
    slopes = np.diag([place, wider, 1.0, 1 / height])
    slopes[1, 2] = -np.log(height) * size * wider
    return FairCurve(
        np.array([break_m * place, size * wider, exponent, bend / height]),
        slopes @ fair.covariance @ slopes.T,
        slopes @ fair.with_tip * height,
        fair.scatter,
    )
