"""A batch of reeds over their lays, integrated once: what the contact solver and the closing pressure rest on.

Nodes are counted from the clamp (0) to the tip (``CELLS``), the order in which the deflection is integrated; they stand close together where
the lay leaves the table and the reed first bears on it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from matchkit.errors import PhysicsInputError

Array = NDArray[np.float64]
Index = NDArray[np.intp]

CELLS = 24
"""Cells between clamp and tip: at most 0.1 % of the rest opening off the closed forms (``make bench`` prints it)."""

TABLE_CELLS = 2
"""Cells of them between the clamp and the place where the lay leaves the table."""

GRADING = 1.8
"""Ahead of it nodes stand at ``(k / n) ** GRADING`` of the way to the tip."""

_GAUSS_X, _GAUSS_W = np.polynomial.legendre.leggauss(3)
_AHEAD = np.linspace(0.0, 1.0, CELLS - TABLE_CELLS + 1) ** GRADING
_NO_TABLE = 1e-6


@dataclass(frozen=True)
class Beams:
    """A batch of clamped reeds over their lays, per unit modulus; ``B`` beams of ``CELLS`` cells.

    ``clamp_m`` (B,) from the tip; ``nodes`` (B, CELLS+1) places v of the nodes from the clamp, 0 to 1, in clamp lengths; ``lay_m``
    (B, CELLS+1) gap at rest; ``moment_of_flexibility`` three (B, CELLS+1) running integrals of 1/I times 1, v, v^2 from the clamp;
    ``cell_flexibility`` the same in each cell (B, CELLS), v from the cell's clamp side; ``pressure_load`` and ``lip_load`` two
    (B, CELLS+1) running integrals of M/I times 1, v for unit pressure and unit force.
    """

    clamp_m: Array
    nodes: Array
    lay_m: Array
    moment_of_flexibility: tuple[Array, Array, Array]
    cell_flexibility: tuple[Array, Array, Array]
    pressure_load: tuple[Array, Array]
    lip_load: tuple[Array, Array]

    def __len__(self) -> int:
        return len(self.clamp_m)

    @property
    def x_m(self) -> Array:
        """Places of the nodes from the tip (B, CELLS+1)."""
        return self.clamp_m[:, None] * (1 - self.nodes)

    def deflection_per_pressure_m(self) -> Array:
        """Deflection of the free beam per unit p/E (B, CELLS+1), in m."""
        return self._deflections[0]

    def deflection_per_force_m(self) -> Array:
        """Deflection of the free beam per unit F/E (B, CELLS+1), in m per m2."""
        return self._deflections[1]

    @cached_property
    def _deflections(self) -> tuple[Array, Array]:
        return self._deflection_m(self.pressure_load), self._deflection_m(self.lip_load)

    def _deflection_m(self, load: tuple[Array, Array]) -> Array:
        return self.clamp_m[:, None] ** 2 * (self.nodes * load[0] - load[1])

    def take(self, rows: Index) -> Beams:
        """Return the beams of these rows, in this order; a row may be taken more than once."""
        first, second, third = (part[rows] for part in self.moment_of_flexibility)
        one, two, three = (part[rows] for part in self.cell_flexibility)
        return Beams(
            self.clamp_m[rows],
            self.nodes[rows],
            self.lay_m[rows],
            (first, second, third),
            (one, two, three),
            (self.pressure_load[0][rows], self.pressure_load[1][rows]),
            (self.lip_load[0][rows], self.lip_load[1][rows]),
        )


def joined(batches: Sequence[Beams]) -> Beams:
    """Return the beams of several batches as one, in their order."""

    def every(name: str) -> Array:
        return np.concatenate([getattr(beams, name) for beams in batches])

    def three(name: str) -> tuple[Array, Array, Array]:
        first, second, third = (np.concatenate([getattr(beams, name)[at] for beams in batches]) for at in range(3))
        return first, second, third

    def two(name: str) -> tuple[Array, Array]:
        first, second = (np.concatenate([getattr(beams, name)[at] for beams in batches]) for at in range(2))
        return first, second

    return Beams(
        every("clamp_m"),
        every("nodes"),
        every("lay_m"),
        three("moment_of_flexibility"),
        three("cell_flexibility"),
        two("pressure_load"),
        two("lip_load"),
    )


def node_places_m(clamp_m: Array, break_m: Array) -> Array:
    """Return the places of the nodes from the tip (B, CELLS+1), from the clamp at ``clamp_m`` (B,) to the tip.

    They are closest ahead of ``break_m`` (B,), where the lay leaves the table, which is where a reed first bears on it. A break behind the
    clamp, or at it, leaves no table between them.
    """
    clamp = np.asarray(clamp_m, dtype=float)[:, None]
    edge = np.minimum(np.asarray(break_m, dtype=float)[:, None], clamp)
    table = (clamp - edge) / clamp > _NO_TABLE
    behind = np.where(table, clamp - (clamp - edge) * np.arange(TABLE_CELLS) / TABLE_CELLS, 0.0)
    ahead = np.concatenate([behind, edge * (1 - _AHEAD)], axis=1)
    if table.all():
        return np.asarray(ahead)
    return np.where(table, ahead, clamp * (1 - np.linspace(0.0, 1.0, CELLS + 1) ** GRADING))


def quadrature_places_m(nodes_m: Array) -> Array:
    """Return the places from the tip at which :func:`build_beams` wants the second moment (B, CELLS, 3), for nodes (B, CELLS+1)."""
    start, stop = nodes_m[:, :-1, None], nodes_m[:, 1:, None]
    return np.asarray((start + stop) / 2 + (stop - start) / 2 * _GAUSS_X)


def pressure_moment(x_m: Array, *, width_m: Array, reach_m: Array | float = np.inf) -> Array:
    """Return the bending moment at ``x_m`` (B, ...) of unit pressure on a width (B,) from the tip to ``reach_m`` (B,), per Pa in m3."""
    extra = (1,) * (np.ndim(x_m) - 1)
    width, reach = (np.reshape(np.broadcast_to(part, len(x_m)), (-1, *extra)) for part in (width_m, reach_m))
    loaded = np.minimum(x_m, reach)
    return np.asarray(width * loaded * (x_m - loaded / 2))


def spread_force_moment(x_m: Array, *, centre_m: Array, spread_m: float) -> Array:
    """Return the bending moment at ``x_m`` (B, ...) of a unit force spread evenly over ``spread_m`` about ``centre_m`` (B,), in m."""
    extra = (1,) * (np.ndim(x_m) - 1)
    start = np.reshape(centre_m, (-1, *extra)) - spread_m / 2
    run = np.clip(x_m - start, 0.0, spread_m)
    return np.asarray(run**2 / (2 * spread_m) + np.maximum(x_m - start - spread_m, 0.0))


def build_beams(
    *,
    nodes_m: Array,
    lay_m: Array,
    second_moment_m4: Array,
    width_m: Array,
    reach_m: Array | float = np.inf,
    lip_m: Array,
    lip_spread_m: float,
) -> Beams:
    """Integrate the flexibility and the two loads of a batch of reeds.

    ``nodes_m`` (B, CELLS+1) from the clamp to the tip, which is 0; ``lay_m`` (B, CELLS+1) there; ``second_moment_m4`` (B, CELLS, 3) at
    :func:`quadrature_places_m`. Pressure acts on ``width_m`` (B,) from the tip to ``reach_m``, the lip about ``lip_m`` (B,). Three-point Gauss in each cell. Raises PhysicsInputError where a length, moment or
    lay height is not above zero.
    """
    clamp = np.asarray(nodes_m, dtype=float)[:, 0]
    if not (np.all(clamp > 0) and np.all(second_moment_m4 > 0) and np.all(np.isfinite(second_moment_m4))):
        raise PhysicsInputError("clamp places and second moments must be above zero")
    if not (np.all(lay_m >= 0) and np.all(lay_m[:, -1] > 0)):
        raise PhysicsInputError("the lay must not rise above the table, and the tip must be open")
    x = quadrature_places_m(nodes_m)
    nodes, from_clamp = 1 - nodes_m / clamp[:, None], 1 - x / clamp[:, None, None]
    flexibility = np.diff(nodes, axis=1)[:, :, None] * _GAUSS_W / 2 / second_moment_m4
    along = from_clamp - nodes[:, :-1, None]
    by_pressure = flexibility * pressure_moment(x, width_m=width_m, reach_m=reach_m)
    by_lip = flexibility * spread_force_moment(x, centre_m=lip_m, spread_m=lip_spread_m)
    return Beams(
        clamp_m=clamp,
        nodes=nodes,
        lay_m=np.asarray(lay_m, dtype=float),
        moment_of_flexibility=(
            _running(flexibility),
            _running(flexibility * from_clamp),
            _running(flexibility * from_clamp**2),
        ),
        cell_flexibility=(flexibility.sum(2), (flexibility * along).sum(2), (flexibility * along**2).sum(2)),
        pressure_load=(_running(by_pressure), _running(by_pressure * from_clamp)),
        lip_load=(_running(by_lip), _running(by_lip * from_clamp)),
    )


def _running(values: Array) -> Array:
    total = np.zeros((len(values), CELLS + 1))
    np.cumsum(values.sum(axis=2), axis=1, out=total[:, 1:])
    return total
