"""A dense profile of a rail, from an indicator or a scanner, read as if by feelers: where it has a given height."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from matchkit.errors import PhysicsInputError
from matchkit.physics.lay.fair import Readings

Array = NDArray[np.float64]

HEIGHTS_M = 1e-3 * np.array([2.0, 1.6, 1.3, 1.0, 0.75, 0.5, 0.35, 0.25, 0.15, 0.10, 0.064, 0.038])
"""Heights at which a profile is read, thickest first; those above nine tenths of the tip opening are left out."""

WINDOW_M = 1.0e-3
"""The profile is taken as a parabola within this of each place."""

_EDGE_M = 1e-9
"""A point at the window's edge, or as high as what is looked for, counts, whatever its last bits."""

LEAST_POINTS = 5
"""Points a window needs."""


def readings_from_profile(
    x_m: Array, height_m: Array, u_height_m: Array, *, tip_opening_m: float, heights_m: Array = HEIGHTS_M
) -> Readings:
    """Return places (n,) at which the profile has ``heights_m`` (thickest first), with their uncertainties.

    ``x_m`` (p,) from the tip, ``height_m`` (p,) above the plane of the table, ``u_height_m`` (p,) the standard uncertainty of a single
    height, taken as independent between points. Within 1 mm of a place a parabola is fitted by least squares; the place is where it
    has the height, and ``u_place`` is that of the fitted height over the slope. Raises PhysicsInputError where the points do not reach
    from one height to the next, three at least.

    >>> x = np.linspace(0, 24e-3, 241)
    >>> y = np.clip(22e-3 - x, 0, None) ** 2 / 2 / 0.121
    >>> found = readings_from_profile(x, y, np.full(241, 5e-6), tip_opening_m=2e-3)
    >>> round(float(found.place_m[-1]) * 1e3, 2)
    18.97
    """
    order = np.argsort(x_m, kind="stable")
    x, y, u = (np.asarray(part, dtype=float)[order] for part in (x_m, height_m, u_height_m))
    heights, places, u_places = [], [], []
    for height in heights_m[heights_m < 0.9 * tip_opening_m]:
        above = np.flatnonzero(y >= height - _EDGE_M)
        if not len(above) or above[-1] == len(x) - 1:
            continue
        place = _crossing(x, y, u, height=float(height), start=float(x[above[-1]]))
        if place is not None:
            heights.append(float(height))
            places.append(place[0])
            u_places.append(place[1])
    kept = np.array(places)
    if len(kept) < 3 or np.any(np.diff(kept) <= 0):
        raise PhysicsInputError("the profile does not fall from tip to table through three heights or more")
    return Readings(np.array(heights), kept, np.full(len(kept), 1e-9), np.array(u_places))


def _crossing(x: Array, y: Array, u: Array, *, height: float, start: float) -> tuple[float, float] | None:
    """Fit a parabola about ``start`` and give where it is ``height`` high, and how surely; None where the window is too thin."""
    near = np.abs(x - start) <= WINDOW_M + _EDGE_M
    if near.sum() < LEAST_POINTS:
        return None
    run = (x[near] - start) / WINDOW_M
    design = np.column_stack([np.ones_like(run), run, run**2]) / u[near, None]
    orthogonal, triangular = np.linalg.qr(design)
    inverse = np.linalg.inv(triangular)
    covariance = inverse @ inverse.T
    constant, slope, bend = inverse @ (((y[near] - height) / u[near]) @ orthogonal)
    at = 0.0
    for _ in range(20):
        at -= (constant + slope * at + bend * at**2) / (slope + 2 * bend * at)
    if not abs(at) <= 1.0:
        return None
    basis = np.array([1.0, at, at**2])
    fall = abs(slope + 2 * bend * at) / WINDOW_M
    return start + at * WINDOW_M, float(np.sqrt(basis @ covariance @ basis)) / fall
