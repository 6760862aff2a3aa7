"""What to play next to learn most: the set-ups whose place among a player's best is most in doubt.

For each set-up of each player the blend says a rating and how much evidence stands behind it; what is left open is a normal doubt whose
variance shrinks with the evidence as the correction itself does, ``tau^2 kappa / (evidence + kappa)``. A playtest is worth the rating that
crossing the edge of the top five is expected to move, up or down, for what it costs: on the common scale, so that no player is asked more
for marking widely. Chosen ones count as evidence at once, so that no two alike are chosen together.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import ClassVar

import numpy as np
from numpy.typing import NDArray

from matchkit.constants import DECIMALS
from matchkit.facts import ModelUse
from matchkit.learn.blend import Blend
from matchkit.learn.learner import Learner
from matchkit.learn.marks import Settings
from matchkit.learn.nearest import kernel, squared_distances
from matchkit.learn.rater import IDENTITY, RaterCalibration
from matchkit.records.people import Player
from matchkit.results import Answer

Array = NDArray[np.float64]

TOP = 5
CHANGE_COST = 0.3
"""What a change of mouthpiece adds to the cost of a playtest, which is 1 (assumed)."""
LEAST_TAU = 0.5
"""Ratings are never taken to be better known beforehand than this, in points."""


@dataclass(frozen=True)
class Field:
    """Everything one player could play: ids (m,), features, and what the model says of each on the common scale; and the player's own line."""

    player_id: str
    instrument: str
    ids: tuple[tuple[str, str], ...]
    """Mouthpiece and reed of each."""
    features: Array
    rating: Array
    evidence: Array
    own: RaterCalibration = IDENTITY


@dataclass(frozen=True)
class NextTest:
    """One playtest to make: the mark to expect, how far that is open (standard deviation), the edge of the top, and its worth.

    Marks are on the player's own line, the worth on the common scale.
    """

    position: int
    player_id: str
    mouthpiece_id: str
    reed_id: str
    expected: float
    u_expected: float
    edge: float
    worth: float
    cost: float


def field_of(
    blend: Blend,
    player_id: str,
    instrument: str,
    *,
    ids: Sequence[tuple[str, str]],
    overall_d: Array,
    features: Array,
) -> Field:
    """Ask a model about everything one player could play; ligatures are left out."""
    computed, own = blend.computed(overall_d), blend.rater(player_id)
    known = blend.by_instrument.get(instrument)
    if known is None or not len(known.tests):
        return Field(player_id, instrument, tuple(ids), features, computed, np.zeros(len(computed)), own)
    found = known.seen_by(player_id, blend.settings).predict(features, blend.settings)
    rating = computed + found.correction[:, 0]
    return Field(player_id, instrument, tuple(ids), features, rating, found.evidence[:, 0], own)


@dataclass(frozen=True)
class ToPlay(Answer):
    """What to play next, in order, and what that is learned from."""

    schema: ClassVar[str] = "next"
    table_of: ClassVar[str] = "rows"
    row_type: ClassVar[type] = NextTest

    model: ModelUse
    rows: tuple[NextTest, ...]


def player_field(learner: Learner, player: Player, *, in_stock: bool = False) -> Field | None:
    """Ask a learner about everything that fits on a player's instrument; None where there is nothing."""
    scorer = learner.scorer
    pairs = scorer.fitting(player.instrument)
    if in_stock:
        pieces, reeds = pairs.of_facings(lambda part: part.mouthpiece.stock), pairs.of_reeds(lambda part: part.reed.stock)
        pairs = pairs.select(np.flatnonzero((pieces != 0) & (reeds != 0)))
    if not len(pairs):
        return None
    scored = scorer.score(scorer.view(player.id), pairs)
    return field_of(
        learner.blend,
        player.id,
        player.instrument,
        ids=pairs.ids(),
        overall_d=scored.terms.overall,
        features=scored.features,
    )


def spread_of(blend: Blend) -> float:
    """Return tau, how far ratings lie from what the measurements let expect: the spread of what the line missed, in points."""
    missed = np.concatenate([known.residual for known in blend.by_instrument.values()] or [np.zeros(0)])
    return max(float(missed.std()) if len(missed) > 1 else 2 * LEAST_TAU, LEAST_TAU)


def crossing(rating: Array, doubt: Array, edge: float) -> Array:
    """Return the rating expected to be moved across an edge: ``u phi(z) - |off| Phi(-|z|)`` with ``z = off / u``.

    It is the expected improvement of what lies below, and the expected loss of what lies above.

    >>> crossing(np.array([5.0, 3.0]), np.array([1.0, 1.0]), 5.0).round(3)
    array([0.399, 0.008])
    """
    from scipy.special import ndtr

    off = np.abs(rating - edge)
    z = off / np.maximum(doubt, 1e-12)
    return np.asarray(np.maximum(doubt * np.exp(-(z**2) / 2) / math.sqrt(2 * math.pi) - off * ndtr(-z), 0.0))


def choose(
    fields: Sequence[Field],
    settings: Settings,
    *,
    tau: float,
    count: int,
    top: int = TOP,
    chosen: Callable[[int], None] | None = None,
) -> list[NextTest]:
    """Choose ``count`` playtests over all players, best first; fewer where there is no more to play. ``chosen`` is told of each.

    Of equal worth the first by player, mouthpiece and reed is taken.
    """
    evidence = [field.evidence.astype(float) for field in fields]
    free = [np.ones(len(field.rating), dtype=bool) for field in fields]
    edges = [_edge(field.rating, top) for field in fields]
    holding: dict[str, str] = {}
    found: list[NextTest] = []
    for position in range(1, count + 1):
        best: tuple[float, int, int, float, float] | None = None
        for place, field in enumerate(fields):
            if not free[place].any():
                continue
            doubt = tau * np.sqrt(settings.kappa / (evidence[place] + settings.kappa))
            value = crossing(field.rating, doubt, edges[place])
            held = holding.get(field.player_id)
            cost = np.array([1.0 if piece == held else 1.0 + CHANGE_COST for piece, _ in field.ids])
            worth = np.where(free[place], (value / cost).round(DECIMALS), -np.inf)
            row = int(worth.argmax())
            if best is None or worth[row] > best[0]:
                best = (float(worth[row]), place, row, float(doubt[row]), float(cost[row]))
        if best is None:
            break
        worth_, place, row, doubt_, cost_ = best
        field = fields[place]
        found.append(
            NextTest(
                position,
                field.player_id,
                *field.ids[row],
                float(field.own.own(field.rating[row])),
                field.own.spread * doubt_,
                float(field.own.own(edges[place])),
                worth_,
                cost_,
            )
        )
        if chosen is not None:
            chosen(position)
        holding[field.player_id] = field.ids[row][0]
        free[place][row] = False
        for other, item in enumerate(fields):
            if item.instrument == field.instrument:
                squared = squared_distances(item.features, field.features[row][None])
                squared += settings.other_player * (item.player_id != field.player_id)
                evidence[other] += kernel(np.sqrt(squared), np.array(1.0), bandwidth=settings.bandwidth)
    return found


def _edge(rating: Array, top: int) -> float:
    """Return the rating half way between the last of the top and the next."""
    ordered = np.sort(rating)[::-1]
    if len(ordered) <= top:
        return float(ordered[-1]) if len(ordered) else 0.0
    return float(ordered[top - 1] + ordered[top]) / 2
