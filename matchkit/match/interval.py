"""How far the next rating may be from the expected one: split conformal, from out-of-fold residuals."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
Index = NDArray[np.intp]

LEVEL = 0.8
MIN_ROWS = 40
MIN_GROUPS = 8
FOLDS = 8


def conformal_rank(count: int, *, level: float = LEVEL) -> int:
    """Give which of ``count`` sorted residuals bounds the interval: ``ceil((n + 1) level - 1e-9)``.

    Split conformal (Vovk et al.; see docs/physics.md for what it promises). May exceed ``count``, when no finite bound exists.

    >>> conformal_rank(99, level=0.9), conformal_rank(19, level=0.9), conformal_rank(3, level=0.8)
    (90, 18, 4)
    """
    return math.ceil((count + 1) * level - 1e-9)


def half_width(residuals: Array, groups: Sequence[str], *, level: float = LEVEL) -> float | None:
    """Give the half width in rating points, or None: below 40 rows or 8 groups there are not enough playtests."""
    if len(residuals) < MIN_ROWS or len(set(groups)) < MIN_GROUPS:
        return None
    rank = conformal_rank(len(residuals), level=level)
    if rank > len(residuals):
        return None
    return float(np.sort(np.abs(residuals))[rank - 1])


def group_folds(groups: Sequence[str], sessions: Sequence[str | None]) -> Iterator[tuple[Index, Index]]:
    """Give train and test rows, a whole group held out at a time; a session of the test rows is never trained on.

    Groups are dealt out by sorted name, so the folds do not depend on the order of the rows.
    """
    names = sorted(set(groups))
    fold_of = {name: place % FOLDS for place, name in enumerate(names)}
    fold = np.array([fold_of[group] for group in groups])
    for number in range(min(FOLDS, len(names))):
        test = np.flatnonzero(fold == number)
        seen = {sessions[int(row)] for row in test} - {None}
        others = np.flatnonzero(fold != number)
        train = np.array([row for row in others if sessions[int(row)] not in seen], dtype=np.intp)
        if len(train):
            yield train, test
