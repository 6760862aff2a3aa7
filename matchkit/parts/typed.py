"""A mouthpiece or reed that was typed and not measured."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from matchkit import constants
from matchkit.parts.reed import ReedPart, bench_stiffness_n_per_m, usual_test_m
from matchkit.parts.scale import ReedScale
from matchkit.physics.reed import modulus_from_stiffness_pa
from matchkit.records.parts import Reed

TYPED_LEAST_U = 0.16
"""Doubt in the stiffness of a reed of unknown make: one half strength, or the house's own scatter where that is more."""


def typed_reed(
    scale: ReedScale, reeds: Sequence[ReedPart], strength: float, *, instrument: str, cut: str | None, profile_id: str | None
) -> ReedPart:
    """Return a reed known by its strength.

    With a profile of this house, as that profile goes. Otherwise as stiff as this house's calibrated reeds of the instrument
    are on the whole at that strength, each half strength being 16 %. A strength number has no meaning between makers, so
    the doubt is one half strength or the scatter of the house's own reeds, and grows outside their range.

    Parameters
    ----------
    scale
        the house's profiles and strengths
    reeds
        its reeds, of any instrument
    strength
        as the reed is marked
    cut
        filed or unfiled; taken as filed where it is not known
    profile_id
        a profile of the house, or None for a reed of another make
    """
    record = Reed.model_validate(
        {
            "id": f"a {strength:g}",
            "instrument": instrument,
            "cut": cut or "filed",
            "strength": strength,
            "profile_id": profile_id,
        }
    )
    part = scale.part(record)
    house = [p for p in reeds if p.reed.instrument == instrument and p.scale is None]
    if profile_id is not None or not house:
        return part
    known = np.array([p.reed.strength for p in house])
    slope = math.log(1 + constants.HALF_STRENGTH.value) / 0.5
    level = np.array([math.log(bench_stiffness_n_per_m(p)) for p in house]) - slope * known
    wanted = math.exp(float(level.mean()) + slope * record.strength)
    outside = max(record.strength - known.max(), known.min() - record.strength, 0.0) / 0.5
    return replace(
        part,
        modulus_pa=part.scale_factor
        * modulus_from_stiffness_pa(part.shape, stiffness_n_per_m=wanted, **usual_test_m(instrument)),
        scale=None,
        u_stiffness=max(TYPED_LEAST_U, float(level.std())) * (1 + outside / 2),
        stiffness_held=True,
    )
