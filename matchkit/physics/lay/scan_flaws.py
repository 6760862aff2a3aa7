"""Bumps and flats of a scanned rail: every point counts, about a curve that may be of any smooth shape.

The mean-shift test of :mod:`matchkit.physics.lay.flaws` in heights: points lie on a power law of any size, length, exponent and flattening with a slow wave besides
(a polynomial of the run to the break), and a bump stands off it by so much times its own shape; both rails show it together.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from matchkit.physics.lay.flaws import CHANCE, MOST_FLAWS, TIP_REGION_M, WIDTHS_M, Flaw

Array = NDArray[np.float64]

LEAST_SCANNED_M = 5e-6
"""A deviation below this is a matter of taste, however sure it is."""
POWERS = (0, 1, 2, 3, 4, 5)
"""The slow wave that counts as shape: 6 mm long and longer on a usual facing."""
BEFORE_BREAK_M = 1e-3
"""So near the break, and behind it, the curve has no smooth shape."""
LEAST_POINTS_OVER = 3.0
"""A bump narrower than so many points is not looked for."""
_STEP_M = 0.1e-3


def find_scanned_flaws(
    rails: Sequence[tuple[Array, Array]], *, break_m: float, exponent: float, noise_m: float, least_m: float = LEAST_SCANNED_M
) -> tuple[Flaw, ...]:
    """Return the bumps and flats of a scanned facing, tip first.

    Parameters
    ----------
    rails
        places and heights (p,) of each scanned rail, levelled
    break_m, exponent
        where the facing ends, and the power law that is nearest to it
    noise_m
        standard deviation of a single height
    least_m
        what is smaller is not named
    """
    inside = [
        (x[keep], y[keep]) for x, y in rails if (keep := (x >= 0) & (x < break_m - BEFORE_BREAK_M)).sum() > 2 * len(POWERS)
    ]
    if not inside:
        return ()
    spacing = float(np.median(np.concatenate([np.diff(x) for x, _ in inside])))
    wide = [width for width in WIDTHS_M if width >= LEAST_POINTS_OVER * spacing]
    centres = [
        (place, width)
        for width in wide
        for place in np.arange(TIP_REGION_M, break_m - BEFORE_BREAK_M - width / 2, max(_STEP_M, spacing / 2))
    ]
    if not centres:
        return ()
    bases = [np.linalg.qr(_shapes(x, break_m, exponent))[0] for x, _ in inside]
    off = np.concatenate([y - base @ (base.T @ y) for (_, y), base in zip(inside, bases, strict=True)])
    columns = []
    for place, width in centres:
        seen = [np.exp(-4 * math.log(2) * ((x - place) / width) ** 2) for x, _ in inside]
        columns.append(np.concatenate([one - base @ (base.T @ one) for one, base in zip(seen, bases, strict=True)]))
    shifts = np.column_stack(columns)
    free = len(off) - sum(base.shape[1] for base in bases)
    rougher = max(noise_m, float(np.median(np.abs(off))) / 0.6745 * math.sqrt(len(off) / free))
    return _taken(shifts, off, centres, rougher, least_m)


def _shapes(x: Array, break_m: float, exponent: float) -> Array:
    """Return what a smooth shape may differ in (p, k)."""
    run = np.maximum(1 - x / break_m, 1e-6)
    lay = run**exponent
    return np.column_stack([lay, run ** (exponent - 1), lay * np.log(run), *(run**power for power in POWERS)])


def _taken(shifts: Array, off: Array, centres: list[tuple[float, float]], noise_m: float, least_m: float) -> tuple[Flaw, ...]:
    """Take in the likeliest stretch, and look again, while chance would show one as large in few sound facings; told are those that stay sure together."""
    from scipy.special import ndtri

    limit = float(-ndtri(CHANCE / 2 / shifts.shape[1]))
    taken: list[int] = []
    while len(taken) < MOST_FLAWS:
        base = np.linalg.qr(shifts[:, taken])[0] if taken else np.zeros((len(off), 0))
        left = off - base @ (base.T @ off)
        clear = shifts - base @ (base.T @ shifts)
        size = np.sqrt((clear**2).sum(axis=0))
        whole = np.sqrt((shifts**2).sum(axis=0))
        usable = size > 0.25 * whole
        for other in taken:
            usable &= np.array([abs(place - centres[other][0]) >= (width + centres[other][1]) / 2 for place, width in centres])
        scores = np.where(usable, np.abs(left @ clear) / np.where(usable, size, 1.0) / noise_m, 0.0)
        best = int(np.argmax(np.round(scores, 6)))
        if scores[best] < limit:
            break
        taken.append(best)
    if not taken:
        return ()
    gain = np.linalg.pinv(shifts[:, taken])
    heights, doubts = gain @ off, noise_m * np.sqrt((gain**2).sum(axis=1))
    found = [
        Flaw("bump" if height < 0 else "flat", centres[place][0], float(height), centres[place][1], float(doubt))
        for place, height, doubt in zip(taken, heights, doubts, strict=True)
        if abs(height) >= max(least_m, limit * doubt)
    ]
    return tuple(sorted(found, key=lambda flaw: flaw.place_m))
