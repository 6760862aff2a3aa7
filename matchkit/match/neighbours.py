"""Nearest neighbours that predict a residual and shrink it where little is known."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray
from sklearn.base import BaseEstimator, RegressorMixin
from sklearn.neighbors import NearestNeighbors
from sklearn.utils.validation import check_array, check_consistent_length, check_is_fitted, validate_data

from matchkit.match.rated import shrunk_mean

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
        """Give distances (N, k) and training rows (N, k) of the nearest, ties in training order."""
        check_is_fitted(self)
        X = validate_data(self, X, reset=False, dtype=float)  # noqa: N806 - sklearn's name
        count = len(self.rows_)
        wanted = min(self.n_neighbors, count)
        reach = min(wanted + 8, count)
        distance, index = self.index_.kneighbors(X, n_neighbors=reach)
        distance = np.round(distance, 9)
        cut = (distance[:, -1] == distance[:, wanted - 1]) & (reach < count)
        order = np.lexsort((index, distance), axis=1)[:, :wanted]
        distance, index = np.take_along_axis(distance, order, 1), np.take_along_axis(index, order, 1)
        for row in np.flatnonzero(cut):  # more ties at the edge than were fetched: look at every row
            every = np.round(np.sqrt(((self.rows_ - X[row]) ** 2).sum(axis=1)), 9)
            index[row] = np.lexsort((np.arange(count), every))[:wanted]
            distance[row] = every[index[row]]
        return distance, index.astype(np.intp)

    def kernel(self, distance: Array, index: Index) -> Array:
        """Give the weight of each neighbour, before any ligature factor."""
        return np.asarray(self.weight_[index] * np.exp(-(distance**2) / (2 * self.bandwidth**2)))

    def predict(self, X: Any) -> Array:  # noqa: N803 - sklearn's name
        """Give the predicted residual (N,)."""
        distance, index = self.nearest(X)
        return shrunk_mean(self.kernel(distance, index), self.residual_[index], kappa=self.kappa)

    def __sklearn_tags__(self) -> Any:
        """Say what the estimator can and cannot do; shrunk predictions fit a training set poorly on purpose."""
        tags = super().__sklearn_tags__()
        tags.regressor_tags.poor_score = True
        return tags
