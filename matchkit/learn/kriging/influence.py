"""No single mark decides: a mark far from what all others let expect of it counts less, and one that was given twice counts in full.

Noise is taken to have two parts, 97 of 100 Gaussian and the rest anything from 0 to 10 (a contaminated normal: Tukey 1960, from memory). Each mark
is judged from all others; a player's second mark like it on the same set-up stands by it, and both count in full.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from matchkit.learn.kriging.covariance import Coded

Array = NDArray[np.float64]

SLIPS = 0.03
"""Share of marks that may be anything (assumed)."""
WHOLE_LINE = 10.0
LEAST_TRUST = 1e-6
"""What a mark that is taken for a slip counts: nothing, to six digits."""
DOUBTED = 0.5
"""A mark that is less likely than this to be none is taken for a slip, and asked about."""
LIKE = 2.0
"""Points within which two marks of a player on one set-up say the same."""
VOUCHES = 0.5
"""A mark that counts for less than this stands by no other, and none by it."""
TAIL = 3.0
"""Degrees of freedom of how far players' levels lie apart."""


def trusted(missed: Array, variance: Array) -> Array:
    """Return how likely each mark is no slip (n,): ``missed`` is the mark less what the others let expect, with its variance.

    One that is more likely a slip than not does not count, until a second one says the same.

    >>> trusted(np.array([0.0, 8.0]), np.array([1.0, 1.0])).round(3)
    array([0.992, 0.   ])
    """
    usual = (1 - SLIPS) * np.exp(-(missed**2) / (2 * variance)) / np.sqrt(2 * np.pi * variance)
    likely = usual / (usual + SLIPS / WHOLE_LINE)
    return np.asarray(np.where(likely < DOUBTED, LEAST_TRUST, likely))


def stood_by(marks: Coded) -> NDArray[np.bool_]:
    """Return whether a player gave a set-up another mark like this one (n,); what only says little vouches for none."""
    setup, mark = marks.codes["setup"], marks.mark
    order = np.lexsort((mark, setup))
    vouches = marks.trust[order] >= VOUCHES
    close = (np.diff(setup[order]) == 0) & (np.diff(mark[order]) <= LIKE) & vouches[1:] & vouches[:-1]
    found = np.zeros(len(mark), dtype=bool)
    found[order[1:][close]] = True
    found[order[:-1][close]] = True
    return found


def alone(marks: Coded) -> NDArray[np.bool_]:
    """Return whether a mark is the only one of its player (n,): nobody can say yet how that one marks."""
    code = marks.codes["player"]
    return np.asarray(np.bincount(code)[code] == 1)


def wider_levels(effect: Array, sd: float) -> Array:
    """Return what the variance of each level is multiplied by where levels have t tails: one far out is let be far out.

    >>> wider_levels(np.array([0.0, 3.0]), 1.0).round(2)
    array([0.75, 3.  ])
    """
    return np.asarray((TAIL + (effect / max(sd, 1e-9)) ** 2) / (TAIL + 1))
