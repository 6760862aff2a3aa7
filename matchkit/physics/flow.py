"""The flow through the reed channel: quasi-static, massless reed, a jet of contraction 1.

``U = S sqrt(2 dp / rho)`` with ``S`` falling straight to zero at the closing pressure (Wilson and Beavers 1974, from memory).
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from matchkit import constants
from matchkit.errors import PhysicsInputError

Array = NDArray[np.float64]


def volume_flow_m3_s(
    pressure_pa: Array | float,
    *,
    area_m2: float,
    closing_pressure_pa: float,
    air_density_kg_m3: float = constants.AIR_DENSITY.value,
) -> Array:
    """Return the flow at a pressure difference (any shape), for a jet area ``area_m2`` at rest; 0 from the closing pressure on.

    >>> round(float(volume_flow_m3_s(5000 / 3, area_m2=13e-3 * 0.4e-3, closing_pressure_pa=5000, air_density_kg_m3=1.19)) * 1e3, 3)
    0.183
    """
    dp = np.asarray(pressure_pa, dtype=float)
    open_share = np.clip(1 - dp / closing_pressure_pa, 0.0, None)
    return np.asarray(area_m2 * open_share * np.sign(dp) * np.sqrt(2 * np.abs(dp) / air_density_kg_m3))


def peak_flow_m3_s(
    *, area_m2: Array | float, closing_pressure_pa: Array | float, air_density_kg_m3: float = constants.AIR_DENSITY.value
) -> Array:
    """Return the largest flow, reached at a third of the closing pressure: ``(2/3) S sqrt(2 PM / (3 rho))``.

    Raises PhysicsInputError where the closing pressure is negative.

    >>> round(float(peak_flow_m3_s(area_m2=13e-3 * 0.4e-3, closing_pressure_pa=5000, air_density_kg_m3=1.19)) * 1e3, 3)
    0.183
    """
    pressure = np.asarray(closing_pressure_pa, dtype=float)
    if np.any(pressure < 0):
        raise PhysicsInputError("a closing pressure must not be negative")
    return np.asarray(2 / 3 * np.asarray(area_m2, dtype=float) * np.sqrt(2 * pressure / (3 * air_density_kg_m3)))


def playing_opening_m(*, tip_opening_m: Array | float, closing_pressure_pa: Array | float, blow_pa: Array | float) -> Array:
    """Return the tip opening under the lip: ``(blow / 0.45) / K0``, with ``K0 = PM / tip opening``, at most the tip opening.

    The player is taken to blow at 0.45 of the closing pressure that the lip leaves (between onset at 1/3 and beating at 1/2;
    an assumption).

    >>> round(float(playing_opening_m(tip_opening_m=2e-3, closing_pressure_pa=8e3, blow_pa=2.7e3)) * 1e3, 3)
    1.5
    """
    stiffness = np.asarray(closing_pressure_pa, dtype=float) / tip_opening_m
    return np.minimum(np.asarray(blow_pa, dtype=float) / constants.BLOW_FRACTION.value / stiffness, tip_opening_m)
