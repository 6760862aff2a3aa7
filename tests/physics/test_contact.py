"""The contact solver against closed forms, against an independent solver, and against its own conditions."""

from __future__ import annotations

import dataclasses
from typing import Any

import numpy as np
import pytest
from conftest import Case, reference
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from matchkit.errors import ContactError, PhysicsInputError
from matchkit.physics import contact
from matchkit.physics.beams import (
    CELLS,
    Beams,
    build_beams,
    joined,
    node_places_m,
    quadrature_places_m,
    spread_force_moment,
)
from matchkit.physics.closing import close_reeds
from matchkit.physics.contact import check_solution, solve_contact
from matchkit.physics.contact_nnls import DenseBeam

Array = NDArray[np.float64]


def nodes_of(length_mm: float) -> Array:
    """Return the nodes of a reed that is clamped where the lay begins."""
    length = np.array([length_mm * 1e-3])
    return np.asarray(node_places_m(length, length)[0])


def one_beam(
    *,
    length_mm: float,
    width_mm: float,
    lay_m: Array,
    thickness_m: Array,
    lip_mm: float | None = None,
    lip_spread_m: float = 5e-3,
) -> Beams:
    """A rectangular reed over a lay given at the nodes, thickness at the quadrature places."""
    return build_beams(
        nodes_m=nodes_of(length_mm)[None, :],
        lay_m=lay_m[None, :],
        second_moment_m4=width_mm * 1e-3 * thickness_m[None, ...] ** 3 / 12,
        width_m=np.array([width_mm * 1e-3]),
        lip_m=np.array([(length_mm / 2 if lip_mm is None else lip_mm) * 1e-3]),
        lip_spread_m=lip_spread_m,
    )


def uniform(case: dict[str, Any], lay_m: Array) -> Beams:
    inner = quadrature_places_m(nodes_of(case["length_mm"])[None, :])[0]
    thickness = np.full(inner.shape, case["thickness_mm"] * 1e-3)
    return one_beam(length_mm=case["length_mm"], width_mm=case["width_mm"], lay_m=lay_m, thickness_m=thickness)


def from_break_m(length_mm: float) -> Array:
    return np.asarray(length_mm * 1e-3 - nodes_of(length_mm))


@pytest.mark.parametrize(
    "case", reference("uniform_beam_circular_lay"), ids=lambda c: f"m{c.inputs['exponent']}-{c.inputs['load']}"
)
def test_uniform_beam_wraps_as_the_closed_form_says(case: Case) -> None:
    """Gap within 0.1 % of the rest opening, end of the wrap within one cell, for curvature k0 (1 - x/L)^m."""
    inp = case.inputs
    length, opening, m = inp["length_mm"] * 1e-3, inp["tip_opening_mm"] * 1e-3, inp["exponent"]
    k0 = (m + 2) * opening / length**2
    x = from_break_m(inp["length_mm"])
    lay = k0 * length**2 / ((m + 1) * (m + 2)) * ((1 - x / length) ** (m + 2) - 1 + (m + 2) * x / length)
    beams = uniform(inp, lay)
    stiffness = inp["modulus_pa"] * inp["width_mm"] * 1e-3 * (inp["thickness_mm"] * 1e-3) ** 3 / 12
    wrap_starts = 2 * stiffness * k0 / length**2 / (inp["width_mm"] * 1e-3)
    solved = solve_contact(beams, pressure_per_modulus=inp["load"] * wrap_starts / inp["modulus_pa"])
    case.check("gap_share", float(solved.tip_gap_m[0]) / opening)
    if case.expected.get("contact_end"):
        held = np.flatnonzero(solved.touching[0])
        one_cell = (beams.x_m[0, held[-1]] - beams.x_m[0, held[-1] + 1]) / length
        assert 1 - beams.x_m[0, held[-1]] / length == pytest.approx(case.expected["contact_end"], abs=1.001 * one_cell)


@pytest.mark.parametrize("case", reference("matched_lay"), ids=lambda c: str(c.inputs["load_share"]))
def test_matched_lay_stays_linear_until_it_closes(case: Case) -> None:
    """A lay shaped like the reed's own bend touches nowhere before the closing pressure."""
    inp = case.inputs
    x, length = from_break_m(inp["length_mm"]), inp["length_mm"] * 1e-3
    shape = 6 * length**2 * x**2 - 4 * length * x**3 + x**4
    beams = uniform(inp, inp["tip_opening_mm"] * 1e-3 * shape / shape[-1])
    closing = beams.lay_m[0, -1] / beams.deflection_per_pressure_m()[0, -1]
    solved = solve_contact(beams, pressure_per_modulus=inp["load_share"] * closing)
    case.check("gap_share", float(solved.tip_gap_m[0]) / (inp["tip_opening_mm"] * 1e-3))
    assert not solved.touching.any()


def test_matched_lay_lands_everywhere_at_once() -> None:
    """Just beyond the closing pressure every node of a matched lay is within a thousandth of the opening."""
    inp = reference("matched_lay")[0].inputs
    x, length = from_break_m(inp["length_mm"]), inp["length_mm"] * 1e-3
    shape = 6 * length**2 * x**2 - 4 * length * x**3 + x**4
    beams = uniform(inp, inp["tip_opening_mm"] * 1e-3 * shape / shape[-1])
    closing = beams.lay_m[0, -1] / beams.deflection_per_pressure_m()[0, -1]
    solved = solve_contact(beams, pressure_per_modulus=1.001 * closing)
    assert solved.gap_m.max() < 1e-3 * inp["tip_opening_mm"] * 1e-3


@pytest.mark.parametrize("case", reference("taper_lands_tip_first"), ids=lambda c: str(c.inputs["break_thickness_mm"]))
def test_tapered_reed_lands_where_it_should(case: Case) -> None:
    """Stiffness and place of first contact of linear tapers on a circular lay."""
    inp = case.inputs
    length, opening = inp["length_mm"] * 1e-3, inp["tip_opening_mm"] * 1e-3
    inner = quadrature_places_m(nodes_of(inp["length_mm"])[None, :])[0]
    taper = inp["tip_thickness_mm"] + (inp["break_thickness_mm"] - inp["tip_thickness_mm"]) * inner / length
    lay = opening * (from_break_m(inp["length_mm"]) / length) ** 2
    beams = one_beam(length_mm=inp["length_mm"], width_mm=inp["width_mm"], lay_m=lay, thickness_m=taper * 1e-3)
    closing = close_reeds(beams, tip_width_m=np.array([0.013]), lip_m=np.array([length / 2]))
    case.check("stiffness_mpa_per_m", float(closing.pressure_per_modulus[0]) * inp["modulus_pa"] / opening * 1e-6)
    case.check("first_contact", float(closing.first_contact_m[0]) / length)
    if "gap_share_at_0.9" in case.expected:
        solved = solve_contact(beams, pressure_per_modulus=0.9 * closing.pressure_per_modulus)
        case.check("gap_share_at_0.9", float(solved.tip_gap_m[0]) / opening)


reeds = st.fixed_dictionaries(
    {
        "length": st.floats(16, 30),
        "opening": st.floats(0.9, 3.2),
        "exponent": st.floats(1.7, 2.8),
        "tip": st.floats(0.08, 0.3),
        "break": st.floats(0.7, 2.0),
        "power": st.floats(0.7, 1.6),
        "bump": st.floats(-0.05, 0.05),
        "place": st.floats(0.2, 0.8),
    }
)


def any_problem(reed: dict[str, float]) -> tuple[Beams, DenseBeam]:
    clamp = reed["length"] * 1e-3
    nodes = nodes_of(reed["length"])
    inner = quadrature_places_m(nodes[None, :])[0]
    share = 1 - nodes / clamp
    lay = (
        reed["opening"] * share ** reed["exponent"] + reed["bump"] * np.exp(-(((share - reed["place"]) / 0.1) ** 2)) * share**2
    )
    lay = np.maximum(lay, 1e-4) * 1e-3
    thickness = (reed["tip"] + (reed["break"] - reed["tip"]) * (inner / clamp) ** reed["power"]) * 1e-3
    width = 16 - 3 * inner / 0.07 * 1e-3
    common = {"lip_spread_m": 5e-3}
    second = width * 1e-3 * thickness**3 / 12
    beams = build_beams(
        nodes_m=nodes[None, :],
        lay_m=lay[None, :],
        second_moment_m4=second[None, ...],
        width_m=np.array([0.016]),
        lip_m=np.array([0.45 * clamp]),
        **common,
    )
    dense = DenseBeam(nodes_m=nodes, lay_m=lay, second_moment_m4=second, width_m=0.016, lip_m=0.45 * clamp, lip_spread_m=5e-3)
    return beams, dense


@settings(max_examples=60, deadline=None)
@given(reed=reeds, load=st.floats(0.1, 2.5), lip=st.floats(0.0, 0.8))
def test_production_and_independent_solver_agree(reed: dict[str, float], load: float, lip: float) -> None:
    """Both solvers give the same gap, within a millionth of the opening, on tapers, bumps, wraps and lip loads."""
    beams, dense = any_problem(reed)
    closing = beams.lay_m[0, -1] / beams.deflection_per_pressure_m()[0, -1]
    force = lip * beams.lay_m[0, -1] / beams.deflection_per_force_m()[0, -1]
    mine = solve_contact(beams, pressure_per_modulus=load * closing, force_per_modulus_m2=force)
    gap, _ = dense.solve(pressure_per_modulus=load * closing, force_per_modulus_m2=force)
    assert np.abs(mine.gap_m[0, :0:-1] - gap).max() <= 1e-6 * beams.lay_m.max()


@settings(max_examples=30, deadline=None)
@given(reed=reeds)
def test_more_pressure_never_gives_volume_back(reed: dict[str, float]) -> None:
    """The volume under the reed never grows with pressure: a theorem of the minimum (source: convexity of the energy).

    The tip itself may rise a little when the reed lands in its middle and levers over, so it is not what is claimed.
    """
    beams, _ = any_problem(reed)
    closing = beams.lay_m[0, -1] / beams.deflection_per_pressure_m()[0, -1]
    loads = np.linspace(0, 2, 33) * closing
    gap = solve_contact(beams.take(np.zeros(33, dtype=np.intp)), pressure_per_modulus=loads).gap_m / beams.lay_m[0, -1]
    x = beams.x_m[0]
    volume = -np.trapezoid(gap, x, axis=1)
    assert np.all(np.diff(volume) <= 1e-6 * volume[0])


def test_no_worker_of_a_batch_changes_another() -> None:
    """A beam gives the same bits alone and among others."""
    rng = np.random.default_rng(5)
    some = [
        any_problem(
            {"length": 22, "opening": 2, "exponent": 2.1, "tip": 0.1, "break": 1.2, "power": 1.1, "bump": b, "place": 0.4}
        )[0]
        for b in rng.uniform(-0.04, 0.04, 4)
    ]
    together_m = joined(some)
    load = together_m.lay_m[:, -1] / together_m.deflection_per_pressure_m()[:, -1]
    together = solve_contact(together_m, pressure_per_modulus=load)
    for row, beam in enumerate(some):
        assert np.array_equal(solve_contact(beam, pressure_per_modulus=load[row : row + 1]).gap_m[0], together.gap_m[row])


def test_careful_way_finds_the_same_answer(monkeypatch: pytest.MonkeyPatch) -> None:
    """Adding one node at a time with shortened steps, the finite method, agrees with the quick one."""
    beams, _ = any_problem(
        {"length": 24, "opening": 2.2, "exponent": 1.8, "tip": 0.2, "break": 0.8, "power": 0.8, "bump": -0.04, "place": 0.5}
    )
    load = 2.0 * beams.lay_m[:, -1] / beams.deflection_per_pressure_m()[:, -1]
    quick = solve_contact(beams, pressure_per_modulus=load)
    monkeypatch.setattr(contact, "_PATIENCE", 1)
    careful = solve_contact(beams, pressure_per_modulus=load)
    assert np.abs(quick.gap_m - careful.gap_m).max() < 1e-9 * beams.lay_m.max()


def test_rounds_without_end_are_an_error(monkeypatch: pytest.MonkeyPatch) -> None:
    """A problem that does not settle raises instead of answering."""
    monkeypatch.setattr(contact, "_ROUNDS", 1)
    beams, _ = any_problem(
        {"length": 24, "opening": 2.2, "exponent": 1.8, "tip": 0.2, "break": 0.8, "power": 0.8, "bump": 0, "place": 0.5}
    )
    with pytest.raises(ContactError, match="did not settle"):
        solve_contact(beams, pressure_per_modulus=2.0 * beams.lay_m[:, -1] / beams.deflection_per_pressure_m()[:, -1])


@pytest.mark.parametrize("spoil", ["overlap", "pull", "push in the open"])
def test_spoilt_solutions_are_caught(spoil: str) -> None:
    """The residual check sees an overlap, a force that pulls and a force where the gap is open."""
    beams, _ = any_problem(
        {"length": 24, "opening": 2.0, "exponent": 2.0, "tip": 0.3, "break": 0.7, "power": 1.0, "bump": 0, "place": 0.5}
    )
    load = 1.5 * beams.lay_m[:, -1] / beams.deflection_per_pressure_m()[:, -1]
    good = solve_contact(beams, pressure_per_modulus=load)
    free = beams.lay_m - load[:, None] * beams.deflection_per_pressure_m()
    check_solution(beams, good, free_gap_m=free)
    force = good.force_per_modulus_m2.copy()
    node = int(np.flatnonzero(force[0])[0])
    open_node = int(good.gap_m[0].argmax())
    if spoil == "overlap":
        force[0, node] = 0.0
    elif spoil == "pull":
        force[0, node] *= -1
    else:
        force[0, open_node] = force[0].max()
    with pytest.raises(ContactError, match="misses its conditions"):
        check_solution(beams, dataclasses.replace(good, force_per_modulus_m2=force), free_gap_m=free)


@pytest.mark.parametrize(
    ("change", "message"),
    [({"nodes_m": -np.ones((1, CELLS + 1))}, "clamp places"), ({"lay_m": np.zeros((1, CELLS + 1))}, "the tip must be open")],
)
def test_impossible_beams_are_refused(change: dict[str, Array], message: str) -> None:
    """A clamp behind the tip and a shut tip raise PhysicsInputError."""
    arguments: dict[str, Any] = {
        "nodes_m": nodes_of(20.0)[None, :],
        "lay_m": np.full((1, CELLS + 1), 1e-3),
        "second_moment_m4": np.full((1, CELLS, 3), 1e-12),
        "width_m": np.array([0.013]),
        "lip_m": np.array([0.01]),
        "lip_spread_m": 5e-3,
    }
    with pytest.raises(PhysicsInputError, match=message):
        build_beams(**{**arguments, **change})


def test_a_spread_force_bends_as_its_integral() -> None:
    """The moment of a force spread evenly: 0 before it, x - centre beyond it, and between its ends the integral of the load (numerical)."""
    centre, spread = 0.010, 0.005
    x = np.linspace(0, 0.03, 61)
    places = np.linspace(centre - spread / 2, centre + spread / 2, 20001)
    wanted = np.array([np.trapezoid(np.maximum(at - places, 0.0), places) / spread for at in x])
    found = spread_force_moment(x[None, :], centre_m=np.array([centre]), spread_m=spread)[0]
    assert found == pytest.approx(wanted, abs=1e-9)
    assert found[-1] == pytest.approx(x[-1] - centre, rel=1e-12)
