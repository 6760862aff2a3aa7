"""What the records of parts alone say against having played them together; light, for the book's log."""

from __future__ import annotations

from matchkit import constants
from matchkit.records.parts import Ligature, Mouthpiece, Reed


def misfit(piece: Mouthpiece, reed: Reed, ligature: Ligature | None) -> str | None:
    """Give the reason why parts cannot have been played together, from what their records say; None where nothing speaks against it.

    As a ranking refuses them, but the vamp is held against the facing length as recorded, not against the clamp, which takes a fit.
    """
    if piece.instrument != reed.instrument:
        return f"the mouthpiece is for {piece.instrument}, the reed for {reed.instrument}"
    if piece.window_width_mm is not None and piece.side_rail_mm is not None and reed.tip_width_mm is not None:
        need = piece.window_width_mm + piece.side_rail_mm
        if reed.tip_width_mm < need:
            return f"reed narrower than the window and one rail: {reed.tip_width_mm:g} mm, not {need:g}"
    if piece.facing_length_mm is not None and reed.vamp_length_mm is not None:
        need = piece.facing_length_mm + constants.VAMP_ROOM.value
        if reed.vamp_length_mm < need:
            return f"vamp ends too near the facing's end: {reed.vamp_length_mm:g} mm, not {need:g}"
    body = piece.body_diameter_mm
    if ligature is not None and body is not None:
        if ligature.max_diameter_mm is not None and body > ligature.max_diameter_mm:
            return f"ligature too small for the body of {body:g} mm"
        if ligature.min_diameter_mm is not None and body < ligature.min_diameter_mm:
            return f"ligature too large for the body of {body:g} mm"
    return None
