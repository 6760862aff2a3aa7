"""What a question gives back: one base for its JSON form, its flat rows and its table."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict, fields, is_dataclass
from typing import TYPE_CHECKING, Any, ClassVar

if TYPE_CHECKING:
    import pandas as pd

NESTED = (tuple, list, dict)


def flat(answer: Any) -> dict[str, Any]:
    """Return the fields of an answer that fit one row of a table: nested ones are left out."""
    return {
        field.name: value
        for field in fields(answer)
        if not isinstance(value := getattr(answer, field.name), NESTED) and not is_dataclass(value)
    }


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
        return [] if self.row_type is None else flat_columns(self.row_type)

    def to_frame(self) -> pd.DataFrame:
        """Return the rows as a pandas table."""
        import pandas as pd

        return pd.DataFrame(self.flat_rows(), columns=self.columns())


def flat_columns(kind: type) -> list[str]:
    """Return the names of a dataclass's fields that are not nested, by their annotations."""
    return [field.name for field in fields(kind) if not _nested(str(field.type))]


def _nested(annotation: str) -> bool:
    return annotation.startswith(("tuple", "list", "dict", "Mapping")) or annotation.partition(" |")[0] in _NESTED_TYPES


_NESTED_TYPES = ("Feel", "Interval", "Assumed")


def frame(rows: Sequence[dict[str, Any]], columns: Sequence[str] | None = None) -> pd.DataFrame:
    """Return rows as a pandas table."""
    import pandas as pd

    return pd.DataFrame(list(rows), columns=None if columns is None else list(columns))
