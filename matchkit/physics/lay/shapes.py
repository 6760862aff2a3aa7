"""The shapes a facing may have, each as a run from the break by height and as a height by run."""

from __future__ import annotations

from typing import Literal

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

Form = Literal["arc", "ellipse", "power law", "cubic"]


def run_m(form: Form, shape: Array, height_m: Array) -> Array:
    """Return the distance from the break at which a shape is ``height_m`` high.

    ``shape`` is (R,) for an arc, (R, q) for an ellipse, (c^(-1/m) in m at 1 mm, 1/m) for a power law, (R, b) for a cubic
    ``s^2 (1 - b s) / 2R``, whose curvature changes evenly along it: all in m but ``q``, ``1/m`` and ``b`` (1/m);
    each may be an array that broadcasts with ``height_m``.
    """
    y = np.asarray(height_m, dtype=float)
    if form == "arc":
        return np.asarray(np.sqrt(np.maximum(2 * shape[0] * y - y**2, 0.0)))
    if form == "ellipse":
        return np.asarray(np.sqrt(np.maximum(2 * shape[0] * y - shape[1] * y**2, 0.0)))
    if form == "cubic":
        return _cubic_run(shape[0], shape[1], y)
    return np.asarray(shape[0] * (np.maximum(y, 0.0) / 1e-3) ** shape[1])


_CUBIC_ROUNDS = 12


def _cubic_run(radius: Array, bend: Array, height_m: Array) -> Array:
    """Return where ``s^2 (1 - b s) = 2 R y``, by Newton from the parabola; at most where the cubic stops rising, ``2 / 3b``."""
    wanted = 2 * radius * np.maximum(height_m, 0.0)
    with np.errstate(divide="ignore"):
        top = np.where(np.asarray(bend) > 0, 0.999 * 2 / (3 * np.where(np.asarray(bend) > 0, bend, 1.0)), np.inf)
    s = np.minimum(np.sqrt(wanted), top)
    for _ in range(_CUBIC_ROUNDS):
        slope = np.maximum(2 * s - 3 * bend * s**2, 1e-9)
        s = np.clip(s - (s**2 * (1 - bend * s) - wanted) / slope, 0.0, top)
    return np.asarray(s)


def rise_m(form: Form, shape: Array, run: Array) -> Array:
    """Return the height at a distance from the break; the inverse of :func:`run_m`."""
    s = np.maximum(run, 0.0)
    if form == "arc":
        return np.asarray(shape[0] - np.sqrt(np.maximum(shape[0] ** 2 - s**2, 0.0)))
    if form == "ellipse":  # the quadratic's root in the form that holds for q = 0 as well
        return np.asarray(s**2 / (shape[0] + np.sqrt(np.maximum(shape[0] ** 2 - shape[1] * s**2, 0.0))))
    if form == "cubic":
        return np.asarray(s**2 * (1 - shape[1] * s) / (2 * shape[0]))
    return np.asarray(1e-3 * (s / shape[0]) ** (1 / shape[1]))
