"""One dial reading of a reed on the stiffness bench."""

from __future__ import annotations

from typing import Annotated, ClassVar, Literal

from matchkit.records.quantity import OtherUnit, Quantity, Record


class BenchReading(Record):
    """A weight on a reed and how far the bar sank; several weights on one reed are better than one."""

    key: ClassVar[tuple[str, ...]] = ("profile_id", "strength", "reed", "load_n")

    profile_id: Annotated[str, Quantity("which profile")]
    strength: Annotated[float, Quantity("strength number on the box", "", 0, 10)]
    reed: Annotated[str, Quantity("which reed of the box, any mark")]
    load_n: Annotated[float, Quantity("force on the bar", "N", 0.05, 20, accepts=(OtherUnit("mass_g", "grams", 9.80665e-3),))]
    sink_mm: Annotated[float, Quantity("how far the bar sank", "mm", 0.01, 10)]
    state: Annotated[Literal["dry", "wet"], Quantity("state of the reed")] = "dry"
