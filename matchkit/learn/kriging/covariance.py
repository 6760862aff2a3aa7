"""Marks of one instrument as numbers, and the covariance of what is not known of them."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from matchkit.learn.kriging.variances import GROUPED, Variances

Array = NDArray[np.float64]
Index = NDArray[np.intp]


@dataclass(frozen=True)
class Coded:
    """Marks of one instrument: ``codes`` say which level of each part a mark has, (n,) each.

    What is not told (a mark without a sitting or a ligature) has a code of its own, so that it carries the variance and shares it with
    nothing. ``features`` (n, f), ``slopes`` (n, s) those along which players have slopes, ``line`` (n, 2) is 1 and D, ``mark`` (n,),
    ``trust`` (n,) is what a mark counts: its noise has the variance over it.
    """

    codes: Mapping[str, Index]
    features: Array
    slopes: Array
    line: Array
    mark: Array
    trust: Array

    def __len__(self) -> int:
        return len(self.mark)

    @cached_property
    def kept(self) -> dict[Variances, tuple[Array, Array]]:
        """Covariances that were computed of these marks, by the variances; the last ones only."""
        return {}

    @cached_property
    def squared(self) -> Array:
        """Squared distances of features (n, n)."""
        return squared_between(self.features, self.features)

    @cached_property
    def _same(self) -> dict[str, Array]:
        return {}

    def same(self, part: str) -> Array:
        """Return 1 where two marks share a level, else 0: (n, n)."""
        if part not in self._same:
            code = self.codes[part]
            self._same[part] = np.asarray(code[:, None] == code[None, :], dtype=float)
        return self._same[part]

    def take(self, rows: Index) -> Coded:
        """Return some of the marks, with the codes that they have."""
        return Coded(
            {name: code[rows] for name, code in self.codes.items()},
            self.features[rows],
            self.slopes[rows],
            self.line[rows],
            self.mark[rows],
            self.trust[rows],
        )


def squared_between(one: Array, other: Array) -> Array:
    """Return squared Euclidean distances (n, m) of rows; products of matrices, so good to about 1e-12 of the lengths."""
    lengths = (one**2).sum(axis=1)[:, None] + (other**2).sum(axis=1)[None, :]
    return np.asarray(np.maximum(lengths - 2 * one @ other.T, 0.0))


def code(names: Sequence[str | None]) -> Index:
    """Return numbers for names, in their sorted order; each that is None has a number of its own, after them."""
    numbers = {name: number for number, name in enumerate(sorted({name for name in names if name is not None}))}
    found = np.empty(len(names), dtype=np.intp)
    free = len(numbers)
    for row, name in enumerate(names):
        if name is None:
            found[row], free = free, free + 1
        else:
            found[row] = numbers[name]
    return found


def alike(squared: Array, *, length: float) -> Array:
    """Return the squared exponential correlation of squared distances (any shape).

    >>> float(alike(np.array(8.0), length=2.0).round(6))
    0.367879
    """
    return np.asarray(np.exp(squared / (-2 * length**2)))


def smooth_covariance(marks: Coded, variances: Variances) -> Array:
    """Return the covariance of the smooth parts and of set-ups played again (n, n): what the nearest are weighed by."""
    return _kept(marks, variances)[0]


def level_covariance(marks: Coded, variances: Variances, wider: Array) -> Array:
    """Return the covariance of levels and slopes (n, n); ``wider`` (n,) is what the variance of the mark's player is multiplied by."""
    return np.asarray(_kept(marks, variances)[1] + marks.same("player") * (variances.player**2 * wider[:, None]))


def _kept(marks: Coded, variances: Variances) -> tuple[Array, Array]:
    """Return the smooth covariance and that of levels but the players', computed once for the same marks and variances."""
    if variances not in marks.kept:
        v, own = variances, marks.same("player")
        smooth = alike(marks.squared, length=v.length) * (v.smooth**2 + v.own**2 * own)
        smooth += v.setup**2 * marks.same("setup")
        levels = v.slope**2 * own * (marks.slopes @ marks.slopes.T)
        for part in GROUPED:
            if part not in ("player", "setup"):
                levels += getattr(v, part) ** 2 * marks.same(part)
        marks.kept.clear()
        marks.kept[variances] = smooth, levels
    return marks.kept[variances]


def between(one: Coded, other: Coded, variances: Variances, wide: Array) -> Array:
    """Return the covariance of what is expected of some set-ups with that of others (n, m), sittings left out; ``wide`` (n,) as ``wider`` above."""
    v = variances

    def same(part: str) -> Array:
        known = one.codes[part] >= 0
        return np.asarray((one.codes[part][:, None] == other.codes[part][None, :]) & known[:, None], dtype=float)

    own = same("player")
    found = own * (v.player**2 * wide[:, None] + v.slope**2 * (one.slopes @ other.slopes.T))
    found += alike(squared_between(one.features, other.features), length=v.length) * (v.smooth**2 + v.own**2 * own)
    for part in GROUPED:
        if part not in ("player", "sitting"):
            found += getattr(v, part) ** 2 * same(part)
    return np.asarray(found)


def own_variance(marks: Coded, variances: Variances, wide: Array, *, without: Sequence[str] = ()) -> Array:
    """Return the variance of what is expected of some set-ups before any mark (n,), sittings and the parts ``without`` left out."""
    v = variances
    found = v.player**2 * wide + v.slope**2 * (marks.slopes**2).sum(axis=1) + v.smooth**2 + v.own**2
    return np.asarray(found + sum(getattr(v, part) ** 2 for part in GROUPED if part not in ("player", "sitting", *without)))
