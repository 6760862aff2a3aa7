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


def _expected(message: str) -> str:
    few = re.match(r"(?:Tuple|List) should have at least (\d+) items", message)
    return f"{few[1]} of them or more" if few else message.removeprefix("Input should be ").removeprefix("Value error, ")


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
