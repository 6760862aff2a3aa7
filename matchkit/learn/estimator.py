"""Nearest neighbours that predict a residual and shrink it where little is known, as an estimator of scikit-learn's.

Ranking goes by the same functions of :mod:`matchkit.learn.nearest` without it; a test holds the one against the other.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray
from sklearn.base import BaseEstimator, RegressorMixin
from sklearn.neighbors import NearestNeighbors
from sklearn.utils.validation import check_array, check_consistent_length, check_is_fitted, validate_data

from matchkit.learn.marks import shrunk_mean
from matchkit.learn.nearest import DECIMALS, kernel, squared_distances

Array = NDArray[np.float64]
Index = NDArray[np.intp]


class ResidualNeighbours(RegressorMixin, BaseEstimator):  # type: ignore[misc]  # sklearn ships no types
    """Predict ``sum w_j r_j / (sum w_j + kappa)`` over the ``n_neighbors`` nearest training rows.

    ``w_j = v_j exp(-d_j^2 / (2 bandwidth^2))``, with Euclidean distance ``d_j`` and the row's own weight ``v_j``. Far from every
    row the prediction goes to 0. Rows at equal distance are taken in training order.

    Parameters
    ----------
    n_neighbors : int, default 25
    bandwidth : float, default 1.5; ``inf`` weights all neighbours alike
    kappa : float, default 1.0; pseudo-evidence that pulls towards 0, not negative
    """

    def __init__(self, n_neighbors: int = 25, bandwidth: float = 1.5, kappa: float = 1.0) -> None:
        self.n_neighbors = n_neighbors
        self.bandwidth = bandwidth
        self.kappa = kappa

    def fit(self, X: Any, y: Any, sample_weight: Any = None) -> ResidualNeighbours:  # noqa: N803 - sklearn's name
        """Keep the training rows ``X`` (n, f), the residuals ``y`` (n,) and their weights (n,), all 1 where none are given.

        scikit-learn insists on the name ``y``; what stands in it is rating minus computed rating.
        """
        if self.n_neighbors < 1 or self.bandwidth <= 0 or self.kappa < 0:
            raise ValueError("n_neighbors must be at least 1, bandwidth above 0, kappa not negative")
        X, y = validate_data(self, X, y, y_numeric=True, dtype=float)  # noqa: N806 - sklearn's name
        self.residual_ = np.asarray(y, dtype=float)
        if sample_weight is None:
            self.weight_ = np.ones(len(X))
        else:
            self.weight_ = check_array(sample_weight, ensure_2d=False, dtype=float, input_name="sample_weight")
            check_consistent_length(X, self.weight_)
            if self.weight_.ndim != 1 or np.any(self.weight_ < 0):
                raise ValueError("sample_weight must be one-dimensional and not negative")
            if not np.any(self.weight_):
                raise ValueError("sample_weight must not be zero everywhere: no weight, no neighbours")
        self.index_ = NearestNeighbors(algorithm="brute").fit(X)
        self.rows_ = np.asarray(X)
        return self

    def nearest(self, X: Any) -> tuple[Array, Index]:  # noqa: N803 - sklearn's name
        """Return distances (N, k) and training rows (N, k) of the nearest, ties in training order."""
        check_is_fitted(self)
        X = validate_data(self, X, reset=False, dtype=float)  # noqa: N806 - sklearn's name
        count = len(self.rows_)
        wanted = min(self.n_neighbors, count)
        reach = min(wanted + 8, count)
        index = self.index_.kneighbors(X, n_neighbors=reach, return_distance=False)
        row = np.repeat(np.arange(len(X)), reach)
        distance = self._distances(X[row], index.ravel()).reshape(index.shape)
        order = np.lexsort((index, distance), axis=1)
        distance, index = np.take_along_axis(distance, order, 1), np.take_along_axis(index, order, 1)
        cut = (distance[:, -1] == distance[:, wanted - 1]) & (reach < count)
        distance, index = distance[:, :wanted], index[:, :wanted].astype(np.intp)
        everything = np.arange(count)
        for place in np.flatnonzero(cut):  # more ties at the edge than were fetched: look at every row
            every = self._distances(np.broadcast_to(X[place], self.rows_.shape), everything)
            index[place] = np.lexsort((everything, every))[:wanted]
            distance[place] = every[index[place]]
        return distance, index

    def _distances(self, asked: Array, index: Index) -> Array:
        return np.sqrt(squared_distances(asked, self.rows_[index])).round(DECIMALS)

    def predict(self, X: Any) -> Array:  # noqa: N803 - sklearn's name
        """Return the predicted residual (N,)."""
        distance, index = self.nearest(X)
        weight = kernel(distance, self.weight_[index], bandwidth=self.bandwidth)
        return shrunk_mean(weight, self.residual_[index], kappa=self.kappa)

    def __sklearn_tags__(self) -> Any:
        """Say what the estimator can and cannot do; shrunk predictions fit a training set poorly on purpose."""
        tags = super().__sklearn_tags__()
        tags.regressor_tags.poor_score = True
        return tags
