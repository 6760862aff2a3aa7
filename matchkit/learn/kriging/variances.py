"""How far each part of a mark varies: standard deviations in points of the 0-10 line, and the length of the smooth parts."""

from __future__ import annotations

from dataclasses import asdict, dataclass, fields

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Variances:
    """Standard deviations of what a mark is made of, in points, and ``length`` in scaled features.

    The defaults are priors (assumed; they worked on invented houses). ``slope`` is points a scaled feature.
    """

    player: float = 0.5
    mouthpiece: float = 0.4
    line: float = 0.3
    slope: float = 0.4
    smooth: float = 0.7
    own: float = 0.6
    setup: float = 0.5
    sitting: float = 0.3
    contact: float = 0.2
    ligature: float = 0.2
    own_contact: float = 0.3
    noise: float = 0.9
    length: float = 2.0

    def __post_init__(self) -> None:
        """Refuse what is no standard deviation, as a spoilt file may hold one."""
        values = np.array(list(asdict(self).values()), dtype=float)
        if not (np.all(np.isfinite(values)) and np.all(values >= 0) and self.noise > 0 and self.length > 0):
            raise ValueError(f"no standard deviations: {asdict(self)}")

    @property
    def new_mark(self) -> float:
        """Variance of a further mark about what is expected: noise and the level of its sitting."""
        return self.noise**2 + self.sitting**2


PRIOR = Variances()
NAMES = tuple(field.name for field in fields(Variances))
GROUPED = ("player", "mouthpiece", "line", "setup", "sitting", "contact", "ligature", "own_contact")
"""Parts that are a level for each of something."""

PRIOR_WIDTH = 0.7
"""How far a standard deviation may be from its prior, as a standard deviation of its logarithm."""
LENGTH_WIDTH = 0.35
NOISE_WIDTH = 0.25

LINE_START, LINE_SLOPE = 3.5, 4.5
"""The mark to expect with no marks at all: 3.5 + 4.5 D."""
U_LINE_START, U_LINE_SLOPE = 2.0, 4.0
LEAST_SLOPE = 0.5


def widths() -> Array:
    """Return the widths of the priors, in the order of :data:`NAMES`."""
    special = {"length": LENGTH_WIDTH, "noise": NOISE_WIDTH}
    return np.array([special.get(name, PRIOR_WIDTH) for name in NAMES])


def logarithms(variances: Variances) -> Array:
    """Return the logarithms of all of them (13,)."""
    return np.asarray(np.log(np.array([getattr(variances, name) for name in NAMES], dtype=float)))


def from_logarithms(values: Array) -> Variances:
    """Return variances from their logarithms, to six digits."""
    return Variances(**{name: float(f"{np.exp(value):.6g}") for name, value in zip(NAMES, values, strict=True)})
