"""What somebody took home, as a mark: kept speaks for a set-up, brought back against it, and neither says much (assumed)."""

from __future__ import annotations

from matchkit import constants
from matchkit.records.people import Loan, Playtest


class TakenHome(Playtest):
    """A mark that nobody gave: what became of a loan."""


def mark_of(loan: Loan) -> TakenHome | None:
    """Return the mark that a loan counts as; None for one that is still out."""
    marks = {"kept": constants.KEPT_MARK.value, "returned": constants.RETURNED_MARK.value}
    if loan.what not in marks:
        return None
    return TakenHome(
        id=f"loan {loan.id}",
        date=loan.date,
        player_id=loan.player_id,
        mouthpiece_id=loan.mouthpiece_id,
        reed_id=loan.reed_id,
        ligature_id=loan.ligature_id,
        overall=marks[loan.what],
    )
