"""The shapes a facing may have, each as a run from the break by height and as a height by run."""

from __future__ import annotations

from typing import Literal

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

Form = Literal["arc", "ellipse", "power law"]


def run_m(form: Form, shape: Array, height_m: Array) -> Array:
    """Return the distance from the break at which a shape is ``height_m`` high.

    ``shape`` is (R,) for an arc, (R, q) for an ellipse, (c^(-1/m) in m at 1 mm, 1/m) for a power law: all in m but ``q`` and ``1/m``;
    each may be an array that broadcasts with ``height_m``.
    """
    y = np.asarray(height_m, dtype=float)
    if form == "arc":
        return np.asarray(np.sqrt(np.maximum(2 * shape[0] * y - y**2, 0.0)))
    if form == "ellipse":
        return np.asarray(np.sqrt(np.maximum(2 * shape[0] * y - shape[1] * y**2, 0.0)))
    return np.asarray(shape[0] * (np.maximum(y, 0.0) / 1e-3) ** shape[1])


def rise_m(form: Form, shape: Array, run: Array) -> Array:
    """Return the height at a distance from the break; the inverse of :func:`run_m`."""
    s = np.maximum(run, 0.0)
    if form == "arc":
        return np.asarray(shape[0] - np.sqrt(np.maximum(shape[0] ** 2 - s**2, 0.0)))
    if form == "ellipse":  # the quadratic's root in the form that holds for q = 0 as well
        return np.asarray(s**2 / (shape[0] + np.sqrt(np.maximum(shape[0] ** 2 - shape[1] * s**2, 0.0))))
    return np.asarray(1e-3 * (s / shape[0]) ** (1 / shape[1]))
