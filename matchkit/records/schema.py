"""The tables of a house and the record each one holds."""

from __future__ import annotations

from matchkit.records.calibration import ClosingTest
from matchkit.records.parts import FacingReading, LayPoint, Ligature, Mouthpiece, Neck, ProfilePoint, Reed, StrengthStep
from matchkit.records.people import Loan, Player, Playtest
from matchkit.records.quantity import Record
from matchkit.records.trials import Trial

TABLES: dict[str, type[Record]] = {
    "mouthpieces": Mouthpiece,
    "facings": FacingReading,
    "lay_points": LayPoint,
    "reeds": Reed,
    "reed_profiles": ProfilePoint,
    "strength_scale": StrengthStep,
    "ligatures": Ligature,
    "closing_tests": ClosingTest,
    "necks": Neck,
    "players": Player,
    "playtests": Playtest,
    "loans": Loan,
    "trials": Trial,
}
"""In the order in which a house is filled in."""

REQUIRED_TABLES = ("mouthpieces", "reeds", "ligatures")
"""Without these there is nothing to rank; every other table may be missing."""
