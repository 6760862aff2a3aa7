"""The shape of a facing: the run from the break at which it is so high, and the height at a run.

One family holds what facings are: ``s = S t^a (1 + b t)`` with ``t`` the height in mm. ``b = 0`` is a power law ``y ~ s^(1/a)``, ``a = 1/2``
with ``b = -1/(4 R)`` an arc of radius R (mm) to 0.1 µm, ellipses are as near with other ``b``, and a lay whose curvature falls to nothing
at the tip is met within a few micrometres. Stretching heights or runs leaves a shape in the family.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from matchkit.units import MM

Array = NDArray[np.float64]

_ROUNDS = 60


def run_m(shape: Any, height_m: Any) -> Any:
    """Return the distance from the break at which a shape is ``height_m`` high, in m.

    ``shape`` is ``S`` in m, ``a`` and ``b``; each may be an array that broadcasts with ``height_m``. Analytic in all, so that complex
    numbers go through it.

    >>> round(float(run_m(np.array([0.02, 0.5, 0.0]), 1e-3)), 9)
    0.02
    """
    size, exponent, bend = shape[0], shape[1], shape[2]
    t = height_m / MM
    return size * t**exponent * (1 + bend * t)


def fall_m(shape: Any, height_m: Any) -> Any:
    """Return how the run grows with the height, its slope, above 0 where the height is."""
    size, exponent, bend = shape[0], shape[1], shape[2]
    t = height_m / MM
    return size * t ** (exponent - 1) * (exponent + (exponent + 1) * bend * t) / MM


def rise_m(shape: Array, run: Array) -> Array:
    """Return the height at a distance from the break, 0 behind it; the inverse of :func:`run_m`.

    Newton's method in the logarithms of run and height, from the power law that has no ``b``, until nothing changes.

    >>> shape = np.array([0.02, 0.5, -0.01])
    >>> round(float(rise_m(shape, run_m(shape, 1.5e-3))) * 1e3, 9)
    1.5
    """
    size, exponent, bend = (np.asarray(part, dtype=float) for part in (shape[0], shape[1], shape[2]))
    ahead = np.asarray(run, dtype=float) > 0
    wanted = np.log(np.where(ahead, run, size) / size)
    log = wanted / exponent
    with np.errstate(over="ignore", invalid="ignore"):
        for _ in range(_ROUNDS):
            t = np.exp(log)
            bent = np.maximum(1 + bend * t, 0.1)
            step = (wanted - exponent * log - np.log(bent)) / np.maximum(exponent + bend * t / bent, 0.05)
            log = log + np.clip(step, -0.5, 0.5)
            if np.all(np.abs(step) < 1e-15 * np.maximum(np.abs(log), 1.0)):
                break
    return np.asarray(np.where(ahead, MM * np.exp(log), 0.0))
