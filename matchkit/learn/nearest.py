"""The nearest playtests of a set-up: an exact search in numpy alone, so that a small house is answered without scikit-learn.

Squared distances are first estimated in single precision, all at once (``|a|^2 - 2 a b + |b|^2``), which rounds. The estimate only says which
rows cannot be among the nearest: what is within its error of the k-th is measured again from differences, by one function, and sorted.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

from matchkit.learn.threads import one_thread

Array = NDArray[np.float64]
Index = NDArray[np.intp]
Extra = Callable[[slice], Array]

DECIMALS = 9
"""Distances are rounded to this before they are compared; equal ones stand in training order."""

_BLOCK = 64
_GROUPS_A_NEIGHBOUR = 4
_SAFETY = 8


def squared_distances(one: Array, other: Array) -> Array:
    """Return squared Euclidean distances (M,) of rows (M, f), from their differences."""
    apart = one - other
    return np.asarray(np.einsum("ij,ij->i", apart, apart))


def nearest(asked: Array, known: Array, k: int, *, extra: Extra | None = None) -> tuple[Array, Index]:
    """Return distances (N, k) and rows (N, k) of the ``k`` nearest of ``known`` (n, f) to each of ``asked`` (N, f), nearest first.

    Parameters
    ----------
    asked, known
        features, finite
    k
        neighbours wanted; all of them where there are fewer
    extra
        what is added to the squared distances: given a slice of ``asked``, an array (rows, n) or (1, n), not negative

    Notes
    -----
    Ties, to 1e-9, go in the order of ``known``. The k-th smallest of the smallest of each group is no smaller than the k-th smallest of
    all, so no more than that is measured again.
    """
    count, wanted = len(known), min(k, len(known))
    distance, index = np.empty((len(asked), wanted)), np.empty((len(asked), wanted), dtype=np.intp)
    if not wanted or not len(asked):
        return distance, index
    size = -(-count // min(count, _GROUPS_A_NEIGHBOUR * wanted))
    groups = -(-count // size)
    middle = known.mean(axis=0)
    near, far = (asked - middle).astype(np.float32), (known - middle).astype(np.float32)
    lengths = (far.astype(float) ** 2).sum(axis=1)
    square = np.full(groups * size, np.inf, dtype=np.float32)
    square[:count] = lengths
    turned = np.zeros((known.shape[1], groups * size), dtype=np.float32)
    turned[:, :count] = -2 * far.T
    reach = np.sqrt((near.astype(float) ** 2).sum(axis=1)) + np.sqrt(lengths.max())
    error = _SAFETY * np.finfo(np.float32).eps * (known.shape[1] + 1) * reach**2
    with one_thread():
        for start in range(0, len(asked), _BLOCK):
            rows = slice(start, min(start + _BLOCK, len(asked)))
            guess = near[rows] @ turned
            guess += square
            allowed = error[rows].copy()
            more = None if extra is None else extra(rows)
            if more is not None:
                guess[:, :count] += more
                allowed += _SAFETY * np.finfo(np.float32).eps * np.max(more)
            least = guess.reshape(len(guess), groups, size).min(axis=2)
            limit = np.partition(least, wanted - 1, axis=1)[:, wanted - 1] + 2 * allowed
            found = np.flatnonzero(guess <= limit[:, None])
            row, column = np.divmod(found, groups * size)
            measured = squared_distances(asked[start + row], known[column])
            if more is not None:
                measured += np.broadcast_to(more, (len(guess), count))[row, column]
            apart = np.sqrt(measured).round(DECIMALS)
            order = np.lexsort((column, apart, row))
            first = np.searchsorted(row, np.arange(len(guess)))  # rows come in order already
            kept = order[first[:, None] + np.arange(wanted)]
            distance[rows], index[rows] = apart[kept], column[kept]
    return distance, index
