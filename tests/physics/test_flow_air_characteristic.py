"""Flow, cone and the three-parameter curve against their sources."""

from __future__ import annotations

import math

import numpy as np
import pytest
from conftest import Case, reference

from matchkit.errors import PhysicsInputError
from matchkit.physics.air import missing_cone_volume_m3
from matchkit.physics.beams import build_beams, node_places_m, quadrature_places_m
from matchkit.physics.characteristic import area_curve, fit_elbow, seal_pressure, three_parameter_area
from matchkit.physics.closing import area_weights, close_reeds
from matchkit.physics.flow import peak_flow_m3_s, playing_opening_m, volume_flow_m3_s


@pytest.mark.parametrize("case", reference("reed_flow", given="closing_pressure_kpa"), ids=lambda c: c.label)
def test_flow_peaks_at_a_third_of_the_closing_pressure(case: Case) -> None:
    """The largest flow lies at PM / 3 and is the printed one; nothing flows from PM on."""
    inp = case.inputs
    closing = inp["closing_pressure_kpa"] * 1e3
    arguments = {
        "area_m2": inp["width_mm"] * inp["tip_opening_mm"] * 1e-6,
        "closing_pressure_pa": closing,
        "air_density_kg_m3": inp["air_density_kg_m3"],
    }
    pressures = np.linspace(0, 1.2 * closing, 12001)
    flow = volume_flow_m3_s(pressures, **arguments)
    case.check("peak_at_share", float(pressures[flow.argmax()] / closing))
    case.check("peak_flow_l_s", float(flow.max()) * 1e3)
    case.check("peak_flow_l_s", float(peak_flow_m3_s(**arguments)) * 1e3)
    assert float(volume_flow_m3_s(closing * 1.01, **arguments)) == 0.0
    assert float(volume_flow_m3_s(-100.0, **arguments)) < 0


@pytest.mark.parametrize("case", reference("reed_flow", has="stiffness_mpa_per_m"), ids=lambda c: c.label)
def test_lumped_set_gives_its_closing_pressure(case: Case) -> None:
    """Mass times omega^2 is the stiffness, times the opening the closing pressure; at that blowing the opening is the set's own."""
    inp = case.inputs
    stiffness = inp["surface_mass_kg_m2"] * inp["angular_frequency"] ** 2
    case.check("stiffness_mpa_per_m", stiffness * 1e-6)
    opening = inp["tip_opening_mm"] * 1e-3
    case.check("closing_pressure_kpa", stiffness * opening * 1e-3)
    blow = 0.45 * stiffness * opening * 0.5
    assert float(
        playing_opening_m(tip_opening_m=opening, closing_pressure_pa=stiffness * opening, blow_pa=blow)
    ) == pytest.approx(opening / 2)


def test_playing_opening_is_at_most_the_tip_opening() -> None:
    """Blowing harder than the reed bears does not open it further."""
    assert float(playing_opening_m(tip_opening_m=2e-3, closing_pressure_pa=5e3, blow_pa=9e3)) == 2e-3


def test_negative_closing_pressure_has_no_flow() -> None:
    """A closing pressure below zero is refused."""
    with pytest.raises(PhysicsInputError, match="negative"):
        peak_flow_m3_s(area_m2=1e-5, closing_pressure_pa=-1.0)


@pytest.mark.parametrize("case", reference("missing_cone"), ids=lambda c: c.label)
def test_missing_cone(case: Case) -> None:
    """Length and volume of the missing tip of a published cone."""
    radius, angle = case.inputs["end_bore_mm"] * 0.5e-3, math.radians(case.inputs["half_angle_deg"])
    case.check("length_mm", radius / math.tan(angle) * 1e3)
    case.check("volume_cm3", missing_cone_volume_m3(end_radius_m=radius, half_angle_rad=angle) * 1e6)


def test_cylinder_misses_no_cone() -> None:
    """A half angle of zero is refused."""
    with pytest.raises(PhysicsInputError, match="above zero"):
        missing_cone_volume_m3(end_radius_m=7e-3, half_angle_rad=0.0)


@pytest.mark.parametrize("case", reference("three_parameter_curve"), ids=lambda c: str(c.inputs["elbow_pressure"]))
def test_three_parameter_curve(case: Case) -> None:
    """S(PM) / S00 = Pe / (4 PM), shut at PM + Pe, and value and slope meet at both ends of the parabola to 1e-9."""
    pm, pe = case.inputs["closing_pressure"], case.inputs["elbow_pressure"]

    def area(p: float) -> float:
        return float(three_parameter_area(p, rest_area=1.0, closing_pressure=pm, elbow_pressure=pe))

    case.check("share_at_closing", area(pm))
    assert area(case.expected["shut_at"]) == pytest.approx(0.0, abs=1e-12)
    assert area(case.expected["shut_at"] - 0.01) > 0
    for joint in (pm - pe, pm + pe):
        h = 1e-6
        before, after = (area(joint) - area(joint - h)) / h, (area(joint + h) - area(joint)) / h
        assert before == pytest.approx(after, abs=1e-5)
        assert area(joint - 1e-9) == pytest.approx(area(joint + 1e-9), abs=1e-8)


@pytest.mark.parametrize("case", reference("three_parameter_curve"), ids=lambda c: str(c.inputs["elbow_pressure"]))
def test_elbow_comes_back_from_noisy_data(case: Case) -> None:
    """A curve with 1 % noise gives its elbow back within 10 % (or 0.15 of a small one; seeded)."""
    pm, pe = case.inputs["closing_pressure"], case.inputs["elbow_pressure"]
    pressure = np.linspace(0, 2 * pm, 201)
    curve = three_parameter_area(pressure, rest_area=1.0, closing_pressure=pm, elbow_pressure=pe)
    noisy = curve + np.random.default_rng(3).normal(0, 0.01, len(curve))
    assert fit_elbow(pressure, noisy, closing_pressure=pm) == pytest.approx(pe, rel=0.1, abs=0.15)


@pytest.mark.parametrize("elbow", [0.0, 9.0])
def test_impossible_elbow_is_refused(elbow: float) -> None:
    """An elbow of nothing, or beyond the closing pressure, raises PhysicsInputError."""
    with pytest.raises(PhysicsInputError, match="elbow"):
        three_parameter_area(1.0, rest_area=1.0, closing_pressure=8.0, elbow_pressure=elbow)


def test_area_curve_and_seal_of_a_tapered_reed() -> None:
    """The curve starts at 1, is straight before the first contact, and seals beyond PM; a uniform reed never does (A4, m = 0)."""
    clamp = np.array([0.018])
    found = {}
    for name, tip in (("taper", 1e-4), ("uniform", 1e-3)):
        nodes = node_places_m(clamp, clamp)
        t = tip + (1e-3 - tip) * quadrature_places_m(nodes) / clamp[0]
        beams = build_beams(
            nodes_m=nodes,
            lay_m=1e-3 * (1 - nodes / clamp[0]) ** 2,
            second_moment_m4=0.013 * t**3 / 12,
            width_m=np.array([0.013]),
            lip_m=np.array([0.009]),
            lip_spread_m=5e-3,
        )
        closing = close_reeds(beams, tip_width_m=np.array([0.013]), lip_m=np.array([0.009]))
        weights = area_weights(beams, tip_width_m=np.array([0.013]), lip_m=np.array([0.009]))[0]
        pressure, share = area_curve(beams, closing_per_modulus=float(closing.pressure_per_modulus[0]), weights=weights)
        found[name] = (pressure / closing.pressure_per_modulus[0], share)
        early = pressure < 0.9 * closing.first_contact_per_modulus[0]
        slope = closing.area_slope_m2[0] / closing.rest_area_m2[0]
        assert share[early] == pytest.approx(1 - slope * pressure[early], abs=1e-9)
    seal = seal_pressure(*found["taper"])
    assert seal is not None
    assert 0.9 < seal < 1.6
    assert seal_pressure(*found["uniform"]) is None


def test_the_seal_is_read_where_the_area_first_falls_to_two_hundredths() -> None:
    """Straight between the two points about it (analytic); None where it never falls so far."""
    pressure = np.array([0.0, 1.0, 2.0, 3.0])
    assert seal_pressure(pressure, np.array([1.0, 0.5, 0.01, 0.005])) == pytest.approx(1 + 0.48 / 0.49)
    assert seal_pressure(pressure, np.array([1.0, 0.5, 0.3, 0.1])) is None
