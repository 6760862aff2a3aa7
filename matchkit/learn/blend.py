"""Physics and playtests together: the rating to expect, and what neighbours add to it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from matchkit.learn.interval import Interval, fit_interval, group_folds
from matchkit.learn.marks import DEFAULT_SETTINGS, RatedTests, Settings
from matchkit.learn.predictor import Predictor, seen_by
from matchkit.learn.rater import IDENTITY, Line, RaterCalibration, Raters, calibrate_raters, common_marks, rescale_residuals
from matchkit.records.parts import Ligature

if TYPE_CHECKING:
    from matchkit.learn.trial.folds import FoldTable

Array = NDArray[np.float64]
Index = NDArray[np.intp]


@dataclass(frozen=True)
class InstrumentNeighbours:
    """The rated tests of one instrument and what the line missed in each (n,), on the common scale."""

    tests: RatedTests
    residual: Array

    def seen_by(self, player: str | None, settings: Settings) -> Predictor:
        """Return the tests as one player sees them."""
        return seen_by(player, self.tests, self.residual, settings)


@dataclass(frozen=True)
class Blend:
    """A fitted model on the common scale: the line, the neighbours by instrument, its intervals for known and new players, and their lines."""

    settings: Settings
    intercept: float
    slope: float
    by_instrument: Mapping[str, InstrumentNeighbours]
    players: tuple[str, ...]
    known_player: Interval | None
    new_player: Interval | None
    tests: int
    raters: Raters = field(default_factory=dict)

    def rater(self, player: str | None) -> RaterCalibration:
        """Return how a player uses the line of marks; as given where they rated too few set-ups to tell."""
        return self.raters.get(player or "", IDENTITY)

    def on_line_of(self, player: str | None) -> Blend:
        """Return the model on one player's own line: every mark, residual and interval in that player's points, and nobody's line left."""
        own = self.rater(player)

        def wider(interval: Interval | None) -> Interval | None:
            return None if interval is None else replace(interval, q=interval.q * own.spread)

        return replace(
            self,
            intercept=float(own.own(self.intercept)),
            slope=own.spread * self.slope,
            by_instrument={
                name: replace(known, residual=rescale_residuals(own.spread, known.residual))
                for name, known in self.by_instrument.items()
            },
            known_player=wider(self.known_player),
            new_player=wider(self.new_player),
            raters={},
        )

    def computed(self, overall_d: Array) -> Array:
        """Return the rating that the measurements alone let expect (N,)."""
        return self.intercept + self.slope * overall_d

    def interval(self, player: str | None) -> Interval | None:
        """Return the interval for a known or a new player; None where there are not enough playtests."""
        return self.known_player if player in self.players else self.new_player


def residuals_by_instrument(tests: RatedTests, line: Line, lines: Raters) -> dict[str, InstrumentNeighbours]:
    """Return the tests of each instrument with what the line missed in the marks on the common scale."""
    fitted = {}
    missed = common_marks(tests.players, tests.rating, lines) - (line[0] + line[1] * tests.overall_d)
    for instrument in sorted(set(tests.instruments)):
        mine = np.flatnonzero(np.array([name == instrument for name in tests.instruments]))
        fitted[instrument] = InstrumentNeighbours(tests.take(mine), missed[mine])
    return fitted


def fit_blend(tests: RatedTests, ligatures: Sequence[Ligature], settings: Settings = DEFAULT_SETTINGS) -> Blend:
    """Fit the whole model; with no playtests it is physics alone, ``10 D``, and has no interval."""
    from matchkit.learn.trial.folds import FoldTable

    scale = calibrate_raters(tests)
    line, lines = scale.line, scale.raters
    players = tuple(sorted(set(tests.players)))
    few = sampled(tests)
    table = FoldTable(few, ligatures)
    intervals = [interval_from(table, groups, settings) for groups in (few.mouthpieces, few.players)]
    return Blend(
        settings=settings,
        intercept=line[0],
        slope=line[1],
        by_instrument=residuals_by_instrument(tests, line, lines),
        players=players,
        known_player=intervals[0],
        new_player=intervals[1],
        tests=len(tests),
        raters=lines,
    )


MOST_CHOSEN_FROM = 3000
"""Settings are chosen, and intervals fitted, on so many playtests at most; the neighbours are all of them."""


def sampled(tests: RatedTests) -> RatedTests:
    """Return at most 3,000 of the tests, chosen by a fixed seed, in their order."""
    if len(tests) <= MOST_CHOSEN_FROM:
        return tests
    return tests.take(np.sort(np.random.default_rng(0).choice(len(tests), MOST_CHOSEN_FROM, replace=False)))


def interval_from(table: FoldTable, groups: Sequence[str], settings: Settings) -> Interval | None:
    """Fit an interval to the residuals of models that never saw a test's group, on the common scale."""
    tests = table.tests
    found = table.predict(table.questions(group_folds(groups, tests.sessions)), settings)
    seen = np.flatnonzero(np.isfinite(found.blended))
    names = [groups[int(row)] for row in seen]
    return fit_interval(
        ((tests.rating - found.blended) / found.spread)[seen], found.evidence[seen], names, kappa=settings.kappa
    )
