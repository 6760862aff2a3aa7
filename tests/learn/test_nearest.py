"""The search for neighbours in numpy alone: exact, with ties in order, and the same as scikit-learn's."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.typing import NDArray
from sklearn.neighbors import NearestNeighbors
from threadpoolctl import threadpool_info

from matchkit.learn.nearest import nearest, squared_distances
from matchkit.learn.threads import one_thread

Array = NDArray[np.float64]
Index = NDArray[np.intp]


def by_hand(asked: Array, known: Array, k: int, extra: Array | None = None) -> tuple[Array, Index]:
    """Every distance, sorted: the definition."""
    square = ((asked[:, None, :] - known[None, :, :]) ** 2).sum(axis=2) + (0.0 if extra is None else extra)
    distance: Array = np.asarray(np.sqrt(square), dtype=np.float64).round(9)
    order = np.argsort(distance, axis=1, kind="stable")[:, :k]
    return np.take_along_axis(distance, order, axis=1), order


@given(
    n=st.integers(1, 300),
    f=st.integers(1, 14),
    k=st.integers(1, 45),
    size=st.sampled_from([1e-4, 1.0, 1e5]),
    seed=st.integers(0, 999),
)
def test_it_is_the_definition(n: int, f: int, k: int, size: float, seed: int) -> None:
    """On a grid, where ties are many, and with something added: rows and distances of the sorted full table."""
    rng = np.random.default_rng(seed)
    known, asked = (np.round(rng.normal(size=(count, f)) * 2) / 2 * size for count in (n, 70))
    extra: Array = np.asarray(4.0 * size**2 * rng.integers(0, 2, (70, n)), dtype=np.float64)
    for more in (None, extra):
        distance, index = nearest(asked, known, k, extra=None if more is None else lambda rows: extra[rows])
        wanted, rows = by_hand(asked, known, k, more)
        assert index.tolist() == rows.tolist()
        assert distance == pytest.approx(wanted, rel=1e-12, abs=1e-9)


def test_it_finds_what_scikit_learn_finds() -> None:
    """Random rows, no ties: scikit-learn's brute search gives the same rows."""
    rng = np.random.default_rng(3)
    known, asked = rng.normal(size=(3000, 13)), rng.normal(size=(500, 13))
    distance, index = nearest(asked, known, 25)
    found = NearestNeighbors(n_neighbors=25, algorithm="brute").fit(known).kneighbors(asked, return_distance=False)
    assert np.array_equal(index, found)
    assert distance**2 == pytest.approx(
        np.stack([squared_distances(asked, known[index[:, place]]) for place in range(25)], axis=1), abs=1e-8
    )


def test_nothing_asked_or_known() -> None:
    """No rows on either side give empty answers; more neighbours than rows give them all."""
    some = np.zeros((3, 2))
    assert nearest(np.zeros((0, 2)), some, 2)[0].shape == (0, 2)
    assert nearest(some, np.zeros((0, 2)), 2)[1].shape == (3, 0)
    assert nearest(some, some, 9)[1].tolist() == [[0, 1, 2]] * 3


def test_one_thread_while_it_searches() -> None:
    """Linear algebra is held to one thread inside, and left as it was outside."""
    before = [pool["num_threads"] for pool in threadpool_info()]
    with one_thread(with_scipy=True):
        assert {pool["num_threads"] for pool in threadpool_info() if pool["user_api"] == "blas"} <= {1}
    assert [pool["num_threads"] for pool in threadpool_info()] == before
