"""A mouthpiece and itself changed: another tip opening, facing length, baffle or chamber, its measured shape kept."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

from matchkit.constants import DECIMALS
from matchkit.errors import RequestError
from matchkit.parts.facing import FacingPart
from matchkit.physics.lay.facing import MeanLay
from matchkit.physics.lay.scaled import scaled_lay
from matchkit.records.parts import Mouthpiece
from matchkit.records.quantity import quantities
from matchkit.units import MM

CHANGEABLE = {
    "tip": "tip_opening_mm",
    "facing": "facing_length_mm",
    "baffle": "baffle_height_mm",
    "chamber": "chamber_volume_cm3",
}
"""What may be changed of a mouthpiece, and its column."""


def size_of(part: FacingPart, what: str) -> float | None:
    """Return a size of a mouthpiece in its column's unit: as it was measured, or for a facing as it is taken; None where it is not known."""
    if what == "facing":
        return part.facing_length_m / MM
    value = getattr(part.mouthpiece, CHANGEABLE[what])
    return None if value is None else float(value)


def changed_facing(part: FacingPart, sizes: Mapping[str, float]) -> FacingPart:
    """Return a mouthpiece with other ``sizes``, by what is changed, in mm and cm3.

    Raises RequestError for a size that no mouthpiece has, and for a tip that would be opened by more than the wall is thick.
    """
    piece = part.mouthpiece
    for what, value in sizes.items():
        quantity = quantities(Mouthpiece)[CHANGEABLE[what]]
        low, high = quantity.low or 0.0, quantity.high or float("inf")
        if not low <= value <= high:
            meant = f"; did you mean +{value:g}?" if 0 < value < low else ""
            raise RequestError(f"{what} {value:.4g} {quantity.unit}; expected {low:g} to {high:g} {quantity.unit}{meant}")
    opened = sizes.get("tip", piece.tip_opening_mm) - piece.tip_opening_mm
    if piece.wall_mm is not None and opened > piece.wall_mm:
        raise RequestError(
            f"a tip {opened:.2f} mm wider takes off more than the wall of {piece.id} is thick ({piece.wall_mm:g} mm)"
        )
    words = ", ".join(f"{what} {round(value, DECIMALS):g}" for what, value in sizes.items())
    columns = {CHANGEABLE[what]: value for what, value in sizes.items()}
    record = piece.model_copy(update={**columns, "id": f"{piece.id} ({words})"})
    if not {"tip", "facing"} & set(sizes):
        return replace(part, mouthpiece=record)
    lay = scaled_lay(
        part.lay,
        tip_opening_m=sizes.get("tip", piece.tip_opening_mm) * MM,
        facing_length_m=sizes["facing"] * MM if "facing" in sizes else part.facing_length_m,
    )
    both = lay if isinstance(lay, MeanLay) and lay.shape_known else None
    return replace(
        part,
        mouthpiece=record,
        lay=lay,
        smoothness_m=lay.smoothness_m if lay.shape_known else None,
        leak_m2=None if both is None else both.leak_m2,
        rail_difference_m=None if both is None else both.rail_difference_m,
        u_rail_difference_m=None if both is None else both.u_rail_difference_m,
    )
