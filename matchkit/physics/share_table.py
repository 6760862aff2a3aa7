"""Closing pressure and closing share of one reed over every facing near by, from a table in tip opening, facing length and shape.

The shape is where the lay is half as high as the tip, over the facing length (0.038 mm feeler); a power-law lay of that tip, length and
shape stands for every fair curve that shares them.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from matchkit.physics.beams import Beams, build_beams, node_places_m, quadrature_places_m
from matchkit.physics.closing import LIP_REACH, LIP_SHARES, close_reeds
from matchkit.physics.lay.fair import CLAMP_BEHIND, THIN
from matchkit.physics.reed import ReedShape

Array = NDArray[np.float64]

POINTS = (11, 11, 21)
"""Nodes in tip opening, facing length and shape."""


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


def power_beams(
    reed: ReedShape, *, tip_m: Array, length_m: Array, shape: Array, width_m: float, lip_m: float, lip_spread_m: float
) -> Beams:
    """Lay one reed on power-law facings, all (B,), under a load of one width; the lip as near the tip as ``lip_m`` allows."""
    exponent = power_exponent(tip_m, shape)
    edge = length_m / (1 - (THIN / tip_m) ** (1 / exponent))
    clamp = length_m + CLAMP_BEHIND
    nodes = node_places_m(clamp, edge)
    return build_beams(
        nodes_m=nodes,
        lay_m=tip_m[:, None] * np.maximum(1 - nodes / edge[:, None], 0.0) ** exponent[:, None],
        second_moment_m4=reed.second_moment_m4(quadrature_places_m(nodes)),
        width_m=np.full(len(tip_m), width_m),
        lip_m=np.minimum(lip_m, LIP_REACH * length_m),
        lip_spread_m=lip_spread_m,
    )


@dataclass(frozen=True)
class ShareTable:
    """Exact solutions over a grid: ``tips_m``, ``lengths_m`` and ``shapes`` by the axes of ``ln_pressure`` (of PM over E) and ``share``.

    The last axis of ``share`` is :data:`~matchkit.physics.closing.LIP_SHARES`.
    """

    tips_m: Array
    lengths_m: Array
    shapes: Array
    ln_pressure: Array
    share: Array

    def places(self, tip_m: Array, length_m: Array, shape: Array) -> Array:
        """Return where facings lie in the table (3, N), in nodes; those beyond it at its edges."""
        axes = zip((tip_m, length_m, shape), (self.tips_m, self.lengths_m, self.shapes), strict=True)
        return np.array([np.interp(value, axis, np.arange(len(axis))) for value, axis in axes])

    def ln_pressures(self, places: Array) -> Array:
        """Return ln(PM over E) (N,) at places in the table, straight between the nodes."""
        from scipy.ndimage import map_coordinates

        return np.asarray(map_coordinates(self.ln_pressure, places, order=1, mode="nearest"))

    def shares(self, places: Array, *, lip_share: Array) -> Array:
        """Return the closing share (N,) at places in the table, straight between the nodes."""
        from scipy.ndimage import map_coordinates

        lips = np.interp(lip_share, LIP_SHARES, np.arange(len(LIP_SHARES)))
        return np.asarray(map_coordinates(self.share, [*places, lips], order=1, mode="nearest"))


def share_table(
    reed: ReedShape,
    *,
    tips_m: tuple[float, float],
    lengths_m: tuple[float, float],
    shapes: tuple[float, float],
    width_m: float,
    lip_m: float,
    lip_spread_m: float,
) -> ShareTable:
    """Solve the table of one reed between the given bounds; each node is one exact contact solution."""
    axes = [np.linspace(*bounds, count) for bounds, count in zip((tips_m, lengths_m, shapes), POINTS, strict=True)]
    tip, length, shape = (part.ravel() for part in np.meshgrid(*axes, indexing="ij"))
    beams = power_beams(reed, tip_m=tip, length_m=length, shape=shape, width_m=width_m, lip_m=lip_m, lip_spread_m=lip_spread_m)
    closing = close_reeds(beams, tip_width_m=np.full(len(tip), reed.tip_width_m), lip_m=np.minimum(lip_m, LIP_REACH * length))
    return ShareTable(
        axes[0],
        axes[1],
        axes[2],
        np.log(closing.pressure_per_modulus).reshape(POINTS),
        closing.share.reshape(*POINTS, len(LIP_SHARES)),
    )
