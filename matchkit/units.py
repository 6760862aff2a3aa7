"""Units as the trade writes them, and the way to millimetres and back."""

from __future__ import annotations

MM_PER_INCH = 25.4
MM_PER_THOU = 0.0254
MM_PER_HALF_MM = 0.5


def mm_to_m(length_mm: float) -> float:
    """Give a length in metres.

    >>> mm_to_m(25.0)
    0.025
    """
    return length_mm * 1e-3


def thou_to_mm(length_thou: float) -> float:
    """Give a length read in thousandths of an inch in millimetres.

    >>> round(thou_to_mm(75.0), 3)
    1.905
    """
    return length_thou * MM_PER_THOU


def inch_to_mm(length_in: float) -> float:
    """Give a length read in inches in millimetres.

    >>> round(inch_to_mm(0.0015), 4)
    0.0381
    """
    return length_in * MM_PER_INCH
