"""Reeds side by side on one mouthpiece, and one part replaced: what on the new part feels like the old."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import ClassVar

import numpy as np

from matchkit import constants
from matchkit.advise.reasons import AgainstPresent
from matchkit.constants import DECIMALS
from matchkit.facts import FITS, Aimed, Feel
from matchkit.pairs.table import PairTable
from matchkit.pairs.uncertainty import Uncertainty
from matchkit.parts.facing import FacingPart
from matchkit.parts.fits import pair_refusals
from matchkit.parts.reed import ReedPart
from matchkit.results import Answer
from matchkit.score.asked import Asked, share_within
from matchkit.score.player import PlayerView, Present, efforts_pa, playing_openings_m
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
    refused = pair_refusals((facing,), reeds, instrument=instrument)
    pairs = scorer.grid((facing,), reeds, lip_m=view.lip_m, fits=refused == FITS)
    asked = Asked(pairs, view, scorer.targets(view, reeds), NO_WISH, scorer.spec.wish_step, scorer.share_doubt)
    # without a set-up to compare with, only the reeds of one scale can be told from one another
    scales = [reed.scale for reed in reeds]
    main = None if None in scales else max(dict.fromkeys(scales), key=scales.count, default=None)
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


@dataclass(frozen=True)
class SwapLine:
    """One set-up with the new part, and what differs from the old set-up; steps are half strengths, and factors of 1.10 (clarinet 1.06) of tip opening."""

    mouthpiece_id: str
    reed_id: str
    label: str | None
    steps_resistance: float
    steps_opening: float
    effort_difference_kpa: float
    opening_difference_mm: float
    share_difference: float | None
    u_share_difference: float
    place_mm: float | None
    feel: Feel
    price: float | None


@dataclass(frozen=True)
class Swap(Answer):
    """What on a new part feels most like the set-up a player has now; nearest first."""

    schema: ClassVar[str] = "swap"
    table_of: ClassVar[str] = "rows"
    row_type: ClassVar[type] = SwapLine

    player: str
    part: str
    new_id: str
    present: tuple[str, str]
    rows: tuple[SwapLine, ...]
    not_comparable: int


def swap(scorer: Scorer, *, view: PlayerView, facing: FacingPart | None, reed: ReedPart | None, top: int) -> Swap:
    """Replace one part of the present set-up and find what feels like it.

    With a new mouthpiece the reeds of the house are searched, with a new reed its mouthpieces: the nearest in steps of closing
    pressure and of tip opening together. The present set-up must be known.
    """
    present = view.present
    if present is None:  # the house checks; this is for the type
        raise ValueError("no present set-up")
    instrument = view.player.instrument
    facings = scorer.parts.facings_for(instrument) if facing is None else (facing,)
    reeds = scorer.parts.reeds_for(instrument) if reed is None else (reed,)
    fits = pair_refusals(facings, reeds, instrument=instrument) == FITS
    comparable = np.array([part.scale == present.reed.scale for part in reeds], dtype=bool)
    pairs = scorer.grid(facings, reeds, lip_m=view.lip_m, fits=fits & comparable)
    steps = np.hypot(*_steps(scorer, view, pairs, present)).round(DECIMALS)
    ids = pairs.ids()
    nearest = sorted(range(len(pairs)), key=lambda row: (steps[row], ids[row]))[:top]
    shown = pairs.select(nearest)
    doubt = scorer.uncertainty(shown)
    new = "mouthpiece" if facing is not None else "reed"
    return Swap(
        player=view.player.id,
        part=new,
        new_id=facing.id if facing is not None else reed.id if reed is not None else "",
        present=(present.facing.id, present.reed.id),
        rows=tuple(_line(scorer, view, shown.one(row), doubt.one(row), new) for row in range(len(shown))),
        not_comparable=int((fits & ~comparable).sum()),
    )


def _steps(scorer: Scorer, view: PlayerView, pairs: PairTable, present: Present) -> tuple[np.ndarray, np.ndarray]:
    """Return steps of resistance and of opening from the present set-up, each (N,)."""
    resistance = np.log(pairs.closing_pressure_pa / present.pair.closing_pressure_pa[0]) / -math.log(scorer.spec.wish_step)
    step = math.log(constants.OPENING_STEP[view.player.instrument])
    return resistance, np.log(pairs.tip_opening_m / present.pair.tip_opening_m[0]) / step


def _line(scorer: Scorer, view: PlayerView, one: PairTable, doubt: Uncertainty, new: str) -> SwapLine:
    present = view.present
    if present is None:
        raise ValueError("no present set-up")
    old = present.pair
    facing, reed = one.facing(0), one.reed(0)
    resistance, opening = (float(steps[0]) for steps in _steps(scorer, view, one, present))
    shares = [float(each.closing_share(lip_force_n=view.lip_force_n)[0]) for each in (one, old)]
    move = resistance * math.log(scorer.spec.wish_step) / float(doubt.place_per_m[0])
    least = constants.U_REED_PLACE.value * MM / 4
    other = reed.reed if new == "mouthpiece" else facing.mouthpiece
    return SwapLine(
        mouthpiece_id=facing.id,
        reed_id=reed.id,
        label=other.label,
        steps_resistance=resistance,
        steps_opening=opening,
        effort_difference_kpa=float(one.closing_pressure_pa[0] - old.closing_pressure_pa[0]) / KPA,
        opening_difference_mm=float(one.tip_opening_m[0] - old.tip_opening_m[0]) / MM,
        share_difference=shares[0] - shares[1] if one.shape_known[0] and old.shape_known[0] else None,
        u_share_difference=math.hypot(
            *(float(each.u_closing_share(lip_force_n=view.lip_force_n, u=scorer.share_doubt)[0]) for each in (one, old))
        ),
        place_mm=move / MM if least < abs(move) <= MOST_PLACE_M else None,
        feel=AgainstPresent(scorer, view).feel(one, doubt),
        price=other.price,
    )
