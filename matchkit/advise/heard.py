"""What marks say of a set-up, exactly: by group, and by playtest."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence

import numpy as np
from numpy.typing import NDArray

from matchkit import constants
from matchkit.advise.answers import Deciding, GroupReason, MarkReason, Played, Taste
from matchkit.constants import DECIMALS
from matchkit.learn.blend import Blend
from matchkit.learn.fitted import GROUPS, Account, Fitted
from matchkit.learn.kriging.influence import DOUBTED
from matchkit.learn.marks import SLOPES

Array = NDArray[np.float64]
Index = NDArray[np.intp]

POINTS = 10.0
"""Points of the score (0-100) in one point of a mark (0-10)."""
SHOWN = 5
"""Playtests shown of one group at most."""
WORTH_LISTING = 0.05
"""Points of 100 from which on a playtest is listed by itself."""
WORTH_SAYING = 0.3
"""Points of a mark that a step along a player's taste must be worth to be told."""
COUNTS = 0.01
"""Weight from which on a mark stands behind what set-ups alike say."""
LEAST_VALUES = 4
"""So many different openings, baffles or closing pressures a player must have marked for their taste to be told."""
DECIDES = 0.2
"""Points of a mark by which another set-up must be ahead without one mark for it to be said."""
WEIGHED = 20
"""So many of the heaviest marks are tried, one by one, on whether they decide who is first."""


def group_reasons(known: Fitted, account: Account, about: Mapping[str, str | None]) -> tuple[GroupReason, ...]:
    """Return the groups of a correction; their points add up to it. ``about`` names player, mouthpiece, line, set-up and contact that it is about."""
    tests = known.tests
    found = []
    for name in GROUPS:
        given = POINTS * account.given[name]
        rows = _behind(known, account, name, about)
        order = sorted(rows.tolist(), key=lambda row: (-round(abs(float(given[row])), DECIMALS), tests.ids[row]))
        sign = np.sign(account.groups[name])
        agreeing = [row for row in order if sign * given[row] >= WORTH_LISTING and sign * known.residual[row] > 0]
        found.append(
            GroupReason(
                name,
                POINTS * account.groups[name],
                len(rows),
                len({tests.players[row] for row in rows}),
                tuple(_mark(known, row, float(given[row])) for row in agreeing[:SHOWN]),
            )
        )
    return tuple(found)


PARTS = {
    "player": "player",
    "taste": "player",
    "mouthpiece": "mouthpiece",
    "line": "line",
    "again": "setup",
    "ligature": "contact",
}
"""The part of the model whose marks a group is about."""


def _behind(known: Fitted, account: Account, name: str, about: Mapping[str, str | None]) -> Index:
    """Return the rows of the marks that a group is about; for set-ups alike those that count for something."""
    if name == "alike":
        return np.flatnonzero(np.abs(account.weights[name]) >= COUNTS)
    part = PARTS[name]
    return np.flatnonzero(known.marks.codes[part] == known.code(part, about[part]))


def _mark(known: Fitted, row: int, points: float) -> MarkReason:
    tests = known.tests
    return MarkReason(tests.ids[row], tests.players[row], float(tests.rating[row]), float(known.residual[row]), points)


def mark_reasons(known: Fitted, account: Account) -> tuple[tuple[MarkReason, ...], float]:
    """Return what each mark gave in all, the largest first, and what the small ones gave together; all add up to the correction."""
    given = POINTS * np.sum([account.given[name] for name in GROUPS], axis=0)
    shown = np.flatnonzero(np.abs(given) >= WORTH_LISTING).tolist()
    reasons = [_mark(known, row, float(given[row])) for row in shown]
    reasons.sort(key=lambda reason: (-round(abs(reason.points), DECIMALS), reason.playtest))
    return tuple(reasons), float(given.sum()) - sum(reason.points for reason in reasons)


def played(known: Fitted | None, player: str | None, mouthpiece: str, reed: str) -> Played | None:
    """Return how often a player marked this very set-up, and the mean of these marks; None where they did not."""
    if known is None or player is None:
        return None
    mine = known.marks.codes["setup"] == known.code("setup", f"{player}\t{mouthpiece}\t{reed}")
    mine &= np.isin(np.arange(len(mine)), known.tests.given)
    doubted = mine & (known.weighed.odd > 1 / DOUBTED)
    marks, open_ = known.tests.rating[mine & ~doubted], known.tests.rating[doubted]
    if not mine.any():
        return None
    return Played(len(marks), float(marks.mean()) if len(marks) else None, tuple(open_.tolist()))


_WAYS = {
    "ln_closing_pressure": ("freer", "more resistant"),
    "tip_opening": ("closer", "wider"),
    "baffle_height": ("higher baffle", "lower baffle"),
}
"""A baffle is high where its height, from the rails down to it, is small."""


def tastes(blend: Blend, instrument: str, player: str | None, *, wish_step: float) -> tuple[Taste, ...]:
    """Return what a player's own marks say of where to go, where a step is worth 0.3 points of a mark or more.

    A step is half a strength, a step of tip opening, or a usual difference of baffles.
    """
    known = blend.by_instrument.get(instrument)
    if known is None or player is None or known.code("player", player) < 0:
        return ()
    mine = known.marks.codes["player"] == known.code("player", player)
    played = known.marks.slopes[mine]
    found = []
    for name, slope, values in zip(SLOPES, known.slopes(player), played.T, strict=True):
        if len(np.unique(values.round(DECIMALS))) < LEAST_VALUES:
            continue
        scale = constants.FEATURE_SCALES[name]
        step = {
            "ln_closing_pressure": -math.log(wish_step) / scale.one[instrument],
            "tip_opening": (constants.OPENING_STEP[instrument] - 1) * scale.typical[instrument] / scale.one[instrument],
        }.get(name, 1.0)
        gain = float(slope) * step
        if abs(gain) >= WORTH_SAYING:
            found.append(Taste(_WAYS[name][gain > 0], abs(gain), int(mine.sum())))
    return tuple(found)


def deciding(known: Fitted, weights: Array, scores: Array) -> Deciding | None:
    """Return the one mark without which another set-up would be first.

    ``weights`` (lines, n) are what each mark counts in the best lines, ``scores`` (lines,) what these are expected at, in points of a mark, best first. What
    an answer is without one mark follows from leaving that out: less its weight times what the others miss it by.
    """
    rows: Sequence[int] = np.argsort(-np.abs(weights[0] * known.residual), kind="stable")[:WEIGHED].tolist()
    missed = known.missed_without(rows)
    without = scores[:, None] - weights[:, rows] * missed[None, :]
    lost = (without[1:].max(axis=0) - without[0]).round(DECIMALS)
    worst = int(lost.argmax())
    if lost[worst] < DECIDES:
        return None
    tests, row = known.tests, rows[worst]
    return Deciding(tests.ids[row], tests.players[row], tests.mouthpieces[row], tests.reeds[row], float(tests.rating[row]))
