"""At the counter: the one part to change next if the first set-up turns out wrong, and what it costs."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from matchkit.match.features import tone_vote
from matchkit.match.pairs import Pairs
from matchkit.match.parts import FacingPart, ReedPart
from matchkit.records.parts import Ligature, Mouthpiece, Reed

Array = NDArray[np.float64]
Index = NDArray[np.intp]

OVER_BUDGET = "over the budget"
Turn = Literal["too resistant", "too soft", "too bright", "too dark"]
NEAR_STEPS = 1.5
"""A step softer or harder is searched between half a step and this many."""


@dataclass(frozen=True)
class NextTry:
    """If the set-up turns out so, change this one part; None where nothing here would do."""

    turn: Turn
    part: str | None
    id: str | None
    label: str | None
    price: float | None


def next_tries(
    pairs: Pairs, pair: int, facings: Sequence[FacingPart], reeds: Sequence[ReedPart], *, wish_step: float
) -> tuple[NextTry, ...]:
    """Give the next try for each way a set-up may turn out wrong: another reed for resistance, another mouthpiece for tone.

    The other reed is the one nearest a step away on the same mouthpiece, of the same profile where there is one; the other
    mouthpiece the nearest in closing pressure, within a step, that should sound the wished way.
    """
    step = -np.log(wish_step)
    here, reed_here = int(pairs.mouthpiece[pair]), reeds[int(pairs.reed[pair])]
    near = np.flatnonzero((pairs.mouthpiece == here) | (pairs.reed == pairs.reed[pair]))
    away_from = np.log(pairs.closing_pressure_kpa[near] / pairs.closing_pressure_kpa[pair]) / step
    steps = [round(float(value), 6) for value in away_from]
    places = [(int(pairs.mouthpiece[row]), int(pairs.reed[row])) for row in near]

    def other_reed(direction: int) -> ReedPart | None:
        found = [
            (reeds[r].shape_key != reed_here.shape_key, round(abs(away * direction - 1), 6), reeds[r].reed.id, r)
            for (m, r), away in zip(places, steps, strict=True)
            if m == here and reeds[r].scale == reed_here.scale and 0.5 < away * direction < NEAR_STEPS
        ]
        return reeds[min(found)[-1]] if found else None

    def other_mouthpiece(direction: int) -> FacingPart | None:
        found = [
            (round(abs(away), 6), facings[m].mouthpiece.id, m)
            for (m, r), away in zip(places, steps, strict=True)
            if r == int(pairs.reed[pair])
            and abs(away) < 1
            and (tone_vote(facings[m].mouthpiece, facings[here].mouthpiece) or 0.0) * direction > 0
        ]
        return facings[min(found)[-1]] if found else None

    softer, harder, darker, brighter = other_reed(-1), other_reed(1), other_mouthpiece(-1), other_mouthpiece(1)
    return (
        _try("too resistant", "reed", None if softer is None else softer.reed),
        _try("too soft", "reed", None if harder is None else harder.reed),
        _try("too bright", "mouthpiece", None if darker is None else darker.mouthpiece),
        _try("too dark", "mouthpiece", None if brighter is None else brighter.mouthpiece),
    )


def _try(turn: Turn, part: str, record: Mouthpiece | Reed | None) -> NextTry:
    if record is None:
        return NextTry(turn, None, None, None, None)
    return NextTry(turn, part, record.id, record.label, record.price)


def changed_part(before: tuple[str | None, ...], after: tuple[str | None, ...]) -> str | None:
    """Name the one part in which two set-ups (mouthpiece, reed, ligature) differ; None where none or several do.

    >>> changed_part(("a", "b", "c"), ("a", "x", "c"))
    'reed'
    """
    names = ("mouthpiece", "reed", "ligature")
    changed = [name for name, one, two in zip(names, before, after, strict=True) if one != two]
    return changed[0] if len(changed) == 1 else None


def within_budget(
    budget: float,
    facings: Sequence[FacingPart],
    reeds: Sequence[ReedPart],
    ligatures: Sequence[Ligature],
    *,
    mouthpiece: Index,
    reed: Index,
    owned: tuple[str | None, str | None, str | None],
) -> NDArray[np.bool_]:
    """Say which pairs with which ligatures (N, L) cost no more than a budget.

    What the player has costs nothing; a part whose price is not known counts as nothing, and its row says so.
    """

    def prices(ids: Sequence[str], known: Sequence[float | None], mine: str | None) -> Array:
        return np.array([0.0 if name == mine or price is None else price for name, price in zip(ids, known, strict=True)])

    pieces = prices([p.mouthpiece.id for p in facings], [p.mouthpiece.price for p in facings], owned[0])
    sheets = prices([p.reed.id for p in reeds], [p.reed.price for p in reeds], owned[1])
    bands = prices([item.id for item in ligatures], [item.price for item in ligatures], owned[2])
    total = pieces[mouthpiece] + sheets[reed]
    return np.asarray(total[:, None] + bands[None, :] <= budget + 1e-9)
