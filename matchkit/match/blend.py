"""Physics and playtests together: the rating to expect, and what neighbours add to it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from matchkit.match.folds import FoldTable
from matchkit.match.interval import Interval, fit_interval, group_folds
from matchkit.match.neighbours import ResidualNeighbours
from matchkit.match.rated import DEFAULT_SETTINGS, RatedTests, Settings, fit_line
from matchkit.records.parts import Ligature

Array = NDArray[np.float64]
Index = NDArray[np.intp]


@dataclass(frozen=True)
class InstrumentNeighbours:
    """The fitted neighbours of one instrument and the tests behind them."""

    estimator: ResidualNeighbours
    tests: RatedTests
    residual: Array


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

    def with_player(self, features: Array, player: str | None) -> Array:
        """Append the player's columns to features (N, f), so that another player lies ``omega`` further in squared distance."""
        return np.hstack([features, player_columns([player] * len(features), self.players, self.settings)])

    def interval(self, player: str | None) -> Interval | None:
        """Give the interval for a known or a new player; None where there are not enough playtests."""
        return self.known_player if player in self.players else self.new_player


def player_columns(players: Sequence[str | None], known: Sequence[str], settings: Settings) -> Array:
    """Give one column a player, so that two players stand apart by ``omega`` in squared distance; strangers share one more."""
    place = {name: column for column, name in enumerate(known)}
    columns = np.zeros((len(players), len(known) + 1))
    columns[np.arange(len(players)), [place.get(player or "", len(known)) for player in players]] = 1.0
    return np.asarray(columns * np.sqrt(settings.other_player / 2))


def fit_neighbours(
    tests: RatedTests, line: tuple[float, float], players: Sequence[str], settings: Settings
) -> dict[str, InstrumentNeighbours]:
    """Fit the residuals of each instrument's tests."""
    fitted = {}
    for instrument in sorted(set(tests.instruments)):
        mine = tests.take(np.flatnonzero(np.array([name == instrument for name in tests.instruments])))
        residual = mine.rating - (line[0] + line[1] * mine.overall_d)
        estimator = ResidualNeighbours(settings.neighbours, settings.bandwidth, settings.kappa)
        estimator.fit(np.hstack([mine.features, player_columns(mine.players, players, settings)]), residual)
        fitted[instrument] = InstrumentNeighbours(estimator, mine, residual)
    return fitted


def fit_blend(tests: RatedTests, ligatures: Sequence[Ligature], settings: Settings = DEFAULT_SETTINGS) -> Blend:
    """Fit the whole model; with no playtests it is physics alone, ``10 D``, and has no interval."""
    line = fit_line(tests.overall_d, tests.rating)
    players = tuple(sorted(set(tests.players)))
    table = FoldTable(tests, ligatures)
    intervals = [interval_from(table, groups, settings) for groups in (tests.mouthpieces, tests.players)]
    return Blend(
        settings=settings,
        intercept=line[0],
        slope=line[1],
        by_instrument=fit_neighbours(tests, line, players, settings),
        players=players,
        known_player=intervals[0],
        new_player=intervals[1],
        tests=len(tests),
    )


def interval_from(table: FoldTable, groups: Sequence[str], settings: Settings) -> Interval | None:
    """Fit an interval to the residuals of models that never saw a test's group."""
    tests = table.tests
    found = table.predict(table.questions(group_folds(groups, tests.sessions)), settings)
    seen = np.flatnonzero(np.isfinite(found.blended))
    names = [groups[int(row)] for row in seen]
    return fit_interval((tests.rating - found.blended)[seen], found.evidence[seen], names, kappa=settings.kappa)
