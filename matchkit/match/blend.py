"""Physics and playtests together: the rating to expect, and what neighbours add to it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from matchkit.match.folds import FoldTable
from matchkit.match.interval import Interval, fit_interval, group_folds
from matchkit.match.rated import DEFAULT_SETTINGS, RatedTests, Settings, fit_line
from matchkit.records.parts import Ligature

if TYPE_CHECKING:
    from matchkit.match.neighbours import ResidualNeighbours

Array = NDArray[np.float64]
Index = NDArray[np.intp]


@dataclass(frozen=True)
class InstrumentNeighbours:
    """The rated tests of one instrument and what the line missed in each (n,)."""

    tests: RatedTests
    residual: Array

    def seen_by(self, player: str | None, settings: Settings) -> ResidualNeighbours:
        """Fit the neighbours as one player sees them: a test by another lies ``omega`` further in squared distance.

        Asked features need one more column, of zeros (:func:`asked_by_player`).
        """
        from matchkit.match.neighbours import ResidualNeighbours

        other = np.array([name != player for name in self.tests.players]) * np.sqrt(settings.other_player)
        estimator = ResidualNeighbours(settings.neighbours, settings.bandwidth, settings.kappa)
        return estimator.fit(np.column_stack([self.tests.features, other]), self.residual, sample_weight=self.tests.weight)


def asked_by_player(features: Array) -> Array:
    """Append the column that says the player is the one who asks (N, f + 1)."""
    return np.column_stack([features, np.zeros(len(features))])


@dataclass(frozen=True)
class Blend:
    """A fitted model: the line, the neighbours by instrument, and its intervals for known and new players."""

    settings: Settings
    intercept: float
    slope: float
    by_instrument: Mapping[str, InstrumentNeighbours]
    players: tuple[str, ...]
    known_player: Interval | None
    new_player: Interval | None
    tests: int

    def computed(self, overall_d: Array) -> Array:
        """Give the rating that the measurements alone let expect (N,)."""
        return self.intercept + self.slope * overall_d

    def interval(self, player: str | None) -> Interval | None:
        """Give the interval for a known or a new player; None where there are not enough playtests."""
        return self.known_player if player in self.players else self.new_player


def residuals_by_instrument(tests: RatedTests, line: tuple[float, float]) -> dict[str, InstrumentNeighbours]:
    """Give the tests of each instrument with what the line missed."""
    fitted = {}
    for instrument in sorted(set(tests.instruments)):
        mine = tests.take(np.flatnonzero(np.array([name == instrument for name in tests.instruments])))
        fitted[instrument] = InstrumentNeighbours(mine, mine.rating - (line[0] + line[1] * mine.overall_d))
    return fitted


def fit_blend(tests: RatedTests, ligatures: Sequence[Ligature], settings: Settings = DEFAULT_SETTINGS) -> Blend:
    """Fit the whole model; with no playtests it is physics alone, ``10 D``, and has no interval."""
    line = fit_line(tests.overall_d, tests.rating)
    players = tuple(sorted(set(tests.players)))
    few = sampled(tests)
    table = FoldTable(few, ligatures)
    intervals = [interval_from(table, groups, settings) for groups in (few.mouthpieces, few.players)]
    return Blend(
        settings=settings,
        intercept=line[0],
        slope=line[1],
        by_instrument=residuals_by_instrument(tests, line),
        players=players,
        known_player=intervals[0],
        new_player=intervals[1],
        tests=len(tests),
    )


MOST_CHOSEN_FROM = 3000
"""Settings are chosen, and intervals fitted, on so many playtests at most; the neighbours are all of them."""


def sampled(tests: RatedTests) -> RatedTests:
    """Give at most 3,000 of the tests, chosen by a fixed seed, in their order."""
    if len(tests) <= MOST_CHOSEN_FROM:
        return tests
    return tests.take(np.sort(np.random.default_rng(0).choice(len(tests), MOST_CHOSEN_FROM, replace=False)))


def interval_from(table: FoldTable, groups: Sequence[str], settings: Settings) -> Interval | None:
    """Fit an interval to the residuals of models that never saw a test's group."""
    tests = table.tests
    found = table.predict(table.questions(group_folds(groups, tests.sessions)), settings)
    seen = np.flatnonzero(np.isfinite(found.blended))
    names = [groups[int(row)] for row in seen]
    return fit_interval((tests.rating - found.blended)[seen], found.evidence[seen], names, kappa=settings.kappa)
