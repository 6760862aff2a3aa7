"""What a customer says they play now, turned into a visitor: ids, a tip opening, a strength, or "?"."""

from __future__ import annotations

from matchkit.constants import INSTRUMENTS, UNKNOWN
from matchkit.errors import RequestError
from matchkit.names import nearly
from matchkit.parts.said import is_said, lines_of, read_strength, read_tip_mm, reed_of_line, usual_tip_mm
from matchkit.parts.stock import Parts
from matchkit.score.player import Visitor
from matchkit.score.target import LEVELS

EMBOUCHURES = ("light", "medium", "firm")


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

    ``mouthpiece`` is an id of the house, a tip opening, or "?"; ``reed`` an id, a strength with or without a cut or a line of
    the house before it ("2.5", "unfiled 2½", "alto-A 2.5"), or "?"; ``ligature`` an id, how it touches the reed ("plate"), or "?".
    Raises RequestError for anything else.
    """
    kind = read_instrument(instrument)
    if embouchure is not None and embouchure not in EMBOUCHURES:
        raise RequestError(f"'{embouchure}' as embouchure; expected {', '.join(EMBOUCHURES)}")
    if level is not None and level not in LEVELS:
        raise RequestError(f"'{level}' as level; expected {', '.join(LEVELS)}")
    if level is not None and UNKNOWN not in (mouthpiece, reed):
        raise RequestError(
            f"a level ('{level}') is for somebody without a set-up; who plays {mouthpiece} and {reed} is known better"
        )
    piece_ids = {part.id for part in parts.stock.mouthpieces}
    known_piece = mouthpiece if mouthpiece in piece_ids else None
    tip = None
    if known_piece is None and mouthpiece != UNKNOWN:
        near = [] if is_said("mouthpiece", mouthpiece) else nearly(mouthpiece, sorted(piece_ids), alike=0.7)
        if near:
            raise RequestError(f"no mouthpiece has the id '{mouthpiece}'; did you mean {', '.join(near)}?")
        tip = usual_tip_mm(read_tip_mm(mouthpiece), kind, mouthpiece)
    known_reed = reed if any(part.id == reed for part in parts.stock.reeds) else None
    said = None if known_reed or reed == UNKNOWN else read_strength(reed, lines_of(parts, kind))
    if said is not None and (same := reed_of_line(parts, said, kind)) is not None:
        known_reed, said = same, None
    return Visitor(
        instrument=kind,
        embouchure=embouchure,
        blow_kpa=_in_range(blow_kpa, "blowing pressure", "kPa", 0.3, 15),
        lip_mm=_in_range(lip_mm, "lip place", "mm", 4, 18),
        mouthpiece_id=known_piece,
        tip_opening_mm=tip,
        reed_id=known_reed,
        strength=None if said is None else said.strength,
        cut=None if said is None else said.cut,
        profile_id=None if said is None else said.profile_id,
        ligature_id=None if ligature == UNKNOWN else parts.ligature(ligature).id,
        level=level,
    )


def read_instrument(instrument: str) -> str:
    """Return an instrument by its name; raises RequestError for one that is not known."""
    for name in INSTRUMENTS:
        if name == instrument:
            return name
    raise RequestError(f"'{instrument}' as instrument; expected {', '.join(INSTRUMENTS)}")


def _in_range(value: float | None, what: str, unit: str, low: float, high: float) -> float | None:
    if value is not None and not low <= value <= high:
        raise RequestError(f"{what} {value:g} {unit}; expected {low:g} to {high:g} {unit}")
    return value
