"""What is held back, and what a model says of playtests that it has not seen.

Four splits: *new player* (a player held out whole), *new mouthpiece* (the player may be on both sides), *new both*, and *new pair* of a known
player (a sitting held out). A session is never on both sides.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import numpy as np
from numpy.typing import NDArray

from matchkit.learn.blend import Blend
from matchkit.learn.fitted import Fitted
from matchkit.learn.kriging.covariance import Coded, between, own_variance
from matchkit.learn.kriging.local import Asked
from matchkit.learn.kriging.variances import GROUPED
from matchkit.learn.marks import SLOPE_COLUMNS, RatedTests
from matchkit.learn.threads import one_thread

Array = NDArray[np.float64]
Index = NDArray[np.intp]
Folds = list[tuple[Index, Index]]

SPLITS = ("new player", "new mouthpiece", "new both", "new pair")
FOLDS = 8
CROSSED = 4
"""Folds of players and of mouthpieces where both are held out at once."""
MIN_ROWS = 40
MIN_GROUPS = 8


def fold_of(groups: Sequence[str], *, folds: int = FOLDS) -> Index:
    """Deal groups out to the folds by sorted name, so that the folds do not depend on the order of the rows."""
    place = {name: number % folds for number, name in enumerate(sorted(set(groups)))}
    return np.array([place[group] for group in groups], dtype=np.intp)


def group_folds(groups: Sequence[str], sessions: Sequence[str | None], *, folds: int = FOLDS) -> Iterator[tuple[Index, Index]]:
    """Return train and test rows, whole groups held out at a time; a session of the test rows is never trained on."""
    fold = fold_of(groups, folds=folds)
    for number in range(min(folds, len(set(groups)))):
        test = np.flatnonzero(fold == number)
        train = without_sessions(np.flatnonzero(fold != number), test, sessions)
        if len(train):
            yield train, test


def crossed_folds(one: Sequence[str], two: Sequence[str], sessions: Sequence[str | None]) -> Iterator[tuple[Index, Index]]:
    """Return train and test rows with both groups new: tests of one fold of each, trained on rows of neither."""
    first, second = fold_of(one, folds=CROSSED), fold_of(two, folds=CROSSED)
    for a in range(min(CROSSED, len(set(one)))):
        for b in range(min(CROSSED, len(set(two)))):
            test = np.flatnonzero((first == a) & (second == b))
            train = without_sessions(np.flatnonzero((first != a) & (second != b)), test, sessions)
            if len(train) and len(test):
                yield train, test


def without_sessions(train: Index, test: Index, sessions: Sequence[str | None]) -> Index:
    """Leave out training rows that share a session with a test row."""
    seen = {sessions[int(row)] for row in test} - {None}
    return np.array([row for row in train if sessions[int(row)] not in seen], dtype=np.intp)


def folds_of(tests: RatedTests, split: str) -> Folds:
    """Return the folds of a split; rows without a session are sittings of their own."""
    if split == "new player":
        return list(group_folds(tests.players, tests.sessions))
    if split == "new mouthpiece":
        return list(group_folds(tests.mouthpieces, tests.sessions))
    if split == "new both":
        return list(crossed_folds(tests.players, tests.mouthpieces, tests.sessions))
    sittings = [session or f"\t{test}" for session, test in zip(tests.sessions, tests.ids, strict=True)]
    return list(group_folds(sittings, tests.sessions))


def enough(tests: RatedTests) -> bool:
    """Say whether there are playtests enough to hold some back."""
    return len(tests) >= MIN_ROWS and min(len(set(tests.players)), len(set(tests.mouthpieces))) >= MIN_GROUPS


def predict_tests(blend: Blend, asked: RatedTests) -> tuple[Array, Array]:
    """Return the mark that a model expects of playtests (N,), each by its own player and with its own ligature, and the half width of its range."""
    guess, half = blend.computed(asked.overall_d), np.zeros(len(asked))
    for instrument, rows in asked.by_instrument().items():
        mine = asked.take(rows)
        fitted = blend.by_instrument.get(instrument)
        kinds = [blend.kind(instrument, player, piece) for player, piece in zip(mine.players, mine.mouthpieces, strict=True)]
        wide = np.array([blend.interval(kind).q for kind in kinds])
        if fitted is None:
            marks, v = mine.coded(), blend.variances
            doubt = ((marks.line @ blend.line.covariance) * marks.line).sum(axis=1)
            half[rows] = wide * np.sqrt(own_variance(marks, v, np.ones(len(mine))) + doubt + v.new_mark)
            continue
        with one_thread():
            found, sd = _of_instrument(fitted, mine)
        guess[rows] += found
        half[rows] = wide * sd
    return guess, half


def levels_of(blend: Blend, asked: RatedTests) -> Array:
    """Return the level of each playtest's player (N,), which changes from fold to fold and orders nothing within a list."""
    found = np.zeros(len(asked))
    for instrument, rows in asked.by_instrument().items():
        fitted = blend.by_instrument.get(instrument)
        if fitted is not None:
            codes = [fitted.code("player", asked.players[row]) for row in rows]
            found[rows] = fitted.effects("player")[codes]
    return found


def _coded(fitted: Fitted, asked: RatedTests) -> Coded:
    """Return playtests with the codes of a fitted model, -1 for what it has no mark of."""
    plain = asked.coded()
    named = asked.named()
    codes = {part: np.array([fitted.code(part, name) for name in names], dtype=np.intp) for part, names in named.items()}
    return Coded(codes, plain.features, plain.slopes, plain.line, plain.mark, plain.trust)


def _of_instrument(fitted: Fitted, tests: RatedTests) -> tuple[Array, Array]:
    v, asked = fitted.variances, _coded(fitted, tests)
    found = fitted.local.mean(Asked(asked.features, asked.codes["player"], asked.codes["setup"]), fitted.left)
    for part in GROUPED:
        if part not in ("setup", "sitting"):
            found += fitted.effects(part)[asked.codes[part]]
    slopes = {player: fitted.slopes(player) for player in set(tests.players)}
    own = np.array([slopes[player] for player in tests.players])
    found += (tests.features[:, SLOPE_COLUMNS] * own).sum(axis=1)
    return found, np.sqrt(_variance(fitted, asked) + v.new_mark)


def _variance(fitted: Fitted, asked: Coded) -> Array:
    """Return the variance of what is expected (N,), the line's doubt included, of very many marks by some."""
    v, system = fitted.variances, fitted.dense
    marks, wider = system.marks, system.wider
    own = asked.codes["player"][:, None] == marks.codes["player"][None, :]
    wide = np.array([wider[np.flatnonzero(row)[0]] if row.any() else 1.0 for row in own])
    towards, before = between(asked, marks, v, wide), own_variance(asked, v, wide)
    share = system.solve(towards.T)
    off = asked.line - share.T @ marks.line
    doubt = ((off @ fitted.line.covariance) * off).sum(axis=1)
    return np.asarray(np.maximum(before - (towards * share.T).sum(axis=1), 1e-9) + doubt)
