"""One part replaced: what on the new part is as free to blow as the old, and what that costs in opening."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import ClassVar

import numpy as np

from matchkit import constants
from matchkit.advise.beside.reeds import MOST_PLACE_M
from matchkit.advise.reasons import AgainstPresent
from matchkit.constants import DECIMALS
from matchkit.errors import RequestError
from matchkit.facts import FITS, Feel
from matchkit.pairs.table import PairTable
from matchkit.pairs.uncertainty import Uncertainty
from matchkit.parts.facing import FacingPart
from matchkit.parts.fits import pair_refusals
from matchkit.parts.reed import ReedPart
from matchkit.results import Answer
from matchkit.score.player import PlayerView, Present
from matchkit.score.scorer import Scorer
from matchkit.units import KPA, MM


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
    """What on a new part is as free to blow as the set-up a player has now; nearest first."""

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
    """Replace one part of the present set-up and find what is as free to blow, the nearest first; opening is what that costs.

    With a new mouthpiece the reeds of the house are searched, with a new reed its mouthpieces. The present set-up must be known.
    """
    present = view.present
    if present is None:  # the house checks; this is for the type
        raise ValueError("no present set-up")
    instrument = view.player.instrument
    facings = scorer.parts.facings_for(instrument) if facing is None else (facing,)
    reeds = scorer.parts.reeds_for(instrument) if reed is None else (reed,)
    new_part = (*(part for part in (facing, reed) if part is not None),)
    for part, made in (
        (part, part.mouthpiece.instrument if isinstance(part, FacingPart) else part.reed.instrument) for part in new_part
    ):
        if made != instrument:
            raise RequestError(f"{part.id} is for {made}; expected a part for {instrument}")
    owned = (*view.owned, *(part.id for part in new_part))
    fits = pair_refusals(facings, reeds, instrument=instrument, owned=owned) == FITS
    comparable = np.array([part.scale == present.reed.scale for part in reeds], dtype=bool)
    pairs = scorer.grid(facings, reeds, lip_m=view.lip_m, fits=fits & comparable)
    resistance, opening = (np.abs(steps).round(DECIMALS) for steps in _steps(scorer, view, pairs, present))
    ids = pairs.ids()
    nearest = sorted(range(len(pairs)), key=lambda row: (resistance[row], opening[row], ids[row]))[:top]
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
        price=0.0 if view.has("reed" if new == "mouthpiece" else "mouthpiece", other.id) else other.price,
    )
