"""What bears on tuning and tone: the chamber against the missing cone, and baffle and chamber against the present ones."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from matchkit import constants
from matchkit.parts.facing import FacingPart
from matchkit.physics.air import missing_cone_volume_m3
from matchkit.score.asked import Asked
from matchkit.score.desirability import NEUTRAL, falling
from matchkit.score.term import Term
from matchkit.score.tone import tone_vote
from matchkit.units import CM3, MM

Array = NDArray[np.float64]

TONE_REACH = 0.3
"""How far the tone term may move from neutral: ordinal and weak."""


def _has_cone(asked: Asked) -> float:
    neck = asked.view.neck
    return float(neck is not None and neck.half_angle_deg > 0 and neck.instrument in constants.REED_VOLUME.values)


def _volume_miss(asked: Asked) -> Array:
    """Return chamber and reed against the missing cone: ``(V - V_cone) / V_cone``, signed.

    A reed as stiff as the one aimed at is taken to have the published equivalent volume, others in inverse proportion to K0.
    A reed that cannot be compared has the published one.
    """
    neck = asked.view.neck
    if neck is None:
        return np.full(len(asked.pairs), math.nan)
    cone_m3 = missing_cone_volume_m3(end_radius_m=neck.bore_mm / 2 * MM, half_angle_rad=math.radians(neck.half_angle_deg))
    chamber_cm3 = asked.pairs.of_facings(lambda facing: facing.mouthpiece.chamber_volume_cm3)
    against = asked.aimed_stiffness / asked.pairs.stiffness_pa_per_m
    reed_cm3 = constants.REED_VOLUME[neck.instrument] * np.where(np.isfinite(against), against, 1.0)
    return np.asarray((chamber_cm3 + reed_cm3) * CM3 / cone_m3 - 1)


def _taken_up(asked: Asked) -> Array:
    """Return how much of the missing cone can be made up by pushing or pulling the mouthpiece on the cork, either way (N,)."""
    neck = asked.view.neck
    if neck is None:
        return np.zeros(len(asked.pairs))
    cone_m3 = missing_cone_volume_m3(end_radius_m=neck.bore_mm / 2 * MM, half_angle_rad=math.radians(neck.half_angle_deg))

    def slide_mm(insertion_mm: float | None) -> float:
        if insertion_mm is None or neck.cork_mm is None:
            return constants.CORK_SLIDE.value
        return max(min(insertion_mm - constants.CORK_HOLD.value, neck.cork_mm - insertion_mm), 0.0)

    def room(facing: FacingPart) -> float:
        bore_mm = constants.SHANK_BORE.value if facing.mouthpiece.shank_bore_mm is None else facing.mouthpiece.shank_bore_mm
        return math.pi / 4 * (bore_mm * MM) ** 2 * slide_mm(facing.mouthpiece.insertion_mm) * MM

    return asked.pairs.of_facings(room) / cone_m3


def _within_reach(miss: Array, term: Term, asked: Asked) -> Array:
    """Judge what the cork cannot make up, averaged over the doubt of the cone by seven-point Gauss-Hermite, over what no miss at all would give.

    So a chamber that is right is 1, as elsewhere, and one that is not is told from it only as far as the cone is known.
    """
    node, weight = np.polynomial.hermite_e.hermegauss(7)

    def on_average(off: Array) -> Array:
        missing = (1 + off)[:, None] / (1 + constants.U_CONE.value * node) - 1
        left = np.maximum(np.abs(missing) - _taken_up(asked)[:, None], 0.0)
        return np.asarray(falling(left, good=term.good, poor=term.poor) @ (weight / weight.sum()))

    return np.minimum(on_average(miss) / on_average(np.zeros_like(miss)), 1.0)


def _vote(asked: Asked) -> Array:
    """Return the tone vote in the wished direction, from -1 (against it) to 1."""
    present, direction = asked.view.present_facing, asked.wishes.tone
    if present is None or direction == 0:
        return np.full(len(asked.pairs), math.nan)
    votes = asked.pairs.of_facings(lambda facing: tone_vote(facing.mouthpiece, present.mouthpiece))
    return votes if direction > 0 else -votes


def _near_neutral(vote: Array, term: Term, asked: Asked) -> Array:
    del term, asked
    return NEUTRAL + TONE_REACH * vote


TERMS = (
    Term(
        name="volume",
        weight=1,
        good=0.05,
        poor=0.30,
        unit="",
        meaning="chamber and reed against the missing tip of the cone",
        measure="the volume of the chamber, with water",
        part="chamber",
        value=_volume_miss,
        judge=_within_reach,
        counts=_has_cone,
    ),
    Term(
        name="tone",
        weight=1,
        good=0,
        poor=0,
        unit="vote",
        meaning="baffle and chamber against the present ones, a vote",
        measure="the height of the baffle, and the volume of the chamber",
        part="baffle and chamber",
        value=_vote,
        judge=_near_neutral,
        counts=lambda asked: abs(asked.wishes.tone),
    ),
)
