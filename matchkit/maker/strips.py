"""Each strength over a whole batch as one strip, and the one strength for the box."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from matchkit.parts.reed import ReedPart
from matchkit.units import PERCENT

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Lot:
    """Reeds that one box may hold: one profile, one strength, one lot; ``reed`` is as stiff as their (geometric) mean.

    ``spread`` is the standard deviation of ln E within it, ``u_level`` the doubt in its level.
    """

    id: str
    profile: str
    strength: float
    reeds: int
    reed: ReedPart
    spread: float
    u_level: float


@dataclass(frozen=True)
class PairResult:
    """One piece with one lot: medians and standard deviations over the draws, and the share of pairs inside the house window."""

    mouthpiece_id: str
    lot: str
    closing_pressure_kpa: float
    u_closing_pressure_kpa: float
    effort_kpa: float
    playing_opening_mm: float
    u_playing_opening_mm: float
    closing_share: float
    u_closing_share: float
    in_range: float
    in_range_half_softer: float


@dataclass(frozen=True)
class Strip:
    """One strength over the whole batch: where its reeds close, what of that is spread and what is not known.

    ``low_kpa`` and ``high_kpa`` hold nine in ten pairs of a piece and a reed of the box, the lot being as it is thought to be;
    ``level_pct`` is the standard uncertainty of that level, which moves the whole strip. ``in_range`` is the share of pairs within the house's range with
    everything drawn, ``in_range_spread`` that of the spread alone, ``in_range_softest`` and ``in_range_hardest`` the same where the lot is two standard
    uncertainties softer or harder than thought. ``playable`` is false where a tenth of the pairs shut by themselves, or the usual reed does on some piece.
    """

    lot: str
    profile: str
    strength: float
    closing_kpa: float
    low_kpa: float
    high_kpa: float
    level_pct: float
    in_range: float
    in_range_spread: float
    in_range_softest: float
    in_range_hardest: float
    in_range_half_softer: float
    whole: int
    """Pieces on which nine in ten of its reeds lie within the range."""
    shuts: float
    """Share of pairs, by their spread, that shut before the lip does anything."""
    playable: bool


@dataclass(frozen=True)
class ForTheBox:
    """The one strength to print on the box, and why: of those that keep (nearly) most pairs within the range the one nearest its middle.

    Where pieces differ, that one goes with most of them first. ``middle_kpa`` is the middle of the range by ratio, as strengths step;
    ``also`` is the next one of its profile. ``narrow`` is what would narrow its strip most: its level, measured on a few reeds, or a tighter box.
    """

    strip: Strip
    also: Strip | None
    middle_kpa: float
    narrow: Literal["level", "spread"]


MOSTLY = 0.9
"""A strength goes with a piece where this share of its box lies within the house's range."""
HALF = 0.5
"""A second strength for the box has at least so many of its pairs in the range."""
LEAST_SHARE = 0.001
"""A strength of which fewer pairs lie in the range has none there."""
NEARLY = 0.02
"""Shares within this are alike."""


def strip_of(lot: Lot, mine: Sequence[PairResult], *, range_kpa: tuple[float, float], shuts_below_kpa: float) -> Strip:
    """Sum one strength up over the pieces."""
    from scipy.special import ndtr

    logs = np.log([pair.closing_pressure_kpa for pair in mine])
    low, high = (math.log(end) for end in range_kpa)
    spread = max(lot.spread, 1e-6)

    def inside(shift: float) -> float:
        return float((ndtr((high - logs - shift) / spread) - ndtr((low - logs - shift) / spread)).mean())

    shuts = float(ndtr((math.log(shuts_below_kpa) - logs) / spread).mean()) if shuts_below_kpa > 0 else 0.0
    ends = _quantiles(logs, spread, (0.05, 0.95))
    return Strip(
        lot=lot.id,
        profile=lot.profile,
        strength=lot.strength,
        closing_kpa=float(np.exp(np.median(logs))),
        low_kpa=math.exp(ends[0]),
        high_kpa=math.exp(ends[1]),
        level_pct=lot.u_level / PERCENT,
        in_range=float(np.mean([pair.in_range for pair in mine])),
        in_range_spread=inside(0.0),
        in_range_softest=inside(-2 * lot.u_level),
        in_range_hardest=inside(2 * lot.u_level),
        in_range_half_softer=float(np.mean([pair.in_range_half_softer for pair in mine])),
        whole=sum(pair.in_range >= MOSTLY for pair in mine),
        shuts=shuts,
        playable=shuts < 1 - MOSTLY and all(pair.effort_kpa > 0 for pair in mine),
    )


def _quantiles(centres: Array, spread: float, shares: tuple[float, ...]) -> list[float]:
    """Return quantiles of a mixture of normals with one spread, about each of the centres."""
    from scipy.optimize import brentq
    from scipy.special import ndtr

    ends = float(centres.min()) - 8 * spread, float(centres.max()) + 8 * spread
    return [
        float(brentq(lambda at, share=share: float(ndtr((at - centres) / spread).mean()) - share, *ends)) for share in shares
    ]


def for_the_box(strips: Sequence[Strip], range_kpa: tuple[float, float]) -> ForTheBox | None:
    """Choose the strength for the box: of those that are playable and keep (nearly) most pairs, the one for most pieces, then nearest the middle of the range."""
    fit = [strip for strip in strips if strip.playable and strip.in_range >= LEAST_SHARE]
    if not fit:
        return None
    middle = (math.log(range_kpa[0]) + math.log(range_kpa[1])) / 2

    def off(strip: Strip) -> tuple[int, float, float]:
        return -strip.whole, round(abs(math.log(strip.closing_kpa) - middle), 6), strip.strength

    most = max(strip.in_range for strip in fit)
    best = min((strip for strip in fit if strip.in_range >= most - NEARLY), key=off)
    others = [
        strip for strip in fit if strip.profile == best.profile and strip.strength != best.strength and strip.in_range >= HALF
    ]
    also = min(others, key=lambda strip: (-round(strip.in_range, 2), *off(strip)), default=None)
    spread_pct = 100 * math.log(best.high_kpa / best.low_kpa) / 3.3
    return ForTheBox(best, also, math.exp(middle), "level" if best.level_pct > spread_pct / 2 else "spread")
