"""Which settings predict best: chosen out of fold, on a grid.

Three splits: *new player* (a player held out whole), *new mouthpiece* (the player may be on both sides, a session may not), *new
both*. Whatever is chosen or fitted is chosen and fitted inside the training part.
"""

from __future__ import annotations

import itertools
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import replace
from typing import Any, TypeVar

import numpy as np
from numpy.typing import NDArray

from matchkit.constants import DECIMALS
from matchkit.learn.blend import sampled
from matchkit.learn.interval import FOLDS, MIN_GROUPS, MIN_ROWS, crossed_folds, group_folds
from matchkit.learn.marks import DEFAULT_SETTINGS, RatedTests, Settings
from matchkit.learn.trial.folds import FoldTable, Question
from matchkit.records.parts import Ligature
from matchkit.results import Progress

Array = NDArray[np.float64]
Index = NDArray[np.intp]
Folds = list[tuple[Index, Index]]

SPLITS = ("new player", "new mouthpiece", "new both")

NEIGHBOURS = (5, 10, 15, 25, 40)
BANDWIDTHS = (1.0, 1.5, 2.0, 3.0)
KAPPAS = (0.25, 0.5, 1.0, 2.0, 4.0)
OMEGAS = (0.0, 1.0, 2.0, 4.0, 8.0)
LIGATURES = ((1.0, 1.0), (1.0, 0.5), (0.7, 0.5), (0.5, 0.2))


def folds_of(tests: RatedTests, split: str, *, folds: int = FOLDS) -> Folds:
    """Return the folds of a split; *new both* always has 8 by 8."""
    if split == "new player":
        return list(group_folds(tests.players, tests.sessions, folds=folds))
    if split == "new mouthpiece":
        return list(group_folds(tests.mouthpieces, tests.sessions, folds=folds))
    return list(crossed_folds(tests.players, tests.mouthpieces, tests.sessions))


def enough(tests: RatedTests) -> bool:
    """Say whether there are playtests enough to choose settings from."""
    return len(tests) >= MIN_ROWS and min(len(set(tests.players)), len(set(tests.mouthpieces))) >= MIN_GROUPS


def choose_settings(
    tests: RatedTests,
    ligatures: Sequence[Ligature],
    start: Settings = DEFAULT_SETTINGS,
    *,
    jobs: int = 1,
    progress: Progress | None = None,
) -> Settings:
    """Choose settings by the mean absolute error out of fold.

    Neighbours, bandwidth and kappa minimise it averaged over *new player* and *new mouthpiece*; what another player and another
    ligature count, over *new mouthpiece* only, since own tests cannot be judged where the player is held out. Of equal settings
    the first of the grid is taken. With too few playtests the settings stay as they are. ``jobs`` processes share the folds.
    """
    tests = sampled(tests)
    if not enough(tests):
        return start
    table = FoldTable(tests, ligatures)
    new_player, new_mouthpiece = (list(table.questions(folds_of(tests, split))) for split in SPLITS[:2])

    if not all(sum(len(question.rows) for question in asked) >= MIN_ROWS for asked in (new_player, new_mouthpiece)):
        return start  # one sitting for everything, say: nothing can be held out
    total, done = len(new_player) + 2 * len(new_mouthpiece), 0

    def tell() -> None:
        nonlocal done
        done += 1
        if progress is not None:
            progress(done, total)

    def missed(questions: Sequence[Question], grid: Sequence[Settings]) -> Array:
        work = ((question, grid) for question in questions)
        sums = np.zeros(len(grid))
        for found in shared(_missed, work, jobs):
            sums += found
            tell()
        return (sums / sum(len(question.rows) for question in questions)).round(DECIMALS)

    grid = [replace(start, neighbours=k, bandwidth=h, kappa=c) for k, h, c in itertools.product(NEIGHBOURS, BANDWIDTHS, KAPPAS)]
    both = missed(new_player, grid) + missed(new_mouthpiece, grid)
    first = grid[int(both.round(DECIMALS).argmin())]
    trials = [
        replace(first, other_player=omega, same_contact=same, other_contact=other)
        for omega, (same, other) in itertools.product(OMEGAS, LIGATURES)
    ]
    return trials[int(missed(new_mouthpiece, trials).argmin())]


def _missed(question: Question, grid: Sequence[Settings]) -> Array:
    """Return the sum of absolute errors of one question's tests under each of a grid of settings."""
    rating = question.table.tests.rating[question.rows]
    found = np.empty(len(grid))
    order = sorted(range(len(grid)), key=lambda k: (grid[k].other_player, grid[k].bandwidth, grid[k].same_contact, k))
    for place in order:  # settings that share their running sums after one another
        found[place] = np.abs(rating - question.guess(grid[place])).sum()
    return found


Work = TypeVar("Work", bound=tuple[Any, ...])
Found = TypeVar("Found")


def shared(function: Callable[..., Found], work: Iterable[Work], jobs: int) -> Iterator[Found]:
    """Do pieces of work in ``jobs`` processes, and give what comes of them in order, as it comes."""
    if jobs == 1:
        yield from (function(*item) for item in work)
        return
    from joblib import Parallel, delayed

    yield from Parallel(n_jobs=jobs, return_as="generator")(delayed(function)(*item) for item in work)
