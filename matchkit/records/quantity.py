"""The annotation that makes a field a measured quantity, and the base of every record."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any, ClassVar

from annotated_types import Ge, GroupedMetadata, Le
from pydantic import BaseModel, ConfigDict


@dataclass(frozen=True)
class OtherUnit:
    """A second column for the same quantity, in the unit a gauge may be marked in."""

    column: str
    unit: str
    factor: float
    """What one of these is in the field's own unit."""


@dataclass(frozen=True)
class Quantity(GroupedMetadata):
    """What a field means, its unit and the values it may take.

    ``low`` and ``high`` are inclusive limits outside which a value is surely a slip; pydantic enforces them.
    """

    meaning: str
    unit: str = ""
    low: float | None = None
    high: float | None = None
    accepts: tuple[OtherUnit, ...] = ()
    refers_to: str | None = None
    """The table whose ids this field holds."""

    def __iter__(self) -> Iterator[Any]:
        if self.low is not None:
            yield Ge(self.low)
        if self.high is not None:
            yield Le(self.high)


class Record(BaseModel):
    """One row of a table; frozen, and it knows where it was read."""

    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False)

    key: ClassVar[tuple[str, ...]] = ("id",)
    """The columns that no two rows may share."""


def quantities(model: type[Record]) -> dict[str, Quantity]:
    """Return the quantity of each field, in column order.

    Raises TypeError where a field has none: a column nobody described.
    """
    found: dict[str, Quantity] = {}
    for name, info in model.model_fields.items():
        described = [item for item in info.metadata if isinstance(item, Quantity)]
        if len(described) != 1:
            raise TypeError(f"{model.__name__}.{name} must carry one Quantity")
        found[name] = described[0]
    return found
