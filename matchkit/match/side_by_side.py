"""Reeds side by side on one mouthpiece, and what on a new part feels like the old."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict, dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from matchkit import constants
from matchkit.match.answers import frame
from matchkit.match.desirability import AIR_STEP, U_CLOSING_SHARE
from matchkit.match.explain import feel_words, tone_words
from matchkit.match.features import profile_is_known, shape_is_known, tone_vote
from matchkit.match.fit import FITS, pair_reasons
from matchkit.match.pairs import Pairs, share_at_closing
from matchkit.match.parts import FacingPart, ReedPart
from matchkit.match.setups import difference_u
from matchkit.match.target import PlayerView, box_share, effort_kpa, opening_mm
from matchkit.match.uncertainty import Uncertainty
from matchkit.match.workshop import NO_WISH, Workshop

if TYPE_CHECKING:
    import pandas as pd

MOST_PLACE_MM = 0.6
"""A reed is moved at most so far; beyond that another reed is meant."""


@dataclass(frozen=True)
class ReedLine:
    """One reed on one mouthpiece.

    ``steps`` are steps of closing pressure from the target (None where they cannot be compared); ``place_mm`` is how far to move the
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
class Strengths:
    """Every reed that fits a mouthpiece, by closing pressure; ``steps_up`` says what the next strength of a profile adds."""

    mouthpiece_id: str
    player: str
    target: str
    rows: tuple[ReedLine, ...]
    steps_up: tuple[str, ...]

    def to_dict(self) -> dict[str, Any]:
        """Give the JSON form."""
        return {"schema": "matchkit.strengths/1", **asdict(self)}

    def to_frame(self) -> pd.DataFrame:
        """Give one row a reed."""
        return frame([asdict(row) for row in self.rows], list(ReedLine.__dataclass_fields__))


def strengths(workshop: Workshop, facing: FacingPart, *, view: PlayerView) -> Strengths:
    """Lay the reeds that fit a mouthpiece side by side, for one player."""
    reeds = workshop.instrument_reeds(facing.mouthpiece.instrument)
    instrument = facing.mouthpiece.instrument
    reasons = pair_reasons((facing,), reeds, instrument=instrument, across=False, in_stock=False, wishes=NO_WISH, view=view)
    fitting = np.flatnonzero(reasons[0] == FITS)
    pairs = workshop.pairs((facing,), reeds, np.zeros(len(fitting), dtype=np.intp), fitting, lip_mm=view.lip_mm)
    targets = workshop.targets(view, reeds)
    aimed = targets.for_reeds(reeds)[0][fitting]
    step = -np.log(workshop.spec.wish_step)
    steps = np.log(pairs.closing_pressure_kpa / aimed) / step
    doubt = workshop.uncertainty(pairs, (facing,), reeds)
    spread = np.array([np.nan if reeds[r].box_spread is None else reeds[r].box_spread for r in fitting], dtype=float)
    inside = box_share(steps * step, spread, wish_step=workshop.spec.wish_step)
    share = share_at_closing(workshop.book, pairs, lip_load_n=view.lip_load_n)
    known = shape_is_known((facing,), pairs.mouthpiece) & profile_is_known(reeds, fitting)
    nearest = int(np.nanargmin(np.abs(steps).round(6))) if np.isfinite(steps).any() else -1
    order = sorted(range(len(pairs)), key=lambda row: (pairs.closing_pressure_kpa[row], reeds[fitting[row]].reed.id))
    rows = []
    for row in order:
        part = reeds[fitting[row]]
        move = -steps[row] * step / doubt.place_per_mm[row]
        rows.append(
            ReedLine(
                reed_id=part.reed.id,
                label=part.reed.label,
                profile=part.reed.profile_id or part.reed.cut,
                strength=part.reed.strength,
                closing_pressure_kpa=float(pairs.closing_pressure_kpa[row]),
                u_closing_pressure_kpa=float(pairs.closing_pressure_kpa[row] * doubt.total[row]),
                effort_kpa=float(effort_kpa(pairs, blow_kpa=view.blow_kpa)[row]),
                playing_opening_mm=float(opening_mm(pairs, blow_kpa=view.blow_kpa)[row]),
                closing_share=float(share[row]) if known[row] else None,
                box_share=float(inside[row]) if np.isfinite(inside[row]) else None,
                steps=float(steps[row]) if np.isfinite(steps[row]) else None,
                place_mm=float(move) if np.isfinite(move) and abs(move) <= MOST_PLACE_MM else None,
                equal=row == nearest and round(abs(float(steps[row])), 6) < 1,
            )
        )
    return Strengths(facing.mouthpiece.id, view.player.id, targets.words, tuple(rows), _steps_up(rows))


def _steps_up(rows: Sequence[ReedLine]) -> tuple[str, ...]:
    """Say what one strength more adds on this mouthpiece, profile by profile."""
    words = []
    for profile in sorted({row.profile for row in rows}):
        mine = sorted((row for row in rows if row.profile == profile), key=lambda row: row.strength)
        if len(mine) > 1 and mine[-1].strength > mine[0].strength:
            halves = (mine[-1].strength - mine[0].strength) / 0.5
            effort = (mine[-1].effort_kpa - mine[0].effort_kpa) / halves
            opening = (mine[-1].playing_opening_mm / mine[0].playing_opening_mm) ** (1 / halves) - 1
            words.append(f"{profile}: half a strength up is {effort:+.1f} kPa of effort and {100 * opening:+.0f} % of opening")
    return tuple(words)


@dataclass(frozen=True)
class SwapLine:
    """One set-up with the new part, and what differs from the old set-up."""

    mouthpiece_id: str
    reed_id: str
    label: str | None
    steps_effort: float
    steps_air: float
    effort_difference_kpa: float
    opening_difference_mm: float
    share_difference: float | None
    u_share_difference: float
    place_mm: float | None
    feel: tuple[str, ...]
    price: float | None


@dataclass(frozen=True)
class Swap:
    """What on a new part feels most like the set-up a player has now; nearest first."""

    player: str
    part: str
    new_id: str
    present: str
    rows: tuple[SwapLine, ...]
    not_comparable: int

    def to_dict(self) -> dict[str, Any]:
        """Give the JSON form."""
        return {"schema": "matchkit.swap/1", **asdict(self)}

    def to_frame(self) -> pd.DataFrame:
        """Give one row a set-up, the words left out."""
        columns = [name for name in SwapLine.__dataclass_fields__ if name != "feel"]
        return frame([{name: getattr(row, name) for name in columns} for row in self.rows], columns)


def swap(workshop: Workshop, *, view: PlayerView, facing: FacingPart | None, reed: ReedPart | None, top: int) -> Swap:
    """Replace one part of the present set-up and find what feels like it.

    With a new mouthpiece the reeds of the house are searched, with a new reed its mouthpieces: the nearest in steps of closing
    pressure and of playing opening together. The present set-up must be known.
    """
    present = view.present
    if present is None:  # the house checks; this is for the type
        raise ValueError("no present set-up")
    instrument = view.player.instrument
    facings = (facing,) if facing is not None else tuple(p for p in workshop.facings if p.mouthpiece.instrument == instrument)
    reeds = (reed,) if reed is not None else workshop.instrument_reeds(instrument)
    reasons = pair_reasons(facings, reeds, instrument=instrument, across=False, in_stock=False, wishes=NO_WISH, view=view)
    m, r = np.nonzero(reasons == FITS)
    comparable = np.array([reeds[place].scale == present.reed.scale for place in r], dtype=bool)
    pairs = workshop.pairs(facings, reeds, m[comparable], r[comparable], lip_mm=view.lip_mm)
    steps = np.hypot(
        np.log(pairs.closing_pressure_kpa / present.pair.closing_pressure_kpa[0]) / -np.log(workshop.spec.wish_step),
        np.log(opening_mm(pairs, blow_kpa=view.blow_kpa) / opening_mm(present.pair, blow_kpa=view.blow_kpa)[0])
        / np.log(AIR_STEP),
    ).round(6)
    names = [(facings[k].mouthpiece.id, reeds[j].reed.id) for k, j in zip(pairs.mouthpiece, pairs.reed, strict=True)]
    nearest = sorted(range(len(pairs)), key=lambda row: (steps[row], names[row]))[:top]
    shown = pairs.take(np.array(nearest, dtype=np.intp))
    doubt = workshop.uncertainty(shown, facings, reeds)
    lines = [_swap_line(workshop, view, shown, row, facings, reeds, doubt) for row in range(len(shown))]
    new = facing.mouthpiece.id if facing is not None else reed.reed.id if reed is not None else ""
    return Swap(
        player=view.player.id,
        part="mouthpiece" if facing is not None else "reed",
        new_id=new,
        present=f"{present.facing.mouthpiece.id} + {present.reed.reed.id}",
        rows=tuple(lines),
        not_comparable=int((~comparable).sum()),
    )


def _swap_line(
    workshop: Workshop,
    view: PlayerView,
    pairs: Pairs,
    row: int,
    facings: Sequence[FacingPart],
    reeds: Sequence[ReedPart],
    doubt: Uncertainty,
) -> SwapLine:
    present = view.present
    if present is None:
        raise ValueError("no present set-up")
    facing, reed = facings[pairs.mouthpiece[row]], reeds[pairs.reed[row]]
    blow, old = view.blow_kpa, present.pair
    step = -np.log(workshop.spec.wish_step)
    effort_ln = float(np.log(pairs.closing_pressure_kpa[row] / old.closing_pressure_kpa[0]))
    openings = float(opening_mm(pairs, blow_kpa=blow)[row]), float(opening_mm(old, blow_kpa=blow)[0])
    air_ln = float(np.log(openings[0] / openings[1]))
    theirs = workshop.uncertainty(old, (present.facing,), (present.reed,)).parts[:, 0]
    u = difference_u(doubt.parts[:, row], facing, reed, theirs, present.facing, present.reed)
    move = -effort_ln / float(doubt.place_per_mm[row])
    shapes = all(f.lay.shape_known and p.profile_measured for f, p in ((facing, reed), (present.facing, present.reed)))
    one = pairs.take(np.array([row]))
    shares = [float(share_at_closing(workshop.book, pair, lip_load_n=view.lip_load_n)[0]) for pair in (one, old)]
    new_part = facing.mouthpiece if len(facings) == 1 and len(reeds) > 1 else reed.reed
    other = reed.reed if new_part is facing.mouthpiece else facing.mouthpiece
    return SwapLine(
        mouthpiece_id=facing.mouthpiece.id,
        reed_id=reed.reed.id,
        label=other.label,
        steps_effort=effort_ln / step,
        steps_air=air_ln / float(np.log(AIR_STEP)),
        effort_difference_kpa=float(pairs.closing_pressure_kpa[row] - old.closing_pressure_kpa[0]),
        opening_difference_mm=openings[0] - openings[1],
        share_difference=shares[0] - shares[1] if shapes else None,
        u_share_difference=float(np.sqrt(2)) * U_CLOSING_SHARE,
        place_mm=move if constants.U_REED_PLACE.value / 4 < abs(move) <= MOST_PLACE_MM else None,
        feel=(
            *feel_words(effort_ln, air_ln, u, wish_step=workshop.spec.wish_step, air_step=AIR_STEP),
            tone_words(tone_vote(facing.mouthpiece, present.facing.mouthpiece)),
        ),
        price=other.price,
    )
