"""What may be asked, and how a question's aim and assumptions are put into words."""

from __future__ import annotations

from matchkit import constants
from matchkit.errors import RequestError
from matchkit.match.setups import owned_parts
from matchkit.match.target import PlayerView, Targets
from matchkit.match.wishes import Wishes, shift_words

PARTS = ("mouthpiece", "reed", "ligature")


def aim_words(targets: Targets, wishes: Wishes) -> str:
    """Say what is aimed at, moved by the wishes."""
    moved = shift_words(wishes)
    return f"{moved} than {targets.words}" if moved and targets.known else targets.words


def check_wishes(wishes: Wishes, view: PlayerView) -> None:
    """Refuse a wish that needs a present set-up where there is none."""
    if wishes.reed and view.present is None:
        raise RequestError(
            "a softer or harder reed than which? give the present mouthpiece and reed, or wish for 'freer' instead"
        )
    if wishes.tone and view.present_facing is None:
        raise RequestError("brighter or darker than what? give the present mouthpiece")


def person_assumptions(view: PlayerView) -> tuple[str, ...]:
    """Name what is assumed about a player."""
    found = []
    if view.blow_source != "given":
        found.append(f"blowing pressure {view.blow_kpa:.1f} kPa ({view.blow_source})")
    found.append(f"lip load {view.lip_load_n:.1f} N ({view.lip_source})")
    if view.player.lip_mm is None:
        found.append(f"lip {constants.LIP_PLACE[view.player.instrument]:g} mm from the tip (assumed)")
    if view.neck_assumed and view.neck is not None:
        found.append(f"neck bore {view.neck.bore_mm:g} mm, half angle {view.neck.half_angle_deg:g} degrees (assumed)")
    return tuple(found)


def keep_others(change: str | None, view: PlayerView) -> dict[str, str]:
    """Give the present parts to keep where only one may change; RequestError where they are not parts of the house."""
    if change is None:
        return {}
    if change not in PARTS:
        raise RequestError(f"'{change}' cannot be the part to change; expected {', '.join(PARTS)}")
    owned = dict(zip(PARTS, owned_parts(view), strict=True))
    if view.present is None or view.typed:
        raise RequestError(
            f"only the {change} may change from what? the present mouthpiece and reed must be parts of this house"
        )
    return {part: name for part, name in owned.items() if part != change and name is not None}


MOST_JOBS = 64


def check_request(*, top: int, jobs: int, budget: float | None = None) -> None:
    """Refuse a question that cannot be meant."""
    if top < 1:
        raise RequestError(f"top is {top}; ask for one set-up or more")
    if jobs == 0:
        raise RequestError("jobs is 0; 1 works alone, -1 uses every core")
    if abs(jobs) > MOST_JOBS:
        raise RequestError(f"jobs is {jobs}; expected at most {MOST_JOBS} workers, or -1 for every core")
    if budget is not None and not budget >= 0:
        raise RequestError(f"the budget is {budget:g}; expected 0 or more")
