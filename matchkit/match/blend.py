"""Physics and playtests together: the rating to expect, and what neighbours add to it."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from matchkit.match.interval import Interval, fit_interval, group_folds
from matchkit.match.neighbours import ResidualNeighbours, shrunk_mean
from matchkit.records.parts import Ligature

Array = NDArray[np.float64]
Index = NDArray[np.intp]

PRIOR_TESTS = 20
"""The line rating = 10 D is held as if by so many playtests, half at D = 0 and half at D = 1."""

LEAST_SLOPE = 0.5


@dataclass(frozen=True)
class Settings:
    """How neighbours are weighted.

    Chosen once, on the demo house, from a coarse grid by the mean absolute error over the splits *new player* and *new
    mouthpiece*; fixed since (``make bench`` prints the errors they give).
    """

    neighbours: int = 25
    bandwidth: float = 1.5
    kappa: float = 1.0
    other_player: float = 4.0
    """omega: what another player adds to a squared distance."""
    same_contact: float = 0.7
    other_contact: float = 0.5


DEFAULT_SETTINGS = Settings()


@dataclass(frozen=True)
class RatedTests:
    """Playtests with an overall mark, sorted by id, as the blend learns from them; every array (n,) but ``features`` (n, f)."""

    ids: tuple[str, ...]
    players: tuple[str, ...]
    mouthpieces: tuple[str, ...]
    reeds: tuple[str, ...]
    sessions: tuple[str | None, ...]
    instruments: tuple[str, ...]
    ligatures: tuple[str | None, ...]
    rating: Array
    overall_d: Array
    features: Array

    def __len__(self) -> int:
        return len(self.ids)

    def take(self, rows: Index) -> RatedTests:
        """Give some of the tests."""

        def some(values: Sequence[str]) -> tuple[str, ...]:
            return tuple(values[int(row)] for row in rows)

        return RatedTests(
            ids=some(self.ids),
            players=some(self.players),
            mouthpieces=some(self.mouthpieces),
            reeds=some(self.reeds),
            sessions=tuple(self.sessions[int(row)] for row in rows),
            instruments=some(self.instruments),
            ligatures=tuple(self.ligatures[int(row)] for row in rows),
            rating=self.rating[rows],
            overall_d=self.overall_d[rows],
            features=self.features[rows],
        )


def fit_line(overall_d: Array, rating: Array) -> tuple[float, float]:
    """Fit ``rating = a + b D`` by least squares, shrunk towards (0, 10) as if by 20 playtests; gives (a, b).

    b is at least 0.5, and the line stays within the scale of the ratings (0 to 10) for every D, so that no residual exceeds 10.

    >>> fit_line(np.array([]), np.array([]))
    (0.0, 10.0)
    """
    from scipy.optimize import lsq_linear

    half = PRIOR_TESTS // 2
    d = np.concatenate([overall_d, np.zeros(half), np.ones(half)])
    y = np.concatenate([rating, np.zeros(half), np.full(half, 10.0)])
    at_none, at_all = (float(end) for end in lsq_linear(np.column_stack([1 - d, d]), y, bounds=(0, 10), method="bvls").x)
    if at_all - at_none < LEAST_SLOPE:  # a convex problem: the best line then has the least slope
        at_none = float(np.clip(np.mean(y - LEAST_SLOPE * d), 0, 10 - LEAST_SLOPE))
        at_all = at_none + LEAST_SLOPE
    return round(at_none, 12) + 0.0, round(at_all - at_none, 12)


class LigatureWeights:
    """How much a playtest with one ligature says about another: 1 for the same, less for the same kind of contact, less still."""

    def __init__(self, ligatures: Sequence[Ligature], settings: Settings) -> None:
        self._contact: dict[str, str | None] = {item.id: item.contact for item in ligatures}
        self._settings = settings

    def __call__(self, wanted: Sequence[str | None], tested: Sequence[str | None]) -> Array:
        """Give the factors (wanted, tested)."""
        table = np.full((len(wanted), len(tested)), self._settings.other_contact)
        kind_wanted = np.array([self._contact.get(item or "") or f"?{place}" for place, item in enumerate(wanted)])
        kind_tested = np.array([self._contact.get(item or "") or "??" for item in tested])
        table[kind_wanted[:, None] == kind_tested[None, :]] = self._settings.same_contact
        name_wanted = np.array([item or f"?{place}" for place, item in enumerate(wanted)])
        name_tested = np.array([item or "??" for item in tested])
        table[name_wanted[:, None] == name_tested[None, :]] = 1.0
        return table


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


@dataclass(frozen=True)
class Predictions:
    """What a model said of tests it never saw: the computed rating, the blended one, and the evidence behind it, all (n,)."""

    computed: Array
    blended: Array
    evidence: Array


def predict_tests(train: RatedTests, test: RatedTests, weights: LigatureWeights, settings: Settings) -> Predictions:
    """Fit on one set of tests and predict another; line, scaling and neighbours see the training set only."""
    line = fit_line(train.overall_d, train.rating)
    players = sorted(set(train.players))
    fitted = fit_neighbours(train, line, players, settings)
    computed = line[0] + line[1] * test.overall_d
    blended, evidence = computed.copy(), np.zeros(len(test))
    for instrument, known in fitted.items():
        rows = np.flatnonzero(np.array([name == instrument for name in test.instruments], dtype=bool))
        if len(rows):
            asked = np.hstack([test.features[rows], player_columns([test.players[row] for row in rows], players, settings)])
            distance, index = known.estimator.nearest(asked)
            factor = weights([test.ligatures[row] for row in rows], known.tests.ligatures)
            kernel = known.estimator.kernel(distance, index) * np.take_along_axis(factor, index, axis=1)
            evidence[rows] = kernel.sum(axis=1)
            blended[rows] += shrunk_mean(kernel, known.residual[index], kappa=settings.kappa)
    return Predictions(computed, blended, evidence)


def out_of_fold(
    tests: RatedTests, folds: Iterable[tuple[Index, Index]], weights: LigatureWeights, settings: Settings
) -> Predictions:
    """Give predictions (n,) of every test from models that never saw its fold; nan where none could be fitted."""
    found = Predictions(*(np.full(len(tests), np.nan) for _ in range(3)))
    for train, test in folds:
        part = predict_tests(tests.take(train), tests.take(test), weights, settings)
        found.computed[test], found.blended[test], found.evidence[test] = part.computed, part.blended, part.evidence
    return found


def fit_blend(tests: RatedTests, ligatures: Sequence[Ligature], settings: Settings = DEFAULT_SETTINGS) -> Blend:
    """Fit the whole model; with no playtests it is physics alone, ``10 D``, and has no interval."""
    line = fit_line(tests.overall_d, tests.rating)
    players = tuple(sorted(set(tests.players)))
    weights = LigatureWeights(ligatures, settings)
    intervals = []
    for groups in (tests.mouthpieces, tests.players):
        found = out_of_fold(tests, group_folds(groups, tests.sessions), weights, settings)
        seen = np.flatnonzero(np.isfinite(found.blended))
        residuals = (tests.rating - found.blended)[seen]
        names = [groups[int(row)] for row in seen]
        intervals.append(fit_interval(residuals, found.evidence[seen], names, kappa=settings.kappa))
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
