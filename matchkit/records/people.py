"""Players, as codes and never as names, and what they said of a set-up."""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from typing import Annotated, Literal

from matchkit.constants import Instrument
from matchkit.records.quantity import Quantity, Record

Rating = Annotated[float | None, Quantity("mark on a line from 0 to 10", "points", 0, 10)]


class Player(Record):
    """A player and the set-up they play now."""

    id: Annotated[str, Quantity("code of the player, never a name")]
    instrument: Annotated[Instrument, Quantity("what they play")]
    embouchure: Annotated[Literal["light", "medium", "firm"] | None, Quantity("how much they hold")] = None
    blow_kpa: Annotated[float | None, Quantity("blowing pressure at a comfortable loudness", "kPa", 0.3, 15)] = None
    lip_mm: Annotated[float | None, Quantity("tip to the lip's middle", "mm", 4, 18)] = None
    mouthpiece_id: Annotated[str | None, Quantity("mouthpiece they play now", refers_to="mouthpieces")] = None
    reed_id: Annotated[str | None, Quantity("reed they play now", refers_to="reeds")] = None
    ligature_id: Annotated[str | None, Quantity("ligature they play now", refers_to="ligatures")] = None
    neck_id: Annotated[str | None, Quantity("neck they play now", refers_to="necks")] = None


class Loan(Record):
    """A set-up, or a part of one, that somebody took home, and what became of it."""

    id: Annotated[str, Quantity("short code, one per row")]
    date: Annotated[dt.date | None, Quantity("day, as 2026-01-31")] = None
    player_id: Annotated[str, Quantity("who took it", refers_to="players")]
    mouthpiece_id: Annotated[str, Quantity("mouthpiece taken, or played with it", refers_to="mouthpieces")]
    reed_id: Annotated[str, Quantity("reed taken, or played with it", refers_to="reeds")]
    ligature_id: Annotated[str | None, Quantity("ligature taken, or played with it", refers_to="ligatures")] = None
    what: Annotated[Literal["taken", "returned", "kept"], Quantity("taken home, brought back, or bought")]
    note: Annotated[str | None, Quantity("free text")] = None


class Playtest(Record):
    """One set-up, played once by one player."""

    id: Annotated[str, Quantity("short code, one per row")]
    date: Annotated[dt.date | None, Quantity("day, as 2026-01-31")] = None
    player_id: Annotated[str, Quantity("who played", refers_to="players")]
    mouthpiece_id: Annotated[str, Quantity("mouthpiece played", refers_to="mouthpieces")]
    reed_id: Annotated[str, Quantity("reed played", refers_to="reeds")]
    ligature_id: Annotated[str | None, Quantity("ligature used", refers_to="ligatures")] = None
    session: Annotated[str | None, Quantity("which sitting it belongs to")] = None
    position: Annotated[int | None, Quantity("place in the order of that sitting", "", 1, 1000)] = None
    blind: Annotated[bool | None, Quantity("whether the player could not know the parts")] = None
    reed_offset_mm: Annotated[float, Quantity("reed's tip past the tip rail; 0 is flush", "mm", -3, 3)] = 0.0
    reed_age: Annotated[Literal["new", "broken in", "old"] | None, Quantity("age of the reed")] = None
    ease: Rating = None
    resistance: Rating = None
    brightness: Rating = None
    evenness: Rating = None
    overall: Rating = None
    note: Annotated[str | None, Quantity("free text")] = None
    corrects: Annotated[str | None, Quantity("earlier row that this one replaces", refers_to="playtests")] = None


def open_loans(loans: Sequence[Loan]) -> tuple[Loan, ...]:
    """Return what was taken and neither brought back nor kept since, in their order; who took two alike has two.

    What comes back without a word of its ligature is the first that was taken of that mouthpiece and reed.
    """
    out: list[Loan] = []
    for loan in loans:
        if loan.what == "taken":
            out.append(loan)
            continue
        back = next((one for one in out if is_of_loan(loan, one)), None)
        if back is not None:
            out.remove(back)
    return tuple(out)


def bought(loans: Sequence[Loan], player_id: str) -> frozenset[tuple[str, str]]:
    """Return what a player has bought, as kind of part and id: mouthpieces and ligatures that were kept; a reed that was is played out."""
    kept = [loan for loan in loans if loan.player_id == player_id and loan.what == "kept"]
    pieces = {("mouthpiece", loan.mouthpiece_id) for loan in kept}
    return frozenset(pieces | {("ligature", loan.ligature_id) for loan in kept if loan.ligature_id is not None})


def at_home(loans: Sequence[Loan], player_id: str) -> frozenset[tuple[str, str]]:
    """Return what a player took home and neither brought back nor kept yet, as kind of part and id."""
    mine = [loan for loan in open_loans(loans) if loan.player_id == player_id]
    parts = (("mouthpiece", "mouthpiece_id"), ("reed", "reed_id"), ("ligature", "ligature_id"))
    return frozenset(
        (kind, str(name)) for loan in mine for kind, column in parts if (name := getattr(loan, column)) is not None
    )


def is_of_loan(loan: Loan, taken: Loan) -> bool:
    """Tell whether what came back or was kept may be what was taken."""
    same = (loan.player_id, loan.mouthpiece_id, loan.reed_id) == (taken.player_id, taken.mouthpiece_id, taken.reed_id)
    return same and loan.ligature_id in (None, taken.ligature_id)
