"""What marks of one instrument say together: ``(K + noise) a = r`` solved, once for all that is asked of it.

Up to :data:`MOST_DENSE` marks the covariance is written out and inverted; where there are more its smooth part goes through centres.
"""

from __future__ import annotations

from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from matchkit.learn.kriging.centred import Centred
from matchkit.learn.kriging.covariance import level_covariance, smooth_covariance
from matchkit.learn.kriging.likelihood import Weighed
from matchkit.learn.kriging.variances import Variances

Array = NDArray[np.float64]
Index = NDArray[np.intp]

MOST_DENSE = 2000


class Dense:
    """A system that is written out."""

    def __init__(self, weighed: Weighed, variances: Variances) -> None:
        self.marks, self.variances = weighed.marks, variances
        self.noise = weighed.noise(variances)
        self.wider = weighed.wider

    @property
    def smooth(self) -> Array:
        """Covariance of the smooth parts (n, n)."""
        return smooth_covariance(self.marks, self.variances)

    @cached_property
    def inverse(self) -> Array:
        """``(K + noise)^-1``, (n, n); by numpy alone, so that a small house is answered without scipy.

        Refined by one step of Newton's method, ``X (2 - A X)`` (Schulz 1933), so that the last digits of a machine's own inverse do not tell.
        """
        whole, rows = self._whole(), np.arange(len(self.marks))
        found = np.linalg.inv(whole)
        rest = whole @ found
        rest[rows, rows] -= 1
        return np.asarray(found - found @ rest)

    def _whole(self) -> Array:
        whole = self.smooth + level_covariance(self.marks, self.variances, self.wider)
        rows = np.arange(len(whole))
        whole[rows, rows] += self.noise
        return np.asarray(whole)

    def solve(self, right: Array) -> Array:
        """Return ``(K + noise)^-1 right`` for columns (n, c)."""
        return np.asarray(self.inverse @ right)

    def solve_once(self, right: Array) -> Array:
        """Return the same where nothing else is asked of this system: without its inverse, which takes three times as long."""
        return np.asarray(np.linalg.solve(self._whole(), right))

    def levels(self, pull: Array) -> Array:
        """Return ``K_levels pull`` for columns (n, c)."""
        return np.asarray(level_covariance(self.marks, self.variances, self.wider) @ pull)


def solved(weighed: Weighed, variances: Variances) -> Dense | Centred:
    """Return the system of one instrument."""
    return Dense(weighed, variances) if len(weighed.marks) <= MOST_DENSE else Centred(weighed, variances)
