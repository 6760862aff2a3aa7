"""What may be asked: refusals that hang on a question rather than on parts, and complaints.

A complaint is first what costs nothing, then a wish. The steps are common practice, no source; each is a thing to try, not a promise.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Literal

import numpy as np
from numpy.typing import NDArray

from matchkit import constants
from matchkit.errors import RequestError
from matchkit.facts import PARTS, Assumed, Refusal
from matchkit.names import nearly
from matchkit.parts.reed import ReedPart, bench_stiffness_n_per_m
from matchkit.parts.typed import main_scale
from matchkit.score.wishes import Wishes, understand
from matchkit.units import KPA

if TYPE_CHECKING:
    from matchkit.parts.stock import Parts
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


def incomparable(reeds: Sequence[ReedPart], view: PlayerView) -> Flags:
    """Return which reeds (R,) cannot be compared with the one that is played, or where nothing is played with the house's others.

    Raises RequestError where a strength was typed that none here can be compared with.
    """
    mine = [part for part in reeds if part.reed.instrument == view.player.instrument]
    if view.present is None:
        main = main_scale(mine)
        return np.array([main not in ("", part.scale) for part in reeds], dtype=bool)
    own = view.present.reed
    apart = np.array([part.scale != own.scale for part in reeds], dtype=bool)
    typed = any(item.part == "reed" for item in view.typed)
    mine = [part for part in mine if part.id != own.id]
    if typed and mine and all(part.scale != own.scale for part in mine):
        raise RequestError(
            f"'{own.id}' cannot be compared with the reeds here, whose stiffness nobody measured: say its line too, "
            f"such as '{_example(mine, own.reed.strength)}', or ? where it is not known"
        )
    return apart


def _example(reeds: Sequence[ReedPart], strength: float) -> str:
    lines = [part.reed.profile_id for part in reeds if part.reed.profile_id]
    return f"{lines[0]} {strength:g}" if lines else reeds[0].id


def _goes_right(part: ReedPart, present: ReedPart, direction: int) -> bool:
    """Tell whether a reed is softer (direction below 0) or harder on the bench, as far as that is known."""
    if part.scale != present.scale:
        return True  # not comparable: not checked, never refused
    step = math.log(bench_stiffness_n_per_m(part) / bench_stiffness_n_per_m(present))
    return step * direction > 1e-9


def keep_others(change: str | None, view: PlayerView, parts: Parts) -> dict[str, tuple[Any, ...]]:
    """Return the present parts to keep where only one may change, none for a ligature nobody told; RequestError where they are not known."""
    if change is None:
        return {}
    if change not in PARTS:
        raise RequestError(f"'{change}' cannot be the part to change; expected {', '.join(PARTS)}")
    needed = {"mouthpiece": view.present_facing, "reed": view.present_reed}
    lacking = [part for part, theirs in needed.items() if part != change and theirs is None]
    if lacking:
        options = " and ".join(f"--now-{part}" for part in lacking)
        raise RequestError(f"only the {change} may change from what? say what they play now ({options})")
    ligature = () if view.ligature_id is None else (parts.ligature(view.ligature_id),)
    kept = {"mouthpiece": (view.present_facing,), "reed": (view.present_reed,), "ligature": ligature}
    return {part: theirs for part, theirs in kept.items() if part != change}


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


def understand_all(wishes: Sequence[str], complaints: Mapping[str, Complaint]) -> Wishes:
    """Read wishes and those behind complaints together; opposites are told in the words that were said."""
    behind = {name: item.wish for name, item in complaints.items() if item.wish is not None}
    try:
        return understand([*wishes, *behind.values()])
    except RequestError:
        if not behind:
            raise
        understand(wishes)
        said = [*(f"'{wish}'" for wish in wishes), *(f"'{name}' ({wish})" for name, wish in behind.items())]
        raise RequestError(f"{' and '.join(said)} ask for opposites: which of them is it?") from None


FreeStep = Literal["seal", "back", "forward", "straight", "another", "ligature", "pull out", "push in"]
"""What can be tried for nothing: the seal, the reed's place, another reed of the box, the ligature's place, the pull on the neck."""


@dataclass(frozen=True)
class Complaint:
    """What to try first, in order, and the wish that follows if it does not help (None where no wish would)."""

    free: tuple[FreeStep, ...]
    wish: str | None


COMPLAINTS: dict[str, Complaint] = {
    "squeaks": Complaint(("seal", "straight", "another", "ligature"), "more even"),
    "stuffy": Complaint(("seal", "back", "another", "ligature"), "freer"),
    "stuffy low notes": Complaint(("seal", "back", "another", "ligature"), "freer"),
    "hard to blow": Complaint(("back", "seal", "another"), "freer"),
    "hard to start": Complaint(("seal", "back", "another", "ligature"), "freer"),
    "airy": Complaint(("seal", "straight", "back", "another"), "freer"),
    "tired lip": Complaint(("back", "another"), "freer"),
    "too soft": Complaint(("forward", "another"), "more resistance"),
    "closes up": Complaint(("forward", "another"), "more resistance"),
    "buzzy": Complaint(("forward", "another", "ligature"), "more resistance"),
    "thin high notes": Complaint(("forward", "another", "ligature"), "more resistance"),
    "flat": Complaint(("push in", "forward", "another"), "more resistance"),
    "flat high notes": Complaint(("forward", "another", "push in"), "more resistance"),
    "sharp": Complaint(("pull out", "back", "another"), "freer"),
    "sharp high notes": Complaint(("back", "another", "pull out"), "freer"),
    "uneven": Complaint(("seal", "straight", "another", "ligature"), "more even"),
    "too quiet": Complaint(("another", "ligature"), "bigger sound"),
    "too much air": Complaint(("another", "forward"), "less air"),
    "too bright": Complaint(("another", "ligature"), "darker"),
    "too dark": Complaint(("another", "ligature"), "brighter"),
}
"""What people complain of, what costs nothing and comes first, and the wish behind it."""

_ALSO = {
    "squeaky": "squeaks",
    "chirps": "squeaks",
    "whistles": "squeaks",
    "muffled": "stuffy",
    "stuffed": "stuffy",
    "choked": "stuffy",
    "weak low notes": "stuffy low notes",
    "low notes do not speak": "stuffy low notes",
    "too hard": "hard to blow",
    "heavy": "hard to blow",
    "too resistant": "hard to blow",
    "too much resistance": "hard to blow",
    "resistant": "hard to blow",
    "slow to start": "hard to start",
    "does not speak": "hard to start",
    "breathy": "airy",
    "hisses": "airy",
    "sore lip": "tired lip",
    "biting": "tired lip",
    "tiring": "tired lip",
    "too easy": "too soft",
    "too free": "too soft",
    "shuts": "closes up",
    "chokes up": "closes up",
    "buzzes": "buzzy",
    "edgy": "buzzy",
    "thin": "thin high notes",
    "flat on top": "flat high notes",
    "sharp on top": "sharp high notes",
    "too flat": "flat",
    "too sharp": "sharp",
    "too small": "too quiet",
    "not loud enough": "too quiet",
    "quiet": "too quiet",
    "takes too much air": "too much air",
    "out of breath": "too much air",
    "shrill": "too bright",
    "harsh": "too bright",
    "bright": "too bright",
    "dull": "too dark",
    "dark": "too dark",
}
"""Other words for the same."""


def find_complaint(word: str) -> tuple[str, Complaint]:
    """Return a complaint with its name here, by that or by another word for it; raises RequestError with near words for one that is not known.

    >>> find_complaint("tired-lip")[1].wish, find_complaint("muffled")[0]
    ('freer', 'stuffy')
    """
    said = " ".join(word.lower().replace("-", " ").split())
    name = _ALSO.get(said, said)
    if name not in COMPLAINTS:
        near = nearly(said, [*COMPLAINTS, *_ALSO], alike=0.6)
        meant = f"did you mean {', '.join(near)}?" if near else f"expected one of {', '.join(COMPLAINTS)}"
        raise RequestError(f"'{word}' is not a complaint known here; {meant}")
    return name, COMPLAINTS[name]
