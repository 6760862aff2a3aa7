"""The pieces in the order in which they were made: limits of individuals and moving range, the rule that fired, and drift."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

D2, D4 = 1.128, 3.267
"""Constants of a moving range of two, as tabulated (NIST/SEMATECH e-Handbook 6.3.2.2)."""

RUN = 8
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

    @property
    def drifts(self) -> bool:
        """Whether the drift's interval leaves out 0."""
        return not self.slope_low <= 0 <= self.slope_high


def individuals_chart(values: Array, *, sound: NDArray[np.bool_] | None = None, charts: int = 1) -> Chart:
    """Return the chart of values (n,) in the order in which they were made; n at least 3.

    Limits: mean +- 3 MRbar / 1.128, moving range up to 3.267 MRbar. Rules: one point beyond a limit; eight in a row on one side of
    the mean; a moving range beyond its limit. Drift: least-squares slope with Student's interval, of the ``sound`` values (n,) alone
    where some are known to be something else; where several ``charts`` are drawn of one batch its level is shared among them (Bonferroni).

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
    signals = [
        Signal("beyond a limit", _at((values < low) | (values > high))),
        Signal("run on one side", _runs(np.sign((values - centre).round(9)))),
        Signal("jump between neighbours", _at(np.append(False, ranges > D4 * middle))),
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
    )


def _at(flags: NDArray[np.bool_]) -> tuple[int, ...]:
    return tuple(int(place) for place in np.flatnonzero(flags))


def _runs(side: Array) -> tuple[int, ...]:
    """Return the positions at which a run on one side has lasted eight points or more."""
    found, length = [], 0
    for place, value in enumerate(side):
        length = length + 1 if value != 0 and place and value == side[place - 1] else int(value != 0)
        if length >= RUN:
            found.append(place)
    return tuple(found)
