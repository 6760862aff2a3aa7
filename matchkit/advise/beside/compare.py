"""Two set-ups side by side: what differs, by how much, how sure, and which is expected to be marked higher."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import ClassVar, Literal

import numpy as np

from matchkit.advise.answers import Setup
from matchkit.advise.explain import score_one, u_difference
from matchkit.advise.ranking import AnyPart
from matchkit.advise.reasons import AgainstPresent, certainty
from matchkit.advise.requests import check_wishes
from matchkit.errors import RequestError
from matchkit.facts import FITS, Feel, ModelUse, PartIds, Refusal, Sure
from matchkit.learn.learner import Learner
from matchkit.parts.facing import FacingPart
from matchkit.parts.fits import ligature_refusals, pair_refusals
from matchkit.parts.reed import ReedPart
from matchkit.parts.said import said_facing, said_reed
from matchkit.parts.stock import Parts
from matchkit.records.parts import Ligature
from matchkit.results import Answer
from matchkit.score.player import PlayerView, Present
from matchkit.score.wishes import Wishes, understand
from matchkit.units import MM, PERCENT


@dataclass(frozen=True)
class Side:
    """The parts of one set-up; a ligature may be left out."""

    facing: FacingPart
    reed: ReedPart
    ligature: Ligature | None = None


Measured = Literal[
    "closing pressure", "tip opening", "facing length", "left when closed", "baffle height", "chamber", "strength", "to pay"
]


@dataclass(frozen=True)
class Contrast:
    """One measurement of both set-ups; None where one has it not."""

    what: Measured
    unit: str
    first: float | None
    second: float | None


@dataclass(frozen=True)
class Comparison(Answer):
    """Two set-ups for one player. ``difference`` is the second less the first, in points of a mark; ``feel`` holds the second against the first."""

    schema: ClassVar[str] = "compare"
    table_of: ClassVar[str] = "rows"
    row_type: ClassVar[type] = Contrast

    player: str
    wish: tuple[str, ...]
    model: ModelUse
    first: Setup
    second: Setup
    present: PartIds
    difference: float
    u_difference: float | None
    sure: Sure
    """How sure it is which is marked higher: surely (95 %), probably (80 %), or not to be told (perhaps)."""
    feel: Feel
    rows: tuple[Contrast, ...]
    refused: tuple[tuple[Refusal, ...], tuple[Refusal, ...]] = ((), ())
    """Why the parts of either do not go together."""

    @property
    def same(self) -> bool:
        """Whether both are one set-up."""
        return set_of(self.first) == set_of(self.second)


def set_of(row: Setup) -> PartIds:
    """Return the parts of a set-up."""
    return PartIds(row.mouthpiece_id, row.reed_id, row.ligature_id)


def _refused(side: Side, instrument: str) -> tuple[Refusal, ...]:
    """Return why the parts of a set-up do not go together."""
    ligatures = () if side.ligature is None else (side.ligature,)
    owned = (side.facing.id, side.reed.id)
    pair = pair_refusals((side.facing,), (side.reed,), instrument=instrument, owned=owned)[0, 0]
    bands = ligature_refusals((side.facing,), ligatures, owned=[item.id for item in ligatures])[0]
    return tuple(reason for reason in (pair, *bands) if reason != FITS)


def compare(
    learner: Learner, view: PlayerView, sides: tuple[Side, Side], *, wish: Sequence[str], model: ModelUse
) -> Comparison:
    """Hold two set-ups against each other for one player, under a wish."""
    wishes = understand(wish)
    check_wishes(wishes, view)
    scorer = learner.scorer
    pairs = [scorer.pair(side.facing, side.reed, lip_m=view.lip_m) for side in sides]
    first, second = (score_one(learner, view, pair, side.ligature, wishes) for pair, side in zip(pairs, sides, strict=True))
    difference = (second.computed + second.correction) - (first.computed + first.correction)
    u = u_difference(learner, view, wishes, (pairs[0], pairs[1]), (sides[0].ligature, sides[1].ligature))
    as_now = replace(
        view,
        present=Present(pairs[0], None if sides[0].ligature is None else sides[0].ligature.id),
        present_facing=sides[0].facing,
        present_reed=sides[0].reed,
        typed=(),
    )
    return Comparison(
        player=view.player.id,
        wish=wishes.words,
        model=model,
        first=first,
        second=second,
        present=view.owned,
        difference=difference,
        u_difference=u,
        sure=certainty(difference, u) if u is not None and _can_be_told(learner, view, sides, wishes) else "perhaps",
        refused=(_refused(sides[0], view.player.instrument), _refused(sides[1], view.player.instrument)),
        feel=AgainstPresent(scorer, as_now).feel(pairs[1], scorer.uncertainty(pairs[1])),
        rows=_contrasts(
            sides, (first, second), np.concatenate([pair.closing_share(lip_force_n=view.lip_force_n) for pair in pairs])
        ),
    )


def _can_be_told(learner: Learner, view: PlayerView, sides: tuple[Side, Side], wishes: Wishes) -> bool:
    """Tell whether two set-ups can be told apart: their reeds are on one scale, or each was marked by the player, or is what they play."""
    if sides[0].reed.scale == sides[1].reed.scale:
        return True
    known = learner.marked_pairs(view.player.id)
    now = None if view.present is None else (view.present.facing.id, view.present.reed.id)
    return not wishes.words and all(pair == now or pair in known for pair in ((side.facing.id, side.reed.id) for side in sides))


def _contrasts(sides: tuple[Side, Side], setups: tuple[Setup, Setup], shares: np.ndarray) -> tuple[Contrast, ...]:
    pieces = [side.facing.mouthpiece for side in sides]
    table: list[tuple[Measured, str, list[float | None]]] = [
        ("closing pressure", "kPa", [row.closing_pressure_kpa for row in setups]),
        ("tip opening", "mm", [row.tip_opening_mm for row in setups]),
        ("facing length", "mm", [side.facing.facing_length_m / MM for side in sides]),
        ("left when closed", "%", [float(share) / PERCENT for share in shares]),
        ("baffle height", "mm", [piece.baffle_height_mm for piece in pieces]),
        ("chamber", "cm3", [piece.chamber_volume_cm3 for piece in pieces]),
        ("strength", "", [side.reed.reed.strength for side in sides]),
        ("to pay", "", [row.price for row in setups]),
    ]
    return tuple(Contrast(what, unit, values[0], values[1]) for what, unit, values in table)


def instrument_of(parts: Parts, said: Sequence[AnyPart | str]) -> str:
    """Return the instrument of the first part of the house among what was said; raises RequestError where all are sizes."""
    made: dict[str, str] = {piece.id: piece.instrument for piece in parts.stock.mouthpieces}
    made |= {reed.id: reed.instrument for reed in parts.stock.reeds}
    for part in said:
        name = part if isinstance(part, str) else part.id
        if name in made:
            return made[name]
    raise RequestError("for which instrument? name a player, or an instrument (--instrument alto)")


def read_side(parts: Parts, said: Sequence[AnyPart | str], view: PlayerView) -> Side:
    """Return a set-up of mouthpiece, reed and perhaps ligature, or ("now",) for what the player plays; raises UnknownIdError and RequestError."""
    kind = view.player.instrument
    if tuple(said) == ("now",):
        if view.present is None:
            raise RequestError("'now' is what they play now: mouthpiece and reed must be known")
        mine = view.present
        return Side(mine.facing, mine.reed, None if mine.ligature_id is None else parts.ligature(mine.ligature_id))
    if len(said) not in (2, 3):
        told = " + ".join(part if isinstance(part, str) else part.id for part in said)
        raise RequestError(f"'{told}' as a set-up; expected a mouthpiece, a reed and perhaps a ligature")
    facing = said_facing(parts, said[0], kind) if isinstance(said[0], str) else said[0]
    reed = said_reed(parts, said[1], kind) if isinstance(said[1], str) else said[1]
    last = said[2] if len(said) == 3 else None
    ligature = parts.ligature(last) if isinstance(last, str) else last
    if not isinstance(facing, FacingPart) or not isinstance(reed, ReedPart) or isinstance(ligature, FacingPart | ReedPart):
        raise RequestError("a set-up is a mouthpiece, a reed and perhaps a ligature, in this order")
    for part, made in ((facing, facing.mouthpiece.instrument), (reed, reed.reed.instrument)):
        if made != kind:
            raise RequestError(f"{part.id} is for {made}; expected parts for {kind}")
    return Side(facing, reed, ligature)
