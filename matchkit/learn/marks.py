"""Rated playtests as the model learns from them, the line from D to a rating, and how much a ligature says about another."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TypeVar

import numpy as np
from numpy.typing import NDArray

from matchkit import constants
from matchkit.records.parts import Ligature
from matchkit.records.people import Playtest

Array = NDArray[np.float64]
Index = NDArray[np.intp]
Item = TypeVar("Item")

PRIOR_TESTS = 20
"""The line rating = 10 D is held as if by so many playtests, half at D = 0 and half at D = 1."""

LEAST_SLOPE = 0.5


@dataclass(frozen=True)
class Settings:
    """How neighbours are weighted.

    The defaults were chosen once, on the demo house, from a coarse grid; ``train`` chooses anew for a house.
    """

    neighbours: int = 25
    bandwidth: float = 1.5
    kappa: float = 1.0
    other_player: float = 4.0
    """omega: what another player adds to a squared distance."""
    same_contact: float = 0.7
    other_contact: float = 0.5


DEFAULT_SETTINGS = Settings()


@dataclass(frozen=True)
class RatedTests:
    """Playtests with an overall mark, sorted by id, as the blend learns from them; every array (n,) but ``features`` (n, f).

    ``weight`` is what a playtest counts as a neighbour: 1 where it was sighted and single (:func:`own_weights`).
    """

    ids: tuple[str, ...]
    players: tuple[str, ...]
    mouthpieces: tuple[str, ...]
    reeds: tuple[str, ...]
    sessions: tuple[str | None, ...]
    instruments: tuple[str, ...]
    ligatures: tuple[str | None, ...]
    rating: Array
    overall_d: Array
    features: Array
    weight: Array

    def __len__(self) -> int:
        return len(self.ids)

    def take(self, rows: Index) -> RatedTests:
        """Return some of the tests."""
        places = rows.tolist()

        def some(values: Sequence[Item]) -> tuple[Item, ...]:
            return tuple(map(values.__getitem__, places))

        return RatedTests(
            ids=some(self.ids),
            players=some(self.players),
            mouthpieces=some(self.mouthpieces),
            reeds=some(self.reeds),
            sessions=some(self.sessions),
            instruments=some(self.instruments),
            ligatures=some(self.ligatures),
            rating=self.rating[rows],
            overall_d=self.overall_d[rows],
            features=self.features[rows],
            weight=self.weight[rows],
        )


def own_weights(tests: Sequence[Playtest]) -> Array:
    """Return what each playtest counts (n,): more where it was blind, and where the player marked the same set-up more than once.

    >>> own_weights([])
    array([], dtype=float64)
    """
    times = Counter((test.player_id, test.mouthpiece_id, test.reed_id, test.ligature_id) for test in tests)
    found = np.ones(len(tests))
    for row, test in enumerate(tests):
        if test.blind:
            found[row] *= constants.BLIND_WEIGHT.value
        if times[test.player_id, test.mouthpiece_id, test.reed_id, test.ligature_id] > 1:
            found[row] *= constants.REPEAT_WEIGHT.value
    return found


def fit_line(overall_d: Array, rating: Array) -> tuple[float, float]:
    """Fit ``rating = a + b D`` by least squares, shrunk towards (0, 10) as if by 20 playtests; gives (a, b).

    b is at least 0.5, and the line stays within the scale of the ratings (0 to 10) for every D.

    >>> fit_line(np.array([]), np.array([]))
    (0.0, 10.0)
    """
    from scipy.optimize import lsq_linear

    half = PRIOR_TESTS // 2
    d = np.concatenate([overall_d, np.zeros(half), np.ones(half)])
    y = np.concatenate([rating, np.zeros(half), np.full(half, 10.0)])
    at_none, at_all = (float(end) for end in lsq_linear(np.column_stack([1 - d, d]), y, bounds=(0, 10), method="bvls").x)
    if at_all - at_none < LEAST_SLOPE:  # a convex problem: the best line then has the least slope
        at_none = float(np.clip(np.mean(y - LEAST_SLOPE * d), 0, 10 - LEAST_SLOPE))
        at_all = at_none + LEAST_SLOPE
    return round(at_none, 12) + 0.0, round(at_all - at_none, 12)


def shrunk_mean(weight: Array, residual: Array, *, kappa: float) -> Array:
    """Return ``sum w r / (sum w + kappa)`` over the last axis, 0 where there is no weight at all.

    >>> float(shrunk_mean(np.array([1.0, 1.0]), np.array([2.0, 4.0]), kappa=1.0))
    2.0
    """
    return shrunk((weight * residual).sum(axis=-1), weight.sum(axis=-1), kappa=kappa)


def shrunk(pull: Array, evidence: Array, *, kappa: float) -> Array:
    """Return ``pull / (evidence + kappa)``, of any shape, 0 where there is no weight at all."""
    total = evidence + kappa
    return np.asarray(np.divide(pull, total, out=np.zeros_like(pull), where=total > 0))


class LigatureWeights:
    """How much a playtest with one ligature says about another: 1 for the same, less for the same kind of contact, less still.

    ``known`` are the ligatures of the house, ``used`` (n,) those in question, by id; what has none, or is of no known contact, is
    like nothing else.
    """

    def __init__(self, known: Sequence[Ligature], used: Sequence[str | None]) -> None:
        contact: dict[str, str | None] = {item.id: item.contact for item in known}
        self._name = _codes(used)
        self._kind = _codes([contact.get(item or "") for item in used])

    def of(self, wanted: Index, tested: Index, settings: Settings) -> Array:
        """Return the factors of places in ``used``, which broadcast with each other."""
        name, kind = self._name, self._kind
        same_kind = (kind[wanted] == kind[tested]) & (kind[wanted] >= 0)
        same_name = (name[wanted] == name[tested]) & (name[wanted] >= 0)
        return np.where(same_name, 1.0, np.where(same_kind, settings.same_contact, settings.other_contact))


def _codes(names: Sequence[str | None]) -> Index:
    """Return names as numbers, equal ones alike; what has no name is -1."""
    numbers = {name: number for number, name in enumerate(sorted({name for name in names if name}))}
    return np.array([numbers.get(name or "", -1) for name in names], dtype=np.intp)
