"""What is wrong now: first what costs nothing, then a wish.

The steps are common practice, no source; each is a thing to try, not a promise.
"""

from __future__ import annotations

from dataclasses import dataclass

from matchkit.errors import RequestError

SEAL = "seal: close the shank with the palm, draw air, and see that the reed holds a few seconds; if not, wet or flatten it"
PLACE_BACK = "reed place: move the reed back by a quarter of a millimetre"
PLACE_FORWARD = "reed place: move the reed forward by a quarter of a millimetre"
STRAIGHT = "reed place: set the reed straight, flush with the tip rail and even on both rails"
ANOTHER = "another reed of the same box"
LIGATURE = "ligature place: move it a little, and tighten it no more than the reed needs to stay"
PULL_OUT = "pull on the neck: draw the mouthpiece out by a millimetre and tune again in the middle"
PUSH_IN = "pull on the neck: push the mouthpiece in by a millimetre and tune again in the middle"


@dataclass(frozen=True)
class Complaint:
    """What to try first, in order, and the wish that follows if it does not help (None where no wish would)."""

    free: tuple[str, ...]
    wish: str | None


COMPLAINTS: dict[str, Complaint] = {
    "squeaks": Complaint((SEAL, STRAIGHT, ANOTHER, LIGATURE), "more even"),
    "stuffy low notes": Complaint((SEAL, PLACE_BACK, ANOTHER, LIGATURE), "freer"),
    "tired lip": Complaint((PLACE_BACK, ANOTHER), "freer"),
    "closes up": Complaint((PLACE_FORWARD, ANOTHER), "more resistance"),
    "hard to start": Complaint((SEAL, PLACE_BACK, ANOTHER, LIGATURE), "freer"),
    "thin high notes": Complaint((PLACE_FORWARD, ANOTHER, LIGATURE), "more resistance"),
    "flat high notes": Complaint((PLACE_FORWARD, ANOTHER, PUSH_IN), "more resistance"),
    "sharp high notes": Complaint((PLACE_BACK, ANOTHER, PULL_OUT), "freer"),
}


def find_complaint(word: str) -> Complaint:
    """Give the complaint of this name; raises RequestError for one that is not known.

    >>> find_complaint("tired-lip").wish
    'freer'
    """
    name = " ".join(word.lower().replace("-", " ").split())
    if name not in COMPLAINTS:
        raise RequestError(f"'{word}' is not a complaint known here: one of {', '.join(COMPLAINTS)}")
    return COMPLAINTS[name]
