"""Tests that speak of players and of parts in general: the unit is the player, the mouthpiece or the line of reeds, and not the mark.

Marks of one player, and marks on one mouthpiece, have much in common. A test that takes each for a new one finds differences where there are none.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
Index = NDArray[np.intp]

LEAST_PLAYERS = 5
LEAST_UNITS = 8
"""Below so many players, or parts, nothing is said of players or parts in general."""
LEAST_SHARE, LEAST_FREE = 0.25, 3.5
"""A variance is taken to be at least this part of that of the noise, with at least so many degrees of freedom (chosen on other seeds than those told)."""
NOTHING = 1e-9


@dataclass(frozen=True)
class OverPlayers:
    """A test with players as the unit: exact, whatever players themselves prefer as long as they lean either way alike.

    ``least`` is the smallest p that so many players can give: above 0.05 nothing can be said of players in general.
    """

    players: int
    probability: float
    least: float


def sign_flip(leans: Sequence[int], *, two_sided: bool) -> OverPlayers:
    """Test whether players lean one way (Fisher's randomisation of signs, 1935, from memory): exact, by the sum of all leans.

    ``leans`` are whole numbers, one a player: answers one way less answers the other way.

    >>> sign_flip([4, 6, 2, 8, 6, 2], two_sided=True).probability
    0.03125
    """
    steps = [abs(int(lean)) for lean in leans if lean]
    observed, reach = sum(int(lean) for lean in leans), sum(steps)
    ways = np.zeros(2 * reach + 1)
    ways[reach] = 1.0
    for step in steps:
        moved = np.zeros_like(ways)
        moved[step:] += ways[: len(ways) - step] / 2
        moved[: len(ways) - step] += ways[step:] / 2
        ways = moved
    places = np.arange(-reach, reach + 1)
    beyond = np.abs(places) >= abs(observed) if two_sided else places >= observed
    probability = float(min(ways[beyond].sum(), 1.0)) if steps else 1.0
    return OverPlayers(len(leans), probability, 2.0 ** -(len(leans) - two_sided) if leans else 1.0)


def mean_over(values: Array) -> tuple[float, float, float, float]:
    """Return the mean of one number a player, its 95 % interval and p: Student's t over players.

    >>> [round(value, 3) for value in mean_over(np.array([1.0, 2.0, 3.0]))]
    [2.0, -0.484, 4.484, 0.074]
    """
    from scipy.stats import ttest_1samp

    found = ttest_1samp(values, 0.0)
    interval = found.confidence_interval(0.95)
    return float(np.mean(values)), float(interval.low), float(interval.high), float(found.pvalue)


@dataclass(frozen=True)
class Gone:
    """How a feature and a mark go together within players: correlation, its 95 % interval and p, over players and parts; and how many of each."""

    players: int
    units: int
    tests: int
    correlation: float
    low: float
    high: float
    probability: float


def goes_with(mark: Array, feature: Array, player: Index, units: Sequence[Index]) -> Gone | None:
    """Test whether a feature goes with a mark, (n,) each; ``units`` are the parts that the feature belongs to, each a code a mark (n,).

    Least squares within players. Parts have levels of their own, and players slopes of their own, so the variance is that of marks that are
    clustered each way (as Cameron, Gelbach and Miller 2011 do for two; for three ways effects are taken to add, so that all ways share the noise of their
    cells only), each with the correction for few clusters (what a part adds to the noise is corrected as a level of its own is) and the degrees of freedom of Bell and McCaffrey 2002 (both from memory), put together
    after Satterthwaite. None below five players or eight parts, or where nothing varies.
    """
    from scipy.stats import t as student

    known = np.isfinite(feature) & np.isfinite(mark)
    if not known.any():
        return None
    player = _codes(player[known])
    parts = [_codes(unit[known]) for unit in units]
    x, y = (_within(player, values[known]) for values in (feature, mark))
    fewest = min(int(code.max()) + 1 for code in parts)
    square, height = float(x @ x), float(y @ y)
    if int(player.max()) + 1 < LEAST_PLAYERS or fewest < LEAST_UNITS or square < NOTHING or height < NOTHING:
        return None
    both = float(x @ y)
    rest = y - both / square * x
    cell = player
    for code in parts:
        cell = _codes(cell * (int(code.max()) + 1) + code)
    ways = [_clustered(x, rest, code) for code in (player, *parts)]
    noise, noise_free = _clustered(x, rest, cell)
    # a level of its own shrinks twice where the line goes through it, noise once: what is above the noise is grown once more
    ways[1:] = [
        (own + max(own - noise, 0.0) * _weight(x, code), free) for (own, free), code in zip(ways[1:], parts, strict=True)
    ]
    total = sum(variance for variance, _ in ways) - len(parts) * noise
    variance = max(total, LEAST_SHARE * noise)
    if variance <= 0:
        return None
    scale = sum(own**2 / free for own, free in ways) + (len(parts) * noise) ** 2 / noise_free
    free = max(
        max(variance, noise) ** 2 / scale, LEAST_FREE
    )  # one that came out below the noise by chance is no less known for that
    error, size = float(np.sqrt(variance)), float(np.sqrt(square * height))
    half = float(student.ppf(0.975, free)) * error / size
    p = float(2 * student.sf(abs(both) / error, free))
    r = both / size
    return Gone(int(player.max()) + 1, fewest, len(x), r, max(r - half, -1.0), min(r + half, 1.0), p)


def _codes(values: Index) -> Index:
    return np.asarray(np.unique(values, return_inverse=True)[1], dtype=np.intp)


def _within(code: Index, values: Array) -> Array:
    """Return values (n,) less the mean of their group."""
    return np.asarray(values - (np.bincount(code, values) / np.bincount(code))[code])


def _weight(x: Array, code: Index) -> float:
    """Return how much of the line one cluster holds, on average over the marks' own weights."""
    own = np.bincount(code, x * x)
    return float(own @ own) / float(own.sum()) ** 2


def _clustered(x: Array, rest: Array, code: Index) -> tuple[float, float]:
    """Return the variance of ``x' y`` where marks of one cluster go together, and its degrees of freedom."""
    square = float(x @ x)
    own = np.bincount(code, x * x)
    grown = 1 / np.maximum(1 - own / square, NOTHING)
    pulls = np.bincount(code, x * rest)
    whole = grown * own
    trace = float((whole * (1 - own / square)).sum())
    cross = (np.sqrt(grown) * own) ** 2
    squared = float((whole**2).sum() - 2 * (whole * cross).sum() / square + cross.sum() ** 2 / square**2)
    return float((pulls**2 * grown).sum()), max(trace**2 / squared, NOTHING) if squared > 0 else 1.0
