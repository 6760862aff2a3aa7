"""Pairs of mouthpiece and reed, and what the physics says of each, in the units of the answers."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from matchkit.match.contacts import ContactBook, ContactKey
from matchkit.match.parts import FacingPart, ReedPart
from matchkit.physics.closing import closing_share

Array = NDArray[np.float64]
Index = NDArray[np.intp]
Flags = NDArray[np.bool_]


@dataclass(frozen=True)
class Pairs:
    """Pairs of a mouthpiece and a reed at one reed place; every array (N,) unless it says otherwise.

    ``mouthpiece`` and ``reed`` are places in the lists of parts, ``row`` in the contact book.
    """

    mouthpiece: Index
    reed: Index
    row: Index
    closing_pressure_kpa: Array
    tip_opening_mm: Array
    rest_area_mm2: Array
    lip_area_mm2: Array

    def __len__(self) -> int:
        return len(self.row)

    @property
    def stiffness_mpa_per_m(self) -> Array:
        """K0, closing pressure over tip opening."""
        return self.closing_pressure_kpa / self.tip_opening_mm

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
    shapes = {key: place for place, key in enumerate(dict.fromkeys(part.shape_key for part in reeds))}
    shape = np.array([shapes[part.shape_key] for part in reeds])[reed]
    names, kinds = [part.mouthpiece.id for part in facings], list(shapes)
    offsets, offset = np.unique(offset_mm, return_inverse=True)
    lips, lip = np.unique(lip_mm, return_inverse=True)
    code = ((mouthpiece * len(kinds) + shape) * len(offsets) + offset) * len(lips) + lip
    first, same = np.unique(code, return_index=True, return_inverse=True)[1:]
    keys = [
        ContactKey(names[m], kinds[s], float(offsets[o]), float(lips[place]))
        for m, s, o, place in zip(mouthpiece[first], shape[first], offset[first], lip[first], strict=True)
    ]
    row = book.rows(keys, jobs=jobs, progress=progress)[same]
    closing = book.closing
    modulus = np.array([part.modulus_pa for part in reeds])[reed]
    tip_mm = np.array([part.lay.tip_opening_m for part in facings])[mouthpiece] * 1e3
    return Pairs(
        mouthpiece=mouthpiece,
        reed=reed,
        row=row,
        closing_pressure_kpa=closing.pressure_per_modulus[row] * modulus * 1e-3,
        tip_opening_mm=tip_mm,
        rest_area_mm2=closing.rest_area_m2[row] * 1e6,
        lip_area_mm2=closing.lip_area_m2[row] * 1e6,
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
    return Pairs(none, none, none, nothing, nothing, nothing, nothing)
