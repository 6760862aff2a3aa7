"""Players, targets and terms over the parts of one house; each thing computed once."""

from __future__ import annotations

import math
from collections.abc import Sequence
from copy import copy
from dataclasses import dataclass, replace
from functools import cached_property, partial

import numpy as np
from numpy.typing import NDArray

from matchkit import constants
from matchkit.errors import RequestError
from matchkit.facts import FITS, Elsewhere, KnownOnly
from matchkit.names import by_id
from matchkit.pairs.contacts import Contacts
from matchkit.pairs.kept import solve_or_read
from matchkit.pairs.share_doubt import ShareDoubt
from matchkit.pairs.table import PairTable, pair_grid, pair_list
from matchkit.pairs.uncertainty import Uncertainty
from matchkit.parts.facing import FacingPart
from matchkit.parts.fits import pair_refusals
from matchkit.parts.reed import ReedPart
from matchkit.parts.stock import Parts
from matchkit.records.people import Loan, Player, Playtest, at_home, bought
from matchkit.results import Progress
from matchkit.score.asked import Asked
from matchkit.score.features import feature_matrix
from matchkit.score.player import PlayerView, Present, Visitor, as_aimed, as_usual, lip_place_m, view_player
from matchkit.score.target import LIKED, Aim, Aims, Targets, middles, set_targets
from matchkit.score.term import Desirabilities, judge_terms
from matchkit.score.wishes import NO_WISH, Wishes
from matchkit.units import MM

Array = NDArray[np.float64]
Index = NDArray[np.intp]
Flags = NDArray[np.bool_]


@dataclass(frozen=True)
class Scored:
    """Pairs of one player (N,), with their terms under a wish and their features without one (N, f)."""

    pairs: PairTable
    terms: Desirabilities
    features: Array


class Scorer:
    """What the measurements of a house say of its pairs, for any player."""

    def __init__(self, parts: Parts) -> None:
        self.parts = parts
        self.spec = parts.stock.spec
        self.contacts = Contacts(partial(solve_or_read, cache=parts.cache))
        self._views: dict[str, PlayerView] = {}
        self._fitting: dict[str, PairTable] = {}
        self._aims: Aims = {}
        self._usual: dict[str, dict[str, Aim]] = {}

    # pairs

    def grid(
        self,
        facings: Sequence[FacingPart],
        reeds: Sequence[ReedPart],
        *,
        lip_m: float,
        fits: object = None,
        jobs: int = 1,
        progress: Progress | None = None,
    ) -> PairTable:
        """Return every facing with every reed, those where ``fits`` (M, R) is false left out."""
        return pair_grid(self.contacts, facings, reeds, lip_m=lip_m, fits=fits, jobs=jobs, progress=progress)

    def pair(self, facing: FacingPart, reed: ReedPart, *, lip_m: float, offset_m: float = 0.0) -> PairTable:
        """Return one pair, the reed standing ``offset_m`` past the tip rail."""
        return pair_list(self.contacts, [(facing, reed)], lip_m=lip_m, offset_m=offset_m)

    def fitting(self, instrument: str) -> PairTable:
        """Return every pair of an instrument that fits, whatever is in stock."""
        if instrument not in self._fitting:
            facings, reeds = self.parts.facings_for(instrument), self.parts.reeds_for(instrument)
            refused = pair_refusals(facings, reeds, instrument=instrument, keep_retired=True)
            self._fitting[instrument] = self.grid(
                facings, reeds, lip_m=constants.LIP_PLACE[instrument] * MM, fits=refused == FITS
            )
        return self._fitting[instrument]

    @property
    def share_doubt(self) -> ShareDoubt:
        """What the closing share's uncertainty is made of, from the house's gauge."""
        gauge = self.spec.gauge
        return ShareDoubt(constants.LIP_SHARE.u, gauge.u_profile_mm * MM, gauge.u_stop_mm * MM)

    def uncertainty(self, pairs: PairTable) -> Uncertainty:
        """Return how sure the closing pressures of pairs are."""
        return pairs.uncertainty(u_profile_m=self.spec.gauge.u_profile_mm * MM)

    # players

    def view(self, person: str | Player | Visitor, *, neck_id: str | None = None) -> PlayerView:
        """Return a player of the tables, or one who is in none, as the score sees them.

        Raises UnknownIdError for an id in no table, RequestError for a neck of another instrument.
        """
        if isinstance(person, Visitor):
            return self._view_visitor(person, neck_id)
        player = by_id(self.parts.stock.players, person, "player") if isinstance(person, str) else person
        if neck_id is not None:
            return self._view_player(player, neck_id)
        if player.id not in self._views:
            self._views[player.id] = self._view_player(player, player.neck_id)
        return self._views[player.id]

    def _as_aimed(self, view: PlayerView) -> PlayerView:
        """Return a player with what is not known of blowing and lip taken from what is aimed at."""
        if "assumed" not in (view.blow_source, view.lip_source):
            return view
        aim = self.targets(view, self.parts.reeds_for(view.player.instrument)).main
        if aim is None:
            return as_usual(view)
        return as_aimed(view, closing_pressure_pa=aim.closing_pressure_pa, lip_area_m2=aim.lip_area_m2)

    def _view_player(self, player: Player, neck_id: str | None) -> PlayerView:
        facing = None if player.mouthpiece_id is None else self.parts.facing(player.mouthpiece_id)
        reed = None if player.reed_id is None else self.parts.reed(player.reed_id)
        view = self._view(player, facing, reed, player.ligature_id, (), neck_id)
        loans = self.parts.stock.loans
        return replace(view, bought=bought(loans, player.id), at_home=at_home(loans, player.id))

    def _view_visitor(self, visitor: Visitor, neck_id: str | None) -> PlayerView:
        said = {name: getattr(visitor, name) for name in ("instrument", "embouchure", "blow_kpa", "lip_mm")}
        player = Player.model_validate({"id": constants.VISITOR, **said})
        typed: list[KnownOnly] = []
        facing = None if visitor.mouthpiece_id is None else self.parts.facing(visitor.mouthpiece_id)
        reed = None if visitor.reed_id is None else self.parts.reed(visitor.reed_id)
        elsewhere = self._elsewhere(visitor.instrument, facing, reed)
        if elsewhere is not None:
            return self._view(player, None, None, None, (), neck_id or visitor.neck_id, visitor.level, elsewhere)
        if facing is None and visitor.tip_opening_mm is not None:
            facing = self.parts.typed_facing(visitor.tip_opening_mm, visitor.instrument)
            typed.append(KnownOnly("mouthpiece", visitor.tip_opening_mm))
        if reed is None and visitor.strength is not None:
            reed = self.parts.typed_reed(visitor.strength, visitor.instrument, cut=visitor.cut, profile_id=visitor.profile_id)
            other = self.parts.unfiled_over_filed(visitor.instrument) if visitor.cut is None else None
            typed.append(KnownOnly("reed", visitor.strength, visitor.profile_id or "", visitor.cut or "", other))
        return self._view(player, facing, reed, visitor.ligature_id, tuple(typed), neck_id or visitor.neck_id, visitor.level)

    def _elsewhere(self, instrument: str, facing: FacingPart | None, reed: ReedPart | None) -> Elsewhere | None:
        """Return what somebody plays on another instrument, as a hint of how much resistance they like; None where it is the same one."""
        records = (None if facing is None else facing.mouthpiece, None if reed is None else reed.reed)
        kinds = {part.instrument for part in records if part is not None}
        if kinds <= {instrument}:
            return None
        if facing is None or reed is None or len(kinds) > 1:
            named = " and ".join(part.id for part in (facing, reed) if part is not None)
            raise RequestError(
                f"{named}: not a set-up for {instrument}; name mouthpiece and reed of one instrument, or ? where they are not known"
            )
        other = facing.mouthpiece.instrument
        middle = self.usual(other).get(reed.scale or "")
        if middle is None:
            return Elsewhere(other, None)
        pair = self.pair(facing, reed, lip_m=constants.LIP_PLACE[other] * MM)
        off = math.log(float(pair.closing_pressure_pa[0]) / middle.closing_pressure_pa)
        return Elsewhere(other, round(off / -math.log(self.spec.wish_step), constants.DECIMALS))

    def _view(
        self,
        player: Player,
        facing: FacingPart | None,
        reed: ReedPart | None,
        ligature_id: str | None,
        typed: tuple[KnownOnly, ...],
        neck_id: str | None,
        level: str | None = None,
        elsewhere: Elsewhere | None = None,
    ) -> PlayerView:
        if ligature_id is not None:
            self.parts.ligature(ligature_id)
        present = None
        if facing is not None and reed is not None:
            present = Present(self.pair(facing, reed, lip_m=lip_place_m(player)), ligature_id)
        view = view_player(
            player,
            present=present,
            present_facing=facing,
            present_reed=reed,
            ligature_id=ligature_id,
            typed=typed,
            neck=self.parts.neck(neck_id, player.instrument),
            neck_assumed=neck_id is None,
            level=level,
        )
        return self._as_aimed(view if elsewhere is None else replace(view, elsewhere=elsewhere))

    # marks, as far as targets need them

    @cached_property
    def marked(self) -> tuple[Playtest, ...]:
        """Playtests with an overall mark, and what was kept or brought back, by id; those on another instrument than the player's own teach nothing here."""
        stock = self.parts.stock
        plays = {player.id: player.instrument for player in stock.players}
        made = {piece.id: piece.instrument for piece in stock.mouthpieces}
        tests = (*stock.playtests, *_taken_home(stock.loans))
        kept = (t for t in tests if t.overall is not None and plays[t.player_id] == made[t.mouthpiece_id])
        return tuple(sorted(kept, key=lambda test: test.id))

    @cached_property
    def marked_pairs(self) -> PairTable:
        """What was played in each of :attr:`marked`, in their order."""
        facings = {part.id: part for part in self.parts.facings}
        again = {piece for piece, sets in self.parts.sets.items() if len(sets) > 1}
        reeds = {part.id: part for part in self.parts.reeds}

        def piece(test: Playtest) -> FacingPart:
            """Return the mouthpiece as it was on that day."""
            return (
                self.parts.facing_on(test.mouthpiece_id, test.date)
                if test.mouthpiece_id in again
                else facings[test.mouthpiece_id]
            )

        lips = {player.id: lip_place_m(player) for player in self.parts.stock.players}
        return pair_list(
            self.contacts,
            [(piece(test), reeds[test.reed_id]) for test in self.marked],
            lip_m=[lips[test.player_id] for test in self.marked],
            offset_m=[test.reed_offset_mm * MM for test in self.marked],
        )

    def _liked(self, instrument: str, known: Flags | None = None) -> PairTable:
        pairs = self.marked_pairs
        liked = np.array([(t.overall or 0.0) >= LIKED and type(t) is Playtest for t in self.marked], dtype=bool)
        plays = pairs.of_facings(lambda facing: facing.mouthpiece.instrument == instrument) > 0
        return pairs.select(np.flatnonzero(liked & plays if known is None else liked & plays & known))

    def aims_of(self, instruments: Sequence[str], known: Flags | None = None) -> Aims:
        """Return what players without a set-up are scored against, from the playtests where ``known`` (of :attr:`marked`) is true."""
        found = {}
        for instrument in instruments:
            scales = [part.scale for part in self.parts.reeds_for(instrument)]
            found[instrument] = middles(
                self._liked(instrument, known), partial(self._fitting_on, instrument, marked=True), scales
            )
        return found

    def _fitting_on(self, instrument: str, scale: str | None, *, marked: bool = False) -> PairTable:
        """Return the pairs on one strength scale that fit; of ``marked`` parts where there are any, so that what is learned hangs on no other part."""
        facings = self.parts.facings_for(instrument)
        reeds = tuple(part for part in self.parts.reeds_for(instrument) if part.scale == scale)
        if marked:
            pieces, played = {test.mouthpiece_id for test in self.marked}, {test.reed_id for test in self.marked}
            facings = tuple(part for part in facings if part.id in pieces) or facings
            reeds = tuple(part for part in reeds if part.id in played) or reeds
        refused = pair_refusals(facings, reeds, instrument=instrument, keep_retired=True)
        return self.grid(facings, reeds, lip_m=constants.LIP_PLACE[instrument] * MM, fits=refused == FITS)

    def aiming(self, aims: Aims) -> Scorer:
        """Return a scorer of the same house that goes by what a model aims at, for training, folds and ranking alike."""
        other = copy(self)
        other._aims, other._usual, other._views = aims, {}, {}  # noqa: SLF001 - its own kind
        return other

    def usual(self, instrument: str) -> dict[str, Aim]:
        """Return what somebody without a set-up is scored against on an instrument: as the model stores it, else from all there is."""
        if instrument not in self._usual:
            stored = dict(self._aims.get(instrument, {}))
            scales = [part.scale for part in self.parts.reeds_for(instrument)]
            missing = [scale or "" for scale in scales if (scale or "") not in stored]
            if missing:
                stored |= middles(self._liked(instrument), partial(self._fitting_on, instrument), scales, only=missing)
            self._usual[instrument] = stored
        return self._usual[instrument]

    def _usual_price(self, instrument: str) -> float:
        prices = [part.mouthpiece.price for part in self.parts.facings_for(instrument) if part.mouthpiece.price]
        return float(np.median(prices)) if prices else math.nan

    # targets and terms

    def targets(self, view: PlayerView, reeds: Sequence[ReedPart], wishes: Wishes = NO_WISH) -> Targets:
        """Choose what to aim at for one player, under a wish."""
        return set_targets(
            view,
            [part.scale for part in reeds],
            usual=self.usual(view.player.instrument) if view.present is None else {},
            wishes=wishes,
            wish_step=self.spec.wish_step,
        )

    def score(
        self,
        view: PlayerView,
        pairs: PairTable,
        *,
        wishes: Wishes = NO_WISH,
        own_opening: bool = False,
    ) -> Scored:
        """Compute the terms of pairs under a wish, and their features without one; with ``own_opening`` no other mouthpiece is asked about."""
        price = self._usual_price(view.player.instrument)
        plain = Asked(
            pairs,
            view,
            self.targets(view, pairs.reeds),
            NO_WISH,
            self.spec.wish_step,
            self.share_doubt,
            price,
        )
        wished = plain
        if wishes != NO_WISH or own_opening:
            targets = self.targets(view, pairs.reeds, wishes)
            wished = Asked(pairs, view, targets, wishes, self.spec.wish_step, self.share_doubt, price, own_opening)
        return Scored(pairs, judge_terms(wished), feature_matrix(plain))


def _taken_home(loans: Sequence[Loan]) -> list[Playtest]:
    """Return what became of loans, as marks."""
    if not loans:
        return []
    from matchkit.score.taken_home import mark_of

    return [mark for loan in loans if (mark := mark_of(loan)) is not None]
