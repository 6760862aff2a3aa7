"""The whole closing of one pair, in the units of the answers."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from matchkit import constants
from matchkit.match.answers import ClosingReport, CurvePoint
from matchkit.match.contacts import ContactKey, beams_for, lip_places_m
from matchkit.match.pairs import share_at_closing
from matchkit.match.parts import FacingPart, ReedPart
from matchkit.match.setups import measure_next
from matchkit.match.target import PlayerView, effort_kpa, opening_mm
from matchkit.match.uncertainty import UNCERTAINTIES
from matchkit.match.workshop import Workshop
from matchkit.physics.characteristic import area_curve, fit_elbow, seal_pressure
from matchkit.physics.closing import area_weights
from matchkit.physics.contact import solve_contact
from matchkit.physics.flow import peak_flow_m3_s

Array = NDArray[np.float64]

ELBOW_REACH = 1.5
"""The elbow is fitted from rest to this many closing pressures."""


def closing_report(
    workshop: Workshop, facing: FacingPart, reed: ReedPart, *, view: PlayerView, reed_offset_mm: float
) -> ClosingReport:
    """Compute everything that ``closing`` shows for one pair and one player."""
    one = np.array([0])
    pairs = workshop.pairs((facing,), (reed,), one, one, lip_mm=view.lip_mm, offset_mm=reed_offset_mm)
    row = pairs.row[0]
    solved = workshop.book.closing
    doubt = workshop.uncertainty(pairs, (facing,), (reed,))
    parts = doubt.parts[:, 0]
    modulus = reed.modulus_pa
    pressure = float(pairs.closing_pressure_kpa[0])
    relative = float(doubt.total[0])
    effort = float(effort_kpa(pairs, blow_kpa=view.blow_kpa)[0])
    opening = float(opening_mm(pairs, blow_kpa=view.blow_kpa)[0])
    lip_area = float(pairs.lip_area_mm2[0])
    load = effort * lip_area * 1e-3
    key = ContactKey(facing.mouthpiece.id, reed.shape_key, reed_offset_mm, view.lip_mm)
    beams = beams_for([(facing, reed, key)])
    tip_width = reed.shape.width_at_m(np.array([reed_offset_mm * 1e-3]))
    weights = area_weights(beams, tip_width_m=tip_width, lip_m=lip_places_m([(facing, reed, key)]))[0]
    lowered = max(effort, 0.0) * 1e3 / modulus
    playing_m2 = float(solve_contact(beams, pressure_per_modulus=lowered).gap_m[0] @ weights)
    closing_per_modulus = float(solved.pressure_per_modulus[row])
    curve, share = area_curve(beams, closing_per_modulus=closing_per_modulus, weights=weights)
    near = curve <= ELBOW_REACH * closing_per_modulus
    of_area = float(solved.rest_area_m2[row] / solved.area_slope_m2[row])
    elbow = fit_elbow(curve[near], share[near], closing_pressure=of_area)
    seal = seal_pressure(curve, share)
    tip_mm = float(pairs.tip_opening_mm[0])
    k0 = float(pairs.stiffness_mpa_per_m[0])
    k0_parts = parts[1:]
    known = facing.lay.shape_known and reed.profile_measured
    return ClosingReport(
        mouthpiece_id=facing.mouthpiece.id,
        reed_id=reed.reed.id,
        closing_pressure_kpa=pressure,
        u_closing_pressure_kpa=pressure * relative,
        u_dominated_by=doubt.dominating(0),
        u_parts={name: pressure * float(part) for name, part in zip(UNCERTAINTIES, parts, strict=True)},
        stiffness_mpa_per_m=k0,
        u_stiffness_mpa_per_m=k0 * float(np.sqrt((k0_parts**2).sum())),
        tip_opening_mm=tip_mm,
        u_tip_opening_mm=float(parts[0]) * tip_mm,
        rest_area_mm2=float(pairs.rest_area_mm2[0]),
        blow_kpa=view.blow_kpa,
        blow_source=view.blow_source,
        effort_kpa=effort,
        u_effort_kpa=pressure * relative,
        closes_up=effort <= 0,
        lip_mm=view.lip_mm,
        lip_area_mm2=lip_area,
        lip_load_n=load,
        playing_opening_mm=opening,
        u_playing_opening_mm=0.0 if opening >= tip_mm else opening * float(np.sqrt((k0_parts**2).sum())),
        playing_area_mm2=playing_m2 * 1e6,
        peak_flow_l_s=1e3
        * float(peak_flow_m3_s(area_m2=playing_m2, closing_pressure_pa=min(pressure, pressure - effort) * 1e3)),
        closing_share=float(share_at_closing(workshop.book, pairs, lip_load_n=view.lip_load_n)[0]),
        u_closing_share=constants.SHARE_U.value if known else 2 * constants.SHARE_U.value,
        shape_known=known,
        closing_share_free=float(solved.share[row, 0]),
        elbow_pressure_kpa=elbow * modulus * 1e-3,
        seal_pressure_kpa=None if seal is None else seal * modulus * 1e-3,
        first_contact_mm=float(solved.first_contact_m[row]) * 1e3,
        clamp_mm=facing.clamp_mm,
        u_clamp_mm=facing.lay.fair.u_clamp_m * 1e3,
        reed_offset_mm=reed_offset_mm,
        u_reed_offset_mm=constants.U_REED_PLACE.value,
        pressure_per_mm_forward_pct=100 * float(doubt.place_per_mm[0]),
        window_kpa=workshop.spec.window.get(facing.mouthpiece.instrument),
        lip_closes_reed=_lip_closes(float(view.lip_load_n), lip_area, pressure),
        assumed=(*facing.assumed, *reed.assumed),
        measure_next=measure_next(parts, facing, reed, ()),
        curve=_curve(curve[near] * modulus, share[near] * float(pairs.rest_area_mm2[0])),
    )


def _curve(pressure_pa: Array, area_mm2: Array) -> tuple[CurvePoint, ...]:
    flow = area_mm2 * 1e-6 * np.sqrt(2 * pressure_pa / constants.AIR_DENSITY.value)
    return tuple(
        CurvePoint(float(p) * 1e-3, float(max(s, 0.0)), float(max(u, 0.0)) * 1e3)
        for p, s, u in zip(pressure_pa, area_mm2, flow, strict=True)
    )


def _lip_closes(lip_load_n: float, lip_area_mm2: float, pressure_kpa: float) -> bool:
    """Say whether the lip alone takes nine tenths of the closing pressure away, so that little is left to blow against."""
    return lip_load_n / lip_area_mm2 * 1e3 >= 0.9 * pressure_kpa
