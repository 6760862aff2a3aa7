"""Predicting playtests from others, fold by fold: what the fitted neighbours would say.

A fold is asked about all its tests at once, and every setting of a grid is answered from the nearest of them.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from matchkit.learn.marks import LigatureWeights, RatedTests, Settings, shrunk
from matchkit.learn.predictor import Predictor, strangers
from matchkit.learn.rater import calibrate_raters, common_marks, line_arrays, line_of
from matchkit.records.parts import Ligature

Array = NDArray[np.float64]
Index = NDArray[np.intp]
Folds = Iterable[tuple[Index, Index]]

REACH = 40
"""So many neighbours are looked up at least, so that a grid of settings needs one search."""


@dataclass(frozen=True)
class Predictions:
    """What a model said of tests it never saw, all (n,).

    The computed mark and the blended one on the player's own line, the evidence behind the latter, and the spread of that line.
    """

    computed: Array
    blended: Array
    evidence: Array
    spread: Array


@dataclass
class Question:
    """Tests of one instrument held out of one fold, and what no setting changes.

    ``rows`` (t,) are the tests, ``known`` (n,) those of the training part; ``residual`` (n,) of these, ``computed`` (t,) the mark the line
    expects, both on the common scale; ``start`` and ``spread`` (t,) are the lines of the players of the tests.
    """

    table: FoldTable
    rows: Index
    known: Index
    residual: Array
    computed: Array
    start: Array
    spread: Array
    nearest: dict[float, tuple[Array, Index]] = field(default_factory=dict)
    _sums: tuple[tuple[float, ...], Array, Array] | None = None

    def answer(self, settings: Settings) -> tuple[Array, Array]:
        """Return correction, in points of its player, and evidence of each test; of neighbours at one distance the first in training order count."""
        pull, evidence = self._running(settings)
        last = min(settings.neighbours, pull.shape[1]) - 1
        if last < 0:
            return np.zeros(len(self.rows)), np.zeros(len(self.rows))
        return shrunk(pull[:, last], evidence[:, last], kappa=settings.kappa), evidence[:, last]

    def guess(self, settings: Settings) -> Array:
        """Return the mark that is expected of each test, on its player's own line."""
        return np.asarray(self.start + self.spread * self.computed + self.answer(settings)[0])

    def _running(self, settings: Settings) -> tuple[Array, Array]:
        """Return running sums over the nearest of weighted residuals and weights, (t, k) each; the last ones are kept."""
        asked = (settings.other_player, settings.bandwidth, settings.same_contact, settings.other_contact)
        distance, index = self._near(settings)
        if self._sums is None or self._sums[0] != asked or self._sums[1].shape[1] < distance.shape[1]:
            factor = self.table.ligatures.of(self.rows[:, None], self.known[index], settings)
            sums = self._predictor(settings).running(distance, index, settings, factor=factor, spread=self.spread)
            self._sums = (asked, *sums)
        return self._sums[1], self._sums[2]

    def _near(self, settings: Settings) -> tuple[Array, Index]:
        omega, wanted = settings.other_player, min(settings.neighbours, len(self.known))
        if omega not in self.nearest or self.nearest[omega][0].shape[1] < wanted:
            asked = self.table.tests.features[self.rows]
            self.nearest[omega] = self._predictor(settings).nearest(asked, max(wanted, REACH))
        return self.nearest[omega]

    def _predictor(self, settings: Settings) -> Predictor:
        tests, players = self.table.tests, self.table.players
        further = strangers(players[self.rows], players[self.known], settings)
        return Predictor(tests.features[self.known], tests.weight[self.known], self.residual, further)


class FoldTable:
    """Rated tests and their ligatures, from which folds are asked."""

    def __init__(self, tests: RatedTests, ligatures: Sequence[Ligature]) -> None:
        self.tests = tests
        self.ligatures = LigatureWeights(ligatures, tests.ligatures)
        self.players = np.unique(np.array(tests.players, dtype=np.str_), return_inverse=True)[1]
        self._instruments = np.array(tests.instruments)

    def questions(self, folds: Folds, *, flat: bool = False, lists: bool = False) -> Iterator[Question]:
        """Prepare folds, instrument by instrument; ``flat`` puts the training mean in the place of the line (neighbours alone).

        Players' own lines are those of the training rows. For ``lists``, which put the rows of several folds in one order, each player has one
        line from all rows: one that changed from fold to fold would tell which row was left out of it, or hide it.
        """
        tests = self.tests
        everybody = calibrate_raters(tests, flat=flat).raters if lists else {}
        for train, test in folds:
            if lists:
                lines = everybody
                marks = common_marks(tests.players, tests.rating, lines)
                line = line_of(tests.overall_d[train], marks[train], flat=flat)
            else:
                scale = calibrate_raters(tests.take(train), flat=flat)
                lines, line = scale.raters, scale.line
                marks = common_marks(tests.players, tests.rating, lines)
            computed = line[0] + line[1] * tests.overall_d
            start, spread = line_arrays(tests.players, lines)
            for instrument in sorted(set(self._instruments[test])):
                asked = test[self._instruments[test] == instrument]
                known = train[self._instruments[train] == instrument]
                yield Question(
                    table=self,
                    rows=asked,
                    known=known,
                    residual=(marks - computed)[known],
                    computed=computed[asked],
                    start=start[asked],
                    spread=spread[asked],
                )

    def predict(self, questions: Iterable[Question], settings: Settings) -> Predictions:
        """Return predictions (n,) of every test that was asked, nan for the others."""
        found = Predictions(*(np.full(len(self.tests), np.nan) for _ in range(4)))
        for question in questions:
            correction, evidence = question.answer(settings)
            found.computed[question.rows] = question.start + question.spread * question.computed
            found.blended[question.rows] = found.computed[question.rows] + correction
            found.evidence[question.rows] = evidence
            found.spread[question.rows] = question.spread
        return found
