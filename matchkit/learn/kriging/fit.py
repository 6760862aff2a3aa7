"""Line, odd marks and levels at given variances; and the variances themselves."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from matchkit.learn.kriging.centred import Centred
from matchkit.learn.kriging.covariance import Coded
from matchkit.learn.kriging.influence import alone, stood_by, trusted, wider_levels
from matchkit.learn.kriging.likelihood import Weighed, fit_variances
from matchkit.learn.kriging.local import Asked, Local
from matchkit.learn.kriging.system import MOST_DENSE, Dense, solved
from matchkit.learn.kriging.variances import (
    LEAST_SLOPE,
    LINE_SLOPE,
    LINE_START,
    PRIOR,
    U_LINE_SLOPE,
    U_LINE_START,
    Variances,
)

Array = NDArray[np.float64]
Index = NDArray[np.intp]

MOST_FITTED = 900
"""Variances are fitted to so many marks at most."""
ROUNDS = 2
"""Times that odd marks are judged and variances fitted after one another."""
JUDGED = 3
"""Times that each mark is judged from the others, with what they count: of two marks that contradict each other the odder one goes."""
WIDENED = 3
"""Times that it is looked again how far out players' levels lie (the steps of an EM)."""
MOST_SUSPECTED = 3000
"""Of very many marks so many, those farthest from what is expected of them, are judged."""
_BLOCK = 500


@dataclass(frozen=True)
class Line:
    """The line from D to a mark, and the inverse of its precision (2, 2)."""

    intercept: float
    slope: float
    covariance: Array

    @property
    def both(self) -> Array:
        """Intercept and slope (2,)."""
        return np.array([self.intercept, self.slope])


@dataclass(frozen=True)
class Settled:
    """Marks of one instrument, solved: what each counts, and ``pull = (K + noise)^-1 (mark - line)`` (n,)."""

    weighed: Weighed
    pull: Array


@dataclass(frozen=True)
class _Solved:
    """A system, and its inverse times 1, D and the marks (n, 3)."""

    system: Dense | Centred
    both: Array

    @classmethod
    def of(cls, block: Weighed, variances: Variances, *, once: bool = False) -> _Solved:
        """Solve the marks of one instrument; ``once`` where their pull is all that is asked."""
        system, right = solved(block, variances), np.column_stack([block.marks.line, block.marks.mark])
        return cls(system, system.solve_once(right) if once and isinstance(system, Dense) else system.solve(right))


def _line_of(blocks: Sequence[_Solved]) -> tuple[Line, list[Array]]:
    """Return the line under the covariance of everything else, and ``(K + noise)^-1 (mark - line)`` (n,) of each system.

    Generalised least squares with a wide prior; the slope is :data:`LEAST_SLOPE` or more.
    """
    precision = np.diag([U_LINE_START**-2, U_LINE_SLOPE**-2])
    pulled = precision @ np.array([LINE_START, LINE_SLOPE])
    for block in blocks:
        line = block.system.marks.line
        precision = precision + line.T @ block.both[:, :2]
        pulled = pulled + line.T @ block.both[:, 2]
    start, slope = np.linalg.solve(precision, pulled)
    if slope < LEAST_SLOPE:  # a quadratic: the best start at that slope
        start, slope = (pulled[0] - precision[0, 1] * LEAST_SLOPE) / precision[0, 0], LEAST_SLOPE
    found = Line(float(start), float(slope), np.linalg.inv(precision))
    return found, [block.both[:, 2] - block.both[:, :2] @ found.both for block in blocks]


def held_out(system: Dense, line: Line, rows: Index) -> tuple[Array, Array]:
    """Return marks less what all others let expect (m,), and their covariance (m, m), for rows that are left out together; exact.

    With ``Q`` the inverse covariance, line included, what is left out is missed by ``Q_GG^-1 (Q (y - line))_G`` with covariance ``Q_GG^-1``
    (the block form of leaving one out: Rasmussen and Williams 2006, eq. 5.12, from memory).
    """
    marks = system.marks
    inside = system.inverse[rows]
    towards = inside @ marks.line
    block = inside[:, rows] - towards @ line.covariance @ towards.T
    covariance = np.asarray(np.linalg.inv(block), dtype=float)
    return covariance @ (inside @ (marks.mark - marks.line @ line.both)), covariance


def one_out(system: Dense, line: Line) -> tuple[Array, Array]:
    """Return each mark less what all others let expect (n,), and its variance as if it were no slip (n,)."""
    marks = system.marks
    towards = system.inverse @ marks.line
    own = np.diag(system.inverse) - ((towards @ line.covariance) * towards).sum(axis=1)
    plain = system.variances.noise**2 / marks.trust
    return (system.inverse @ (marks.mark - marks.line @ line.both)) / own, 1 / own - system.noise + plain


def judge(blocks: Sequence[Weighed], variances: Variances) -> list[Weighed]:
    """Return what each mark counts, and how far out each player's level may be, from the marks of all instruments.

    Where an instrument has very many marks, once must do for it.
    """
    return _judge(blocks, variances)[0]


def _judge(blocks: Sequence[Weighed], variances: Variances) -> tuple[list[Weighed], list[_Solved]]:
    judged = [replace(block, odd=np.ones(len(block.marks))) for block in blocks]
    held = [_Solved.of(block, variances) for block in judged]
    turns = [*((_judged, turn) for turn in range(JUDGED)), *((_widened, turn) for turn in range(WIDENED))]
    for following, (looked, turn) in enumerate(turns, start=1):
        line, pulls = _line_of(held)
        once = following < len(turns) and turns[following][0] is _widened  # that looks at the pull alone
        for place, pull in enumerate(pulls):
            if turn == 0 or len(judged[place].marks) <= MOST_DENSE:
                judged[place] = looked(judged[place], held[place].system, pull, line)
                held[place] = _Solved.of(judged[place], variances, once=once)
    return judged, held


def _judged(block: Weighed, system: Dense | Centred, pull: Array, line: Line) -> Weighed:
    """Judge each mark from all others."""
    trust = trusted(*one_out(system, line)) if isinstance(system, Dense) else _judge_many(block, system, line, pull)
    return replace(block, odd=1 / np.where(stood_by(block.marks) | alone(block.marks), 1.0, trust))


def _widened(block: Weighed, system: Dense | Centred, pull: Array, line: Line) -> Weighed:
    """Let players' levels lie as far out as these pulls say."""
    del line
    variances, code = system.variances, block.marks.codes["player"]
    effect = variances.player**2 * block.wider * np.bincount(code, pull)[code]
    return replace(block, wider=wider_levels(effect, variances.player))


def _judge_many(block: Weighed, system: Centred, line: Line, pull: Array) -> Array:
    """Judge marks of a large house from their neighbours, levels as all marks have them, and only those that are farthest off."""
    marks, variances = block.marks, system.variances
    left = marks.mark - marks.line @ line.both - system.levels(pull[:, None])[:, 0]
    trust = np.ones(len(marks))
    off = np.abs(pull) / np.sqrt(system.precision)
    suspected = np.sort(np.argsort(-off.round(9), kind="stable")[:MOST_SUSPECTED])
    local = Local(marks, variances, system.noise)
    for start in range(0, len(suspected), _BLOCK):
        rows = suspected[start : start + _BLOCK]
        asked = Asked(marks.features[rows], marks.codes["player"][rows], marks.codes["setup"][rows])
        near = local.near(asked)
        others = np.stack([row[row != mine][: near.shape[1] - 1] for row, mine in zip(near, rows, strict=True)])
        missed = left[rows] - local.weigh(asked, others).parts(left).sum(axis=1)
        plain = variances.noise**2 / marks.trust[rows]
        trust[rows] = trusted(missed, local.variance(asked, others) + variances.sitting**2 + plain)
    return trust


def some(blocks: Sequence[Weighed], most: int = MOST_FITTED) -> list[Weighed]:
    """Return at most so many marks of all instruments, chosen by a fixed seed."""
    total = sum(len(block.marks) for block in blocks)
    if total <= most:
        return list(blocks)
    chosen = np.zeros(total, dtype=bool)
    chosen[np.random.default_rng(0).choice(total, most, replace=False)] = True
    found, start = [], 0
    for block in blocks:
        rows = np.flatnonzero(chosen[start : start + len(block.marks)])
        start += len(block.marks)
        found.append(Weighed(block.marks.take(rows), block.odd[rows], block.wider[rows]))
    return found


def learn_variances(marks: Sequence[Coded]) -> Variances:
    """Fit variances to marks of several instruments, odd marks and players judged in between."""
    blocks = some([Weighed.plain(block) for block in marks if len(block)])
    if not blocks:
        return PRIOR
    variances = PRIOR
    for _ in range(ROUNDS):
        blocks = judge(blocks, variances)
        variances = fit_variances(blocks, variances)
    return variances


def settle(marks: Sequence[Coded], variances: Variances) -> tuple[Line, list[Settled]]:
    """Return the line and the solved marks of each instrument at given variances."""
    return _settled(*_judge([Weighed.plain(block) for block in marks], variances))


def solve_all(weighed: Sequence[Weighed], variances: Variances) -> tuple[Line, list[Settled]]:
    """Return the line and the solved marks at given variances and with what each mark counts as it is."""
    return _settled(weighed, [_Solved.of(block, variances) for block in weighed])


def _settled(weighed: Sequence[Weighed], held: Sequence[_Solved]) -> tuple[Line, list[Settled]]:
    line, pulls = _line_of(held)
    return line, [Settled(block, pull) for block, pull in zip(weighed, pulls, strict=True)]
