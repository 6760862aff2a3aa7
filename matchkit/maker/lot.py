"""A lot of reeds judged as a batch: its level against the house's scale, its spread, and the reeds that do not belong."""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass
from typing import ClassVar, Literal

import numpy as np

from matchkit import constants
from matchkit.errors import Problem, RequestError
from matchkit.parts.calibrate import stiffness_n_per_mm
from matchkit.records.calibration import BenchReading
from matchkit.records.parts import StrengthStep
from matchkit.results import Answer
from matchkit.units import PERCENT

LEAST_REEDS = 3
"""With fewer reeds a lot has no spread, and nothing tells one that does not belong."""
OTHER_UNITS, LIKE_UNIT = (0.01, 1 / 25.4, 0.1, 10.0, 25.4, 100.0), 0.3
"""So many times as stiff as the scale says is a column in another unit, or a point misplaced."""
DISAGREE = 3.0
STEP_LN = math.log(1 + constants.HALF_STRENGTH.value)
CHANCE = 0.05


@dataclass(frozen=True)
class LotFound:
    """One strength of a lot.

    ``steps`` are half strengths harder than the house's scale says, with their standard uncertainty; None where the scale has no stiffness for it in that state.
    ``spread_low_pct`` and ``spread_high_pct`` bound the spread 19 times of 20 (chi-squared); ``box_pct`` is what the scale says, or the assumed one. ``odd`` are
    reeds that a normal box of this size shows in fewer than 5 of 100 (Grubbs 1969), taken out one after the other; level and spread are without them.
    """

    profile_id: str
    strength: float
    state: str
    reeds: int
    stiffness_n_per_mm: float
    scale_n_per_mm: float | None
    steps: float | None
    u_steps: float | None
    spread_pct: float | None
    spread_low_pct: float | None
    spread_high_pct: float | None
    box_pct: float
    odd: tuple[str, ...]
    unlike: tuple[str, ...] = ()
    """Reeds whose own readings disagree by more than a reed can: one of them has a slip."""
    unknown: Literal["profile", "strength", "state"] | None = None
    """What of it the house's scale does not have; None where it has all."""

    @property
    def factor(self) -> float | None:
        """How many times as stiff as the scale says it is, where that is what another unit, or a point misplaced, makes."""
        if self.scale_n_per_mm is None:
            return None
        ratio = self.stiffness_n_per_mm / self.scale_n_per_mm
        return ratio if any(abs(math.log(ratio / one)) < LIKE_UNIT for one in OTHER_UNITS) else None


@dataclass(frozen=True)
class LotReport(Answer):
    """A lot of reeds against the house's scale, by profile and strength."""

    schema: ClassVar[str] = "lot"
    table_of: ClassVar[str] = "rows"
    row_type: ClassVar[type] = LotFound

    rows: tuple[LotFound, ...]
    left_out: tuple[Problem, ...] = ()
    """What is wrong with rows that were left out."""


def judge_lot(
    readings: Sequence[BenchReading], scale: Sequence[StrengthStep], *, left_out: tuple[Problem, ...] = ()
) -> LotReport:
    """Judge the reeds of each profile, strength and state; raises RequestError for no reading."""
    if not readings:
        raise RequestError("no reading of any reed")
    groups: dict[tuple[str, float, str], dict[str, list[BenchReading]]] = defaultdict(lambda: defaultdict(list))
    for reading in readings:
        groups[reading.profile_id, reading.strength, reading.state][reading.reed].append(reading)
    return LotReport(tuple(_found(*key, reeds, scale) for key, reeds in sorted(groups.items())), left_out)


def _found(
    profile: str, strength: float, state: str, reeds: dict[str, list[BenchReading]], scale: Sequence[StrengthStep]
) -> LotFound:
    stiff = {
        name: stiffness_n_per_mm([r.load_n for r in taken], [r.sink_mm for r in taken]) for name, taken in sorted(reeds.items())
    }
    row = next((one for one in scale if (one.profile_id, one.strength, one.state) == (profile, strength, state)), None)
    known = None if row is None else row.stiffness_n_per_mm
    box = constants.BOX_SPREAD.value if row is None or row.spread_pct is None else row.spread_pct
    odd = _odd({name: math.log(value) for name, value in stiff.items()})
    logs = np.array([math.log(value) for name, value in stiff.items() if name not in odd])
    level, count = float(logs.mean()), len(logs)
    spread = float(logs.std(ddof=1)) if count >= LEAST_REEDS else None
    ends = (None, None) if spread is None else _ends(spread, count)
    used = box * PERCENT if spread is None else spread
    u = math.hypot(used / math.sqrt(count), constants.U_STIFFNESS.value)
    return LotFound(
        profile_id=profile,
        strength=strength,
        state=state,
        reeds=len(stiff),
        stiffness_n_per_mm=math.exp(level),
        scale_n_per_mm=known,
        steps=None if known is None else (level - math.log(known)) / STEP_LN,
        u_steps=None if known is None else u / STEP_LN,
        spread_pct=None if spread is None else spread / PERCENT,
        spread_low_pct=None if ends[0] is None else ends[0] / PERCENT,
        spread_high_pct=None if ends[1] is None else ends[1] / PERCENT,
        box_pct=box,
        odd=odd,
        unlike=tuple(name for name, taken in sorted(reeds.items()) if _disagree(taken)),
        unknown=None if row is not None else _unknown(profile, strength, scale),
    )


def _disagree(taken: Sequence[BenchReading]) -> bool:
    """Tell whether the readings of one reed disagree, load over deflection, by more than settling and a dial that was not zeroed can."""
    stiff = [reading.load_n / reading.sink_mm for reading in taken]
    return max(stiff) > DISAGREE * min(stiff)


def _unknown(profile: str, strength: float, scale: Sequence[StrengthStep]) -> Literal["profile", "strength", "state"]:
    """Return what of a lot the scale does not have."""
    strengths = {one.strength for one in scale if one.profile_id == profile}
    if not strengths:
        return "profile"
    return "state" if strength in strengths else "strength"


def _ends(spread: float, count: int) -> tuple[float, float]:
    from scipy.stats import chi2

    low, high = (spread * math.sqrt((count - 1) / float(chi2.ppf(share, count - 1))) for share in (0.975, 0.025))
    return low, high


def grubbs_limit(count: int, *, chance: float = CHANCE) -> float:
    """Return how many deviations the furthest of ``count`` normal values lies from their mean in a share ``chance`` of samples (Grubbs 1969).

    >>> round(grubbs_limit(10), 3), round(grubbs_limit(20), 3)
    (2.29, 2.708)
    """
    from scipy.stats import t

    value = float(t.ppf(1 - chance / (2 * count), count - 2)) ** 2
    return (count - 1) / math.sqrt(count) * math.sqrt(value / (count - 2 + value))


def _odd(logs: dict[str, float]) -> tuple[str, ...]:
    """Return the values that do not belong, the furthest first, while enough are left to tell."""
    left, found = dict(logs), []
    while len(left) > LEAST_REEDS:
        values = np.array(list(left.values()))
        spread = float(values.std(ddof=1))
        off = np.abs(values - values.mean())
        if spread <= 0 or off.max() / spread <= grubbs_limit(len(left)):
            break
        name = list(left)[int(off.round(12).argmax())]
        found.append(name)
        del left[name]
    return tuple(found)
