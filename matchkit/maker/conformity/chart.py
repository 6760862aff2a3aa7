"""The pieces in the order in which they were made: limits of individuals and moving range, the rule that fired, and drift.

The limits are the usual ones. A rule fires only beyond what chance would show in 5 of 100 sound batches, over all charts of a batch and all their points.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache
from typing import Literal

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

D2, D4 = 1.128, 3.267
"""Constants of a moving range of two, as tabulated (NIST/SEMATECH e-Handbook 6.3.2.2)."""

CHANCE = 0.05
"""Share of sound, stable batches of which any chart may show a signal."""
RULES = 3
LEAST_LEVEL, STEP_BETTER = 3, 0.75
"""A level is so many pieces or more; two levels that leave less than this share of what a line leaves are a step and not a drift."""
LEAST_PIECES = 10
"""With fewer pieces the limits themselves are too uncertain to be drawn."""


@dataclass(frozen=True)
class Signal:
    """A rule that fired, and at which pieces (positions from 0)."""

    rule: Literal["beyond a limit", "run on one side", "jump between neighbours"]
    positions: tuple[int, ...]


@dataclass(frozen=True)
class Chart:
    """Limits of the individuals and of the moving range; ``slope`` is the drift a piece, with its interval: 95 % over all charts drawn."""

    mean: float
    low: float
    high: float
    range_mean: float
    range_high: float
    values: tuple[float, ...]
    """In the order in which the pieces were made."""
    slope: float
    slope_low: float
    slope_high: float
    signals: tuple[Signal, ...]
    drift_about: tuple[float, float]
    """Piece (from 1) and value about which the drift's line turns: the means of the pieces it is of."""
    run: int
    """So many in a row on one side of the mean are a signal."""
    step_at: int | None = None
    """The position (from 0) from which the values lie on another level, where that tells more than the drift does."""
    step: float = 0.0
    """By how much that level is higher."""

    @property
    def drifts(self) -> bool:
        """Whether the drift's interval leaves out 0."""
        return not self.slope_low <= 0 <= self.slope_high


def individuals_chart(values: Array, *, sound: NDArray[np.bool_] | None = None, charts: int = 1) -> Chart:
    """Return the chart of values (n,) in the order in which they were made; n at least 3.

    Limits: mean +- 3 MRbar / 1.128, moving range up to 3.267 MRbar. Rules: one point far beyond; a long run on one side of
    the mean; a jump between neighbours. Each needs what chance shows in few batches of n pieces with so many ``charts`` (Bonferroni; the far
    and the jump from seeded draws of sound batches, runs as those of a fair coin), and at least to lie beyond the limit. Drift: least-squares slope with Student's interval, of
    the ``sound`` values (n,) alone where some are known to be something else; its level is shared among the charts too.

    >>> chart = individuals_chart(np.array([49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1]))
    >>> round(chart.low, 3), round(chart.high, 3), chart.signals
    (45.816, 55.804, ())
    """
    from scipy.stats import linregress, t

    values = np.asarray(values, dtype=float)
    count = len(values)
    if count < 3 or not np.all(np.isfinite(values)):
        raise ValueError("expected three finite values or more")
    centre = float(values.mean())
    ranges = np.abs(np.diff(values))
    middle = float(ranges.mean())
    low, high = centre - 3 * middle / D2, centre + 3 * middle / D2
    place = np.arange(count, dtype=float)
    kept = np.ones(count, dtype=bool) if sound is None or sound.sum() < 3 else sound
    line = linregress(place[kept], values[kept])
    half = float(t.ppf(1 - 0.025 / charts, int(kept.sum()) - 2)) * float(line.stderr)
    step_at, step = _step(place[kept], values[kept], line.intercept + line.slope * place[kept])
    far, jump, run = signal_limits(count, charts)
    sigma = middle / D2
    signals = [
        Signal("beyond a limit", _at(np.abs(values - centre) > max(far, 3.0) * sigma)),
        Signal("run on one side", _runs(np.sign((values - centre).round(9)), run)),
        Signal("jump between neighbours", _at(np.append(False, ranges > max(jump * sigma, D4 * middle)))),
    ]
    return Chart(
        mean=centre,
        low=low,
        high=high,
        range_mean=middle,
        range_high=D4 * middle,
        values=tuple(float(value) for value in values),
        slope=float(line.slope),
        slope_low=float(line.slope) - half,
        slope_high=float(line.slope) + half,
        signals=tuple(signal for signal in signals if signal.positions),
        drift_about=(float(place[kept].mean()) + 1, float(values[kept].mean())),
        run=run,
        step_at=step_at,
        step=step,
    )


def beyond_the_others(values: Array, others: NDArray[np.bool_], *, charts: int = 1) -> bool:
    """Tell whether any of the values (n,) that are not among ``others`` (n,) lies where a chart of these would show it: it hides itself in a chart of all."""
    if others.all() or others.sum() < LEAST_PIECES:
        return False
    chart = individuals_chart(values[others], charts=charts)
    far, _, _ = signal_limits(int(others.sum()), charts)
    return bool(np.any(np.abs(values[~others] - chart.mean) > max(far, 3.0) * chart.range_mean / D2))


def _step(place: Array, values: Array, line: Array) -> tuple[int | None, float]:
    """Return from which place on values (n,) lie on another level, and by how much it is higher, where two levels leave less than a line does."""
    left = {
        split: float(
            ((values[:split] - values[:split].mean()) ** 2).sum() + ((values[split:] - values[split:].mean()) ** 2).sum()
        )
        for split in range(LEAST_LEVEL, len(values) - LEAST_LEVEL + 1)
    }
    best = min(left, key=lambda split: (round(left[split], 15), split), default=None)
    if best is None or left[best] >= STEP_BETTER * float(((values - line) ** 2).sum()):
        return None, 0.0
    return int(place[best]), float(values[best:].mean() - values[:best].mean())


@lru_cache(maxsize=256)
def signal_limits(count: int, charts: int) -> tuple[float, float, int]:
    """Return how many deviations from the mean, how many between neighbours, and how long a run are a signal, for n pieces and so many charts."""
    level = CHANCE / RULES / charts
    run = next((length for length in range(2, count) if _chance_of_run(count, length) <= level), count + 1)
    if count <= MANY:
        far, jump = (float(np.quantile(found, 1 - level)) for found in _by_chance(count))
        return far, jump, run
    from scipy.special import ndtri

    far, jump = (float(-ndtri(level / (2 * looked))) for looked in (count, count - 1))  # so many that their deviation is known
    return far, jump * math.sqrt(2), run


MANY = 100
DRAWN = 100_000


@lru_cache(maxsize=8)
def _by_chance(count: int) -> tuple[Array, Array]:
    """Return the furthest from the mean and the widest jump, in deviations by MRbar, of many sound batches (seeded)."""
    rng = np.random.default_rng(count)
    far, jump = [], []
    for _ in range(DRAWN // 5000):
        values = rng.standard_normal((5000, count))
        ranges = np.abs(np.diff(values, axis=1))
        sigma = ranges.mean(axis=1) / D2
        far.append(np.abs(values - values.mean(axis=1, keepdims=True)).max(axis=1) / sigma)
        jump.append(ranges.max(axis=1) / sigma)
    return np.concatenate(far), np.concatenate(jump)


def _chance_of_run(count: int, length: int) -> float:
    """Return how likely ``length`` or more in a row of ``count`` fair coins fall alike."""
    ways = [0.0] * length  # by how many lately fell alike
    ways[1 if length > 1 else 0] = 1.0
    for _ in range(count - 1):
        ways = [0.0, sum(ways) / 2, *(chance / 2 for chance in ways[1:-1])]
    return 1 - sum(ways)


def range_degrees(count: int) -> float:
    """Return how many degrees of freedom the mean of ``count - 1`` overlapping moving ranges of two has, for a normal process.

    Var(MRbar) follows from the folded bivariate normal, whose neighbours correlate by -1/2; a deviation of v degrees has variance s^2 / 2v.

    >>> round(range_degrees(25) / 24, 2)
    0.61
    """
    mean_square = 4 / math.pi
    one = 2 - mean_square
    neighbours = mean_square * (math.sqrt(0.75) + 0.5 * math.asin(0.5)) - mean_square
    variance = ((count - 1) * one + 2 * (count - 2) * neighbours) / (count - 1) ** 2 / mean_square
    return 1 / (2 * variance)


def _at(flags: NDArray[np.bool_]) -> tuple[int, ...]:
    return tuple(int(place) for place in np.flatnonzero(flags))


def _runs(side: Array, least: int) -> tuple[int, ...]:
    """Return the positions at which a run on one side has lasted ``least`` points or more."""
    found, length = [], 0
    for place, value in enumerate(side):
        length = length + 1 if value != 0 and place and value == side[place - 1] else int(value != 0)
        if length >= least:
            found.append(place)
    return tuple(found)
