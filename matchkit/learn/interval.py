"""How far the next rating may be from the expected one: split conformal, from out-of-fold residuals."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
Index = NDArray[np.intp]

LEVEL = 0.8
MIN_ROWS = 40
MIN_GROUPS = 8
FOLDS = 8


def conformal_rank(count: int, *, level: float = LEVEL) -> int:
    """Return which of ``count`` sorted residuals bounds the interval: ``ceil((n + 1) level - 1e-9)``.

    Split conformal (Vovk et al.; see docs/physics.md for what it promises). May exceed ``count``, when no finite bound exists.

    >>> conformal_rank(99, level=0.9), conformal_rank(19, level=0.9), conformal_rank(3, level=0.8)
    (90, 18, 4)
    """
    return math.ceil((count + 1) * level - 1e-9)


@dataclass(frozen=True)
class Interval:
    """An interval whose width follows the evidence: half width ``q sqrt(s0^2 + s1^2 / (evidence + kappa))``, in rating points."""

    q: float
    s0: float
    s1: float
    kappa: float

    def half_width(self, evidence: Array | float) -> Array:
        """Return the half width for an evidence (any shape)."""
        return self.q * scale(evidence, s0=self.s0, s1=self.s1, kappa=self.kappa)


def scale(evidence: Array | float, *, s0: float, s1: float, kappa: float) -> Array:
    """Return ``sqrt(s0^2 + s1^2 / (evidence + kappa))``; without shrinkage an evidence of nothing counts as a thousandth."""
    total = np.maximum(np.asarray(evidence, dtype=float) + kappa, 1e-3)
    return np.asarray(np.sqrt(s0**2 + s1**2 / total))


def fit_interval(
    residuals: Array, evidence: Array, groups: Sequence[str], *, kappa: float, level: float = LEVEL
) -> Interval | None:
    """Fit the scale to squared residuals by non-negative least squares, then take the order statistic of the scaled ones.

    None where there are below 40 rows or 8 groups, or where no finite bound exists: there are not enough playtests.
    """
    from scipy.optimize import nnls

    if len(residuals) < MIN_ROWS or len(set(groups)) < MIN_GROUPS:
        return None
    rank = conformal_rank(len(residuals), level=level)
    if rank > len(residuals):
        return None
    total = np.maximum(evidence + kappa, 1e-3)
    squares, _ = nnls(np.column_stack([np.ones_like(total), 1 / total]), residuals**2)
    if not squares.any():  # every residual is nothing
        squares = np.array([1.0, 0.0])
    s0, s1 = (float(part) for part in np.sqrt(squares))
    scaled = np.abs(residuals) / scale(evidence, s0=s0, s1=s1, kappa=kappa)
    return Interval(float(np.sort(scaled)[rank - 1]), s0, s1, kappa)


def fold_of(groups: Sequence[str], *, folds: int = FOLDS) -> Index:
    """Deal groups out to the folds by sorted name, so that the folds do not depend on the order of the rows."""
    names = sorted(set(groups))
    place = {name: number % folds for number, name in enumerate(names)}
    return np.array([place[group] for group in groups], dtype=np.intp)


def group_folds(groups: Sequence[str], sessions: Sequence[str | None], *, folds: int = FOLDS) -> Iterator[tuple[Index, Index]]:
    """Return train and test rows, whole groups held out at a time; a session of the test rows is never trained on."""
    fold = fold_of(groups, folds=folds)
    for number in range(min(folds, len(set(groups)))):
        test = np.flatnonzero(fold == number)
        train = without_sessions(np.flatnonzero(fold != number), test, sessions)
        if len(train):
            yield train, test


def crossed_folds(one: Sequence[str], two: Sequence[str], sessions: Sequence[str | None]) -> Iterator[tuple[Index, Index]]:
    """Return train and test rows with both groups new: tests of one fold of each, trained on rows of neither."""
    first, second = fold_of(one), fold_of(two)
    for a in range(min(FOLDS, len(set(one)))):
        for b in range(min(FOLDS, len(set(two)))):
            test = np.flatnonzero((first == a) & (second == b))
            train = without_sessions(np.flatnonzero((first != a) & (second != b)), test, sessions)
            if len(train) and len(test):
                yield train, test


def without_sessions(train: Index, test: Index, sessions: Sequence[str | None]) -> Index:
    """Leave out training rows that share a session with a test row."""
    seen = {sessions[int(row)] for row in test} - {None}
    return np.array([row for row in train if sessions[int(row)] not in seen], dtype=np.intp)
