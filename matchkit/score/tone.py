"""Which way the tone may go from one mouthpiece to another: ordinal and weak."""

from __future__ import annotations

from matchkit.records.parts import Mouthpiece

BAFFLE_CLASS = {"high": -1.0, "medium": 0.0, "low": 1.0}
SAME_BAFFLE_MM = 0.4
SAME_CHAMBER = 0.04


def tone_vote(piece: Mouthpiece, present: Mouthpiece) -> float | None:
    """Return whether a mouthpiece should sound brighter (1), darker (-1) or neither than the present one; None if not known.

    A higher baffle and a smaller chamber each vote for brighter (common practice, no source; the measured evidence is
    weaker than the belief).
    """
    votes = []
    here, there = piece.baffle_height_mm, present.baffle_height_mm
    if here is not None and there is not None:
        votes.append(_lower(here, there, SAME_BAFFLE_MM))
    elif piece.baffle_class and present.baffle_class:
        votes.append(_lower(BAFFLE_CLASS[piece.baffle_class], BAFFLE_CLASS[present.baffle_class], 0.0))
    here, there = piece.chamber_volume_cm3, present.chamber_volume_cm3
    if here is not None and there is not None:
        votes.append(_lower(here, there, SAME_CHAMBER * there))
    return sum(votes) / len(votes) if votes else None


def _lower(here: float, there: float, room: float) -> float:
    """Return 1 where one number is lower than the other by more than some room, -1 where it is higher, else 0."""
    if round(abs(here - there) - room, 9) <= 0:  # a size at the margin counts as alike, whatever its last bits
        return 0.0
    return 1.0 if here < there else -1.0
