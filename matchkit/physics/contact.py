"""Many reeds bending onto their lays at once: unilateral contact of a cantilever under pressure and lip force.

Model. Minimise ``integral of E I y''^2 / 2`` minus the work of the loads, subject to ``gap = lay - y >= 0``; the published
one-dimensional form is Avanzini and van Walstijn 2004 (read about, not read). Loads and forces are taken per unit modulus
(p/E, F/E), so one solution serves every strength of a profile.

Method. The lay may push only at ``CELLS`` equally spaced nodes. Where it touches, the deflection is known, so the bending
moment over the touching nodes follows from the three-moment equation of a continuous beam (Clapeyron 1857) with varying
section: a tridiagonal, well-conditioned system. Which nodes touch is found by adding the deepest node of each stretch that
overlaps and dropping nodes that would have to pull. A problem that has not settled after 24 rounds starts again in the manner
of Lawson and Hanson (1974, chapter 23: one node at a time, with a shortened step), which is finite. Every answer is checked against
the conditions of the problem, recomputed from the forces alone.

Nodes are counted from the clamp (0) to the tip (``CELLS``), the order in which the deflection is integrated.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from matchkit.errors import ContactError, PhysicsInputError

Array = NDArray[np.float64]
Flags = NDArray[np.bool_]
Index = NDArray[np.intp]

CELLS = 32
"""Cells between clamp and tip: at most 0.02 % of the rest opening off the closed forms (``make bench`` prints it)."""

_GAUSS_X, _GAUSS_W = np.polynomial.legendre.leggauss(3)
_FROM_CLAMP = (np.arange(CELLS)[:, None] + 0.5) + _GAUSS_X / 2
_NODES = np.arange(CELLS + 1, dtype=float)
_OVERLAP = 1e-9
_PULL = 1e-9
_ACCEPT = 1e-7
_PATIENCE = 24
_ROUNDS = 2000


@dataclass(frozen=True)
class Beams:
    """A batch of clamped reeds over their lays, per unit modulus; ``B`` beams of ``CELLS`` cells.

    ``spacing_m`` (B,) node spacing; ``lay_m`` (B, CELLS+1) gap at rest; ``moment_of_flexibility`` three (B, CELLS+1) running
    integrals of 1/I times 1, v, v^2 from the clamp, v in node spacings; ``cell_flexibility`` the same in each cell (B, CELLS),
    v from the cell's clamp side; ``pressure_load`` and ``lip_load`` two (B, CELLS+1) running integrals of M/I times 1, v for
    unit pressure and unit force.
    """

    spacing_m: Array
    lay_m: Array
    moment_of_flexibility: tuple[Array, Array, Array]
    cell_flexibility: tuple[Array, Array, Array]
    pressure_load: tuple[Array, Array]
    lip_load: tuple[Array, Array]

    def __len__(self) -> int:
        return len(self.spacing_m)

    @property
    def x_m(self) -> Array:
        """Places of the nodes from the tip (B, CELLS+1)."""
        return self.spacing_m[:, None] * (CELLS - _NODES)

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
        return self.spacing_m[:, None] ** 2 * (_NODES * load[0] - load[1])

    def take(self, rows: Index) -> Beams:
        """Return the beams of these rows, in this order; a row may be taken more than once."""
        first, second, third = (part[rows] for part in self.moment_of_flexibility)
        one, two, three = (part[rows] for part in self.cell_flexibility)
        return Beams(
            self.spacing_m[rows],
            self.lay_m[rows],
            (first, second, third),
            (one, two, three),
            (self.pressure_load[0][rows], self.pressure_load[1][rows]),
            (self.lip_load[0][rows], self.lip_load[1][rows]),
        )


@dataclass(frozen=True)
class ContactSolution:
    """Where the reed ends up: gap and contact force at every node, tip last.

    ``gap_m`` (B, CELLS+1) and ``force_per_modulus_m2`` (B, CELLS+1), the latter a force over E; ``rounds`` is how often the
    supports were changed.
    """

    gap_m: Array
    force_per_modulus_m2: Array
    rounds: int

    @property
    def touching(self) -> Flags:
        """Nodes at which the lay pushes (B, CELLS+1)."""
        return self.force_per_modulus_m2 > 0

    @property
    def tip_gap_m(self) -> Array:
        """Gap at the tip (B,)."""
        return self.gap_m[:, -1]


def node_places_m(clamp_m: Array) -> Array:
    """Return the places of the nodes from the tip (B, CELLS+1) for clamps at ``clamp_m`` (B,)."""
    return np.asarray(clamp_m, dtype=float)[:, None] * (1 - _NODES / CELLS)


def quadrature_places_m(clamp_m: Array) -> Array:
    """Return the places from the tip at which :func:`build_beams` wants the second moment (B, CELLS, 3)."""
    return np.asarray(clamp_m, dtype=float)[:, None, None] * (1 - _FROM_CLAMP / CELLS)


def pressure_moment(x_m: Array, *, width_m: Array, widening: Array) -> Array:
    """Return the bending moment at ``x_m`` (B, ...) of unit pressure on the whole width ``width + widening x``, per Pa in m3."""
    extra = (1,) * (np.ndim(x_m) - 1)
    w0, w1 = np.reshape(width_m, (-1, *extra)), np.reshape(widening, (-1, *extra))
    return np.asarray(w0 * x_m**2 / 2 + w1 * x_m**3 / 6)


def spread_force_moment(x_m: Array, *, centre_m: Array, spread_m: float) -> Array:
    """Return the bending moment at ``x_m`` (B, ...) of a unit force spread evenly over ``spread_m`` about ``centre_m`` (B,), in m."""
    extra = (1,) * (np.ndim(x_m) - 1)
    start = np.reshape(centre_m, (-1, *extra)) - spread_m / 2
    run = np.clip(x_m - start, 0.0, spread_m)
    return np.asarray(run**2 / (2 * spread_m) + np.maximum(x_m - start - spread_m, 0.0))


def build_beams(
    *, clamp_m: Array, lay_m: Array, second_moment_m4: Array, width_m: Array, widening: Array, lip_m: Array, lip_spread_m: float
) -> Beams:
    """Integrate the flexibility and the two loads of a batch of reeds.

    ``clamp_m``, ``width_m`` (at the tip), ``widening`` (change of width per m towards the butt) and ``lip_m`` are (B,);
    ``lay_m`` (B, CELLS+1) at :func:`node_places_m`; ``second_moment_m4`` (B, CELLS, 3) at :func:`quadrature_places_m`.
    Three-point Gauss in each cell. Raises PhysicsInputError where a length, moment or lay height is not above zero.
    """
    clamp = np.asarray(clamp_m, dtype=float)
    if not (np.all(clamp > 0) and np.all(second_moment_m4 > 0) and np.all(np.isfinite(second_moment_m4))):
        raise PhysicsInputError("clamp places and second moments must be above zero")
    if not (np.all(lay_m >= 0) and np.all(lay_m[:, -1] > 0)):
        raise PhysicsInputError("the lay must not rise above the table, and the tip must be open")
    x = quadrature_places_m(clamp)
    flexibility = _GAUSS_W / 2 / second_moment_m4
    along = _FROM_CLAMP - np.arange(CELLS)[:, None]
    by_pressure = flexibility * pressure_moment(x, width_m=width_m, widening=widening)
    by_lip = flexibility * spread_force_moment(x, centre_m=lip_m, spread_m=lip_spread_m)
    return Beams(
        spacing_m=clamp / CELLS,
        lay_m=np.asarray(lay_m, dtype=float),
        moment_of_flexibility=(
            _running(flexibility),
            _running(flexibility * _FROM_CLAMP),
            _running(flexibility * _FROM_CLAMP**2),
        ),
        cell_flexibility=(flexibility.sum(2), (flexibility * along).sum(2), (flexibility * along**2).sum(2)),
        pressure_load=(_running(by_pressure), _running(by_pressure * _FROM_CLAMP)),
        lip_load=(_running(by_lip), _running(by_lip * _FROM_CLAMP)),
    )


def _running(values: Array) -> Array:
    total = np.zeros((len(values), CELLS + 1))
    np.cumsum(values.sum(axis=2), axis=1, out=total[:, 1:])
    return total


def solve_contact(
    beams: Beams,
    *,
    pressure_per_modulus: Array | float,
    force_per_modulus_m2: Array | float = 0.0,
    rows: Index | None = None,
) -> ContactSolution:
    """Solve the contact of every beam at its own p/E (B,) and lip F/E (B,) or one for all.

    With ``rows`` (P,) there are as many problems, each of the beam it names; loads and solution are then (P, ...). Raises ContactError
    where a solution fails its own conditions. Small slopes; the lay is rigid and without friction.
    """
    rows = np.arange(len(beams)) if rows is None else rows
    count = len(rows)
    pressure = np.broadcast_to(np.asarray(pressure_per_modulus, dtype=float), (count,))
    lip = np.broadcast_to(np.asarray(force_per_modulus_m2, dtype=float), (count,))
    free = beams.lay_m[rows]
    overlap = _OVERLAP * free[:, -1]
    free -= pressure[:, None] * beams.deflection_per_pressure_m()[rows]
    free -= lip[:, None] * beams.deflection_per_force_m()[rows]
    touching = np.flatnonzero(free.min(axis=1) < -overlap)
    force, gap, rounds = np.zeros_like(free), free, 0
    if len(touching):
        gap = free.copy()
        which = rows[touching]
        load = tuple(
            pressure[touching, None] * by_pressure[which] + lip[touching, None] * by_lip[which]
            for by_pressure, by_lip in zip(beams.pressure_load, beams.lip_load, strict=True)
        )
        pushed, gap[touching], rounds = _settle(beams, which, free[touching], overlap[touching], (load[0], load[1]))
        force[touching] = np.maximum(pushed, 0.0)
    solution = ContactSolution(gap, force, rounds)
    check_solution(beams, solution, free_gap_m=free, rows=rows)
    return solution


def tip_slope(beams: Beams, solution: ContactSolution) -> Array:
    """Return how the tip gap moves with p/E (B,), in m, as long as the same nodes touch.

    Between two changes of contact the gap is a straight line of the load, so a step along this slope is exact until the next one.
    """
    falling = -beams.deflection_per_pressure_m()
    slope = falling[:, -1].copy()
    held = np.flatnonzero(solution.touching.any(axis=1))
    if len(held):
        load = (beams.pressure_load[0][held], beams.pressure_load[1][held])
        force = _support_forces(beams, held, solution.touching[held], load, np.zeros_like(beams.lay_m))
        slope[held] = _gap(beams, held, force, falling[held])[:, -1]
    return slope


def _settle(beams: Beams, rows: Index, free: Array, overlap: Array, load: tuple[Array, Array]) -> tuple[Array, Array, int]:
    """Find which nodes touch, round by round; return forces and gaps of the beam ``rows``, and the rounds it took."""
    force, gap = np.zeros_like(free), free.copy()
    supports = _deepest(free, np.zeros_like(free, dtype=bool), overlap)
    careful = np.zeros(len(free), dtype=bool)
    todo = np.arange(len(free))
    rounds = 0
    while len(todo):
        rounds += 1
        if rounds > _ROUNDS:
            raise ContactError(f"{len(todo)} contact problems did not settle in {_ROUNDS} rounds")
        if rounds == _PATIENCE:
            careful[todo] = True
            force[todo] = 0.0
            supports[todo] = _one_deepest(free[todo], np.zeros_like(supports[todo]), overlap[todo])
        held = supports[todo]
        wanted = _support_forces(beams, rows[todo], held, (load[0][todo], load[1][todo]), beams.lay_m)
        pulling = held & (wanted < -_PULL * np.abs(wanted).max(axis=1, keepdims=True))
        lets_go = pulling.any(axis=1)
        slow = careful[todo] & lets_go
        if slow.any():
            wanted, pulling = _short_step(force[todo], wanted, pulling, slow)
        found = _gap(beams, rows[todo], wanted, free[todo])
        force[todo], gap[todo] = wanted, found
        deepest = _one_deepest if careful[todo].all() else _deepest
        fresh = deepest(found, held, overlap[todo]) & ~lets_go[:, None]
        supports[todo] = (held & ~pulling) | fresh
        todo = todo[lets_go | fresh.any(axis=1)]
    return force, gap, rounds


def _deepest(gap: Array, held: Flags, overlap: Array) -> Flags:
    """Mark the deepest node of each stretch that overlaps the lay."""
    depth = np.where(~held & (gap < -overlap[:, None]), gap, np.inf)
    marks = depth < np.inf
    marks[:, 1:] &= depth[:, 1:] <= depth[:, :-1]
    marks[:, :-1] &= depth[:, :-1] < depth[:, 1:]
    return np.asarray(marks)


def _one_deepest(gap: Array, held: Flags, overlap: Array) -> Flags:
    """Mark the deepest node of all that overlaps, at most one a beam."""
    depth = np.where(~held & (gap < -overlap[:, None]), gap, np.inf)
    marks = np.zeros_like(held)
    rows = np.arange(len(gap))
    at = depth.argmin(axis=1)
    marks[rows, at] = depth[rows, at] < np.inf
    return marks


def _short_step(force: Array, wanted: Array, pulling: Flags, slow: Flags) -> tuple[Array, Flags]:
    """Go from ``force`` towards ``wanted`` until the first node lets go, in the rows that are ``slow``."""
    reach = np.where(pulling, force / np.where(pulling, force - wanted, 1.0), np.inf)
    step = np.where(slow, reach.min(axis=1), 1.0)
    moved = force + np.minimum(step, 1.0)[:, None] * (wanted - force)
    first = pulling & (reach <= reach.min(axis=1, keepdims=True))
    moved = np.where(first & slow[:, None], 0.0, moved)
    return np.where(slow[:, None], moved, wanted), np.where(slow[:, None], first, pulling)


def _support_forces(beams: Beams, rows: Index, supports: Flags, load: tuple[Array, Array], lay_m: Array) -> Array:
    """Return the forces (R, CELLS+1) that hold the supported nodes of ``rows`` exactly on ``lay_m`` (B, CELLS+1)."""
    count = supports.sum(axis=1)
    most = int(count.max())
    order = np.argsort(~supports, axis=1, kind="stable")[:, :most]
    real = np.arange(most) < count[:, None]
    last = np.take_along_axis(order, np.maximum(count - 1, 0)[:, None], axis=1)
    at = np.concatenate([np.zeros((len(rows), 1), dtype=np.intp), np.where(real, order, last)], axis=1)
    one = np.arange(len(rows))[:, None]
    i0, i1, i2 = (np.diff(part[rows[:, None], at], axis=1) for part in beams.moment_of_flexibility)
    q0, q1 = (np.diff(part[one, at], axis=1) for part in load)
    level = lay_m[rows[:, None], at] / beams.spacing_m[rows][:, None] ** 2
    level[:, 0] = 0.0  # the clamp itself, where the reed stays on the table's plane
    near, far = at[:, :-1].astype(float), at[:, 1:].astype(float)
    span = np.where(real, far - near, 1.0)
    slope = np.diff(level, axis=1) / span
    diagonal = (far**2 * i0 - 2 * far * i1 + i2) / span**2
    beyond = (i2 - 2 * near * i1 + near**2 * i0) / span**2
    coupling = ((near + far) * i1 - near * far * i0 - i2) / span**2
    right = (far * q0 - q1) / span - slope
    diagonal[:, 1:] += beyond[:, :-1]
    right[:, 1:] += ((q1 - near * q0) / span + slope)[:, :-1]
    diagonal = np.where(real, diagonal, 1.0)
    right = np.where(real, right, 0.0)
    coupling[:, :-1] = np.where(real[:, 1:], coupling[:, :-1], 0.0)
    moment = np.zeros((len(rows), most + 1))
    moment[:, :-1] = _tridiagonal(diagonal, coupling, right)
    shear = np.where(real, (moment[:, :-1] - moment[:, 1:]) / span, 0.0)
    forces = shear.copy()
    forces[:, :-1] -= shear[:, 1:]
    result = np.zeros(supports.shape)
    result[np.nonzero(real)[0], order[real]] = forces[real] / beams.spacing_m[rows][np.nonzero(real)[0]]
    return result


def _tridiagonal(diagonal: Array, coupling: Array, right: Array) -> Array:
    """Solve symmetric tridiagonal systems side by side, (R, K) each; elimination without pivoting, safe for these matrices."""
    upper, value = np.empty_like(diagonal.T), np.empty_like(diagonal.T)
    d, c, r = diagonal.T, coupling.T, right.T
    upper[0], value[0] = c[0] / d[0], r[0] / d[0]
    for k in range(1, len(d)):
        pivot = d[k] - c[k - 1] * upper[k - 1]
        upper[k] = c[k] / pivot
        value[k] = (r[k] - c[k - 1] * value[k - 1]) / pivot
    for k in range(len(d) - 2, -1, -1):
        value[k] -= upper[k] * value[k + 1]
    return value.T


def _gap(beams: Beams, rows: Index, force: Array, free: Array) -> Array:
    """Return the gap of ``rows`` under nodal forces, by integrating their moment; independent of which nodes are held."""
    spacing = beams.spacing_m[rows][:, None]
    moment = np.zeros_like(force)  # spacing times the sum of the shears between a node and the tip
    moment[:, -2::-1] = np.cumsum(np.cumsum(force[:, :0:-1], axis=1), axis=1)
    moment *= spacing
    start, rise = moment[:, :-1], np.diff(moment, axis=1)
    k0, k1, k2 = (part[rows] for part in beams.cell_flexibility)
    turn = start * k0 + rise * k1
    k1 *= start
    k2 *= rise
    arm = np.cumsum(k1 + k2 + _NODES[:-1] * turn, axis=1)
    lifted = free.copy()
    lifted[:, 1:] += spacing**2 * (_NODES[1:] * np.cumsum(turn, axis=1) - arm)
    return lifted


def check_solution(beams: Beams, solution: ContactSolution, *, free_gap_m: Array, rows: Index | None = None) -> None:
    """Check the conditions of the problem: no overlap, no pull, and no push where the gap is open.

    ``rows`` (P,) are the beams of the problems, each its own where they are not given. The gap is computed afresh from the forces.
    Raises ContactError, saying which beam and by how much.
    """
    rows = np.arange(len(beams)) if rows is None else rows
    force = solution.force_per_modulus_m2
    limit = _ACCEPT * beams.lay_m[rows, -1]
    worst = -free_gap_m.min(axis=1)  # where nothing pushes
    pushed = np.flatnonzero(force.any(axis=1))
    gap = _gap(beams, rows[pushed], force[pushed], free_gap_m[pushed])
    lost = np.where(force[pushed] > 0, np.abs(gap), 0.0).max(axis=1)
    drift = np.abs(gap - solution.gap_m[pushed]).max(axis=1)
    worst[pushed] = np.maximum.reduce([-gap.min(axis=1), lost, drift])
    beyond = np.flatnonzero(~(worst <= limit))
    limit[beyond] = np.maximum(limit[beyond], _ACCEPT * np.abs(free_gap_m[beyond]).max(axis=1))
    if not np.all(worst <= limit) or not np.all(force[pushed] >= 0):
        beam = int(np.argmax(worst / limit))
        raise ContactError(f"beam {rows[beam]}: the contact solution misses its conditions by {worst[beam] * 1e6:.3g} µm")
