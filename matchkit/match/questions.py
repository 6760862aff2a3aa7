"""The two large questions: rank every set-up for a player, and explain one of them."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from matchkit.errors import RequestError
from matchkit.match.answers import Explanation, Ranking, Setup
from matchkit.match.complaints import find_complaint
from matchkit.match.counter import OVER_BUDGET, next_tries, within_budget
from matchkit.match.fit import FITS, count_refused, ligature_reasons, pair_reasons
from matchkit.match.parts import FacingPart, ReedPart
from matchkit.match.rank import Candidates, rank_candidates
from matchkit.match.requests import PARTS, aim_words, check_request, check_wishes, keep_others, person_assumptions
from matchkit.match.setups import Question, owned_parts
from matchkit.match.target import PlayerView
from matchkit.match.typed import Visitor
from matchkit.match.wishes import Wishes, understand
from matchkit.match.workshop import Workshop

Progress = Callable[[int, int], None]


@dataclass(frozen=True)
class Asked:
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


def rank_setups(
    workshop: Workshop, player: str | Visitor, asked: Asked, *, model: str, jobs: int, progress: Progress | None
) -> Ranking:
    """Rank every set-up that fits for a player, best first; ``model`` says what the scores are learned from."""
    check_request(top=asked.top, jobs=jobs, budget=asked.budget)
    complaints = [find_complaint(word) for word in asked.complaint]
    wishes = understand([*asked.wish, *(item.wish for item in complaints if item.wish is not None)])
    view = workshop.view(player, neck_id=asked.neck)
    check_wishes(wishes, view)
    kept_parts = {**keep_others(asked.change, view), **asked.fixed}
    facings, reeds, allowed = _chosen(workshop, kept_parts)
    instrument, ligatures = view.player.instrument, workshop.ligatures
    pair_refusals = pair_reasons(
        facings, reeds, instrument=instrument, across=asked.across, in_stock=asked.in_stock, wishes=wishes, view=view
    )
    ligature_refusals = ligature_reasons(facings, ligatures, in_stock=asked.in_stock)
    kept = np.array([item.id in allowed for item in ligatures], dtype=bool)
    mouthpiece, reed = np.nonzero(pair_refusals == FITS)
    pairs = workshop.pairs(facings, reeds, mouthpiece, reed, lip_mm=view.lip_mm, jobs=jobs, progress=progress)
    scored = workshop.score(view, pairs, facings, reeds, wishes=wishes)
    fits = ((ligature_refusals == FITS) & kept)[mouthpiece]
    refused = count_refused(pair_refusals, ligature_refusals[:, kept])
    if asked.budget is not None:
        affordable = within_budget(
            asked.budget, facings, reeds, ligatures, mouthpiece=mouthpiece, reed=reed, owned=owned_parts(view)
        )
        refused |= {OVER_BUDGET: int((fits & ~affordable).sum())}
        fits = fits & affordable
    candidates = Candidates(
        [facings[place].mouthpiece.id for place in mouthpiece],
        [reeds[place].reed.id for place in reed],
        [reeds[place].shape_key[0] for place in reed],
        scored.terms.overall,
        scored.features,
        fits,
    )
    blend = workshop.blend.on_line_of(view.player.id)
    question = Question(workshop, blend, view, facings, reeds, scored, ligatures)
    placed = rank_candidates(
        candidates,
        blend,
        ligatures,
        instrument=instrument,
        player=view.player.id,
        top=asked.top,
        different=asked.different,
        tested=workshop.ligatures,
        progress=progress,
    )
    return Ranking(
        player=view.player.id,
        wish=wishes.words,
        target=aim_words(workshop.targets(view, workshop.instrument_reeds(instrument), wishes), wishes),
        model=model,
        rows=question.setups(placed),
        refused={reason: count for reason, count in refused.items() if count},
        combinations=len(facings) * len(reeds) * max(int(kept.sum()), 1),
        present=_present(workshop, view, wishes),
        doubts=_doubts(workshop, view, reeds, instrument),
        first_try=tuple(dict.fromkeys(step for item in complaints for step in item.free)),
        next_tries=next_tries(pairs, placed[0].pair, facings, reeds, wish_step=workshop.spec.wish_step) if placed else (),
        own_line=workshop.blend.own_line(view.player.id),
    )


def explain_setup(
    workshop: Workshop,
    player: str | Visitor,
    parts: tuple[str, str, str | None],
    *,
    wish: Sequence[str],
    neck: str | None,
    model: str,
) -> Explanation:
    """Explain one set-up (mouthpiece, reed and perhaps ligature) for a player."""
    wishes = understand(wish)
    mouthpiece, reed, ligature = parts
    view = workshop.view(player, neck_id=neck)
    check_wishes(wishes, view)
    facing, part = workshop.facing(mouthpiece), workshop.reed(reed)
    instrument = view.player.instrument
    fixed_ligature = None if ligature is None else workshop.ligature(ligature)
    setup = _score_one(workshop, view, facing, part, ligature, wishes)
    refused = [
        str(
            pair_reasons((facing,), (part,), instrument=instrument, across=False, in_stock=False, wishes=wishes, view=view)[
                0, 0
            ]
        )
    ]
    if fixed_ligature is not None:
        refused.append(str(ligature_reasons((facing,), (fixed_ligature,), in_stock=False)[0, 0]))
    blend = workshop.blend.on_line_of(view.player.id)
    return Explanation(
        player=view.player.id,
        wish=wishes.words,
        target=aim_words(workshop.targets(view, (part,), wishes), wishes),
        model=model,
        setup=setup,
        intercept=blend.intercept,
        slope=blend.slope,
        kappa=blend.settings.kappa,
        refused=tuple(reason for reason in refused if reason != FITS),
        assumed=(*facing.assumed, *part.assumed, *person_assumptions(view)),
        not_checked=tuple(doubt for doubt in setup.doubts if doubt.startswith("fit not checked")),
        own_line=workshop.blend.own_line(view.player.id),
    )


def _chosen(workshop: Workshop, fixed: Mapping[str, str]) -> tuple[tuple[FacingPart, ...], tuple[ReedPart, ...], set[str]]:
    """Give the parts a question is about: all of them, or the fixed one of a kind."""
    strange = sorted(set(fixed) - set(PARTS))
    if strange:
        raise RequestError(f"{', '.join(strange)} cannot be fixed; expected {', '.join(PARTS)}")
    facings = (workshop.facing(fixed["mouthpiece"]),) if "mouthpiece" in fixed else workshop.facings
    reeds = (workshop.reed(fixed["reed"]),) if "reed" in fixed else workshop.reeds
    ligatures = {workshop.ligature(fixed["ligature"]).id} if "ligature" in fixed else {item.id for item in workshop.ligatures}
    return facings, reeds, ligatures


def _present(workshop: Workshop, view: PlayerView, wishes: Wishes) -> Setup | None:
    """Score what the player plays now, under the same wish, so that the answers can be held against it."""
    present = view.present
    if present is None:
        return None
    return _score_one(workshop, view, present.facing, present.reed, present.ligature_id, wishes)


def _score_one(
    workshop: Workshop, view: PlayerView, facing: FacingPart, reed: ReedPart, ligature: str | None, wishes: Wishes
) -> Setup:
    """Score one set-up; with no ligature named, the playtests count as with an unlike one."""
    one = np.array([0])
    pairs = workshop.pairs((facing,), (reed,), one, one, lip_mm=view.lip_mm)
    scored = workshop.score(view, pairs, (facing,), (reed,), wishes=wishes)
    ligatures = () if ligature is None else (workshop.ligature(ligature),)
    candidates = Candidates(
        [facing.mouthpiece.id],
        [reed.reed.id],
        [reed.shape_key[0]],
        scored.terms.overall,
        scored.features,
        np.ones((1, len(ligatures)), dtype=bool),
    )
    blend = workshop.blend.on_line_of(view.player.id)
    placed = rank_candidates(
        candidates,
        blend,
        ligatures,
        instrument=view.player.instrument,
        player=view.player.id,
        top=1,
        tested=workshop.ligatures,
    )
    return Question(workshop, blend, view, (facing,), (reed,), scored, ligatures).setup(1, placed[0])


def _doubts(workshop: Workshop, view: PlayerView, reeds: Sequence[ReedPart], instrument: str) -> tuple[str, ...]:
    """Say once what holds for the whole answer."""
    found = list(view.typed)
    if view.present is None:
        parts = {"mouthpiece": view.present_facing, "reed": view.present_reed}
        missing = [name for name, part in parts.items() if part is None]
        verb = "are" if len(missing) > 1 else "is"
        found.append(f"the present {' and '.join(missing)} {verb} not known, so the target is not the present set-up")
    scales = sorted({part.scale for part in reeds if part.scale is not None and part.reed.instrument == instrument})
    if scales:
        found.append(
            "no strength scale for "
            + ", ".join(scales)
            + ": ordered among themselves by their number, not compared with other reeds"
        )
    if workshop.blend.interval(view.player.id) is None:
        found.append("no interval: not enough playtests")
    return tuple(found)
