"""The reed: its second moment along the vamp, and the modulus that a stiffness reading stands for.

Euler-Bernoulli cantilever with ``I(x) = crown(x) w(x) t(x)^3 / 12``. The crown factor says how much of the full rectangle's
second moment is left under a curved top.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property, lru_cache

import numpy as np
from numpy.typing import NDArray

from matchkit.errors import PhysicsInputError
from matchkit.physics.lay.splines import MonotoneCubic

Array = NDArray[np.float64]

_GAUSS_X, _GAUSS_W = np.polynomial.legendre.leggauss(3)
_CELLS = 96


def crown_factor(edge_over_centre: Array | float) -> Array:
    """Return the second moment of a flat-bottomed section with a parabolic top, over the full rectangle's.

    Exact integration of ``t(z) = t_c (1 - (1 - e) z^2)`` over the half width, about the section's own neutral axis. Valid for
    0 < e <= 1.

    >>> [round(float(crown_factor(e)), 3) for e in (0.5, 0.6, 0.7, 0.8, 0.9, 1.0)]
    [0.68, 0.72, 0.77, 0.832, 0.908, 1.0]
    """
    drop = 1 - np.asarray(edge_over_centre, dtype=float)
    mean1 = 1 - drop / 3
    mean2 = 1 - 2 * drop / 3 + drop**2 / 5
    mean3 = 1 - drop + 3 * drop**2 / 5 - drop**3 / 7
    return np.asarray(12 * (mean3 / 3 - (mean2 / 2) ** 2 / mean1))


@dataclass(frozen=True, eq=False)
class ReedShape:
    """A reed without its material: profile and plan.

    ``x_m`` and ``thickness_m`` (n,) are the centre line from the tip; ``crown`` (n,) the factor at each of these places.
    Between points the thickness is a monotone cubic (Fritsch and Carlson 1980); before the first it runs on straight,
    behind the last it is constant.
    """

    x_m: Array
    thickness_m: Array
    crown: Array
    tip_width_m: float
    butt_width_m: float
    length_m: float

    def __post_init__(self) -> None:
        if len(self.x_m) < 3 or not np.all(np.diff(self.x_m) > 0):
            raise PhysicsInputError("a profile needs three or more points at growing distances from the tip")
        if not (np.all(self.thickness_m > 0) and np.all(self.crown > 0)):
            raise PhysicsInputError("thicknesses and crown factors must be above zero")

    @cached_property
    def _cubic(self) -> MonotoneCubic:
        return MonotoneCubic(self.x_m, self.thickness_m)

    def thickness_at_m(self, x_m: Array | float) -> Array:
        """Return the thickness at ``x_m`` from the reed's tip (any shape), never below half the first point's."""
        x = np.asarray(x_m, dtype=float)
        first, last = self.x_m[0], self.x_m[-1]
        inside = self._cubic(np.clip(x, first, last))
        slope = (self.thickness_m[1] - self.thickness_m[0]) / (self.x_m[1] - first)
        ahead = inside - slope * np.maximum(first - x, 0.0)
        return np.asarray(np.maximum(ahead, self.thickness_m[0] / 2))

    @cached_property
    def tip_thickness_m(self) -> float:
        """Thickness at the tip itself."""
        return float(self.thickness_at_m(0.0))

    def width_at_m(self, x_m: Array | float) -> Array:
        """Return the width at ``x_m`` from the reed's tip, straight from tip to butt."""
        share = np.asarray(x_m, dtype=float) / self.length_m
        return self.tip_width_m + (self.butt_width_m - self.tip_width_m) * share

    def second_moment_m4(self, x_m: Array) -> Array:
        """Return ``crown w t^3 / 12`` at ``x_m`` from the reed's tip."""
        crown = np.interp(x_m, self.x_m, self.crown)
        return crown * self.width_at_m(x_m) * self.thickness_at_m(x_m) ** 3 / 12


@lru_cache(maxsize=256)
def _stiffness_kernel(shape: ReedShape, *, load_m: float, clamp_m: float) -> tuple[Array, Array]:
    """Return places and weighted values of ``(x - load)^2 / I(x)`` between load and clamp."""
    if not 0 <= load_m < clamp_m:
        raise PhysicsInputError(f"the load ({load_m} m) must stand between the tip and the clamp ({clamp_m} m)")
    edges = np.linspace(load_m, clamp_m, _CELLS + 1)
    half = np.diff(edges)[:, None] / 2
    x = ((edges[1:] + edges[:-1])[:, None] / 2 + half * _GAUSS_X).ravel()
    weight = (half * _GAUSS_W).ravel()
    return x, weight * (x - load_m) ** 2 / shape.second_moment_m4(x)


def modulus_from_stiffness_pa(shape: ReedShape, *, stiffness_n_per_m: float, load_m: float, clamp_m: float) -> float:
    """Return the Young modulus for which this reed shows this stiffness in the bench test.

    Cantilever clamped at ``clamp_m`` from the tip, loaded across its width at ``load_m``, deflection read at the load:
    ``1/k = (1/E) * integral of (x - load)^2 / I(x)``.

    A uniform beam of length l has ``k = 3 E I / l^3``:

    >>> flat = ReedShape(np.array([1e-3, 1e-2, 3e-2]), np.full(3, 1e-3), np.ones(3), 0.012, 0.012, 0.07)
    >>> inertia = 0.012 * 1e-3**3 / 12
    >>> k = 3 * 6e9 * inertia / 0.02**3
    >>> round(modulus_from_stiffness_pa(flat, stiffness_n_per_m=k, load_m=0.004, clamp_m=0.024) / 1e9, 6)
    6.0
    """
    _, kernel = _stiffness_kernel(shape, load_m=load_m, clamp_m=clamp_m)
    return float(stiffness_n_per_m * kernel.sum())


def stiffness_from_modulus_n_per_m(shape: ReedShape, *, modulus_pa: float, load_m: float, clamp_m: float) -> float:
    """Return what the bench test would read on this reed; the inverse of :func:`modulus_from_stiffness_pa`."""
    _, kernel = _stiffness_kernel(shape, load_m=load_m, clamp_m=clamp_m)
    return float(modulus_pa / kernel.sum())


def stiffness_weights_per_m(shape: ReedShape, *, load_m: float, clamp_m: float) -> tuple[Array, Array]:
    """Return how the test's compliance is spread along the reed: places, and shares that sum to 1."""
    x, kernel = _stiffness_kernel(shape, load_m=load_m, clamp_m=clamp_m)
    return x, kernel / kernel.sum()
