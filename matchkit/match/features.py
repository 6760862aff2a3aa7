"""From pairs, parts and a player to the inputs of the terms and the features of the neighbours."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from matchkit import constants
from matchkit.match.contacts import ContactBook
from matchkit.match.desirability import U_CLOSING_SHARE, TermInputs
from matchkit.match.pairs import Pairs, share_at_closing
from matchkit.match.parts import FacingPart, ReedPart
from matchkit.match.target import PlayerView, Targets, box_share, opening_mm
from matchkit.match.wishes import Wishes
from matchkit.physics.air import missing_cone_volume_m3
from matchkit.records.parts import Mouthpiece, Neck

Array = NDArray[np.float64]
Index = NDArray[np.intp]
Flags = NDArray[np.bool_]

FEATURES = tuple(constants.FEATURE_SCALES)
_EMBOUCHURE = {"light": -1.0, "medium": 0.0, "firm": 1.0}
_BAFFLE_CLASS = {"high": -1.0, "medium": 0.0, "low": 1.0}
_SAME_BAFFLE_MM = 0.4
_SAME_CHAMBER = 0.04


def _column(parts: Sequence[FacingPart], name: str) -> Array:
    return np.array([math.nan if getattr(part, name) is None else getattr(part, name) for part in parts], dtype=float)


def shape_is_known(facings: Sequence[FacingPart], rows: Index) -> Flags:
    """Say for each row whether the shape of its facing was measured."""
    return np.array([part.lay.shape_known for part in facings], dtype=bool)[rows]


def profile_is_known(reeds: Sequence[ReedPart], rows: Index) -> Flags:
    """Say for each row whether the profile of its reed was measured."""
    return np.array([part.profile_measured for part in reeds], dtype=bool)[rows]


def has_cone(neck: Neck | None) -> bool:
    """Say whether a neck is the end of a cone whose reed volume is known."""
    return neck is not None and neck.half_angle_deg > 0 and neck.instrument in constants.REED_VOLUME.values


def term_inputs(
    book: ContactBook,
    pairs: Pairs,
    facings: Sequence[FacingPart],
    reeds: Sequence[ReedPart],
    *,
    view: PlayerView,
    targets: Targets,
    wishes: Wishes,
    wish_step: float,
) -> TermInputs:
    """Compute what the terms need, nan where a measurement is missing."""
    m, r = pairs.mouthpiece, pairs.reed
    pressure, opening, stiffness = (column[r] for column in targets.for_reeds(reeds))
    effort_ln = np.log(pairs.closing_pressure_kpa / pressure)
    shape_known = shape_is_known(facings, m) & profile_is_known(reeds, r)
    spread = np.array([math.nan if part.box_spread is None else part.box_spread for part in reeds])[r]
    return TermInputs(
        effort_ln=effort_ln,
        air_ln=np.log(opening_mm(pairs, blow_kpa=view.blow_kpa) / opening),
        closing_share=np.where(shape_known, share_at_closing(book, pairs, lip_load_n=view.lip_load_n), math.nan),
        u_closing_share=np.full(len(pairs), U_CLOSING_SHARE),
        smoothness_um=_column(facings, "smoothness_um")[m],
        leak_mm2=_column(facings, "leak_mm2")[m],
        box_share=box_share(effort_ln, spread, wish_step=wish_step),
        volume_miss=_volume_miss(pairs, facings, view.neck, stiffness),
        tone_vote=tone_votes(facings, view.present_facing, direction=wishes.tone)[m],
    )


def _volume_miss(pairs: Pairs, facings: Sequence[FacingPart], neck: Neck | None, aimed_stiffness: Array) -> Array:
    """Compare chamber and reed with the missing cone: (V - Vcone) / Vcone.

    A reed as stiff as the one aimed at is taken to have the published equivalent volume, others in inverse proportion to K0:
    the static compliance alone gives about half of what was published. A reed that cannot be compared has the published one.
    """
    if neck is None or not has_cone(neck):
        return np.full(len(pairs), math.nan)
    cone_cm3 = 1e6 * missing_cone_volume_m3(
        end_radius_m=neck.bore_mm * 0.5e-3, half_angle_rad=math.radians(neck.half_angle_deg)
    )
    chamber = np.array(
        [math.nan if p.mouthpiece.chamber_volume_cm3 is None else p.mouthpiece.chamber_volume_cm3 for p in facings]
    )[pairs.mouthpiece]
    instrument = neck.instrument
    against = aimed_stiffness / pairs.stiffness_mpa_per_m
    reed_cm3 = constants.REED_VOLUME[instrument] * np.where(np.isfinite(against), against, 1.0)
    return np.asarray((chamber + reed_cm3) / cone_cm3 - 1)


def tone_vote(piece: Mouthpiece, present: Mouthpiece) -> float | None:
    """Say whether a mouthpiece should sound brighter (1), darker (-1) or neither than the present one; None if not known.

    Ordinal: a higher baffle and a smaller chamber each vote for brighter (common practice, no source; the measured evidence is
    weaker than the belief).
    """
    votes = []
    for name, margin in (("baffle_height_mm", _SAME_BAFFLE_MM), ("chamber_volume_cm3", None)):
        here, there = getattr(piece, name), getattr(present, name)
        if here is not None and there is not None:
            room = margin if margin is not None else _SAME_CHAMBER * there
            votes.append(0.0 if abs(here - there) <= room else float(np.sign(there - here)))
    heights = piece.baffle_height_mm is not None and present.baffle_height_mm is not None
    if not heights and piece.baffle_class and present.baffle_class:
        votes.append(float(np.sign(_BAFFLE_CLASS[present.baffle_class] - _BAFFLE_CLASS[piece.baffle_class])))
    return sum(votes) / len(votes) if votes else None


def tone_votes(facings: Sequence[FacingPart], present: FacingPart | None, *, direction: int) -> Array:
    """Give the tone vote of each mouthpiece in the wished direction, nan where it is not known or nothing was wished."""
    if present is None or direction == 0:
        return np.full(len(facings), math.nan)
    votes = [tone_vote(part.mouthpiece, present.mouthpiece) for part in facings]
    return np.array([math.nan if vote is None else np.sign(direction) * vote for vote in votes])


def _baffle_mm(piece: Mouthpiece) -> float:
    if piece.baffle_height_mm is not None:
        return piece.baffle_height_mm
    scale = constants.FEATURE_SCALES["baffle_height"]
    if piece.baffle_class is None:
        return math.nan
    return scale.typical[piece.instrument] + _BAFFLE_CLASS[piece.baffle_class] * scale.one[piece.instrument]


def feature_matrix(
    pairs: Pairs,
    inputs: TermInputs,
    facings: Sequence[FacingPart],
    reeds: Sequence[ReedPart],
    *,
    instrument: str,
    view: PlayerView,
) -> Array:
    """Build the scaled features (N, 13) of pairs for one player; the order is :data:`FEATURES`.

    Scales stand in :mod:`matchkit.constants`, one set an instrument, so another part in the tables moves no distance. What was
    not measured is given the typical value. ``inputs`` must be those without a wish.
    """
    m, r = pairs.mouthpiece, pairs.reed
    columns = {
        "tip_opening": pairs.tip_opening_mm,
        "facing_length": np.array([part.facing_length_mm for part in facings])[m],
        "smoothness": _column(facings, "smoothness_um")[m],
        "rail_leak": _column(facings, "leak_mm2")[m],
        "baffle_height": np.array([_baffle_mm(part.mouthpiece) for part in facings])[m],
        "chamber_volume": np.array(
            [math.nan if p.mouthpiece.chamber_volume_cm3 is None else p.mouthpiece.chamber_volume_cm3 for p in facings]
        )[m],
        "cut": np.array([1.0 if part.reed.cut == "filed" else 0.0 for part in reeds])[r],
        "tip_thickness": np.where(
            profile_is_known(reeds, r), np.array([part.shape.tip_thickness_m for part in reeds])[r] * 1e3, math.nan
        ),
        "ln_closing_pressure": np.log(pairs.closing_pressure_kpa),
        "playing_opening": opening_mm(pairs, blow_kpa=view.blow_kpa),
        "closing_share": inputs.closing_share,
        "ln_from_target": inputs.effort_ln,
        "embouchure": np.full(len(pairs), _EMBOUCHURE.get(view.player.embouchure or "", 0.0)),
    }
    scaled = []
    for name in FEATURES:
        scale = constants.FEATURE_SCALES[name]
        values = (columns[name] - scale.typical[instrument]) / scale.one[instrument]
        scaled.append(np.where(np.isfinite(values), values, 0.0))
    return np.column_stack(scaled)
