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
from matchkit.physics.lay.bspline import cubic_basis
from matchkit.physics.lay.fair import Readings

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

PLATEAU_POINTS = 6
PLATEAU_M = 1.0e-3
"""So many points over so long a way that stay on a line are the table."""
CREEP_M = 1.5e-3
"""So far behind the break the lay is still within the noise of the table."""
TILT_OVER_M = 2.5e-3
"""A shorter table tells no tilt, which is carried on to the tip."""
STRAYS = 2
"""So many points in a row off that line end it: one alone may be chance."""
TABLE_SLOPE, MOST_TILT = 5e-3, 30e-3
"""A plateau steeper than the first is the lay's own end, and not the table under a tilted indicator, unless it is long and straight; steeper than the second it is."""
LAY_BEND, USUAL_BEND = 1.5, 3.0
"""A lay bends by at least, and usually, so much at its break, as the coefficient of x squared in m per m squared (tip opening over length squared, common practice, no source)."""
SURE, STRAIGHT = 4.0, 3.0
"""What is told of the indicator is so many standard errors from nothing; a table is straight whose bend is within so many."""
LEAST_POINTS_OVER = 1.2
"""A bump narrower than so many points is not looked for: none may stand on it."""
LEAST_HOLE_M = 0.8e-3
"""Less than that between two points hides nothing that is looked for."""
USUAL_TILT = 1e-3
"""Indicators are usually level to this, m per m (assumed): a tilt that is known no better is taken off in part."""
USUAL_ZERO_M = 20e-6
"""An indicator is usually zeroed to this (assumed): so far its zero is known where the scan ends before the table."""
INDICATOR_STEPS_M = (1e-6, 2e-6, 5e-6, 10e-6, 20e-6)
"""Steps that indicators read to."""
LEAST_NOISE_M = 0.2e-6
"""No scan is taken for better than this."""
LEAST_ZERO_M, LEAST_TILT = 3e-6, 0.3e-3
"""A zero or a tilt of the indicator below these changes nothing worth saying."""
SPECK_POINTS, SPECK_SPACING_M = 2, 0.3e-3
"""Up to so many points side by side, so near one another, that stand off their neighbours are dust or a slip: no bump is so narrow."""
SPECK_SURE, LEAST_SPECK_M = 5.5, 8e-6
"""They stand off by more than so many standard deviations of what the neighbours tell, and by more than this."""


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


def noise_of(height_m: Array) -> float:
    """Return the noise of points (p,) from their third differences, whose smooth part is next to nothing: median, so that specks do not count.

    It is never less than what the step of the indicator makes (step over root 12), which leaves most differences on a table at 0.

    >>> rng = np.random.default_rng(0)
    >>> round(noise_of(rng.normal(0, 3e-6, 400)) * 1e6)
    3
    """
    scattered = float(np.median(np.abs(np.diff(height_m, n=3)))) / 0.6745 / math.sqrt(20)
    return max(scattered, _step_of(height_m) / math.sqrt(12), LEAST_NOISE_M)


def _step_of(height_m: Array) -> float:
    """Return the coarsest of the usual steps of an indicator on which all heights (p,) lie, 0 for none."""
    on = [step for step in INDICATOR_STEPS_M if np.all(np.abs(height_m - np.round(height_m / step) * step) < _EDGE_M)]
    return max(on, default=0.0)


@dataclass(frozen=True)
class Levelled:
    """A profile on its table: the heights with the indicator's zero and tilt taken off, and how much these were (0 where they are not sure).

    ``table_seen`` says whether the scan goes on over the table, without which neither can be told: both are then known as far as they usually
    are, at the last point. ``tilt_seen`` says whether so much of it is seen, and so straight, that a tilt can be told. What is taken off is known to ``u_zero_m`` at ``middle_m``, the middle of the table, and to ``u_tilt``; a tilt that is
    not sure is taken off as far as tilts are usual.
    """

    height_m: Array
    zero_m: float
    tilt: float
    noise_m: float
    table_seen: bool
    middle_m: float
    u_zero_m: float
    u_tilt: float
    tilt_seen: bool = False

    def lifts_m(self, place_m: Array) -> Array:
        """Return what a standard uncertainty of the zero and of the tilt lifts places (n,) by, as (2, n)."""
        return np.stack([np.full(len(place_m), self.u_zero_m), self.u_tilt * (np.asarray(place_m) - self.middle_m)])


def level(x_m: Array, height_m: Array) -> Levelled:
    """Find the table behind the lay and take what the indicator reads there off every height; ``tilt`` is in m per m along x.

    The table is the longest line at the end of the scan that its points keep to within their noise.
    """
    noise = noise_of(height_m)
    start = min(len(x_m) - PLATEAU_POINTS, int(np.searchsorted(x_m, x_m[-1] - PLATEAU_M - _EDGE_M)))
    unseen = Levelled(
        height_m, 0.0, 0.0, noise, table_seen=False, middle_m=float(x_m[-1]), u_zero_m=USUAL_ZERO_M, u_tilt=USUAL_TILT
    )
    if start < 0:
        return unseen
    strays, ahead = 0, start
    while ahead > 0 and strays < STRAYS:
        ahead -= 1
        run = x_m[start:] - x_m[start:].mean()
        slope = float(run @ height_m[start:] / (run @ run))
        far = x_m[ahead] - x_m[start:].mean()
        off = height_m[ahead] - height_m[start:].mean() - slope * far
        if abs(off) > 3 * noise * math.sqrt(1 + 1 / len(run) + far**2 / float(run @ run)):
            strays += 1
            continue
        start, strays = ahead, 0
    slope = float(np.polyfit(x_m[start:], height_m[start:], 1)[0])
    creep = max(CREEP_M, min(math.sqrt(3 * noise / USUAL_BEND), float(x_m[-1] - x_m[start]) / 2))
    creeps = x_m[start:] >= x_m[start] + creep - _EDGE_M  # the lay leaves the table by less than the noise at first
    x, y = x_m[start:][creeps], height_m[start:][creeps]
    if len(x) < PLATEAU_POINTS or float(x[-1] - x[0]) < PLATEAU_M - _EDGE_M:
        return unseen
    slope = min(slope, float(np.polyfit(x, y, 1)[0]), key=abs)
    if abs(slope) > TABLE_SLOPE and (abs(slope) > MOST_TILT or not _is_straight(x, y, noise)):
        return unseen
    middle, zero = float(x.mean()), float(y.mean())
    slope, u_slope = _tilt(x, y, noise)
    prior = max(USUAL_TILT, abs(slope))  # what is far off the usual is no reason to take off less of it
    usual = prior**2 / (prior**2 + u_slope**2)  # the mean of what is read and of what is usual, each by its doubt
    u_zero = noise / math.sqrt(len(x))
    levelled = height_m - zero - usual * slope * (x_m - middle)
    told = zero if abs(zero) > max(SURE * u_zero, LEAST_ZERO_M) else 0.0
    tilt = slope if abs(slope) > max(SURE * u_slope, LEAST_TILT) else 0.0
    u_tilt = prior / math.sqrt(1 + (prior / u_slope) ** 2)
    seen = math.isfinite(u_slope)
    return Levelled(
        levelled, told, tilt, noise, table_seen=True, middle_m=middle, u_zero_m=u_zero, u_tilt=u_tilt, tilt_seen=seen
    )


def _bend(x_m: Array, height_m: Array) -> tuple[float, float]:
    """Return the coefficient of x squared of points (p,) beside a line, and what a unit of noise in each makes of it."""
    run = x_m - x_m.mean()
    straight = np.linalg.qr(np.column_stack([np.ones_like(run), run]))[0]
    curve = run**2 - straight @ (straight.T @ run**2)
    size = float(np.sqrt(curve @ curve))
    return float(curve @ height_m) / size**2, 1 / size


def _is_straight(x_m: Array, height_m: Array, noise_m: float) -> bool:
    """Tell a long straight piece (p,) from the end of a lay: it would show the bend that a lay has, and shows less than half of it."""
    bend, gain = _bend(x_m, height_m)
    return SURE * noise_m * gain < LAY_BEND and abs(bend) <= LAY_BEND / 2


def _tilt(x_m: Array, height_m: Array, noise_m: float) -> tuple[float, float]:
    """Return the slope of the table (p,) and its standard uncertainty, of its furthest part where it bends; 0 and infinite where too little is straight."""
    first = 0
    while x_m[-1] - x_m[first] >= TILT_OVER_M - _EDGE_M:
        run, height = x_m[first:] - x_m[first:].mean(), height_m[first:]
        bend, gain = _bend(x_m[first:], height)
        if abs(bend) <= STRAIGHT * noise_m * gain:
            return float(run @ height / (run @ run)), noise_m / float(np.sqrt(run @ run))
        first += max(len(run) // 8, 1)
    return 0.0, math.inf


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

    ``x_m`` (p,) grows. Of points side by side the one furthest off is taken out first, since it makes its neighbours look odd too. Nothing is
    looked for where points lie further apart than :data:`SPECK_SPACING_M`: a bump may be that narrow.

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
            near = np.diff(x[around[:, [1, 2]]], axis=1)[:, 0] <= (count + 1) * SPECK_SPACING_M + _EDGE_M
            weights = _through(x[around], x[places])
            off = y[places] - np.einsum("npk,nk->np", weights, y[around])
            sure = np.abs(off) / (noise * np.sqrt(1 + (weights**2).sum(axis=2)))
            sure = np.minimum(sure, _off_line(x, y, around[:, 1:3], places, off) / noise)
            odd = np.where(near & (np.abs(off).min(axis=1) > LEAST_SPECK_M), sure.min(axis=1), 0.0)
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
