"""Building a record from values, with what is wrong said field by field."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, TypeVar

from pydantic import BaseModel, ValidationError
from pydantic_core import ErrorDetails

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


_NUMBER, _FLAG = "a number", "true or false"
_EXPECTED = {
    "missing": "a value",
    "value_error": "{error}",
    "literal_error": "{expected}",
    "too_short": "{min_length} of them or more",
    "greater_than": "a number above {gt:g}",
    "greater_than_equal": "a number of {ge:g} or more",
    "less_than": "a number below {lt:g}",
    "less_than_equal": "a number of {le:g} or less",
    **dict.fromkeys(("float_type", "float_parsing", "int_type", "int_parsing", "int_from_float", "finite_number"), _NUMBER),
    **dict.fromkeys(("bool_type", "bool_parsing"), _FLAG),
    **dict.fromkeys(("tuple_type", "list_type"), "a list, in brackets"),
    **dict.fromkeys(("model_type", "model_attributes_type", "dict_type"), "a table, in braces"),
    "string_type": "a text, in quotes",
}
"""What is expected where the schema's library refuses a value, by its kind of refusal; other kinds are told in its words."""


def _expected(slip: ErrorDetails) -> str:
    """Return what was expected instead of a value that was refused."""
    words = _EXPECTED.get(slip["type"])
    return slip["msg"] if words is None else words.format(**slip.get("ctx", {}))


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
                _expected(slip),
                slip["type"] == "extra_forbidden",
                tuple(slip["loc"]),
            )
            for slip in error.errors()
        ]
