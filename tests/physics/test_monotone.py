"""The monotone cubic against scipy's PchipInterpolator, and against what makes it monotone."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.interpolate import PchipInterpolator

from matchkit.physics.lay.monotone import MonotoneCubic

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
