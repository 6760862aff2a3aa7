"""One ranked line becomes a set-up with its reasons, what will feel different, and its doubts."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from matchkit import constants
from matchkit.match.answers import Setup, TermReason
from matchkit.match.blend import Blend
from matchkit.match.counter import changed_part
from matchkit.match.desirability import AIR_STEP
from matchkit.match.explain import CLOSES_UP, POINTS, feel_words, neighbour_reasons, term_reasons, tone_words, why_words
from matchkit.match.features import tone_vote
from matchkit.match.fit import not_checked
from matchkit.match.parts import FacingPart, ReedPart
from matchkit.match.rank import Placed
from matchkit.match.target import PlayerView, effort_kpa, opening_mm
from matchkit.match.uncertainty import MEASURES, UNCERTAINTIES
from matchkit.match.workshop import Scored, Workshop
from matchkit.records.parts import Ligature

Array = NDArray[np.float64]

REDUCIBLE = 0.75
"""Share of a squared uncertainty that a first measurement is taken to remove, where one is usually missing."""


@dataclass(frozen=True)
class Question:
    """Everything a line needs to become a set-up."""

    workshop: Workshop
    blend: Blend
    view: PlayerView
    facings: tuple[FacingPart, ...]
    reeds: tuple[ReedPart, ...]
    scored: Scored
    ligatures: Sequence[Ligature]

    def setups(self, placed: Sequence[Placed]) -> tuple[Setup, ...]:
        """Give the set-ups of a ranking, each with the one part that changes against the one before it."""
        rows: list[Setup] = []
        before = owned_parts(self.view)
        shown = self.scored.pairs.take(np.array([line.pair for line in placed], dtype=np.intp))
        doubt = self.workshop.uncertainty(shown, self.facings, self.reeds)
        for position, line in enumerate(placed, start=1):
            row = self.setup(position, line, doubt.parts[:, position - 1])
            kept = before[2] if before[2] in row.ligature_ids else row.ligature_id
            after = (row.mouthpiece_id, row.reed_id, kept)
            rows.append(replace(row, changed=changed_part(before, after)))
            before = after
        return tuple(rows)

    def setup(self, position: int, placed: Placed, doubt: Array | None = None) -> Setup:
        """Give the set-up of one ranked line; ``doubt`` (6,) are the parts of its closing pressure's uncertainty, where they are at hand."""
        pair = placed.pair
        pairs = self.scored.pairs
        if doubt is None:
            doubt = self.workshop.uncertainty(pairs.take(np.array([pair])), self.facings, self.reeds).parts[:, 0]
        facing, reed = self.facings[pairs.mouthpiece[pair]], self.reeds[pairs.reed[pair]]
        known = self.blend.by_instrument.get(self.view.player.instrument)
        terms = term_reasons(self.scored.terms, pair, slope=self.blend.slope)
        neighbours = neighbour_reasons(
            placed, None if known is None else known.tests, None if known is None else known.residual, self.blend
        )
        score = POINTS * (placed.computed + placed.correction)
        interval = self.blend.interval(self.view.player.id)
        half = None if interval is None else float(interval.half_width(placed.evidence))
        tied = sorted((self.ligatures[place] for place in placed.ligatures), key=lambda item: item.id)
        first = min(
            tied, key=lambda item: (item.stock == 0, item.price if item.price is not None else np.inf, item.id), default=None
        )
        effort = float(effort_kpa(pairs, blow_kpa=self.view.blow_kpa)[pair])
        pressure = float(pairs.closing_pressure_kpa[pair])
        return Setup(
            position=position,
            mouthpiece_id=facing.mouthpiece.id,
            reed_id=reed.reed.id,
            ligature_id=None if first is None else first.id,
            ligature_ids=tuple(item.id for item in tied),
            mouthpiece_label=facing.mouthpiece.label,
            reed_label=reed.reed.label,
            ligature_label=None if first is None else first.label,
            score=float(np.clip(score, 0, 100)),
            score_low=None if half is None else float(np.clip(score - POINTS * half, 0, 100)),
            score_high=None if half is None else float(np.clip(score + POINTS * half, 0, 100)),
            computed=placed.computed,
            correction=placed.correction,
            evidence=placed.evidence,
            blend=placed.evidence / total if (total := placed.evidence + self.blend.settings.kappa) > 0 else 0.0,
            overall_d=float(self.scored.terms.one(pair).overall[0]),
            closing_pressure_kpa=pressure,
            u_closing_pressure_kpa=pressure * float(np.sqrt((doubt**2).sum())),
            effort_kpa=effort,
            playing_opening_mm=float(opening_mm(pairs, blow_kpa=self.view.blow_kpa)[pair]),
            terms=terms,
            neighbours=neighbours,
            why=why_words(terms, POINTS * placed.correction, len(neighbours)),
            feel=self._feel(pair, effort, doubt),
            doubts=self._doubts(facing, reed, terms, first),
            measure_next=self._measure_next(doubt, facing, reed, terms),
            price=self._price(facing, reed, first),
            changed=None,
        )

    @cached_property
    def _present_parts(self) -> Array:
        """The doubt of the present set-up (6,), which must be known."""
        present = self.view.present
        if present is None:
            raise ValueError("no present set-up")
        return self.workshop.uncertainty(present.pair, (present.facing,), (present.reed,)).parts[:, 0]

    def _measure_next(self, parts: Array, facing: FacingPart, reed: ReedPart, terms: tuple[TermReason, ...]) -> str:
        """Name the measurement that narrows the answer most; for a customer with typed parts it may be of their own."""
        present = self.view.present
        if present is not None and self.view.typed:
            theirs = gains(self._present_parts, present.facing, present.reed)
            here = gains(parts, facing, reed)
            if theirs.max() > here.max():
                return f"of what they play now: {MEASURES[UNCERTAINTIES[int(theirs.argmax())]]}"
        return measure_next(parts, facing, reed, terms)

    def _price(self, facing: FacingPart, reed: ReedPart, ligature: Ligature | None) -> float | None:
        """Give the price of what the player does not have."""
        owned = owned_parts(self.view)
        parts = (facing.mouthpiece, reed.reed, ligature)
        wanted = [part for part, mine in zip(parts, owned, strict=True) if part is not None and part.id != mine]
        prices = [part.price for part in wanted]
        return None if any(price is None for price in prices) else float(sum(price or 0.0 for price in prices))

    def _feel(self, pair: int, effort: float, parts: Array) -> tuple[str, ...]:
        present, pairs = self.view.present, self.scored.pairs
        facing, reed = self.facings[pairs.mouthpiece[pair]], self.reeds[pairs.reed[pair]]
        words: list[str] = []
        if present is not None and reed.scale != present.reed.scale:
            words.append("resistance and air cannot be compared: one of the two reeds is on no strength scale")
        elif present is not None:
            blow = self.view.blow_kpa
            words += feel_words(
                float(np.log(pairs.closing_pressure_kpa[pair] / present.pair.closing_pressure_kpa[0])),
                float(np.log(opening_mm(pairs, blow_kpa=blow)[pair] / opening_mm(present.pair, blow_kpa=blow)[0])),
                difference_u(parts, facing, reed, self._present_parts, present.facing, present.reed),
                wish_step=self.workshop.spec.wish_step,
                air_step=AIR_STEP,
            )
        if self.view.present_facing is not None:
            words.append(tone_words(tone_vote(facing.mouthpiece, self.view.present_facing.mouthpiece)))
        if effort <= 0:
            given = self.view.blow_source == "given" or present is not None
            words.append(CLOSES_UP if given else f"{CLOSES_UP} ({self.view.blow_kpa:.1f} kPa, assumed)")
        return tuple(words)

    def _doubts(
        self, facing: FacingPart, reed: ReedPart, terms: tuple[TermReason, ...], ligature: Ligature | None
    ) -> tuple[str, ...]:
        guessed = [*facing.assumed, *(item for item in reed.assumed if "wet" not in item)]
        if self.view.neck_assumed and any(term.name == "volume" and term.known for term in terms):
            guessed.append("neck")
        found = [f"assumed: {', '.join(guessed)}"] if guessed else []
        unknown = [term.name for term in terms if not term.known]
        unchecked = not_checked(facing, reed, ligature)
        found += [f"not known: {', '.join(unknown)}"] if unknown else []
        found += [f"fit not checked: {', '.join(unchecked)}"] if unchecked else []
        return tuple(found)


def owned_parts(view: PlayerView) -> tuple[str | None, str | None, str | None]:
    """Give the ids of what a player has: mouthpiece, reed, ligature."""
    piece = None if view.present_facing is None else view.present_facing.mouthpiece.id
    reed = None if view.present_reed is None else view.present_reed.reed.id
    return piece, reed, view.ligature_id


def difference_u(
    parts: Array, facing: FacingPart, reed: ReedPart, other: Array, other_facing: FacingPart, other_reed: ReedPart
) -> float:
    """Give the standard uncertainty of ln(closing pressure) between a pair and the present one; what they share cancels.

    One mouthpiece: its tip and clamp. One profile: the profile. One reed: its stiffness. Both wetted by the house's factor: that.
    """
    same_piece = facing.mouthpiece.id == other_facing.mouthpiece.id
    cancels = {
        "tip": same_piece,
        "clamp": same_piece,
        "stiffness": reed.reed.id == other_reed.reed.id,
        "profile": reed.shape_key == other_reed.shape_key,
        "reed place": False,
        "wet factor": reed.u_wet > 0 and other_reed.u_wet > 0,
    }
    kept = np.array([not cancels[name] for name in UNCERTAINTIES])
    squares = parts**2 + other**2
    return float(np.sqrt((squares * kept).sum()))


def measure_next(parts: Array, facing: FacingPart, reed: ReedPart, terms: tuple[TermReason, ...]) -> str:
    """Name the one measurement that would narrow the answer most.

    A part of the closing pressure's uncertainty that was measured already is not named again; where the rest is small, the
    weightiest term that is not known is.
    """
    gain = gains(parts, facing, reed)
    best = int(gain.argmax())
    missing = [term for term in terms if not term.known and term.name != "tone"]
    step = constants.NOTICE.value * constants.HALF_STRENGTH.value
    if missing and (gain[best] < step**2 or max(term.weight for term in missing) >= 2):
        return max(missing, key=lambda term: term.weight).words.removeprefix("not known: ")
    return MEASURES[UNCERTAINTIES[best]]


def gains(parts: Array, facing: FacingPart, reed: ReedPart) -> Array:
    """Give how much of the squared relative uncertainty of the closing pressure each measurement would take away (6,)."""
    open_share = {
        "tip": 0.0 if facing.lay.measured else 1.0,
        "clamp": 0.0 if facing.lay.measured else 1.0,
        "stiffness": 0.0 if reed.basis == "reading" else 1.0,
        "profile": 0.0 if reed.profile_measured else 1.0,
        "reed place": REDUCIBLE,
        "wet factor": REDUCIBLE,
    }
    return np.asarray(parts**2 * np.array([open_share[name] for name in UNCERTAINTIES]))
