"""The whole closing of one pair, in the units of the answers."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from matchkit import constants
from matchkit.advise.answers import ClosingReport, CurvePoint
from matchkit.advise.reasons import measure_next
from matchkit.facts import UNCERTAINTIES
from matchkit.pairs.contacts import ContactKey, beams_for, lip_places_m
from matchkit.parts.facing import FacingPart
from matchkit.parts.reed import ReedPart
from matchkit.physics.characteristic import area_curve, fit_elbow, seal_pressure
from matchkit.physics.closing import area_weights, closing_pressure_per_modulus
from matchkit.physics.contact import solve_contact
from matchkit.physics.flow import peak_flow_m3_s
from matchkit.score.player import PlayerView, efforts_pa, playing_openings_m
from matchkit.score.scorer import Scorer
from matchkit.units import KPA, L_PER_S, MM, MM2, MPA_PER_M, PERCENT

Array = NDArray[np.float64]

ELBOW_REACH = 1.5
"""The elbow is fitted from rest to this many closing pressures."""
LIP_CLOSES = 0.9
"""A lip that takes this share of the closing pressure away leaves nothing to blow against."""


def closing_report(
    scorer: Scorer, facing: FacingPart, reed: ReedPart, *, view: PlayerView, reed_offset_m: float
) -> ClosingReport:
    """Compute everything that ``closing`` shows for one pair and one player.

    Parameters
    ----------
    scorer
        the house's pairs
    facing, reed
        the pair
    view
        who blows it
    reed_offset_m
        how far the reed's tip stands past the tip rail
    """
    pair = scorer.pair(facing, reed, lip_m=view.lip_m, offset_m=reed_offset_m)
    solved = pair.solved
    doubt = scorer.uncertainty(pair)
    parts = doubt.parts[:, 0]
    pressure, effort = float(pair.closing_pressure_pa[0]), float(efforts_pa(pair, blow_pa=view.blow_pa)[0])
    opening, tip = float(playing_openings_m(pair, blow_pa=view.blow_pa)[0]), float(pair.tip_opening_m[0])
    lip_area, rest_area, stiffness = (
        float(column[0]) for column in (pair.lip_area_m2, pair.rest_area_m2, pair.stiffness_pa_per_m)
    )
    problem = (facing, reed, ContactKey(facing.key, reed.shape_key, reed_offset_m, view.lip_m))
    beams = beams_for([problem])
    tip_width = reed.shape.width_at_m(np.array([reed_offset_m]))
    weights = area_weights(beams, tip_width_m=tip_width, lip_m=lip_places_m([problem]))[0]
    lowered = max(effort, 0.0) / reed.modulus_pa
    playing_area = float(solve_contact(beams, pressure_per_modulus=lowered).gap_m[0] @ weights)
    per_modulus = float(solved.pressure_per_modulus[0])
    curve, share = area_curve(beams, closing_per_modulus=per_modulus, weights=weights)
    near = curve <= ELBOW_REACH * per_modulus
    of_area = float(solved.rest_area_m2[0] / solved.area_slope_m2[0])
    seal = seal_pressure(curve, share)
    u_without_tip = float(np.sqrt((parts[1:] ** 2).sum()))
    u_blown = 0.0 if view.blow_source == "measured" else constants.BLOW_FRACTION.u / constants.BLOW_FRACTION.value
    u_opening = opening * math.hypot(u_without_tip, u_blown) if opening < tip else float(parts[0]) * tip
    load_n = effort * lip_area
    blown = float(closing_pressure_per_modulus(beams_for([problem], ahead_of_lip=True))[0]) * reed.modulus_pa
    known = bool(pair.shape_known[0])
    u_share = pair.u_closing_share(lip_force_n=max(load_n, 0.0), u=scorer.share_doubt)
    flow = peak_flow_m3_s(area_m2=playing_area, closing_pressure_pa=min(pressure, pressure - effort))
    return ClosingReport(
        mouthpiece_id=facing.id,
        reed_id=reed.id,
        closing_pressure_kpa=pressure / KPA,
        u_closing_pressure_kpa=pressure * float(doubt.total[0]) / KPA,
        u_dominated_by=doubt.dominating,
        u_parts={name: pressure * float(part) / KPA for name, part in zip(UNCERTAINTIES, parts, strict=True)},
        blown_closing_kpa=blown / KPA,
        threshold_kpa=1 / (1 / blown + 2 / pressure) / KPA,
        stiffness_mpa_per_m=stiffness / MPA_PER_M,
        u_stiffness_mpa_per_m=stiffness * u_without_tip / MPA_PER_M,
        tip_opening_mm=tip / MM,
        u_tip_opening_mm=float(parts[0]) * tip / MM,
        rest_area_mm2=rest_area / MM2,
        blow_kpa=view.blow_pa / KPA,
        blow_source=view.blow_source,
        effort_kpa=effort / KPA,
        u_effort_kpa=math.hypot(pressure * float(doubt.total[0]), (pressure - effort) * u_blown) / KPA,
        closes_up=effort <= 0 and view.blow_source != "assumed",
        lip_mm=float(lip_places_m([problem])[0]) / MM,
        lip_area_mm2=lip_area / MM2,
        lip_load_n=load_n,
        playing_opening_mm=opening / MM,
        u_playing_opening_mm=u_opening / MM,
        playing_area_mm2=playing_area / MM2,
        peak_flow_l_s=float(flow) / L_PER_S,
        closing_share=float(pair.closing_share(lip_force_n=max(load_n, 0.0))[0]),
        u_closing_share=float(u_share[0]),
        shape_known=known,
        closing_share_free=float(solved.share[0, 0]),
        elbow_pressure_kpa=fit_elbow(curve[near], share[near], closing_pressure=of_area) * reed.modulus_pa / KPA,
        seal_pressure_kpa=None if seal is None else seal * reed.modulus_pa / KPA,
        first_contact_mm=float(solved.first_contact_m[0]) / MM,
        clamp_mm=facing.clamp_m / MM,
        u_clamp_mm=facing.lay.fair.u_facing_length_m / MM,
        reed_offset_mm=reed_offset_m / MM,
        u_reed_offset_mm=constants.U_REED_PLACE.value,
        pressure_per_mm_forward_pct=float(doubt.place_per_m[0]) * MM / PERCENT,
        closing_range_kpa=scorer.spec.closing_range.get(facing.mouthpiece.instrument),
        lip_closes_reed=view.lip_force_n / lip_area >= LIP_CLOSES * pressure,
        assumed=(*facing.assumed, *reed.assumed),
        measure_next=measure_next(pair, doubt),
        curve=_curve(curve[near] * reed.modulus_pa, share[near] * rest_area),
    )


def _curve(pressure_pa: Array, area_m2: Array) -> tuple[CurvePoint, ...]:
    flow = area_m2 * np.sqrt(2 * pressure_pa / constants.AIR_DENSITY.value)
    return tuple(
        CurvePoint(float(p) / KPA, float(max(s, 0.0)) / MM2, float(max(u, 0.0)) / L_PER_S)
        for p, s, u in zip(pressure_pa, area_m2, flow, strict=True)
    )
