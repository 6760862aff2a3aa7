"""What is aimed at: the present set-up, or the middle of what was liked, or of what fits; moved by wishes."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from matchkit import constants
from matchkit.facts import Aimed, Elsewhere
from matchkit.pairs.table import PairTable
from matchkit.score.player import PlayerView
from matchkit.score.wishes import Wishes

Array = NDArray[np.float64]

LIKED = 7.0
"""A set-up rated this or more counts as liked."""

ENOUGH_LIKED = 20
"""So many liked set-ups of an instrument are needed before their median is aimed at."""

EMBOUCHURE_STEP = 0.12


@dataclass(frozen=True)
class Level:
    """What is aimed at for somebody without a set-up, in steps of resistance and of tip opening from the middle."""

    resistance: float
    opening: float


LEVELS: dict[str, Level] = {
    "beginner": Level(-1.0, -1.0),
    "intermediate": Level(0.0, 0.0),
    "advanced": Level(0.5, 1.0),
}
"""A closer tip and a softer reed to begin with, the reverse later (common practice, no source; the sizes are assumed)."""


@dataclass(frozen=True)
class Aim:
    """One target: closing pressure, tip opening, and the stiffness K0 and lip area of what is meant, in SI; ``likes`` set-ups stand behind it."""

    closing_pressure_pa: float
    tip_opening_m: float
    stiffness_pa_per_m: float
    lip_area_m2: float
    likes: int = 0

    def moved(self, *, pressure: float, opening: float) -> Aim:
        """Return it with its closing pressure and tip opening multiplied."""
        return Aim(
            self.closing_pressure_pa * pressure,
            self.tip_opening_m * opening,
            self.stiffness_pa_per_m * pressure / opening,
            self.lip_area_m2,
            self.likes,
        )


Aims = Mapping[str, Mapping[str, Aim]]
"""What somebody without a set-up is scored against, before embouchure and level: by instrument, and by strength scale ("" is the house's)."""


def middles(
    liked: PairTable,
    fitting: Callable[[str | None], PairTable],
    scales: Iterable[str | None],
    *,
    only: Iterable[str] | None = None,
) -> dict[str, Aim]:
    """Return the middle of the set-ups rated 7 or more (20 or more of them), else of all that fit, for each strength scale; ``fitting`` finds these."""
    wanted = None if only is None else set(only)
    found: dict[str, Aim] = {}
    for scale in dict.fromkeys(scales):
        if wanted is not None and (scale or "") not in wanted:
            continue
        loved = _of_scale(liked, scale)
        pairs, likes = (loved, len(loved)) if len(loved) >= ENOUGH_LIKED else (fitting(scale), 0)
        if len(pairs):
            found[scale or ""] = _middle(pairs, likes=likes)
    return found


def _of_scale(pairs: PairTable, scale: str | None) -> PairTable:
    mine = np.array([part.scale == scale for part in pairs.reeds], dtype=bool)
    return pairs.select(mine[pairs.reed_of] if len(pairs) else np.zeros(0, dtype=bool))


def _middle(pairs: PairTable, *, likes: int = 0) -> Aim:
    return Aim(
        closing_pressure_pa=float(np.median(pairs.closing_pressure_pa)),
        tip_opening_m=float(np.median(pairs.tip_opening_m)),
        stiffness_pa_per_m=float(np.median(pairs.stiffness_pa_per_m)),
        lip_area_m2=float(np.median(pairs.lip_area_m2)),
        likes=likes,
    )


@dataclass(frozen=True)
class Targets:
    """What is aimed at, for reeds of each strength scale; None where reeds of a scale cannot be compared with the target."""

    by_scale: Mapping[str | None, Aim | None]
    present: bool
    wishes: Wishes
    opening_m: float
    """The tip opening aimed at for reeds that cannot be compared: a mouthpiece is as wide whatever reed is on it; nan where none is."""
    level: str = ""
    elsewhere: Elsewhere | None = None

    def for_reeds(self, pairs: PairTable) -> tuple[Array, Array, Array]:
        """Return closing pressure, tip opening and stiffness aimed at, each (N,), nan where there is none."""

        def column(name: str) -> Array:
            numbers = {scale: None if aim is None else getattr(aim, name) for scale, aim in self.by_scale.items()}
            return pairs.of_reeds(lambda reed: numbers.get(reed.scale))

        return column("closing_pressure_pa"), column("tip_opening_m"), column("stiffness_pa_per_m")

    @property
    def main(self) -> Aim | None:
        """The target for reeds on the house's scale, or else the first there is."""
        known = [aim for aim in self.by_scale.values() if aim is not None]
        return self.by_scale.get(None) or (known[0] if known else None)

    @property
    def aimed(self) -> Aimed:
        """What is aimed at, to be told: for reeds on a strength scale, or else for each line by itself."""
        known = [aim for aim in self.by_scale.values() if aim is not None]
        if not known:
            return Aimed("nothing")
        moved: dict[str, Any] = {
            "resistance": self.wishes.resistance,
            "opening": self.wishes.opening,
            "level": self.level,
            "elsewhere": self.elsewhere,
        }
        if self.present:
            return Aimed("present", **moved)
        on_scale = self.by_scale.get(None)
        if on_scale is None:
            return Aimed("liked", known[0].likes, **moved) if len(known) == 1 and known[0].likes else Aimed("by line", **moved)
        return Aimed("liked", on_scale.likes, **moved) if on_scale.likes else Aimed("fitting", **moved)


def set_targets(
    view: PlayerView,
    scales: Iterable[str | None],
    *,
    usual: Mapping[str, Aim],
    wishes: Wishes,
    wish_step: float,
) -> Targets:
    """Choose what to aim at, for reeds of some strength scales.

    The present set-up, else what is ``usual`` on each scale, shifted for a light or firm embouchure and for a level; wishes shift either. Reeds
    known by label only compare within their own scale.
    """
    one_wider = constants.OPENING_STEP[view.player.instrument]
    factor = wish_step**-wishes.resistance
    opening_factor = one_wider**wishes.opening
    shift = {"light": 1 - EMBOUCHURE_STEP, "firm": 1 + EMBOUCHURE_STEP}.get(view.player.embouchure or "", 1.0)
    if view.present is None and view.level is not None:
        level = LEVELS[view.level]
        shift *= wish_step**-level.resistance
        opening_factor *= one_wider**level.opening
    if view.present is None and view.elsewhere is not None and view.elsewhere.steps is not None:
        shift *= wish_step**-view.elsewhere.steps
    present = view.present
    chosen: dict[str | None, Aim | None] = {}
    for scale in dict.fromkeys(scales):
        if present is not None:
            own = _middle(present.pair) if present.reed.scale == scale else None
            chosen[scale] = None if own is None else own.moved(pressure=factor, opening=opening_factor)
            continue
        middle = usual.get(scale or "")
        chosen[scale] = None if middle is None else middle.moved(pressure=shift * factor, opening=opening_factor)
    if present is not None:
        own_opening_m = _middle(present.pair).tip_opening_m * opening_factor
        return Targets(chosen, present=True, wishes=wishes, opening_m=own_opening_m)
    first = next((aim.tip_opening_m for aim in chosen.values() if aim is not None), math.nan)
    return Targets(chosen, present=False, wishes=wishes, opening_m=first, level=view.level or "", elsewhere=view.elsewhere)
