"""Pairs of mouthpiece and reed, and what the physics says of each, in the units of the answers."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from matchkit import constants
from matchkit.match.contacts import ContactBook, ContactKey
from matchkit.match.parts import FacingPart, ReedPart
from matchkit.physics.closing import closing_share

Array = NDArray[np.float64]
Index = NDArray[np.intp]
Flags = NDArray[np.bool_]

UNCERTAINTIES = ("tip", "clamp", "stiffness", "profile", "reed place", "wet factor")
"""What the uncertainty of the closing pressure is made of, in this order."""

MEASURES = {
    "tip": "the tip opening, with a gauge",
    "clamp": "the facing, with feelers on both rails",
    "stiffness": "the stiffness of the reed",
    "profile": "the thickness of the reed's profile at seven places",
    "reed place": "where the reed's tip stands against the tip rail",
    "wet factor": "the stiffness of the reed when wet",
}
"""The measurement that narrows each."""


@dataclass(frozen=True)
class Pairs:
    """Pairs of a mouthpiece and a reed at one reed place; every array (N,) unless it says otherwise.

    ``mouthpiece`` and ``reed`` are places in the lists of parts, ``row`` in the contact book. ``relative_u`` (6, N) holds the parts of
    the closing pressure's relative uncertainty, named by :data:`UNCERTAINTIES`.
    """

    mouthpiece: Index
    reed: Index
    row: Index
    closing_pressure_kpa: Array
    tip_opening_mm: Array
    rest_area_mm2: Array
    lip_area_mm2: Array
    relative_u: Array

    def __len__(self) -> int:
        return len(self.row)

    @property
    def stiffness_mpa_per_m(self) -> Array:
        """K0, closing pressure over tip opening."""
        return self.closing_pressure_kpa / self.tip_opening_mm

    @property
    def u_closing_pressure(self) -> Array:
        """Relative standard uncertainty of the closing pressure, its parts combined as independent (first order)."""
        return np.asarray(np.sqrt((self.relative_u**2).sum(axis=0)))

    def dominating(self, pair: int) -> str:
        """Name the part that weighs most in the uncertainty of one pair."""
        return UNCERTAINTIES[int(self.relative_u[:, pair].argmax())]

    def take(self, which: Index) -> Pairs:
        """Give some of the pairs."""
        return Pairs(
            self.mouthpiece[which],
            self.reed[which],
            self.row[which],
            self.closing_pressure_kpa[which],
            self.tip_opening_mm[which],
            self.rest_area_mm2[which],
            self.lip_area_mm2[which],
            self.relative_u[:, which],
        )


def make_pairs(
    book: ContactBook,
    facings: Sequence[FacingPart],
    reeds: Sequence[ReedPart],
    *,
    mouthpiece: Index,
    reed: Index,
    offset_mm: Array,
    lip_mm: Array,
    jobs: int = 1,
    progress: Callable[[int, int], None] | None = None,
) -> Pairs:
    """Solve what is new and give the pairs ``mouthpiece[i]`` with ``reed[i]``, the reed standing ``offset_mm[i]`` past the tip rail."""
    keys = [
        ContactKey(facings[m].mouthpiece.id, reeds[r].shape_key, float(offset), float(lip))
        for m, r, offset, lip in zip(mouthpiece, reed, offset_mm, lip_mm, strict=True)
    ]
    row = book.rows(keys, jobs=jobs, progress=progress)
    closing, spread = book.closing, book.spread
    modulus = np.array([part.modulus_pa for part in reeds])[reed]
    tip_mm = np.array([part.lay.tip_opening_m for part in facings])[mouthpiece] * 1e3
    u_tip_mm = np.array([part.lay.u_tip_m for part in facings])[mouthpiece] * 1e3
    u_clamp_mm = np.array([part.lay.fair.u_clamp_m for part in facings])[mouthpiece] * 1e3
    measured = np.array([part.profile_measured for part in reeds])[reed]
    held = np.array([part.stiffness_held for part in reeds])[reed]
    profile = np.where(held, spread.profile_given_stiffness[row], spread.profile_given_modulus[row])
    relative_u = np.stack(
        [
            u_tip_mm / tip_mm,
            np.abs(spread.clamp_per_mm[row]) * u_clamp_mm,
            np.array([part.u_stiffness for part in reeds])[reed],
            np.where(measured, profile, constants.U_PROFILE_GENERIC.value),
            np.abs(spread.place_per_mm[row]) * constants.U_REED_PLACE.value,
            np.array([part.u_wet for part in reeds])[reed],
        ]
    )
    return Pairs(
        mouthpiece=mouthpiece,
        reed=reed,
        row=row,
        closing_pressure_kpa=closing.pressure_per_modulus[row] * modulus * 1e-3,
        tip_opening_mm=tip_mm,
        rest_area_mm2=closing.rest_area_m2[row] * 1e6,
        lip_area_mm2=closing.lip_area_m2[row] * 1e6,
        relative_u=relative_u,
    )


def share_at_closing(book: ContactBook, pairs: Pairs, *, lip_load_n: float) -> Array:
    """Give the closing share (N,) of pairs under a lip load."""
    if not len(pairs):
        return np.zeros(0)
    lip_kpa = lip_load_n / pairs.lip_area_mm2 * 1e3
    return closing_share(book.closing, pairs.row, lip_share=lip_kpa / pairs.closing_pressure_kpa)


def empty_pairs() -> Pairs:
    """Give no pairs at all."""
    none, nothing = np.zeros(0, dtype=np.intp), np.zeros(0)
    return Pairs(none, none, none, nothing, nothing, nothing, nothing, np.zeros((6, 0)))
