"""The air column's share: the cone tip that mouthpiece and reed stand in for.

Benade's rule, lumped and good only while wavelengths are long against the chamber (Scavone, ICMC 2002): the volume of the
mouthpiece beyond the neck's end plus the reed's equivalent volume should equal that of the missing cone tip.
"""

from __future__ import annotations

import math

from matchkit.errors import PhysicsInputError


def missing_cone_volume_m3(*, end_radius_m: float, half_angle_rad: float) -> float:
    """Return the volume of the cone tip that was cut off at radius ``end_radius_m``: ``(pi/3) r0^3 / tan(theta)``.

    Raises PhysicsInputError for a cylinder, which misses no tip.

    >>> round(missing_cone_volume_m3(end_radius_m=6.25e-3, half_angle_rad=math.radians(1.52)) * 1e6, 2)
    9.63
    """
    if not (end_radius_m > 0 and 0 < half_angle_rad < math.pi / 2):
        raise PhysicsInputError("a missing cone needs a radius and a half angle above zero")
    return math.pi / 3 * end_radius_m**3 / math.tan(half_angle_rad)
