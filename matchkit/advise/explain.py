"""One set-up for one player: scored, explained, and how sure it is that it beats another."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence

import numpy as np

from matchkit.advise.answers import Deciding, Explanation, Setup
from matchkit.advise.heard import POINTS, played, tastes
from matchkit.advise.reasons import certainty
from matchkit.advise.requests import assumed_of, check_wishes, incomparable, keep_others, wrong_order
from matchkit.advise.search import Candidates, Placed, rank_candidates
from matchkit.advise.setups import SetupMaker
from matchkit.constants import DECIMALS
from matchkit.facts import FITS, ModelUse, Refusal, Sure
from matchkit.learn.blend import fit_blend
from matchkit.learn.fitted import Band, Setups
from matchkit.learn.learner import Learner
from matchkit.pairs.table import PairTable
from matchkit.parts.facing import FacingPart
from matchkit.parts.fits import ligature_refusals, pair_refusals
from matchkit.parts.reed import ReedPart
from matchkit.parts.said import said_facing, said_reed
from matchkit.records.parts import Ligature
from matchkit.score.player import PlayerView, Visitor
from matchkit.score.wishes import Wishes, understand


def explain_setup(
    learner: Learner,
    player: str | Visitor,
    parts: tuple[str | FacingPart, str | ReedPart, str | Ligature | None],
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
    keep_others(change, view, learner.parts)
    stays = change in ("reed", "ligature")
    kind = view.player.instrument
    facing = said_facing(learner.parts, parts[0], kind) if isinstance(parts[0], str) else parts[0]
    reed = said_reed(learner.parts, parts[1], kind) if isinstance(parts[1], str) else parts[1]
    ligature = learner.parts.ligature(parts[2]) if isinstance(parts[2], str) else parts[2]
    ligatures = () if ligature is None else (ligature,)
    ruled_out, reason = wrong_order((reed,), view, wishes)
    refused = [pair_refusals((facing,), (reed,), instrument=kind)[0, 0], *ligature_refusals((facing,), ligatures)[0]]
    refused += [reason] if ruled_out[0] else []
    others = [part for part in learner.parts.reeds if part.id != reed.id]
    known = not wishes.words and (facing.id, reed.id) in learner.marked_pairs(view.player.id)
    refused += [Refusal.NOT_COMPARABLE] if not known and incomparable([reed, *others], view)[0] else []
    blend = learner.blend
    pair = learner.scorer.pair(facing, reed, lip_m=view.lip_m)
    setup = score_one(learner, view, pair, ligature, wishes, own_opening=stays)
    now = present_setup(learner, view, wishes, own_opening=stays)
    return Explanation(
        player=view.player.id,
        wish=wishes.words,
        aimed=learner.scorer.targets(view, (reed,), wishes).aimed,
        model=model,
        setup=setup,
        present=now,
        intercept=blend.line.intercept,
        slope=blend.line.slope,
        refused=tuple(reason for reason in refused if reason != FITS),
        assumed=(*facing.assumed, *reed.assumed, *assumed_of(view)),
        tastes=tastes(blend, view.player.instrument, view.player.id, wish_step=learner.scorer.spec.wish_step),
        sure=_sure_against_now(learner, view, wishes, pair, (ligature, setup), now),
    )


def _sure_against_now(
    learner: Learner,
    view: PlayerView,
    wishes: Wishes,
    pair: PairTable,
    asked: tuple[Ligature | None, Setup],
    now: Setup | None,
) -> Sure | None:
    """Return how sure it is that a set-up is marked higher, or lower, than the present one."""
    ligature, setup = asked
    if view.present is None or now is None:
        return None
    theirs = None if view.ligature_id is None else learner.parts.ligature(view.ligature_id)
    u = u_difference(learner, view, wishes, (view.present.pair, pair), (theirs, ligature))
    return None if u is None else certainty((setup.score - now.score) / POINTS, u)


def u_difference(
    learner: Learner,
    view: PlayerView,
    wishes: Wishes,
    pairs: tuple[PairTable, PairTable],
    ligatures: tuple[Ligature | None, Ligature | None],
) -> float | None:
    """Return how unsure the difference of two set-ups' marks is, in points of a mark; None where there are no marks."""
    known = learner.blend.by_instrument.get(view.player.instrument)
    if known is None:
        return None
    both = learner.scorer.score(view, pairs[0].join(pairs[1]), wishes=wishes)
    one, other = (Band() if item is None else Band(item.id, item.contact) for item in ligatures)
    setups = Setups.of_pairs(both.pairs, both.features)
    return known.u_difference(setups, view.player.id, (one, other), overall_d=both.terms.overall)


def present_setup(learner: Learner, view: PlayerView, wishes: Wishes, *, own_opening: bool = False) -> Setup | None:
    """Score what the player plays now, under the same wish, so that the answers can be held against it."""
    if view.present is None:
        return None
    ligature = None if view.present.ligature_id is None else learner.parts.ligature(view.present.ligature_id)
    return score_one(learner, view, view.present.pair, ligature, wishes, own_opening=own_opening)


def deciding_mark(
    learner: Learner,
    maker: SetupMaker,
    rivals: Sequence[Placed],
    candidates: Candidates,
    ligatures: Sequence[Ligature],
    view: PlayerView,
) -> Deciding | None:
    """Return the one mark without which another set-up would be first, where that is so when all else is learned anew without it."""
    found = maker.deciding(rivals)
    if found is None:
        return None
    tests, blend = learner.rated_tests, learner.blend
    others = tests.take(np.array([place for place, name in enumerate(tests.ids) if name != found.playtest], dtype=np.intp))
    without = fit_blend(others, blend.variances, aims=blend.aims, bounds=False)
    instrument, player = view.player.instrument, view.player.id
    best = rank_candidates(candidates, without, ligatures, instrument=instrument, player=player, top=1, owned=view.owned)
    return None if best.lines[0].pair == rivals[0].pair else found


OFTEN = 2
"""A pair that was marked so often may be somebody's favourite: once may be a slip."""


def favourite(
    learner: Learner,
    view: PlayerView,
    wishes: Wishes,
    facings: Sequence[FacingPart],
    reeds: Sequence[ReedPart],
    *,
    own_opening: bool = False,
) -> Setup | None:
    """Return what a player has marked highest of what they marked twice or more, scored as everything else; None where there is none.

    It is looked for among these mouthpieces and reeds.
    """
    known = learner.blend.by_instrument.get(view.player.instrument)
    asked = {part.id for part in facings}, {part.id for part in reeds}
    heard = [
        (round(found.mean, DECIMALS), found.times, pair)
        for pair in sorted(learner.marked_pairs(view.player.id))
        if pair[0] in asked[0]
        and pair[1] in asked[1]
        and (found := played(known, view.player.id, *pair)) is not None
        and found.mean is not None
        and found.times >= OFTEN
    ]
    if not heard:
        return None
    *_, (mouthpiece, reed) = max(heard)
    parts = learner.parts
    bands = Counter(
        test.ligature_id
        for test in learner.scorer.marked
        if (test.player_id, test.mouthpiece_id, test.reed_id) == (view.player.id, mouthpiece, reed)
    )
    band = max(bands, key=lambda name: (bands[name], name or ""))
    pair = learner.scorer.pair(parts.facing(mouthpiece), parts.reed(reed), lip_m=view.lip_m)
    return score_one(learner, view, pair, None if band is None else parts.ligature(band), wishes, own_opening=own_opening)


def score_one(
    learner: Learner, view: PlayerView, pair: PairTable, ligature: Ligature | None, wishes: Wishes, *, own_opening: bool = False
) -> Setup:
    """Score one set-up; with no ligature named, the playtests count as with an unlike one."""
    scored = learner.scorer.score(view, pair, wishes=wishes, own_opening=own_opening)
    ligatures = () if ligature is None else (ligature,)
    blend = learner.blend
    best = rank_candidates(
        Candidates(scored, np.ones((1, len(ligatures)), dtype=bool)),
        blend,
        ligatures,
        instrument=view.player.instrument,
        player=view.player.id,
        top=1,
    )
    return SetupMaker(learner, blend, view, scored, ligatures).setups(best.lines)[0]
