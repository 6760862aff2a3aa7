"""A reed as a physical part: its shape, its modulus as played, and what the usual bench test reads on it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal, NamedTuple

import numpy as np
from numpy.typing import NDArray

from matchkit import constants
from matchkit.facts import Assumed
from matchkit.physics.reed import ReedShape, stiffness_from_modulus_n_per_m
from matchkit.records.parts import Reed
from matchkit.units import MM

Array = NDArray[np.float64]


class ShapeKey(NamedTuple):
    """What tells one shape of reed from another: its profile, and its outline in mm."""

    profile: str
    tip_width_mm: float
    butt_width_mm: float
    length_mm: float


@dataclass(frozen=True)
class HouseScale:
    """What a house's closing tests say of all its closing pressures: the factor on them, and its relative standard uncertainty."""

    factor: float
    u: float
    of_labels: bool = False
    """Whether it stands for the cane of reeds too that are known by their strength number only."""


Basis = Literal["reading", "scale", "between steps", "label"]


@dataclass(frozen=True)
class ReedPart:
    """A reed with its shape and its modulus as played (wet).

    ``shape_key`` is the same for reeds of one shape, so that contact is solved once for them. ``scale`` is None where the
    modulus is known in the house's own units; otherwise it names the only family within which strengths compare.
    ``u_stiffness``, ``u_wet`` and ``u_scale`` are relative, the last that of the absolute scale, which all reeds share; ``box_spread`` is that of ln E within a box, or None. ``stiffness_held`` says that
    the bench stiffness is what is known, not the modulus; ``test_weights`` is where the usual test bends the reed.
    """

    reed: Reed
    shape: ReedShape
    shape_key: ShapeKey
    profile_measured: bool
    modulus_pa: float
    basis: Basis
    scale: str | None
    u_stiffness: float
    u_wet: float
    u_scale: float
    box_spread: float | None
    vamp_m: float
    vamp_measured: bool
    width_measured: bool
    stiffness_held: bool
    test_weights: tuple[Array, Array]
    assumed: tuple[Assumed, ...]
    scale_factor: float = 1.0
    """The house's own scale, which the modulus has in it and the stiffness on the bench has not."""

    @property
    def id(self) -> str:
        """The reed's id."""
        return self.reed.id

    @property
    def line(self) -> str:
        """The line of reeds it belongs to: its profile, or where it has none the reed itself."""
        return self.reed.profile_id or self.reed.id


def usual_test_m(instrument: str) -> dict[str, float]:
    """Return the usual places of the stiffness test from the tip, as arguments of the reed functions."""
    return {
        "load_m": constants.STIFFNESS_LOAD.value * MM,
        "clamp_m": constants.STIFFNESS_CLAMP[instrument] * MM,
    }


def bench_stiffness_n_per_m(part: ReedPart) -> float:
    """Return what the usual test would read on a reed as played (wet)."""
    return stiffness_from_modulus_n_per_m(
        part.shape, modulus_pa=part.modulus_pa / part.scale_factor, **usual_test_m(part.reed.instrument)
    )
