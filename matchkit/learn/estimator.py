"""Kriging on the nearest rows as an estimator of scikit-learn's: what ranking goes by, for anybody's own table.

Ranking uses the same functions of :mod:`matchkit.learn.kriging` without it; a test holds the one against the other.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray
from sklearn.base import BaseEstimator, RegressorMixin
from sklearn.utils.validation import check_array, check_consistent_length, check_is_fitted, validate_data

from matchkit.learn.kriging.covariance import Coded
from matchkit.learn.kriging.likelihood import Weighed
from matchkit.learn.kriging.local import Asked, Local
from matchkit.learn.kriging.system import solved
from matchkit.learn.kriging.variances import GROUPED, PRIOR, Variances

Array = NDArray[np.float64]
Index = NDArray[np.intp]

KINDS = ("player", "mouthpiece", "line")


class NearestKriging(RegressorMixin, BaseEstimator):  # type: ignore[misc]  # sklearn ships no types
    """Predict levels of groups, from all rows, and a smooth part by kriging on the ``n_neighbors`` nearest of what levels leave.

    Where every row is among the nearest it is the Gaussian process with the same covariance. Far from every row the prediction goes to the
    levels, and to 0 where there are none. Rows at equal distance are taken in training order.

    Parameters
    ----------
    n_neighbors : int, default 50
    groups : sequence of "player", "mouthpiece" and "line", default none
        what the trailing columns of X hold: a code of each row's, in this order
    smooth, own, player, mouthpiece, line, noise : float
        standard deviations in units of y: of the smooth part, of each player's own smooth part, of levels, of the noise
    length : float
        length of the smooth parts, in units of X

    Raises
    ------
    ValueError
        for parameters that cannot be meant, and for fewer columns than groups
    """

    def __init__(
        self,
        n_neighbors: int = 50,
        groups: Sequence[str] = (),
        *,
        smooth: float = PRIOR.smooth,
        own: float = PRIOR.own,
        player: float = PRIOR.player,
        mouthpiece: float = PRIOR.mouthpiece,
        line: float = PRIOR.line,
        noise: float = PRIOR.noise,
        length: float = PRIOR.length,
    ) -> None:
        self.n_neighbors = n_neighbors
        self.groups = groups
        self.smooth = smooth
        self.own = own
        self.player = player
        self.mouthpiece = mouthpiece
        self.line = line
        self.noise = noise
        self.length = length

    def _variances(self) -> Variances:
        sd = {name: getattr(self, name) if name in self.groups else 0.0 for name in KINDS}
        own = self.own if "player" in self.groups else 0.0
        none = dict.fromkeys(("slope", "setup", "sitting", "contact", "ligature", "own_contact"), 0.0)
        return Variances(**sd, **none, smooth=self.smooth, own=own, noise=self.noise, length=self.length)

    def fit(self, X: Any, y: Any, sample_weight: Any = None) -> NearestKriging:  # noqa: N803 - sklearn's name
        """Solve the training rows ``X`` (n, f), ``y`` (n,); the noise of a row has the variance over its weight (n,), all 1 where none are given."""
        if self.n_neighbors < 1 or not set(self.groups) <= set(KINDS) or len(set(self.groups)) != len(self.groups):
            raise ValueError(f"n_neighbors must be at least 1, and groups among {', '.join(KINDS)}, each once")
        X, y = validate_data(self, X, y, y_numeric=True, dtype=float)  # noqa: N806 - sklearn's name
        if X.shape[1] <= len(self.groups):
            raise ValueError(f"{X.shape[1]} feature(s) in X; {len(self.groups)} of them are groups, and none is left")
        weight = np.ones(len(X))
        if sample_weight is not None:
            weight = check_array(sample_weight, ensure_2d=False, dtype=float, input_name="sample_weight")
            check_consistent_length(X, weight)
            if weight.ndim != 1 or np.any(weight < 0):
                raise ValueError("sample_weight must be one-dimensional and not negative")
            if not np.any(weight):
                raise ValueError("sample_weight must not be zero everywhere: no weight, no neighbours")
        kept = weight > 0  # a row without weight is no row
        self.variances_ = self._variances()
        self.names_ = {name: np.unique(column) for name, column in zip(self.groups, self._columns(X[kept]), strict=True)}
        marks = self._coded(X[kept], np.asarray(y, dtype=float)[kept], weight[kept])
        system = solved(Weighed.plain(marks), self.variances_)
        self.pull_ = system.solve(marks.mark[:, None])[:, 0]
        self.left_ = marks.mark - system.levels(self.pull_[:, None])[:, 0]
        self.local_ = Local(marks, self.variances_, system.noise, neighbours=self.n_neighbors)
        return self

    def _columns(self, X: Array) -> Array:  # noqa: N803 - sklearn's name
        return X[:, X.shape[1] - len(self.groups) :].T

    def _codes(self, X: Array) -> dict[str, Index]:  # noqa: N803 - sklearn's name
        """Return codes (N,) of the groups that are given, -1 for names that no training row has."""
        found = {}
        for name, column in zip(self.groups, self._columns(X), strict=True):
            names = self.names_[name]
            place = np.minimum(np.searchsorted(names, column), len(names) - 1)
            found[name] = np.where(names[place] == column, place, -1).astype(np.intp)
        return found

    def _coded(self, X: Array, y: Array, weight: Array) -> Coded:  # noqa: N803 - sklearn's name
        count = len(X)
        apart: Index = np.arange(count, dtype=np.intp)
        codes = dict.fromkeys(GROUPED, apart) | self._codes(X)
        features = X[:, : X.shape[1] - len(self.groups)]
        return Coded(codes, features, np.zeros((count, 0)), np.zeros((count, 2)), y, weight)

    def predict(self, X: Any) -> Array:  # noqa: N803 - sklearn's name
        """Return the prediction (N,)."""
        check_is_fitted(self)
        X = validate_data(self, X, reset=False, dtype=float)  # noqa: N806 - sklearn's name
        codes, nothing = self._codes(X), np.full(len(X), -1, dtype=np.intp)
        features = X[:, : X.shape[1] - len(self.groups)]
        found = self.local_.mean(Asked(features, codes.get("player", nothing), nothing), self.left_)
        for name, code in codes.items():
            sums = np.bincount(self.local_.marks.codes[name], self.pull_, minlength=len(self.names_[name]))
            found += np.append(getattr(self.variances_, name) ** 2 * sums, 0.0)[code]
        return np.asarray(found)

    def __sklearn_tags__(self) -> Any:
        """Say what the estimator can and cannot do; shrunk predictions fit a training set poorly on purpose."""
        tags = super().__sklearn_tags__()
        tags.regressor_tags.poor_score = True
        return tags
