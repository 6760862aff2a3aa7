"""A player as the score sees them: what they play now, how they blow and hold, and what of that was assumed."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from matchkit import constants
from matchkit.facts import Elsewhere, KnownOnly, Part, PartIds
from matchkit.pairs.table import PairTable
from matchkit.parts.facing import FacingPart
from matchkit.parts.reed import ReedPart
from matchkit.physics.flow import playing_opening_m
from matchkit.records.parts import Neck
from matchkit.records.people import Player
from matchkit.units import KPA, MM, MM2

Array = NDArray[np.float64]

Source = Literal["measured", "present set-up", "assumed"]
"""Where a player's blowing pressure or lip force comes from."""


@dataclass(frozen=True)
class Visitor:
    """A player who is in no table: what they play now may be typed and partly unknown.

    A mouthpiece by id or by tip opening, a reed by id or by strength (with a cut, and a profile of this house if it is one).
    """

    instrument: str
    embouchure: str | None = None
    blow_kpa: float | None = None
    lip_mm: float | None = None
    mouthpiece_id: str | None = None
    tip_opening_mm: float | None = None
    reed_id: str | None = None
    strength: float | None = None
    cut: str | None = None
    profile_id: str | None = None
    ligature_id: str | None = None
    neck_id: str | None = None
    level: str | None = None


@dataclass(frozen=True)
class Present:
    """The set-up a player plays now, as a table of one pair; its parts may be typed rather than in the tables."""

    pair: PairTable
    ligature_id: str | None

    @property
    def facing(self) -> FacingPart:
        """The facing they play."""
        return self.pair.facing(0)

    @property
    def reed(self) -> ReedPart:
        """The reed they play."""
        return self.pair.reed(0)


@dataclass(frozen=True)
class PlayerView:
    """Everything the score knows of a player, in SI.

    ``present_facing`` may be known where the reed is not, and the other way round. ``typed`` says what of the present set-up was typed.
    """

    player: Player
    present: Present | None
    present_facing: FacingPart | None
    present_reed: ReedPart | None
    ligature_id: str | None
    typed: tuple[KnownOnly, ...]
    lip_m: float
    blow_pa: float
    blow_source: Source
    lip_force_n: float
    lip_source: Source
    neck: Neck | None
    neck_assumed: bool
    level: str | None = None
    elsewhere: Elsewhere | None = None
    """What they play on another instrument, where only that is known."""
    bought: frozenset[tuple[str, str]] = frozenset()
    """What they bought here and need not be playing now, as kind of part and id."""
    at_home: frozenset[tuple[str, str]] = frozenset()
    """What they took home to try and have there still, as kind of part and id; it is not theirs."""

    @property
    def owned(self) -> PartIds:
        """What they have, as far as it is known."""
        piece = None if self.present_facing is None else self.present_facing.id
        return PartIds(piece, None if self.present_reed is None else self.present_reed.id, self.ligature_id)

    def has(self, part: Part, name: str) -> bool:
        """Tell whether a part is theirs, and costs them nothing."""
        return name == getattr(self.owned, part) or (part, name) in self.bought

    @property
    def their_ids(self) -> frozenset[str | None]:
        """The ids of all that is theirs, or at home with them to try, which need not be in stock."""
        return frozenset((*self.owned, *(name for _, name in (*self.bought, *self.at_home))))


def playing_openings_m(pairs: PairTable, *, blow_pa: float) -> Array:
    """Return the playing opening (N,) of pairs at one blowing pressure, metres."""
    return playing_opening_m(tip_opening_m=pairs.tip_opening_m, closing_pressure_pa=pairs.closing_pressure_pa, blow_pa=blow_pa)


def efforts_pa(pairs: PairTable, *, blow_pa: float) -> Array:
    """Return what the lip must supply (N,), signed: closing pressure less blowing pressure over 0.45."""
    return pairs.closing_pressure_pa - blow_pa / constants.BLOW_FRACTION.value


def lip_place_m(player: Player) -> float:
    """Return where a player's lip rests, from the tip: as they said, or as is usual on their instrument."""
    return (constants.LIP_PLACE[player.instrument] if player.lip_mm is None else player.lip_mm) * MM


def view_player(
    player: Player,
    *,
    present: Present | None = None,
    present_facing: FacingPart | None = None,
    present_reed: ReedPart | None = None,
    ligature_id: str | None = None,
    typed: tuple[KnownOnly, ...] = (),
    neck: Neck | None = None,
    neck_assumed: bool = True,
    level: str | None = None,
) -> PlayerView:
    """Work out how a player blows and holds, from what they said or from what they play, or else as on a usual set-up of their instrument."""
    blow_source: Source = "assumed"
    lip_source: Source = "assumed"
    usual = math.exp(constants.FEATURE_SCALES["ln_closing_pressure"].typical[player.instrument]) * KPA
    blow, force = _shares(usual, constants.LIP_AREA[player.instrument] * MM2)
    if player.blow_kpa is not None:
        blow, blow_source = player.blow_kpa * KPA, "measured"
    elif present is not None:
        blow, _ = _shares(float(present.pair.closing_pressure_pa[0]), 0.0)
        blow_source = "present set-up"
    if present is not None:
        effort = float(efforts_pa(present.pair, blow_pa=blow)[0])
        force, lip_source = max(effort, 0.0) * float(present.pair.lip_area_m2[0]), "present set-up"
    return PlayerView(
        player=player,
        present=present,
        present_facing=present_facing,
        present_reed=present_reed,
        ligature_id=ligature_id,
        typed=typed,
        lip_m=lip_place_m(player),
        blow_pa=blow,
        blow_source=blow_source,
        lip_force_n=force,
        lip_source=lip_source,
        neck=neck,
        neck_assumed=neck_assumed,
        level=level,
    )


def as_aimed(view: PlayerView, *, closing_pressure_pa: float, lip_area_m2: float) -> PlayerView:
    """Return a player with what is not known of blowing and lip taken as shares of the closing pressure that is aimed at.

    Where the breath was measured the lip gives what that leaves of it.
    """
    blow, force = _shares(closing_pressure_pa, lip_area_m2)
    if view.blow_source == "measured":
        force = max(closing_pressure_pa - view.blow_pa / constants.BLOW_FRACTION.value, 0.0) * lip_area_m2
    return replace(
        view,
        blow_pa=blow if view.blow_source == "assumed" else view.blow_pa,
        lip_force_n=force if view.lip_source == "assumed" else view.lip_force_n,
    )


def as_usual(view: PlayerView) -> PlayerView:
    """Return a player with what is not known of blowing and lip as on a usual set-up of their instrument."""
    usual = math.exp(constants.FEATURE_SCALES["ln_closing_pressure"].typical[view.player.instrument]) * KPA
    return as_aimed(view, closing_pressure_pa=usual, lip_area_m2=constants.LIP_AREA[view.player.instrument] * MM2)


def _shares(closing_pressure_pa: float, lip_area_m2: float) -> tuple[float, float]:
    """Return the usual blowing pressure and lip force on a set-up: the lip a third of its closing pressure, and 0.45 of what that leaves."""
    taken = constants.LIP_SHARE.value * closing_pressure_pa
    return constants.BLOW_FRACTION.value * (closing_pressure_pa - taken), taken * lip_area_m2
