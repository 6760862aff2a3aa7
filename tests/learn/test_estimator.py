"""The neighbour estimator against scikit-learn's own, and against what scikit-learn asks of an estimator."""

from __future__ import annotations

import numpy as np
import pytest
from sklearn.datasets import load_diabetes, load_wine
from sklearn.neighbors import KNeighborsRegressor
from sklearn.utils.estimator_checks import check_estimator

from matchkit.learn.estimator import ResidualNeighbours
from matchkit.learn.marks import shrunk_mean

WEIGHT_EQUIVALENCE = dict.fromkeys(
    ("check_sample_weight_equivalence_on_dense_data", "check_sample_weight_equivalence_on_sparse_data"),
    "a row of weight 2 is one neighbour of k, the same row twice is two of k",
)


def test_check_estimator() -> None:
    """scikit-learn's contract holds, save weight equivalence, which no nearest-k model can have."""
    results = check_estimator(ResidualNeighbours(), expected_failed_checks=WEIGHT_EQUIVALENCE, on_skip=None)
    failed = {result["check_name"] for result in results if result["status"] == "failed"}
    expected = {result["check_name"] for result in results if result["status"] == "xfail"}
    assert not failed
    assert expected <= set(WEIGHT_EQUIVALENCE)
    assert expected  # the listed check is still there and still fails


def test_weights_and_repeats_agree_when_every_row_is_a_neighbour() -> None:
    """What does hold of weight equivalence: with k as large as the training set, weight 2 equals the row twice."""
    rng = np.random.default_rng(1)
    x, r, w = rng.normal(size=(12, 3)), rng.normal(size=12), rng.integers(1, 4, 12)
    repeated = ResidualNeighbours(n_neighbors=100, bandwidth=1.0, kappa=2.0).fit(np.repeat(x, w, axis=0), np.repeat(r, w))
    weighted = ResidualNeighbours(n_neighbors=100, bandwidth=1.0, kappa=2.0).fit(x, r, sample_weight=w)
    asked = rng.normal(size=(20, 3))
    assert weighted.predict(asked) == pytest.approx(repeated.predict(asked), abs=1e-12)


@pytest.mark.parametrize("table", ["diabetes", "wine"])
@pytest.mark.parametrize("k", [1, 5, 30])
def test_without_shrinkage_it_is_the_plain_neighbour_mean(k: int, table: str) -> None:
    """With kappa 0, equal weights and no map, predictions equal KNeighborsRegressor's to 1e-12 (tables bundled with scikit-learn)."""
    if table == "diabetes":
        x, y = load_diabetes(return_X_y=True)
    else:
        columns, _ = load_wine(return_X_y=True)
        x, y = columns[:, 1:], columns[:, 0]
    split = 2 * len(x) // 3
    mine = ResidualNeighbours(n_neighbors=k, bandwidth=np.inf, kappa=0.0).fit(x[:split], y[:split]).predict(x[split:])
    theirs = KNeighborsRegressor(n_neighbors=k, algorithm="brute").fit(x[:split], y[:split]).predict(x[split:])
    assert mine == pytest.approx(theirs, rel=1e-12)


def test_ties_go_in_training_order() -> None:
    """Of many rows at one distance the first are taken, however many there are."""
    x = np.vstack([np.ones((40, 2)), np.zeros((3, 2))])
    model = ResidualNeighbours(n_neighbors=5).fit(x, np.arange(43.0))
    distance, index = model.nearest(np.array([[0.0, 0.0], [1.0, 1.0]]))
    assert index.tolist() == [[40, 41, 42, 0, 1], [0, 1, 2, 3, 4]]
    assert distance[1].tolist() == [0.0] * 5


def test_far_away_the_prediction_goes_to_nothing() -> None:
    """A question far from every row gets no correction: physics alone."""
    model = ResidualNeighbours().fit(np.zeros((5, 2)), np.full(5, 3.0))
    assert abs(model.predict(np.array([[1e3, 0.0]]))[0]) < 1e-12
    assert model.predict(np.array([[0.0, 0.0]]))[0] == pytest.approx(3.0 * 5 / 6)


@pytest.mark.parametrize(
    ("settings", "weight", "message"),
    [
        ({"n_neighbors": 0}, None, "n_neighbors"),
        ({"bandwidth": 0.0}, None, "bandwidth"),
        ({"kappa": -1.0}, None, "kappa"),
        ({}, [1.0, -1.0], "not negative"),
        ({}, [[1.0], [1.0]], "one-dimensional"),
    ],
)
def test_impossible_settings_are_refused(settings: dict[str, float], weight: object, message: str) -> None:
    """Settings and weights without a meaning raise ValueError in fit, not before."""
    model = ResidualNeighbours(**settings)  # type: ignore[arg-type]
    with pytest.raises(ValueError, match=message):
        model.fit(np.zeros((2, 1)), np.zeros(2), sample_weight=weight)


def test_nothing_weighs_nothing() -> None:
    """Without weight and without shrinkage the mean is 0, not a division by zero."""
    assert shrunk_mean(np.zeros((1, 2)), np.ones((1, 2)), kappa=0.0)[0] == 0.0
