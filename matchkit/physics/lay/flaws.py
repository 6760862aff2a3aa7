"""Bumps and flats: stretches where readings stray from the fair curve by more than their own errors explain.

Near the fair curve a reading at height ``y`` lies at ``x(y)``, which a small change of shape moves along ``1``, ``y^a``, ``y^a ln y`` and
``y^(a + 1)`` (break, size, exponent and bend). A stretch that stands off by ``d`` moves its readings by
``d dx/dy`` besides: the mean-shift test of an outlier (Cook and Weisberg 1982, from memory), by generalised least squares under the readings'
covariance. The likeliest stretch is taken in, and looked again, while chance would show one as large in fewer than 2 of 100 sound facings.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise
from statistics import NormalDist
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from matchkit.physics.lay.fair import FairCurve, Readings
from matchkit.physics.lay.shapes import fall_m

Array = NDArray[np.float64]
Index = NDArray[np.intp]

LEAST_FLAW_M = 12e-6
"""A deviation below this is a matter of taste, however sure it is."""

TIP_REGION_M = 2e-3
"""Nearer the tip a deviation is told by the tip opening, not as a flaw of the facing."""

CHANCE = 0.02
"""Share of sound facings on which a flaw may be named."""
WIDTHS_M = (1.2e-3, 2.4e-3, 4e-3)
"""Widths at half height of what is looked for."""
_STEP_M = 0.2e-3
NEAR = 0.85
"""A station sees at least this share of the height of what is looked for; between stations nothing is seen."""
MOST_FLAWS = 4
LEAST_CLEAR = 0.05
"""A stretch is looked at where other shapes leave this share of what readings see of it."""
ONE_RAIL, ONE_RAIL_SURE = 0.35, 4.0
"""A bump is on one rail where the other has less than this share of it, and that explains the readings better by so many standard uncertainties."""
LEAST_ALIKE, SURELY_DEEPER = 4, 9.0
"""A rail is told to be deeper all along from so many feelers, where that explains them better than one that is short, by so much of chi squared."""
FOR_FLATTENING = 8
"""So many stations tell the bend besides the exponent."""


@dataclass(frozen=True)
class Flaw:
    """A stretch where the lay strays from its fair curve: a bump stands proud of it, a flat lies under it.

    ``place_m`` is its middle, ``height_m`` by how much (above zero: the lay is too far from the reed's plane), with its standard uncertainty.
    """

    kind: Literal["bump", "flat"]
    place_m: float
    height_m: float
    length_m: float
    u_height_m: float
    sized: bool = True
    """False where readings lie too far apart to tell how wide it is, and so how high."""
    rail: str | None = None
    """Of two rails, the one that it surely is on alone; its height is then that rail's."""


@dataclass(frozen=True)
class _Stretch:
    """A smooth bump of height 1 at ``place_m``, as readings (n,) see it."""

    place_m: float
    width_m: float
    seen: Array


def find_flaws(
    rails: Mapping[str, Readings], fair: FairCurve, *, tip_opening_m: float, u_tip_m: float, least_m: float = LEAST_FLAW_M
) -> tuple[Flaw, ...]:
    """Return the bumps and flats of a facing, tip first, from the readings of one rail or of both, which may differ in length and size.

    Parameters
    ----------
    rails
        the readings of each rail by its name, as they were fitted, one behind the other
    fair
        the curve that was fitted to them
    tip_opening_m, u_tip_m
        the tip opening, which is one more reading at ``x = 0``
    least_m
        what is smaller is not named
    """
    first, *rest = rails.values()
    readings = first.beside(*rest) if rest else first
    y = np.append(readings.height_m, tip_opening_m)
    x = np.append(readings.place_m, 0.0)
    stretches = _stretches(readings)
    if not stretches:
        return ()
    slope = fall_m(fair.parameters[1:], y)
    whiten = np.linalg.inv(np.linalg.cholesky(_covariance(readings, fair, slope, u_tip_m)))
    tangents = _tangents(fair, y, stations=len(np.unique(readings.height_m)))
    if rest:  # a rail may be shorter than the other, or of another size
        side = np.concatenate([np.ones(len(first.height_m)), -np.ones(len(rest[0].height_m)), [0.0]])
        tangents = np.column_stack([tangents, side, side * tangents[:, 1]])
    design = whiten @ tangents
    off = whiten @ (x - fair.place_m(y))
    shifts = [whiten @ (slope * np.append(stretch.seen, 0.0)) for stretch in stretches]
    limit = _limit(len(np.unique(readings.height_m)) * len(WIDTHS_M))
    taken: list[int] = []
    while len(taken) < MOST_FLAWS:
        base = np.linalg.qr(np.column_stack([design, *(shifts[place] for place in taken)]))[0]
        left = off - base @ (base.T @ off)
        scores = []
        for place, shift in enumerate(shifts):
            clear = shift - base @ (base.T @ shift)
            size = float(clear @ clear)
            overlaps = any(_overlap(stretches[place], stretches[other]) for other in taken)
            scores.append(
                0.0 if overlaps or size < LEAST_CLEAR * float(shift @ shift) else abs(float(clear @ left)) / math.sqrt(size)
            )
        best = int(np.argmax(np.round(scores, 6)))
        if scores[best] < limit:
            break
        taken.append(best)
    flaws = _told(stretches, shifts, design, off, taken, limit, least_m=least_m)
    if not rest:
        return flaws
    on_first = np.arange(len(y)) < len(first.height_m)
    halves: dict[str | None, Sequence[Array]] = {None: shifts}
    halves |= {
        name: [whiten @ (slope * side * np.append(stretch.seen, 0.0)) for stretch in stretches]
        for name, side in zip(rails, (on_first, ~on_first), strict=True)  # the tip sees nothing of a stretch
    }
    bases = {stretches[place].place_m: shifts[place] for place in taken}
    told = []
    for flaw in flaws:
        beside = [shift for place, shift in bases.items() if place != flaw.place_m]
        near = [place for place, one in enumerate(stretches) if abs(one.place_m - flaw.place_m) < flaw.length_m]
        base = np.linalg.qr(np.column_stack([design, *beside]))[0]
        told.append(_on_one(flaw, base, off, near, halves, stretches))
    return tuple(told)


def one_deeper_m(one: Readings, other: Readings, fair: FairCurve) -> float:
    """Return by how much one rail lies deeper than the other all along (negative: the other), in m; 0 unless that explains the feelers that both were read with.

    A rail that is short is moved along, by as much at every feeler; one that is dug too deep differs by as much in height, and ever more in
    place towards the break.
    """
    alike, first, second = np.intersect1d(one.height_m, other.height_m, return_indices=True)
    if len(alike) < LEAST_ALIKE:
        return 0.0
    apart, slope = one.place_m[first] - other.place_m[second], fall_m(fair.parameters[1:], alike)
    weight = 1 / (one.u_place_m[first] ** 2 + other.u_place_m[second] ** 2)
    ways = {"moved": np.ones(len(alike)), "deeper": slope}
    size = {name: float((weight * apart * way).sum() / (weight * way**2).sum()) for name, way in ways.items()}
    off = {name: float((weight * (apart - size[name] * way) ** 2).sum()) for name, way in ways.items()}
    deeper = abs(size["deeper"]) > LEAST_FLAW_M and off["deeper"] < off["moved"] - SURELY_DEEPER
    return size["deeper"] if deeper else 0.0


def _on_one(
    flaw: Flaw,
    base: Array,
    off: Array,
    near: Sequence[int],
    shifts: Mapping[str | None, Sequence[Array]],
    stretches: Sequence[_Stretch],
) -> Flaw:
    """Return a flaw with the rail that it surely is on alone, and its place and height there: a stretch of that rail explains the readings much better than any of both."""
    left = off - base @ (base.T @ off)
    best: dict[str | None, tuple[float, float, float, int]] = {}
    for rail, every in shifts.items():
        for place in near:
            clear = every[place] - base @ (base.T @ every[place])
            size = float(clear @ clear)
            if size >= LEAST_CLEAR * float(every[place] @ every[place]):
                along = float(clear @ left) / size
                best[rail] = max(best.get(rail, (0.0, 0.0, 0.0, place)), (along**2 * size, along, size**-0.5, place))
    rail = max(best, key=lambda name: round(best[name][0], 6))
    explained, height, u, place = best[rail]
    if rail is None or explained < best[None][0] + ONE_RAIL_SURE**2 or (height < 0) != (flaw.kind == "bump"):
        return flaw
    both = np.column_stack([base, *(every[place] for name, every in shifts.items() if name is not None)])
    halves = np.abs(np.linalg.lstsq(both, off, rcond=None)[0][base.shape[1] :])
    if halves.min() > ONE_RAIL * halves.max():
        return flaw
    stretch, degrees = stretches[place], len(off) - base.shape[1] - 1
    rougher = max(1.0, (float(left @ left) - explained) / degrees) if degrees > 0 else 1.0
    u *= math.sqrt(rougher)
    return replace(flaw, place_m=stretch.place_m, length_m=stretch.width_m, height_m=height, u_height_m=u, rail=rail)


def _told(
    stretches: list[_Stretch], shifts: list[Array], design: Array, off: Array, taken: list[int], limit: float, *, least_m: float
) -> tuple[Flaw, ...]:
    """Return the stretches that were taken in, those that are large and sure with all of them beside one another."""
    if not taken:
        return ()
    both = np.column_stack([design, *(shifts[place] for place in taken)])
    gain = np.linalg.pinv(both)
    found = gain @ off
    rest = off - both @ found
    degrees = len(off) - both.shape[1]
    rougher = max(1.0, float(rest @ rest) / degrees) if degrees > 0 else 1.0  # readings rougher than stated
    u = np.sqrt((gain**2).sum(axis=1) * rougher)
    flaws = []
    for row, place in enumerate(taken, start=design.shape[1]):
        height, doubt, stretch = float(found[row]), float(u[row]), stretches[place]
        if abs(height) >= least_m and abs(height) >= limit * doubt:
            kind: Literal["bump", "flat"] = "bump" if height < 0 else "flat"
            flaws.append(Flaw(kind, stretch.place_m, height, stretch.width_m, doubt))
    return tuple(sorted(flaws, key=lambda flaw: flaw.place_m))


def _limit(count: int) -> float:
    """Return how many standard uncertainties a stretch must stand off, of so many that are looked at (Bonferroni)."""
    return NormalDist().inv_cdf(1 - CHANCE / 2 / count)


def _overlap(one: _Stretch, other: _Stretch) -> bool:
    return abs(one.place_m - other.place_m) < (one.width_m + other.width_m) / 2


def _stretches(readings: Readings) -> list[_Stretch]:
    """Return every bump that may be looked for behind the tip region, where a station sees it."""
    found = []
    last = float(readings.place_m.max())
    for width in WIDTHS_M:
        for place in np.arange(TIP_REGION_M, last - width / 2, _STEP_M):
            seen = np.exp(-4 * math.log(2) * ((readings.place_m - place) / width) ** 2)
            if seen.max() >= NEAR:
                found.append(_Stretch(float(place), width, seen))
    return found


def _tangents(fair: FairCurve, y: Array, *, stations: int) -> Array:
    """Return the ways in which a facing may be of another shape (n, 3 or 4)."""
    high = y / y.max()
    run = high ** fair.parameters[2]
    columns = [np.ones(len(y)), run, run * np.log(high)]
    if stations >= FOR_FLATTENING:
        columns.append(run * high)
    return np.column_stack(columns)


def _covariance(readings: Readings, fair: FairCurve, slope: Array, u_tip_m: float) -> Array:
    """Return the covariance of the readings' places, the tip last (n + 1, n + 1)."""
    count = len(readings.height_m)
    by_feeler = slope * np.append(readings.u_height_m, u_tip_m)
    alike = np.eye(count + 1, dtype=bool)
    alike[:-1, :-1] |= readings.alike()
    found = alike * np.outer(by_feeler, by_feeler)
    touch = np.append(np.sqrt(np.maximum(readings.u_place_m**2 - readings.u_step_m**2, 0.0)), 0.0)
    found += np.diag(np.maximum(touch**2, 1e-14))
    same = np.eye(count, dtype=bool)
    for one, other in pairwise(np.argsort(readings.height_m, kind="stable")):
        if readings.height_m[one] == readings.height_m[other] and readings.place_m[one] == readings.place_m[other]:
            same[one, other] = same[other, one] = True  # both rails in one cell of the gauge: rounded alike
    found[:-1, :-1] += readings.u_step_m**2 * same
    found[:-1, :-1] += readings.u_common_m**2
    lift = slope[:-1] * readings.u_tilt * np.maximum(fair.break_m - readings.place_m, 0.0)
    planes = slope[:-1] * readings.lifts
    found[:-1, :-1] += np.outer(lift, lift) + planes.T @ planes
    return np.asarray(found)
