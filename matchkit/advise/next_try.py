"""At the counter: the one part to change next if the first set-up turns out wrong, and what a budget allows."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from matchkit.advise.answers import NextTry
from matchkit.constants import DECIMALS
from matchkit.facts import Part
from matchkit.pairs.table import PairTable
from matchkit.parts.facing import FacingPart
from matchkit.parts.fits import is_gone
from matchkit.parts.reed import ReedPart
from matchkit.records.parts import Ligature, Mouthpiece, Reed
from matchkit.score.player import PlayerView
from matchkit.score.tone import tone_vote

NEAR_STEPS = 1.5
"""A step softer or harder is searched between half a step and this many."""


def next_tries(pairs: PairTable, first: PairTable, *, step_ln: float) -> tuple[NextTry, ...]:
    """Return the next try for each way a set-up may turn out wrong: another reed for resistance, another mouthpiece for tone.

    The other reed is the one nearest a step away on the same mouthpiece, of the same profile where there is one; the other
    mouthpiece the nearest in closing pressure, within a step, that should sound the wished way.

    Parameters
    ----------
    pairs
        what was ranked
    first
        the one that came first
    step_ln
        one step of resistance, in ln(closing pressure)
    """
    facing, reed = first.facing(0), first.reed(0)
    same_piece, same_reed = pairs.of_facings(lambda part: part.id == facing.id), pairs.of_reeds(lambda part: part.id == reed.id)
    near = pairs.select((same_piece > 0) | (same_reed > 0))
    steps = (np.log(near.closing_pressure_pa / first.closing_pressure_pa[0]) / step_ln).round(DECIMALS).tolist()
    lines = [(near.facing(row), near.reed(row), away) for row, away in enumerate(steps)]

    def other_reed(direction: int) -> ReedPart | None:
        found = [
            (is_gone(part.reed), part.shape_key != reed.shape_key, round(abs(away * direction - 1), DECIMALS), part.id, part)
            for piece, part, away in lines
            if piece.id == facing.id and part.scale == reed.scale and 0.5 < away * direction < NEAR_STEPS
        ]
        return min(found, key=lambda item: item[:4])[-1] if found else None

    def other_mouthpiece(direction: int) -> FacingPart | None:
        found = [
            (is_gone(piece.mouthpiece), round(abs(away), DECIMALS), piece.id, piece)
            for piece, part, away in lines
            if part.id == reed.id and abs(away) < 1 and (tone_vote(piece.mouthpiece, facing.mouthpiece) or 0.0) * direction > 0
        ]
        return min(found, key=lambda item: item[:3])[-1] if found else None

    softer, harder, darker, brighter = other_reed(-1), other_reed(1), other_mouthpiece(-1), other_mouthpiece(1)
    return (
        _try("too resistant", "reed", None if softer is None else softer.reed),
        _try("too soft", "reed", None if harder is None else harder.reed),
        _try("too bright", "mouthpiece", None if darker is None else darker.mouthpiece),
        _try("too dark", "mouthpiece", None if brighter is None else brighter.mouthpiece),
    )


def _try(turn: str, part: Part, record: Mouthpiece | Reed | None) -> NextTry:
    if record is None:
        return NextTry(turn, None, None, None, None)
    return NextTry(turn, part, record.id, record.label, record.price)


def least_price(pairs: PairTable, ligatures: Sequence[Ligature], fits: NDArray[np.bool_], *, view: PlayerView) -> float | None:
    """Return what the cheapest set-up that fits costs; None where none fits."""
    total = _totals(pairs, ligatures, view)
    total = np.where(fits, total, np.inf) if ligatures else total
    return float(total.min()) if total.size and np.isfinite(total.min()) else None


def within_budget(budget: float, pairs: PairTable, ligatures: Sequence[Ligature], *, view: PlayerView) -> NDArray[np.bool_]:
    """Tell which pairs with which ligatures (N, L), or without any (N, 1), cost no more than a budget.

    What the player has costs nothing. A part whose price is not known is over any budget, unless no part of its kind has a price: then it counts
    as nothing, and its row says so.
    """
    return np.asarray(_totals(pairs, ligatures, view) <= budget + 1e-9)


def _known_prices(prices: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return prices of a kind of part (n,): what has none is beyond any budget, or nothing where none has one."""
    unknown = np.isnan(prices)
    return np.asarray(np.where(unknown, np.inf if np.any(prices > 0) else 0.0, prices))


def _totals(pairs: PairTable, ligatures: Sequence[Ligature], view: PlayerView) -> NDArray[np.float64]:
    """Return what pairs cost with each ligature (N, L), or without any (N, 1)."""

    def price(part: Part, item: Mouthpiece | Reed | Ligature) -> float:
        return 0.0 if view.has(part, item.id) else np.nan if item.price is None else item.price

    total = _known_prices(pairs.of_facings(lambda facing: price("mouthpiece", facing.mouthpiece)))
    total = total + _known_prices(pairs.of_reeds(lambda reed: price("reed", reed.reed)))
    bands = _known_prices(np.array([price("ligature", item) for item in ligatures] or [0.0]))
    return np.asarray(total[:, None] + bands[None, :])
