"""What is wrong now: first what costs nothing, then a wish.

The steps are common practice, no source; each is a thing to try, not a promise.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from matchkit.errors import RequestError

FreeStep = Literal["seal", "back", "forward", "straight", "another", "ligature", "pull out", "push in"]
"""What can be tried for nothing: the seal, the reed's place, another reed of the box, the ligature's place, the pull on the neck."""


@dataclass(frozen=True)
class Complaint:
    """What to try first, in order, and the wish that follows if it does not help (None where no wish would)."""

    free: tuple[FreeStep, ...]
    wish: str | None


COMPLAINTS: dict[str, Complaint] = {
    "squeaks": Complaint(("seal", "straight", "another", "ligature"), "more even"),
    "stuffy low notes": Complaint(("seal", "back", "another", "ligature"), "freer"),
    "tired lip": Complaint(("back", "another"), "freer"),
    "closes up": Complaint(("forward", "another"), "more resistance"),
    "hard to start": Complaint(("seal", "back", "another", "ligature"), "freer"),
    "thin high notes": Complaint(("forward", "another", "ligature"), "more resistance"),
    "flat high notes": Complaint(("forward", "another", "push in"), "more resistance"),
    "sharp high notes": Complaint(("back", "another", "pull out"), "freer"),
}


def find_complaint(word: str) -> Complaint:
    """Return the complaint of this name; raises RequestError for one that is not known.

    >>> find_complaint("tired-lip").wish
    'freer'
    """
    name = " ".join(word.lower().replace("-", " ").split())
    if name not in COMPLAINTS:
        raise RequestError(f"'{word}' is not a complaint known here: one of {', '.join(COMPLAINTS)}")
    return COMPLAINTS[name]
