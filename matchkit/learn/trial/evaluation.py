"""How well the model predicts what it has not seen, on three splits, beside plainer methods."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Any, ClassVar

import numpy as np
from numpy.typing import NDArray

from matchkit.constants import DECIMALS
from matchkit.errors import RequestError
from matchkit.learn.blend import interval_from, sampled
from matchkit.learn.interval import MIN_GROUPS, MIN_ROWS
from matchkit.learn.marks import DEFAULT_SETTINGS, RatedTests, Settings
from matchkit.learn.trial.choosing import SPLITS, Folds, choose_settings, enough, folds_of, shared
from matchkit.learn.trial.folds import FoldTable
from matchkit.records.parts import Ligature
from matchkit.results import Answer, Progress

Array = NDArray[np.float64]
Index = NDArray[np.intp]

METHODS = ("random", "average", "physics alone", "neighbours alone", "blend")
TOP = 5
LEAST_LIST = 6
"""A player's list counts from so many set-ups on."""

SEED = 1

MOST_FOLDS = 40
"""Where there are up to so many players or mouthpieces, each is held out by itself in an evaluation: new ones come one at a time."""


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
class Evaluation(Answer):
    """Every method on every split, out of fold, with settings chosen inside each training part.

    NDCG@5 has one list a player from held-out rows, repeats of a set-up averaged, gain = rating and discount log2(i + 1), ties
    averaged; ``lists`` of ``players`` have six set-ups or more. Errors and widths are in rating points on the player's own line, fitted inside
    the training part; a list has one line from all of a player's rows (:meth:`~matchkit.learn.trial.folds.FoldTable.questions`).
    """

    schema: ClassVar[str] = "evaluate"
    table_of: ClassVar[str] = "scores"

    tests: int
    players: int
    lists: int
    scores: tuple[Score, ...]

    def to_dict(self) -> dict[str, Any]:
        """Return the JSON form; what cannot be said is null."""
        plain = super().to_dict()
        for score in plain["scores"]:
            score.update({name: None for name, value in score.items() if isinstance(value, float) and np.isnan(value)})
        return plain

    def score(self, split: str, method: str) -> Score:
        """Return one score."""
        return next(score for score in self.scores if (score.split, score.method) == (split, method))


def evaluate_tests(
    tests: RatedTests,
    ligatures: Sequence[Ligature],
    *,
    nested: bool = True,
    splits: Sequence[str] = SPLITS,
    jobs: int = 1,
    progress: Progress | None = None,
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
    total, done = sum(len(folds) for folds in work.values()), 0
    scores: list[Score] = []
    for split, folds in work.items():
        size = 8 if split == "new both" else 1  # one choice of settings a player fold is plenty for new both
        parts = [(start, folds[start : start + size]) for start in range(0, len(folds), size)]
        held = _HeldOut.of(len(tests))
        asked = ((tests, ligatures, split, start, part, nested) for start, part in parts)
        for (_, part), found in zip(parts, shared(_evaluate_folds, asked, jobs), strict=True):
            held.fill(found)
            done += len(part)
            if progress is not None:
                progress(done, total)
        scores += [_score(tests, split, method, held) for method in METHODS]
    lists = _lists(tests, np.arange(len(tests)))
    return Evaluation(
        len(tests), len(set(tests.players)), sum(len(rows) >= LEAST_LIST for rows in lists.values()), tuple(scores)
    )


@dataclass
class _HeldOut:
    """What every method said of tests that it had not seen: marks, what lists are ranked by, and the interval; (n,) each, nan where not asked."""

    guesses: dict[str, Array]
    orders: dict[str, Array]
    lower: Array
    upper: Array

    @classmethod
    def of(cls, count: int) -> _HeldOut:
        """Return one in which nothing was asked yet."""
        names = [np.full(count, np.nan) for _ in range(2 * len(METHODS) + 2)]
        marks, orders = dict(zip(METHODS, names, strict=False)), dict(zip(METHODS, names[len(METHODS) :], strict=False))
        return cls(marks, orders, names[-2], names[-1])

    def fill(self, other: _HeldOut) -> None:
        """Take over what was asked elsewhere."""
        for name in METHODS:
            seen = np.isfinite(other.guesses[name])
            self.guesses[name][seen] = other.guesses[name][seen]
            self.orders[name][seen] = other.orders[name][seen]
        bounded = np.isfinite(other.lower)
        self.lower[bounded], self.upper[bounded] = other.lower[bounded], other.upper[bounded]


def _evaluate_folds(
    tests: RatedTests,
    ligatures: Sequence[Ligature],
    split: str,
    start: int,
    folds: Folds,
    nested: bool,  # noqa: FBT001 - joblib passes by place
) -> _HeldOut:
    """Ask every method about a few folds, with settings chosen on the training part of the first of them."""
    table = FoldTable(tests, ligatures)
    held = _HeldOut.of(len(tests))
    settings = DEFAULT_SETTINGS
    for number, (train_rows, test_rows) in enumerate(folds, start=start):
        train = tests.take(train_rows)
        if nested and number == start:
            settings = choose_settings(train, ligatures)
        fold = [(train_rows, test_rows)]
        found, alone, listed, alone_listed = (
            table.predict(table.questions(fold, flat=flat, lists=lists), settings)
            for flat, lists in ((False, False), (True, False), (False, True), (True, True))
        )
        by_chance = np.random.default_rng([SEED, number]).uniform(0, 10, len(test_rows))
        said: dict[str, tuple[Array | float, Array | float]] = {
            "random": (by_chance, by_chance),
            "average": (train.rating.mean(), 0.0),  # one for all, whatever row was left out of it: it has no order
            "physics alone": (found.computed[test_rows], listed.computed[test_rows]),
            "neighbours alone": (alone.blended[test_rows], alone_listed.blended[test_rows]),
            "blend": (found.blended[test_rows], listed.blended[test_rows]),
        }
        for method, (guess, order) in said.items():
            held.guesses[method][test_rows], held.orders[method][test_rows] = guess, order
        groups = train.mouthpieces if split == "new mouthpiece" else train.players
        interval = interval_from(FoldTable(train, ligatures), groups, settings)
        if interval is not None:
            half = interval.half_width(found.evidence[test_rows]) * found.spread[test_rows]
            held.lower[test_rows] = found.blended[test_rows] - half
            held.upper[test_rows] = found.blended[test_rows] + half
    return held


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


@dataclass(frozen=True)
class Compared(Answer):
    """Two models, by the names of their files, and how they differ."""

    schema: ClassVar[str] = "compare"
    table_of: ClassVar[str] = "differences"
    row_type: ClassVar[type] = Difference

    models: tuple[str, str]
    differences: tuple[Difference, ...]


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
    """Return each player's mean absolute error of ``guess`` and NDCG@5 by ``order`` (players,), nan where a list is too short."""
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
    """Return error, NDCG@5 and tau of physics alone and of the blend out of fold, settings as they are (not chosen anew inside)."""
    tests = sampled(tests)
    if not enough(tests):
        return ()
    table = FoldTable(tests, ligatures)
    found = []
    for split in SPLITS[:2]:
        folds = folds_of(tests, split)
        if not folds:
            continue
        seen, listed = (table.predict(table.questions(folds, lists=lists), settings) for lists in (False, True))
        held = _HeldOut.of(len(tests))
        held.guesses |= {"physics alone": seen.computed, "blend": seen.blended}
        held.orders |= {"physics alone": listed.computed, "blend": listed.blended}
        found += [_score(tests, split, method, held) for method in ("physics alone", "blend")]
    return tuple(found)


def _lists(tests: RatedTests, rows: Iterable[int]) -> dict[str, dict[tuple[str, ...], list[int]]]:
    """Return each player's rows by set-up: repeats of a mouthpiece with one reed's features are one item."""
    lists: dict[str, dict[tuple[str, ...], list[int]]] = defaultdict(lambda: defaultdict(list))
    for row in rows:
        lists[tests.players[row]][tests.mouthpieces[row], tests.reeds[row]].append(row)
    return lists


def ranking_quality(rating: Array, guess: Array) -> tuple[float, float]:
    """Return NDCG@5 (gain = rating, discount log2(i + 1), ties averaged) and Kendall's tau-b of one list."""
    from scipy.stats import kendalltau
    from sklearn.metrics import ndcg_score

    rating, guess = rating.round(DECIMALS), guess.round(DECIMALS)
    constant = np.ptp(guess) == 0
    tau = float("nan") if constant or np.ptp(rating) == 0 else float(kendalltau(rating, guess).statistic)
    ndcg = float(ndcg_score(rating[None], guess[None], k=TOP)) if rating.any() else float("nan")
    return ndcg, tau


def _score(tests: RatedTests, split: str, method: str, held: _HeldOut) -> Score:
    """Score what one method said on players' own lines."""
    guess, order, lower, upper = held.guesses[method], held.orders[method], held.lower, held.upper
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
