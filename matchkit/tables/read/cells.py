"""One cell: from what was typed to a value, or to what was expected instead."""

from __future__ import annotations

import math
import types
import typing
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from typing import Any

from matchkit.records.quantity import OtherUnit, Quantity
from matchkit.units import MM_PER_HALF_MM, MM_PER_INCH, MM_PER_THOU

_YES = {"yes", "true", "1", "y"}
_NO = {"no", "false", "0", "n"}
_SHOWN = 40


@dataclass(frozen=True)
class Refusal:
    """Why a cell could not be taken."""

    expected: str
    hint: str = ""
    read: str = ""
    """What was read, where the text of the cell does not say it."""
    cause: str = ""
    """Which slip it is, as far as the cell tells: those of a column are told once."""
    beyond: float | None = None
    """The number itself, in the field's unit, where it is out of range."""


@dataclass(frozen=True)
class CellType:
    """The type of a field without its wrapping: base type, choices, whether it may be blank."""

    base: type
    choices: tuple[str, ...]
    optional: bool


def cell_type(annotation: Any) -> CellType:
    """Unwrap a field's annotation.

    >>> cell_type(float | None).optional
    True
    """
    optional = False
    if typing.get_origin(annotation) in (types.UnionType, typing.Union):
        inner = [part for part in typing.get_args(annotation) if part is not type(None)]
        optional = len(inner) < len(typing.get_args(annotation))
        annotation = inner[0]
    if typing.get_origin(annotation) is typing.Literal:
        return CellType(str, tuple(str(choice) for choice in typing.get_args(annotation)), optional)
    return CellType(annotation, (), optional)


def shown(text: str) -> str:
    """Quote what was read, short and without control characters."""
    clean = "".join(character if character.isprintable() else "\N{REPLACEMENT CHARACTER}" for character in text)
    return f"'{clean if len(clean) <= _SHOWN else clean[:_SHOWN] + '…'}'"


def plain(number: float) -> str:
    """Write a number as a person would.

    >>> plain(1.92), plain(24.0), plain(1000000)
    ('1.92', '24', '1000000')
    """
    return f"{number:.0f}" if abs(number) >= 10_000 else f"{number:.4g}"


def parse_cell(
    text: str, kind: CellType, quantity: Quantity, *, other: OtherUnit | None = None, decimal_comma: bool
) -> Any | Refusal:
    """Return the value of a cell that is not blank, in the field's own unit, or why there is none.

    ``other`` is the unit of the column that was used, where that is not the field's own.
    """
    word = text.strip()
    if kind.choices:
        return _choice(word, kind.choices)
    if kind.base is str:
        return text
    if kind.base is bool:
        return word.lower() in _YES if word.lower() in _YES | _NO else Refusal("yes or no", cause="choice")
    if kind.base is date:
        return _parse_day(word)
    return _parse_number(word, kind, quantity, other=other, decimal_comma=decimal_comma)


def _choice(word: str, choices: Sequence[str]) -> str | Refusal:
    """Return the choice that a word is, or begins where no other begins so: L is left."""
    meant = [choice for choice in choices if choice.lower() == word.lower()] or [
        choice for choice in choices if choice.lower().startswith(word.lower())
    ]
    return meant[0] if len(meant) == 1 else Refusal("one of " + ", ".join(choices), cause="choice")


def _parse_day(word: str) -> date | Refusal:
    try:
        return date.fromisoformat(word)
    except ValueError:
        return Refusal("a day as 2026-01-31", "year first, with two digits for month and day", cause="day")


def _parse_number(
    word: str, kind: CellType, quantity: Quantity, *, other: OtherUnit | None, decimal_comma: bool
) -> float | int | Refusal:
    factor = 1.0 if other is None else other.factor
    expected = range_text(quantity, whole=kind.base is int, other=other)
    if word.startswith("="):
        return Refusal(expected, "this is a formula: paste its value", cause="formula")
    candidate = word.replace(",", ".") if decimal_comma and word.count(",") == 1 and "." not in word else word
    try:
        number = float(candidate)
    except ValueError:
        cause, hint = _text_slip(word)
        return Refusal(expected, hint, cause=cause)
    if not math.isfinite(number) or "_" in candidate:
        return Refusal(expected)
    if kind.base is int:
        if number != int(number):
            return Refusal(expected)
        number = int(number)
    value = number if kind.base is int else round(number * factor, 9)
    low, high = quantity.low, quantity.high
    if (low is not None and value < low) or (high is not None and value > high):
        cause, hint = _unit_slip(number, quantity) if other is None else ("other unit", _unit_hint(number, quantity))
        return Refusal(
            expected,
            hint,
            beyond=float(value),
            cause=cause if hint else "below" if low is not None and value < low else "above",
        )
    return value


def _unit_hint(number: float, quantity: Quantity) -> str:
    """Say where a number in a column of another unit would be right in the field's own."""
    low, high = quantity.low, quantity.high
    fits = low is not None and high is not None and low <= number <= high
    return f"{plain(number)} looks like {quantity.unit}" if fits else ""


def _text_slip(word: str) -> tuple[str, str]:
    """Name the slip of a text where a number belongs, and say how to mend it, as far as that can be told."""
    if word.count(",") == 1 and word.replace(",", "").isdigit():
        return "comma", f"decimal comma? write {word.replace(',', '.')}"
    if word.lstrip("$£€ ").replace(",", "").replace(".", "").isdigit() and word.lstrip("$£€ ") != word:
        return "money", "the number alone, without a sign of money"
    digits = word.rstrip("abcdefghijklmnopqrstuvwxyzABCDEFGHIJKLMNOPQRSTUVWXYZ\"'% ")
    if digits != word and digits:
        return f"unit {word[len(digits) :].strip()}", "the number alone; the unit is in the column's name"
    return "text", ""


def range_text(quantity: Quantity, *, whole: bool = False, other: OtherUnit | None = None) -> str:
    """Say what numbers a field takes, in the unit of the column that was used.

    >>> range_text(Quantity("tip", "mm", 0.5, 4))
    'a number from 0.5 to 4 mm'
    >>> range_text(Quantity("tip", "mm", 0.5, 4), other=OtherUnit("tip_in", "inches", 25.4))
    'a number from 0.01969 to 0.1575 inches'
    """
    text = "a whole number" if whole else "a number"
    factor, unit = (1.0, quantity.unit) if other is None else (other.factor, other.unit)
    if quantity.low is not None and quantity.high is not None:
        text += f" from {plain(quantity.low / factor)} to {plain(quantity.high / factor)}"
    return f"{text} {unit}".rstrip()


SMALL_MM = 4.0
"""Sizes that are no larger than this are measured in micrometres as well."""


def _unit_slip(number: float, quantity: Quantity) -> tuple[str, str]:
    """Name the slip that would bring a length into range, and say what it would then be."""
    if quantity.low is None or quantity.high is None:
        return "", ""
    if quantity.unit == "" and quantity.high <= 10 and quantity.high < number <= 10 * quantity.high:
        return "point", f"{plain(number)} looks like {number / 10:.4g} without its point"
    if quantity.unit != "mm":
        return "", ""
    if number < 0 and quantity.low <= -number <= quantity.high and -quantity.low < quantity.high / 2:
        return "sign", f"{plain(number)} looks like {plain(-number)} with its sign turned"
    if number <= 0:
        fits = number < -1 and quantity.low <= number / 1000
        hint = f"{plain(number)} looks like thousandths of a mm (µm): that is {number / 1000:.4g} mm"
        return ("µm", hint) if fits else ("", "")
    half = next((unit for unit in quantity.accepts if unit.factor == MM_PER_HALF_MM), None)
    guesses: tuple[tuple[float, str], ...] = (
        *([] if half is None else [(number * half.factor, f"{{0}} looks like {half.unit}, whose column is {half.column}")]),
        (number * MM_PER_INCH, "{0} looks like inches: that is {1} mm"),
        (number / 100, "{0} looks like {1} mm in hundredths"),
        (number * MM_PER_THOU, "{0} looks like thousandths of an inch: that is {1} mm"),
        (number / 10, "{0} looks like {1} mm in tenths"),
        (number / 1000, "{0} looks like thousandths of a mm (µm): that is {1} mm"),
    )
    if quantity.high > SMALL_MM and number != int(number):
        point = (number / 10, "{0} looks like {1} mm without its point")
        guesses = (guesses[0], point, *guesses[1:-2], guesses[-1]) if half is not None else (point, *guesses[:-2], guesses[-1])
    if quantity.high <= SMALL_MM:  # feelers and tips: micrometres come to mind first
        guesses = (guesses[0], guesses[-1], *guesses[1:-1])
    fitting = [(value, wording) for value, wording in guesses if quantity.low <= value <= quantity.high][:2]
    cause = "; or ".join(wording for _, wording in fitting)
    return cause, "; or ".join(wording.format(plain(number), f"{value:.4g}") for value, wording in fitting)


def units_of_all(numbers: Sequence[float], quantity: Quantity) -> list[str]:
    """Return the units, two at most, by which all of some lengths in mm that are out of range come into it.

    >>> units_of_all([2519.1, 389.6, -6.3], Quantity("height", "mm", -0.5, 4))
    ['thousandths of a mm (µm)']
    """
    low, high = quantity.low, quantity.high
    if quantity.unit != "mm" or low is None or high is None:
        return []
    if all(low <= -number <= high for number in numbers):
        return ["numbers with their sign turned"]
    units: tuple[tuple[float, str], ...] = (
        (1e-3, "thousandths of a mm (µm)"),
        (MM_PER_INCH, "inches"),
        (MM_PER_THOU, "thousandths of an inch"),
        (0.5, "half millimetres"),
        (0.01, "hundredths of a mm"),
        (0.1, "tenths of a mm"),
    )
    return [name for factor, name in units if all(low <= number * factor <= high for number in numbers)][:2]
