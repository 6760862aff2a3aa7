"""What a customer says they play, turned into a visitor: ids, a tip opening, a strength, or "?"."""

from __future__ import annotations

import re

from matchkit.constants import INSTRUMENTS, UNKNOWN
from matchkit.errors import RequestError
from matchkit.names import nearly
from matchkit.parts.stock import Parts
from matchkit.score.player import Visitor
from matchkit.score.target import LEVELS
from matchkit.units import inch_to_mm, thou_to_mm

_TIP = re.compile(r"(?P<number>\d*[.,]?\d+)\s*(?P<unit>mm|thou|in|inch|inches|\")?", re.IGNORECASE)
_REED = re.compile(r"(?:(?P<family>.+?)\s+)?(?P<strength>\d+(?:[.,]\d+)?)")
_TIP_MM = (0.5, 4.0)
_TIP_THOU = (20.0, 160.0)
_MAX_STRENGTH = 10.0
_CUTS = ("filed", "unfiled")
EMBOUCHURES = ("light", "medium", "firm")


def read_tip_mm(text: str) -> float:
    """Read a tip opening: mm, or thousandths of an inch; a bare number above 20 is thousandths.

    Raises RequestError for anything else, such as a maker's own number.

    >>> read_tip_mm("1.9"), round(read_tip_mm("75 thou"), 3), round(read_tip_mm("75"), 3), round(read_tip_mm(".075in"), 3)
    (1.9, 1.905, 1.905, 1.905)
    """
    match = _TIP.fullmatch(text.strip())
    if match is not None:
        number = float(match["number"].replace(",", "."))
        unit = (match["unit"] or "").lower()
        if unit == "thou" or (not unit and _TIP_THOU[0] <= number <= _TIP_THOU[1]):
            number = thou_to_mm(number)
        elif unit and unit != "mm":
            number = inch_to_mm(number)
        if _TIP_MM[0] <= number <= _TIP_MM[1]:
            return number
        if unit == "mm" and 10 <= number <= 10 * _TIP_MM[1]:
            raise RequestError(f"'{text}' as the present mouthpiece; expected a tip opening: did you mean {number / 10:.3g}mm?")
    expected = "a tip opening such as 1.9mm or 75thou, an id, or ?"
    raise RequestError(f"'{text}' as the present mouthpiece; expected {expected} (a maker's own number says nothing here)")


def read_visitor(
    parts: Parts,
    *,
    instrument: str,
    mouthpiece: str = UNKNOWN,
    reed: str = UNKNOWN,
    ligature: str = UNKNOWN,
    embouchure: str | None = None,
    blow_kpa: float | None = None,
    lip_mm: float | None = None,
    level: str | None = None,
) -> Visitor:
    """Read what a customer plays now.

    ``mouthpiece`` is an id of the house, a tip opening, or "?"; ``reed`` an id, a strength with or without a cut or a profile of
    the house before it ("2.5", "unfiled 2.5", "alto-A 2.5"), or "?"; ``ligature`` an id or "?". Raises RequestError for anything else.
    """
    kind = _read_instrument(instrument)
    if embouchure is not None and embouchure not in EMBOUCHURES:
        raise RequestError(f"'{embouchure}' as embouchure; expected {', '.join(EMBOUCHURES)}")
    if level is not None and level not in LEVELS:
        raise RequestError(f"'{level}' as level; expected {', '.join(LEVELS)}")
    if level is not None and UNKNOWN not in (mouthpiece, reed):
        raise RequestError(
            f"a level ('{level}') is for somebody without a set-up; who plays {mouthpiece} and {reed} is known better"
        )
    piece_ids = {part.id for part in parts.facings}
    reed_ids = {part.id for part in parts.reeds}
    known_piece = mouthpiece if mouthpiece in piece_ids else None
    tip = None
    if known_piece is None and mouthpiece != UNKNOWN:
        near = nearly(mouthpiece, sorted(piece_ids), alike=0.7)
        if near:
            raise RequestError(f"no mouthpiece has the id '{mouthpiece}'; did you mean {', '.join(near)}?")
        tip = read_tip_mm(mouthpiece)
    known_reed = reed if reed in reed_ids else None
    strength, cut, profile = (None, None, None) if known_reed or reed == UNKNOWN else _read_strength(reed, parts, kind)
    return Visitor(
        instrument=kind,
        embouchure=embouchure,
        blow_kpa=_in_range(blow_kpa, "blowing pressure", "kPa", 0.3, 15),
        lip_mm=_in_range(lip_mm, "lip place", "mm", 4, 18),
        mouthpiece_id=known_piece,
        tip_opening_mm=tip,
        reed_id=known_reed,
        strength=strength,
        cut=cut,
        profile_id=profile,
        ligature_id=None if ligature == UNKNOWN else parts.ligature(ligature).id,
        level=level,
    )


def _read_instrument(instrument: str) -> str:
    for name in INSTRUMENTS:
        if name == instrument:
            return name
    raise RequestError(f"'{instrument}' as instrument; expected {', '.join(INSTRUMENTS)}")


def _in_range(value: float | None, what: str, unit: str, low: float, high: float) -> float | None:
    if value is not None and not low <= value <= high:
        raise RequestError(f"{what} {value:g} {unit}; expected {low:g} to {high:g} {unit}")
    return value


def _read_strength(text: str, parts: Parts, instrument: str) -> tuple[float, str | None, str | None]:
    match = _REED.fullmatch(text.strip())
    if match is not None:
        strength = float(match["strength"].replace(",", "."))
        family = match["family"]
        mine = [part.reed for part in parts.reeds if part.reed.instrument == instrument]
        if _MAX_STRENGTH < strength <= 10 * _MAX_STRENGTH:
            raise RequestError(f"'{text}' as the present reed: did you mean {strength / 10:g}?")
        if strength <= _MAX_STRENGTH:
            if family is None:
                return strength, None, None
            if family.lower() in _CUTS:
                return strength, family.lower(), None
            cut = next((reed.cut for reed in mine if reed.profile_id == family), None)
            if cut is not None:
                return strength, cut, family
    expected = f"an id, a strength such as 2.5, 'unfiled 2.5', a profile of this house for {instrument} and a strength, or ?"
    raise RequestError(f"'{text}' as the present reed; expected {expected}")
