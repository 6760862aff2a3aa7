"""What blind trials say: each pair of set-ups tested, and strengths from all choices of two."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np

from matchkit.playtest.stats.discrimination import LEVEL, Binomial, binomial_test, d_prime_of, holm, wilson_interval
from matchkit.playtest.stats.over import OverPlayers, sign_flip
from matchkit.playtest.stats.preference import Strengths, counted_by_order
from matchkit.records.trials import ATTRIBUTES, Trial

Verdict = Literal["different", "these players", "inconclusive"]


@dataclass(frozen=True)
class PlayerShare:
    """What one player answered: hits of trials, with the interval of the share (Wilson)."""

    player_id: str
    hits: int
    trials: int
    share_low: float
    share_high: float


@dataclass(frozen=True)
class Comparison:
    """All trials of one pair of set-ups, one kind and attribute: the test, by player, and the effect of coming first (two only).

    ``test`` is about these players: ``adjusted`` is its p after Holm over all comparisons of this analysis. ``over`` is about players in general,
    and ``over_adjusted`` its p likewise; None for a triangle, which nobody can get right by leaning one way. ``verdict`` is "different" (players in
    general), "these players" (only they), or "inconclusive". ``d_prime`` is the difference the answers stand for.
    """

    kind: str
    attribute: str | None
    set_a: str
    set_b: str
    players: int
    unanswered: int
    test: Binomial
    adjusted: float
    over: OverPlayers | None
    over_adjusted: float | None
    verdict: Verdict
    d_prime: float
    by_player: tuple[PlayerShare, ...]
    first_named: Binomial | None
    first_over: OverPlayers | None


@dataclass(frozen=True)
class Preference:
    """Strengths of three set-ups or more on one attribute, from all choices of two: logarithms, the last 0, and standard errors."""

    attribute: str
    strengths: tuple[tuple[str, float, float], ...]
    first: float | None
    u_first: float | None
    unbounded: tuple[str, ...]
    told: bool


def comparisons(trials: Sequence[Trial], claim: str | None) -> tuple[Comparison, ...]:
    """Test each pair of set-ups that was played blind, kind by kind and attribute by attribute; p adjusted over all of them."""
    groups: dict[tuple[str, str | None, str, str], list[Trial]] = defaultdict(list)
    for trial in trials:
        one, other = sorted((trial.set_a, trial.set_b))
        groups[trial.kind, trial.attribute, one, other].append(trial)
    found = []
    for (kind, attribute, one, other), mine in groups.items():
        answered = [trial for trial in mine if trial.answer is not None]
        if not answered:
            continue
        planned = {trial.claim for trial in mine}
        about = next(iter(planned)) if len(planned) == 1 and None not in planned else None
        if planned == {None} and kind == "two" and claim in (one, other):
            about = claim
        counted = about or one
        hits = [bool(trial.right) if kind == "triangle" else _named(trial) == counted for trial in answered]
        test = binomial_test(
            "triangle" if kind == "triangle" else "two",
            trials=len(hits),
            successes=sum(hits),
            two_sided=kind == "two" and about is None,
        )
        by_player: dict[str, list[bool]] = defaultdict(list)
        for trial, hit in zip(answered, hits, strict=True):
            by_player[trial.player_id].append(hit)
        over = None
        if kind != "triangle":
            over = sign_flip([2 * sum(own) - len(own) for own in by_player.values()], two_sided=about is None)
        share = max(test.share, 1 - test.share) if test.two_sided else test.share
        found.append(
            Comparison(
                kind=kind,
                attribute=attribute,
                set_a=counted,
                set_b=other if counted == one else one,
                players=len(by_player),
                unanswered=len(mine) - len(answered),
                test=test,
                adjusted=test.probability,
                over=over,
                over_adjusted=None if over is None else over.probability,
                verdict="inconclusive",
                d_prime=d_prime_of(test.kind, share),
                by_player=tuple(
                    PlayerShare(player, sum(own), len(own), *wilson_interval(sum(own), len(own)))
                    for player, own in sorted(by_player.items())
                ),
                first_named=None if kind == "triangle" else _first(answered),
                first_over=None if kind == "triangle" else _first_over(answered),
            )
        )
    adjusted = holm([item.test.probability for item in found])
    general = iter(holm([item.over.probability for item in found if item.over is not None]))
    return tuple(_with(item, p, None if item.over is None else next(general)) for item, p in zip(found, adjusted, strict=True))


def _with(item: Comparison, adjusted: float, over: float | None) -> Comparison:
    verdict: Verdict = "inconclusive"
    if over is not None and over <= LEVEL:
        verdict = "different"
    elif adjusted <= LEVEL:
        verdict = "these players"
    return replace(item, adjusted=adjusted, over_adjusted=over, verdict=verdict)


def _first_over(answered: Sequence[Trial]) -> OverPlayers:
    """Test over players whether the one that came first is named more or less often than the other."""
    leans: dict[str, int] = defaultdict(int)
    for trial in answered:
        leans[trial.player_id] += 1 if trial.answer == 1 else -1
    return sign_flip(list(leans.values()), two_sided=True)


def _named(trial: Trial) -> str:
    return trial.set_a if trial.named == "A" else trial.set_b


def _first(answered: Sequence[Trial]) -> Binomial:
    """Test whether the one that came first is named more or less often than the other."""
    return binomial_test("two", trials=len(answered), successes=sum(trial.answer == 1 for trial in answered), two_sided=True)


def preferences(trials: Sequence[Trial]) -> tuple[Preference, ...]:
    """Estimate strengths on each attribute on which three set-ups or more were compared."""
    found = []
    for attribute in ATTRIBUTES:
        mine = [trial for trial in trials if trial.attribute == attribute and trial.answer is not None]
        items = tuple(sorted({item for trial in mine for item in (trial.set_a, trial.set_b)}))
        if len(items) < 3:
            continue
        won, lost = (np.zeros((len(items), len(items))) for _ in range(2))
        for trial in mine:
            shown = [trial.set_a if letter == "A" else trial.set_b for letter in trial.shown]
            place = items.index(shown[0]), items.index(shown[1])
            (won if trial.answer == 1 else lost)[place] += 1
        try:
            strengths = counted_by_order(items, won, lost)
        except ValueError:
            continue  # groups that were never compared with one another
        found.append(_preference(attribute, strengths))
    return tuple(found)


def _preference(attribute: str, strengths: Strengths) -> Preference:
    error = np.sqrt(np.diag(strengths.covariance))
    order = np.argsort(-strengths.worth)
    return Preference(
        attribute,
        tuple((strengths.items[place], float(strengths.worth[place]), float(error[place])) for place in order),
        strengths.first,
        strengths.u_first,
        strengths.unbounded,
        strengths.told,
    )
