"""Players use the 0-10 line differently: their marks on one common scale, and what is said of a set-up back on each player's own line.

One player's eight is another's six, and one spreads marks over the whole line where another keeps to its middle. A player with eight rated
playtests or more has an offset and a spread against the others of the instrument. Both are shrunk towards none by the share that chance has
in how far players differ (empirical Bayes by the method of moments: Efron and Morris 1973, from memory):

* offset   how far the mean of what the line missed lies from that of the instrument's other players, times ``t / (t + v)``: ``v`` is the scatter of
  mouthpieces over their number, ``t`` what players' means vary beyond it. Marks on one mouthpiece have much in common, so each mouthpiece of a
  player counts once, with the mean of its marks;
* spread   ``exp`` of ``ln(s / e)``, less the mean of the instrument's players, times ``t / (t + v)``: ``s`` is the standard deviation of the
  player's marks over ``n`` set-ups, each with the mean of its marks, ``e`` the one to expect of them (what the line expects varies, and set-ups
  scatter about it), and ``v = (kurtosis - 1) / 4 (n - 1)`` the large-sample variance of ``ln s`` (Kendall and Stuart, from memory; ``1 / 2(n - 1)`` for normal marks).

What an instrument's players miss alike is none of theirs and stays in the marks. Where players do not differ more than chance would have them, or are
too few to tell, marks stay as given. A player whose taste is far from what is measured spreads marks too, and nothing in marks tells the two
apart. Blind and repeated marks count as much as others here.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from matchkit.learn.marks import RatedTests, fit_line

Array = NDArray[np.float64]
Index = NDArray[np.intp]
Line = tuple[float, float]

LEAST_TESTS = 8
"""A player with fewer rated playtests has no line of their own: their marks are taken as given."""

LEAST_FREE = 3
"""Players with enough playtests, less one an instrument, from which on it can be told how far players differ."""

LEAST_SETUPS = 3
"""Set-ups from which on a player's spread can be told."""

WIDEST = 2.0
"""No player is taken to spread marks more than so many times as far as is to be expected, or less than one over it."""

WHOLE_LINE = 10.0
"""Points between the ends of the line of marks."""


@dataclass(frozen=True)
class RaterCalibration:
    """How one player uses the line: ``mark = middle + offset + spread (common - middle)``, in points.

    ``middle`` is what was to be expected of the set-ups they played, ``tests`` how many they rated.

    >>> line = RaterCalibration(offset=1.0, spread=0.5, middle=6.0, tests=20)
    >>> float(line.own(8.0)), float(line.common(line.own(8.0)))
    (8.0, 8.0)
    """

    offset: float = 0.0
    spread: float = 1.0
    middle: float = 0.0
    tests: int = 0

    def __post_init__(self) -> None:
        """Refuse a line that puts marks nowhere, as a spoilt file may hold one."""
        if not (abs(self.offset) <= WHOLE_LINE and 0 < self.spread <= WIDEST and math.isfinite(self.start)):
            raise ValueError(f"no line of marks: {self.offset}, {self.spread}, {self.middle}")

    @property
    def start(self) -> float:
        """What a mark of 0 on the common scale is on this line."""
        return self.middle + self.offset - self.spread * self.middle

    def own(self, common: Array | float) -> Array:
        """Put marks of the common scale (any shape) on this player's line."""
        return np.asarray(self.start + self.spread * np.asarray(common, dtype=float))

    def within(self, line: Line) -> RaterCalibration:
        """Return the nearest line on which no set-up is expected to be marked below 0 or above 10, ``line`` being the one from D to a mark."""
        spread = min(self.spread, WHOLE_LINE / max(line[1], 1e-12))
        own = replace(self, spread=spread)
        low, high = float(own.own(line[0])), float(own.own(line[0] + line[1]))
        return replace(own, offset=own.offset - max(high - WHOLE_LINE, 0.0) - min(low, 0.0))

    def common(self, mark: Array | float) -> Array:
        """Put this player's marks (any shape) on the common scale."""
        return np.asarray((np.asarray(mark, dtype=float) - self.start) / self.spread)


def rescale_residuals(spread: Array | float, residual: Array) -> Array:
    """Return residuals of the common scale on lines of such spread (broadcast), at most as long as the whole line."""
    return np.asarray(np.clip(spread * residual, -WHOLE_LINE, WHOLE_LINE))


IDENTITY = RaterCalibration()
"""The line of a player with too few playtests, or none."""

Raters = Mapping[str, RaterCalibration]


@dataclass(frozen=True)
class CommonScale:
    """The line from D to a mark on the common scale, and players' own lines."""

    line: Line
    raters: dict[str, RaterCalibration]


def calibrate_raters(tests: RatedTests, *, flat: bool = False) -> CommonScale:
    """Fit both: the line to marks as given, players' lines to what it missed, and then the line anew to marks on the common scale.

    ``flat`` puts the mean mark in the place of the line. Own lines stay within the line of marks for every D.
    """
    start, slope = line_of(tests.overall_d, tests.rating, flat=flat)
    lines = raters(tests, start + slope * tests.overall_d)
    line = line_of(tests.overall_d, common_marks(tests.players, tests.rating, lines), flat=flat)
    return CommonScale(line, {player: own.within(line) for player, own in lines.items()})


def line_of(overall_d: Array, marks: Array, *, flat: bool = False) -> Line:
    """Fit the line from D to a mark, or the mean mark where it shall be ``flat``."""
    return (float(marks.mean()), 0.0) if flat else fit_line(overall_d, marks)


def raters(tests: RatedTests, expected: Array) -> dict[str, RaterCalibration]:
    """Return the line of every player who has rated enough, against what was expected of each test (n,)."""
    if not len(tests):
        return {}
    names, player, count = np.unique(np.array(tests.players), return_inverse=True, return_counts=True)
    _, instrument = np.unique(np.array(tests.instruments), return_inverse=True)
    plays = instrument[np.unique(player, return_index=True)[1]]  # players have one each
    enough = count >= LEAST_TESTS
    pieces = _Units(player, tests.mouthpieces, expected, tests.rating)
    if pieces.scatter is None:
        return {}  # nobody rated two mouthpieces
    offset, level = _shrunk(pieces.mean_missed, pieces.scatter / pieces.count, plays, enough)
    setups = _Units(player, [f"{m}\t{r}" for m, r in zip(tests.mouthpieces, tests.reeds, strict=True)], expected, tests.rating)
    ratio, chance = setups.spread()
    told = enough & (setups.count >= LEAST_SETUPS)
    spread = np.where(told, np.exp(_shrunk(ratio, chance, plays, told)[0]), 1.0)
    middle = pieces.mean_wanted + level
    return {
        str(names[row]): RaterCalibration(
            offset=round(float(np.clip(offset[row], -WHOLE_LINE, WHOLE_LINE)), 12),
            spread=round(float(np.clip(spread[row], 1 / WIDEST, WIDEST)), 12),
            middle=round(float(middle[row]), 12),
            tests=int(count[row]),
        )
        for row in np.flatnonzero(enough)
    }


class _Units:
    """Marks and what was expected of them, averaged over what each player marked more than once; arrays by player (p,) but where said."""

    def __init__(self, player: Index, what: Sequence[str], expected: Array, rating: Array) -> None:
        _, kind = np.unique(np.array(what), return_inverse=True)
        _, first, unit = np.unique(player * (kind.max() + 1) + kind, return_index=True, return_inverse=True)
        self._owner = player[first]
        self.count = np.bincount(self._owner, minlength=int(player.max()) + 1)
        self._marks, self._wanted = (np.bincount(unit, values) / np.bincount(unit) for values in (rating, expected))
        self.mean_missed = self._mean(self._marks - self._wanted)
        self.mean_wanted = self._mean(self._wanted)
        free = int((self.count - 1).sum())
        missed = self._variance(self._marks - self._wanted)
        self.scatter = float((missed * (self.count - 1)).sum() / free) if free else None
        """Variance of what the line missed within players; None where nobody marked two things."""

    def _mean(self, values: Array) -> Array:
        return np.asarray(np.bincount(self._owner, values) / self.count)

    def _variance(self, values: Array) -> Array:
        squares = np.bincount(self._owner, (values - self._mean(values)[self._owner]) ** 2)
        return np.asarray(squares / np.maximum(self.count - 1, 1))

    def spread(self) -> tuple[Array, Array]:
        """Return ``ln(s / e)`` and its variance by chance."""
        wanted = np.maximum(self._variance(self._wanted) + (self.scatter or 0.0), 1e-12)
        ratio = np.log(np.clip(self._variance(self._marks) / wanted, WIDEST**-2, WIDEST**2)) / 2
        apart = self._marks - self._mean(self._marks)[self._owner]
        kurtosis = float(np.mean(apart**4) / max(float(np.mean(apart**2)) ** 2, 1e-12))
        return ratio, max(kurtosis - 1, 0.0) / (4 * np.maximum(self.count - 1, 1))


def _shrunk(found: Array, chance: Array, plays: Index, told: NDArray[np.bool_]) -> tuple[Array, Array]:
    """Shrink what was found of each player (p,) towards the mean of their instrument, by its variance by chance (p,).

    Gives what is left of it, and that mean, both (p,). ``told`` says whose count; nothing is left where there are too few.
    """
    many = np.bincount(plays[told], minlength=plays.max() + 1)
    level = (np.bincount(plays[told], found[told], minlength=len(many)) / np.maximum(many, 1))[plays]
    free = int(np.maximum(many - 1, 0).sum())
    if free < LEAST_FREE:
        return np.zeros(len(found)), level
    off = found - level
    beyond = max(float((off[told] ** 2).sum() / free - chance[told].mean()), 0.0)
    return np.asarray(np.where(told, off * beyond / np.maximum(beyond + chance, 1e-12), 0.0)), level


def common_marks(players: Sequence[str], rating: Array, lines: Raters) -> Array:
    """Put everybody's marks (n,) on the common scale."""
    start, spread = line_arrays(players, lines)
    return np.asarray((rating - start) / spread)


def line_arrays(players: Sequence[str], lines: Raters) -> tuple[Array, Array]:
    """Return start and spread of the line of the player of each row, both (n,)."""
    names, place = np.unique(np.array(players, dtype=np.str_), return_inverse=True)
    each = [lines.get(str(name), IDENTITY) for name in names]
    return (
        np.array([line.start for line in each], dtype=float)[place],
        np.array([line.spread for line in each], dtype=float)[place],
    )
