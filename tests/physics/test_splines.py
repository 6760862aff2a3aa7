"""The monotone cubic against scipy's PchipInterpolator, and against what makes it monotone; the cubic B-splines against scipy's."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.interpolate import BSpline, PchipInterpolator

from matchkit.physics.lay.splines import MonotoneCubic, cubic_basis

numbers = st.floats(-10, 10).map(lambda value: round(value, 3))


@given(widths=st.lists(st.floats(0.01, 5), min_size=1, max_size=9), values=st.lists(numbers, min_size=10, max_size=10))
def test_it_is_the_interpolator_of_scipy(widths: list[float], values: list[float]) -> None:
    """Any points, level stretches and turns among them: the same curve to 1e-12 (scipy's PchipInterpolator)."""
    x = np.concatenate([[0.0], np.cumsum(widths)])
    y = np.array(values[: len(x)])
    asked = np.concatenate([x, np.linspace(x[0], x[-1], 101)])
    assert MonotoneCubic(x, y)(asked) == pytest.approx(PchipInterpolator(x, y)(asked), abs=1e-12 * (1 + np.abs(y).max()))


def test_it_overshoots_nowhere_and_goes_through_its_points() -> None:
    """Rising points give a curve that never falls, straight ones a straight line (analytic)."""
    x = np.array([0.0, 1.0, 1.1, 4.0, 9.0])
    curve = MonotoneCubic(x, np.array([0.0, 0.0, 3.0, 3.1, 8.0]))
    assert np.all(np.diff(curve(np.linspace(0, 9, 2001))) >= -1e-15)
    assert curve(x) == pytest.approx([0.0, 0.0, 3.0, 3.1, 8.0])
    line = MonotoneCubic(x, 2 - 3 * x)
    assert line(np.linspace(0, 9, 50)) == pytest.approx(2 - 3 * np.linspace(0, 9, 50), rel=1e-12)


@given(widths=st.lists(st.floats(0.01, 5), min_size=1, max_size=9), parts=st.lists(st.floats(0, 1), min_size=1, max_size=20))
def test_b_splines_are_those_of_scipy(widths: list[float], parts: list[float]) -> None:
    """Any knots, any places on and between them, the first and the last too: the same matrix to 1e-12 (scipy's BSpline.design_matrix)."""
    inner = np.concatenate([[0.0], np.cumsum(widths)])
    knots = np.concatenate([np.repeat(inner[0], 3), inner, np.repeat(inner[-1], 3)])
    x = np.concatenate([np.array(parts) * inner[-1], inner])
    assert cubic_basis(x, knots) == pytest.approx(BSpline.design_matrix(x, knots, 3).toarray(), abs=1e-12)


def test_b_splines_add_up_to_one_and_hold_a_cubic() -> None:
    """At every place their sum is 1, and a cubic is fitted by them to the last digits (analytic)."""
    inner = np.array([0.0, 1.0, 1.5, 4.0])
    basis = cubic_basis(x := np.linspace(0, 4, 41), np.concatenate([np.zeros(3), inner, np.full(3, 4.0)]))
    assert basis.sum(axis=1) == pytest.approx(1.0, rel=1e-14)
    cubic = 2 - x + 0.5 * x**2 - 0.1 * x**3
    assert basis @ np.linalg.lstsq(basis, cubic, rcond=None)[0] == pytest.approx(cubic, abs=1e-12)
