"""Players use the 0-10 line differently: their marks on one common scale, and what is said of a set-up back on each player's own line.

One player's eight is another's six, and one spreads marks over the whole line where another keeps to its middle. A player with eight rated
playtests or more has an offset and a spread, each shrunk towards none by the share that chance has in how far players differ (empirical Bayes
by the method of moments: Efron and Morris 1973, from memory):

* offset   the mean ``m`` of what the line missed in the player's marks, times ``t / (t + v)``: ``v = scatter / n`` is how far chance moves
  ``m``, and ``t`` what players' means vary beyond it;
* spread   ``exp`` of ``ln(s / e)`` times ``t / (t + v)``: ``s`` is the standard deviation of the marks, ``e`` the one to expect of the
  set-ups played (what the line expects of them varies, and marks scatter about it), and ``v = (kurtosis - 1) / 4 (n - 1)`` the
  large-sample variance of ``ln s`` (Kendall and Stuart, from memory; ``1 / 2(n - 1)`` for normal marks).

Where players do not differ more than chance would have them, all marks stay as given. A player whose taste is far from what is measured spreads
marks too, and nothing in marks tells the two apart.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from matchkit.match.rated import RatedTests, fit_line

Array = NDArray[np.float64]
Line = tuple[float, float]

LEAST_TESTS = 8
"""A player with fewer rated playtests has no line of their own: their marks are taken as given."""

WIDEST = 2.0
"""No player is taken to spread marks more than so many times as far as is to be expected, or less than one over it."""

WHOLE_LINE = 10.0
"""Points between the ends of the line of marks."""


@dataclass(frozen=True)
class OwnLine:
    """How one player uses the line: ``mark = middle + offset + spread (common - middle)``, in points.

    ``middle`` is what was to be expected of the set-ups they played, ``tests`` how many they rated.

    >>> line = OwnLine(offset=1.0, spread=0.5, middle=6.0, tests=20)
    >>> float(line.own(8.0)), float(line.common(line.own(8.0)))
    (8.0, 8.0)
    """

    offset: float = 0.0
    spread: float = 1.0
    middle: float = 0.0
    tests: int = 0

    def __post_init__(self) -> None:
        """Refuse a line that puts marks nowhere, as a spoilt file may hold one."""
        if not (math.isfinite(self.start) and 0 < self.spread < math.inf):
            raise ValueError(f"no line of marks: {self.offset}, {self.spread}, {self.middle}")

    @property
    def start(self) -> float:
        """What a mark of 0 on the common scale is on this line."""
        return self.middle + self.offset - self.spread * self.middle

    def own(self, common: Array | float) -> Array:
        """Put marks of the common scale (any shape) on this player's line."""
        return np.asarray(self.start + self.spread * np.asarray(common, dtype=float))

    def common(self, mark: Array | float) -> Array:
        """Put this player's marks (any shape) on the common scale."""
        return np.asarray((np.asarray(mark, dtype=float) - self.start) / self.spread)


def missed_on(spread: Array | float, residual: Array) -> Array:
    """Give residuals of the common scale on lines of such spread (broadcast), at most as long as the whole line."""
    return np.asarray(np.clip(spread * residual, -WHOLE_LINE, WHOLE_LINE))


AS_GIVEN = OwnLine()
"""The line of a player with too few playtests, or none."""

OwnLines = Mapping[str, OwnLine]


def own_lines(players: Sequence[str], rating: Array, expected: Array) -> dict[str, OwnLine]:
    """Give the line of every player who has rated enough, from marks (n,) and what was expected of them (n,).

    >>> own_lines(["a"] * 7, np.arange(7.0), np.zeros(7))
    {}
    """
    if not len(rating):
        return {}
    names, place, count = np.unique(np.array(players), return_inverse=True, return_counts=True)

    def mean(values: Array) -> Array:
        return np.asarray(np.bincount(place, values) / count)

    def variance(values: Array) -> Array:
        return np.asarray(np.bincount(place, (values - mean(values)[place]) ** 2) / np.maximum(count - 1, 1))

    many = count >= LEAST_TESTS
    if many.sum() < 2:
        return {}  # nobody to differ from
    missed = rating - expected
    scatter = float((variance(missed) * (count - 1)).sum() / (count - 1).sum())
    offset = _shrunk(mean(missed), scatter / count, many)
    wanted = np.maximum(variance(expected) + scatter, 1e-12)
    ratio = np.log(np.clip(variance(rating) / wanted, WIDEST**-2, WIDEST**2)) / 2
    apart = rating - mean(rating)[place]
    kurtosis = float(np.mean(apart**4) / max(float(np.mean(apart**2)) ** 2, 1e-12))
    spread = np.exp(_shrunk(ratio, max(kurtosis - 1, 0.0) / (4 * np.maximum(count - 1, 1)), many))
    middle = mean(expected)
    return {
        str(names[row]): OwnLine(
            offset=round(float(offset[row]), 12),
            spread=round(float(spread[row]), 12),
            middle=round(float(middle[row]), 12),
            tests=int(count[row]),
        )
        for row in np.flatnonzero(many)
    }


def _shrunk(found: Array, chance: Array, many: NDArray[np.bool_]) -> Array:
    """Shrink what was found of each player (p,) by its variance by chance (p,); ``many`` says whose tell how far players differ."""
    beyond = max(float(found[many].var(ddof=1) - chance[many].mean()), 0.0)
    return np.asarray(found * beyond / np.maximum(beyond + chance, 1e-12))


def common_marks(players: Sequence[str], rating: Array, lines: OwnLines) -> Array:
    """Put everybody's marks (n,) on the common scale."""
    start, spread = line_arrays(players, lines)
    return np.asarray((rating - start) / spread)


def line_arrays(players: Sequence[str], lines: OwnLines) -> tuple[Array, Array]:
    """Give start and spread of the line of the player of each row, both (n,)."""
    names, place = np.unique(np.array(players, dtype=np.str_), return_inverse=True)
    each = [lines.get(str(name), AS_GIVEN) for name in names]
    return (
        np.array([line.start for line in each], dtype=float)[place],
        np.array([line.spread for line in each], dtype=float)[place],
    )


def fit_common(tests: RatedTests) -> tuple[Line, dict[str, OwnLine]]:
    """Fit the line from D to a mark on the common scale, and the players' own lines.

    The line is fitted to the marks as given, the players' lines to what it missed, and then the line anew to the marks on the common scale.
    """
    start, slope = fit_line(tests.overall_d, tests.rating)
    lines = own_lines(tests.players, tests.rating, start + slope * tests.overall_d)
    return fit_line(tests.overall_d, common_marks(tests.players, tests.rating, lines)), lines
