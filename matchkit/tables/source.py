"""What a source holds: its tables as they were read, and the records of a house that came out of them."""

from __future__ import annotations

from collections.abc import Mapping
from collections.abc import Set as AbstractSet
from dataclasses import dataclass, field
from typing import TypeVar

from matchkit.errors import Problem
from matchkit.records.calibration import ClosingTest
from matchkit.records.parts import FacingReading, LayPoint, Ligature, Mouthpiece, Neck, ProfilePoint, Reed, StrengthStep
from matchkit.records.people import Loan, Player, Playtest
from matchkit.records.quantity import Record
from matchkit.records.spec import HouseSpec
from matchkit.records.trials import Trial
from matchkit.tables.read.sheet import Reading

SPEC_FILE = "house.toml"

Row = TypeVar("Row", bound=Record)


@dataclass(frozen=True)
class Tables:
    """Every record of a house, table by table, in the order of the files; rows that were corrected are left out."""

    source: str
    mouthpieces: tuple[Mouthpiece, ...]
    facings: tuple[FacingReading, ...]
    lay_points: tuple[LayPoint, ...]
    reeds: tuple[Reed, ...]
    reed_profiles: tuple[ProfilePoint, ...]
    strength_scale: tuple[StrengthStep, ...]
    ligatures: tuple[Ligature, ...]
    closing_tests: tuple[ClosingTest, ...]
    necks: tuple[Neck, ...]
    players: tuple[Player, ...]
    playtests: tuple[Playtest, ...]
    trials: tuple[Trial, ...]
    loans: tuple[Loan, ...]
    spec: HouseSpec
    warnings: tuple[Problem, ...] = ()


@dataclass
class SourceReading:
    """Every table of a source as it was read, before anything is refused."""

    source: str
    tables: dict[str, Reading]
    spec: HouseSpec = field(default_factory=HouseSpec)
    spec_text: str | None = None
    """The text of house.toml, where there is one."""
    elsewhere: Mapping[str, AbstractSet[str]] = field(default_factory=dict)
    """Ids, by table, that are known from elsewhere and may be pointed at."""
    problems: list[Problem] = field(default_factory=list)
    warnings: list[Problem] = field(default_factory=list)

    def rows(self, table: str, model: type[Row]) -> list[tuple[int, Row]]:
        """Return row numbers and records of a table, empty where it is missing."""
        reading = self.tables.get(table)
        if reading is None:
            return []
        return [(row, record) for row, record in zip(reading.rows, reading.records, strict=True) if isinstance(record, model)]

    def file(self, table: str) -> str:
        """Return the name of a table's file or sheet, for messages."""
        reading = self.tables.get(table)
        return reading.source if reading is not None else f"{table}.csv"
