"""The jet area of one reed against pressure: its curve, its elbow and its seal.

Three-parameter curve of Gazengel et al. 2025 (Acta Acustica, aacus220063: abstract and the caption of figure 3 were read): two
straight parts joined by a parabola from PM - Pe to PM + Pe. With those limits and a continuous slope the formula is unique.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from matchkit.errors import PhysicsInputError
from matchkit.physics.beams import Beams
from matchkit.physics.contact import solve_contact

Array = NDArray[np.float64]

SEAL_SHARE = 0.02
SEAL_LIMIT = 3.0
_POINTS = 121
LEAST_ELBOW = 1e-4
_NEAR = 1e-4


def three_parameter_area(pressure: Array | float, *, rest_area: float, closing_pressure: float, elbow_pressure: float) -> Array:
    """Return the jet area at ``pressure`` (any shape, any unit of pressure, the same for all).

    Raises PhysicsInputError unless 0 < elbow <= closing pressure.

    >>> round(float(three_parameter_area(8.0, rest_area=1.0, closing_pressure=8.0, elbow_pressure=2.0)), 4)
    0.0625
    """
    if not 0 < elbow_pressure <= closing_pressure:
        raise PhysicsInputError("the elbow pressure must lie between 0 and the closing pressure")
    p = np.asarray(pressure, dtype=float)
    straight = 1 - p / closing_pressure
    bend = (closing_pressure + elbow_pressure - p) ** 2 / (4 * elbow_pressure * closing_pressure)
    bent = np.where(p < closing_pressure + elbow_pressure, bend, 0.0)
    return np.asarray(rest_area * np.where(p <= closing_pressure - elbow_pressure, straight, bent))


def fit_elbow(pressure: Array, area_share: Array, *, closing_pressure: float) -> float:
    """Return the elbow pressure that fits a curve of area over rest area best (least squares), in the unit of ``pressure``.

    ``closing_pressure`` is that of the area: where its straight part, carried on, reaches zero.
    """
    from scipy.optimize import brentq, minimize_scalar

    relative = np.asarray(pressure, dtype=float) / closing_pressure

    def miss(elbow: float) -> float:
        curve = three_parameter_area(relative, rest_area=1.0, closing_pressure=1.0, elbow_pressure=elbow)
        return float(((curve - area_share) ** 2).sum())

    def falling(elbow: float) -> float:
        """Half the slope of the squares."""
        bend = np.where(np.abs(relative - 1) < elbow, ((1 + elbow - relative) * (elbow - 1 + relative)) / (4 * elbow**2), 0.0)
        curve = three_parameter_area(relative, rest_area=1.0, closing_pressure=1.0, elbow_pressure=elbow)
        return float((curve - area_share) @ bend)

    found = float(minimize_scalar(miss, bounds=(LEAST_ELBOW, 1.0), method="bounded", options={"xatol": 1e-6}).x)
    low, high = max(found - _NEAR, LEAST_ELBOW), min(found + _NEAR, 1.0)
    if falling(low) < 0 < falling(high):  # comparing squares settles it to about 1e-8 only; their slope goes on
        found = float(brentq(falling, low, high, xtol=1e-15, rtol=1e-14))
    else:
        found = low if falling(low) >= 0 else high
    return found * closing_pressure


def area_curve(beams: Beams, *, closing_per_modulus: float, weights: Array) -> tuple[Array, Array]:
    """Return p/E from 0 to three closing pressures and the area over rest area there, for the single beam of a batch."""
    pressure = np.linspace(0.0, SEAL_LIMIT * closing_per_modulus, _POINTS)
    batch = beams.take(np.zeros(_POINTS, dtype=np.intp))
    area = solve_contact(batch, pressure_per_modulus=pressure).gap_m @ weights
    return pressure, area / area[0]


def seal_pressure(pressure: Array, area_share: Array) -> float | None:
    """Return where the area falls to 2 % of that at rest, straight between points; None where it does not within the curve."""
    below = np.flatnonzero(area_share <= SEAL_SHARE)
    if not len(below):
        return None
    at = int(below[0])
    high, low = area_share[at - 1], area_share[at]
    return float(pressure[at - 1] + (pressure[at] - pressure[at - 1]) * (high - SEAL_SHARE) / (high - low))
