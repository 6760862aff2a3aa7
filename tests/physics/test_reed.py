"""The reed: crown factor, bench stiffness, profile between and beyond its points."""

from __future__ import annotations

import numpy as np
import pytest
from conftest import Case, reference
from scipy.integrate import quad

from matchkit.errors import PhysicsInputError
from matchkit.physics.reed import (
    ReedShape,
    crown_factor,
    modulus_from_stiffness_pa,
    stiffness_from_modulus_n_per_m,
    stiffness_weights_per_m,
)


def flat(thickness: float = 0.8e-3, width: float = 0.014) -> ReedShape:
    return ReedShape(np.array([1e-3, 1e-2, 3e-2]), np.full(3, thickness), np.ones(3), width, width, 0.07)


def tapered() -> ReedShape:
    x = np.array([1, 2, 5, 10, 15, 20, 30, 36]) * 1e-3
    t = np.array([0.11, 0.15, 0.27, 0.49, 0.74, 1.03, 1.78, 2.3]) * 1e-3
    return ReedShape(x, t, np.full(8, 0.72), 0.0157, 0.0114, 0.071)


@pytest.mark.parametrize("case", reference("crown"), ids=lambda c: str(c.inputs["edge_over_centre"]))
def test_crown_factor(case: Case) -> None:
    """The factor of a parabolic top equals the printed one and a numerical integration of the section."""
    ratio = case.inputs["edge_over_centre"]
    case.check("factor", float(crown_factor(ratio)))

    def moment(power: int) -> float:
        return float(quad(lambda z: (1 - (1 - ratio) * z**2) ** power / power, 0, 1)[0])

    area, first, second = (moment(power) for power in (1, 2, 3))
    assert float(crown_factor(ratio)) == pytest.approx(12 * (second - first**2 / area), rel=1e-12)


@pytest.mark.parametrize("case", reference("bench_stiffness"), ids=lambda c: c.place)
def test_bench_stiffness_of_a_uniform_cantilever(case: Case) -> None:
    """A flat strip tests as stiff as 3 E I / l^3 says, and the modulus comes back."""
    inp = case.inputs
    shape = flat(inp["thickness_mm"] * 1e-3, inp["width_mm"] * 1e-3)
    places = {"load_m": inp["load_mm"] * 1e-3, "clamp_m": inp["clamp_mm"] * 1e-3}
    stiffness = stiffness_from_modulus_n_per_m(shape, modulus_pa=inp["modulus_gpa"] * 1e9, **places)
    case.check("stiffness_n_per_mm", stiffness * 1e-3)
    assert modulus_from_stiffness_pa(shape, stiffness_n_per_m=stiffness, **places) == pytest.approx(inp["modulus_gpa"] * 1e9)


def test_load_place_moves_the_stiffness_by_two_per_cent_a_tenth() -> None:
    """0.1 mm of load place is about 2 % of stiffness on a tapered reed (computed, see docs/physics.md)."""
    here, there = (
        stiffness_from_modulus_n_per_m(tapered(), modulus_pa=6e9, load_m=load, clamp_m=24e-3) for load in (5e-3, 5.1e-3)
    )
    assert 0.01 < there / here - 1 < 0.03


def test_stiffness_weights_are_shares() -> None:
    """The test's compliance is spread with a sum of one, between load and clamp."""
    x, share = stiffness_weights_per_m(tapered(), load_m=5e-3, clamp_m=24e-3)
    assert share.sum() == pytest.approx(1.0)
    assert 5e-3 < x.min() < x.max() < 24e-3


def test_profile_goes_through_its_points_and_stays_positive_before_them() -> None:
    """Monotone between points, straight before the first, constant behind the last, never below half the first."""
    shape = tapered()
    assert shape.thickness_at_m(shape.x_m) == pytest.approx(shape.thickness_m)
    assert np.all(np.diff(shape.thickness_at_m(np.linspace(0, 36e-3, 500))) > 0)
    assert shape.tip_thickness_m == pytest.approx(0.07e-3)
    assert float(shape.thickness_at_m(-5e-3)) == pytest.approx(0.055e-3)
    assert float(shape.thickness_at_m(50e-3)) == pytest.approx(2.3e-3)
    assert float(shape.width_at_m(0.071)) == pytest.approx(0.0114)


@pytest.mark.parametrize(
    ("x", "t", "message"),
    [([1, 2], [1, 1], "three or more"), ([2, 1, 3], [1, 1, 1], "growing"), ([1, 2, 3], [1, 0, 1], "above zero")],
)
def test_impossible_profiles_are_refused(x: list[float], t: list[float], message: str) -> None:
    """Too few points, points out of order and a thickness of nothing raise PhysicsInputError."""
    with pytest.raises(PhysicsInputError, match=message):
        ReedShape(np.array(x, dtype=float), np.array(t, dtype=float), np.ones(len(x)), 0.014, 0.011, 0.07)


def test_load_behind_the_clamp_is_refused() -> None:
    """A test with the load behind the clamp says nothing."""
    with pytest.raises(PhysicsInputError, match="between the tip and the clamp"):
        modulus_from_stiffness_pa(flat(), stiffness_n_per_m=1e3, load_m=25e-3, clamp_m=24e-3)
