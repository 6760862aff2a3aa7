"""How well the model predicts what it has not seen, on four splits, beside plain methods."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from typing import Any, ClassVar, TypeVar

import numpy as np
from numpy.typing import NDArray

from matchkit.errors import RequestError
from matchkit.learn.blend import Blend, fit_blend
from matchkit.learn.kriging.variances import PRIOR, Variances
from matchkit.learn.marks import RatedTests
from matchkit.learn.trial.folds import MIN_GROUPS, MIN_ROWS, SPLITS, Folds, enough, folds_of, levels_of, predict_tests
from matchkit.learn.trial.plain import MADE, plain_methods, player_mean
from matchkit.learn.trial.quality import LEAST_LIST, ranking_quality
from matchkit.results import Answer, Progress

Array = NDArray[np.float64]
Index = NDArray[np.intp]
Rescore = Callable[[Index], RatedTests]
"""Marks as they are seen where only some of them, by their rows, say what players without a set-up are scored against."""

ALONE = ("average", "player mean", "physics alone", "marks alone", "blend")
PLAIN = tuple(f"{name}, {kind}" for kind in ("raw", "same") for name in MADE)
METHODS = (*ALONE, *PLAIN)
SEED = 1
DIGITS = 6
"""Differences are rounded to so many digits: what is left of large numbers that are nearly alike carries the last bits of a machine."""
BOOTSTRAPS = 2000
LEAST_PLAYERS = 5
"""Players from whom on an interval over players is drawn."""
MOST_EVALUATED = 3000
"""So many playtests are held back in turn at most."""
MOST_ON_CARD = 1500
"""So many of them for the card of a model, which is written each time that one is trained."""


@dataclass(frozen=True)
class Score:
    """How one method did on one split; nan where it cannot be said (a constant has no order).

    ``over_blend`` is how much farther off it is than the blend, in points, with its 95 % interval over players.
    """

    split: str
    method: str
    ndcg: float
    kendall_tau: float
    error: float
    coverage: float | None
    width: float | None
    coverage_low: float | None
    coverage_high: float | None
    over_blend: float = float("nan")
    over_blend_low: float = float("nan")
    over_blend_high: float = float("nan")


@dataclass(frozen=True)
class Evaluation(Answer):
    """Every method on every split, out of fold; whatever is fitted is fitted inside each training part.

    NDCG@5 has one list a player from held-out rows, repeats of a set-up averaged, gain = rating and discount log2(i + 1), ties
    averaged; ``lists`` of ``players`` have six set-ups or more. Errors and widths are in points of a mark. The blend's lists leave out the
    player's own level, which changes from fold to fold and orders nothing.
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

    def best_plain(self, split: str, kind: str) -> Score | None:
        """Return the plain method that is least far off on a split, where they were asked; ``kind`` is raw or same."""
        mine = [score for score in self.scores if score.split == split and score.method in {f"{name}, {kind}" for name in MADE}]
        return min(mine, key=lambda score: score.error, default=None)


def evaluate_tests(
    tests: RatedTests,
    *,
    nested: bool = True,
    plain: bool = True,
    splits: Sequence[str] = SPLITS,
    rescore: Rescore | None = None,
    jobs: int = 1,
    progress: Progress | None = None,
) -> Evaluation:
    """Evaluate all methods; ``nested`` learns the variances anew inside each training part, otherwise they are the priors.

    Raises RequestError where there are below 40 rated playtests, 8 players or 8 mouthpieces.
    """
    if not enough(tests):
        raise RequestError(
            f"not enough playtests: {len(tests)} with a mark, {len(set(tests.players))} players, {len(set(tests.mouthpieces))} "
            f"mouthpieces; {MIN_ROWS}, {MIN_GROUPS} and {MIN_GROUPS} are needed"
        )
    tests, rescore = _at_most(tests, rescore)
    work = {split: folds for split in splits if (folds := folds_of(tests, split))}
    if not work:
        raise RequestError("nothing can be held out of these playtests, so nothing can be evaluated: is all of it one sitting?")
    total, done = sum(len(folds) for folds in work.values()), 0
    methods = METHODS if plain else ALONE
    scores: list[Score] = []
    for split, folds in work.items():
        held = _HeldOut.of(len(tests), methods)
        asked = ((rescore(train), train, test, nested, plain) for train, test in folds)
        for found in shared(_evaluate_fold, asked, jobs):
            held.fill(found)
            done += 1
            if progress is not None:
                progress(done, total)
        scores += [_score(tests, split, method, held) for method in methods]
    lists = _lists(tests, np.arange(len(tests)))
    return Evaluation(
        len(tests), len(set(tests.players)), sum(len(rows) >= LEAST_LIST for rows in lists.values()), tuple(scores)
    )


def _at_most(tests: RatedTests, rescore: Rescore | None, most: int = MOST_EVALUATED) -> tuple[RatedTests, Rescore]:
    """Return the tests that were marked, at most so many by a fixed seed, and how they are seen from some of them alone."""
    whole = rescore or (lambda _: tests)
    kept = tests.given
    if len(kept) == len(tests) <= most:
        return tests, whole
    if len(kept) > most:
        kept = kept[np.sort(np.random.default_rng(0).choice(len(kept), most, replace=False))]
    return tests.take(kept), lambda train: whole(kept[train]).take(kept)


@dataclass
class _HeldOut:
    """What every method said of tests that it had not seen: marks, what lists are ranked by, and the range; (n,) each, nan where not asked."""

    guesses: dict[str, Array]
    orders: dict[str, Array]
    half: Array

    @classmethod
    def of(cls, count: int, methods: Sequence[str]) -> _HeldOut:
        """Return one in which nothing was asked yet."""
        marks, orders = ({name: np.full(count, np.nan) for name in methods} for _ in range(2))
        return cls(marks, orders, np.full(count, np.nan))

    def fill(self, other: _HeldOut) -> None:
        """Take over what was asked elsewhere."""
        for mine, theirs in ((self.guesses, other.guesses), (self.orders, other.orders)):
            for name in mine:
                seen = np.isfinite(theirs[name])
                mine[name][seen] = theirs[name][seen]
        seen = np.isfinite(other.half)
        self.half[seen] = other.half[seen]


def _evaluate_fold(
    tests: RatedTests,
    train_rows: Index,
    test_rows: Index,
    nested: bool,  # noqa: FBT001 - joblib passes by place
    plain: bool,  # noqa: FBT001 - joblib passes by place
) -> _HeldOut:
    """Ask every method about one fold."""
    held = _HeldOut.of(len(tests), METHODS if plain else ALONE)
    train, asked = tests.take(train_rows), tests.take(test_rows)
    blend = fit_blend(train, None if nested else PRIOR)
    flat = fit_blend(replace(train, overall_d=np.zeros(len(train))), blend.variances, bounds=False)
    guess, held.half[test_rows] = predict_tests(blend, asked)
    alone = predict_tests(flat, replace(asked, overall_d=np.zeros(len(asked))))[0]
    said: dict[str, tuple[Array | float, Array | float]] = {
        "average": (train.rating.mean(), 0.0),  # one for all, whatever row was left out of it: it has no order
        "player mean": (player_mean(train, asked), 0.0),
        "physics alone": (blend.computed(asked.overall_d), asked.overall_d),
        "marks alone": (alone, alone - levels_of(flat, asked)),
        "blend": (guess, guess - levels_of(blend, asked)),
    }
    if plain:
        for kind in ("raw", "same"):
            for name, method in plain_methods(raw=kind == "raw").items():
                if name in MADE:
                    found = method(train, asked)
                    said[f"{name}, {kind}"] = (found, found)
    for name, (mark, order) in said.items():
        held.guesses[name][test_rows], held.orders[name][test_rows] = mark, order
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
    """Two models, by the names of their files, and how they differ.

    ``held_back`` says that neither had seen the marks that they are compared on; otherwise these are the ones that chose their variances, and
    flatter both.
    """

    schema: ClassVar[str] = "compare"
    table_of: ClassVar[str] = "differences"
    row_type: ClassVar[type] = Difference

    models: tuple[str, str]
    held_back: bool
    marks: int
    differences: tuple[Difference, ...]


def compare_models(
    tests: RatedTests,
    first: Blend,
    second: Blend,
    *,
    rescore: Rescore | None = None,
    draws: int = BOOTSTRAPS,
    seed: int = SEED,
) -> tuple[bool, int, tuple[Difference, ...]]:
    """Compare two models' variances: whether on marks that neither had seen, how many, and the differences (first minus second).

    Where there are 40 later marks of five players, both predict these from all earlier ones. Otherwise they are held against each other on
    the marks they were fitted to, fold by fold. Raises RequestError for too few marks, or where no figure is left.
    """
    if not enough(tests):
        raise RequestError(f"not enough playtests: {len(tests)} with a mark; {MIN_ROWS} of {MIN_GROUPS} players are needed")
    chose = {name for model in (first, second) for known in model.by_instrument.values() for name in known.tests.ids}
    fresh = np.array([name not in chose for name in tests.ids], dtype=bool)
    held_back = bool(fresh.sum() >= MIN_ROWS and len({tests.players[row] for row in np.flatnonzero(fresh)}) >= LEAST_PLAYERS)
    whole = rescore or (lambda _: tests)
    if held_back:
        work: dict[str, Folds] = {"later marks": [(np.flatnonzero(~fresh), np.flatnonzero(fresh))]}
    else:
        tests, whole = _at_most(tests, rescore)
        work = {split: folds_of(tests, split) for split in SPLITS if split != "new both"}
    found = []
    for split, folds in work.items():
        one, other = (_figures(tests, folds, model.variances, whole) for model in (first, second))
        rng = np.random.default_rng(seed)
        for name in ("error", "NDCG@5"):
            known = np.isfinite(one[name]) & np.isfinite(other[name])
            off = (one[name] - other[name])[known]
            if len(off) >= LEAST_PLAYERS:
                low, high = _bootstrap(off, rng, draws)
                means = float(one[name][known].mean()), float(other[name][known].mean())
                found.append(Difference(split, name, *means, float(off.mean()), low, high))
    if not found:
        raise RequestError("nothing can be held out of these playtests, so nothing can be compared: is all of it one sitting?")
    return held_back, int(fresh.sum()) if held_back else len(tests), tuple(found)


def _bootstrap(off: Array, rng: np.random.Generator, draws: int = BOOTSTRAPS) -> tuple[float, float]:
    drawn = off[rng.integers(0, len(off), (draws, len(off)))].mean(axis=1)
    return float(np.quantile(drawn, 0.025)), float(np.quantile(drawn, 0.975))


def _figures(tests: RatedTests, folds: Folds, variances: Variances, rescore: Rescore) -> dict[str, Array]:
    """Return each player's mean absolute error and NDCG@5 (players,), nan where a list is too short."""
    guess, order = (np.full(len(tests), np.nan) for _ in range(2))
    for train, test in folds:
        seen = rescore(train)
        blend, asked = fit_blend(seen.take(train), variances, bounds=False), seen.take(test)
        guess[test] = predict_tests(blend, asked)[0]
        order[test] = guess[test] - levels_of(blend, asked)
    rows = _rows(tests, np.isfinite(guess))
    quality = {name: _quality(tests, rows[name], order)[0] for name in rows}
    return {"error": _by_player(rows, np.abs(tests.rating - guess)), "NDCG@5": np.array(list(quality.values()))}


def _rows(tests: RatedTests, seen: NDArray[np.bool_]) -> dict[str, list[int]]:
    found: dict[str, list[int]] = {name: [] for name in sorted(set(tests.players))}
    for row in np.flatnonzero(seen):
        found[tests.players[row]].append(int(row))
    return found


def _by_player(rows: dict[str, list[int]], values: Array) -> Array:
    return np.array([values[mine].mean() if mine else np.nan for mine in rows.values()])


def _quality(tests: RatedTests, rows: Sequence[int], order: Array) -> tuple[float, float]:
    """Return NDCG@5 and tau of one player's list; nan where it is too short."""
    items = next(iter(_lists(tests, rows).values()), {})
    if len(items) < LEAST_LIST:
        return float("nan"), float("nan")
    rating = np.array([tests.rating[mine].mean() for mine in items.values()])
    return ranking_quality(rating, np.array([order[mine].mean() for mine in items.values()]))


def grouped_figures(
    tests: RatedTests, variances: Variances, *, rescore: Rescore | None = None, progress: Progress | None = None
) -> tuple[tuple[Score, ...], tuple[float, float] | None]:
    """Return figures of the blend and of the measurements out of fold at given variances; and the coverage of the narrower and of the wider ranges.

    At most :data:`MOST_ON_CARD` playtests are asked of. *New both* is left out, whose many small folds ``evaluate`` tells of. ``progress`` counts folds.
    """
    tests, whole = _at_most(tests, rescore, MOST_ON_CARD)
    if not enough(tests):
        return (), None
    found = []
    work = {split: folds for split in SPLITS if split != "new both" and (folds := folds_of(tests, split))}
    total, done = sum(len(folds) for folds in work.values()), 0
    inside: list[tuple[float, bool]] = []
    for split, folds in work.items():
        held = _HeldOut.of(len(tests), ("physics alone", "blend"))
        for train, test in folds:
            seen = whole(train)
            blend, asked = fit_blend(seen.take(train), variances), seen.take(test)
            guess, held.half[test] = predict_tests(blend, asked)
            held.guesses["physics alone"][test] = blend.computed(asked.overall_d)
            held.orders["physics alone"][test] = asked.overall_d
            held.guesses["blend"][test], held.orders["blend"][test] = guess, guess - levels_of(blend, asked)
            within = np.abs(asked.rating - guess) <= held.half[test]
            inside += zip((held.half[test]).tolist(), within.tolist(), strict=True)
            done += 1
            if progress is not None:
                progress(done, total)
        found += [_score(tests, split, method, held) for method in ("physics alone", "blend")]
    if not inside:
        return tuple(found), None
    width = np.array([half for half, _ in inside])
    hit = np.array([within for _, within in inside])
    narrow = width <= np.median(width)
    return tuple(found), (float(hit[narrow].mean()), float(hit[~narrow].mean()) if (~narrow).any() else float("nan"))


def _lists(tests: RatedTests, rows: Iterable[int]) -> dict[str, dict[tuple[str, ...], list[int]]]:
    """Return each player's rows by set-up: repeats of a mouthpiece with one reed are one item."""
    lists: dict[str, dict[tuple[str, ...], list[int]]] = defaultdict(lambda: defaultdict(list))
    for row in rows:
        lists[tests.players[row]][tests.mouthpieces[row], tests.reeds[row]].append(int(row))
    return lists


def _score(tests: RatedTests, split: str, method: str, held: _HeldOut) -> Score:
    """Score what one method said."""
    guess, order, half = held.guesses[method], held.orders[method], held.half
    seen = np.isfinite(guess)
    rows = _rows(tests, seen)
    quality = [_quality(tests, mine, order) for mine in rows.values() if mine]
    ndcg, tau = (_mean(np.array([pair[place] for pair in quality])) for place in (0, 1))
    missed = np.abs(tests.rating - guess)
    coverage = width = low = high = None
    if method == "blend" and np.isfinite(half[seen]).all():
        inside = (missed <= half).astype(float)
        coverage, width = float(inside[seen].mean()), float(2 * half[seen].mean())
        by_player = _by_player(rows, inside)
        low, high = (float(np.nanquantile(by_player, share)) for share in (0.1, 0.9))
    off = _by_player(rows, missed) - _by_player(rows, np.abs(tests.rating - held.guesses["blend"]))
    off = off[np.isfinite(off)]
    over = (float("nan"),) * 3
    if method != "blend" and len(off) >= LEAST_PLAYERS:
        low_end, high_end = _bootstrap(off, np.random.default_rng(SEED))
        over = round(float(off.mean()), DIGITS), round(low_end, DIGITS), round(high_end, DIGITS)
    return Score(split, method, ndcg, tau, float(missed[seen].mean()), coverage, width, low, high, *over)


def _mean(values: Array) -> float:
    known = values[np.isfinite(values)]
    return float(known.mean()) if len(known) else float("nan")


Found = TypeVar("Found")


def shared(function: Callable[..., Found], work: Iterable[tuple[Any, ...]], jobs: int) -> Iterator[Found]:
    """Do pieces of work in ``jobs`` processes, and give what comes of them in order, as it comes."""
    if jobs == 1:
        yield from (function(*item) for item in work)
        return
    from joblib import Parallel, delayed

    yield from Parallel(n_jobs=jobs, return_as="generator")(delayed(function)(*item) for item in work)
