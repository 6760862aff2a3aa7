"""What cannot be put together, and why; what was not measured is never refused.

The criteria are plain comparisons of lengths, so that they hold for whole tables of parts and for two records in a log alike.
"""

from __future__ import annotations

import math
from collections.abc import Collection, Mapping, Sequence
from types import MappingProxyType
from typing import TYPE_CHECKING, Any

from matchkit import constants
from matchkit.constants import UNKNOWN
from matchkit.facts import FITS, Refusal, Unchecked
from matchkit.records.parts import Ligature, Mouthpiece, Reed
from matchkit.units import MM

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    from matchkit.parts.facing import FacingPart
    from matchkit.parts.reed import ReedPart

    Reasons = NDArray[np.object_]

EQUAL_MM = 1e-6
"""Lengths that differ by no more than this are equal."""


NOTHING_OUT: Mapping[str, int] = MappingProxyType({})
"""No part is lent."""


def is_gone(part: Mouthpiece | Reed | Ligature, out: Mapping[str, int] = NOTHING_OUT) -> bool:
    """Tell whether none is left of a part that is counted; what is lent is not there."""
    return part.stock is not None and part.stock <= out.get(part.id, 0)


def beyond(one: Any, other: Any) -> Any:
    """Tell where one length in mm (any shape) is more than another; never where one of them is nan, which is not known."""
    return one > other + EQUAL_MM


def known(value: float | None) -> float:
    """Return a length, nan where it was not measured."""
    return math.nan if value is None else value


def least_width_mm(piece: Mouthpiece) -> float:
    """Return the width that a reed must have to cover the window and one side rail; nan where it is not known."""
    return known(piece.window_width_mm) + known(piece.side_rail_mm)


def pair_refusals(
    facings: Sequence[FacingPart],
    reeds: Sequence[ReedPart],
    *,
    instrument: str,
    across: bool = False,
    in_stock: bool = False,
    owned: Collection[str | None] = (),
    out: Mapping[str, int] = NOTHING_OUT,
    keep_retired: bool = False,
) -> Reasons:
    """Return the first reason against each pair (M, R), or ``FITS``: instrument, stock, width, vamp.

    Parameters
    ----------
    facings, reeds
        M and R parts
    instrument
        what the player plays
    across
        whether parts of other instruments are allowed
    in_stock
        whether parts that are counted as 0 are left out
    owned
        ids of parts that need not be in stock
    out
        how many pieces of a part are lent
    keep_retired
        whether parts that are no longer offered count as the others do
    """
    import numpy as np

    reasons = np.full((len(facings), len(reeds)), FITS, dtype=object)

    def refuse(where: Any, reason: Refusal) -> None:
        reasons[(reasons == FITS) & where] = reason

    def of(values: list[Any], dtype: type = float) -> Any:
        return np.array(values, dtype=dtype)

    if not across:
        pieces = of([part.mouthpiece.instrument != instrument for part in facings], bool)
        refuse(pieces[:, None] | of([part.reed.instrument != instrument for part in reeds], bool), Refusal.WRONG_INSTRUMENT)
    if not keep_retired:
        retired = of([bool(part.mouthpiece.retired) and part.id not in owned for part in facings], bool)
        ended = of([bool(part.reed.retired) and part.id not in owned for part in reeds], bool)
        refuse(retired[:, None] | ended, Refusal.RETIRED)
    if in_stock:
        gone = of([is_gone(part.mouthpiece, out) and part.id not in owned for part in facings], bool)
        sold = of([is_gone(part.reed, out) and part.id not in owned for part in reeds], bool)
        refuse(gone[:, None] | sold, Refusal.OUT_OF_STOCK)
    need = of([least_width_mm(part.mouthpiece) for part in facings])
    width = of([part.shape.tip_width_m / MM if part.width_measured else math.nan for part in reeds])
    refuse(beyond(need[:, None], width), Refusal.REED_TOO_NARROW)
    end = of([part.clamp_m / MM + constants.VAMP_ROOM.value for part in facings])
    vamp = of([part.vamp_m / MM if part.vamp_measured else math.nan for part in reeds])
    refuse(beyond(end[:, None], vamp), Refusal.VAMP_TOO_SHORT)
    return reasons


def ligature_refusals(
    facings: Sequence[FacingPart],
    ligatures: Sequence[Ligature],
    *,
    in_stock: bool = False,
    owned: Collection[str | None] = (),
    out: Mapping[str, int] = NOTHING_OUT,
) -> Reasons:
    """Return the first reason against each mouthpiece and ligature (M, L), or ``FITS``; what is ``owned`` needs no stock."""
    import numpy as np

    reasons = np.full((len(facings), len(ligatures)), FITS, dtype=object)
    body = np.array([known(part.mouthpiece.body_diameter_mm) for part in facings])
    smallest = np.array([known(item.min_diameter_mm) for item in ligatures])
    largest = np.array([known(item.max_diameter_mm) for item in ligatures])
    plays = [part.mouthpiece.instrument for part in facings]
    for place, item in enumerate(ligatures):
        if item.instrument is not None:
            reasons[[kind != item.instrument for kind in plays], place] = Refusal.WRONG_INSTRUMENT
        if item.retired and item.id not in owned:
            reasons[reasons[:, place] == FITS, place] = Refusal.RETIRED
    if in_stock:
        gone = np.array([is_gone(item, out) and item.id not in owned and item.id != UNKNOWN for item in ligatures], dtype=bool)
        reasons[:, gone] = Refusal.OUT_OF_STOCK
    reasons[(reasons == FITS) & beyond(body[:, None], largest)] = Refusal.LIGATURE_TOO_SMALL
    reasons[(reasons == FITS) & beyond(smallest, body[:, None])] = Refusal.LIGATURE_TOO_LARGE
    return reasons


def count_refused(pairs: Reasons, ligatures: Reasons) -> dict[Refusal, int]:
    """Count refused combinations by their first reason: pairs (M, R) first, then ligatures (M, L).

    The counts and the combinations that fit add up to M x R x L.
    """
    import numpy as np

    counts: dict[Refusal, int] = {}
    for reason, number in zip(*np.unique(pairs[pairs != FITS].astype(str), return_counts=True), strict=True):
        counts[Refusal(reason)] = int(number) * max(ligatures.shape[1], 1)
    fitting = (pairs == FITS).sum(axis=1)
    for reason in np.unique(ligatures[ligatures != FITS].astype(str)):
        number = int((fitting * (ligatures == reason).sum(axis=1)).sum())
        if number:
            counts[Refusal(reason)] = counts.get(Refusal(reason), 0) + number
    return counts


def unchecked(facing: FacingPart, reed: ReedPart, ligature: Ligature | None) -> tuple[Unchecked, ...]:
    """Name what of the fit could not be checked for want of a measurement."""
    found: list[Unchecked] = []
    if math.isnan(least_width_mm(facing.mouthpiece)) or not reed.width_measured:
        found.append("reed width")
    if not reed.vamp_measured:
        found.append("vamp length")
    if ligature is not None and fit_unknown(facing.mouthpiece, ligature):
        found.append("ligature size")
    return tuple(found)


def fit_unknown(piece: Mouthpiece, ligature: Ligature) -> bool:
    """Tell whether body or ligature were not measured, so that it is not known whether it goes on."""
    return None in (piece.body_diameter_mm, ligature.min_diameter_mm, ligature.max_diameter_mm)


def misfit(piece: Mouthpiece, reed: Reed, ligature: Ligature | None) -> str | None:
    """Return why parts cannot have been played together, from what their records say; None where nothing speaks against it.

    As a ranking refuses them, but the vamp is held against the facing length as recorded, not against the clamp, which takes a fit.
    """
    other = None if ligature is None else ligature.instrument
    for part, kind in (("reed", reed.instrument), ("ligature", other)):
        if kind not in (None, piece.instrument):
            return f"the mouthpiece is for {piece.instrument}, the {part} for {kind}"
    need, width = least_width_mm(piece), known(reed.tip_width_mm)
    if beyond(need, width):
        return f"{Refusal.REED_TOO_NARROW}: {width:g} mm, not {need:g}"
    need, vamp = known(piece.facing_length_mm) + constants.VAMP_ROOM.value, known(reed.vamp_length_mm)
    if beyond(need, vamp):
        return f"{Refusal.VAMP_TOO_SHORT}: {vamp:g} mm, not {need:g}"
    body = known(piece.body_diameter_mm)
    if ligature is not None and beyond(body, known(ligature.max_diameter_mm)):
        return f"{Refusal.LIGATURE_TOO_SMALL} of {body:g} mm"
    if ligature is not None and beyond(known(ligature.min_diameter_mm), body):
        return f"{Refusal.LIGATURE_TOO_LARGE} of {body:g} mm"
    return None
