"""The facing: fitted arcs against geometry, interpolation, rails, and uncertainty against simulation."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from conftest import Case, reference
from numpy.typing import NDArray

from matchkit.errors import PhysicsInputError
from matchkit.physics.lay.facing import mean_lay, measured_lay, nominal_lay
from matchkit.physics.lay.fair import (
    CLAMP_BEHIND,
    EXPONENT,
    THIN,
    U_BEND,
    U_EXPONENT,
    FairCurve,
    Readings,
    fair_curve,
    nominal_curve,
    same_shape,
)
from matchkit.physics.lay.fitting import fit
from matchkit.physics.lay.flaws import Flaw, find_flaws, one_deeper_m
from matchkit.physics.lay.shapes import fall_m, rise_m, run_m

Array = NDArray[np.float64]

FEELERS = np.array([1.2, 0.9, 0.6, 0.4, 0.2, 0.1, 0.038]) * 1e-3


def arc_place(height: Array, *, edge: float, radius: float) -> Array:
    return np.asarray(edge - np.sqrt(2 * radius * height - height**2))


def radius_of(curve: FairCurve) -> float:
    """Radius of the circle that is tangent at the curve's break and as high as the curve at the tip."""
    edge, tip = curve.break_m, curve.tip_m
    return (edge**2 + tip**2) / (2 * tip)


def readings(places: Array, heights: Array = FEELERS, u_stop: float = 5e-5) -> Readings:
    return Readings(heights, places, np.full(len(heights), 4e-6), np.full(len(heights), u_stop))


def flaws_of(read: Readings, tip: float, u_tip: float) -> tuple[Flaw, ...]:
    """Bumps and flats of one rail about its fair curve."""
    fair = fair_curve(read, tip_opening_m=tip, u_tip_m=u_tip)
    return find_flaws({"left": read}, fair, tip_opening_m=tip, u_tip_m=u_tip)


@pytest.mark.parametrize("case", reference("arc"), ids=lambda c: str(c.inputs["break_mm"]))
def test_readings_of_an_arc_give_the_arc_back(case: Case) -> None:
    """Exact readings return radius and break of the arc that made them, and its heights to a tenth of a micrometre."""
    edge, tip = case.inputs["break_mm"] * 1e-3, case.inputs["tip_opening_mm"] * 1e-3
    radius = (edge**2 + tip**2) / (2 * tip)
    heights = FEELERS[0.9 * tip > FEELERS]
    places = arc_place(heights, edge=edge, radius=radius)
    arc = fair_curve(
        Readings(heights, places, np.full(len(heights), 1e-9), np.full(len(heights), 1e-8)), tip_opening_m=tip, u_tip_m=1e-9
    )
    case.check("radius_mm", radius_of(arc) * 1e3)
    assert arc.break_m == pytest.approx(edge, abs=2e-6)
    assert float(arc.place_m(THIN)) == pytest.approx(float(arc_place(np.array(THIN), edge=edge, radius=radius)), abs=1e-7)
    x = np.linspace(0, 0.95 * edge, 40)
    assert arc.height_m(x) == pytest.approx(radius - np.sqrt(radius**2 - (edge - x) ** 2), abs=1e-7)


@pytest.mark.parametrize("case", reference("arc"), ids=lambda c: str(c.inputs["break_mm"]))
def test_nominal_arc_goes_through_tip_and_thin_feeler(case: Case) -> None:
    """A nominal arc has its tip opening at 0 and is 0.038 mm high at its facing length; radius by Pythagoras."""
    edge, tip = case.inputs["break_mm"] * 1e-3, case.inputs["tip_opening_mm"] * 1e-3
    radius = (edge**2 + tip**2) / (2 * tip)
    length = float(arc_place(np.array(0.038e-3), edge=edge, radius=radius))
    arc = nominal_curve(tip_opening_m=tip, facing_length_m=length, u_tip_m=5e-5, u_facing_m=1e-3)
    case.check("radius_mm", radius_of(arc) * 1e3)
    assert arc.facing_length_m == pytest.approx(length, abs=1e-9)
    assert float(arc.height_m(np.array(0.0))) == pytest.approx(tip, abs=1e-9)


def test_clamp_lies_behind_the_facing_length() -> None:
    """The 0.010 mm height stands behind where the 0.038 mm feeler stops (common practice for the feeler) and before the break."""
    arc = nominal_curve(tip_opening_m=2e-3, facing_length_m=22e-3, u_tip_m=5e-5, u_facing_m=1e-3)
    assert arc.clamp_m == arc.facing_length_m + CLAMP_BEHIND
    assert arc.facing_length_m < arc.break_m
    assert float(arc.height_m(np.array(arc.facing_length_m))) == pytest.approx(38e-6, rel=1e-9)
    assert 2e-3 < arc.break_m - arc.facing_length_m < 6e-3


SHAPES = {
    "ellipse": lambda s: 5e-3 * (1 - np.sqrt(1 - (s / 31.25e-3) ** 2)),
    "power 1.8": lambda s: 2e-3 * (s / 25e-3) ** 1.8,
    "power 2.5": lambda s: 2e-3 * (s / 25e-3) ** 2.5,
    "curvature to nothing at the tip": lambda s: 6e-3 * ((s / 25e-3) ** 2 / 2 - (s / 25e-3) ** 3 / 6),
}
"""Height by run, m: 2 mm at 25 mm; the last is the handbook's family k0 (1 - x/L)^m with m = 1."""


@pytest.mark.parametrize("name", SHAPES)
def test_other_lays_are_in_the_family(name: str) -> None:
    """Curves given by their own formulas, read nearly without error: met within 4 µm, the break within 0.25 mm, the facing length within 0.05 mm."""
    s = np.linspace(0, 25e-3, 20001)
    height = SHAPES[name](s)
    heights = np.array([1.5, 1.2, 0.9, 0.6, 0.4, 0.3, 0.2, 0.15, 0.1, 0.064, 0.038]) * 1e-3
    places = 25e-3 - np.interp(heights, height, s)
    curve = fair_curve(Readings(heights, places, np.full(11, 1e-8), np.full(11, 2e-6)), tip_opening_m=2e-3, u_tip_m=1e-7)
    x = np.linspace(0, 22e-3, 60)
    assert curve.height_m(x) == pytest.approx(np.interp(25e-3 - x, s, height), abs=4e-6)
    assert curve.break_m == pytest.approx(25e-3, abs=0.25e-3)
    assert curve.facing_length_m == pytest.approx(places[-1], abs=0.05e-3)


@pytest.mark.parametrize("shape", [[0.0171, 0.5, -1e-3], [0.017, 0.45, 0.0], [0.016, 0.6, 0.08], [0.02, 0.5, -0.09]])
def test_run_and_rise_undo_each_other(shape: list[float]) -> None:
    """The height at its own run is the height asked for, behind the break it is 0; the slope is that of differences (analytic)."""
    parameters = np.array(shape)
    heights = np.array([1e-6, 1e-5, 1e-4, 1e-3, 2e-3])
    assert rise_m(parameters, run_m(parameters, heights)) == pytest.approx(heights, rel=1e-12)
    assert rise_m(parameters, np.array(-1e-3)) == 0.0
    assert rise_m(parameters, np.array(0.0)) == 0.0
    step = 1e-4 * heights
    slopes = (run_m(parameters, heights + step) - run_m(parameters, heights - step)) / (2 * step)
    assert fall_m(parameters, heights) == pytest.approx(slopes, rel=1e-6)


def test_the_power_by_which_a_lay_rises() -> None:
    """The exponent of a power law is its own (analytic), that of an arc near 2; its doubt is that of a simulation (seeded)."""
    rng = np.random.default_rng(5)
    edge, tip = 25e-3, 2e-3
    for power in (1.8, 2.3):
        places = edge * (1 - (FEELERS / tip) ** (1 / power))
        exact = fair_curve(Readings(FEELERS, places, np.full(7, 1e-9), np.full(7, 1e-8)), tip_opening_m=tip, u_tip_m=1e-9)
        assert exact.exponent[0] == pytest.approx(power, abs=1e-4)
        said = fair_curve(readings(places), tip_opening_m=tip, u_tip_m=2e-5).exponent[1]
        drawn = [
            fair_curve(
                readings(places + rng.normal(0, 5e-5, 7)), tip_opening_m=tip + rng.normal(0, 2e-5), u_tip_m=2e-5
            ).exponent[0]
            for _ in range(150)
        ]
        assert 0.4 * said < np.std(drawn) < said  # what is usual holds it back


def test_the_covariance_of_the_lengths_is_that_of_a_simulation() -> None:
    """Over 400 facings as they usually are (exponent and bend drawn), read with errors (seeded): tip, facing length and half-open place err as stated, together too."""
    rng = np.random.default_rng(12)
    edge, tip = 24e-3, 2e-3
    off, stated = [], []
    for _ in range(400):
        exponent, bend = EXPONENT + rng.normal(0, U_EXPONENT), rng.normal(0, U_BEND) / (tip / 1e-3)
        shape = np.array([1.0, exponent, max(bend, -0.09)])
        shape[0] = edge / float(run_m(shape, tip))
        places = edge - run_m(shape, FEELERS + rng.normal(0, 4e-6, 7)) + rng.normal(0, 5e-5, 7)
        curve = fair_curve(readings(places), tip_opening_m=tip + rng.normal(0, 2e-5), u_tip_m=2e-5)
        truth = np.array([tip, *(edge - run_m(shape, np.array([THIN, tip / 2])))])
        off.append(curve.lengths_m - truth)
        stated.append(curve.covariance_m2)
    found, said = np.cov(np.array(off).T), np.mean(stated, axis=0)
    assert np.sqrt(np.diag(found)) == pytest.approx(np.sqrt(np.diag(said)), rel=0.12)
    u = np.sqrt(np.diag(said))
    assert found / np.outer(u, u) == pytest.approx(said / np.outer(u, u), abs=0.2)  # scatter only widens


def test_few_feelers_leave_the_shape_in_doubt() -> None:
    """The same readings, two of seven kept: less is known, so the uncertainty is larger; with the shape held it is far smaller."""
    edge, tip = 24e-3, 2e-3
    places = arc_place(FEELERS, edge=edge, radius=(edge**2 + tip**2) / (2 * tip))
    kept = np.array([3, 5])
    few = readings(places[kept], FEELERS[kept])
    many, two = (fair_curve(read, tip_opening_m=tip, u_tip_m=2e-5) for read in (readings(places), few))
    held = same_shape(few, many, tip_opening_m=tip, u_tip_m=2e-5)
    assert two.u_facing_length_m > 1.5 * many.u_facing_length_m
    assert two.u_facing_length_m > 1.5 * held.u_facing_length_m
    assert held.facing_length_m == pytest.approx(many.facing_length_m, abs=2e-4)


def test_bumps_and_flats_have_a_place_and_a_height() -> None:
    """A bump of 45 µm at 11 mm is found there, standing proud, with a height of its order; a sound facing has none."""
    edge, radius = 24e-3, 145e-3
    x = np.linspace(0, 24e-3, 4000)
    many = np.array([1.5, 1.2, 1.0, 0.8, 0.65, 0.5, 0.4, 0.3, 0.2, 0.1, 0.038]) * 1e-3
    for size in (-45e-6, 45e-6):
        height = radius - np.sqrt(radius**2 - (edge - x) ** 2) + size * np.exp(-(((x - 11e-3) / 2.0e-3) ** 2))
        places = np.interp(-many, -height, x)
        worst = max(flaws_of(readings(places, many, 3e-5), float(height[0]), 1e-5), key=lambda flaw: abs(flaw.height_m))
        assert worst.kind == ("bump" if size < 0 else "flat")
        assert worst.place_m == pytest.approx(11e-3, abs=1.5e-3)
        assert abs(worst.height_m) == pytest.approx(45e-6, rel=0.25)
        assert abs(worst.height_m) > 3 * worst.u_height_m
        assert np.sign(worst.height_m) == np.sign(size)
    assert flaws_of(readings(arc_place(FEELERS, edge=edge, radius=radius)), 2e-3, 2e-5) == ()


MISRA_X = np.array([77.6, 114.9, 141.1, 190.8, 239.9, 289.0, 332.8, 378.4, 434.8, 477.3, 536.8, 593.1, 689.1, 760.0])
MISRA_Y = np.array([10.07, 14.73, 17.94, 23.93, 29.61, 35.18, 40.02, 44.82, 50.76, 55.05, 61.01, 66.40, 75.47, 81.78])


@pytest.mark.parametrize("start", [(500.0, 1e-4), (250.0, 5e-4)])
def test_nist_misra1a(start: tuple[float, float]) -> None:
    """NIST StRD Misra1a from both certified starts: estimates to 1e-6, standard errors to 1e-5, residual deviation."""
    found = fit(
        lambda b: MISRA_Y - b[0] * (1 - np.exp(-b[1] * MISRA_X)),
        np.array(start),
        low=np.array([1.0, 1e-6]),
        high=np.array([1e4, 1.0]),
    )
    assert found.parameters == pytest.approx([238.94212918, 5.5015643181e-4], rel=1e-6)
    assert found.standard_errors == pytest.approx([2.7070075241, 7.2668688436e-6], rel=1e-5)
    assert found.residual_deviation == pytest.approx(0.10187876330, rel=1e-8)


def test_nist_norris() -> None:
    """NIST StRD Norris (file shipped with scipy's tests): a straight line's coefficients and standard errors to 1e-8."""
    import scipy.stats

    path = Path(scipy.stats.__file__).parent / "tests" / "data" / "nist_linregress" / "Norris.dat"
    rows = [line.split() for line in path.read_text().splitlines()[60:] if line.strip()]
    y, x = np.array(rows, dtype=float).T
    assert len(x) == 36
    found = fit(lambda b: y - b[0] - b[1] * x, np.array([1.0, 0.5]), low=np.array([-10.0, 0.0]), high=np.array([10.0, 2.0]))
    assert found.parameters == pytest.approx([-0.262323073774029, 1.00211681802045], rel=1e-8)
    assert found.standard_errors == pytest.approx([0.232818234301152, 0.000429796848199937], rel=1e-7)


def test_uncertainty_of_the_length_is_that_of_a_simulation() -> None:
    """The stated uncertainty equals the scatter over 400 simulated facings within 25 %; the bias is within it (seeded)."""
    rng = np.random.default_rng(11)
    edge, tip = 24e-3, 2e-3
    radius = (edge**2 + tip**2) / (2 * tip)
    places = arc_place(FEELERS, edge=edge, radius=radius)
    exact = fair_curve(readings(places), tip_opening_m=tip, u_tip_m=2e-5)
    clamps = []
    for _ in range(400):
        noisy = readings(np.sort(places + rng.normal(0, 5e-5, len(places))))
        arc = fair_curve(
            Readings(FEELERS + rng.normal(0, 4e-6, 7), noisy.place_m, noisy.u_height_m, noisy.u_place_m),
            tip_opening_m=tip + rng.normal(0, 2e-5),
            u_tip_m=2e-5,
        )
        clamps.append(arc.facing_length_m)
    assert np.std(clamps) == pytest.approx(exact.u_facing_length_m, rel=0.25)
    assert abs(np.mean(clamps) - exact.facing_length_m) < exact.u_facing_length_m


def test_rough_readings_widen_the_uncertainty() -> None:
    """Readings that scatter more than their stated uncertainty make the length less certain."""
    places = arc_place(FEELERS, edge=24e-3, radius=145e-3)
    rough = places + np.array([1, -1, 1, -1, 1, -1, 1]) * 3e-4
    assert (
        fair_curve(readings(rough), tip_opening_m=2e-3, u_tip_m=2e-5).u_facing_length_m
        > 3 * fair_curve(readings(places), tip_opening_m=2e-3, u_tip_m=2e-5).u_facing_length_m
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
    assert lay.smoothness_m < 1.5e-6


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
    assert lay.fair.u_facing_length_m > 0.9e-3


@pytest.mark.parametrize(
    ("heights", "places", "message"),
    [
        ([], [], "at least one reading"),
        ([0.9e-3, 0.4e-3], [15e-3, 8e-3], "a thinner feeler must stop further"),
        ([2.5e-3, 0.4e-3], [1e-3, 12e-3], "no feeler may be thicker"),
    ],
)
def test_impossible_readings_are_refused(heights: list[float], places: list[float], message: str) -> None:
    """No reading, readings out of order, and a feeler thicker than the tip opening raise PhysicsInputError."""
    with pytest.raises(PhysicsInputError, match=message):
        measured_lay(readings(np.array(places), np.array(heights)), tip_opening_m=2e-3, u_tip_m=2e-5)


def test_arc_needs_readings_that_fall() -> None:
    """Readings that rise towards the butt fit no arc."""
    with pytest.raises(PhysicsInputError, match="do not fall"):
        fair_curve(readings(np.array([20e-3, 2e-3]), np.array([1.9e-3, 1e-4])), tip_opening_m=5e-4, u_tip_m=2e-5)


@pytest.mark.parametrize(("tip", "length"), [(0.03e-3, 20e-3), (2e-3, 0.0)])
def test_nominal_arc_needs_a_tip_and_a_length(tip: float, length: float) -> None:
    """A tip under the thinnest feeler and a facing without length raise PhysicsInputError."""
    with pytest.raises(PhysicsInputError, match="no arc"):
        nominal_curve(tip_opening_m=tip, facing_length_m=length, u_tip_m=5e-5, u_facing_m=1e-3)


@pytest.mark.slow
@pytest.mark.parametrize("feelers", [3, 5])
def test_few_feelers_on_one_rail_own_their_doubt(feelers: int) -> None:
    """Power laws of 1.9 to 2.2 read with few feelers (seeded): 95 % intervals of facing length and half-open place hold the truth in 90 of 100 or more."""
    rng = np.random.default_rng(5)
    edge, tip = 26e-3, 2.2e-3
    heights = FEELERS[np.linspace(0, 6, feelers).round().astype(int)]
    for power in (1.9, 2.1, 2.2):
        held = []
        for _ in range(100):
            off = heights + rng.normal(0, 4e-6, feelers)
            places = edge * (1 - (off / tip) ** (1 / power)) + rng.normal(0, 5e-5, feelers)
            curve = fair_curve(readings(places, heights), tip_opening_m=tip + rng.normal(0, 2e-5), u_tip_m=2e-5)
            truth = [edge * (1 - (height / tip) ** (1 / power)) for height in (THIN, tip / 2)]
            found = [curve.facing_length_m, curve.half_open_m]
            doubt = [curve.u_facing_length_m, float(np.sqrt(curve.covariance_m2[2, 2]))]
            held.append([abs(f - t) <= 1.96 * u for f, t, u in zip(found, truth, doubt, strict=True)])
        assert np.mean(held, axis=0).min() >= 0.9


def test_the_covariance_with_the_measured_tip() -> None:
    """Lengths move with the tip as it was measured as fits to readings with another tip do (analytic: the slope times its variance)."""
    places = arc_place(FEELERS, edge=24e-3, radius=145e-3)
    curve = fair_curve(readings(places), tip_opening_m=2e-3, u_tip_m=2e-5)
    one, other = (fair_curve(readings(places), tip_opening_m=2e-3 + step, u_tip_m=2e-5).lengths_m for step in (1e-6, -1e-6))
    assert curve.with_tip_m2 == pytest.approx((one - other) / 2e-6 * (2e-5) ** 2, rel=0.03)


def test_a_rail_that_is_short_all_along_is_no_roughness() -> None:
    """Rails stretched from the tip by 1 % fit one curve as well as equal ones, and their mean length is that of the equal ones."""
    places = arc_place(FEELERS, edge=24e-3, radius=145e-3)
    alike, apart = (
        mean_lay(readings(places * (1 - by)), readings(places * (1 + by)), tip_opening_m=2e-3, u_tip_m=2e-5)
        for by in (0.0, 0.01)
    )
    assert apart.fair.scatter == 1.0
    assert apart.fair.facing_length_m == pytest.approx(alike.fair.facing_length_m, abs=2e-6)
    assert apart.fair.u_facing_length_m == pytest.approx(alike.fair.u_facing_length_m, rel=0.02)
    assert apart.rail_difference_m == pytest.approx(-0.02 * places[-1], rel=0.02)


def test_two_bumps_are_told_apart_with_their_lengths() -> None:
    """Two bumps of a scanned arc (invented), 2.0 and 3.3 mm wide at half height: two flaws at their own places, about as wide."""
    edge, radius, tip = 28e-3, 0.15, 2.6e-3
    x = np.arange(0.5e-3, 27e-3, 0.25e-3)
    arc = radius - np.sqrt(radius**2 - (edge - x) ** 2)
    tip = float(radius - np.sqrt(radius**2 - edge**2))
    bumps = sum(30e-6 * np.exp(-(((x - at) / half) ** 2)) for at, half in ((8e-3, 1.2e-3), (17e-3, 2.0e-3)))
    heights = np.maximum(arc - bumps, 1e-6)
    order = np.argsort(-heights)
    scan = Readings(heights[order], x[order], np.full(len(x), 2e-6), np.full(len(x), 2e-5))
    found = [flaw for flaw in flaws_of(scan, tip, 2e-5) if flaw.kind == "bump"]
    assert len(found) == 2
    assert [flaw.place_m * 1e3 for flaw in found] == pytest.approx([8.0, 17.0], abs=0.8)
    assert found[0].length_m < found[1].length_m
    assert [flaw.length_m * 1e3 for flaw in found] == pytest.approx([2.0, 3.3], abs=0.9)


def test_a_rail_that_is_deeper_is_told_from_one_that_is_short() -> None:
    """The same arc 30 um deeper all along is so much deeper; moved along by half a millimetre, or as it is, it is not; nor is what three feelers show."""
    tip, break_m = 2.0e-3, 24.5e-3
    height = np.array([1.5, 1.2, 0.9, 0.6, 0.45, 0.3, 0.2, 0.1, 0.05]) * 1e-3

    def rail(*, deeper_m: float = 0.0, short_m: float = 0.0, count: int = 9, u_m: float = 3e-5) -> Readings:
        place = break_m * (1 - np.sqrt((height[:count] - deeper_m) / tip)) - short_m
        return Readings(height[:count], place, np.full(count, 2e-6), np.full(count, u_m))

    fair = fair_curve(rail(), tip_opening_m=tip, u_tip_m=1e-5)
    assert one_deeper_m(rail(deeper_m=30e-6), rail(), fair) == pytest.approx(30e-6, rel=0.3)
    assert one_deeper_m(rail(), rail(deeper_m=30e-6), fair) == pytest.approx(-30e-6, rel=0.3)
    assert one_deeper_m(rail(), rail(short_m=0.5e-3), fair) == 0.0
    assert one_deeper_m(rail(), rail(), fair) == 0.0
    coarse = [rail(u_m=2e-4), rail(short_m=0.5e-3, u_m=2e-4), rail(deeper_m=30e-6, u_m=4e-4)]
    assert one_deeper_m(coarse[0], coarse[1], fair) == 0.0  # stops read so coarsely tell neither from the other
    assert one_deeper_m(coarse[2], coarse[0], fair) == 0.0
    assert one_deeper_m(rail(deeper_m=30e-6, count=3), rail(count=3), fair) == 0.0
