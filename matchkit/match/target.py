"""A player as the score sees them: what they play now, how they blow, and what is aimed at."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from matchkit import constants
from matchkit.match.desirability import AIR_STEP
from matchkit.match.pairs import Pairs
from matchkit.match.parts import FacingPart, ReedPart
from matchkit.match.wishes import Wishes
from matchkit.physics.flow import playing_opening_m
from matchkit.records.parts import Neck
from matchkit.records.people import Player

Array = NDArray[np.float64]
Index = NDArray[np.intp]

LIKED = 7.0
"""A set-up rated this or more counts as liked."""

ENOUGH_LIKED = 20
"""So many liked set-ups of an instrument are needed before their median is aimed at."""

EMBOUCHURE_STEP = 0.12


@dataclass(frozen=True)
class Present:
    """The set-up a player plays now, as one pair with its parts (which may be typed rather than in the tables)."""

    facing: FacingPart
    reed: ReedPart
    pair: Pairs
    ligature_id: str | None


@dataclass(frozen=True)
class PlayerView:
    """Everything the score knows of a player.

    ``present_facing`` may be known where the reed is not, and the other way round. ``blow_kpa`` and ``lip_load_n`` carry where they come from.
    """

    player: Player
    present: Present | None
    present_facing: FacingPart | None
    present_reed: ReedPart | None
    ligature_id: str | None
    typed: tuple[str, ...]
    """What was typed of the present set-up and not measured, in words."""
    lip_mm: float
    blow_kpa: float
    blow_source: str
    lip_load_n: float
    lip_source: str
    neck: Neck | None
    neck_assumed: bool


@dataclass(frozen=True)
class Aim:
    """One target: closing pressure, playing opening, and the stiffness that goes with them."""

    closing_pressure_kpa: float
    playing_opening_mm: float
    stiffness_mpa_per_m: float
    source: str


@dataclass(frozen=True)
class Targets:
    """What is aimed at, for reeds of each strength scale; None where reeds of a scale cannot be compared with the target."""

    by_scale: Mapping[str | None, Aim | None]

    def for_reeds(self, reeds: Sequence[ReedPart]) -> tuple[Array, Array, Array]:
        """Give closing pressure, playing opening and stiffness aimed at, one a reed, nan where there is none."""
        columns = np.full((3, len(reeds)), np.nan)
        for place, part in enumerate(reeds):
            aim = self.by_scale.get(part.scale)
            if aim is not None:
                columns[:, place] = (aim.closing_pressure_kpa, aim.playing_opening_mm, aim.stiffness_mpa_per_m)
        return columns[0], columns[1], columns[2]

    @property
    def known(self) -> bool:
        """Whether there is anything to aim at."""
        return any(aim is not None for aim in self.by_scale.values())

    @property
    def words(self) -> str:
        """What is aimed at, in words: for reeds on a strength scale, or else for each make by itself."""
        on_scale = self.by_scale.get(None)
        if on_scale is not None:
            return on_scale.source
        others = {aim.source for aim in self.by_scale.values() if aim is not None}
        if not others:
            return "no target: no reed here can be compared with the present one"
        return others.pop() if len(others) == 1 else "the middle of every pair that fits, each make of reed by itself"


def opening_mm(pairs: Pairs, *, blow_kpa: float) -> Array:
    """Give the playing opening (N,) of pairs, for one blowing pressure."""
    return playing_opening_m(
        tip_opening_m=pairs.tip_opening_mm, closing_pressure_pa=pairs.closing_pressure_kpa, blow_pa=blow_kpa
    )


def effort_kpa(pairs: Pairs, *, blow_kpa: float) -> Array:
    """Give what the lip must supply (N,), signed: closing pressure less blowing pressure over 0.45."""
    return pairs.closing_pressure_kpa - blow_kpa / constants.BLOW_FRACTION.value


def view_player(
    player: Player,
    *,
    present: Present | None = None,
    present_facing: FacingPart | None = None,
    present_reed: ReedPart | None = None,
    ligature_id: str | None = None,
    typed: tuple[str, ...] = (),
    neck: Neck | None = None,
    neck_assumed: bool = True,
) -> PlayerView:
    """Work out how a player blows and holds, from what they said or from what they play."""
    lip_mm = constants.LIP_PLACE[player.instrument] if player.lip_mm is None else player.lip_mm
    fraction = constants.BLOW_FRACTION.value
    if player.blow_kpa is not None:
        blow, blow_source = player.blow_kpa, "given"
    elif present is not None:
        blow = float((1 - constants.EFFORT_FRACTION.value) * present.pair.closing_pressure_kpa[0] * fraction)
        blow_source = "from the present set-up, whose effort is taken as a quarter of its closing pressure"
    else:
        blow, blow_source = constants.BLOW_DEFAULT.value, "assumed"
    if present is None:
        load, lip_source = constants.LIP_FORCE.value, "assumed"
    else:
        effort = float(effort_kpa(present.pair, blow_kpa=blow)[0])
        load = max(effort, 0.0) * float(present.pair.lip_area_mm2[0]) * 1e-3
        lip_source = "what the present set-up asks for"
    return PlayerView(
        player=player,
        present=present,
        present_facing=present_facing,
        present_reed=present_reed,
        ligature_id=ligature_id,
        typed=typed,
        lip_mm=lip_mm,
        blow_kpa=blow,
        blow_source=blow_source,
        lip_load_n=load,
        lip_source=lip_source,
        neck=neck,
        neck_assumed=neck_assumed,
    )


def set_targets(
    view: PlayerView,
    *,
    liked: Pairs,
    liked_reeds: Sequence[ReedPart],
    fitting: Pairs,
    fitting_reeds: Sequence[ReedPart],
    reeds: Sequence[ReedPart],
    wishes: Wishes,
    wish_step: float,
) -> Targets:
    """Choose what to aim at.

    The present set-up; else the median of the set-ups rated 7 or more on this instrument (20 or more of them); else of all
    fitting pairs. The medians are shifted for a light or firm embouchure; wishes shift either. Reeds known by label only compare
    within their own scale.
    """
    factor = wish_step**-wishes.effort
    air_factor = AIR_STEP**wishes.air
    shift = {"light": 1 - EMBOUCHURE_STEP, "firm": 1 + EMBOUCHURE_STEP}.get(view.player.embouchure or "", 1.0)

    def median(pairs: Pairs, source: str) -> Aim | None:
        if not len(pairs):
            return None
        return Aim(
            closing_pressure_kpa=float(np.median(pairs.closing_pressure_kpa)) * shift * factor,
            playing_opening_mm=float(np.median(opening_mm(pairs, blow_kpa=view.blow_kpa))) * air_factor,
            stiffness_mpa_per_m=float(np.median(pairs.stiffness_mpa_per_m)),
            source=source,
        )

    def of_scale(pairs: Pairs, parts: Sequence[ReedPart], scale: str | None) -> Pairs:
        return pairs.take(np.flatnonzero(np.array([parts[r].scale == scale for r in pairs.reed], dtype=bool)))

    chosen: dict[str | None, Aim | None] = {}
    for scale in dict.fromkeys(part.scale for part in reeds):
        if view.present is not None:
            present = view.present.pair
            if view.present.reed.scale != scale:
                chosen[scale] = None
                continue
            chosen[scale] = Aim(
                closing_pressure_kpa=float(present.closing_pressure_kpa[0]) * factor,
                playing_opening_mm=float(opening_mm(present, blow_kpa=view.blow_kpa)[0]) * air_factor,
                stiffness_mpa_per_m=float(present.stiffness_mpa_per_m[0]),
                source="the present set-up",
            )
            continue
        loved = of_scale(liked, liked_reeds, scale)
        if len(loved) >= ENOUGH_LIKED:
            chosen[scale] = median(loved, f"the middle of {len(loved)} playtests rated {LIKED:g} or more")
        else:
            what = "every pair that fits" if scale is None else f"every pair that fits, {scale} by themselves"
            chosen[scale] = median(of_scale(fitting, fitting_reeds, scale), f"the middle of {what}")
    return Targets(chosen)


def box_share(effort_ln: Array, spread: Array, *, wish_step: float) -> Array:
    """Give the share of a box within one step of the effort target, for a normal spread of ln E (nan where not known)."""
    step = -math.log(wish_step)
    safe = np.maximum(spread, 1e-9)
    return normal_below((step - effort_ln) / safe) - normal_below((-step - effort_ln) / safe)


_erfc = np.frompyfunc(math.erfc, 1, 1)


def normal_below(z: Array) -> Array:
    """Return the share of a standard normal distribution below ``z`` (any shape); scipy has it too, but takes longer to import.

    >>> normal_below(np.array([0.0, 1.2815515655446004])).round(12)
    array([0.5, 0.9])
    """
    return np.asarray(_erfc(-z / math.sqrt(2)) / 2, dtype=float)
