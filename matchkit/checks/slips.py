"""A whole column in another unit: each number may stand alone, but what they imply together cannot be.

A reed's stiffness implies a modulus, which for cane of a strength lies within a factor of two or so; readings of a facing imply its length.
Where the middle of a table is off by ten, by 9.81, by 25.4 or the like, that is said once, with the factor that would mend it.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from matchkit import constants
from matchkit.errors import Problem
from matchkit.pairs.closing_tests import FAR, MOST_GAP, sorted_out
from matchkit.parts.reed import ReedPart
from matchkit.parts.stock import Parts
from matchkit.units import GPA, MM

FACTORS = {
    9.80665: "kilograms for newtons",
    10.0: "a slip of the decimal point, or centimetres",
    25.4: "inches for millimetres",
}
"""How units are mistaken, and as what."""

LEAST = math.log(4)
"""A middle that is off by less is no slip of units."""


def slips(parts: Parts) -> tuple[Problem, ...]:
    """Return one problem for each table whose numbers together imply another unit, and for each closing test that cannot be."""
    found = [problem for problem in (*_reeds(parts), _facings(parts)) if problem is not None]
    return (*found, *_closing_tests(parts))


_EXPECTED = {
    "another instrument": ("reed_id", "a reed for the instrument of the mouthpiece"),
    "feeler too thick": ("gap_mm", f"a feeler of at most {MOST_GAP:g} of the tip opening; 0.1 mm will do"),
    "pressed too far back": (
        "place_mm",
        "a bar so near the tip that the feeler is held before the reed lies down; 4 mm will do",
    ),
    "far from any scale": ("mass_g", f"within {FAR:g} times of what is predicted"),
}


def _closing_tests(parts: Parts) -> list[Problem]:
    """Name the closing tests that are not used, by their parts."""
    if not parts.stock.closing_tests:
        return []
    _, unused = sorted_out(parts, parts.stock.closing_tests)
    told = []
    for item in unused:
        column, expected = _EXPECTED[item.why]
        read = f"{item.mass_g:g} g, {item.place_mm:g} mm from the tip, feeler {item.gap_mm:g} mm, {item.mouthpiece_id} with {item.reed_id}"
        told.append(Problem("closing_tests.csv", None, column, read, expected, "it was left out"))
    return told


def _reeds(parts: Parts) -> list[Problem | None]:
    cane = [part for part in parts.reeds if part.reed.material == "cane"]
    read = [part for part in cane if part.basis == "reading"]
    scaled = [part for part in cane if part.basis == "scale"]
    tested = [part for part in scaled if part.stiffness_held]
    stated = [part for part in scaled if not part.stiffness_held]
    return [
        _of_modulus(parts, "reeds", "stiffness_n_per_mm", read),
        _of_modulus(parts, "strength_scale", "stiffness_n_per_mm", tested),
        _of_modulus(parts, "strength_scale", "modulus_gpa", stated),
    ]


def _of_modulus(parts: Parts, table: str, column: str, reeds: Sequence[ReedPart]) -> Problem | None:
    if not reeds:
        return None
    wetted = parts.stock.spec.wet_factor
    dry = np.array([part.modulus_pa / part.scale_factor / wetted for part in reeds])
    halves = np.array([(part.reed.strength - constants.LABEL_STRENGTH.value) / 0.5 for part in reeds])
    usual = constants.LABEL_MODULUS.value * (1 + constants.HALF_STRENGTH.value) ** halves
    found = float(np.median(dry / usual))
    middle = f"numbers that make cane of {constants.LABEL_MODULUS.value * found / GPA:.3g} GPa at strength {constants.LABEL_STRENGTH.value:g}"
    return _slip(
        table, column, found, middle, f"about {constants.LABEL_MODULUS.value / GPA:g} GPa, a third to three times that"
    )


def _facings(parts: Parts) -> Problem | None:
    read = [part for part in parts.facings if part.lay.measured]
    if not read:
        return None
    usual = [parts.stock.defaults.scalar(part.mouthpiece.instrument, "facing_length_mm").value * MM for part in read]
    found = float(np.median([part.facing_length_m / length for part, length in zip(read, usual, strict=True)]))
    length = float(np.median([part.facing_length_m for part in read])) / MM
    return _slip("facings", "stop_mm", found, f"stops that make facings of {length:.3g} mm", "about 15 to 30 mm")


def _slip(table: str, column: str, found: float, read: str, expected: str) -> Problem | None:
    if abs(math.log(found)) < LEAST:
        return None
    off = math.log(found)
    best = min(FACTORS, key=lambda factor: abs(abs(off) - math.log(factor)))
    mend = 1 / best if off > 0 else best
    ten = best < 15
    said = f"is it {FACTORS[9.80665]}, or {FACTORS[10.0]}?" if ten else f"is it {FACTORS[best]}?"
    times = "9.81 or 10" if ten else f"{best:g}"
    way = "divide" if mend < 1 else "multiply"
    return Problem(f"{table}.csv", None, column, read, expected, f"{said} to mend the whole column, {way} it by {times}")
