"""One ranked line becomes a set-up with its reasons, what will feel different, and what it rests on."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from matchkit.advise.answers import Deciding, NewPart, Setup, TermReason
from matchkit.advise.heard import POINTS, deciding, group_reasons, mark_reasons, played
from matchkit.advise.reasons import AgainstPresent, term_reasons
from matchkit.advise.search import Placed
from matchkit.constants import UNKNOWN
from matchkit.facts import PARTS, Assumed, Part
from matchkit.learn.blend import Blend
from matchkit.learn.fitted import Account, Band, Fitted, Setups
from matchkit.learn.kriging.system import Dense
from matchkit.learn.learner import Learner
from matchkit.learn.threads import one_thread
from matchkit.pairs.table import PairTable
from matchkit.pairs.uncertainty import Uncertainty
from matchkit.parts.facing import FacingPart
from matchkit.parts.fits import fit_unknown, is_gone, unchecked
from matchkit.parts.reed import ReedPart
from matchkit.records.parts import Ligature
from matchkit.score.player import PlayerView, efforts_pa, playing_openings_m
from matchkit.score.scorer import Scored
from matchkit.units import KPA, MM


@dataclass(frozen=True)
class SetupMaker:
    """Everything a ranked line needs to become a set-up: the pairs it is a row of, the model on the player's line, and the player."""

    learner: Learner
    blend: Blend
    view: PlayerView
    scored: Scored
    ligatures: Sequence[Ligature]

    @cached_property
    def _against(self) -> AgainstPresent:
        return AgainstPresent(self.learner.scorer, self.view)

    def setups(self, placed: Sequence[Placed]) -> tuple[Setup, ...]:
        """Return the set-ups of ranked lines, in their order; their doubts are computed together."""
        shown = self.scored.pairs.select([line.pair for line in placed])
        doubt = self.learner.scorer.uncertainty(shown)
        with one_thread():
            return tuple(self._setup(place, line, shown.one(place), doubt.one(place)) for place, line in enumerate(placed))

    def _setup(self, place: int, placed: Placed, one: PairTable, own: Uncertainty) -> Setup:
        """Return the set-up of one line, its pair alone and the doubt of that."""
        facing, reed = one.facing(0), one.reed(0)
        judged = self.scored.terms.one(placed.pair)
        terms = term_reasons(judged, slope=self.blend.line.slope)
        score = POINTS * (placed.computed + placed.correction)
        tied = sorted((self.ligatures[band] for band in placed.ligatures), key=lambda item: item.id)
        tied = [item for item in tied if item.id != UNKNOWN]  # theirs, that nobody told
        first = self._first(facing, tied)
        heard = self._heard(placed, first)
        known, half = self._known, None
        interval = self.blend.interval(self.blend.kind(self.view.player.instrument, self.view.player.id, facing.id))
        if heard is not None:
            half = POINTS * float(interval.half_width(heard.sd))
        marks, others = ((), 0.0) if known is None or heard is None else mark_reasons(known, heard)
        pressure = float(one.closing_pressure_pa[0])
        changes = self._changes(facing, reed, [item.id for item in tied])
        new = self._new_parts(facing, reed, first)
        return Setup(
            position=place + 1,
            mouthpiece_id=facing.id,
            reed_id=reed.id,
            ligature_id=None if first is None else first.id,
            ligature_ids=tuple(item.id for item in tied),
            mouthpiece_label=facing.mouthpiece.label,
            reed_label=reed.reed.label,
            ligature_label=None if first is None else first.label,
            score=float(np.clip(score, 0, 100)),
            score_low=None if half is None else float(np.clip(score - half, 0, 100)),
            score_high=None if half is None else float(np.clip(score + half, 0, 100)),
            computed=placed.computed,
            correction=placed.correction,
            evidence=0.0 if heard is None else heard.evidence,
            overall_d=float(judged.overall[0]),
            closing_pressure_kpa=pressure / KPA,
            u_closing_pressure_kpa=pressure * float(own.total[0]) / KPA,
            effort_kpa=float(efforts_pa(one, blow_pa=self.view.blow_pa)[0]) / KPA,
            playing_opening_mm=float(playing_openings_m(one, blow_pa=self.view.blow_pa)[0]) / MM,
            tip_opening_mm=float(one.tip_opening_m[0]) / MM,
            terms=terms,
            groups=() if known is None or heard is None else group_reasons(known, heard, self._about(facing, reed, first)),
            playtests=marks,
            other_playtests=others,
            played=played(known, self.view.player.id, facing.id, reed.id),
            own_interval=interval.own,
            feel=self._against.feel(one, own),
            assumed=self._assumed(facing, reed, terms),
            unchecked=unchecked(facing, reed, first),
            measure_next=self._against.measure_next(one, own, terms),
            price=self._price(facing, reed, first),
            changes=changes,
            is_present=changes == (),
            gone=tuple(part.part for part in new if not part.in_stock),
            new_parts=() if changes is None else new,
        )

    def _about(self, facing: FacingPart, reed: ReedPart, ligature: Ligature | None) -> dict[str, str | None]:
        """Return the names of what a set-up is about, by part of the model."""
        player = self.view.player.id
        return {
            "player": player,
            "mouthpiece": facing.id,
            "line": reed.reed.profile_id or reed.id,
            "setup": f"{player}\t{facing.id}\t{reed.id}",
            "contact": None if ligature is None else ligature.contact,
        }

    @property
    def _known(self) -> Fitted | None:
        return self.blend.by_instrument.get(self.view.player.instrument)

    def _heard(self, placed: Placed, ligature: Ligature | None) -> Account | None:
        """Return where the correction of one line comes from; None where there is no mark on the instrument."""
        if self._known is None:
            return None
        one = Setups.of_pairs(self.scored.pairs, self.scored.features).take([placed.pair])
        band = Band() if ligature is None else Band(ligature.id, ligature.contact)
        overall = float(self.scored.terms.overall[placed.pair])
        return self._known.account(one, self.view.player.id, band, overall_d=overall)

    def deciding(self, placed: Sequence[Placed]) -> Deciding | None:
        """Return the one mark that decides which of the best lines is first; of thousands of marks none is looked for."""
        if self._known is None or len(placed) < 2 or not isinstance(self._known.system, Dense):
            return None
        every = Setups.of_pairs(self.scored.pairs, self.scored.features)
        placed = list({line.pair: line for line in reversed(placed)}.values())[::-1]  # the best line of each pair
        if len(placed) < 2:
            return None
        weights = []
        every_facing = self.scored.pairs.facing
        with one_thread():
            for line in placed:
                tied = sorted((self.ligatures[band] for band in line.ligatures), key=lambda item: item.id)
                first = self._first(every_facing(line.pair), tied)
                band = Band() if first is None else Band(first.id, first.contact)
                found = self._known.weights(every.take([line.pair]), self.view.player.id, band)
                weights.append(np.sum(list(found.values()), axis=0))
            return deciding(self._known, np.array(weights), np.array([line.score for line in placed]) / POINTS)

    def _changes(self, facing: FacingPart, reed: ReedPart, ligatures: Sequence[str]) -> tuple[Part, ...] | None:
        """Return the parts that differ from what the player has; None where mouthpiece or reed of theirs is not known."""
        piece, sheet, band = self.view.owned
        if piece is None or sheet is None:
            return None
        kept = (facing.id == piece, reed.id == sheet, not ligatures or band in ligatures)
        return tuple(part for part, same in zip(PARTS, kept, strict=True) if not same)

    def _first(self, facing: FacingPart, tied: Sequence[Ligature]) -> Ligature | None:
        """Return which of tied ligatures is offered: theirs, then one that is known to fit, then what is in stock, then the cheapest, then by id."""

        def order(item: Ligature) -> tuple[bool, bool, bool, float, str]:
            unfit = fit_unknown(facing.mouthpiece, item)
            price = np.inf if item.price is None else item.price
            return item.id != self.view.owned.ligature, unfit, is_gone(item), price, item.id

        return min(tied, key=order, default=None)

    def _new_parts(self, facing: FacingPart, reed: ReedPart, ligature: Ligature | None) -> tuple[NewPart, ...]:
        """Return what of a set-up the player does not have."""
        out = self.learner.parts.stock.out
        records = zip(PARTS, (facing.mouthpiece, reed.reed, ligature), self.view.owned, strict=True)
        return tuple(
            NewPart(
                part,
                item.id,
                item.label,
                item.price,
                known=mine is not None,
                in_stock=(part, item.id) in self.view.at_home or not is_gone(item, out),
                at_home=(part, item.id) in self.view.at_home,
            )
            for part, item, mine in records
            if item is not None and not self.view.has(part, item.id)
        )

    def _price(self, facing: FacingPart, reed: ReedPart, ligature: Ligature | None) -> float | None:
        """Return the price of what the player does not have."""
        parts = zip(PARTS, (facing.mouthpiece, reed.reed, ligature), strict=True)
        prices = [item.price for part, item in parts if item is not None and not self.view.has(part, item.id)]
        return None if any(price is None for price in prices) else float(sum(price or 0.0 for price in prices))

    def _assumed(self, facing: FacingPart, reed: ReedPart, terms: tuple[TermReason, ...]) -> tuple[Assumed, ...]:
        """Return what was assumed of this set-up; that cane is wetted by one factor holds of nearly every reed, and is left to explain."""
        guessed = [*facing.assumed, *(item for item in reed.assumed if item.what != "wetting")]
        if self.view.neck_assumed and any(term.name == "volume" and term.known for term in terms):
            guessed.append(Assumed("neck"))
        return tuple(guessed)
