"""Why a set-up stands where it does: exact costs of terms and playtests, what will feel different, and what to measure next."""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from matchkit import constants
from matchkit.advise.answers import TermReason
from matchkit.advise.heard import POINTS
from matchkit.facts import UNCERTAINTIES, Change, Feel, MeasureNext, Sure
from matchkit.pairs.table import PairTable
from matchkit.pairs.uncertainty import Uncertainty
from matchkit.score.player import PlayerView, efforts_pa
from matchkit.score.scorer import Scorer
from matchkit.score.term import Desirabilities
from matchkit.score.tone import tone_vote

Array = NDArray[np.float64]

SURELY, PROBABLY = 0.95, 0.80
REDUCIBLE = 0.75
"""Share of a squared uncertainty that a first measurement is taken to remove, where one is usually missing."""


def term_reasons(found: Desirabilities, *, slope: float) -> tuple[TermReason, ...]:
    """Return the exact cost of each term of one pair: ``10 b (1 - D) s_i`` points of what perfect terms would reach."""
    lost = POINTS * slope * (1 - float(found.overall[0]))
    reasons = []
    for place, term in enumerate(found.terms):
        known = bool(found.known[place, 0])
        share = float(found.shares[place, 0]) + 0.0  # no minus before a zero
        reasons.append(
            TermReason(
                name=term.name,
                desirability=float(found.d[place, 0]),
                weight=float(found.weights[place]),
                share=share,
                cost=lost * share + 0.0,
                value=float(found.value[place, 0]) if known else None,
                unit=term.unit,
                good=term.good,
                poor=term.poor,
                known=known,
            )
        )
    return tuple(reasons)


def certainty(size: float, u: float) -> Sure:
    """Return how sure the direction of a difference is: surely (95 %), probably (80 %), or perhaps.

    >>> certainty(0.3, 0.1), certainty(0.1, 0.1), certainty(0.05, 0.1)
    ('surely', 'probably', 'perhaps')
    """
    chance = 0.5 * (1 + math.erf(abs(size) / (u * math.sqrt(2)))) if u > 0 else 1.0
    return "surely" if chance >= SURELY else "probably" if chance >= PROBABLY else "perhaps"


@dataclass(frozen=True)
class AgainstPresent:
    """Holds one pair, a table of one and its own doubt, against what a player plays now."""

    scorer: Scorer
    view: PlayerView

    @cached_property
    def _theirs(self) -> Uncertainty:
        """The doubt of the present set-up."""
        if self.view.present is None:
            raise ValueError("no present set-up")
        return self.scorer.uncertainty(self.view.present.pair)

    def difference_u(self, one: PairTable, doubt: Uncertainty) -> float:
        """Return the standard uncertainty of ln(closing pressure) between the pair and the present one; what they share cancels.

        One mouthpiece: all of it. One profile: the profile. One reed: its stiffness. Both wetted by the house's factor: that. The scale: always.
        """
        present = self.view.present
        if present is None:
            raise ValueError("no present set-up")
        facing, reed = one.facing(0), one.reed(0)
        same_piece = facing.id == present.facing.id
        cancels = {
            "tip": same_piece,
            "facing": same_piece,
            "window": same_piece,
            "stiffness": reed.id == present.reed.id,
            "profile": reed.shape_key == present.reed.shape_key,
            "reed place": False,
            "wet factor": reed.u_wet > 0 and present.reed.u_wet > 0,
            "scale": True,
        }
        theirs = self._theirs.parts[:, 0]
        kept = np.array([not cancels[name] for name in UNCERTAINTIES])
        return float(np.sqrt(((doubt.parts[:, 0] ** 2 + theirs**2) * kept).sum()))

    def feel(self, one: PairTable, doubt: Uncertainty) -> Feel:
        """Return what will feel different, in steps of resistance and opening, and in tone."""
        present, blow = self.view.present, self.view.blow_pa
        facing, reed = one.facing(0), one.reed(0)
        tone = None
        if self.view.present_facing is not None:
            tone = tone_vote(facing.mouthpiece, self.view.present_facing.mouthpiece)
        closes_up = self.view.blow_source != "assumed" and float(efforts_pa(one, blow_pa=blow)[0]) <= 0
        if present is None or reed.scale != present.reed.scale:
            return Feel(None, None, tone, comparable=present is None, closes_up=closes_up)
        u = self.difference_u(one, doubt)
        harder = math.log(float(one.closing_pressure_pa[0] / present.pair.closing_pressure_pa[0]))
        wider = math.log(float(one.tip_opening_m[0] / present.pair.tip_opening_m[0]))
        u_wider = 0.0
        if facing.id != present.facing.id:
            u_wider = math.hypot(*(part.lay.u_tip_m / part.lay.tip_opening_m for part in (facing, present.facing)))
        return Feel(
            Change(harder / -math.log(self.scorer.spec.wish_step), certainty(harder, u)),
            Change(wider / math.log(constants.OPENING_STEP[facing.mouthpiece.instrument]), certainty(wider, u_wider)),
            tone,
            closes_up=closes_up,
        )

    def measure_next(self, one: PairTable, doubt: Uncertainty, terms: tuple[TermReason, ...]) -> MeasureNext:
        """Return the measurement that narrows the answer most; for a customer with typed parts it may be of their own."""
        present = self.view.present
        if present is not None and self.view.typed:
            theirs = gains(present.pair, self._theirs)
            if theirs.max() > gains(one, doubt).max():
                return MeasureNext(UNCERTAINTIES[int(theirs.argmax())], of_present=True)
        return measure_next(one, doubt, terms)


def measure_next(one: PairTable, doubt: Uncertainty, terms: tuple[TermReason, ...] = ()) -> MeasureNext:
    """Return the measurement that would narrow the answer about one pair most.

    A part of the closing pressure's uncertainty that was measured already is not named again; where the rest is small, the
    weightiest term that is not known is.
    """
    gain = gains(one, doubt)
    best = int(gain.argmax())
    missing = [term for term in terms if not term.known and term.name != "tone"]
    step = constants.NOTICE.value * constants.HALF_STRENGTH.value
    if missing and (gain[best] < step**2 or max(term.weight for term in missing) >= 2):
        return MeasureNext(term=max(missing, key=lambda term: term.weight).name)
    return MeasureNext(UNCERTAINTIES[best])


def gains(one: PairTable, doubt: Uncertainty) -> Array:
    """Return how much of the squared relative uncertainty of one closing pressure each measurement would take away (8,); what all set-ups share tells none of them apart."""
    facing, reed = one.facing(0), one.reed(0)
    open_share = {
        "tip": 0.0 if facing.lay.measured else 1.0,
        "facing": 0.0 if facing.lay.measured else 1.0,
        "window": 0.0 if facing.mouthpiece.window_width_mm is not None else 1.0,
        "stiffness": 0.0 if reed.basis == "reading" else 1.0,
        "profile": 0.0 if reed.profile_measured else 1.0,
        "reed place": REDUCIBLE,
        "wet factor": 0.0,
        "scale": 0.0,
    }
    return np.asarray(doubt.parts[:, 0] ** 2 * np.array([open_share[name] for name in UNCERTAINTIES]))
