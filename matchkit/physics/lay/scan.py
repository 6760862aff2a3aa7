"""A dense profile of a rail, from an indicator or a scanner: smoothed as a whole, levelled on the table, and read as if by feelers.

All points are fitted by one penalised spline (Eilers and Marx 1996, from memory): cubic B-splines, a penalty on second differences of their
coefficients, chosen by generalised cross-validation. What the points scatter about it is their noise.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from matchkit.errors import PhysicsInputError
from matchkit.physics.lay.fair import Readings
from matchkit.physics.lay.level import Levelled, level, noise_of
from matchkit.physics.lay.splines import cubic_basis

Array = NDArray[np.float64]

HEIGHTS_M = 1e-3 * np.array([2.0, 1.6, 1.3, 1.0, 0.75, 0.5, 0.35, 0.25, 0.15, 0.10, 0.064, 0.038])
"""Heights at which a profile is read, thickest first; those above nine tenths of the tip opening are left out."""

KNOTS_M = 0.6e-3
"""Knots of the spline lie so far apart, or one and a half times as far as the points do."""
LEAST_POINTS = 12
"""With fewer points a profile cannot be smoothed."""
_PENALTIES = np.logspace(-8, 6, 57)
_EDGE_M = 1e-9
KEPT = 4
"""So many smoothed rails are kept, those of two pieces."""

LEAST_POINTS_OVER = 1.2
"""A bump narrower than so many points is not looked for: none may stand on it."""
LEAST_HOLE_M = 0.8e-3
"""Less than that between two points hides nothing that is looked for."""
SPECK_POINTS, SPECK_SPACING_M = 2, 0.3e-3
"""Up to so many points side by side, so near one another, that stand off their neighbours are dust or a slip: no bump is so narrow."""
SPECK_SURE, LEAST_SPECK_M = 5.5, 8e-6
"""They stand off by more than so many standard deviations of what the neighbours tell, and by more than this."""
LARGE_SPECK_M, LARGE_SPACING_M = 60e-6, 1.05e-3
"""One point that stands off by so much is dust or a slip at this spacing too: no bump is so high and so narrow."""


@dataclass(frozen=True)
class Profile:
    """A smoothed profile: knots, coefficients (k,), what a unit of noise in each point does to them (k, p), and the noise.

    ``spacing_m`` is the usual distance of two points.
    """

    knots_m: Array
    coefficients: Array
    gain: Array
    noise_m: float
    spacing_m: float
    reach_m: tuple[float, float]

    def _basis(self, x_m: Array) -> Array:
        return cubic_basis(np.clip(x_m, *self.reach_m), self.knots_m)

    def height_m(self, x_m: Array) -> Array:
        """Return the smooth height over places (m,)."""
        return np.asarray(self._basis(np.atleast_1d(x_m)) @ self.coefficients)

    def u_height_m(self, x_m: Array) -> Array:
        """Return the standard uncertainty of the smooth height over places (m,), from the noise."""
        return np.asarray(self.noise_m * np.sqrt(((self._basis(np.atleast_1d(x_m)) @ self.gain) ** 2).sum(axis=1)))


def smooth_profile(x_m: Array, height_m: Array) -> Profile:
    """Smooth a profile (p,), places growing; raises PhysicsInputError for fewer than twelve points. The last few are kept: one rail is asked for again and again."""
    return _smoothed(np.asarray(x_m, dtype=float).tobytes(), np.asarray(height_m, dtype=float).tobytes())


@lru_cache(maxsize=KEPT)
def _smoothed(places: bytes, heights: bytes) -> Profile:
    x_m, height_m = np.frombuffer(places), np.frombuffer(heights)
    if len(x_m) < LEAST_POINTS:
        raise PhysicsInputError(f"a scan of {len(x_m)} points; expected {LEAST_POINTS} or more")
    spacing = float(np.median(np.diff(x_m)))
    first, last = float(x_m[0]), float(x_m[-1])
    count = max(int((last - first) / max(KNOTS_M, 1.5 * spacing)), 4)
    inner = np.linspace(first, last, count + 1)
    knots = np.concatenate([np.repeat(first, 3), inner, np.repeat(last, 3)])
    basis = cubic_basis(x_m, knots)
    rough = np.diff(np.eye(basis.shape[1]), n=2, axis=0)
    gram, penalty = basis.T @ basis, rough.T @ rough
    scale = np.trace(gram) / np.trace(penalty)
    best: tuple[float, Array, float] | None = None
    for weight in _PENALTIES:
        try:
            gain = np.linalg.solve(gram + weight * scale * penalty, basis.T)
        except np.linalg.LinAlgError:
            continue  # points too far apart for so little smoothing
        spent = float(np.einsum("pk,kp->", basis, gain))
        left = height_m - basis @ (gain @ height_m)
        rest = len(x_m) - spent
        if rest < 2:
            continue
        criterion = float(left @ left) * len(x_m) / rest**2
        if best is None or criterion < best[0]:
            best = criterion, gain, math.sqrt(float(left @ left) / rest)
    if best is None:
        raise PhysicsInputError("the points of the scan do not fix a smooth profile")
    return Profile(knots, best[1] @ height_m, best[1], best[2], spacing, (first, last))


@dataclass(frozen=True)
class Scan:
    """The scan of one rail: places (p,), growing, and heights on the table; what the indicator was off by; the usual distance of two points.

    ``kept`` (p,) are the places of these in what was scanned, and ``specks_m`` (s, 2) what was left out: where, and how far off its neighbours.
    """

    x_m: Array
    levelled: Levelled
    spacing_m: float
    kept: NDArray[np.intp]
    specks_m: Array

    @property
    def narrowest_m(self) -> float:
        """The narrowest bump that is looked for in so many points."""
        return LEAST_POINTS_OVER * self.spacing_m

    @property
    def holes_m(self) -> Array:
        """Stretches without a point that are longer than three usual ones and than :data:`LEAST_HOLE_M`, from and to (h, 2)."""
        ends = np.column_stack([self.x_m[:-1], self.x_m[1:]])
        return np.asarray(ends[np.diff(self.x_m) > max(3 * self.spacing_m, LEAST_HOLE_M) + _EDGE_M])


def scan_of(x_m: Array, height_m: Array) -> Scan:
    """Return a scan in the order of its places, without specks, on its table."""
    order = np.argsort(x_m, kind="stable")
    x, y = (np.asarray(part, dtype=float)[order] for part in (x_m, height_m))
    spacing = float(np.median(np.diff(x))) if len(x) > 1 else math.inf
    specks = find_specks(x, y)
    places = [place for place, _ in specks]
    kept = np.delete(np.arange(len(x)), places)
    off = np.array([(x[place], by) for place, by in specks]).reshape(-1, 2)
    return Scan(x[kept], level(x[kept], y[kept]), spacing, order[kept], off)


def find_specks(x_m: Array, height_m: Array) -> list[tuple[int, float]]:
    """Return the points that stand off the cubic through the two neighbours on either side, one or two side by side, and by how much.

    ``x_m`` (p,) grows. Of points side by side the one furthest off is taken out first, since it makes its neighbours look odd too. Where points lie
    further apart than :data:`SPECK_SPACING_M` a bump may be that narrow, so only one far off by itself (:data:`LARGE_SPECK_M`) is taken for a speck.

    >>> x = np.arange(0, 20e-3, 0.1e-3)
    >>> y = (20e-3 - x) ** 2 / 0.2
    >>> y[50] += 40e-6
    >>> [(place, round(off * 1e6)) for place, off in find_specks(x, y)]
    [(50, 40)]
    """
    left = np.arange(len(x_m))
    found: list[tuple[int, float]] = []
    if len(x_m) < LEAST_POINTS:
        return found
    noise = noise_of(height_m)
    while len(found) < len(x_m) // 4:
        x, y = x_m[left], height_m[left]
        best: tuple[float, NDArray[np.intp], Array] | None = None
        for count in range(1, SPECK_POINTS + 1):
            first = np.arange(2, len(x) - 1 - count)
            places = first[:, None] + np.arange(count)
            around = np.column_stack([first - 2, first - 1, first + count, first + count + 1])
            gap = np.diff(x[around[:, [1, 2]]], axis=1)[:, 0] - _EDGE_M
            near = gap <= (count + 1) * SPECK_SPACING_M
            weights = _through(x[around], x[places])
            off = y[places] - np.einsum("npk,nk->np", weights, y[around])
            sure = np.abs(off) / (noise * np.sqrt(1 + (weights**2).sum(axis=2)))
            sure = np.minimum(sure, _off_line(x, y, around[:, 1:3], places, off) / noise)
            size = np.abs(off).min(axis=1)
            large = (count == 1) & (gap <= (count + 1) * LARGE_SPACING_M) & (size > LARGE_SPECK_M)
            odd = np.where((near & (size > LEAST_SPECK_M)) | large, sure.min(axis=1), 0.0)
            place = int(np.argmax(np.round(odd, 6)))
            if odd[place] > SPECK_SURE and (best is None or odd[place] > best[0]):
                best = float(odd[place]), places[place], off[place]
        if best is None:
            break
        found += [(int(left[place]), float(by)) for place, by in zip(best[1], best[2], strict=True)]
        left = np.delete(left, best[1])
    return sorted(found)


def _off_line(x_m: Array, height_m: Array, beside: NDArray[np.intp], places: NDArray[np.intp], off_m: Array) -> Array:
    """Return how far points (n, p) stand off the line between the two points beside them (n, 2), over the noise of that; 0 where it is the other way than ``off_m``.

    A cubic through noisy neighbours swings further than they do.
    """
    first, last = x_m[beside[:, :1]], x_m[beside[:, 1:]]
    part = (x_m[places] - first) / np.maximum(last - first, _EDGE_M)
    off = height_m[places] - (1 - part) * height_m[beside[:, :1]] - part * height_m[beside[:, 1:]]
    return np.where(off * off_m > 0, np.abs(off), 0.0) / np.sqrt(1 + part**2 + (1 - part) ** 2)


def _through(known_m: Array, asked_m: Array) -> Array:
    """Return what the heights at four places (n, 4) count for at others (n, p) on the cubic through them, as (n, p, 4) (Lagrange)."""
    weights = np.ones((*asked_m.shape, 4))
    for one in range(4):
        for other in range(4):
            if other != one:
                weights[..., one] *= (asked_m - known_m[:, [other]]) / (known_m[:, [one]] - known_m[:, [other]])
    return weights


def readings_from_profile(
    x_m: Array, height_m: Array, u_height_m: Array, *, tip_opening_m: float, heights_m: Array = HEIGHTS_M
) -> Readings:
    """Return places (n,) at which the profile has ``heights_m`` (thickest first), with their uncertainties.

    ``x_m`` (p,) from the tip, ``height_m`` (p,) above the plane of the table; ``u_height_m`` (p,) is what was stated of a single height, and counts
    where the points themselves do not show it. A place is where the smooth profile has the height, and its uncertainty that of the smooth height over
    the slope. Raises PhysicsInputError where the profile does not fall through three heights.

    >>> x = np.linspace(0, 24e-3, 241)
    >>> y = np.clip(22e-3 - x, 0, None) ** 2 / 2 / 0.121
    >>> found = readings_from_profile(x, y, np.full(241, 5e-6), tip_opening_m=2e-3)
    >>> round(float(found.place_m[-1]) * 1e3, 2)
    18.97
    """
    order = np.argsort(x_m, kind="stable")
    x, y, stated = (np.asarray(part, dtype=float)[order] for part in (x_m, height_m, u_height_m))
    profile = smooth_profile(x, y)
    fine = np.linspace(x[0], x[-1], 40 * len(x))
    smooth = profile.height_m(fine)
    heights, places = [], []
    for height in heights_m[heights_m < 0.9 * tip_opening_m]:
        above = np.flatnonzero(smooth >= height - _EDGE_M)
        if not len(above) or above[-1] == len(fine) - 1:
            continue
        last = int(above[-1])
        part = (smooth[last] - height) / (smooth[last] - smooth[last + 1])
        heights.append(float(height))
        places.append(float(fine[last] + part * (fine[last + 1] - fine[last])))
    kept = np.array(places)
    if len(kept) < 3 or np.any(np.diff(kept) <= 0):
        raise PhysicsInputError("the profile does not fall from tip to table through three heights or more")
    step = 0.05e-3
    fall = np.maximum((profile.height_m(kept - step) - profile.height_m(kept + step)) / (2 * step), 1e-4)
    # the stated noise, where it is larger than what the points show: a gauge may err alike over many of them
    louder = max(float(np.median(stated)) / max(profile.noise_m, 1e-9), 1.0)
    return Readings(np.array(heights), kept, np.full(len(kept), 1e-9), louder * profile.u_height_m(kept) / fall)
