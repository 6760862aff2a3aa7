"""Readings that calibrate a house: a reed on the stiffness bench, a mounted reed pressed shut."""

from __future__ import annotations

import datetime as dt
from typing import Annotated, ClassVar, Literal

from matchkit.records.quantity import OtherUnit, Quantity, Record


class ClosingTest(Record):
    """How hard a narrow bar must press on a mounted reed until a feeler is just held at the tip."""

    key: ClassVar[tuple[str, ...]] = ("mouthpiece_id", "reed_id", "place_mm", "gap_mm", "state", "date", "repeat")

    mouthpiece_id: Annotated[str, Quantity("mouthpiece it was done on", refers_to="mouthpieces")]
    reed_id: Annotated[str, Quantity("reed it was done with", refers_to="reeds")]
    repeat: Annotated[int | None, Quantity("number of the reading, where it was taken again", "", 1, 100)] = None
    place_mm: Annotated[float, Quantity("tip of the mouthpiece to the bar", "mm", 1, 25)]
    gap_mm: Annotated[float, Quantity("feeler that is just held at the tip", "mm", 0.03, 3)]
    mass_g: Annotated[float, Quantity("what the kitchen scale shows", "g", 5, 5000)]
    state: Annotated[Literal["dry", "wet"], Quantity("state of the reed")] = "wet"
    date: Annotated[dt.date | None, Quantity("day, as 2026-01-31")] = None
    note: Annotated[str | None, Quantity("free text")] = None


class BenchReading(Record):
    """A weight on a reed and how far the bar sank; several weights on one reed are better than one."""

    key: ClassVar[tuple[str, ...]] = ("profile_id", "strength", "reed", "load_n")

    profile_id: Annotated[str, Quantity("which profile")]
    strength: Annotated[float, Quantity("strength number on the box", "", 0, 10)]
    reed: Annotated[str, Quantity("which reed of the box, any mark")]
    load_n: Annotated[float, Quantity("force on the bar", "N", 0.05, 20, accepts=(OtherUnit("mass_g", "grams", 9.80665e-3),))]
    sink_mm: Annotated[float, Quantity("how far the bar sank", "mm", 0.01, 10)]
    state: Annotated[Literal["dry", "wet"], Quantity("state of the reed")] = "dry"
