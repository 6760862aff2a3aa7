"""The two large questions: rank every set-up for a player, and explain one of them."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from matchkit.advise.answers import Explanation, Ranking, Setup
from matchkit.advise.heard import tastes
from matchkit.advise.next_try import next_tries, within_budget
from matchkit.advise.requests import assumed_of, check_request, check_wishes, find_complaint, keep_others, wrong_order
from matchkit.advise.search import Candidates, rank_candidates
from matchkit.advise.setups import SetupMaker
from matchkit.errors import RequestError
from matchkit.facts import FITS, PARTS, ModelUse, Part, Refusal
from matchkit.learn.learner import Learner
from matchkit.pairs.table import PairTable
from matchkit.parts.facing import FacingPart
from matchkit.parts.fits import count_refused, ligature_refusals, pair_refusals
from matchkit.parts.reed import ReedPart
from matchkit.records.parts import Ligature
from matchkit.results import Progress
from matchkit.score.player import PlayerView, Visitor
from matchkit.score.wishes import Wishes, understand

Flags = NDArray[np.bool_]

RIVALS = 12
"""Best lines among which it is looked for one that would be first without one mark."""


@dataclass(frozen=True)
class Wanted:
    """What a ranking is asked for; the arguments of ``House.rank``."""

    wish: tuple[str, ...]
    complaint: tuple[str, ...]
    fixed: Mapping[str, str]
    change: str | None
    in_stock: bool
    budget: float | None
    top: int
    different: bool
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
    complaints = [find_complaint(word) for word in wanted.complaint]
    wishes = understand([*wanted.wish, *(item.wish for item in complaints if item.wish is not None)])
    scorer = learner.scorer
    view = scorer.view(player, neck_id=wanted.neck)
    check_wishes(wishes, view)
    offer = _offered(learner, {**keep_others(wanted.change, view), **wanted.fixed})
    refusals = _refusals(offer, view, wishes, across=wanted.across, in_stock=wanted.in_stock)
    bands = ligature_refusals(offer.facings, offer.ligatures, in_stock=wanted.in_stock)
    refused: dict[Refusal, int] = count_refused(refusals, bands)
    pairs = scorer.grid(offer.facings, offer.reeds, lip_m=view.lip_m, fits=refusals == FITS, jobs=jobs, progress=progress)
    fits = (bands == FITS)[pairs.facing_of]
    if wanted.budget is not None:
        affordable = within_budget(wanted.budget, pairs, offer.ligatures, owned=view.owned)
        refused[Refusal.OVER_BUDGET] = int((fits & ~affordable).sum())
        fits = fits & affordable
    stays = wanted.change in ("reed", "ligature")
    scored = scorer.score(view, pairs, wishes=wishes, own_opening=stays)
    blend = learner.blend
    placed = rank_candidates(
        Candidates(scored, fits),
        blend,
        offer.ligatures,
        instrument=view.player.instrument,
        player=view.player.id,
        top=max(wanted.top, RIVALS),
        different=wanted.different,
        progress=progress,
    )
    rivals, placed = placed[:RIVALS], placed[: wanted.top]
    parts: dict[Part, Any] = {"mouthpiece": view.present_facing, "reed": view.present_reed}
    aimed = scorer.targets(view, learner.parts.reeds_for(view.player.instrument), wishes).aimed
    maker = SetupMaker(learner, blend, view, scored, offer.ligatures)
    return Ranking(
        player=view.player.id,
        wish=wishes.words,
        aimed=aimed,
        model=model,
        rows=maker.setups(placed),
        refused={reason: count for reason, count in refused.items() if count},
        combinations=offer.combinations,
        present=_present(learner, view, wishes, own_opening=stays),
        change=wanted.change,
        typed=view.typed,
        present_unknown=tuple(part for part, known in parts.items() if known is None),
        uncompared=_uncompared(offer.reeds, view.player.instrument),
        interval=view.player.instrument in blend.by_instrument,
        complaint=tuple(" ".join(word.lower().replace("-", " ").split()) for word in wanted.complaint),
        first_try=tuple(dict.fromkeys(step for item in complaints for step in item.free)),
        next_tries=next_tries(pairs, pairs.one(placed[0].pair), step_ln=-float(np.log(scorer.spec.wish_step)))
        if placed
        else (),
        tastes=tastes(blend, view.player.instrument, view.player.id, wish_step=scorer.spec.wish_step),
        deciding=maker.deciding(rivals),
    )


def explain_setup(
    learner: Learner,
    player: str | Visitor,
    parts: tuple[str, str, str | None],
    *,
    wish: Sequence[str],
    neck: str | None,
    change: str | None = None,
    model: ModelUse,
) -> Explanation:
    """Explain one set-up (mouthpiece, reed and perhaps ligature) for a player."""
    wishes = understand(wish)
    view = learner.scorer.view(player, neck_id=neck)
    check_wishes(wishes, view)
    keep_others(change, view)
    stays = change in ("reed", "ligature")
    facing, reed = learner.parts.facing(parts[0]), learner.parts.reed(parts[1])
    ligature = None if parts[2] is None else learner.parts.ligature(parts[2])
    offer = Offer((facing,), (reed,), () if ligature is None else (ligature,))
    refused = [_refusals(offer, view, wishes)[0, 0], *ligature_refusals(offer.facings, offer.ligatures)[0]]
    blend = learner.blend
    pair = learner.scorer.pair(facing, reed, lip_m=view.lip_m)
    return Explanation(
        player=view.player.id,
        wish=wishes.words,
        aimed=learner.scorer.targets(view, (reed,), wishes).aimed,
        model=model,
        setup=_score_one(learner, view, pair, ligature, wishes, own_opening=stays),
        present=_present(learner, view, wishes, own_opening=stays),
        intercept=blend.line.intercept,
        slope=blend.line.slope,
        refused=tuple(reason for reason in refused if reason != FITS),
        assumed=(*facing.assumed, *reed.assumed, *assumed_of(view)),
        tastes=tastes(blend, view.player.instrument, view.player.id, wish_step=learner.scorer.spec.wish_step),
    )


def _offered(learner: Learner, fixed: Mapping[str, str]) -> Offer:
    """Return the parts a question is about: all of them, or the fixed one of a kind."""
    strange = sorted(set(fixed) - set(PARTS))
    if strange:
        raise RequestError(f"{', '.join(strange)} cannot be fixed; expected {', '.join(PARTS)}")
    parts = learner.parts
    return Offer(
        (parts.facing(fixed["mouthpiece"]),) if "mouthpiece" in fixed else parts.facings,
        (parts.reed(fixed["reed"]),) if "reed" in fixed else parts.reeds,
        (parts.ligature(fixed["ligature"]),) if "ligature" in fixed else parts.ligatures,
    )


def _refusals(
    offer: Offer, view: PlayerView, wishes: Wishes, *, across: bool = False, in_stock: bool = False
) -> NDArray[np.object_]:
    """Return the first reason against each pair (M, R), those that hang on the wish last."""
    reasons = pair_refusals(offer.facings, offer.reeds, instrument=view.player.instrument, across=across, in_stock=in_stock)
    ruled_out, reason = wrong_order(offer.reeds, view, wishes)
    reasons[(reasons == FITS) & ruled_out] = reason
    return reasons


def _uncompared(reeds: Sequence[ReedPart], instrument: str) -> tuple[str, ...]:
    """Return the lines of an instrument's reeds that are on no strength scale."""
    return tuple(sorted({part.scale for part in reeds if part.scale is not None and part.reed.instrument == instrument}))


def _present(learner: Learner, view: PlayerView, wishes: Wishes, *, own_opening: bool = False) -> Setup | None:
    """Score what the player plays now, under the same wish, so that the answers can be held against it."""
    if view.present is None:
        return None
    ligature = None if view.present.ligature_id is None else learner.parts.ligature(view.present.ligature_id)
    return _score_one(learner, view, view.present.pair, ligature, wishes, own_opening=own_opening)


def _score_one(
    learner: Learner, view: PlayerView, pair: PairTable, ligature: Ligature | None, wishes: Wishes, *, own_opening: bool = False
) -> Setup:
    """Score one set-up; with no ligature named, the playtests count as with an unlike one."""
    scored = learner.scorer.score(view, pair, wishes=wishes, own_opening=own_opening)
    ligatures = () if ligature is None else (ligature,)
    blend = learner.blend
    placed = rank_candidates(
        Candidates(scored, np.ones((1, len(ligatures)), dtype=bool)),
        blend,
        ligatures,
        instrument=view.player.instrument,
        player=view.player.id,
        top=1,
    )
    return SetupMaker(learner, blend, view, scored, ligatures).setups(placed)[0]
