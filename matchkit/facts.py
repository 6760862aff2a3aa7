"""What was assumed, not measured, not checked or refused, as values that travel with an answer.

No sentence is made here and none is read anywhere: :mod:`matchkit.words` says them.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from typing import Literal, NamedTuple

Part = Literal["mouthpiece", "reed", "ligature"]
PARTS: tuple[Part, ...] = ("mouthpiece", "reed", "ligature")


class PartIds(NamedTuple):
    """A set-up by the ids of its parts, None where one is not known or not there."""

    mouthpiece: str | None
    reed: str | None
    ligature: str | None = None


Guess = Literal[
    "facing length",
    "facing shape",
    "facing shape, few feelers",
    "other rail",
    "profile",
    "part of the profile",
    "stiffness by strength number",
    "stiffness by comparison",
    "stiffness between strengths",
    "wetting",
    "blowing pressure",
    "lip force",
    "lip place",
    "neck",
    "gauge",
    "growth of side rails",
]
"""What may be assumed, for want of a measurement."""


@dataclass(frozen=True)
class Assumed:
    """One thing that was not measured, with what it was taken as where that is a number or a name."""

    what: Guess
    value: float | None = None
    unit: str = ""
    like: str = ""
    """The rail that stands for the other, the gauge's quantity, or where a player's number comes from."""


@dataclass(frozen=True)
class KnownOnly:
    """A part of the present set-up that was typed: a mouthpiece by its tip opening in mm, a reed by its strength and perhaps its line."""

    part: Part
    value: float
    line: str = ""
    cut: str = ""
    """Filed or unfiled, where that was said."""
    other_cut: float | None = None
    """How many half strengths unfiled reeds of the house are harder than filed ones of one number, where the cut was not said."""


@dataclass(frozen=True)
class Elsewhere:
    """What somebody plays on another instrument: a hint of their taste, in half strengths from the middle of that instrument, where that is known."""

    instrument: str
    steps: float | None


class Refusal(StrEnum):
    """Why two parts cannot be put together, or are not offered."""

    WRONG_INSTRUMENT = "wrong instrument"
    OUT_OF_STOCK = "out of stock"
    RETIRED = "no longer offered"
    REED_TOO_NARROW = "reed narrower than the window and one rail"
    VAMP_TOO_SHORT = "vamp ends too near the facing's end"
    NOT_SOFTER = "not softer than the present reed"
    NOT_HARDER = "not harder than the present reed"
    NOT_COMPARABLE = "reed cannot be compared with the present one"
    LIGATURE_TOO_SMALL = "ligature too small for the body"
    LIGATURE_TOO_LARGE = "ligature too large for the body"
    OVER_BUDGET = "over the budget"
    THEIRS_STAYS = "a ligature that nobody told stays on their own mouthpiece"


FITS = ""
"""Stands where a :class:`Refusal` would, if there were one."""

Unchecked = Literal["reed width", "vamp length", "ligature size"]
"""What of the fit could not be checked for want of a measurement."""

Doubt = Literal["tip", "facing", "window", "stiffness", "profile", "reed place", "wet factor", "scale"]
UNCERTAINTIES: tuple[Doubt, ...] = ("tip", "facing", "window", "stiffness", "profile", "reed place", "wet factor", "scale")
"""What the uncertainty of the closing pressure is made of, in this order."""

SHARED: tuple[Doubt, ...] = ("wet factor", "scale")
"""Those of them that all set-ups of a house share: they stand with absolute pressures, and cancel in every difference."""


@dataclass(frozen=True)
class MeasureNext:
    """The one measurement that would narrow an answer most: against a ``doubt`` of the closing pressure, or for a ``term`` not known."""

    doubt: Doubt | None = None
    term: str = ""
    of_present: bool = False
    """Whether the part to measure is one that the customer plays now."""


Sure = Literal["surely", "probably", "perhaps"]


@dataclass(frozen=True)
class Change:
    """How much more (above 0) or less of something a set-up has than the present one, in steps, and how sure the direction is."""

    steps: float
    sure: Sure


@dataclass(frozen=True)
class Feel:
    """What will feel different from the present set-up; None where it cannot be compared or is not known.

    ``tone`` runs from -1 (darker) to 1 (brighter). ``closes_up`` says that the reed shuts before the lip does anything, at a blowing pressure
    that was measured or is that of the present set-up.
    """

    resistance: Change | None = None
    opening: Change | None = None
    tone: float | None = None
    comparable: bool = True
    closes_up: bool = False


@dataclass(frozen=True)
class Aimed:
    """What a question aims at: the present set-up, the middle of set-ups that were liked, or of all that fit; and how a wish moves it.

    ``likes`` counts the liked ones, ``lines`` names the lines of reeds that are aimed at by themselves. ``resistance`` and ``opening`` are steps.
    """

    at: Literal["present", "liked", "fitting", "by line", "nothing"]
    likes: int = 0
    resistance: int = 0
    opening: int = 0
    level: str = ""
    """Beginner, intermediate or advanced, where that moved it."""
    elsewhere: Elsewhere | None = None
    """What they play on another instrument, where that moved it."""


@dataclass(frozen=True)
class ModelUse:
    """What scores are learned from: how many playtests, and which model.

    ``use`` says whether a file was taken as it is, taken with marks ``since``, or a model was fitted in memory; ``why`` the reason for the last.
    """

    tests: int
    loans: int = 0
    """How many of these are no playtests but what was taken home and kept, or brought back."""
    invented: bool = False
    use: Literal["nothing", "file", "memory"] = "memory"
    name: str = ""
    since: int = 0
    changed: int = 0
    why: Literal["", "other rules", "other parts", "marks changed", "unreadable"] = ""
    error: str = ""
