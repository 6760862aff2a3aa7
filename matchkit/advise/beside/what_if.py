"""A mouthpiece held against itself changed: how free and how big it plays, what is to be expected, and which reed would play as before."""

from __future__ import annotations

import itertools
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import ClassVar

import numpy as np

from matchkit import constants
from matchkit.constants import DECIMALS
from matchkit.errors import RequestError
from matchkit.facts import FITS, PartIds
from matchkit.learn.fitted import Band, Setups
from matchkit.learn.learner import Learner
from matchkit.learn.threads import one_thread
from matchkit.parts.changed import CHANGEABLE, changed_facing, size_of
from matchkit.parts.facing import FacingPart
from matchkit.parts.fits import pair_refusals
from matchkit.parts.reed import ReedPart
from matchkit.parts.said import MOST_VALUES
from matchkit.results import Answer
from matchkit.score.player import PlayerView
from matchkit.score.wishes import Wishes
from matchkit.units import KPA, MM

NEAR_STEPS = 0.5
"""A reed plays as before within so many half strengths; beyond none does."""


@dataclass(frozen=True)
class WhatIfLine:
    """A mouthpiece with some sizes changed.

    ``steps_resistance`` and ``steps_opening`` are against the unchanged one with the same reed; ``score`` is of 100. ``same_reed_id`` is the
    reed of the house that is as hard to blow on it as the asked one is on the unchanged mouthpiece; None where none is.
    """

    tip_opening_mm: float
    facing_length_mm: float
    baffle_height_mm: float | None
    chamber_volume_cm3: float | None
    closing_pressure_kpa: float
    steps_resistance: float
    steps_opening: float
    closing_share: float
    score: float
    same_reed_id: str | None
    in_range: int | None
    """How many of the house's reeds close within its range on it; None where the house names no range."""


@dataclass(frozen=True)
class WhatIf(Answer):
    """What changing a mouthpiece would do; ``unchanged`` is the mouthpiece as it is."""

    schema: ClassVar[str] = "whatif"
    table_of: ClassVar[str] = "rows"
    row_type: ClassVar[type] = WhatIfLine

    mouthpiece_id: str
    reed_id: str
    player: str
    changed: tuple[str, ...]
    unchanged: WhatIfLine
    rows: tuple[WhatIfLine, ...]
    reeds: int
    """Reeds of the house that can be compared with it."""
    closing_range_kpa: tuple[float, float] | None
    present: PartIds
    """What the player plays now."""
    of_house: bool
    """Whether it is a mouthpiece of the house, and not a size that was typed."""
    shape_known: bool
    """Whether the shape that is kept was measured."""


def what_if(
    learner: Learner, view: PlayerView, facing: FacingPart, reed: ReedPart, sizes: Mapping[str, Sequence[float]], wishes: Wishes
) -> WhatIf:
    """Hold a mouthpiece against itself with every combination of ``sizes`` (by what is changed, mm and cm3), for one player and one reed."""
    strange = sorted(set(sizes) - set(CHANGEABLE))
    if strange or not any(sizes.values()):
        raise RequestError(f"{', '.join(strange) or 'nothing'} to change; expected {', '.join(CHANGEABLE)}")
    names = [what for what in CHANGEABLE if sizes.get(what)]
    several = list(itertools.product(*(sizes[what] for what in names)))
    if len(several) > MOST_VALUES:
        raise RequestError(f"{len(several)} changes; expected at most {MOST_VALUES}")
    now = tuple(None if (size := size_of(facing, what)) is None else round(size, DECIMALS) for what in names)
    several = list(dict.fromkeys(values for values in several if values != now)) or several
    pieces = [facing, *(changed_facing(facing, dict(zip(names, values, strict=True))) for values in several)]
    lines = _lines(learner, view, pieces, reed, wishes)
    return WhatIf(
        mouthpiece_id=facing.id,
        reed_id=reed.id,
        player=view.player.id,
        changed=tuple(names),
        unchanged=lines[0],
        rows=tuple(lines[1:]),
        reeds=sum(part.scale == reed.scale for part in learner.parts.reeds_for(facing.mouthpiece.instrument)),
        closing_range_kpa=learner.scorer.spec.closing_range.get(facing.mouthpiece.instrument),
        present=view.owned,
        of_house=any(part.id == facing.id for part in learner.parts.stock.mouthpieces),
        shape_known=facing.lay.shape_known,
    )


def _band(learner: Learner, view: PlayerView, facing: FacingPart) -> Band:
    """Return the ligature that the player has on this mouthpiece now; none on another."""
    if view.owned.ligature is None or view.owned.mouthpiece != facing.id:
        return Band()
    ligature = learner.parts.ligature(view.owned.ligature)
    return Band(ligature.id, ligature.contact)


def _lines(
    learner: Learner, view: PlayerView, pieces: Sequence[FacingPart], reed: ReedPart, wishes: Wishes
) -> list[WhatIfLine]:
    scorer, kind = learner.scorer, pieces[0].mouthpiece.instrument
    pairs = scorer.grid(pieces, (reed,), lip_m=view.lip_m)
    scored = scorer.score(view, pairs, wishes=wishes)
    marks = learner.blend.computed(scored.terms.overall)
    known = learner.blend.by_instrument.get(view.player.instrument)
    if known is not None:
        same = replace(Setups.of_pairs(pairs, scored.features), mouthpieces=[pieces[0].id] * len(pieces))
        # what this mouthpiece and this very set-up are marked above the rest stays with them when they are changed
        with one_thread():
            marks = marks + known.correction(same, view.player.id)
        marks = marks + known.of_ligature(_band(learner, view, pieces[0]), view.player.id)
    reeds = [part for part in learner.parts.reeds_for(kind) if part.scale == reed.scale]
    owned = (*view.owned, *(piece.id for piece in pieces))
    fits = pair_refusals(pieces, reeds, instrument=kind, owned=owned) == FITS
    every = scorer.grid(pieces, reeds, lip_m=view.lip_m, fits=fits)
    pressure, step = pairs.closing_pressure_pa, -math.log(scorer.spec.wish_step)
    off = np.abs(np.log(every.closing_pressure_pa / pressure[0]) / step).round(DECIMALS)
    inside = scorer.spec.closing_range.get(kind)
    shares = pairs.closing_share(lip_force_n=view.lip_force_n)
    found = []
    for place, piece in enumerate(pieces):
        mine = np.flatnonzero(every.facing_of == place)
        order = sorted((float(off[row]), every.reed(int(row)).id) for row in mine)
        near = order[0][1] if order and order[0][0] <= NEAR_STEPS else None
        kpa = every.closing_pressure_pa[every.facing_of == place] / KPA
        found.append(
            WhatIfLine(
                tip_opening_mm=float(pairs.tip_opening_m[place]) / MM,
                facing_length_mm=piece.facing_length_m / MM,
                baffle_height_mm=size_of(piece, "baffle"),
                chamber_volume_cm3=size_of(piece, "chamber"),
                closing_pressure_kpa=float(pressure[place]) / KPA,
                steps_resistance=round(math.log(pressure[place] / pressure[0]) / step, DECIMALS),
                steps_opening=round(
                    math.log(pairs.tip_opening_m[place] / pairs.tip_opening_m[0]) / math.log(constants.OPENING_STEP[kind]),
                    DECIMALS,
                ),
                closing_share=float(shares[place]),
                score=float(np.clip(10 * marks[place], 0, 100)),
                same_reed_id=near,
                in_range=None if inside is None else int(((kpa >= inside[0]) & (kpa <= inside[1])).sum()),
            )
        )
    return found
