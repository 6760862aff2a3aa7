"""A gauge study: several people read several pieces several times."""

from __future__ import annotations

from typing import Annotated, ClassVar, Literal

from matchkit.records.quantity import OtherUnit, Quantity, Record
from matchkit.units import MM_PER_INCH


class StudyReading(Record):
    """One reading of one piece by one person."""

    key: ClassVar[tuple[str, ...]] = ("quantity", "piece", "operator", "repeat")

    quantity: Annotated[
        Literal["stop", "tip_opening", "other"],
        Quantity("what was read: where a feeler stops, the tip opening, or something else"),
    ] = "other"
    piece: Annotated[str, Quantity("which piece")]
    operator: Annotated[str, Quantity("code of the person who read it, never a name")]
    repeat: Annotated[int, Quantity("first, second, third reading", "", 1, 1000)]
    reading_mm: Annotated[
        float, Quantity("what was read", "mm", -100, 100, accepts=(OtherUnit("reading_in", "inches", MM_PER_INCH),))
    ]
