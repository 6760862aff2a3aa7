"""The facing: fitted arcs against geometry, interpolation, rails, and uncertainty against simulation."""

from __future__ import annotations

import numpy as np
import pytest
from conftest import Case, reference
from numpy.typing import NDArray

from matchkit.errors import PhysicsInputError
from matchkit.physics.facing import Readings, fit_arc, mean_lay, measured_lay, nominal_arc, nominal_lay

Array = NDArray[np.float64]

FEELERS = np.array([1.2, 0.9, 0.6, 0.4, 0.2, 0.1, 0.038]) * 1e-3


def arc_place(height: Array, *, edge: float, radius: float) -> Array:
    return np.asarray(edge - np.sqrt(2 * radius * height - height**2))


def readings(places: Array, heights: Array = FEELERS, u_stop: float = 5e-5) -> Readings:
    return Readings(heights, places, np.full(len(heights), 4e-6), np.full(len(heights), u_stop))


@pytest.mark.parametrize("case", reference("arc"), ids=lambda c: str(c.inputs["break_mm"]))
def test_readings_of_an_arc_give_the_arc_back(case: Case) -> None:
    """Exact readings return radius and break of the arc that made them."""
    edge, tip = case.inputs["break_mm"] * 1e-3, case.inputs["tip_opening_mm"] * 1e-3
    radius = (edge**2 + tip**2) / (2 * tip)
    heights = FEELERS[0.9 * tip > FEELERS]
    arc = fit_arc(readings(arc_place(heights, edge=edge, radius=radius), heights), tip_opening_m=tip, u_tip_m=2e-5)
    case.check("radius_mm", arc.radius_m * 1e3)
    assert arc.break_m == pytest.approx(edge, abs=1e-8)


@pytest.mark.parametrize("case", reference("arc"), ids=lambda c: str(c.inputs["break_mm"]))
def test_nominal_arc_goes_through_tip_and_thin_feeler(case: Case) -> None:
    """A nominal arc has its tip opening at 0 and is 0.038 mm high at its facing length; radius by Pythagoras."""
    edge, tip = case.inputs["break_mm"] * 1e-3, case.inputs["tip_opening_mm"] * 1e-3
    radius = (edge**2 + tip**2) / (2 * tip)
    length = float(arc_place(np.array(0.038e-3), edge=edge, radius=radius))
    arc = nominal_arc(tip_opening_m=tip, facing_length_m=length, u_tip_m=5e-5, u_facing_m=1e-3)
    case.check("radius_mm", arc.radius_m * 1e3)
    assert arc.facing_length_m == pytest.approx(length, abs=1e-9)
    assert float(arc.height_m(np.array(0.0))) == pytest.approx(tip, abs=1e-9)


def test_clamp_lies_between_facing_length_and_break() -> None:
    """The 0.010 mm height stands behind where the 0.038 mm leaf stops (common practice for the leaf) and before the break."""
    arc = nominal_arc(tip_opening_m=2e-3, facing_length_m=22e-3, u_tip_m=5e-5, u_facing_m=1e-3)
    assert arc.facing_length_m < arc.clamp_m < arc.break_m
    assert float(arc.height_m(np.array(arc.clamp_m))) == pytest.approx(10e-6, rel=1e-9)
    assert 2e-3 < arc.break_m - arc.facing_length_m < 6e-3


def test_clamp_is_better_fixed_than_the_break() -> None:
    """Where the facing is no arc (height as the 2.3rd power), the clamp is off by about half as much as the fitted break."""
    edge, tip, power = 26e-3, 2e-3, 2.3
    arc = fit_arc(readings(edge * (1 - (FEELERS / tip) ** (1 / power))), tip_opening_m=tip, u_tip_m=2e-5)
    true_clamp = edge * (1 - (10e-6 / tip) ** (1 / power))
    assert 1.8 * abs(arc.clamp_m - true_clamp) < abs(arc.break_m - edge)


def test_uncertainty_of_the_clamp_is_that_of_a_simulation() -> None:
    """First-order uncertainty equals the scatter over 400 simulated facings within 15 %; the fit is unbiased (seeded)."""
    rng = np.random.default_rng(11)
    edge, tip = 24e-3, 2e-3
    radius = (edge**2 + tip**2) / (2 * tip)
    places = arc_place(FEELERS, edge=edge, radius=radius)
    exact = fit_arc(readings(places), tip_opening_m=tip, u_tip_m=2e-5)
    clamps = []
    for _ in range(400):
        noisy = readings(np.sort(places + rng.normal(0, 5e-5, len(places))))
        arc = fit_arc(
            Readings(FEELERS + rng.normal(0, 4e-6, 7), noisy.place_m, noisy.u_height_m, noisy.u_place_m),
            tip_opening_m=tip + rng.normal(0, 2e-5),
            u_tip_m=2e-5,
        )
        clamps.append(arc.clamp_m)
    assert np.std(clamps) == pytest.approx(exact.u_clamp_m, rel=0.15)
    assert abs(np.mean(clamps) - exact.clamp_m) < 3 * exact.u_clamp_m / 20


def test_rough_readings_widen_the_uncertainty() -> None:
    """Readings that scatter more than their stated uncertainty make the clamp less certain."""
    places = arc_place(FEELERS, edge=24e-3, radius=145e-3)
    rough = places + np.array([1, -1, 1, -1, 1, -1, 1]) * 3e-4
    assert (
        fit_arc(readings(rough), tip_opening_m=2e-3, u_tip_m=2e-5).u_clamp_m
        > 3 * fit_arc(readings(places), tip_opening_m=2e-3, u_tip_m=2e-5).u_clamp_m
    )


def test_measured_lay_goes_through_its_readings() -> None:
    """The lay has each feeler's height at its stop, the tip opening at 0, and lies flat behind the break."""
    places = arc_place(FEELERS, edge=24e-3, radius=145e-3) + np.array([0, 2, -2, 1, 0, 0, 0]) * 1e-4
    lay = measured_lay(readings(places), tip_opening_m=2e-3, u_tip_m=2e-5)
    assert lay.height_m(places) == pytest.approx(FEELERS, abs=1e-12)
    assert float(lay.height_m(np.array(0.0))) == pytest.approx(2e-3)
    assert float(lay.height_m(np.array(40e-3))) == 0.0


def test_between_readings_an_arc_is_met_within_a_micrometre_or_three() -> None:
    """Interpolating sqrt(height) follows an arc to 3 µm between seven feelers; its smoothness is as good as perfect."""
    lay = measured_lay(readings(arc_place(FEELERS, edge=24e-3, radius=145e-3)), tip_opening_m=2e-3, u_tip_m=2e-5)
    x = np.linspace(0, 23e-3, 300)
    assert np.abs(lay.height_m(x) - lay.fair.height_m(x)).max() < 3e-6
    assert lay.smoothness_m is not None
    assert lay.smoothness_m < 1e-6


def test_bump_shows_in_the_smoothness() -> None:
    """A bump of 40 µm in the middle of the facing is far rougher than the arc it sits on."""
    edge, radius = 24e-3, 145e-3
    x = np.linspace(0, 24e-3, 4000)
    height = radius - np.sqrt(radius**2 - (edge - x) ** 2) - 40e-6 * np.exp(-(((x - 11e-3) / 2e-3) ** 2))
    places = np.interp(-FEELERS, -height, x)
    lay = measured_lay(readings(places), tip_opening_m=2e-3, u_tip_m=2e-5)
    assert lay.smoothness_m is not None
    assert 5e-6 < lay.smoothness_m < 40e-6


def test_rails_and_leak() -> None:
    """One rail shortened by 0.3 mm: the difference is found within its uncertainty, and the leak is the area between (analytic)."""
    right = arc_place(FEELERS, edge=24e-3, radius=145e-3)
    left = right - 0.3e-3 * right / 24e-3
    lay = mean_lay(readings(left), readings(right), tip_opening_m=2e-3, u_tip_m=2e-5)
    assert lay.rail_difference_m == pytest.approx(-0.3e-3 * right[-1] / 24e-3, abs=3e-5)
    assert lay.u_rail_difference_m < 0.15e-3
    x = np.linspace(0, 24e-3, 2001)
    between = float(np.trapezoid(np.abs(lay.left.height_m(x) - lay.right.height_m(x)), x))
    assert lay.leak_m2 == pytest.approx(between, rel=1e-3)
    # area under an arc of break L and tip H is about H L / 3, so a shortened rail leaves H dL / 3
    assert lay.leak_m2 == pytest.approx(2e-3 * 0.3e-3 / 3, rel=0.1)
    assert lay.height_m(x) == pytest.approx((lay.left.height_m(x) + lay.right.height_m(x)) / 2)


def test_nominal_lay_is_an_arc_and_says_so() -> None:
    """Without readings the lay is the arc itself and has no smoothness."""
    lay = nominal_lay(tip_opening_m=2e-3, facing_length_m=22e-3, u_tip_m=5e-5, u_facing_m=1e-3)
    assert not lay.measured
    assert lay.smoothness_m is None
    x = np.linspace(0, 25e-3, 50)
    assert lay.height_m(x) == pytest.approx(lay.fair.height_m(x))
    assert lay.fair.u_clamp_m > 0.9e-3


@pytest.mark.parametrize(
    ("heights", "places", "message"),
    [
        ([], [], "at least one reading"),
        ([0.9e-3, 0.4e-3], [15e-3, 8e-3], "a thinner leaf must stop further"),
        ([2.5e-3, 0.4e-3], [1e-3, 12e-3], "no leaf may be thicker"),
    ],
)
def test_impossible_readings_are_refused(heights: list[float], places: list[float], message: str) -> None:
    """No reading, readings out of order, and a leaf thicker than the tip opening raise PhysicsInputError."""
    with pytest.raises(PhysicsInputError, match=message):
        measured_lay(readings(np.array(places), np.array(heights)), tip_opening_m=2e-3, u_tip_m=2e-5)


def test_arc_needs_readings_that_fall() -> None:
    """Readings that rise towards the butt fit no arc."""
    with pytest.raises(PhysicsInputError, match="do not fall"):
        fit_arc(readings(np.array([20e-3, 2e-3]), np.array([1.9e-3, 1e-4])), tip_opening_m=5e-4, u_tip_m=2e-5)


@pytest.mark.parametrize(("tip", "length"), [(0.03e-3, 20e-3), (2e-3, 0.0)])
def test_nominal_arc_needs_a_tip_and_a_length(tip: float, length: float) -> None:
    """A tip under the thinnest leaf and a facing without length raise PhysicsInputError."""
    with pytest.raises(PhysicsInputError, match="no arc"):
        nominal_arc(tip_opening_m=tip, facing_length_m=length, u_tip_m=5e-5, u_facing_m=1e-3)
