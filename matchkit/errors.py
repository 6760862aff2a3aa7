"""What can go wrong, and one line of a table that is wrong.

Every error is a :class:`MatchkitError` and also the built-in a caller would catch without knowing this package.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

_SECRET = re.compile(r"\b[a-z][a-z0-9+.-]*:/+(?=.*[@=])|\S+:[^\s/\\@]*@|\b(?:passw|pwd|secret)\w*\s*[=:]", re.IGNORECASE)
"""What may begin an address with a password in it."""


def without_secrets(text: str) -> str:
    """Return a message without what may be an address with a password: the rest of such a line is left out.

    >>> "boss" in without_secrets("no player has the id 'postgresql://boss:x@shop/y'")
    False
    """
    lines = ((line, _SECRET.search(line)) for line in text.split("\n"))
    return "\n".join(line if found is None else f"{line[: found.start()]}\N{HORIZONTAL ELLIPSIS}" for line, found in lines)


def safe_name(source: str | Path) -> str:
    """Return a name as it may be shown: as it is, unless it could hold a password.

    >>> safe_name("shop.sqlite"), safe_name("host=shop password=x")
    ('shop.sqlite', 'a name that may hold a password, and is not shown')
    """
    text = str(source)
    hidden = "://" in text or _SECRET.search(text)
    return "a name that may hold a password, and is not shown" if hidden else text


@dataclass(frozen=True)
class Problem:
    """One thing that is wrong in a table.

    ``row`` counts as a spreadsheet does (the header is row 1, blank rows count); it is None where a whole file is meant.
    """

    source: str
    row: int | None
    column: str | None
    read: str
    expected: str
    hint: str = ""
    cause: str = ""
    """Which slip it is, where one slip makes many values: those of one cause in a column are told once."""
    of_all: bool = False
    """Whether the whole column or table has it, and not the row alone."""

    def __str__(self) -> str:
        place = self.source
        if self.row is not None:
            place += f", row {self.row}"
        if self.column is not None:
            place += f", column {self.column}"
        text = f"{place}: read {self.read}; expected {self.expected}"
        return f"{text} ({self.hint})" if self.hint else text

    def to_dict(self) -> dict[str, Any]:
        """Return the fields by name, for JSON."""
        return {
            "source": self.source,
            "row": self.row,
            "column": self.column,
            "read": self.read,
            "expected": self.expected,
            "hint": self.hint,
        }


LISTED = 20
"""So many problems of one file and column are listed in text; the rest are counted."""
FEW, SHORT = 3, 25
"""So many other values of one slip are shown, where they are no longer than this."""


def listing(problems: Iterable[Problem]) -> list[str]:
    """Return problems as lines: one slip of a column once, with how many rows have it; beyond the first twenty of a column a count.

    >>> listing([Problem("reeds.csv", row, "cut", "'x'", "filed or unfiled") for row in range(2, 100)])
    ["reeds.csv, row 2, column cut: read 'x'; expected filed or unfiled; so in 98 rows"]
    >>> units = [Problem("reeds.csv", row, "strength", f"'{row} mm'", "a number", cause="unit") for row in range(2, 100)]
    >>> listing(units)
    ["reeds.csv, row 2, column strength: read '2 mm'; expected a number; so in 98 rows: '3 mm', '4 mm', '5 mm' and others"]
    """
    lines: list[str] = []
    counts: dict[tuple[str, str | None], int] = {}
    equal: dict[tuple[object, ...], list[Problem]] = {}
    for problem in problems:
        slip = (problem.cause,) if problem.cause else (problem.read, problem.expected, problem.hint)
        equal.setdefault((problem.source, problem.column, problem.row is None, *slip), []).append(problem)
    for same in equal.values():
        problem = same[0]
        place = (problem.source, problem.column)
        counts[place] = counts.get(place, 0) + 1
        if counts[place] <= LISTED:
            lines.append(f"{problem}; so in {len(same)} rows{_others(same)}" if len(same) > 1 else str(problem))
    for (source, column), count in counts.items():
        if count > LISTED:
            where = source if column is None else f"{source}, column {column}"
            lines.append(f"{where}: and {count - LISTED} more")
    return lines


def _others(same: Sequence[Problem]) -> str:
    """Return a few of the other values that one slip made."""
    _, *others = dict.fromkeys(problem.read for problem in same)
    if any(len(read) > SHORT for read in others):
        return ""
    more = " and others" if len(others) > FEW else ""
    return f": {', '.join(others[:FEW])}{more}" if others else ""


def is_database(path: Path) -> bool:
    """Tell whether a file is an SQLite database, which no answer may be written over."""
    if not path.is_file():
        return False
    with path.open("rb") as file:
        return file.read(16) == b"SQLite format 3\0"


class MatchkitError(Exception):
    """Base of every error this package raises on purpose. Its words never hold an address with a password."""

    def __init__(self, *words: object) -> None:
        super().__init__(*(without_secrets(word) if isinstance(word, str) else word for word in words))


class DataError(MatchkitError, ValueError):
    """Tables that cannot be used; ``problems`` lists everything that is wrong with them."""

    def __init__(self, problems: Iterable[Problem]) -> None:
        self.problems = tuple(problems)
        count = len(self.problems)
        head = f"{count} problem{'' if count == 1 else 's'} in the tables"
        super().__init__("\n".join([head, *(f"  {line}" for line in listing(self.problems))]))

    def __reduce__(self) -> tuple[type[DataError], tuple[tuple[Problem, ...]]]:
        """Let a worker process hand the error on: it is made of its problems, not of its text."""
        return type(self), (self.problems,)


class UnknownIdError(MatchkitError, LookupError):
    """An id that is in no table."""


class RequestError(MatchkitError, ValueError):
    """A question that cannot be answered as it was put, such as two opposite wishes."""


class SourceError(MatchkitError, OSError):
    """A place that cannot be read or written."""


class ModelError(MatchkitError, OSError):
    """A model file that cannot be read, written or trusted."""


class PhysicsInputError(MatchkitError, ValueError):
    """A facing, reed or load that no beam can be computed from."""


class ContactError(MatchkitError, ArithmeticError):
    """A contact solution that does not satisfy its own conditions."""
