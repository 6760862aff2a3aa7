"""One question to the score: pairs, a player, what is aimed at, and what several terms compute from them."""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from matchkit import constants
from matchkit.pairs.share_doubt import ShareDoubt
from matchkit.pairs.table import PairTable
from matchkit.score.player import PlayerView
from matchkit.score.target import Targets
from matchkit.score.wishes import Wishes

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Asked:
    """N pairs under one player's target and wishes; arrays (N,) in SI, nan where a reed cannot be compared or nothing was measured.

    ``wish_step`` is what a wish for freer makes of the closing pressure, as a factor below 1.
    """

    pairs: PairTable
    view: PlayerView
    targets: Targets
    wishes: Wishes
    wish_step: float
    u: ShareDoubt
    usual_price: float = math.nan
    """The middle of what mouthpieces of the player's instrument cost here."""
    own_opening: bool = False
    """Whether the mouthpiece stays, so that its own opening is what is aimed at."""

    @property
    def step_ln(self) -> float:
        """One step of resistance, about half a strength, in ln(closing pressure)."""
        return -math.log(self.wish_step)

    @cached_property
    def _aimed(self) -> tuple[Array, Array, Array]:
        return self.targets.for_reeds(self.pairs)

    @property
    def aimed_stiffness(self) -> Array:
        """K0 of what is aimed at, Pa/m."""
        return self._aimed[2]

    @cached_property
    def resistance_ln(self) -> Array:
        """ln(closing pressure / target)."""
        return np.asarray(np.log(self.pairs.closing_pressure_pa / self._aimed[0]))

    @property
    def opening_ln(self) -> Array:
        """ln(tip opening / target); 0 where the mouthpiece stays."""
        if self.own_opening:
            return np.zeros(len(self.pairs))
        aimed = np.where(np.isfinite(self._aimed[1]), self._aimed[1], self.targets.opening_m)
        return np.asarray(np.log(self.pairs.tip_opening_m / aimed))

    @property
    def opening_steps(self) -> Array:
        """Steps of tip opening from the target."""
        return self.opening_ln / math.log(constants.OPENING_STEP[self.view.player.instrument])

    @cached_property
    def closing_share(self) -> Array:
        """Share of the jet's area left at the closing pressure, under the player's lip."""
        share = self.pairs.closing_share(lip_force_n=self.view.lip_force_n)
        return np.where(self.pairs.shape_known, share, math.nan)

    @cached_property
    def u_closing_share(self) -> Array:
        """Standard uncertainty of that share: lip, profile and facing."""
        return self.pairs.u_closing_share(lip_force_n=self.view.lip_force_n, u=self.u)


def share_within(centre_ln: Array, spread_ln: Array, *, step: float) -> Array:
    """Return the share of a normal spread about ``centre_ln`` that lies within one ``step`` either way; nan where not known."""
    safe = np.maximum(spread_ln, 1e-9)
    return normal_below((step - centre_ln) / safe) - normal_below((-step - centre_ln) / safe)


_erfc = np.frompyfunc(math.erfc, 1, 1)


def normal_below(z: Array) -> Array:
    """Return the share of a standard normal distribution below ``z`` (any shape); scipy has it too, but takes longer to import.

    >>> normal_below(np.array([0.0, 1.2815515655446004])).round(12)
    array([0.5, 0.9])
    """
    return np.asarray(_erfc(-z / math.sqrt(2)) / 2, dtype=float)
