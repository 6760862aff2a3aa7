"""Weights and dial readings of a few reeds become rows of the strength scale."""

from __future__ import annotations

import statistics
from collections import defaultdict
from collections.abc import Sequence
from dataclasses import asdict, dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from matchkit import constants
from matchkit.match.answers import frame
from matchkit.records.calibration import BenchReading

if TYPE_CHECKING:
    import pandas as pd

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
    note: str


@dataclass(frozen=True)
class Calibration:
    """The rows of a strength scale, by profile and strength."""

    rows: tuple[ScaleRow, ...]

    def to_dict(self) -> dict[str, Any]:
        """Give the JSON form."""
        return {"schema": "matchkit.calibrate/1", **asdict(self)}

    def to_frame(self) -> pd.DataFrame:
        """Give one row a strength."""
        return frame([asdict(row) for row in self.rows], list(ScaleRow.__dataclass_fields__))


def stiffness_n_per_mm(loads_n: Sequence[float], sinks_mm: Sequence[float]) -> float:
    """Give the stiffness of one reed: force over deflection, or with several loads the slope of force on deflection.

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
        assumed = constants.BOX_SPREAD.value / 100 if spread is None else spread
        u = np.hypot(assumed / np.sqrt(count), constants.U_STIFFNESS.value)
        note = (
            "one reed: the box's spread is not known"
            if count == 1
            else f"only {count} reeds: the spread is hardly known"
            if count < FEW
            else ""
        )
        rows.append(
            ScaleRow(profile, strength, mean, state, None if spread is None else 100 * spread, count, 100 * float(u), note)
        )
    return Calibration(tuple(rows))
