"""How far the next mark may be from the expected one: what was missed in marks left out, over what the model expects to miss."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
Index = NDArray[np.intp]

Kind = Literal["new player", "new mouthpiece", "new pair"]
KINDS: tuple[Kind, ...] = ("new player", "new mouthpiece", "new pair")

LEVEL = 0.8
NORMAL = 1.2815515655446004
"""Standard deviations either side that hold 80 % of a normal distribution."""
AS_UNITS = 8
"""The model's own width counts as so many units; below as many it stands alone."""


@dataclass(frozen=True)
class Interval:
    """Half widths in standard deviations of the model: ``q`` for one kind of question, from ``units`` that were left out.

    ``own`` says that there were too few, and that it is the model's own.
    """

    q: float
    units: int

    @property
    def own(self) -> bool:
        """Whether it is the model's own, as there were fewer than eight units."""
        return self.units < AS_UNITS

    def half_width(self, sd: Array | float) -> Array:
        """Return the half width for standard deviations (any shape), in points of a mark."""
        return np.asarray(self.q * np.asarray(sd, dtype=float))


def unit_quantile(scaled: Array, units: Sequence[str], *, level: float = LEVEL) -> float:
    """Return the quantile of what was missed, each unit weighing the same and one more unit at infinity.

    With one residual a unit it is the split conformal bound (Vovk, Gammerman and Shafer 2005, from memory): the ``ceil((n + 1) level)``-th of them.

    >>> unit_quantile(np.arange(1.0, 10.0), [str(k) for k in range(9)])
    8.0
    """
    names, place, count = np.unique(np.array(units, dtype=np.str_), return_inverse=True, return_counts=True)
    weight = 1 / count[place] / (len(names) + 1)
    order = np.argsort(scaled, kind="stable")
    reached = np.flatnonzero(np.cumsum(weight[order]) >= level - 1e-9)
    return float(scaled[order][reached[0]]) if len(reached) else math.inf


def fit_interval(scaled: Array, units: Sequence[str]) -> Interval:
    """Return the interval from what was missed over the model's standard deviation (n,), shrunk towards the model's own as by eight units."""
    count = len(set(units))
    found = unit_quantile(np.abs(scaled), units) if count else math.inf
    if count < AS_UNITS or not math.isfinite(found) or found <= 0:
        return Interval(NORMAL, min(count, AS_UNITS - 1))
    q = math.exp((count * math.log(found) + AS_UNITS * math.log(NORMAL)) / (count + AS_UNITS))
    return Interval(float(f"{q:.6g}"), count)
