"""Parts as people say them: an id of the house, or a size (``75thou``, ``1.9mm``), a strength (``2½``, ``unfiled 2.5``), a contact (``plate``)."""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass
from typing import TYPE_CHECKING

from matchkit.constants import DECIMALS, FEATURE_SCALES
from matchkit.errors import RequestError, UnknownIdError
from matchkit.names import did_you_mean, nearly
from matchkit.units import inch_to_mm, thou_to_mm

if TYPE_CHECKING:
    from matchkit.parts.facing import FacingPart
    from matchkit.parts.reed import ReedPart
    from matchkit.parts.stock import Parts

_TIP = re.compile(r"(?P<number>\d+[.,]?\d*|[.,]\d+)\s*(?P<unit>mm|thou|in|inch|inches|\")?", re.IGNORECASE)
_NUMBER = re.compile(r"(?P<whole>\d+(?:[.,]\d+)?)?\s*(?P<part>½|¼|¾|1/2|1/4|3/4)?")
_REED = re.compile(r"(?:(?P<family>.*?\S)\s+)?(?P<strength>(?:\d+(?:[.,]\d+)?\s*)?(?:½|¼|¾|\b1/2|\b1/4|\b3/4)|\d+(?:[.,]\d+)?)")
_FRACTIONS = {"½": 0.5, "¼": 0.25, "¾": 0.75, "1/2": 0.5, "1/4": 0.25, "3/4": 0.75}
_TIP_MM = (0.5, 4.0)
_USUAL_TIP_MM = (0.8, 3.6)
_TIP_THOU = (20.0, 160.0)
_INCHES = (0.02, 0.16)
_MAX_STRENGTH = 10.0
FARTHEST = 1.7
"""A tip opening that was typed is at most so many times the usual one, or so small a part of it."""
CUTS = ("filed", "unfiled")
CONTACTS = ("rails", "plate", "wrap", "points")


def read_tip_mm(text: str) -> float:
    """Read a tip opening: mm, or thousandths of an inch; a bare number above 20 is thousandths.

    Raises RequestError for anything else, such as a maker's own number.

    >>> read_tip_mm("1.9"), round(read_tip_mm("75 thou"), 3), round(read_tip_mm("75"), 3), round(read_tip_mm(".075in"), 3)
    (1.9, 1.905, 1.905, 1.905)
    """
    match = _TIP.fullmatch(text.strip())
    if match is None:
        expected = "a tip opening such as 1.9mm or 75thou, an id, or ? where it is not known"
        raise RequestError(f"'{text}' as a mouthpiece; expected {expected} (a maker's own number says nothing here)")
    number = float(match["number"].replace(",", "."))
    unit = (match["unit"] or "").lower()
    if unit == "thou" or (not unit and _TIP_THOU[0] <= number <= _TIP_THOU[1]):
        found = thou_to_mm(number)
    elif unit and unit != "mm":
        found = inch_to_mm(number)
    else:
        found = number
    if _TIP_MM[0] <= found <= _TIP_MM[1]:
        return found
    meant = _meant_tip(number, unit)
    asked = f": did you mean {meant}?" if meant else " (a maker's own number says nothing here)"
    raise RequestError(f"'{text}' as a mouthpiece; expected a tip opening of {_TIP_MM[0]:g} to {_TIP_MM[1]:g} mm{asked}")


def _meant_tip(number: float, unit: str) -> str:
    """Return what a number out of range was perhaps meant as; nothing where nothing is near."""
    if not unit:
        return f"{number:g}in" if _INCHES[0] <= number <= _INCHES[1] else ""
    in_mm = {"mm": 1.0, "thou": thou_to_mm(1.0)}.get(unit, inch_to_mm(1.0))
    for factor in (0.1, 0.01, 0.001, 10.0, 100.0):
        if _USUAL_TIP_MM[0] <= number * factor * in_mm <= _USUAL_TIP_MM[1]:
            return f"{round(number * factor, DECIMALS):g}{unit}"
    return ""


def read_number(text: str) -> float | None:
    """Read a strength, perhaps with a fraction; None where it is no number.

    >>> read_number("2½"), read_number("2 1/2"), read_number("3,5"), read_number("hard")
    (2.5, 2.5, 3.5, None)
    """
    match = _NUMBER.fullmatch(text.strip())
    if match is None or not (match["whole"] or match["part"]):
        return None
    return float((match["whole"] or "0").replace(",", ".")) + _FRACTIONS.get(match["part"] or "", 0.0)


@dataclass(frozen=True)
class Strength:
    """A reed as it was said: its strength, and the cut and the line of this house where they were said too."""

    strength: float
    cut: str | None = None
    profile_id: str | None = None


def read_strength(text: str, lines: dict[str, str]) -> Strength:
    """Read a strength with or without a cut or a line before it; ``lines`` are those of the house, with their cuts.

    Raises RequestError for anything else, and for a strength beyond 10.
    """
    alone = read_number(text)
    if alone is not None and alone <= _MAX_STRENGTH:
        return Strength(alone)
    match = _REED.fullmatch(text.strip())
    expected = f"an id, a strength such as 2.5 or 'unfiled 2.5', {_lines_words(lines)}or ? where it is not known"
    if match is None:
        inside = re.search(r"\d+(?:[.,]\d+)?(?:\s*(?:½|1/2))?", text)
        number = None if inside is None else read_number(inside[0])
        meant = f"did you mean {number:g}?" if number is not None and number <= _MAX_STRENGTH else f"expected {expected}"
        raise RequestError(f"'{text}' as a reed; {meant}")
    strength = read_number(match["strength"])
    if strength is None or strength > _MAX_STRENGTH:
        meant = f": did you mean {strength / 10:g}?" if strength and strength <= 10 * _MAX_STRENGTH else ""
        raise RequestError(f"'{text}' as a reed; expected a strength up to {_MAX_STRENGTH:g}{meant}")
    family = match["family"]
    if family is None:
        return Strength(strength)
    if family.lower() in CUTS:
        return Strength(strength, family.lower())
    if family in lines:
        return Strength(strength, lines[family], family)
    same = [line for line in lines if line.casefold() == family.casefold()]
    near = same or nearly(family, [*CUTS, *lines], most=1, alike=0.6)
    meant = f"did you mean '{near[0]} {strength:g}'?" if near else f"expected {expected}"
    raise RequestError(f"'{text}' as a reed; {meant}")


def _lines_words(lines: Iterable[str]) -> str:
    first = next(iter(lines), None)
    return f"a line of this house and a strength such as '{first} 2.5', " if first else ""


def lines_of(parts: Parts, instrument: str) -> dict[str, str]:
    """Return the lines of reeds of an instrument, with their cuts."""
    mine = (reed for reed in parts.stock.reeds if reed.instrument == instrument and reed.profile_id)
    return {str(reed.profile_id): reed.cut for reed in mine}


def is_said(kind: str, text: str) -> bool:
    """Tell whether a text is a size, a strength or a contact rather than an id, without saying of what instrument.

    >>> is_said("mouthpiece", "75thou"), is_said("reed", "unfiled 2½"), is_said("ligature", "L-05")
    (True, True, False)
    """
    if kind == "ligature":
        return text in CONTACTS
    try:
        _ = read_tip_mm(text) if kind == "mouthpiece" else read_strength(text, {})
    except RequestError:
        return False
    return True


def reed_of_line(parts: Parts, said: Strength, instrument: str) -> str | None:
    """Return the id of the house's reed that a line and a strength name; None where there is none, or no line was said."""
    if said.profile_id is None:
        return None
    every = (reed for reed in parts.stock.reeds if reed.instrument == instrument and reed.profile_id == said.profile_id)
    return min((reed.id for reed in every if reed.strength == said.strength), default=None)


def usual_tip_mm(tip_mm: float, instrument: str, text: str) -> float:
    """Return a tip opening; raises RequestError for one that no mouthpiece of the instrument has."""
    typical = FEATURE_SCALES["tip_opening"].typical[instrument]
    if not typical / FARTHEST <= tip_mm <= typical * FARTHEST:
        raise RequestError(f"'{text}' is {tip_mm:.3g} mm; a usual tip opening on {instrument} is about {typical:.2g} mm")
    return tip_mm


def said_facing(parts: Parts, text: str, instrument: str | None) -> FacingPart:
    """Return the mouthpiece of an id or a tip opening.

    Raises UnknownIdError and RequestError where it is neither, or where a size is said of no instrument.
    """
    ids = [piece.id for piece in parts.stock.mouthpieces]
    if text in ids:
        return parts.facing(text)
    if _TIP.fullmatch(text.strip()) is None:
        raise UnknownIdError(f"no mouthpiece has the id '{text}'{did_you_mean(text, ids) or _sizes('1.9mm or 75thou')}")
    kind = _instrument_of(text, instrument)
    return parts.typed_facing(usual_tip_mm(read_tip_mm(text), kind, text), kind)


def said_reed(parts: Parts, text: str, instrument: str | None) -> ReedPart:
    """Return the reed of an id or a strength. Raises as :func:`said_facing`."""
    ids = [reed.id for reed in parts.stock.reeds]
    if text in ids:
        return parts.reed(text)
    if not any(letter.isdigit() or letter in _FRACTIONS for letter in text):
        raise UnknownIdError(f"no reed has the id '{text}'{did_you_mean(text, ids) or _sizes('2.5 or unfiled 2.5')}")
    near = nearly(text, ids, alike=0.75) if read_number(text) is None else []
    lines = {} if instrument is None else lines_of(parts, instrument)
    try:
        found = read_strength(text, lines)
    except RequestError:
        if near:
            raise UnknownIdError(f"no reed has the id '{text}'; did you mean {', '.join(near)}?") from None
        raise
    kind = _instrument_of(text, instrument)
    same = reed_of_line(parts, found, kind)
    if same is not None:
        return parts.reed(same)
    return parts.typed_reed(found.strength, kind, cut=found.cut, profile_id=found.profile_id)


def _sizes(example: str) -> str:
    return f"; expected one, or {example}"


def _instrument_of(text: str, instrument: str | None) -> str:
    if instrument is None:
        raise RequestError(
            f"'{text}' is no id of this house; for a size or a strength say the instrument too (--instrument alto)"
        )
    return instrument


MOST_VALUES = 200
_CHANGE = re.compile(
    r"(?P<sign>[+\-\u2212])?\s*(?P<number>\d+[.,]?\d*|[.,]\d+)\s*(?P<unit>mm|cm3|cm\u00b3|thou|in)?", re.IGNORECASE
)
_IN_COLUMNS = {"": 1.0, "mm": 1.0, "cm3": 1.0, "cm\u00b3": 1.0, "thou": thou_to_mm(1.0), "in": inch_to_mm(1.0)}


def read_sizes(text: str, what: str, now: float | None) -> list[float]:
    """Read what a size is to be: a number, or by how much it changes where it has a sign; a list with commas between, or a range ``-0.1:0.1:0.05``.

    A comma within a number is a decimal comma only where it stands alone ("+0,1"). Raises RequestError for anything else.

    >>> read_sizes("+0.1mm", "tip", 2.0), read_sizes("2.05", "tip", 2.0), read_sizes("-0.1:0.1:0.1", "tip", 2.0)
    ([2.1], [2.05], [1.9, 2.0, 2.1])
    """
    steps = text.strip().split(":")
    if len(steps) == 3:
        low, high, step = (_change(part, what) for part in steps)
        relative = low[1] or high[1]
        if step[0] <= 0 or high[0] < low[0] or (high[0] - low[0]) / step[0] > MOST_VALUES:
            raise RequestError(
                f"'{text}' for {what}; expected from:to:step, such as -0.1:0.1:0.05, at most {MOST_VALUES} values"
            )
        count = int((high[0] - low[0]) / step[0] + 1e-9) + 1
        asked = [(low[0] + k * step[0], relative) for k in range(count)]
    else:
        alone = _CHANGE.fullmatch(text.strip())
        asked = [_change(part, what) for part in ([text] if alone else text.split(","))]
    if any(relative for _, relative in asked) and now is None:
        raise RequestError(f"'{text}' for {what}: {what} was not measured here; expected a size without a sign")
    return [round((now or 0.0) * relative + value, DECIMALS) for value, relative in asked]


def _change(text: str, what: str) -> tuple[float, bool]:
    """Return a number in its column's unit, and whether it is a change."""
    match = _CHANGE.fullmatch(text.strip())
    if (
        match is None
        or ((match["unit"] or "").lower() in ("cm3", "cm\u00b3")) > (what == "chamber")
        or (what == "chamber" and (match["unit"] or "cm3").lower() not in ("cm3", "cm\u00b3"))
    ):
        raise RequestError(f"'{text}' for {what}; expected a change such as +0.1mm, or a size such as 2.1")
    sign = -1.0 if match["sign"] in ("-", "\u2212") else 1.0
    size = float(match["number"].replace(",", ".")) * _IN_COLUMNS[(match["unit"] or "").lower()]
    return sign * size, match["sign"] is not None
