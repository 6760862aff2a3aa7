"""The contact solver: how far off the closed forms, and how quick beside an independent one."""

from __future__ import annotations

import numpy as np
from conftest import reference
from measuring import best_of

import matchkit as mk
from matchkit.pairs.contacts import ContactKey, beams_for, nodes_of
from matchkit.physics.beams import CELLS, build_beams, node_places_m, quadrature_places_m
from matchkit.physics.closing import LIP_SHARES
from matchkit.physics.contact import solve_contact
from matchkit.physics.contact_nnls import DenseBeam


def closed_form_miss() -> float:
    """Largest miss of the tip gap against the closed forms, as a share of the rest opening."""
    worst = 0.0
    for case in reference("uniform_beam_circular_lay"):
        inp = case.inputs
        length, opening, m = inp["length_mm"] * 1e-3, inp["tip_opening_mm"] * 1e-3, inp["exponent"]
        width, load = inp["width_mm"] * 1e-3, inp["load"]
        clamp = np.array([length])
        k0 = (m + 2) * opening / length**2
        nodes = node_places_m(clamp, clamp)
        x = length - nodes
        second = width * (inp["thickness_mm"] * 1e-3) ** 3 / 12
        beams = build_beams(
            nodes_m=nodes,
            lay_m=k0 * length**2 / ((m + 1) * (m + 2)) * ((1 - x / length) ** (m + 2) - 1 + (m + 2) * x / length),
            second_moment_m4=np.full((1, CELLS, 3), second),
            width_m=np.array([width]),
            lip_m=np.array([length / 2]),
            lip_spread_m=5e-3,
        )
        wrap = 2 * second * k0 / length**2 / width
        gap = float(solve_contact(beams, pressure_per_modulus=load * wrap).tip_gap_m[0]) / opening
        exact = 1 - (m + 2) / 4 * load if load <= 1 else (2 - m) / 4 * load ** (-(2 + m) / (2 - m))
        worst = max(worst, abs(gap - exact))
    return worst


def solver_speed(house: mk.House) -> tuple[float, float, int]:
    """Time of a contact solution, production and independent, on what a ranking solves.

    Every alto and tenor facing with every reed shape, at the closing pressure lowered by each lip share: one block of a ranking.
    """
    parts = house.parts
    problems = [
        (facing, reed, ContactKey(facing.mouthpiece.id, reed.shape_key, 0.0, 10e-3))
        for facing in parts.facings
        for reed in {part.shape_key: part for part in parts.reeds_for(facing.mouthpiece.instrument)}.values()
        if facing.mouthpiece.instrument in ("alto", "tenor")
    ]
    beams = beams_for(problems)
    load = beams.lay_m[:, -1] / beams.deflection_per_pressure_m()[:, -1]
    force = beams.lay_m[:, -1] / beams.deflection_per_force_m()[:, -1]
    loads = [((1 - taken) * load, taken * force) for taken in LIP_SHARES]
    dense = []
    for row, (facing, reed, _) in enumerate(problems):
        nodes = nodes_of([facing])
        shape = reed.shape
        dense.append(
            DenseBeam(
                nodes_m=nodes[0],
                lay_m=beams.lay_m[row],
                second_moment_m4=shape.second_moment_m4(quadrature_places_m(nodes)[0]),
                width_m=facing.load_width_m,
                lip_m=10e-3,
                lip_spread_m=5e-3,
            )
        )

    every = beams.take(np.tile(np.arange(len(problems)), len(loads)))
    pressures = np.concatenate([pressure for pressure, _ in loads])
    forces = np.concatenate([np.broadcast_to(lip, len(problems)) for _, lip in loads])

    def production() -> None:
        solve_contact(every, pressure_per_modulus=pressures, force_per_modulus_m2=forces)

    def independent() -> None:
        for pressure, lip in loads:
            for row, beam in enumerate(dense):
                beam.solve(pressure_per_modulus=pressure[row], force_per_modulus_m2=lip[row])

    count = len(problems) * len(loads)
    return best_of(production) / count, best_of(independent) / count, count
