"""Weights and dial readings of a few reeds become rows of the strength scale."""

from __future__ import annotations

import statistics
from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass
from typing import ClassVar

import numpy as np

from matchkit import constants
from matchkit.records.calibration import BenchReading
from matchkit.results import Answer
from matchkit.units import PERCENT

FEW = 5
"""With fewer reeds the spread of a box is hardly known, and is said to be so."""


@dataclass(frozen=True)
class ScaleRow:
    """One row of ``strength_scale.csv``: mean stiffness of the reeds read, spread within the box, and how sure the mean is.

    ``spread_pct`` is None for a single reed; ``u_pct`` combines the scatter over the reeds with the gauge's 3 %.
    """

    profile_id: str
    strength: float
    stiffness_n_per_mm: float
    state: str
    spread_pct: float | None
    reeds: int
    u_pct: float


@dataclass(frozen=True)
class Calibration(Answer):
    """The rows of a strength scale, by profile and strength."""

    schema: ClassVar[str] = "calibrate"
    table_of: ClassVar[str] = "rows"
    row_type: ClassVar[type] = ScaleRow

    rows: tuple[ScaleRow, ...]


def stiffness_n_per_mm(loads_n: Sequence[float], sinks_mm: Sequence[float]) -> float:
    """Return the stiffness of one reed: force over deflection, or with several loads the slope of force on deflection.

    The slope frees the answer from a dial that was not zeroed and from the first settling of the bar.

    >>> round(stiffness_n_per_mm([0.981], [0.9]), 9)
    1.09
    >>> round(stiffness_n_per_mm([0.5, 1.0, 1.5], [0.6, 1.1, 1.6]), 6)
    1.0
    """
    if len(set(loads_n)) < 2:
        return statistics.fmean(loads_n) / statistics.fmean(sinks_mm)
    sink, load = np.array(sinks_mm), np.array(loads_n)
    # the loads are exact, the dial is read: regress deflection on load and turn it round
    return float(1 / np.polyfit(load, sink, 1)[0])


def calibrate_readings(readings: Sequence[BenchReading]) -> Calibration:
    """Average the reeds of each profile, strength and state."""
    reeds: dict[tuple[str, float, str], dict[str, list[BenchReading]]] = defaultdict(lambda: defaultdict(list))
    for reading in readings:
        reeds[reading.profile_id, reading.strength, reading.state][reading.reed].append(reading)
    rows = []
    for (profile, strength, state), found in sorted(reeds.items()):
        stiff = [
            stiffness_n_per_mm([r.load_n for r in taken], [r.sink_mm for r in taken]) for _, taken in sorted(found.items())
        ]
        mean, count = statistics.fmean(stiff), len(stiff)
        spread = statistics.stdev(stiff) / mean if count > 1 else None
        assumed = constants.BOX_SPREAD.value * PERCENT if spread is None else spread
        u = np.hypot(assumed / np.sqrt(count), constants.U_STIFFNESS.value)
        rows.append(
            ScaleRow(profile, strength, mean, state, None if spread is None else spread / PERCENT, count, float(u) / PERCENT)
        )
    return Calibration(tuple(rows))
