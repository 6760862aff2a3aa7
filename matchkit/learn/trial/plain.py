"""Plain methods to be held against: what somebody with a table of marks and scikit-learn would try first.

Each sees player, mouthpiece and line of reeds as columns of their own (one-hot), besides either the raw columns of the tables or the same
features and D as the model.
"""

from __future__ import annotations

import warnings
from collections.abc import Callable, Mapping, Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from matchkit.learn.marks import RatedTests
from matchkit.learn.threads import one_thread
from matchkit.score.features import FEATURES

Array = NDArray[np.float64]
Method = Callable[[RatedTests, RatedTests], Array]

RAW = ("tip_opening", "facing_length", "baffle_height", "chamber_volume", "cut")
"""Features that are columns of the tables, only scaled; the reed's strength comes besides."""


def player_mean(train: RatedTests, asked: RatedTests) -> Array:
    """Return the mean of each player's marks, or of all marks for a player who has none."""
    everybody = float(train.rating.mean())
    means = {}
    for name in set(train.players):
        mine = np.array([player == name for player in train.players])
        means[name] = float(train.rating[mine].mean())
    return np.array([means.get(name, everybody) for name in asked.players])


def columns(train: RatedTests, asked: RatedTests, *, raw: bool) -> tuple[Array, Array]:
    """Return what a plain method sees of both (n, c) and (N, c), numbers standardised by the training part."""
    if raw:
        kept = [FEATURES.index(name) for name in RAW]
        numbers = [np.column_stack([tests.features[:, kept], tests.strength]) for tests in (train, asked)]
    else:
        numbers = [np.column_stack([tests.features, tests.overall_d]) for tests in (train, asked)]
    middle, spread = numbers[0].mean(axis=0), numbers[0].std(axis=0)
    scaled = [(found - middle) / np.where(spread > 0, spread, 1.0) for found in numbers]
    for part in ("players", "mouthpieces", "lines", "instruments"):
        names = sorted(set(getattr(train, part)))
        for place, tests in enumerate((train, asked)):
            mine: Sequence[str] = getattr(tests, part)
            scaled[place] = np.column_stack(
                [scaled[place], np.array([[own == name for name in names] for own in mine], dtype=float)]
            )
    return scaled[0], scaled[1]


def _fitted(make: Callable[[], Any], *, raw: bool) -> Method:
    def method(train: RatedTests, asked: RatedTests) -> Array:
        known, wanted = columns(train, asked, raw=raw)
        with warnings.catch_warnings(), one_thread(with_scipy=True):
            warnings.simplefilter("ignore")  # a length at its bound is no news here
            return np.asarray(make().fit(known, train.rating).predict(wanted))

    return method


def _ridge() -> Any:
    from sklearn.linear_model import RidgeCV

    return RidgeCV(alphas=np.logspace(-1, 3, 9))


def _forest() -> Any:
    from sklearn.ensemble import RandomForestRegressor

    return RandomForestRegressor(n_estimators=200, min_samples_leaf=3, random_state=0)


def _boosting() -> Any:
    from sklearn.ensemble import GradientBoostingRegressor

    return GradientBoostingRegressor(n_estimators=100, max_depth=3, learning_rate=0.05, subsample=0.7, random_state=0)


MOST_FITTED = 300
"""The kernel of the Gaussian process is fitted to so many rows at most, and then conditioned on all."""


class _Process:
    """A Gaussian process with a smooth part, slopes and noise, its kernel fitted to a sample where there are many rows."""

    def fit(self, known: Array, marks: Array) -> _Process:
        from sklearn.gaussian_process import GaussianProcessRegressor
        from sklearn.gaussian_process.kernels import RBF, ConstantKernel, DotProduct, WhiteKernel

        kernel = ConstantKernel(1.0) * RBF(3.0, (0.3, 30)) + ConstantKernel(0.1) * DotProduct() + WhiteKernel(1.0)
        rows = np.random.default_rng(0).permutation(len(marks))[:MOST_FITTED]
        found = GaussianProcessRegressor(kernel, normalize_y=True).fit(known[rows], marks[rows])
        if len(marks) > MOST_FITTED:
            found = GaussianProcessRegressor(found.kernel_, normalize_y=True, optimizer=None).fit(known, marks)
        self._found = found
        return self

    def predict(self, asked: Array) -> Array:
        return np.asarray(self._found.predict(asked))


def _process() -> Any:
    return _Process()


MADE: Mapping[str, Callable[[], Any]] = {
    "ridge": _ridge,
    "forest": _forest,
    "boosting": _boosting,
    "Gaussian process": _process,
}


def plain_methods(*, raw: bool) -> dict[str, Method]:
    """Return the plain methods by name, on raw columns or on the same features as the model."""
    return {"player mean": player_mean, **{name: _fitted(make, raw=raw) for name, make in MADE.items()}}
