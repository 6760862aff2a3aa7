"""Building a record from values, with what is wrong said field by field."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, TypeVar

from pydantic import BaseModel, ValidationError

Model = TypeVar("Model", bound=BaseModel)


@dataclass(frozen=True)
class Slip:
    """One field that a model refuses."""

    field: str
    read: str
    expected: str
    unknown: bool = False
    """Whether the model has no such field at all."""
    path: tuple[str | int, ...] = ()
    """Where it stands, part by part."""


_IN_WORDS = (
    (r"(?:Tuple|List) should have at least (\d+) items.*", r"\1 of them or more"),
    (r"Input should be a valid dictionary or instance of Feature", "a table, as { nominal = 2.5, lower = -0.1, upper = 0.1 }"),
    (r"Input should be (?:a valid dictionary|an object).*", "a table, in braces"),
    (r"Input should be a valid (?:number|integer).*", "a number"),
    (r"Input should be a valid (?:tuple|list)", "a list, in brackets"),
    (r"Input should be a valid boolean.*", "true or false"),
    (r"Input should be a valid string", "a text, in quotes"),
    (r"Input should be greater than or equal to (.*)", r"a number of \1 or more"),
    (r"Input should be less than or equal to (.*)", r"a number of \1 or less"),
    (r"Input should be greater than (.*)", r"a number above \1"),
    (r"Input should be less than (.*)", r"a number below \1"),
    (r"Input should be (.*)", r"\1"),
    (r"Value error, (.*)", r"\1"),
)
"""What the schema's library says of a value, and how it is said here."""


def _expected(message: str) -> str:
    """Return what was expected, without the words of the schema's library.

    >>> _expected("Input should be less than or equal to 0"), _expected("Input should be a valid number, unable to parse string as a number")
    ('a number of 0 or less', 'a number')
    """
    for pattern, words in _IN_WORDS:
        if re.fullmatch(pattern, message):
            return re.sub(pattern, words, message, count=1)
    return message


def build(model: type[Model], values: Mapping[str, Any]) -> Model | list[Slip]:
    """Return the record, or everything that is wrong with the values.

    >>> from matchkit.records.spec import HouseSpec
    >>> build(HouseSpec, {"wish_step": 2})[0].field
    'wish_step'
    """
    try:
        return model.model_validate(values)
    except ValidationError as error:
        return [
            Slip(
                ".".join(str(part) for part in slip["loc"]),
                "" if slip["type"] == "missing" or isinstance(slip["input"], Mapping | BaseModel) else str(slip["input"]),
                "a value" if slip["type"] == "missing" else _expected(slip["msg"]),
                slip["type"] == "extra_forbidden",
                tuple(slip["loc"]),
            )
            for slip in error.errors()
        ]
