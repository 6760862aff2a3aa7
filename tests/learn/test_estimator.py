"""The estimator against scikit-learn's own, and against what scikit-learn asks of an estimator."""

from __future__ import annotations

import numpy as np
import pytest
from sklearn.datasets import load_diabetes, load_wine
from sklearn.gaussian_process import GaussianProcessRegressor
from sklearn.gaussian_process.kernels import RBF, ConstantKernel
from sklearn.model_selection import GridSearchCV
from sklearn.pipeline import make_pipeline
from sklearn.preprocessing import StandardScaler
from sklearn.utils.estimator_checks import check_estimator

from matchkit.learn.blend import fit_blend
from matchkit.learn.estimator import NearestKriging
from matchkit.learn.fitted import Setups
from matchkit.learn.kriging.variances import NAMES, Variances


def test_check_estimator() -> None:
    """scikit-learn's contract holds, all of it."""
    results = check_estimator(NearestKriging(), on_skip=None)
    assert not {result["check_name"] for result in results if result["status"] in ("failed", "xfail")}
    assert len(results) > 30


def test_weights_and_repeats_agree() -> None:
    """A row of weight 2 counts as the row twice, where every row is a neighbour."""
    rng = np.random.default_rng(1)
    x, r, w = rng.normal(size=(12, 3)), rng.normal(size=12), rng.integers(1, 4, 12)
    repeated = NearestKriging(n_neighbors=100).fit(np.repeat(x, w, axis=0), np.repeat(r, w))
    weighted = NearestKriging(n_neighbors=100).fit(x, r, sample_weight=w)
    asked = rng.normal(size=(20, 3))
    assert weighted.predict(asked) == pytest.approx(repeated.predict(asked), abs=1e-10)


@pytest.mark.parametrize("table", ["diabetes", "wine"])
def test_on_all_rows_it_is_a_gaussian_process(table: str) -> None:
    """With every row near, predictions equal GaussianProcessRegressor's at the same kernel (tables bundled with scikit-learn)."""
    if table == "diabetes":
        x, y = load_diabetes(return_X_y=True)
    else:
        columns, _ = load_wine(return_X_y=True)
        x, y = columns[:, 1:], columns[:, 0]
    x, y = StandardScaler().fit_transform(x), (y - y.mean()) / y.std()
    split = 2 * len(x) // 3
    mine = NearestKriging(n_neighbors=len(x), smooth=0.8, noise=0.5, length=3.0).fit(x[:split], y[:split])
    theirs = GaussianProcessRegressor(ConstantKernel(0.64) * RBF(3.0), alpha=0.25, optimizer=None).fit(x[:split], y[:split])
    assert mine.predict(x[split:]) == pytest.approx(theirs.predict(x[split:]), abs=1e-9)


def test_groups_are_trailing_columns() -> None:
    """Codes of player, mouthpiece and line as trailing columns give what the model gives at the same variances; new codes count for nothing."""
    from test_kriging import some_tests

    none = dict.fromkeys(NAMES, 0.0) | {"noise": 0.9, "length": 2.0}
    v = Variances(**(none | {"player": 0.5, "mouthpiece": 0.4, "line": 0.3, "smooth": 0.7, "own": 0.6}))
    tests = some_tests(60)
    blend = fit_blend(tests, v, bounds=False)
    known = blend.by_instrument["alto"]
    assert np.all(known.weighed.odd < 1.2)
    codes = [known.marks.codes[name] for name in ("player", "mouthpiece", "line")]
    x = np.column_stack([tests.features, *codes]).astype(float)
    wide = 0.5 * np.sqrt(known.weighed.wider[0])
    weight = known.marks.trust / known.weighed.odd
    if np.ptp(known.weighed.wider) < 1e-12:
        pytest.fail("players who differ are needed here")
    model = NearestKriging(groups=("player", "mouthpiece", "line"), player=0.5).fit(x, known.residual, sample_weight=weight)
    asked = np.column_stack([tests.features[:5] + 0.1, np.full((5, 3), 77.0)])
    strangers = Setups(asked[:, :-3], ["new"], np.zeros(5, dtype=np.intp), ["new"], ["new"], np.zeros(5, dtype=np.intp))
    assert model.predict(asked) == pytest.approx(known.correction(strangers, None), abs=0.1)  # t tails of players apart
    assert wide > 0


def test_it_stands_in_a_pipeline_and_a_search() -> None:
    """A pipeline and a grid search take it as any other."""
    x, y = load_diabetes(return_X_y=True)
    y = (y - y.mean()) / y.std()
    search = GridSearchCV(
        make_pipeline(StandardScaler(), NearestKriging()), {"nearestkriging__length": [1.0, 3.0, 6.0]}, cv=3
    ).fit(x, y)
    assert search.best_score_ > 0.3


def test_ties_go_in_training_order() -> None:
    """Of many rows at one distance the first are taken, however many there are."""
    x = np.vstack([np.ones((40, 2)), np.zeros((3, 2))])
    near = NearestKriging(n_neighbors=5).fit(x, np.arange(43.0)).local_.near
    from matchkit.learn.kriging.local import Asked

    nobody = np.full(2, -1, dtype=np.intp)
    assert near(Asked(np.array([[0.0, 0.0], [1.0, 1.0]]), nobody, nobody)).tolist() == [[40, 41, 42, 0, 1], [0, 1, 2, 3, 4]]


def test_far_away_the_prediction_goes_to_nothing() -> None:
    """A question far from every row gets no correction: physics alone."""
    model = NearestKriging().fit(np.zeros((5, 2)), np.full(5, 3.0))
    assert abs(model.predict(np.array([[1e3, 0.0]]))[0]) < 1e-12
    assert model.predict(np.array([[0.0, 0.0]]))[0] == pytest.approx(3.0 * 5 * 0.49 / (5 * 0.49 + 0.81))


@pytest.mark.parametrize(
    ("settings", "weight", "message"),
    [
        ({"n_neighbors": 0}, None, "n_neighbors"),
        ({"groups": ("reed",)}, None, "groups among player"),
        ({"groups": ("player",)}, None, "none is left"),
        ({"length": 0.0}, None, "no standard deviations"),
        ({"noise": -1.0}, None, "no standard deviations"),
        ({}, [1.0, -1.0], "not negative"),
        ({}, [0.0, 0.0], "no weight"),
        ({}, [[1.0], [1.0]], "one-dimensional"),
    ],
)
def test_impossible_settings_are_refused(settings: dict[str, object], weight: object, message: str) -> None:
    """Settings and weights without a meaning raise ValueError in fit, not before."""
    model = NearestKriging(**settings)  # type: ignore[arg-type]
    with pytest.raises(ValueError, match=message):
        model.fit(np.zeros((2, 1)), np.zeros(2), sample_weight=weight)
