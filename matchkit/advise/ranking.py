"""Rank every set-up that fits for a player, best first."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from matchkit.advise.answers import NextTry, Ranking, Setup
from matchkit.advise.explain import deciding_mark, favourite, present_setup
from matchkit.advise.heard import POINTS, tastes
from matchkit.advise.next_try import least_price, next_tries, within_budget
from matchkit.advise.requests import (
    check_request,
    check_wishes,
    find_complaint,
    incomparable,
    keep_others,
    understand_all,
    wrong_order,
)
from matchkit.advise.search import Candidates, Placed, rank_candidates
from matchkit.advise.setups import SetupMaker
from matchkit.constants import DECIMALS, UNKNOWN
from matchkit.errors import RequestError
from matchkit.facts import FITS, PARTS, ModelUse, Part, PartIds, Refusal
from matchkit.learn.learner import Learner
from matchkit.pairs.table import PairTable
from matchkit.parts.facing import FacingPart
from matchkit.parts.fits import NOTHING_OUT, count_refused, ligature_refusals, pair_refusals
from matchkit.parts.reed import ReedPart
from matchkit.parts.said import CONTACTS, said_facing, said_reed
from matchkit.parts.stock import Parts
from matchkit.parts.typed import main_scale
from matchkit.records.parts import Ligature
from matchkit.results import Progress
from matchkit.score.player import PlayerView, Visitor
from matchkit.score.scorer import Scored, Scorer
from matchkit.score.wishes import Wishes

Flags = NDArray[np.bool_]

AnyPart = FacingPart | ReedPart | Ligature
MET_WITHIN = 0.5
"""Half strengths within which a wish for resistance is met."""
HARDLY, SURELY = 5.0, 3
"""Points of 100 that a favourite is hardly marked higher by, and how often it must be marked to be named all the same."""
RIVALS = 12
"""Best lines among which it is looked for one that would be first without one mark."""


@dataclass(frozen=True)
class Wanted:
    """What a ranking is asked for; the arguments of ``House.rank``."""

    wish: tuple[str, ...]
    complaint: tuple[str, ...]
    fixed: Mapping[str, Sequence[AnyPart | str]]
    change: str | None
    in_stock: bool
    budget: float | None
    top: int
    alike: bool
    across: bool
    neck: str | None


@dataclass(frozen=True)
class Offer:
    """The parts a question is about."""

    facings: tuple[FacingPart, ...]
    reeds: tuple[ReedPart, ...]
    ligatures: tuple[Ligature, ...]

    @property
    def combinations(self) -> int:
        """How many set-ups there are, fitting or not."""
        return len(self.facings) * len(self.reeds) * max(len(self.ligatures), 1)


def rank_setups(
    learner: Learner, player: str | Visitor, wanted: Wanted, *, model: ModelUse, jobs: int, progress: Progress | None
) -> Ranking:
    """Rank every set-up that fits for a player, best first; ``model`` says what the scores are learned from."""
    check_request(top=wanted.top, jobs=jobs, budget=wanted.budget)
    complaints = dict(find_complaint(word) for word in wanted.complaint)
    wishes = understand_all(wanted.wish, complaints)
    scorer = learner.scorer
    view = scorer.view(player, neck_id=wanted.neck)
    check_wishes(wishes, view)
    offer = _offered(learner, wanted, view)
    out = learner.parts.stock.out
    refusals = _refusals(offer, view, wishes, across=wanted.across, in_stock=wanted.in_stock, out=out)
    if "reed" not in wanted.fixed and wanted.change != "ligature":
        apart = np.tile(incomparable(offer.reeds, view), (len(offer.facings), 1))
        if not wishes.words:  # which way it would differ cannot be told
            _keep_marked(apart, offer, learner, view)
        refusals[(refusals == FITS) & apart] = Refusal.NOT_COMPARABLE
    bands = ligature_refusals(offer.facings, offer.ligatures, in_stock=wanted.in_stock, owned=view.their_ids, out=out)
    _keep_theirs(bands, offer, view)
    refused: dict[Refusal, int] = count_refused(refusals, bands)
    pairs = scorer.grid(offer.facings, offer.reeds, lip_m=view.lip_m, fits=refusals == FITS, jobs=jobs, progress=progress)
    fits = (bands == FITS)[pairs.facing_of]
    cheapest = None
    if wanted.budget is not None:
        affordable = within_budget(wanted.budget, pairs, offer.ligatures, view=view)
        cheapest = least_price(pairs, offer.ligatures, fits, view=view)
        refused[Refusal.OVER_BUDGET] = int((~affordable if not offer.ligatures else fits & ~affordable).sum())
        if offer.ligatures:
            fits = fits & affordable
        else:
            pairs = pairs.select(affordable[:, 0])
            fits = np.ones((len(pairs), 0), dtype=bool)
    stays = wanted.change in ("reed", "ligature")
    scored = scorer.score(view, pairs, wishes=wishes, own_opening=stays)
    blend = learner.blend
    best = rank_candidates(
        Candidates(scored, fits),
        blend,
        offer.ligatures,
        instrument=view.player.instrument,
        player=view.player.id,
        top=max(wanted.top, RIVALS),
        unlike=0 if wanted.alike else wanted.top,
        owned=view.owned,
        progress=progress,
    )
    rivals, placed = best.lines[:RIVALS], (best.lines if wanted.alike else best.unlike)[: wanted.top]
    maker = SetupMaker(learner, blend, view, scored, offer.ligatures)
    rows = maker.setups(placed)
    present = present_setup(learner, view, wishes, own_opening=stays)
    enough = None
    if wanted.change is None and not wanted.fixed and not wanted.alike:
        enough = _reed_alone(learner, view, wishes, offer, refusals == FITS, wanted.budget)
        enough = enough if _does_most(enough, rows, present) else None
    if enough is not None:
        others = [row for row in rows if (row.mouthpiece_id, row.reed_id) != (enough.mouthpiece_id, enough.reed_id)]
        rows = tuple(replace(row, position=place) for place, row in enumerate([enough, *others][: wanted.top], start=1))
    liked = favourite(learner, view, wishes, offer.facings, offer.reeds, own_opening=stays)
    liked = None if liked is None or _is_told(liked, rows) or _is_barred(liked, wanted) else liked
    parts: dict[Part, Any] = {"mouthpiece": view.present_facing, "reed": view.present_reed}
    aimed = scorer.targets(view, learner.parts.reeds_for(view.player.instrument), wishes).aimed
    return Ranking(
        player=view.player.id,
        wish=wishes.words,
        aimed=aimed,
        model=model,
        rows=rows,
        refused={reason: count for reason, count in refused.items() if count},
        combinations=offer.combinations,
        present=present,
        wish_step=scorer.spec.wish_step,
        change=wanted.change,
        reed_alone=enough is not None,
        budget=wanted.budget,
        cheapest=cheapest,
        typed=view.typed,
        present_unknown=tuple(part for part, known in parts.items() if known is None),
        uncompared=_uncompared(offer.reeds, view),
        uncompared_shown=_shows_uncompared(offer.reeds, rows, view),
        interval=view.player.instrument in blend.by_instrument,
        complaint=tuple(complaints),
        first_try=tuple(dict.fromkeys(step for item in complaints.values() for step in item.free)),
        next_tries=_next_tries(scorer, pairs, rows, wanted.budget),
        tastes=tastes(blend, view.player.instrument, view.player.id, wish_step=scorer.spec.wish_step),
        deciding=None
        if enough is not None or not _beats(rows, present)
        else deciding_mark(learner, maker, rivals, Candidates(scored, fits), offer.ligatures, view),
        passed_over=best.passed and not wanted.alike,
        missing=_missing(offer, view.player.instrument),
        instrument=view.player.instrument,
        favourite=liked,
        favourite_apart=liked is not None and bool(wishes.words) and _apart(learner.parts.reed(liked.reed_id), offer, view),
        measured_first=None if view.level is None or view.present is not None else _measured_first(scored, fits, rows),
    )


def _beats(rows: Sequence[Setup], present: Setup | None) -> bool:
    """Tell whether anything that is offered is better than what is played."""
    return bool(rows) and (present is None or rows[0].score > present.score)


def _is_told(liked: Setup, rows: Sequence[Setup]) -> bool:
    """Tell a favourite that needs no word: it is shown, or played now, or marked hardly higher than what is expected of the first.

    Marked three times or more it is somebody's favourite though the marks are hardly higher.
    """
    pair = liked.mouthpiece_id, liked.reed_id
    shown = liked.is_present or any((row.mouthpiece_id, row.reed_id) == pair for row in rows)
    if shown or not rows or liked.played is None or liked.played.mean is None:
        return shown
    gain = POINTS * liked.played.mean - rows[0].score
    return gain <= 0 or (gain < HARDLY and liked.played.times < SURELY)


def _is_barred(liked: Setup, wanted: Wanted) -> bool:
    """Tell a favourite that was not asked for: over the budget, or of which there is nothing in stock."""
    dear = wanted.budget is not None and liked.price is not None and liked.price > wanted.budget
    return dear or (wanted.in_stock and bool(liked.gone))


def _apart(reed: ReedPart, offer: Offer, view: PlayerView) -> bool:
    """Tell a reed that cannot be held against the one that is played."""
    reeds = [reed, *(part for part in offer.reeds if part.id != reed.id)]
    return bool(incomparable(reeds, view)[0])


def _measured_first(scored: Scored, fits: Flags, rows: Sequence[Setup]) -> PartIds | None:
    """Return the mouthpiece and reed that the measurements alone would put first, where marks put another mouthpiece there."""
    able = np.flatnonzero(fits.any(axis=1) if fits.shape[1] else np.ones(len(scored.pairs), dtype=bool))
    if not rows or not len(able):
        return None
    best = int(able[scored.terms.overall[able].round(DECIMALS).argmax()])
    mouthpiece, reed = scored.pairs.facing(best).id, scored.pairs.reed(best).id
    return None if mouthpiece == rows[0].mouthpiece_id else PartIds(mouthpiece, reed, None)


def _of_contact(parts: Parts, said: Sequence[AnyPart | str]) -> list[AnyPart | str]:
    """Return what was said of ligatures, a contact standing for every ligature of the house that touches the reed so."""
    found: list[AnyPart | str] = []
    for one in said:
        alike = [item for item in parts.ligatures if item.contact == one] if one in CONTACTS else []
        found += alike or [one]
    return found


def _keep_theirs(bands: NDArray[np.object_], offer: Offer, view: PlayerView) -> None:
    """Let a ligature that nobody told stay on their own mouthpiece, where it fits, and nowhere else; one that they play there fits, whatever was measured."""
    for column, item in enumerate(offer.ligatures):
        if item.id == view.owned.ligature:
            bands[[part.id == view.owned.mouthpiece for part in offer.facings], column] = FITS
        if item.id == UNKNOWN:
            own = np.array([part.id == view.owned.mouthpiece for part in offer.facings], dtype=bool)
            bands[own] = Refusal.THEIRS_STAYS
            bands[:, column] = np.where(own, FITS, Refusal.THEIRS_STAYS)


def _missing(offer: Offer, instrument: str) -> tuple[Part, ...]:
    """Return the kinds of part of which none is for an instrument; a house without any ligature needs none."""
    kinds: dict[Part, set[str | None]] = {
        "mouthpiece": {part.mouthpiece.instrument for part in offer.facings},
        "reed": {part.reed.instrument for part in offer.reeds},
        "ligature": {item.instrument for item in offer.ligatures} or {None},
    }
    return tuple(part for part, there in kinds.items() if not there & {instrument, None})


def _next_tries(scorer: Scorer, pairs: PairTable, rows: Sequence[Setup], budget: float | None) -> tuple[NextTry, ...]:
    """Return the one part to change if the first row is wrong, what costs more than a budget left out."""
    if not rows:
        return ()
    if budget is not None:
        dear = pairs.of_facings(lambda part: (part.mouthpiece.price or 0.0) > budget and part.id != rows[0].mouthpiece_id)
        dear = dear + pairs.of_reeds(lambda part: (part.reed.price or 0.0) > budget and part.id != rows[0].reed_id)
        pairs = pairs.select(np.flatnonzero(dear == 0))
    first = pairs.of_facings(lambda part: part.id == rows[0].mouthpiece_id) * pairs.of_reeds(
        lambda part: part.id == rows[0].reed_id
    )
    return next_tries(pairs, pairs.select(np.flatnonzero(first)[:1]), step_ln=-float(np.log(scorer.spec.wish_step)))


def _reed_alone(
    learner: Learner, view: PlayerView, wishes: Wishes, offer: Offer, fits: Flags, budget: float | None
) -> Setup | None:
    """Return the cheapest set-up in which only the reed changes and that meets a wish for resistance within half a step; None where none does."""
    present, instrument = view.present, view.player.instrument
    if present is None or not wishes.resistance or wishes.opening or wishes.tone or wishes.even:
        return None
    place = next((place for place, part in enumerate(offer.facings) if part.id == present.facing.id), None)
    if place is None:
        return None
    reeds = [part for part, fit in zip(offer.reeds, fits[place], strict=True) if fit and part.id != present.reed.id]
    dear = np.inf if budget is None else budget
    reeds = [part for part in reeds if part.scale == present.reed.scale and (part.reed.price or 0.0) <= dear + 1e-9]
    if not reeds:
        return None
    pairs = learner.scorer.grid((present.facing,), reeds, lip_m=view.lip_m)
    scored = learner.scorer.score(view, pairs, wishes=wishes)
    names = [term.name for term in scored.terms.terms]
    near = np.flatnonzero(np.abs(scored.terms.value[names.index("resistance")]).round(DECIMALS) <= MET_WITHIN)
    if not len(near):
        return None
    ligatures = () if view.ligature_id is None else (learner.parts.ligature(view.ligature_id),)
    some = learner.scorer.score(view, pairs.select(near), wishes=wishes)
    found = rank_candidates(
        Candidates(some, np.ones((len(near), len(ligatures)), dtype=bool)),
        learner.blend,
        ligatures,
        instrument=instrument,
        player=view.player.id,
        top=len(near),
        owned=view.owned,
    )

    def cost(line: Placed) -> tuple[float, float, str]:
        reed = some.pairs.reed(line.pair).reed
        return np.inf if reed.price is None else reed.price, -line.score, reed.id

    return SetupMaker(learner, learner.blend, view, some, ligatures).setups([min(found.lines, key=cost)])[0]


def _does_most(alone: Setup | None, rows: Sequence[Setup], present: Setup | None) -> bool:
    """Tell whether changing the reed alone gains at least half of what the best set-up gains, which changes more."""
    if alone is None or present is None or not rows or alone.score <= present.score:
        return False
    return 2 * (alone.score - present.score) >= rows[0].score - present.score


def _offered(learner: Learner, wanted: Wanted, view: PlayerView) -> Offer:
    """Return the parts a question is about: all of the house and what is owned, or the fixed ones of a kind."""
    strange = sorted(set(wanted.fixed) - set(PARTS))
    if strange:
        raise RequestError(f"{', '.join(strange)} cannot be fixed; expected {', '.join(PARTS)}")
    parts, instrument = learner.parts, view.player.instrument
    wanted = replace(wanted, fixed={**wanted.fixed, "ligature": _of_contact(parts, wanted.fixed.get("ligature", ()))})
    against = [kind for kind in wanted.fixed if wanted.fixed[kind] and wanted.change not in (None, kind)]
    if against:
        raise RequestError(
            f"only the {wanted.change} may change, and another {against[0]} is asked for: leave one of the two out"
        )
    kept = {**keep_others(wanted.change, view, parts), **{kind: tuple(some) for kind, some in wanted.fixed.items() if some}}

    def of(kind: str, said: Callable[[Parts, str, str | None], Any], every: Sequence[Any], own: Any) -> tuple[Any, ...]:
        if kind in kept:
            return tuple(
                {
                    part.id: part
                    for part in (said(parts, one, instrument) if isinstance(one, str) else one for one in kept[kind])
                }.values()
            )
        theirs = () if own is None or any(part.id == own.id for part in every) else (own,)
        return (*every, *theirs)

    present = None if view.ligature_id is None else parts.ligature(view.ligature_id)
    if view.ligature_id is None and view.present is not None and wanted.change is None and parts.ligatures:
        present = Ligature(id=UNKNOWN)
    return Offer(
        of("mouthpiece", said_facing, parts.facings, view.present_facing),
        of("reed", said_reed, parts.reeds, view.present_reed),
        of("ligature", lambda house, one, _: house.ligature(one), parts.ligatures, present),
    )


def _refusals(
    offer: Offer,
    view: PlayerView,
    wishes: Wishes,
    *,
    across: bool = False,
    in_stock: bool = False,
    out: Mapping[str, int] = NOTHING_OUT,
) -> NDArray[np.object_]:
    """Return the first reason against each pair (M, R), those that hang on the wish last."""
    kind, owned = view.player.instrument, view.their_ids
    reasons = pair_refusals(offer.facings, offer.reeds, instrument=kind, across=across, in_stock=in_stock, owned=owned, out=out)
    ruled_out, reason = wrong_order(offer.reeds, view, wishes)
    reasons[(reasons == FITS) & ruled_out] = reason
    return reasons


def _keep_marked(apart: NDArray[np.bool_], offer: Offer, learner: Learner, view: PlayerView) -> None:
    """Let pairs (M, R) that a player has marked stay: what was played needs no comparison of reeds."""
    facings = {part.id: place for place, part in enumerate(offer.facings)}
    reeds = {part.id: place for place, part in enumerate(offer.reeds)}
    for mouthpiece, reed in learner.marked_pairs(view.player.id):
        if mouthpiece in facings and reed in reeds:
            apart[facings[mouthpiece], reeds[reed]] = False


def _shows_uncompared(reeds: Sequence[ReedPart], rows: Sequence[Setup], view: PlayerView) -> bool:
    """Tell whether a set-up that is shown has a reed of a line that is not placed but for the player's marks on it."""
    shown = {row.reed_id for row in rows}
    lines = _uncompared(reeds, view)
    return any((part.scale or part.line) in lines for part in reeds if part.id in shown)


def _uncompared(reeds: Sequence[ReedPart], view: PlayerView) -> tuple[str, ...]:
    """Return the lines of an instrument's reeds that cannot be compared with the one that is played, else with most reeds of the house."""
    mine = [part for part in reeds if part.reed.instrument == view.player.instrument]
    main = main_scale(mine) if view.present is None else view.present.reed.scale
    if main == "":
        return ()  # none is compared with another, and all are placed by what their numbers usually mean
    return tuple(sorted({part.scale or part.line for part in mine if part.scale != main}))
