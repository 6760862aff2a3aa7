"""Slopes and correlations within players and sittings, whose own levels say nothing."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

LEAST_TESTS = 8
"""A player with fewer rated playtests says too little of what goes with what."""


def within_slope(places: Sequence[Array], marks: Sequence[Array]) -> tuple[float, float, float, float] | None:
    """Return the common slope within groups, its 95 % interval and p: least squares with a level for each group, Student's t.

    None where nothing is left over to tell how sure it is.
    """
    from scipy.stats import t as student

    x = np.concatenate([group - group.mean() for group in places])
    y = np.concatenate([group - group.mean() for group in marks])
    degrees = len(x) - len(places) - 1
    if degrees < 1 or not np.any(x):
        return None
    slope = float(x @ y / (x @ x))
    rest = y - slope * x
    error = float(np.sqrt(rest @ rest / degrees / (x @ x)))
    if not np.any(y):
        return None  # one mark for everything
    half = float(student.ppf(0.975, degrees)) * error
    p = float(2 * student.sf(abs(slope) / error, degrees)) if error > 0 else 0.0
    return slope, slope - half, slope + half, p


def mean_correlation(values: Sequence[Array], marks: Sequence[Array]) -> tuple[int, int, float, float, float, float] | None:
    """Return players, tests, mean correlation within players, its 95 % interval over players, and p.

    Each player's correlation is made normal by Fisher's z and counts by tests minus three; the interval is Student's over the players, whose
    own differences it holds. None below two players with something that varies.
    """
    from scipy.stats import t as student

    z, weight, tests = [], [], 0
    for x, y in zip(values, marks, strict=True):
        known = np.isfinite(x) & np.isfinite(y)
        if known.sum() < LEAST_TESTS or np.ptp(x[known]) < 1e-9 or np.ptp(y[known]) < 1e-9:
            continue
        z.append(float(np.arctanh(np.clip(np.corrcoef(x[known], y[known])[0, 1], -0.999, 0.999))))
        weight.append(float(known.sum() - 3))
        tests += int(known.sum())
    if len(z) < 2:
        return None
    w, values_z = np.array(weight), np.array(z)
    mean = float(w @ values_z / w.sum())
    spread = float(w @ (values_z - mean) ** 2 / w.sum() * len(z) / (len(z) - 1))
    error = float(np.sqrt(spread * (w @ w) / w.sum() ** 2))
    half = float(student.ppf(0.975, len(z) - 1)) * error
    p = float(2 * student.sf(abs(mean) / error, len(z) - 1)) if error > 0 else 0.0
    low, middle, high = (float(np.tanh(value)) for value in (mean - half, mean, mean + half))
    return len(z), tests, middle, low, high, p
