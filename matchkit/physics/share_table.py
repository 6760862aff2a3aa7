"""The closing share of one reed over every facing near by, from a table in tip opening, facing length and shape.

The shape is where the lay is half as high as the tip, over the facing length (0.038 mm feeler); a power-law lay of that tip, length and
shape stands for every fair curve that shares them.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from matchkit.physics.closing import LIP_SHARES, close_reeds
from matchkit.physics.contact import Beams, build_beams, node_places_m, quadrature_places_m
from matchkit.physics.lay.fair import CLAMP, THIN
from matchkit.physics.reed import ReedShape

Array = NDArray[np.float64]

POINTS = (11, 11, 21)
"""Nodes in tip opening, facing length and shape."""

REACH = 0.8
"""Share of the free reed beyond which no lip is taken to rest."""


def power_exponent(tip_m: Array, shape: Array) -> Array:
    """Return the exponent m of ``y = T (1 - x/L)^m`` whose half-open place over its facing length is ``shape``; by bisection.

    >>> round(float(power_exponent(np.array(2e-3), np.array(shape_of_power(2e-3, 2.2)))), 6)
    2.2
    """
    tip, wanted = np.broadcast_arrays(np.asarray(tip_m, dtype=float), np.asarray(shape, dtype=float))
    low, high = np.full(tip.shape, 1.0), np.full(tip.shape, 8.0)
    for _ in range(60):
        middle = (low + high) / 2
        above = shape_of_power(tip, middle) > wanted  # a higher exponent falls nearer the tip
        low, high = np.where(above, middle, low), np.where(above, high, middle)
    return np.asarray((low + high) / 2)


def shape_of_power(tip_m: Array | float, exponent: Array | float) -> Array:
    """Return the half-open place over the facing length of a power-law lay."""
    return np.asarray((1 - 0.5 ** (1 / np.asarray(exponent))) / (1 - (THIN / np.asarray(tip_m)) ** (1 / np.asarray(exponent))))


def power_beams(reed: ReedShape, *, tip_m: Array, length_m: Array, shape: Array, lip_m: float, lip_spread_m: float) -> Beams:
    """Lay one reed on power-law facings, all (B,); the lip as near the tip as ``lip_m`` allows."""
    exponent = power_exponent(tip_m, shape)
    edge = length_m / (1 - (THIN / tip_m) ** (1 / exponent))
    clamp = edge * (1 - (CLAMP / tip_m) ** (1 / exponent))
    widening = (reed.butt_width_m - reed.tip_width_m) / reed.length_m
    count = len(tip_m)
    return build_beams(
        clamp_m=clamp,
        lay_m=tip_m[:, None] * np.maximum(1 - node_places_m(clamp) / edge[:, None], 0.0) ** exponent[:, None],
        second_moment_m4=reed.second_moment_m4(quadrature_places_m(clamp)),
        width_m=np.full(count, reed.tip_width_m),
        widening=np.full(count, widening),
        lip_m=np.minimum(lip_m, REACH * clamp),
        lip_spread_m=lip_spread_m,
    )


@dataclass(frozen=True)
class ShareTable:
    """Closing shares over a grid: ``tips_m``, ``lengths_m``, ``shapes`` and :data:`LIP_SHARES` by the axes of ``share``."""

    tips_m: Array
    lengths_m: Array
    shapes: Array
    share: Array

    def __call__(self, tip_m: Array, length_m: Array, shape: Array, *, lip_share: Array) -> Array:
        """Return the share (N,), straight between the nodes; held at the edges of the table."""
        from scipy.ndimage import map_coordinates

        axes = zip((tip_m, length_m, shape), (self.tips_m, self.lengths_m, self.shapes), strict=True)
        places = [np.interp(value, axis, np.arange(len(axis))) for value, axis in axes]
        lips = np.interp(lip_share, LIP_SHARES, np.arange(len(LIP_SHARES)))
        return np.asarray(map_coordinates(self.share, [*places, lips], order=1, mode="nearest"))


def share_table(
    reed: ReedShape,
    *,
    tips_m: tuple[float, float],
    lengths_m: tuple[float, float],
    shapes: tuple[float, float],
    lip_m: float,
    lip_spread_m: float,
) -> ShareTable:
    """Solve the table of one reed between the given bounds; each node is one exact contact solution."""
    axes = [np.linspace(*bounds, count) for bounds, count in zip((tips_m, lengths_m, shapes), POINTS, strict=True)]
    tip, length, shape = (part.ravel() for part in np.meshgrid(*axes, indexing="ij"))
    beams = power_beams(reed, tip_m=tip, length_m=length, shape=shape, lip_m=lip_m, lip_spread_m=lip_spread_m)
    closing = close_reeds(
        beams, tip_width_m=np.full(len(tip), reed.tip_width_m), lip_m=np.minimum(lip_m, REACH * beams.x_m[:, 0])
    )
    return ShareTable(axes[0], axes[1], axes[2], closing.share.reshape(*POINTS, len(LIP_SHARES)))


@dataclass(frozen=True)
class Flexibility:
    """ln of the free tip deflection per unit p/E of one reed, over clamp place and reed place: exact before contact.

    Closing pressure over E is the tip opening over this deflection. Of fourth degree in the reed place, straight between close clamp
    places; ``coefficients`` (5, points) by rising power of the reed place in m.
    """

    clamps_m: Array
    coefficients: Array

    def __call__(self, clamp_m: Array, offset_m: Array) -> Array:
        """Return ln(deflection in m per unit p/E) (N,)."""
        total = np.zeros(np.shape(clamp_m))
        for part in self.coefficients[::-1]:
            total = total * offset_m + np.interp(clamp_m, self.clamps_m, part)
        return np.asarray(total)


OFFSETS_M = 1e-3 * np.array([-0.8, -0.4, 0.0, 0.4, 0.8])


def flexibility(reed: ReedShape, *, clamps_m: tuple[float, float], points: int = 200) -> Flexibility:
    """Tabulate :class:`Flexibility` between two clamp places: the integral of ``x M(x) / I(x)``, by Gauss quadrature."""
    clamps = np.linspace(*clamps_m, points)
    nodes, weights = np.polynomial.legendre.leggauss(48)
    widening = (reed.butt_width_m - reed.tip_width_m) / reed.length_m
    x = clamps[:, None] * (nodes + 1) / 2
    found = []
    for offset in OFFSETS_M:
        moment = (reed.tip_width_m + widening * offset) * x**2 / 2 + widening * x**3 / 6
        found.append(np.log((x * moment / reed.second_moment_m4(x + offset)) @ weights * clamps / 2))
    return Flexibility(clamps, np.linalg.solve(np.vander(OFFSETS_M, increasing=True), np.array(found)))
