"""Many reeds bending onto their lays at once: unilateral contact of a cantilever under pressure and lip force.

Model. Minimise ``integral of E I y''^2 / 2`` minus the work of the loads, subject to ``gap = lay - y >= 0``; the published
one-dimensional form is Avanzini and van Walstijn 2004 (read about, not read). Loads and forces are taken per unit modulus
(p/E, F/E), so one solution serves every strength of a profile.

Method. The lay may push only at ``CELLS`` nodes, close together where the lay leaves the table and the reed first bears on it. Where it touches, the deflection is known, so the bending
moment over the touching nodes follows from the three-moment equation of a continuous beam (Clapeyron 1857) with varying
section: a tridiagonal, well-conditioned system. Which nodes touch is found by adding the deepest node of each stretch that
overlaps and dropping nodes that would have to pull. A problem that has not settled after 24 rounds starts again in the manner
of Lawson and Hanson (1974, chapter 23: one node at a time, with a shortened step), which is finite. Every answer is checked against
the conditions of the problem, recomputed from the forces alone.

Nodes are counted from the clamp (0) to the tip (``CELLS``), the order in which the deflection is integrated.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from matchkit.errors import ContactError
from matchkit.physics.beams import Beams

Array = NDArray[np.float64]
Flags = NDArray[np.bool_]
Index = NDArray[np.intp]
Load = Literal["pressure", "lip"]

_OVERLAP = 1e-9
_PULL = 1e-9
_ACCEPT = 1e-7
_PATIENCE = 24
_ROUNDS = 2000


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


def solve_contact(
    beams: Beams,
    *,
    pressure_per_modulus: Array | float,
    force_per_modulus_m2: Array | float = 0.0,
    rows: Index | None = None,
    near: Flags | None = None,
) -> ContactSolution:
    """Solve the contact of every beam at its own p/E (B,) and lip F/E (B,) or one for all.

    With ``rows`` (P,) there are as many problems, each of the beam it names; loads and solution are then (P, ...). ``near`` (P, CELLS+1) is
    a first guess of where each touches, which saves rounds and changes nothing else. Raises ContactError where a solution fails its own
    conditions. Small slopes; the lay is rigid and without friction.
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
        guess = None if near is None else near[touching]
        pushed, gap[touching], rounds = _settle(beams, which, free[touching], overlap[touching], (load[0], load[1]), guess)
        force[touching] = np.maximum(pushed, 0.0)
    solution = ContactSolution(gap, force, rounds)
    check_solution(beams, solution, free_gap_m=free, rows=rows)
    return solution


def gap_slope(beams: Beams, solution: ContactSolution, *, by: Load = "pressure") -> Array:
    """Return how the gap moves with p/E or with the lip's F/E (B, CELLS+1), as long as the same nodes touch.

    Between two changes of contact the gap is a straight line of the load, so a step along this slope is exact until the next one.
    """
    falling = -(beams.deflection_per_pressure_m() if by == "pressure" else beams.deflection_per_force_m())
    slope = falling.copy()
    held = np.flatnonzero(solution.touching.any(axis=1))
    if len(held):
        one = beams.pressure_load if by == "pressure" else beams.lip_load
        load = (one[0][held], one[1][held])
        force = _support_forces(beams, held, solution.touching[held], load, np.zeros_like(beams.lay_m))
        slope[held] = _gap(beams, held, force, falling[held])
    return slope


def _settle(
    beams: Beams, rows: Index, free: Array, overlap: Array, load: tuple[Array, Array], near: Flags | None = None
) -> tuple[Array, Array, int]:
    """Find which nodes touch, round by round; return forces and gaps of the beam ``rows``, and the rounds it took."""
    force, gap = np.zeros_like(free), free.copy()
    supports = _deepest(free, np.zeros_like(free, dtype=bool), overlap)
    if near is not None:
        supports = np.where(near.any(axis=1, keepdims=True), near, supports)
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
        fresh = deepest(found, held, overlap[todo]) & ~(lets_go & careful[todo])[:, None]
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
    level = lay_m[rows[:, None], at] / beams.clamp_m[rows][:, None] ** 2
    level[:, 0] = 0.0  # the clamp itself, where the reed stays on the table's plane
    place = beams.nodes[rows[:, None], at]
    near, far = place[:, :-1], place[:, 1:]
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
    result[np.nonzero(real)[0], order[real]] = forces[real] / beams.clamp_m[rows][np.nonzero(real)[0]]
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
    clamp, nodes = beams.clamp_m[rows][:, None], beams.nodes[rows]
    length = np.diff(nodes, axis=1)
    moment = np.zeros_like(force)  # each cell adds its length times the shear in it, from the tip on
    moment[:, -2::-1] = np.cumsum(np.cumsum(force[:, :0:-1], axis=1) * length[:, ::-1], axis=1)
    moment *= clamp
    start, rise = moment[:, :-1], np.diff(moment, axis=1) / length
    k0, k1, k2 = (part[rows] for part in beams.cell_flexibility)
    turn = start * k0 + rise * k1
    k1 *= start
    k2 *= rise
    arm = np.cumsum(k1 + k2 + nodes[:, :-1] * turn, axis=1)
    lifted = free.copy()
    lifted[:, 1:] += clamp**2 * (nodes[:, 1:] * np.cumsum(turn, axis=1) - arm)
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
