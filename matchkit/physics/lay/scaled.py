"""A lay with another tip opening or length: its measured shape kept, heights and places each multiplied by one number.

Places are taken from the tip. An arc whose heights and places are stretched unlike is a part of an ellipse, and so becomes one.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from matchkit.errors import PhysicsInputError
from matchkit.physics.lay.facing import AnyLay, Lay, MeanLay
from matchkit.physics.lay.fair import THIN, FairCurve, Shape, averaged

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
    stops = sum(w * shape.place_m(THIN / height) for w, shape in zip(lay.fair.weights, lay.fair.shapes, strict=True))
    return _stretched(lay, height, facing_length_m / float(stops))


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
    found = replace(averaged([_shape(shape, height, place) for shape in fair.shapes], fair.weights), scatter=fair.scatter)
    if fair.unknown_shape_m2 is None:
        return found
    stretch = np.array([height, place, place, place])  # tip, facing length, half-open place and break
    unknown = fair.unknown_shape_m2 * np.outer(stretch, stretch)
    return replace(found, covariance_m2=found.covariance_m2 + unknown[:3, :3], unknown_shape_m2=unknown)


def _shape(shape: Shape, height: float, place: float) -> Shape:
    """Return a shape stretched: parameters, and their covariance by the slopes of the new ones over the old."""
    wider = place**2 / height
    break_m, *rest = shape.parameters.tolist()
    if shape.form == "power law":
        size, power = rest
        moved = size * place * height**-power
        slopes = np.array([[place, 0, 0], [0, place * height**-power, -np.log(height) * moved], [0, 0, 1]])
        return Shape("power law", np.array([break_m * place, moved, power]), *_carried(shape, slopes, height))
    radius, flat = rest if shape.form == "ellipse" else (rest[0], 1.0)
    slopes = np.array([[place, 0, 0], [0, wider, 0], [0, 0, wider / height]])[:, : len(shape.parameters)]
    return Shape(
        "ellipse", np.array([break_m * place, radius * wider, flat * wider / height]), *_carried(shape, slopes, height)
    )


def _carried(shape: Shape, slopes: Array, height: float) -> tuple[Array, Array | None]:
    with_tip = None if shape.with_tip is None else np.asarray(slopes @ shape.with_tip * height)
    return np.asarray(slopes @ shape.covariance @ slopes.T), with_tip
