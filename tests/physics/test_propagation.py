"""First-order propagation against the worked examples of the guide (JCGM 100:2008, annex H), numbers from memory as marked."""

from __future__ import annotations

import math

import numpy as np
import pytest
from uncertainties import ufloat

from matchkit.physics.lay.fitting import propagate, slopes_of

VOLT = np.array([5.007, 4.994, 5.005, 4.990, 4.999])
AMPERE = np.array([19.663, 19.639, 19.640, 19.685, 19.678]) * 1e-3
PHASE = np.array([1.0456, 1.0438, 1.0468, 1.0428, 1.0433])


def _impedance(x: np.ndarray) -> np.ndarray:
    volt, ampere, phase = x
    return np.array([volt / ampere * np.cos(phase), volt / ampere * np.sin(phase), volt / ampere])


def test_correlated_inputs() -> None:
    """JCGM 100:2008 H.2 (from memory): R, X, Z of simultaneous readings with their correlations, which also correlate what comes out."""
    readings = np.vstack([VOLT, AMPERE, PHASE])
    found, covariance = propagate(_impedance, readings.mean(axis=1), np.cov(readings) / 5)
    u = np.sqrt(np.diag(covariance))
    assert found == pytest.approx([127.732, 219.847, 254.260], abs=5e-4)
    assert u == pytest.approx([0.0711, 0.2956, 0.2363], abs=5e-5)
    correlation = covariance / np.outer(u, u)
    assert [correlation[0, 1], correlation[0, 2], correlation[1, 2]] == pytest.approx([-0.588, -0.485, 0.993], abs=1e-3)
    ignored = np.sqrt(np.diag(propagate(_impedance, readings.mean(axis=1), np.diag(np.diag(np.cov(readings) / 5)))[1]))
    assert ignored[2] < u[2] / 1.1  # taken as independent, Z would seem better known than it is


def _end_gauge(x: np.ndarray) -> np.ndarray:
    standard, difference, random, systematic, unlike, expansion, mean, swing, apart = x
    return np.array([standard + difference + random + systematic - standard * (unlike * (mean + swing) + expansion * apart)])


END_GAUGE = [
    (50_000_623.0, 25.0),
    (215.0, 5.8),
    (0.0, 3.9),
    (0.0, 6.7),
    (0.0, 1e-6 / math.sqrt(3)),
    (11.5e-6, 2e-6 / math.sqrt(3)),
    (-0.1, 0.2),
    (0.0, 0.5 / math.sqrt(2)),
    (0.0, 0.05 / math.sqrt(3)),
]
"""Value and standard uncertainty: nm, nm, nm, nm, 1/K, 1/K, K, K, K."""


def test_a_budget_of_an_end_gauge() -> None:
    """JCGM 100:2008 H.1: 50 000 838 nm with u = 31.66 nm (printed 32), and each contribution; also as the library uncertainties has it."""
    values, u = (np.array(column) for column in zip(*END_GAUGE, strict=True))
    found, covariance = propagate(_end_gauge, values, np.diag(u**2))
    assert found[0] == pytest.approx(50_000_838, abs=0.5)
    assert math.sqrt(covariance[0, 0]) == pytest.approx(31.66, abs=0.05)
    parts = [math.sqrt(propagate(_end_gauge, values, np.diag(np.where(np.arange(9) == k, u**2, 0)))[1][0, 0]) for k in range(9)]
    assert parts == pytest.approx([25, 5.8, 3.9, 6.7, 2.887, 0, 0, 0, 16.599], abs=0.01)
    inputs = [ufloat(*pair) for pair in END_GAUGE]
    standard, difference, random, systematic, unlike, expansion, mean, swing, apart = inputs
    second = standard + difference + random + systematic - standard * (unlike * (mean + swing) + expansion * apart)
    assert math.sqrt(covariance[0, 0]) == pytest.approx(second.std_dev, rel=1e-6)


def test_slopes_are_exact() -> None:
    """The complex step has no error of its own: x^4 y - 2 y^3, x y^4 and exp(x) sin(y) against their derivatives (analytic)."""

    def function(point: np.ndarray) -> np.ndarray:
        x, y = point
        return np.array([x**4 * y - 2 * y**3, x * y**4, np.exp(x) * np.sin(y)])

    x, y = 1.3, -0.7
    expected = [
        [4 * x**3 * y, x**4 - 6 * y**2],
        [y**4, 4 * x * y**3],
        [math.exp(x) * math.sin(y), math.exp(x) * math.cos(y)],
    ]
    assert slopes_of(function, np.array([x, y])) == pytest.approx(np.array(expected), rel=1e-14)
