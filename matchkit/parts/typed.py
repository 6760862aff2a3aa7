"""A mouthpiece or reed that was typed and not measured."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from matchkit import constants
from matchkit.parts.reed import ReedPart, bench_stiffness_n_per_m, usual_test_m
from matchkit.parts.scale import ReedScale
from matchkit.physics.reed import modulus_from_stiffness_pa
from matchkit.records.parts import Reed

TYPED_LEAST_U = 0.16
"""Doubt in the stiffness of a reed of unknown make: one half strength, or the house's own scatter where that is more."""


def main_scale(reeds: Sequence[ReedPart]) -> str | None:
    """Return the scale on which reeds of several makes are compared: None the house's own, else that of its reference line; "" where there is none."""
    if any(part.scale is None for part in reeds):
        return None
    lines = {scale: {p.reed.profile_id or scale for p in reeds if p.scale == scale} for scale in {str(p.scale) for p in reeds}}
    shared = sorted((-len(some), scale) for scale, some in lines.items() if len(some) > 1)
    return shared[0][1] if shared else ""


def _levels(reeds: Sequence[ReedPart]) -> NDArray[np.float64]:
    """Return ln of the bench stiffness of reeds (n,), less what their numbers make of it at 16 % a half strength."""
    slope = math.log(1 + constants.HALF_STRENGTH.value) / 0.5
    return np.array([math.log(bench_stiffness_n_per_m(part)) - slope * part.reed.strength for part in reeds])


def unfiled_over_filed(reeds: Sequence[ReedPart]) -> float | None:
    """Return how many half strengths unfiled reeds are harder than filed ones of one number, on the bench; None without both."""
    main = main_scale(reeds)
    cuts = [[part for part in reeds if part.scale == main and part.reed.cut == cut] for cut in ("unfiled", "filed")]
    if not all(cuts):
        return None
    unfiled, filed = (float(_levels(some).mean()) for some in cuts)
    return round((unfiled - filed) / math.log(1 + constants.HALF_STRENGTH.value), constants.DECIMALS)


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
            "id": " ".join(word for word in (profile_id or cut, f"{strength:g}") if word),
            "instrument": instrument,
            "cut": cut or "filed",
            "strength": strength,
            "profile_id": profile_id,
        }
    )
    part = scale.part(record)
    main = main_scale([p for p in reeds if p.reed.instrument == instrument])
    every = [p for p in reeds if p.reed.instrument == instrument and p.scale == main] if main != "" else []
    house = [p for p in every if cut is None or p.reed.cut == cut] or every
    if profile_id is not None or not house:
        return part
    known = np.array([p.reed.strength for p in house])
    slope = math.log(1 + constants.HALF_STRENGTH.value) / 0.5
    level = _levels(house)
    wanted = math.exp(float(level.mean()) + slope * record.strength)
    outside = max(record.strength - known.max(), known.min() - record.strength, 0.0) / 0.5
    return replace(
        part,
        modulus_pa=part.scale_factor
        * modulus_from_stiffness_pa(part.shape, stiffness_n_per_m=wanted, **usual_test_m(instrument)),
        scale=main,
        u_stiffness=max(TYPED_LEAST_U, float(level.std())) * (1 + outside / 2),
        stiffness_held=True,
    )
