"""Reeds side by side on one mouthpiece: which is closest to what is played now."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import ClassVar

import numpy as np

from matchkit.constants import DECIMALS
from matchkit.facts import FITS, Aimed
from matchkit.parts.facing import FacingPart
from matchkit.parts.fits import pair_refusals
from matchkit.parts.typed import main_scale
from matchkit.results import Answer
from matchkit.score.asked import Asked, share_within
from matchkit.score.player import PlayerView, efforts_pa, playing_openings_m
from matchkit.score.scorer import Scorer
from matchkit.score.wishes import NO_WISH
from matchkit.units import KPA, MM

MOST_PLACE_M = 0.6 * MM
"""A reed is moved at most so far; beyond that another reed is meant."""


@dataclass(frozen=True)
class ReedLine:
    """One reed on one mouthpiece.

    ``steps`` are half strengths of closing pressure from the target (None where they cannot be compared); ``place_mm`` is how far to move the
    reed (forward is positive) to meet the target, None where more than 0.6 mm would be needed.
    """

    reed_id: str
    label: str | None
    profile: str
    strength: float
    closing_pressure_kpa: float
    u_closing_pressure_kpa: float
    effort_kpa: float
    playing_opening_mm: float
    closing_share: float | None
    box_share: float | None
    steps: float | None
    place_mm: float | None
    equal: bool


@dataclass(frozen=True)
class HalfStrengthUp:
    """What half a strength more adds on this mouthpiece, in one line of reeds: to the effort, and to the opening as a share."""

    profile: str
    effort_kpa: float
    opening: float


@dataclass(frozen=True)
class Strengths(Answer):
    """Every reed that fits a mouthpiece, by closing pressure; ``steps_up`` says what the next strength of a line adds."""

    schema: ClassVar[str] = "strengths"
    table_of: ClassVar[str] = "rows"
    row_type: ClassVar[type] = ReedLine

    mouthpiece_id: str
    player: str
    aimed: Aimed
    present: tuple[str, str] | None
    """Mouthpiece and reed that are played now."""
    rows: tuple[ReedLine, ...]
    steps_up: tuple[HalfStrengthUp, ...]


def strengths(scorer: Scorer, facing: FacingPart, *, view: PlayerView) -> Strengths:
    """Lay the reeds that fit a mouthpiece side by side, for one player."""
    instrument = facing.mouthpiece.instrument
    reeds = scorer.parts.reeds_for(instrument)
    refused = pair_refusals((facing,), reeds, instrument=instrument, owned=(*view.owned, facing.id))
    pairs = scorer.grid((facing,), reeds, lip_m=view.lip_m, fits=refused == FITS)
    asked = Asked(pairs, view, scorer.targets(view, reeds), NO_WISH, scorer.spec.wish_step, scorer.share_doubt)
    # without a set-up to compare with, only the reeds of one scale can be told from one another
    main = main_scale(reeds)
    if main == "":  # each line is on a scale of its own: the largest of them is told
        scales = [reed.scale for reed in reeds]
        main = max(dict.fromkeys(scales), key=scales.count, default=None)
    off = pairs.of_reeds(lambda reed: float(reed.scale != main)) > 0
    alone = np.where(off & (view.present is None), np.nan, 0.0)
    steps = (asked.resistance_ln / asked.step_ln).round(12) + alone
    doubt = scorer.uncertainty(pairs)
    openings = playing_openings_m(pairs, blow_pa=view.blow_pa)
    inside = share_within(asked.resistance_ln, pairs.of_reeds(lambda reed: reed.box_spread), step=asked.step_ln)
    move = -(asked.resistance_ln + alone) / doubt.place_per_m
    effort = efforts_pa(pairs, blow_pa=view.blow_pa)
    nearest = int(np.nanargmin(np.abs(steps).round(DECIMALS))) if np.isfinite(steps).any() else -1
    rows = []
    for row in sorted(range(len(pairs)), key=lambda row: (pairs.closing_pressure_pa[row], pairs.reed(row).id)):
        reed = pairs.reed(row).reed
        pressure = float(pairs.closing_pressure_pa[row])
        rows.append(
            ReedLine(
                reed_id=reed.id,
                label=reed.label,
                profile=reed.profile_id or reed.cut,
                strength=reed.strength,
                closing_pressure_kpa=pressure / KPA,
                u_closing_pressure_kpa=pressure * float(doubt.total[row]) / KPA,
                effort_kpa=float(effort[row]) / KPA,
                playing_opening_mm=float(openings[row]) / MM,
                closing_share=_known(asked.closing_share[row]),
                box_share=_known(inside[row]),
                steps=_known(steps[row]),
                place_mm=float(move[row]) / MM if abs(move[row]) <= MOST_PLACE_M else None,
                equal=row == nearest and round(abs(float(steps[row])), DECIMALS) < 1,
            )
        )
    present = None if view.present is None else (view.present.facing.id, view.present.reed.id)
    return Strengths(facing.id, view.player.id, asked.targets.aimed, present, tuple(rows), _steps_up(rows))


def _known(value: float) -> float | None:
    return float(value) if np.isfinite(value) else None


def _steps_up(rows: Sequence[ReedLine]) -> tuple[HalfStrengthUp, ...]:
    """Return what half a strength more adds on this mouthpiece, line by line."""
    found = []
    for profile in sorted({row.profile for row in rows}):
        mine = sorted((row for row in rows if row.profile == profile), key=lambda row: row.strength)
        if len(mine) > 1 and mine[-1].strength > mine[0].strength:
            halves = (mine[-1].strength - mine[0].strength) / 0.5
            effort = (mine[-1].effort_kpa - mine[0].effort_kpa) / halves
            opening = (mine[-1].playing_opening_mm / mine[0].playing_opening_mm) ** (1 / halves) - 1
            found.append(HalfStrengthUp(profile, effort, opening))
    return tuple(found)
