"""Kriging on the nearest playtests: one small system for each set-up that is asked about.

With ``r`` what the line leaves of the marks and levels taken off, the smooth part at a set-up is ``k' (K_s + noise)^-1 r`` over the nearest
marks. Where these are all marks it is what the whole system says: ``K_s (K_s + noise)^-1 (r - levels) = K_s (K + noise)^-1 r``.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from matchkit.learn.kriging.covariance import Coded, alike, smooth_covariance
from matchkit.learn.kriging.variances import Variances
from matchkit.learn.nearest import nearest

Array = NDArray[np.float64]
Index = NDArray[np.intp]

NEIGHBOURS = 50
KEPT = 2000
"""Up to so many marks the covariance between them is kept."""
_BLOCK = 512


@dataclass(frozen=True)
class Asked:
    """N set-ups that are asked about: features (N, f), and the codes of player and of this set-up with this player (N,), -1 for one that has no mark."""

    features: Array
    player: Index
    setup: Index

    def __len__(self) -> int:
        return len(self.features)

    def take(self, rows: Index | slice) -> Asked:
        """Return some of them."""
        return Asked(self.features[rows], self.player[rows], self.setup[rows])


@dataclass(frozen=True)
class Nearest:
    """Marks near N set-ups: their rows (N, k), and what each counts for the parts ``smooth``, ``own`` and ``setup`` (N, k, 3)."""

    rows: Index
    weight: Array

    def parts(self, left: Array) -> Array:
        """Return the parts (N, 3) from what is left in the marks (n,)."""
        return np.asarray(np.einsum("nkp,nk->np", self.weight, left[self.rows]))


class Local:
    """Marks of one instrument as neighbours; ``noise`` (n,) are variances."""

    def __init__(self, marks: Coded, variances: Variances, noise: Array, *, neighbours: int = NEIGHBOURS) -> None:
        self.marks, self.variances, self.noise = marks, variances, noise
        self.neighbours = neighbours

    @property
    def further(self) -> float:
        """What another player's playtest lies further, in squared distance: as far as makes its covariance smaller."""
        v = self.variances
        if v.smooth == 0:
            return 1e6
        return 2 * v.length**2 * math.log1p(v.own**2 / v.smooth**2)

    def near(self, asked: Asked) -> Index:
        """Return the rows of the nearest marks (N, k), nearest first, ties in the order of the marks."""
        known = self.marks.codes["player"]

        def extra(rows: slice) -> Array:
            return np.asarray(self.further * (asked.player[rows, None] != known[None, :]))

        return nearest(asked.features, self.marks.features, self.neighbours, extra=extra)[1]

    def _towards(self, asked: Asked, rows: Index) -> Array:
        """Return the covariance of each part with the nearest marks (N, k, 3)."""
        v, marks = self.variances, self.marks
        apart = asked.features[:, None, :] - marks.features[rows]
        near = alike(np.einsum("nkf,nkf->nk", apart, apart), length=v.length)
        own = marks.codes["player"][rows] == asked.player[:, None]
        again = marks.codes["setup"][rows] == asked.setup[:, None]
        return np.stack([v.smooth**2 * near, v.own**2 * near * own, v.setup**2 * again], axis=2)

    def _among(self, rows: Index) -> Array:
        """Return the covariance among the nearest marks of each (N, k, k), their noise included."""
        v, marks = self.variances, self.marks
        if len(marks) <= KEPT:
            found = smooth_covariance(marks, v)[rows[:, :, None], rows[:, None, :]]
        else:
            near = marks.features[rows]
            lengths = np.einsum("nkf,nkf->nk", near, near)
            squared = lengths[:, :, None] + lengths[:, None, :] - 2 * near @ near.transpose(0, 2, 1)
            player, setup = marks.codes["player"][rows], marks.codes["setup"][rows]
            own = player[:, :, None] == player[:, None, :]
            found = alike(np.maximum(squared, 0.0), length=v.length) * (v.smooth**2 + v.own**2 * own)
            found += v.setup**2 * (setup[:, :, None] == setup[:, None, :])
        place = np.arange(rows.shape[1])
        found[:, place, place] += self.noise[rows]
        return np.asarray(found)

    def weigh(self, asked: Asked, rows: Index | None = None) -> Nearest:
        """Return the nearest marks and what each counts for each part."""
        rows = self.near(asked) if rows is None else rows
        if not rows.shape[1]:
            return Nearest(rows, np.zeros((len(asked), 0, 3)))
        return Nearest(rows, np.asarray(np.linalg.solve(self._among(rows), self._towards(asked, rows)), dtype=float))

    def variance(self, asked: Asked, rows: Index) -> Array:
        """Return how unsure the smooth part and that of set-ups played again are, knowing some marks near (N,)."""
        v, towards = self.variances, self._towards(asked, rows).sum(axis=2)
        share = np.linalg.solve(self._among(rows), towards[:, :, None])[:, :, 0]
        before = v.smooth**2 + v.own**2 + v.setup**2
        return np.asarray(np.maximum(before - (towards * share).sum(axis=1), 0.0))

    def mean(self, asked: Asked, left: Array) -> Array:
        """Return the smooth part and that of set-ups played again (N,), from what is left in the marks (n,)."""
        found = np.zeros(len(asked))
        rows = self.near(asked)
        if not rows.shape[1]:
            return found
        for start in range(0, len(asked), _BLOCK):
            some = slice(start, start + _BLOCK)
            towards = self._towards(asked.take(some), rows[some]).sum(axis=2)
            pull = np.linalg.solve(self._among(rows[some]), left[rows[some]][:, :, None])[:, :, 0]
            found[some] = (towards * pull).sum(axis=1)
        return found
