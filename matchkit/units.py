"""Units as the trade writes them: each name is what one of them is in SI.

``length_mm * MM`` is a length in metres, ``length_m / MM`` one in millimetres. Inside ``physics`` and ``pairs`` everything is in SI; these are
used where a record becomes a part and where an answer is made.
"""

from __future__ import annotations

MM = 1e-3
UM = 1e-6
MM2 = 1e-6
CM3 = 1e-6
KPA = 1e3
GPA = 1e9
MPA_PER_M = 1e6
N_PER_MM = 1e3
N_PER_GRAM = 9.80665e-3
L_PER_S = 1e-3
PERCENT = 1e-2

MM_PER_INCH = 25.4
MM_PER_THOU = 0.0254
MM_PER_HALF_MM = 0.5


def thou_to_mm(length_thou: float) -> float:
    """Return a length read in thousandths of an inch in millimetres.

    >>> round(thou_to_mm(75.0), 3)
    1.905
    """
    return length_thou * MM_PER_THOU


def inch_to_mm(length_in: float) -> float:
    """Return a length read in inches in millimetres.

    >>> round(inch_to_mm(0.0015), 4)
    0.0381
    """
    return length_in * MM_PER_INCH


SIZES: dict[str, float] = {
    "": 1.0,
    "1": 1.0,
    "half strengths": 1.0,
    "steps of opening": 1.0,
    "vote": 1.0,
    "mm": MM,
    "µm": UM,
    "mm2": MM2,
    "cm3": CM3,
    "kPa": KPA,
}
"""What one of each unit is in SI, for tables that name their unit."""
