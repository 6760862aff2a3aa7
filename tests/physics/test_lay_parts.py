"""Parts of a fitted lay, each against the same thing written out once more in another way: loops, finite differences, sums by hand."""

from __future__ import annotations

import math

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.optimize import approx_fprime
from scipy.stats import norm

from matchkit.physics.lay.fair import BEND, EXPONENT, U_BEND, U_EXPONENT, FairCurve, Readings, fair_curve, usual
from matchkit.physics.lay.flaws import CHANCE, _covariance, _limit
from matchkit.physics.lay.scaled import _curve
from matchkit.physics.lay.scan import find_specks
from matchkit.physics.lay.shapes import fall_m

Array = NDArray[np.float64]

CURVE = FairCurve(np.array([25e-3, 14e-3, 0.52, 0.03]), np.diag([1e-8, 4e-9, 1e-4, 1e-5]), np.array([1e-9, 2e-10, 3e-7, 1e-8]))
RAILS = Readings(
    height_m=np.array([1.0, 0.4, 0.1, 1.0, 0.4, 0.1]) * 1e-3,
    place_m=np.array([9.0, 14.5, 19.5, 9.0, 14.2, 19.5]) * 1e-3,
    u_height_m=np.array([4.0, 3.0, 2.0, 4.0, 3.0, 2.0]) * 1e-6,
    u_place_m=np.array([60.0, 70.0, 80.0, 65.0, 75.0, 85.0]) * 1e-6,
    u_common_m=30e-6,
    u_tilt=5e-4,
    u_step_m=40e-6,
    lifts_m=np.array([[1.0, 1.0, 1.0, 0.0, 0.0, 0.0], [0.0, 0.0, 0.0, 2.0, 2.0, 2.0]]) * 1e-6,
)


def test_the_covariance_of_readings_is_what_each_error_makes() -> None:
    """Pair by pair: feelers alike where they are one feeler, touch alone, steps alike where both rails stop alike, person, tilt and planes shared."""
    heights = np.append(RAILS.height_m, 2.4e-3)
    slope = fall_m(CURVE.parameters[1:], heights)
    found = _covariance(RAILS, CURVE, slope, 20e-6)
    count = len(RAILS.height_m)
    assert found.shape == (count + 1, count + 1)
    assert found[-1, -1] == pytest.approx((slope[-1] * 20e-6) ** 2 + 1e-14)
    assert not found[-1, :-1].any()
    for one in range(count):
        for other in range(count):
            wanted = RAILS.u_common_m**2
            ahead = [RAILS.u_tilt * (CURVE.break_m - RAILS.place_m[k]) * slope[k] for k in (one, other)]
            wanted += ahead[0] * ahead[1]
            for row in RAILS.lifts:
                wanted += row[one] * slope[one] * row[other] * slope[other]
            if RAILS.height_m[one] == RAILS.height_m[other]:
                wanted += slope[one] * RAILS.u_height_m[one] * slope[other] * RAILS.u_height_m[other]
            if one == other:
                wanted += RAILS.u_place_m[one] ** 2
            elif RAILS.height_m[one] == RAILS.height_m[other] and RAILS.place_m[one] == RAILS.place_m[other]:
                wanted += RAILS.u_step_m**2
            assert found[one, other] == pytest.approx(wanted, rel=1e-9)


def test_the_limit_of_a_flaw_is_bonferronis() -> None:
    """So far off that of ``count`` independent normal numbers one is beyond it, either way, in 2 of 100 sets at most."""
    for count in (1, 7, 40):
        assert 2 * count * norm.sf(_limit(count)) == pytest.approx(CHANCE, rel=1e-9)


def test_a_stretched_curve_has_the_slopes_of_its_parameters() -> None:
    """New parameters over old, by finite differences (scipy), carry the covariance; a point of the curve goes where both its coordinates are stretched."""
    height, place = 1.15, 0.93
    stretched = _curve(CURVE, height, place)

    def parameters(old: Array) -> Array:
        return np.asarray(_curve(FairCurve(old, CURVE.covariance, CURVE.with_tip), height, place).parameters)

    slopes = approx_fprime(CURVE.parameters, parameters, 1e-9)
    assert stretched.covariance == pytest.approx(slopes @ CURVE.covariance @ slopes.T, rel=1e-4, abs=1e-14)
    assert stretched.with_tip == pytest.approx(slopes @ CURVE.with_tip * height, rel=1e-4, abs=1e-14)
    x = np.array([0.0, 6e-3, 15e-3])
    assert stretched.height_m(x * place) == pytest.approx(CURVE.height_m(x) * height, rel=1e-9)


def test_what_facings_are_usually_like_as_residuals() -> None:
    """In standard uncertainties of the exponent and of the bend at the tip, 0 in the middle of both."""
    middle = np.array([25e-3, 14e-3, EXPONENT, BEND / 2.0])
    assert usual(middle, 2e-3) == pytest.approx((0.0, 0.0))
    off = usual(np.array([25e-3, 14e-3, EXPONENT + 0.5 * U_EXPONENT, 0.3 * U_BEND]), 2e-3)
    assert off == pytest.approx((0.5, 0.6))


def test_rough_readings_widen_a_curve_that_one_degree_of_freedom_tells() -> None:
    """Two stops and the tip with what facings are usually like: five residuals, four parameters; stops that cannot be on one curve say so."""
    u = np.full(2, 1e-6), np.full(2, 20e-6)
    far = fair_curve(Readings(np.array([1.0e-3, 0.05e-3]), np.array([19e-3, 20e-3]), *u), tip_opening_m=2e-3, u_tip_m=5e-6)
    near = fair_curve(Readings(np.array([1.0e-3, 0.05e-3]), np.array([7e-3, 20e-3]), *u), tip_opening_m=2e-3, u_tip_m=5e-6)
    assert near.scatter == 1.0
    assert far.scatter > 1.5


def test_of_two_points_side_by_side_only_the_speck_is_taken() -> None:
    """A point 60 µm off beside one that chance put 10 µm off, noise 4 µm: one speck; two points 40 µm off are two."""
    x = np.arange(0, 20e-3, 0.1e-3)
    rng = np.random.default_rng(3)
    y = (20e-3 - x) ** 2 / 0.2 + rng.normal(0, 4e-6, len(x))
    one, two = y.copy(), y.copy()
    one[50] += 60e-6
    one[51] += 12e-6
    two[50:52] += 60e-6
    assert [place for place, _ in find_specks(x, one)] == [50]
    assert [place for place, _ in find_specks(x, two)] == [50, 51]
    assert all(math.isclose(off, 60e-6, abs_tol=16e-6) for _, off in find_specks(x, two))
