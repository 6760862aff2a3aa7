"""What a question gives back: one base for its JSON form, its flat rows and its table."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import asdict, fields, is_dataclass
from functools import lru_cache
from types import UnionType
from typing import TYPE_CHECKING, Any, ClassVar, Union, get_args, get_origin, get_type_hints

if TYPE_CHECKING:
    import pandas as pd

Progress = Callable[[int, int], None]
"""What long work tells: steps done, and steps in all."""


def _no_pictures(answer: Any, ax: Any) -> Any:
    del answer, ax
    raise TypeError("pictures come with a house: matchkit.open()")


_PICTURES: list[Callable[[Any, Any], Any]] = [_no_pictures]
"""Who draws an answer; the room of the house says so, as this one knows of no pictures."""


def drawn_by(draw: Callable[[Any, Any], Any]) -> None:
    """Say who draws answers."""
    _PICTURES[0] = draw


@lru_cache
def flat_columns(kind: type) -> tuple[str, ...]:
    """Return the names of a dataclass's fields that fit one row of a table, by their types: nested ones are left out."""
    hints = get_type_hints(kind)
    return tuple(field.name for field in fields(kind) if not _is_nested(hints[field.name]))


def _is_nested(hint: Any) -> bool:
    """Tell whether a value of this type, or of one of several, holds other values."""
    kind = get_origin(hint) or hint
    if kind in (Union, UnionType):
        return any(_is_nested(each) for each in get_args(hint))
    return isinstance(kind, type) and (is_dataclass(kind) or issubclass(kind, tuple | list | Mapping))


def flat(row: Any) -> dict[str, Any]:
    """Return the fields of a row or an answer that fit one row of a table."""
    return {name: getattr(row, name) for name in flat_columns(type(row))}  # type: ignore[arg-type]


class Answer:
    """Base of what a question gives back; subclasses are frozen dataclasses and name their ``schema``.

    ``table_of`` names the field that holds the rows of the table, where it is not the answer itself; ``row_type`` is what stands in it,
    which says the columns where there is no row.
    """

    schema: ClassVar[str]
    table_of: ClassVar[str] = ""
    row_type: ClassVar[type | None] = None

    def to_dict(self) -> dict[str, Any]:
        """Return the JSON form."""
        return {"schema": f"matchkit.{self.schema}/1", **asdict(self)}  # type: ignore[call-overload]

    def flat_rows(self) -> list[dict[str, Any]]:
        """Return flat rows, nested fields left out."""
        return [flat(row) for row in getattr(self, self.table_of)] if self.table_of else [flat(self)]

    def columns(self) -> list[str]:
        """Return the columns of the table, those of an empty one too."""
        rows = self.flat_rows()
        if rows:
            return list(rows[0])
        return list(flat_columns(type(self) if self.row_type is None else self.row_type))

    def plot(self, ax: Any = None) -> Any:
        """Draw it, into matplotlib axes or a figure of its own; return the axes. TypeError for an answer that has no picture."""
        return _PICTURES[0](self, ax)

    def to_frame(self) -> pd.DataFrame:
        """Return the rows as a pandas table."""
        import pandas as pd

        return pd.DataFrame(self.flat_rows(), columns=self.columns())
