"""What may be asked: refusals that hang on a question rather than on parts, and complaints.

A complaint is first what costs nothing, then a wish. The steps are common practice, no source; each is a thing to try, not a promise.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

import numpy as np
from numpy.typing import NDArray

from matchkit import constants
from matchkit.errors import RequestError
from matchkit.facts import PARTS, Assumed, Refusal
from matchkit.parts.reed import ReedPart, bench_stiffness_n_per_m
from matchkit.score.wishes import Wishes
from matchkit.units import KPA

if TYPE_CHECKING:
    from matchkit.score.player import PlayerView

Flags = NDArray[np.bool_]
MOST_JOBS = 64


def check_request(*, top: int = 1, jobs: int = 1, budget: float | None = None) -> None:
    """Refuse a question that cannot be meant."""
    if top < 1:
        raise RequestError(f"top is {top}; ask for one set-up or more")
    if jobs == 0:
        raise RequestError("jobs is 0; 1 works alone, -1 uses every core")
    if abs(jobs) > MOST_JOBS:
        raise RequestError(f"jobs is {jobs}; expected at most {MOST_JOBS} workers, or -1 for every core")
    if budget is not None and not budget >= 0:
        raise RequestError(f"the budget is {budget:g}; expected 0 or more")


def check_wishes(wishes: Wishes, view: PlayerView) -> None:
    """Refuse a wish that needs a present set-up where there is none."""
    if wishes.reed and view.present is None:
        raise RequestError(
            "a softer or harder reed than which? give the present mouthpiece and reed, or wish for 'freer' instead"
        )
    if wishes.tone and view.present_facing is None:
        raise RequestError("brighter or darker than what? give the present mouthpiece")


def wrong_order(reeds: Sequence[ReedPart], view: PlayerView, wishes: Wishes) -> tuple[Flags, Refusal]:
    """Return which reeds (R,) a wish for a softer or harder one rules out, and the reason."""
    reason = Refusal.NOT_SOFTER if wishes.reed < 0 else Refusal.NOT_HARDER
    present = view.present
    if not wishes.reed or present is None:
        return np.zeros(len(reeds), dtype=bool), reason
    return np.array([not _goes_right(part, present.reed, wishes.reed) for part in reeds], dtype=bool), reason


def _goes_right(part: ReedPart, present: ReedPart, direction: int) -> bool:
    """Tell whether a reed is softer (direction below 0) or harder; by bench stiffness, or by strength where only labels are known."""
    if part.scale is not None or present.scale is not None:
        if part.scale != present.scale:
            return True  # not comparable: not checked, never refused
        return (part.reed.strength - present.reed.strength) * direction > 0
    step = math.log(bench_stiffness_n_per_m(part) / bench_stiffness_n_per_m(present))
    return step * direction > 1e-9


def keep_others(change: str | None, view: PlayerView) -> dict[str, str]:
    """Return the present parts to keep where only one may change; RequestError where they are not parts of the house."""
    if change is None:
        return {}
    if change not in PARTS:
        raise RequestError(f"'{change}' cannot be the part to change; expected {', '.join(PARTS)}")
    if view.present is None or view.typed:
        raise RequestError(
            f"only the {change} may change from what? the present mouthpiece and reed must be parts of this house"
        )
    owned = zip(PARTS, view.owned, strict=True)
    return {part: name for part, name in owned if part != change and name is not None}


def assumed_of(view: PlayerView) -> tuple[Assumed, ...]:
    """Return what is assumed about a player."""
    found = []
    if view.blow_source != "measured":
        found.append(Assumed("blowing pressure", view.blow_pa / KPA, "kPa", view.blow_source))
    found.append(Assumed("lip force", view.lip_force_n, "N", view.lip_source))
    if view.player.lip_mm is None:
        found.append(Assumed("lip place", constants.LIP_PLACE[view.player.instrument], "mm"))
    if view.neck_assumed and view.neck is not None:
        found.append(Assumed("neck", view.neck.bore_mm, "mm"))
    return tuple(found)


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
