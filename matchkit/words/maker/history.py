"""A piece before and after, for its maker: what changed, as far as the gauge can tell, and what each set of readings says."""

from __future__ import annotations

from collections.abc import Sequence

from matchkit.constants import TWO_SIDED
from matchkit.maker.measure.history import Changed, FacingHistory, SetRead, Size, StopMoved
from matchkit.maker.measure.stations import RAILS
from matchkit.words.numbers import plus_minus, signed
from matchkit.words.screen import Screen, Table, listed, screen, sentences


def history_screen(found: FacingHistory) -> Screen:
    """Return the screen of a piece over its sets of readings."""
    titles = ("read on", "tip mm", "facing mm", "left - right, mean mm", "smooth µm")
    return screen(
        [_change(found, change) for change in found.changes]
        or [f"{found.mouthpiece_id} was read once: there is nothing to hold it against."],
        "",
        Table(titles, tuple(map(_row, found.sets)), right=(1, 2, 3, 4)),
        "",
        (_stops(change) for change in found.changes),
        "Each ± holds 19 times of 20. The latest readings count for what is asked today; a playtest goes by those of its day.",
    )


def _day(day: str | None) -> str:
    return "an unknown day" if day is None else day


def _change(found: FacingHistory, change: Changed) -> str:
    told = [
        text
        for text in (
            _told(change.tip_opening_mm, "the tip", "wider", "closer", 2),
            _told(
                change.facing_length_mm,
                "the facing" if change.one_rail is None else f"the {change.one_rail} rail",
                "longer",
                "shorter",
                1,
            ),
        )
        if text
    ]
    rails = {one.day: one.rails_mm for one in found.sets}
    was, now = rails.get(change.before), rails.get(change.after)
    if change.rails_mm is not None and change.rails_mm.sure and was is not None and now is not None:
        told.append(f"the rails were {_apart(was)} and are {_apart(now)}")
    if not change.facing_length_mm.sure:
        told += _moved(change.moved)
    head = f"{found.mouthpiece_id} from {_day(change.before)} to {_day(change.after)}"
    if not told:
        return f"{head}: nothing changed that the gauge can tell."
    return sentences(f"{head}: {', '.join(told)}", DOUBTS[change.doubt])


DOUBTS = {
    None: None,
    "all alike": "every feeler moved the same way, the thickest too, and the tip did not: look at the zero of the gauge first",
    "exchanged": "the rails are as they were, the other way round: were left and right exchanged?",
    "grew back": "nothing that comes off makes a facing shorter or a tip closer: was the table faced down, or is a zero off?",
}


def _moved(moved: Sequence[StopMoved]) -> list[str]:
    """Return which feelers stop elsewhere."""
    told = []
    for further, way in ((True, "further from the tip"), (False, "nearer the tip")):
        rails = {
            rail: {stop.feeler_mm for stop in moved if stop.rail == rail and (stop.by_mm.value > 0) == further}
            for rail in RAILS
        }
        both = rails["left"] & rails["right"]
        for where, feelers in (("", both), *((f" on the {rail} rail", mine - both) for rail, mine in rails.items())):
            if feelers:
                s, stop = ("", "stops") if len(feelers) == 1 else ("s", "stop")
                told.append(f"the {listed([f'{feeler:g}' for feeler in sorted(feelers)])} mm feeler{s} {stop} {way}{where}")
    return told


def _apart(rails: Size) -> str:
    """Return how far the stops of the two rails lie apart on average, and which rail is the shorter one."""
    if not rails.sure:
        return "alike"
    return f"{abs(rails.value):.2f} mm apart ({'left' if rails.value < 0 else 'right'} one short)"


def _told(size: Size, what: str, more: str, less: str, digits: int) -> str:
    if not size.sure:
        return ""
    return f"{what} {plus_minus(abs(size.value), size.u, digits, 'mm')} {more if size.value > 0 else less}"


def _row(one: SetRead) -> tuple[str, ...]:
    rails = "-" if one.rails_mm is None else _size(one.rails_mm, 2)
    smooth = "-" if one.smoothness_um is None else f"{one.smoothness_um:.0f}"
    alone = f" ({one.rails_read[0]})" if len(one.rails_read) == 1 else ""
    return _day(one.day), _size(one.tip_opening_mm, 2), f"{_size(one.facing_length_mm, 1)}{alone}", rails, smooth


def _size(size: Size, digits: int) -> str:
    return f"{round(size.value, digits) + 0.0:.{digits}f} ± {TWO_SIDED * size.u:.{digits}f}"


def _stops(change: Changed) -> str:
    """Return how far the feelers moved, rail by rail, where any surely did."""
    if not (change.facing_length_mm.sure or change.tip_opening_mm.sure or change.moved):
        return ""
    sides = []
    for rail in change.rails:
        moved = ", ".join(f"{stop.feeler_mm:g} by {signed(stop.by_mm.value, 2)}" for stop in change.stops if stop.rail == rail)
        if moved:
            sides.append(f"on the {rail} rail {moved}")
    when = f"{_day(change.before)} to {_day(change.after)}"
    return sentences(f"{when}, feelers moved {'; '.join(sides)} mm, away from the tip where above 0") if sides else ""
