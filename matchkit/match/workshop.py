"""The parts of a house and everything that can be computed from them, each thing once."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from functools import cached_property, partial
from typing import TypeVar

import numpy as np
from numpy.typing import NDArray

from matchkit import constants
from matchkit.errors import RequestError, UnknownIdError
from matchkit.files import Cache
from matchkit.match.blend import Blend
from matchkit.match.contacts import ContactBook
from matchkit.match.desirability import Desirabilities, desirabilities, terms_for
from matchkit.match.features import FEATURES, feature_matrix, has_cone, term_inputs
from matchkit.match.fit import FITS, pair_reasons
from matchkit.match.kept import kept_blend, kept_facings, solve_or_read
from matchkit.match.pairs import Pairs, empty_pairs, make_pairs
from matchkit.match.parts import (
    FacingPart,
    ReedPart,
    facing_part,
)
from matchkit.match.rated import DEFAULT_SETTINGS, RatedTests, Settings, own_weights
from matchkit.match.reed_bench import ReedBench
from matchkit.match.target import LIKED, PlayerView, Present, Targets, set_targets, view_player
from matchkit.match.typed import Visitor, typed_reed
from matchkit.match.uncertainty import Uncertainty, uncertainty_of
from matchkit.match.wishes import Wishes, understand
from matchkit.records.defaults import Defaults
from matchkit.records.parts import FacingReading, LayPoint, Ligature, Mouthpiece, Neck, ProfilePoint, Reed, StrengthStep
from matchkit.records.people import Player, Playtest
from matchkit.records.spec import HouseSpec

Array = NDArray[np.float64]
Index = NDArray[np.intp]
Item = TypeVar("Item")

NO_WISH = understand(())


@dataclass(frozen=True)
class Stock:
    """The records of a house, as the workshop needs them."""

    mouthpieces: Sequence[Mouthpiece]
    facings: Sequence[FacingReading]
    lay_points: Sequence[LayPoint]
    reeds: Sequence[Reed]
    reed_profiles: Sequence[ProfilePoint]
    strength_scale: Sequence[StrengthStep]
    ligatures: Sequence[Ligature]
    necks: Sequence[Neck]
    players: Sequence[Player]
    playtests: Sequence[Playtest]
    spec: HouseSpec
    defaults: Defaults


@dataclass(frozen=True)
class Scored:
    """Pairs of one player, with their terms under a wish and their features without one."""

    pairs: Pairs
    terms: Desirabilities
    features: Array


class Workshop:
    """Parts, closing, players and the fitted model of one house; computed when first asked for."""

    def __init__(self, stock: Stock, *, cache: Cache | None = None) -> None:
        self.stock = stock
        self._model: Blend | Settings = DEFAULT_SETTINGS
        self.spec = stock.spec
        self.cache = Cache(None) if cache is None else cache
        self.book = ContactBook(partial(solve_or_read, cache=self.cache))
        self._bench = ReedBench(
            stock.reeds, stock.reed_profiles, stock.strength_scale, defaults=stock.defaults, spec=stock.spec
        )
        self._views: dict[str, PlayerView] = {}
        self._fitting: dict[str, Pairs] = {}

    @cached_property
    def facings(self) -> tuple[FacingPart, ...]:
        """Every mouthpiece with its lay, by id."""
        stock = self.stock
        parts = kept_facings(
            stock.mouthpieces, stock.facings, stock.lay_points, defaults=stock.defaults, spec=self.spec, cache=self.cache
        )
        return tuple(sorted(parts, key=lambda part: part.mouthpiece.id))

    @cached_property
    def reeds(self) -> tuple[ReedPart, ...]:
        """Every reed with shape and modulus, by id."""
        return tuple(self._bench.part(reed) for reed in sorted(self.stock.reeds, key=lambda reed: reed.id))

    @cached_property
    def ligatures(self) -> tuple[Ligature, ...]:
        """Every ligature, by id."""
        return tuple(sorted(self.stock.ligatures, key=lambda item: item.id))

    def facing(self, mouthpiece_id: str) -> FacingPart:
        """Give one mouthpiece; UnknownIdError where there is none."""
        return find(self.facings, mouthpiece_id, "mouthpiece", lambda part: part.mouthpiece.id)

    def reed(self, reed_id: str) -> ReedPart:
        """Give one reed; UnknownIdError where there is none."""
        return find(self.reeds, reed_id, "reed", lambda part: part.reed.id)

    def ligature(self, ligature_id: str) -> Ligature:
        """Give one ligature; UnknownIdError where there is none."""
        return find(self.ligatures, ligature_id, "ligature", lambda item: item.id)

    def pairs(
        self,
        facings: Sequence[FacingPart],
        reeds: Sequence[ReedPart],
        mouthpiece: Index,
        reed: Index,
        *,
        lip_mm: float | Array,
        offset_mm: float | Array = 0.0,
        jobs: int = 1,
        progress: Callable[[int, int], None] | None = None,
    ) -> Pairs:
        """Solve pairs of the given parts, each distinct problem once."""
        if not mouthpiece.size:
            return empty_pairs()
        self.book.know(facings, reeds)
        shape = mouthpiece.shape
        return make_pairs(
            self.book,
            facings,
            reeds,
            mouthpiece=mouthpiece,
            reed=reed,
            offset_mm=np.broadcast_to(np.asarray(offset_mm, dtype=float), shape),
            lip_mm=np.broadcast_to(np.asarray(lip_mm, dtype=float), shape),
            jobs=jobs,
            progress=progress,
        )

    def uncertainty(self, pairs: Pairs, facings: Sequence[FacingPart], reeds: Sequence[ReedPart]) -> Uncertainty:
        """Return how sure the closing pressures of pairs are."""
        return uncertainty_of(self.book, pairs, facings, reeds, u_profile_mm=self.spec.gauge.u_profile_mm)

    # players

    def view(self, person: str | Player | Visitor, *, neck_id: str | None = None) -> PlayerView:
        """Give a player of the tables, or a visitor, as the score sees them."""
        if isinstance(person, Visitor):
            return self._view_visitor(person, neck_id)
        player = find(self.stock.players, person, "player", lambda item: item.id) if isinstance(person, str) else person
        if neck_id is None and player.id in self._views:
            return self._views[player.id]
        facing = None if player.mouthpiece_id is None else self.facing(player.mouthpiece_id)
        reed = None if player.reed_id is None else self.reed(player.reed_id)
        view = self._view(player, facing, reed, player.ligature_id, (), neck_id or player.neck_id)
        if neck_id is None:
            self._views[player.id] = view
        return view

    def _view_visitor(self, visitor: Visitor, neck_id: str | None) -> PlayerView:
        player = Player.model_validate(
            {
                "id": constants.VISITOR,
                "instrument": visitor.instrument,
                "embouchure": visitor.embouchure,
                "blow_kpa": visitor.blow_kpa,
                "lip_mm": visitor.lip_mm,
            }
        )
        typed: list[str] = []
        facing = None if visitor.mouthpiece_id is None else self.facing(visitor.mouthpiece_id)
        if facing is None and visitor.tip_opening_mm is not None:
            tip = round(visitor.tip_opening_mm, 4)
            name = f"{visitor.instrument} mouthpiece of {tip:.4g} mm, as typed"
            piece = Mouthpiece(id=name, instrument=visitor.instrument, tip_opening_mm=tip)
            facing = facing_part(piece, (), defaults=self.stock.defaults, spec=self.spec)
            typed.append(f"present mouthpiece known by its tip opening only, {visitor.tip_opening_mm:.2f} mm")
        reed = None if visitor.reed_id is None else self.reed(visitor.reed_id)
        if reed is None and visitor.strength is not None:
            reed = typed_reed(self._bench, self.reeds, visitor)
            family = f" {visitor.profile_id}" if visitor.profile_id else ""
            how = "on its own scale" if family else "taken as this house numbers them"
            typed.append(f"present reed known as{family} {visitor.strength:g} only, {how}")
        return self._view(player, facing, reed, visitor.ligature_id, tuple(typed), neck_id or visitor.neck_id)

    def _view(
        self,
        player: Player,
        facing: FacingPart | None,
        reed: ReedPart | None,
        ligature_id: str | None,
        typed: tuple[str, ...],
        neck_id: str | None,
    ) -> PlayerView:
        if ligature_id is not None:
            self.ligature(ligature_id)
        present = None
        if facing is not None and reed is not None:
            lip = constants.LIP_PLACE[player.instrument] if player.lip_mm is None else player.lip_mm
            pair = self.pairs((facing,), (reed,), np.array([0]), np.array([0]), lip_mm=lip)
            present = Present(facing, reed, pair, ligature_id)
        neck = None if neck_id is None else find(self.stock.necks, neck_id, "neck", lambda item: item.id)
        if neck is not None and neck.instrument != player.instrument:
            raise RequestError(f"the neck {neck.id} is for {neck.instrument}; expected one for {player.instrument}")
        return view_player(
            player,
            present=present,
            present_facing=facing,
            present_reed=reed,
            ligature_id=ligature_id,
            typed=typed,
            neck=self._default_neck(player.instrument) if neck is None else neck,
            neck_assumed=neck is None,
        )

    def _default_neck(self, instrument: constants.Instrument) -> Neck | None:
        try:
            bore = self.stock.defaults.scalar(instrument, "neck_bore_mm").value
            angle = self.stock.defaults.scalar(instrument, "neck_half_angle_deg").value
        except KeyError:
            return None  # a cylinder misses no cone
        return Neck(id="default", instrument=instrument, bore_mm=bore, half_angle_deg=angle)

    # targets and terms

    def fitting_pairs(self, instrument: constants.Instrument) -> Pairs:
        """Give every pair of an instrument that fits, whatever is in stock."""
        if instrument not in self._fitting:
            self._fitting[instrument] = self._every_fitting_pair(instrument)
        return self._fitting[instrument]

    def _every_fitting_pair(self, instrument: constants.Instrument) -> Pairs:
        facings = tuple(part for part in self.facings if part.mouthpiece.instrument == instrument)
        reeds = self.instrument_reeds(instrument)
        if not facings or not reeds:
            return empty_pairs()
        view = view_player(Player(id="?", instrument=instrument))
        reasons = pair_reasons(facings, reeds, instrument=instrument, across=False, in_stock=False, wishes=NO_WISH, view=view)
        mouthpiece, reed = np.nonzero(reasons == FITS)
        return self.pairs(facings, reeds, mouthpiece, reed, lip_mm=constants.LIP_PLACE[instrument])

    def instrument_reeds(self, instrument: str) -> tuple[ReedPart, ...]:
        """Give the reeds of an instrument."""
        return tuple(part for part in self.reeds if part.reed.instrument == instrument)

    @cached_property
    def rated(self) -> tuple[Playtest, ...]:
        """Playtests with an overall mark, by id; those on another instrument than the player's own teach nothing here."""
        plays = {player.id: player.instrument for player in self.stock.players}
        made = {piece.id: piece.instrument for piece in self.stock.mouthpieces}
        kept = (t for t in self.stock.playtests if t.overall is not None and plays[t.player_id] == made[t.mouthpiece_id])
        return tuple(sorted(kept, key=lambda test: test.id))

    @cached_property
    def _test_pairs(self) -> Pairs:
        piece = {part.mouthpiece.id: place for place, part in enumerate(self.facings)}
        reed = {part.reed.id: place for place, part in enumerate(self.reeds)}
        lips = {
            player.id: constants.LIP_PLACE[player.instrument] if player.lip_mm is None else player.lip_mm
            for player in self.stock.players
        }
        if not self.rated:
            return empty_pairs()
        return self.pairs(
            self.facings,
            self.reeds,
            np.array([piece[test.mouthpiece_id] for test in self.rated]),
            np.array([reed[test.reed_id] for test in self.rated]),
            lip_mm=np.array([lips[test.player_id] for test in self.rated]),
            offset_mm=np.array([test.reed_offset_mm for test in self.rated]),
        )

    def _liked(self, instrument: str) -> Pairs:
        rows = [
            row
            for row, test in enumerate(self.rated)
            if (test.overall or 0.0) >= LIKED
            and self.facings[self._test_pairs.mouthpiece[row]].mouthpiece.instrument == instrument
        ]
        return self._test_pairs.take(np.array(rows, dtype=np.intp))

    def targets(
        self, view: PlayerView, reeds: Sequence[ReedPart], wishes: Wishes = NO_WISH, *, training: bool = False
    ) -> Targets:
        """Choose what to aim at for one player, under a wish.

        In ``training`` nothing is aimed at the middle of what the house happens to have, so that another part changes nothing that
        was learned.
        """
        instrument = view.player.instrument
        needs_medians = view.present is None
        return set_targets(
            view,
            liked=self._liked(instrument) if needs_medians else empty_pairs(),
            liked_reeds=self.reeds,
            fitting=self.fitting_pairs(instrument) if needs_medians and not training else empty_pairs(),
            fitting_reeds=self.instrument_reeds(instrument),
            reeds=reeds,
            wishes=wishes,
            wish_step=self.spec.wish_step,
        )

    def score(
        self,
        view: PlayerView,
        pairs: Pairs,
        facings: Sequence[FacingPart],
        reeds: Sequence[ReedPart],
        *,
        wishes: Wishes = NO_WISH,
        training: bool = False,
    ) -> Scored:
        """Compute the terms of pairs under a wish, and their features without one."""
        terms = terms_for(cone=has_cone(view.neck), tone=abs(wishes.tone), even=wishes.even)
        step = self.spec.wish_step
        plain_targets = self.targets(view, reeds, training=training)
        plain = term_inputs(self.book, pairs, facings, reeds, view=view, targets=plain_targets, wishes=NO_WISH, wish_step=step)
        inputs = plain
        if wishes != NO_WISH:
            inputs = term_inputs(
                self.book,
                pairs,
                facings,
                reeds,
                view=view,
                targets=self.targets(view, reeds, wishes),
                wishes=wishes,
                wish_step=step,
            )
        features = feature_matrix(pairs, plain, facings, reeds, instrument=view.player.instrument, view=view)
        return Scored(pairs, desirabilities(inputs, terms, wish_step=step), features)

    # learning

    @cached_property
    def rated_tests(self) -> RatedTests:
        """The rated playtests as the blend learns from them: D and features of each for its own player, without a wish."""
        pairs = self._test_pairs
        by_player: dict[str, list[int]] = defaultdict(list)
        for row, test in enumerate(self.rated):
            by_player[test.player_id].append(row)
        overall = np.zeros(len(self.rated))
        features = np.zeros((len(self.rated), len(FEATURES)))
        for player_id, rows in by_player.items():
            mine = np.array(rows, dtype=np.intp)
            scored = self.score(self.view(player_id), pairs.take(mine), self.facings, self.reeds, training=True)
            overall[mine] = scored.terms.overall
            features[mine] = scored.features
        return RatedTests(
            ids=tuple(test.id for test in self.rated),
            players=tuple(test.player_id for test in self.rated),
            mouthpieces=tuple(test.mouthpiece_id for test in self.rated),
            reeds=tuple(test.reed_id for test in self.rated),
            sessions=tuple(test.session for test in self.rated),
            instruments=tuple(self.facings[place].mouthpiece.instrument for place in pairs.mouthpiece),
            ligatures=tuple(test.ligature_id for test in self.rated),
            rating=np.array([float(test.overall or 0.0) for test in self.rated]),
            overall_d=overall,
            features=features,
            weight=own_weights(self.rated),
        )

    @cached_property
    def blend(self) -> Blend:
        """The model that was given, or else one fitted to this house's playtests with the settings that were, or the default ones."""
        return self._model if isinstance(self._model, Blend) else self.fitted(self._model)

    def take(self, model: Blend | Settings) -> None:
        """Go by a model from elsewhere, or by its settings, from now on."""
        self._model = model
        self.__dict__.pop("blend", None)

    def fitted(self, settings: Settings) -> Blend:
        """Return a model fitted to this house's playtests with these settings."""
        return kept_blend(self.rated_tests, self.ligatures, settings, self.cache)

    def train(self, *, jobs: int = 1, progress: Callable[[int, int], None] | None = None) -> Blend:
        """Fit a model with settings chosen on this house's playtests."""
        from matchkit.match.choosing import choose_settings

        return self.fitted(choose_settings(self.rated_tests, self.ligatures, jobs=jobs, progress=progress))


def find(items: Iterable[Item], wanted: str, kind: str, name: Callable[[Item], str]) -> Item:
    """Give the item of this id; raises UnknownIdError with the nearest ids where there is none."""
    everything = list(items)
    for item in everything:
        if name(item) == wanted:
            return item
    from difflib import get_close_matches

    near = get_close_matches(wanted, [name(item) for item in everything], n=3, cutoff=0.5)
    hint = f"; did you mean {', '.join(near)}?" if near else ""
    raise UnknownIdError(f"no {kind} has the id '{wanted}'{hint}")
