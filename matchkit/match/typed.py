"""A player who is in no table, and the reed they say they play."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from matchkit import constants
from matchkit.match.parts import ReedPart, bench_stiffness_n_per_m, usual_test_m
from matchkit.match.reed_bench import ReedBench
from matchkit.physics.reed import modulus_from_stiffness_pa
from matchkit.records.parts import Reed

TYPED_LEAST_U = 0.12
"""Doubt in the stiffness of a reed of unknown make: one half strength, or the house's own scatter where that is more."""


@dataclass(frozen=True)
class Visitor:
    """A player who is in no table: what they play now may be typed and partly unknown.

    A mouthpiece by id or by tip opening, a reed by id or by strength (with a cut, and a profile of this house if it is one).
    """

    instrument: constants.Instrument
    embouchure: str | None = None
    blow_kpa: float | None = None
    lip_mm: float | None = None
    mouthpiece_id: str | None = None
    tip_opening_mm: float | None = None
    reed_id: str | None = None
    strength: float | None = None
    cut: str | None = None
    profile_id: str | None = None
    ligature_id: str | None = None
    neck_id: str | None = None


def typed_reed(bench: ReedBench, reeds: Sequence[ReedPart], visitor: Visitor) -> ReedPart:
    """Return a reed known by its strength.

    With a profile of this house, as that profile goes. Otherwise as stiff as this house's calibrated reeds of the instrument
    are on the whole at that strength, each half strength being 12 %. A strength number has no meaning between makers, so
    the doubt is one half strength or the scatter of the house's own reeds, and grows outside their range.
    """
    record = Reed.model_validate(
        {
            "id": f"reed {visitor.strength:g}, as typed",
            "instrument": visitor.instrument,
            "cut": visitor.cut or "filed",
            "strength": visitor.strength,
            "profile_id": visitor.profile_id,
        }
    )
    part = bench.part(record)
    house = [p for p in reeds if p.reed.instrument == visitor.instrument and p.scale is None]
    if visitor.profile_id is not None or not house:
        return part
    places = usual_test_m(visitor.instrument)
    strength = np.array([p.reed.strength for p in house])
    slope = math.log(1 + constants.HALF_STRENGTH.value) / 0.5
    level = np.array([math.log(bench_stiffness_n_per_m(p)) for p in house]) - slope * strength
    wanted = math.exp(float(level.mean()) + slope * record.strength)
    outside = max(record.strength - strength.max(), strength.min() - record.strength, 0.0) / 0.5
    modulus = modulus_from_stiffness_pa(part.shape, stiffness_n_per_m=wanted, **places)
    return replace(
        part,
        modulus_pa=modulus,
        scale=None,
        u_stiffness=max(TYPED_LEAST_U, float(level.std())) * (1 + outside / 2),
        stiffness_held=True,
    )
