"""What marks of one instrument say together: ``(K + noise) a = r`` solved, once for all that is asked of it.

Up to :data:`MOST_DENSE` marks the covariance is written out and factored. Where there are more its smooth part goes through 256 centres (a
sparse approximation that keeps every variance: Quinonero-Candela and Rasmussen 2005, from memory), and conjugate gradients solve the rest.
"""

from __future__ import annotations

from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from matchkit.learn.kriging.covariance import Coded, alike, level_covariance, smooth_covariance, squared_between
from matchkit.learn.kriging.likelihood import Weighed
from matchkit.learn.kriging.variances import GROUPED, Variances

Array = NDArray[np.float64]
Index = NDArray[np.intp]

MOST_DENSE = 2000
CENTRES = 256
SOLVED = 1e-11
"""Conjugate gradients stop where what is left is so small a part of what was asked."""
MOST_STEPS = 2000


class Dense:
    """A system that is written out."""

    def __init__(self, weighed: Weighed, variances: Variances) -> None:
        self.marks, self.variances = weighed.marks, variances
        self.noise = variances.noise**2 * weighed.odd / weighed.marks.trust
        self.wider = weighed.wider

    @property
    def smooth(self) -> Array:
        """Covariance of the smooth parts (n, n)."""
        return smooth_covariance(self.marks, self.variances)

    @cached_property
    def inverse(self) -> Array:
        """``(K + noise)^-1``, (n, n); by numpy alone, so that a small house is answered without scipy."""
        whole = self.smooth + level_covariance(self.marks, self.variances, self.wider)
        rows = np.arange(len(whole))
        whole[rows, rows] += self.noise
        return np.asarray(np.linalg.inv(whole))

    def solve(self, right: Array) -> Array:
        """Return ``(K + noise)^-1 right`` for columns (n, c)."""
        return np.asarray(self.inverse @ right)

    def levels(self, pull: Array) -> Array:
        """Return ``K_levels pull`` for columns (n, c)."""
        return np.asarray(level_covariance(self.marks, self.variances, self.wider) @ pull)


class Centred:
    """A system whose smooth part goes through centres, chosen by a fixed seed."""

    def __init__(self, weighed: Weighed, variances: Variances, *, centres: int = CENTRES) -> None:
        from scipy.linalg import cholesky, solve_triangular

        marks = weighed.marks
        self.marks, self.variances = marks, variances
        self.noise = variances.noise**2 * weighed.odd / marks.trust
        self.wider = weighed.wider
        chosen = np.sort(np.random.default_rng(0).choice(len(marks), min(centres, len(marks)), replace=False))
        middle = marks.take(chosen)
        between = self._near(middle, middle) + 1e-9 * np.eye(len(middle))
        corner = cholesky(between, lower=True)
        self._root = np.ascontiguousarray(solve_triangular(corner, self._near(middle, marks), lower=True).T)
        total = variances.smooth**2 + variances.own**2
        self._diagonal = self.noise + np.maximum(total - (self._root**2).sum(axis=1), 0.0)
        self._levelled = [part for part in GROUPED if part not in ("player", "setup")]

    def _near(self, one: Coded, other: Coded) -> Array:
        own = one.codes["player"][:, None] == other.codes["player"][None, :]
        squared = squared_between(one.features, other.features)
        v = self.variances
        return np.asarray(alike(squared, length=v.length) * (v.smooth**2 + v.own**2 * own))

    def _grouped(self, part: str, pull: Array) -> Array:
        code = self.marks.codes[part]
        sums = np.stack([np.bincount(code, column, minlength=int(code.max()) + 1) for column in pull.T], axis=1)
        return np.asarray(sums[code])

    def levels(self, pull: Array) -> Array:
        """Return ``K_levels pull`` for columns (n, c)."""
        v = self.variances
        found = v.player**2 * self.wider[:, None] * self._grouped("player", pull)
        for column in self.marks.slopes.T:
            found += v.slope**2 * column[:, None] * self._grouped("player", column[:, None] * pull)
        for part in self._levelled:
            found += getattr(v, part) ** 2 * self._grouped(part, pull)
        return np.asarray(found)

    def _times(self, pull: Array) -> Array:
        found = self._diagonal[:, None] * pull + self._root @ (self._root.T @ pull) + self.levels(pull)
        return np.asarray(found + self.variances.setup**2 * self._grouped("setup", pull))

    def solve(self, right: Array) -> Array:
        """Return ``(K + noise)^-1 right`` for columns (n, c), each by its own conjugate gradients, all side by side."""
        scale = 1 / self._diagonal[:, None]
        found, left = np.zeros_like(right), right.astype(float)
        step = scale * left
        inner = (left * step).sum(axis=0)
        goal = SOLVED**2 * np.maximum(inner, 1e-300)
        for _ in range(MOST_STEPS):
            if np.all(inner <= goal):
                break
            ahead = self._times(step)
            bent = (step * ahead).sum(axis=0)
            share = np.divide(inner, bent, out=np.zeros_like(inner), where=bent > 0)
            found += share * step
            left -= share * ahead
            scaled = scale * left
            new = (left * scaled).sum(axis=0)
            step = scaled + np.divide(new, inner, out=np.zeros_like(inner), where=inner > 0) * step
            inner = new
        return found


def solved(weighed: Weighed, variances: Variances) -> Dense | Centred:
    """Return the system of one instrument."""
    return Dense(weighed, variances) if len(weighed.marks) <= MOST_DENSE else Centred(weighed, variances)
