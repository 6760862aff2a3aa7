"""How well the model predicts what it has not seen, and the settings that predict best.

Three splits: *new player* (a player held out whole), *new mouthpiece* (the player may be on both sides, a session may not), *new
both*. Whatever is chosen or fitted is chosen and fitted inside the training part.
"""

from __future__ import annotations

import itertools
from collections import defaultdict
from collections.abc import Callable, Iterable, Sequence
from dataclasses import asdict, dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from matchkit.errors import RequestError
from matchkit.match.answers import frame
from matchkit.match.blend import interval_from, sampled
from matchkit.match.folds import FoldTable, Question
from matchkit.match.interval import FOLDS, MIN_GROUPS, MIN_ROWS, crossed_folds, group_folds
from matchkit.match.rated import DEFAULT_SETTINGS, RatedTests, Settings
from matchkit.records.parts import Ligature

if TYPE_CHECKING:
    import pandas as pd

Array = NDArray[np.float64]
Index = NDArray[np.intp]
Folds = list[tuple[Index, Index]]

SPLITS = ("new player", "new mouthpiece", "new both")
METHODS = ("random", "average", "physics alone", "neighbours alone", "blend")
TOP = 5
LEAST_LIST = 6
"""A player's list counts from so many set-ups on."""

NEIGHBOURS = (5, 10, 15, 25, 40)
BANDWIDTHS = (1.0, 1.5, 2.0, 3.0)
KAPPAS = (0.25, 0.5, 1.0, 2.0, 4.0)
OMEGAS = (0.0, 1.0, 2.0, 4.0, 8.0)
LIGATURES = ((1.0, 1.0), (1.0, 0.5), (0.7, 0.5), (0.5, 0.2))
SEED = 1
DECIMALS = 6
"""Errors, marks and orders are rounded to this before they are compared."""

MOST_FOLDS = 40
"""Where there are up to so many players or mouthpieces, each is held out by itself in an evaluation: new ones come one at a time."""


def folds_of(tests: RatedTests, split: str, *, folds: int = FOLDS) -> Folds:
    """Give the folds of a split; *new both* always has 8 by 8."""
    if split == "new player":
        return list(group_folds(tests.players, tests.sessions, folds=folds))
    if split == "new mouthpiece":
        return list(group_folds(tests.mouthpieces, tests.sessions, folds=folds))
    return list(crossed_folds(tests.players, tests.mouthpieces, tests.sessions))


def enough(tests: RatedTests) -> bool:
    """Say whether there are playtests enough to choose settings from."""
    return len(tests) >= MIN_ROWS and min(len(set(tests.players)), len(set(tests.mouthpieces))) >= MIN_GROUPS


def choose_settings(tests: RatedTests, ligatures: Sequence[Ligature], start: Settings = DEFAULT_SETTINGS) -> Settings:
    """Choose settings by the mean absolute error out of fold.

    Neighbours, bandwidth and kappa minimise it averaged over *new player* and *new mouthpiece*; what another player and another
    ligature count, over *new mouthpiece* only, since own tests cannot be judged where the player is held out. Of equal settings
    the first of the grid is taken. With too few playtests the settings stay as they are.
    """
    tests = sampled(tests)
    if not enough(tests):
        return start
    table = FoldTable(tests, ligatures)
    new_player, new_mouthpiece = (list(table.questions(folds_of(tests, split))) for split in SPLITS[:2])

    if not all(sum(len(question.rows) for question in asked) >= MIN_ROWS for asked in (new_player, new_mouthpiece)):
        return start  # one sitting for everything, say: nothing can be held out

    def missed(questions: list[Question], settings: Settings) -> float:
        return round(float(np.nanmean(np.abs(tests.rating - table.predict(questions, settings).blended))), DECIMALS)

    def both(settings: Settings) -> float:
        return round(missed(new_player, settings) + missed(new_mouthpiece, settings), DECIMALS)

    grid = itertools.product(NEIGHBOURS, BANDWIDTHS, KAPPAS)
    first = min((replace(start, neighbours=k, bandwidth=h, kappa=kappa) for k, h, kappa in grid), key=both)
    trials = [
        replace(first, other_player=omega, same_contact=same, other_contact=other)
        for omega, (same, other) in itertools.product(OMEGAS, LIGATURES)
    ]
    return min(trials, key=lambda settings: missed(new_mouthpiece, settings))


@dataclass(frozen=True)
class Score:
    """How one method did on one split; nan where it cannot be said (a constant has no order)."""

    split: str
    method: str
    ndcg: float
    kendall_tau: float
    error: float
    coverage: float | None
    width: float | None
    coverage_low: float | None
    coverage_high: float | None


@dataclass(frozen=True)
class Evaluation:
    """Every method on every split, out of fold, with settings chosen inside each training part.

    NDCG@5 has one list a player from held-out rows, repeats of a set-up averaged, gain = rating and discount log2(i + 1), ties
    averaged; ``lists`` of ``players`` have six set-ups or more. Errors and widths are in rating points on the player's own line, fitted inside
    the training part; a list has one line from all of a player's rows (:meth:`~matchkit.match.folds.FoldTable.questions`).
    """

    tests: int
    players: int
    lists: int
    scores: tuple[Score, ...]

    def to_dict(self) -> dict[str, Any]:
        """Give the JSON form; what cannot be said is null."""
        plain = asdict(self)
        for score in plain["scores"]:
            score.update({name: None for name, value in score.items() if isinstance(value, float) and np.isnan(value)})
        return {"schema": "matchkit.evaluate/1", **plain}

    def to_frame(self) -> pd.DataFrame:
        """Give one row a method and split."""
        return frame([asdict(score) for score in self.scores])

    def score(self, split: str, method: str) -> Score:
        """Give one score."""
        return next(score for score in self.scores if (score.split, score.method) == (split, method))


def evaluate_tests(
    tests: RatedTests,
    ligatures: Sequence[Ligature],
    *,
    nested: bool = True,
    splits: Sequence[str] = SPLITS,
    progress: Callable[[int, int], None] | None = None,
) -> Evaluation:
    """Evaluate all methods; ``nested`` chooses the settings anew inside each training part.

    Raises RequestError where there are below 40 rated playtests, 8 players or 8 mouthpieces.
    """
    if not enough(tests):
        raise RequestError(
            f"not enough playtests: {len(tests)} with a mark, {len(set(tests.players))} players, {len(set(tests.mouthpieces))} "
            f"mouthpieces; {MIN_ROWS}, {MIN_GROUPS} and {MIN_GROUPS} are needed"
        )
    work = {split: folds for split in splits if (folds := folds_of(tests, split, folds=MOST_FOLDS))}
    if not work:
        raise RequestError("nothing can be held out of these playtests, so nothing can be evaluated: is all of it one sitting?")
    table = FoldTable(tests, ligatures)
    total, done = sum(len(folds) for folds in work.values()), 0
    scores: list[Score] = []
    for split, folds in work.items():
        guesses = {method: np.full(len(tests), np.nan) for method in METHODS}
        orders = {method: np.full(len(tests), np.nan) for method in METHODS}
        lower, upper = np.full(len(tests), np.nan), np.full(len(tests), np.nan)
        settings = DEFAULT_SETTINGS
        for number, (train_rows, test_rows) in enumerate(folds):
            train = tests.take(train_rows)
            if nested and (split != "new both" or number % 8 == 0):  # one choice a player fold is plenty for new both
                settings = choose_settings(train, ligatures)
            fold = [(train_rows, test_rows)]
            found = table.predict(table.questions(fold), settings)
            alone = table.predict(table.questions(fold, flat=True), settings)
            guesses["random"][test_rows] = np.random.default_rng([SEED, number]).uniform(0, 10, len(test_rows))
            guesses["average"][test_rows] = train.rating.mean()
            guesses["physics alone"][test_rows] = found.computed[test_rows]
            guesses["neighbours alone"][test_rows] = alone.blended[test_rows]
            guesses["blend"][test_rows] = found.blended[test_rows]
            listed = table.predict(table.questions(fold, lists=True), settings)
            orders["physics alone"][test_rows], orders["blend"][test_rows] = (
                listed.computed[test_rows],
                listed.blended[test_rows],
            )
            alone = table.predict(table.questions(fold, flat=True, lists=True), settings)
            orders["neighbours alone"][test_rows] = alone.blended[test_rows]
            orders["random"][test_rows] = guesses["random"][test_rows]
            orders["average"][test_rows] = 0.0  # one for all, whatever row was left out of it: it has no order
            groups = train.mouthpieces if split == "new mouthpiece" else train.players
            interval = interval_from(FoldTable(train, ligatures), groups, settings)
            if interval is not None:
                half = interval.half_width(found.evidence[test_rows]) * found.spread[test_rows]
                lower[test_rows], upper[test_rows] = found.blended[test_rows] - half, found.blended[test_rows] + half
            done += 1
            if progress is not None:
                progress(done, total)
        scores += [_score(tests, split, method, guesses[method], orders[method], lower, upper) for method in METHODS]
    lists = _lists(tests, np.arange(len(tests)))
    return Evaluation(
        len(tests), len(set(tests.players)), sum(len(rows) >= LEAST_LIST for rows in lists.values()), tuple(scores)
    )


@dataclass(frozen=True)
class Difference:
    """One figure of two models on the same held-out playtests: both, the difference, and its 95 % interval over players (bootstrap)."""

    split: str
    figure: str
    first: float
    second: float
    difference: float
    low: float
    high: float


BOOTSTRAPS = 2000
LEAST_PLAYERS = 5
"""Players from whom on an interval over players is drawn."""


def compare_settings(
    tests: RatedTests,
    ligatures: Sequence[Ligature],
    first: Settings,
    second: Settings,
    *,
    draws: int = BOOTSTRAPS,
    seed: int = SEED,
) -> tuple[Difference, ...]:
    """Compare two models' settings on the same splits: error and NDCG@5 out of fold, players drawn again with replacement, paired.

    Differences are first minus second; a figure that fewer than five players have is left out. Raises RequestError as :func:`evaluate_tests`,
    and where no figure is left.
    """
    if not enough(tests):
        raise RequestError(f"not enough playtests: {len(tests)} with a mark; {MIN_ROWS} of {MIN_GROUPS} players are needed")
    tests = sampled(tests)
    table = FoldTable(tests, ligatures)
    found = []
    for split in SPLITS[:2]:
        folds = folds_of(tests, split, folds=MOST_FOLDS)
        marks, lists = (list(table.questions(folds, lists=lists)) for lists in (False, True))
        figures = [
            _by_player(tests, *(table.predict(asked, settings).blended for asked in (marks, lists)))
            for settings in (first, second)
        ]
        rng = np.random.default_rng(seed)
        for name in ("error", "NDCG@5"):
            one, other = (values[name] for values in figures)
            known = np.isfinite(one) & np.isfinite(other)
            off = (one - other)[known]
            if len(off) < LEAST_PLAYERS:
                continue
            drawn = off[rng.integers(0, len(off), (draws, len(off)))].mean(axis=1)
            low, high = (float(np.quantile(drawn, share)) for share in (0.025, 0.975))
            found.append(
                Difference(split, name, float(one[known].mean()), float(other[known].mean()), float(off.mean()), low, high)
            )
    if not found:
        raise RequestError("nothing can be held out of these playtests, so nothing can be compared: is all of it one sitting?")
    return tuple(found)


def _by_player(tests: RatedTests, guess: Array, order: Array) -> dict[str, Array]:
    """Give each player's mean absolute error of ``guess`` and NDCG@5 by ``order`` (players,), nan where a list is too short."""
    names = sorted(set(tests.players))
    rows = {
        name: [row for row, player in enumerate(tests.players) if player == name and np.isfinite(guess[row])] for name in names
    }
    error = [float(np.abs(tests.rating - guess)[rows[name]].mean()) if rows[name] else np.nan for name in names]
    ndcg = []
    for name in names:
        items = _lists(tests, rows[name]).get(name, {})
        if len(items) < LEAST_LIST:
            ndcg.append(np.nan)
            continue
        rating = np.array([tests.rating[mine].mean() for mine in items.values()])
        ndcg.append(ranking_quality(rating, np.array([order[mine].mean() for mine in items.values()]))[0])
    return {"error": np.array(error), "NDCG@5": np.array(ndcg)}


def grouped_figures(tests: RatedTests, ligatures: Sequence[Ligature], settings: Settings) -> tuple[Score, ...]:
    """Give error, NDCG@5 and tau of physics alone and of the blend out of fold, settings as they are (not chosen anew inside)."""
    tests = sampled(tests)
    if not enough(tests):
        return ()
    table = FoldTable(tests, ligatures)
    nothing = np.full(len(tests), np.nan)
    found = []
    for split in SPLITS[:2]:
        folds = folds_of(tests, split)
        if not folds:
            continue
        seen, listed = (table.predict(table.questions(folds, lists=lists), settings) for lists in (False, True))
        found += [
            _score(tests, split, method, guess, order, nothing, nothing)
            for method, guess, order in (
                ("physics alone", seen.computed, listed.computed),
                ("blend", seen.blended, listed.blended),
            )
        ]
    return tuple(found)


def _lists(tests: RatedTests, rows: Iterable[int]) -> dict[str, dict[tuple[str, ...], list[int]]]:
    """Give each player's rows by set-up: repeats of a mouthpiece with one reed's features are one item."""
    lists: dict[str, dict[tuple[str, ...], list[int]]] = defaultdict(lambda: defaultdict(list))
    for row in rows:
        lists[tests.players[row]][tests.mouthpieces[row], tests.reeds[row]].append(row)
    return lists


def ranking_quality(rating: Array, guess: Array) -> tuple[float, float]:
    """Give NDCG@5 (gain = rating, discount log2(i + 1), ties averaged) and Kendall's tau-b of one list."""
    from scipy.stats import kendalltau
    from sklearn.metrics import ndcg_score

    rating, guess = rating.round(DECIMALS), guess.round(DECIMALS)
    constant = np.ptp(guess) == 0
    tau = float("nan") if constant or np.ptp(rating) == 0 else float(kendalltau(rating, guess).statistic)
    ndcg = float(ndcg_score(rating[None], guess[None], k=TOP)) if rating.any() else float("nan")
    return ndcg, tau


def _score(tests: RatedTests, split: str, method: str, guess: Array, order: Array, lower: Array, upper: Array) -> Score:
    """Score guesses (n,) on players' own lines; ``order`` (n,) is what their lists are ranked by."""
    seen = np.flatnonzero(np.isfinite(guess))
    quality = []
    for items in _lists(tests, (int(row) for row in seen)).values():
        if len(items) >= LEAST_LIST:
            rating = np.array([tests.rating[rows].mean() for rows in items.values()])
            quality.append(ranking_quality(rating, np.array([order[rows].mean() for rows in items.values()])))
    ndcg, tau = (np.array([pair[place] for pair in quality]) for place in (0, 1)) if quality else (np.array([np.nan]),) * 2
    coverage = width = low = high = None
    bounded = seen[np.isfinite(lower[seen])]
    if method == "blend" and len(bounded):
        inside = (tests.rating >= lower) & (tests.rating <= upper)
        coverage, width = float(inside[bounded].mean()), float((upper - lower)[bounded].mean())
        by_player = [
            inside[[r for r in bounded if tests.players[r] == name]].mean()
            for name in sorted({tests.players[r] for r in bounded})
        ]
        low, high = float(np.quantile(by_player, 0.1)), float(np.quantile(by_player, 0.9))
    error = float(np.abs(tests.rating - guess)[seen].mean())
    return Score(split, method, _mean(ndcg), _mean(tau), error, coverage, width, low, high)


def _mean(values: Array) -> float:
    known = values[np.isfinite(values)]
    return float(known.mean()) if len(known) else float("nan")
