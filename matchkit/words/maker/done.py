"""A refacing held against its plan, for its maker."""

from __future__ import annotations

import math
from collections.abc import Sequence
from itertools import groupby

from matchkit.constants import TWO_SIDED
from matchkit.maker.reface.done import AgainstDrawing, RefaceDone, StopDone
from matchkit.words.maker.reface import target_words
from matchkit.words.numbers import plus_minus, signed
from matchkit.words.screen import Screen, Table, listed, screen, sentences


def done_screen(found: RefaceDone) -> Screen:
    """Return the screen of a plan that was carried out."""
    off = found.off
    fits = _fits(found)
    titles = ("feeler mm", "planned mm", "left mm", "off", "right mm", "off", "±")
    return screen(
        sentences(
            f"{found.mouthpiece_id} to {target_words(found.target)}: {_verdict(found, off)}",
            f"tip {plus_minus(found.tip_mm.value, found.tip_mm.u, 2, 'mm')}, planned {found.planned_tip_mm:.2f}",
            _apart(found),
        ),
        None if fits else _next(found, off),
        _out(found) if found.doubt is None else None,
        None
        if found.only_rail is None
        else f"Only the {found.only_rail} rail was read: read the other one too before you call it done.",
        "",
        Table(
            titles,
            tuple(_row(list(group)) for _, group in groupby(found.stops, key=lambda stop: stop.feeler_mm)),
            right=tuple(range(7)),
        ),
        "",
        "The plan is the one from the readings before; ± holds 19 times of 20.",
    )


def _fits(found: RefaceDone) -> bool:
    """Tell whether the drawing is met, as far as both rails say."""
    return found.drawing is not None and found.drawing.verdict == "pass" and found.only_rail is None


def _verdict(found: RefaceDone, off: Sequence[StopDone]) -> str:
    """Return whether it is done: the drawing decides where there is one, else the plan."""
    if _fits(found):
        return "meets its drawing, leave it as it is"
    if found.untouched and off:
        return "nothing has come off yet, as far as the gauge can tell"
    if found.doubt is not None and off:
        return "cannot be judged yet"
    return _by_plan(found, off)


def _by_plan(found: RefaceDone, off: Sequence[StopDone]) -> str:
    """Return how the facing lies to its plan."""
    past = _places([(stop.rail, stop.feeler_mm) for stop in _past_drawing(found, off)])
    short = _places([(stop.rail, stop.feeler_mm) for stop in off if stop.off_mm < 0])
    tip = found.tip_surely_off_mm
    if past:
        return f"past the plan on {listed(past)}"
    if short or tip < 0:
        return f"not yet as planned{f' on {listed(short)}' if short else ''}"
    if tip > 0:
        return "more open than planned"
    if found.rails_off:
        return listed(
            [
                f"on average {abs(one.mean_mm):.2f} mm {'past' if one.mean_mm > 0 else 'short of'} the plan on the {one.rail} rail"
                for one in found.rails_off
            ]
        )
    if found.drawing is not None and found.drawing.verdict == "fail":
        return "near the plan, and not within its drawing yet"
    near = found.drawing is not None and found.drawing.verdict == "inconclusive"
    return (
        "as planned, but too near a limit of its drawing to say that it meets it"
        if near
        else "as planned, as far as the gauge can tell"
    )


def _past_drawing(found: RefaceDone, off: Sequence[StopDone]) -> list[StopDone]:
    """Return the stops that are past the plan, and past the drawing where there is one: within it a rail is done."""
    past = [stop for stop in off if stop.off_mm > 0]
    if found.drawing is None:
        return past
    out = {(at.rail, at.feeler_mm) for at in found.drawing.out}
    return [stop for stop in past if (stop.rail, stop.feeler_mm) in out]


def _out(found: RefaceDone) -> str | None:
    """Return what is out of drawing, rail by rail."""
    if found.drawing is None or not found.drawing.out:
        return None
    told = _places([(at.rail or "", at.feeler_mm or 0.0) for at in found.drawing.out if at.feature == "stop_mm"])
    others = [at for at in found.drawing.out if at.feature != "stop_mm"]
    told += ["one rail against the other"] if any(at.feature == "rail_difference_mm" for at in others) else []
    told += ["the tip opening"] if any(at.feature == "tip_opening_mm" for at in others) else []
    return f"Out of drawing: {listed(told)}."


def _apart(found: RefaceDone) -> str | None:
    """Return how far the rails are apart, where they surely are."""
    rails = found.rails_mm
    if rails is None or abs(rails.value) <= TWO_SIDED * rails.u:
        return None
    return f"the rails are {abs(rails.value):.2f} mm apart, the {'left' if rails.value < 0 else 'right'} one short"


def _places(stops: Sequence[tuple[str, float]]) -> list[str]:
    """Return rails with their feelers, each feeler once.

    >>> _places([("left", 0.1), ("left", 0.2), ("right", 0.2)])
    ['both rails at 0.2 mm', 'the left rail at 0.1 mm']
    """
    rails = {rail: [feeler for name, feeler in stops if name == rail] for rail in ("left", "right")}
    both = [feeler for feeler in rails["left"] if feeler in rails["right"]]
    alone = {f"the {rail} rail": [feeler for feeler in mine if feeler not in both] for rail, mine in rails.items()}
    return [
        f"{rail} at {', '.join(f'{feeler:g}' for feeler in sorted(mine))} mm"
        for rail, mine in {"both rails": both, **alone}.items()
        if mine
    ]


DOUBTS = {
    "all alike": "Every feeler is off the plan by much the same on both rails: look at the zero of the gauge and at how the piece lay before anything else.",
    "exchanged": "The rails are as they were before the work, the other way round: were left and right exchanged?",
    "grew back": "Feelers stop nearer the tip than before the work, which taking off cannot do: was the table faced down, or is a zero off?",
}


def _next(found: RefaceDone, off: Sequence[StopDone]) -> list[str]:
    """Return what can be done about it."""
    told = []
    closer = found.tip_before_mm.value - found.tip_mm.value
    if closer > TWO_SIDED * math.hypot(found.tip_before_mm.u, found.tip_mm.u):
        told.append(
            f"The tip is {closer:.2f} mm closer than before, which taking off cannot do: was the table faced down, or is the zero of the tip gauge off?"
        )
    near = found.drawing is not None and found.drawing.verdict == "inconclusive"
    if found.untouched and off:
        return told
    if found.doubt is not None and off:
        return told or [DOUBTS[found.doubt]]
    if any(stop.off_mm < 0 for stop in off) and not near:
        told.append("Where a feeler stops too near the tip there is more to take off.")
    if _past_drawing(found, off) or found.tip_surely_off_mm > 0:
        told.append("What is past the plan cannot be brought back but by facing the table down.")
    elif found.drawing is not None and any(stop.off_mm > 0 for stop in off):
        told += _within(found.drawing)
    if near:
        told.append("Read it twice more before anything else comes off.")
    return told


def _within(drawing: AgainstDrawing) -> list[str]:
    """Return what can be done about what is past a plan, and not past the drawing."""
    out = {at.feature for at in drawing.out}
    if out == {"rail_difference_mm"}:
        return ["Each rail is within the drawing by itself: plan again from these readings, to level them."]
    return [] if out else ["What is past the plan is too near a limit of the drawing to say that it is out."]


def _row(stops: Sequence[StopDone]) -> tuple[str, ...]:
    first = stops[0]
    sides = {stop.rail: (f"{stop.read_mm:.2f}", signed(stop.off_mm, 2)) for stop in stops}
    doubt = TWO_SIDED * max(stop.u_off_mm for stop in stops)
    none = "-", "-"
    return (
        f"{first.feeler_mm:g}",
        f"{first.planned_mm:.2f}",
        *sides.get("left", none),
        *sides.get("right", none),
        f"{doubt:.2f}",
    )
