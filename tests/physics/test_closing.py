"""Closing pressure, lip area, closing share: scaling laws, closed forms, published orders of magnitude."""

from __future__ import annotations

import numpy as np
import pytest
from conftest import Case, reference
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from matchkit.errors import ContactError
from matchkit.physics import closing as closing_module
from matchkit.physics.beams import Beams, build_beams, node_places_m, quadrature_places_m
from matchkit.physics.closing import (
    LIP_SHARES,
    Closing,
    area_weights,
    close_reeds,
    closing_share,
    load_at_gap,
)
from matchkit.physics.contact import gap_slope, solve_contact

Array = NDArray[np.float64]


def reed(
    *,
    length: float = 0.018,
    opening: float = 1e-3,
    thickness: tuple[float, float] = (5e-4, 5e-4),
    width: float = 0.013,
    power: float = 2.0,
    lip: float | None = None,
    spread: float = 5e-3,
) -> Beams:
    """A straight-sided reed whose thickness runs from tip to clamp, over a power-law lay."""
    nodes = node_places_m(np.array([length]), np.array([length]))
    inner = quadrature_places_m(nodes)
    t = thickness[0] + (thickness[1] - thickness[0]) * inner / length
    return build_beams(
        nodes_m=nodes,
        lay_m=opening * (1 - nodes / length) ** power,
        second_moment_m4=width * t**3 / 12,
        width_m=np.array([width]),
        lip_m=np.array([length / 2 if lip is None else lip]),
        lip_spread_m=spread,
    )


def close(beams: Beams, lip: float = 0.009) -> Closing:
    return close_reeds(beams, tip_width_m=np.array([0.013]), lip_m=np.array([lip]))


@pytest.mark.parametrize("case", reference("scaling"), ids=lambda c: c.inputs["change"])
def test_closing_pressure_scales_as_a_cantilever(case: Case) -> None:
    """PM follows E t^3 H0 / L^4 before contact."""
    change, factor = case.inputs["change"], case.inputs["factor"]
    modulus = factor if change == "modulus" else 1.0
    arguments = {
        "thickness": {"thickness": (5e-4 * factor, 5e-4 * factor)},
        "length": {"length": 0.018 * factor},
        "opening": {"opening": 1e-3 * factor},
        "modulus": {},
    }[change]
    matched = 1e-3 * load_at_gap(reed(power=2.0), share=0.9).load[0]
    changed = 1e-3 * load_at_gap(reed(power=2.0, **arguments), share=0.9).load[0]
    case.check("pressure_factor", float(modulus * changed / matched))


def test_uniform_reed_closes_at_the_closed_form() -> None:
    """PM_lin = 2 E t^3 H0 / (3 L^4) = 4763 Pa for the beam of uniform_beam_circular_lay.json (same source)."""
    assert close(reed()).pressure_per_modulus[0] * 6e9 == pytest.approx(4763.0, abs=0.5)


@pytest.mark.parametrize("case", reference("lip_area"), ids=lambda c: str(c.inputs["place_from_break"]))
def test_lip_area_of_a_uniform_beam(case: Case, monkeypatch: pytest.MonkeyPatch) -> None:
    """While only the break bears, a point force at the lip's place is worth the pressure that the closed form says."""
    monkeypatch.setattr(closing_module, "LIP_GAPS", (0.97, 0.93))
    length, width = 0.018, 0.013
    lip = length * (1 - case.inputs["place_from_break"])
    found = close(reed(lip=lip, spread=1e-5)).lip_area_m2[0]
    case.check("area_over_width_length", float(found) / (width * length))


def test_lip_force_lowers_the_closing_pressure_by_force_over_lip_area() -> None:
    """A lip force and the pressure it is worth leave about the same tip gap (the generalised pressure of Gazengel et al. 2025)."""
    beams = reed(thickness=(1e-4, 1e-3))
    found = close(beams)
    force = 0.3 * found.pressure_per_modulus * found.lip_area_m2
    by_lip = solve_contact(beams, pressure_per_modulus=0.2 * found.pressure_per_modulus, force_per_modulus_m2=force)
    by_pressure = solve_contact(beams, pressure_per_modulus=0.5 * found.pressure_per_modulus)
    assert by_lip.tip_gap_m[0] == pytest.approx(by_pressure.tip_gap_m[0], rel=0.03)


@settings(max_examples=25, deadline=None)
@given(
    opening=st.floats(0.8e-3, 3e-3),
    more=st.floats(1.0, 1.3),
    tip=st.floats(8e-5, 2e-4),
    butt=st.floats(6e-4, 1.6e-3),
    power=st.floats(1.8, 2.6),
)
def test_more_tip_opening_never_lowers_the_closing_pressure(
    opening: float, more: float, tip: float, butt: float, power: float
) -> None:
    """More tip opening raises PM (common practice: a wider tip takes a softer reed); so does a thicker reed."""
    base = close(reed(opening=opening, thickness=(tip, butt), power=power)).pressure_per_modulus[0]
    wider = close(reed(opening=opening * more, thickness=(tip, butt), power=power)).pressure_per_modulus[0]
    stiffer = close(reed(opening=opening, thickness=(tip * more, butt * more), power=power)).pressure_per_modulus[0]
    assert wider >= base * (1 - 1e-9)
    assert stiffer >= base * (1 - 1e-9)


def test_early_contact_is_followed() -> None:
    """On a lay that touches before half the opening, the pressure found leaves the wanted gap, and is above the linear one."""
    beams = reed(power=2.8)
    for share in (0.9, 0.5, 0.3):
        pressure = load_at_gap(beams, share=share).load
        assert solve_contact(beams, pressure_per_modulus=pressure).tip_gap_m[0] == pytest.approx(share * 1e-3, abs=1e-11)
    linear = 0.5e-3 / beams.deflection_per_pressure_m()[0, -1]
    assert load_at_gap(beams, share=0.5).load[0] > 1.01 * linear


def test_the_slope_of_the_tip_gap_is_that_of_the_solutions() -> None:
    """How the tip gap moves with the pressure, before and after contact, is the difference of two solutions (analytic between contacts)."""
    beams = reed(power=2.8)
    at_rest = load_at_gap(beams, share=0.95).load
    for pressure in (0.5 * at_rest, 2.0 * at_rest, 4.0 * at_rest):
        step = 1e-7 * pressure
        solutions = [solve_contact(beams, pressure_per_modulus=pressure + move) for move in (-step, 0.0, step)]
        assert np.array_equal(solutions[0].touching, solutions[2].touching)
        slope = (solutions[2].tip_gap_m - solutions[0].tip_gap_m) / (2 * step)
        assert gap_slope(beams, solutions[1])[0, -1] == pytest.approx(float(slope[0]), rel=1e-6)
    assert solutions[1].touching.any()


def test_several_loads_of_one_beam_are_solved_without_copying_it() -> None:
    """``rows`` names the beam of each load: the same solutions as of beams that were copied."""
    beams = reed(power=2.4)
    loads = np.linspace(0.1, 1.2, 8) * float(load_at_gap(beams, share=0.5).load[0])
    rows = np.zeros(8, dtype=np.intp)
    named = solve_contact(beams, pressure_per_modulus=loads, rows=rows)
    copied = solve_contact(beams.take(rows), pressure_per_modulus=loads)
    assert np.array_equal(named.gap_m, copied.gap_m)
    assert np.array_equal(named.force_per_modulus_m2, copied.force_per_modulus_m2)


def test_a_tip_that_never_comes_near_is_an_error(monkeypatch: pytest.MonkeyPatch) -> None:
    """Where no pressure in reach leaves the wanted gap, there is no closing pressure to report."""
    monkeypatch.setattr(closing_module, "_REACH", 1.0001)
    with pytest.raises(ContactError, match="was not found"):
        load_at_gap(reed(power=2.8), share=0.3)


def test_area_is_tip_slot_and_two_sides() -> None:
    """S = w gap(0) + 2 * integral of gap to the lip: for a parabola lay both parts are known in closed form."""
    length, opening, width, lip = 0.018, 1e-3, 0.013, 0.009
    beams = reed(length=length, opening=opening)
    weights = area_weights(beams, tip_width_m=np.array([width]), lip_m=np.array([lip]))
    sides = 2 * opening * length / 3 * (1 - (1 - lip / length) ** 3)
    assert float((weights * beams.lay_m).sum()) == pytest.approx(width * opening + sides, rel=1e-3)


def test_closing_share_is_a_contact_solution() -> None:
    """The tabulated share equals the area at the lowered closing pressure over that at rest, both under the lip."""
    beams = reed(thickness=(1e-4, 1e-3))
    found = close(beams)
    weights = area_weights(beams, tip_width_m=np.array([0.013]), lip_m=np.array([0.009]))
    taken = 0.4
    force = taken * found.pressure_per_modulus * found.lip_area_m2
    rest = solve_contact(beams, pressure_per_modulus=0.0, force_per_modulus_m2=force)
    shut = solve_contact(beams, pressure_per_modulus=found.pressure_per_modulus * (1 - taken), force_per_modulus_m2=force)
    expected = (weights * shut.gap_m).sum() / (weights * rest.gap_m).sum()
    assert closing_share(found, np.array([0]), lip_share=np.array([taken]))[0] == pytest.approx(expected, rel=1e-9)


def test_closing_share_between_and_beyond_the_table() -> None:
    """Half way between two lip shares it is their mean; beyond the table it is held."""
    found = close(reed(thickness=(1e-4, 1e-3)))
    step = LIP_SHARES[1]
    middle = closing_share(found, np.array([0]), lip_share=np.array([step / 2]))[0]
    assert middle == pytest.approx(found.share[0, :2].mean())
    ends = closing_share(found, np.array([0, 0]), lip_share=np.array([-1.0, 5.0]))
    assert ends == pytest.approx([found.share[0, 0], found.share[0, -1]], rel=1e-12)


def test_shapes_of_facing_close_differently() -> None:
    """Equal tip opening and facing length do not fix how a set-up plays: the share differs by more than its uncertainty.

    Source of the ordering: "Objective characterization of saxophone mouthpiece playability", abstract.
    """
    arc, power = (close(reed(thickness=(1e-4, 1e-3), power=p)).share[0, 0] for p in (2.0, 2.5))
    assert abs(arc - power) > 0.01
