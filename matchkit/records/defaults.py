"""What is assumed where a house has not measured: one value per instrument, each with its uncertainty."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Annotated, ClassVar

from matchkit.constants import Instrument
from matchkit.records.quantity import Quantity, Record


class DefaultValue(Record):
    """One row of ``data/defaults.csv``."""

    key: ClassVar[tuple[str, ...]] = ("instrument", "name", "x_mm")

    instrument: Annotated[Instrument, Quantity("instrument it holds for")]
    name: Annotated[str, Quantity("what is assumed")]
    x_mm: Annotated[float | None, Quantity("distance from the reed's tip, for a thickness", "mm", 0, 60)] = None
    value: Annotated[float, Quantity("assumed value, in the unit of the name", "", -1000, 1000)]
    u: Annotated[float, Quantity("standard uncertainty", "", 0, 1000)]


@dataclass(frozen=True)
class Assumed:
    """A value that was not measured, with its standard uncertainty."""

    value: float
    u: float


class Defaults:
    """Assumed values by instrument and name; KeyError for one that is not in the table."""

    def __init__(self, rows: Iterable[DefaultValue]) -> None:
        rows = tuple(rows)
        self.numbers = sorted((row.instrument, row.name, row.x_mm or 0.0, row.value, row.u) for row in rows)
        """Every value with its place and doubt, in order: what the table says, to tell one table from another."""
        self._scalars: dict[tuple[str, str], Assumed] = {}
        self._profiles: dict[tuple[str, str], list[tuple[float, float]]] = defaultdict(list)
        for row in rows:
            if row.x_mm is None:
                self._scalars[row.instrument, row.name] = Assumed(row.value, row.u)
            else:
                self._profiles[row.instrument, row.name].append((row.x_mm, row.value))

    def scalar(self, instrument: str, name: str) -> Assumed:
        """Return an assumed value such as ``facing_length_mm``."""
        return self._scalars[instrument, name]

    def profile(self, instrument: str, cut: str) -> list[tuple[float, float]]:
        """Return the generic profile of a cut as places and thicknesses in mm, tip first."""
        return sorted(self._profiles[instrument, f"thickness_{cut}_mm"])
