"""The table behind the lay of a scan: the noise of its points, and zero and tilt of the indicator that it shows and that are taken off every height."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

_EDGE_M = 1e-9

PLATEAU_POINTS = 6
PLATEAU_M = 1.0e-3
"""So many points over so long a way that stay on a line are the table."""
CREEP_M = 1.5e-3
"""So far behind the break the lay is still within the noise of the table."""
TILT_OVER_M = 2.5e-3
"""A shorter table tells no tilt, which is carried on to the tip."""
STRAYS = 2
"""So many points in a row off that line end it: one alone may be chance."""
LINE_ROOM = 1.3
"""Points keep to a line whose scatter about it is at most so many times the noise, and more of few points."""
TABLE_SLOPE, MOST_TILT = 5e-3, 30e-3
"""A plateau steeper than the first is the lay's own end, and not the table under a tilted indicator, unless it is long and straight; steeper than the second it is."""
LAY_BEND, USUAL_BEND = 1.5, 3.0
"""A lay bends by at least, and usually, so much at its break, as the coefficient of x squared in m per m squared (tip opening over length squared, common practice, no source)."""
SURE, STRAIGHT = 4.0, 3.0
"""What is told of the indicator is so many standard errors from nothing; a table is straight whose bend is within so many."""
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
    start = min(start, _longest_line(x_m, height_m, noise, start))
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


def _longest_line(x_m: Array, height_m: Array, noise_m: float, last: int) -> int:
    """Return where the longest end of a scan (p,) begins that keeps to one line within its noise, at the latest at ``last``; one point may stray.

    The last few points alone may lie on another line by chance, from which the others then seem to stray.
    """
    for start in range(last):
        x, height = x_m[start:], height_m[start:]
        run = x - x.mean()
        slope = float(run @ height / (run @ run))
        off = height - height.mean() - slope * run
        most = LINE_ROOM * noise_m * (1 + 2 / math.sqrt(len(off)))
        if abs(off[0]) < 3 * noise_m and math.sqrt(float(off @ off - np.max(off**2)) / (len(off) - 3)) <= most:
            return start
    return last


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
