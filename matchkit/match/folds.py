"""Predicting playtests from others, fold by fold: what the fitted neighbours would say, computed directly.

A fold is small, so distances are taken to every training row at once, and every setting of a grid is answered from them. A test holds
it against :class:`~matchkit.match.neighbours.ResidualNeighbours`, whose definitions it shares.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from matchkit.match.common_scale import common_marks, fit_common, line_arrays, line_of, missed_on
from matchkit.match.rated import LigatureWeights, RatedTests, Settings, shrunk_mean
from matchkit.records.parts import Ligature

Array = NDArray[np.float64]
Index = NDArray[np.intp]
Folds = Iterable[tuple[Index, Index]]

SAME, SAME_CONTACT, OTHER = 0, 1, 2


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
    """Tests of one instrument held out of one fold, and everything about their neighbours that no setting changes.

    ``rows`` (t,) are the tests; ``squared`` (t, n) distances without the player, ``stranger`` (t, n) whether another player played,
    ``likeness`` (t, n) of the ligatures, ``residual`` and ``weight`` (n,) of the training rows, ``computed`` (t,) the mark the line expects,
    both on the common scale; ``start`` and ``spread`` (t,) are the lines of the players of the tests.
    """

    rows: Index
    squared: Array
    stranger: NDArray[np.bool_]
    likeness: Index
    residual: Array
    weight: Array
    computed: Array
    start: Array
    spread: Array
    nearest: dict[float, tuple[Array, Index]] = field(default_factory=dict)

    def answer(self, settings: Settings) -> tuple[Array, Array]:
        """Give correction, in points of its player, and evidence of each test; of neighbours at one distance the first in training order count."""
        if settings.other_player not in self.nearest:
            every: Array = np.asarray(np.sqrt(self.squared + settings.other_player * self.stranger), dtype=np.float64).round(9)
            order = np.argsort(every, axis=1, kind="stable")
            self.nearest[settings.other_player] = (np.take_along_axis(every, order, axis=1), order)
        near, places = self.nearest[settings.other_player]
        distance, index = near[:, : settings.neighbours], places[:, : settings.neighbours]
        factor = np.array([1.0, settings.same_contact, settings.other_contact])
        kernel = self.weight[index] * np.exp(-(distance**2) / (2 * settings.bandwidth**2))
        kernel *= factor[np.take_along_axis(self.likeness, index, axis=1)]
        missed = missed_on(self.spread[:, None], self.residual[index])
        return shrunk_mean(kernel, missed, kappa=settings.kappa), kernel.sum(axis=1)


class FoldTable:
    """Rated tests with the likeness of their ligatures, from which folds are asked."""

    def __init__(self, tests: RatedTests, ligatures: Sequence[Ligature]) -> None:
        self.tests = tests
        ranks = LigatureWeights(ligatures, Settings(same_contact=SAME_CONTACT, other_contact=OTHER), same=SAME)
        self._likeness = ranks(tests.ligatures, tests.ligatures).astype(np.intp)
        self._instruments, self._players = np.array(tests.instruments), np.array(tests.players)

    def questions(self, folds: Folds, *, flat: bool = False, lists: bool = False) -> Iterator[Question]:
        """Prepare folds, instrument by instrument; ``flat`` puts the training mean in the place of the line (neighbours alone).

        Players' own lines are those of the training rows. For ``lists``, which put the rows of several folds in one order, each player has one
        line from all rows: one that changed from fold to fold would tell which row was left out of it, or hide it.
        """
        tests = self.tests
        everybody = fit_common(tests, flat=flat).own_lines if lists else {}
        for train, test in folds:
            if lists:
                lines = everybody
                marks = common_marks(tests.players, tests.rating, lines)
                line = line_of(tests.overall_d[train], marks[train], flat=flat)
            else:
                scale = fit_common(tests.take(train), flat=flat)
                lines, line = scale.own_lines, scale.line
                marks = common_marks(tests.players, tests.rating, lines)
            computed = line[0] + line[1] * tests.overall_d
            start, spread = line_arrays(tests.players, lines)
            for instrument in sorted(set(self._instruments[test])):
                asked = test[self._instruments[test] == instrument]
                known = train[self._instruments[train] == instrument]
                apart = tests.features[asked][:, None, :] - tests.features[known][None, :, :]
                yield Question(
                    rows=asked,
                    squared=(apart**2).sum(axis=2),
                    stranger=self._players[asked][:, None] != self._players[known][None, :],
                    likeness=self._likeness[np.ix_(asked, known)],
                    residual=(marks - computed)[known],
                    weight=tests.weight[known],
                    computed=computed[asked],
                    start=start[asked],
                    spread=spread[asked],
                )

    def predict(self, questions: Iterable[Question], settings: Settings) -> Predictions:
        """Give predictions (n,) of every test that was asked, nan for the others."""
        found = Predictions(*(np.full(len(self.tests), np.nan) for _ in range(4)))
        for question in questions:
            correction, evidence = question.answer(settings)
            found.computed[question.rows] = question.start + question.spread * question.computed
            found.blended[question.rows] = found.computed[question.rows] + correction
            found.evidence[question.rows] = evidence
            found.spread[question.rows] = question.spread
        return found
