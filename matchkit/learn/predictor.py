"""What playtests say of set-ups that are like them: the one predictor behind rank, explain, next and every fold.

A correction is the mean of what the line missed in the nearest playtests, weighed by nearness and shrunk where little is known:
``sum w_j r_j / (sum w_j + kappa)``.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from matchkit.learn.marks import RatedTests, Settings, shrunk
from matchkit.learn.nearest import Extra, kernel, nearest
from matchkit.learn.rater import rescale_residuals

Array = NDArray[np.float64]
Index = NDArray[np.intp]


@dataclass(frozen=True)
class Prediction:
    """What is said of N set-ups with each of L ligatures: ``correction`` and ``evidence`` (N, L), and the k playtests behind them.

    ``neighbours`` and ``distance`` are (N, k), ``weight`` (N, L, k).
    """

    correction: Array
    evidence: Array
    neighbours: Index
    distance: Array
    weight: Array


@dataclass(frozen=True)
class Predictor:
    """Playtests of one instrument as some player sees them: features (n, f), weights and residuals (n,) of each.

    ``further`` is what a stranger's playtest adds to a squared distance, for a slice of what is asked: (rows, n) or (1, n).
    """

    features: Array
    weight: Array
    residual: Array
    further: Extra

    def nearest(self, asked: Array, count: int) -> tuple[Array, Index]:
        """Return distances and playtests (N, k) of the nearest to asked features (N, f), ties in the order of the playtests."""
        return nearest(asked, self.features, count, extra=self.further)

    def weigh(self, distance: Array, index: Index, settings: Settings) -> Array:
        """Return the weight of each neighbour, before any ligature factor, in the shape of ``distance``."""
        return kernel(distance, self.weight[index], bandwidth=settings.bandwidth)

    def predict(self, asked: Array, settings: Settings, *, factor: Array | None = None) -> Prediction:
        """Predict set-ups with features ``asked`` (N, f); ``factor`` (L, n) is what each playtest counts for each ligature."""
        distance, index = self.nearest(asked, settings.neighbours)
        weight = self.weigh(distance, index, settings)[:, None, :]
        if factor is not None:
            weight = weight * factor[:, index].transpose(1, 0, 2)
        evidence = weight.sum(axis=2)
        pull = (weight * self.residual[index][:, None, :]).sum(axis=2)
        return Prediction(shrunk(pull, evidence, kappa=settings.kappa), evidence, index, distance, weight)

    def running(
        self, distance: Array, index: Index, settings: Settings, *, factor: Array, spread: Array
    ) -> tuple[Array, Array]:
        """Return running sums over the nearest of weighted residuals and weights, each (N, k): one search answers any number of them.

        ``factor`` (N, k) is the ligature's; residuals are put on lines of ``spread`` (N,).
        """
        weight = self.weigh(distance, index, settings) * factor
        missed = rescale_residuals(spread[:, None], self.residual[index])
        return np.cumsum(weight * missed, axis=1), np.cumsum(weight, axis=1)


def seen_by(player: str | None, tests: RatedTests, residual: Array, settings: Settings) -> Predictor:
    """Return the playtests of one instrument as one player sees them: one by another lies ``omega`` further in squared distance."""
    stranger = np.array([name != player for name in tests.players], dtype=bool)
    further = (settings.other_player * stranger)[None, :]
    return Predictor(tests.features, tests.weight, residual, lambda _: further)


def strangers(asked: Sequence[int] | Index, known: Index, settings: Settings) -> Extra:
    """Return what playtests of other players add, where every row asked about has a player of its own: player numbers of both."""
    mine = np.asarray(asked)

    def further(rows: slice) -> Array:
        return np.asarray(settings.other_player * (mine[rows, None] != known[None, :]))

    return further
