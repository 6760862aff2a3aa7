"""A refacing plan for the bench: what comes off where, what speaks against it, the steps, and the house reeds before and after."""

from __future__ import annotations

import math
from collections.abc import Sequence

from matchkit.constants import TWO_SIDED
from matchkit.maker.facts import Against, OutOfReach, RefaceTarget
from matchkit.maker.reface.plan import RefacePlan, Step
from matchkit.maker.reface.target import FURTHER_M
from matchkit.units import MM, UM
from matchkit.words.facts import assumed_words
from matchkit.words.maker.features import flaw_words
from matchkit.words.maker.reface_against import FIRST, LEAVE, against_words
from matchkit.words.maker.reface_reeds import WORSE, as_hard, closes_worse, reeds_blocks
from matchkit.words.screen import Block, Screen, Table, Text, listed, screen, sentences

CAUTIONS = (
    "Work wet: dust of hard rubber and of metal is harmful and must not be breathed.",
    "Wear a respirator and safety glasses, touch no swarf with bare fingers, keep food away, clean up wet.",
    "Old or plated pieces may hold hazardous metals: leave them to somebody equipped for it.",
    "Wash and disinfect the mouthpiece before it is played, and before it is handed on.",
    "Follow local rules, and ask a qualified person where you are not one.",
    "What is off stays off: measure after every step, and stop early.",
)

NEAR_TIP_MM = 0.05
LEAST_UM = 5.0
"""No hand takes off less."""
LITTLE_UM = 30.0
"""Below this the cautions are the first and the last three; dust is dust (assumed)."""


def _cautions(plan: RefacePlan) -> tuple[str, ...]:
    """Return the cautions, more of them the more comes off; none where nothing does."""
    most = max((step.most_removed_um for step in plan.steps), default=0.0)
    if most < 1:
        return ()
    return CAUTIONS if most >= LITTLE_UM else (CAUTIONS[0], *CAUTIONS[3:])


def reface_screen(plan: RefacePlan) -> Screen:
    """Return the screen of a plan; where nothing comes off there is none, and only what stands in the way is said."""
    if any(reason.why == "within its drawing" for reason in plan.do_not):
        return screen(
            f"{plan.mouthpiece_id} meets {target_words(plan.target)} as it stands: leave it.",
            _beside_drawing(plan) or "Nothing to do at the bench.",
        )
    if plan.target.met:
        return screen(_as_it_stands(plan), "Nothing to do at the bench.")
    other = next((reason for reason in plan.do_not if reason.why == "perhaps another model"), None)
    if other is not None:
        return screen(f"{plan.mouthpiece_id}: {against_words(other)}.")
    idle = max((step.most_removed_um for step in plan.steps), default=0.0) < LEAST_UM
    told = [reason for reason in plan.do_not if not _moot(reason, plan.do_not, idle=idle)]
    first = [sentences(against_words(reason)) for reason in told if reason.why in FIRST]
    against = [sentences(against_words(reason)) for reason in told if reason.why not in FIRST]
    if idle:
        until = " until that is looked at" if first else " until then" if against else ""
        return screen(*first, _verdict(plan), *against, *_unreached(plan), *_notes(plan), f"Nothing to do at the bench{until}.")
    return screen(
        *first,
        _verdict(plan),
        *closes_worse(plan),
        *as_hard(plan),
        *_more_even(plan),
        *against,
        *_unreached(plan),
        "",
        _removals(plan),
        "",
        "Take this much off where each feeler is to stop at last; ± is how well the facing is known there, 19 times of 20.",
        "Where what comes off is less than ±, creep up on it: it may be nothing." if _fine(plan) else None,
        *_notes(plan),
        "",
        *_cautions(plan),
        "",
        _steps(plan),
        "",
        reeds_blocks(plan),
        assumed_words([*plan.assumed, *plan.player]) or None,
    )


def _moot(reason: Against, reasons: Sequence[Against], *, idle: bool) -> bool:
    """Tell a reason that another one, or that nothing comes off, leaves nothing to say of: each asks for one thing to be done."""
    others = {other.why for other in reasons}
    if reason.why == "within the uncertainty":
        return idle or not others.isdisjoint(_READ_FIRST)
    return reason.why == "perhaps within its drawing" and not others.isdisjoint(_MEASURE_FIRST)


_READ_FIRST = ("perhaps within its drawing", "gauge too coarse for its drawing", "feelers too doubtful", "stops too coarse")
_MEASURE_FIRST = ("one rail",)


def target_words(target: RefaceTarget) -> str:
    """Return where a refacing goes, as a noun phrase."""
    if target.to == "drawing":
        return f"the drawing of {target.model}"
    if target.to == "piece":
        return f"the facing of {target.like_id}"
    if target.to == "tip" and target.keeps_resistance:
        which = "" if target.reed_named else " (of the house reeds the one nearest the middle of its range)"
        return f"a tip of {target.tip_opening_mm or 0.0:.2f} mm that {target.reed_id}{which} closes as hard as now, within a touch, with the least taken off"
    if target.to == "tip":
        return f"a fair curve with a tip of {target.tip_opening_mm or 0.0:.2f} mm"
    if target.to == "reed":
        asked = "the middle of the house's range" if target.middle else "what was asked"
        reached = target.closing_kpa if target.reaches_kpa is None else target.reaches_kpa
        return f"a facing that {target.reed_id} closes at {reached:.1f} kPa, within a touch of {asked} ({target.closing_kpa:.1f}), with the least taken off"
    return "the nearest fair curve, which takes off least"


def _more_even(plan: RefacePlan) -> list[str]:
    """Return what taking off more would gain, held against how well the facing is known."""
    target = plan.target
    if target.to == "drawing" and target.more_um is not None:
        return [told] if (told := _to_the_middle(plan, target.more_um)) else []
    if target.more_um is None or target.more_um < 1:
        return []
    more = f"taking off up to {target.more_um:.0f} µm more would"
    if target.to == "fair":
        return [
            sentences(
                f"leave it there: {more} reach the curve everywhere, but what is still low is less than the gauge can tell"
            )
        ]
    if target.closing_share is None or target.even_share is None or target.closing_share - target.even_share < WORSE:
        return []
    now, then = (f"{100 * share:.0f}" for share in (target.closing_share, target.even_share))
    return [
        sentences(
            f"the reed would close more evenly with more work: {more} leave {then} % of the opening when closed, not {now}",
            _known(plan),
        )
    ]


def _beside_drawing(plan: RefacePlan) -> list[str]:
    """Return the bumps and flats of a piece that is within its drawing, which limits none, and how to plan what mends them."""
    if not plan.flaws:
        return []
    shown = listed([flaw_words(flaw) for flaw in plan.flaws])
    return [
        sentences(f"{shown} {'shows' if len(plan.flaws) == 1 else 'show'} all the same; no drawing limits that"),
        f"matchkit facing {plan.mouthpiece_id} says whether to read it again; matchkit reface {plan.mouthpiece_id} without --to plans what would take it out.",
    ]


def _as_it_stands(plan: RefacePlan) -> str:
    """Return that a reed closes at the pressure that was wanted, as the piece is."""
    target = plan.target
    asked = "the middle of the house's range" if target.middle else "what was asked"
    return f"{target.reed_id} closes at {target.reaches_kpa or 0.0:.1f} kPa on {plan.mouthpiece_id} as it stands, within a touch of {asked} ({target.closing_kpa:.1f}): leave it."


def _known(plan: RefacePlan) -> str:
    known = sorted(TWO_SIDED * removal.u_um for removal in plan.removals)
    return f"the facing itself is known to ± {known[0]:.0f} to {known[-1]:.0f} µm"


def _to_the_middle(plan: RefacePlan, more_um: float) -> str:
    """Return how far within the limits of a drawing a plan stops, and what going on to its middle would take."""
    target = plan.target
    if any(reason.why in LEAVE for reason in plan.do_not):
        return ""
    if not target.sure:
        return sentences("it comes within the limits, but not by more than the gauge cannot tell: measure again after it")
    further = [f"up to {more_um:.0f} µm more off the rails"] if more_um >= LEAST_UM else []
    further += [f"{target.more_table_um:.0f} µm more off the table"] if (target.more_table_um or 0.0) >= LEAST_UM else []
    if not further:
        return ""
    known = _known(plan)
    middle = f"the middle of the drawing would take {' and '.join(further)}"
    levelled = any(abs(row.left_um - row.right_um) >= LEAST_UM for row in plan.removals)
    least = (
        "the rails are levelled wholly; beside that this is the least that meets the drawing"
        if levelled
        else "this is the least that meets the drawing"
    )
    inside = f"{least}; read again it may be too near a limit to say"
    return sentences(inside, middle, known)


def _verdict(plan: RefacePlan) -> str:
    size, down = plan.most_removed_um, plan.table_down_mm * MM / UM
    where = "at the tip" if plan.most_place_mm < NEAR_TIP_MM else f"{plan.most_place_mm:.1f} mm from the tip"
    before, after = f"{plan.tip_opening_mm:.2f}", f"{plan.target_tip_opening_mm:.2f}"
    tip = f"the tip stays at {after} mm" if before == after else f"the tip goes from {before} to {after} mm"
    work = (
        f"take off up to {size:.0f} µm, deepest {where}"
        if size >= LEAST_UM
        else "nothing comes off the rails"
        if down >= 1
        else "nothing comes off"
    )
    then = "then " if size >= LEAST_UM else ""
    work = f"face the table down by {down:.0f} µm, {then}{work}" if down >= 1 else work
    return sentences(f"{plan.mouthpiece_id} to {target_words(plan.target)}: {work}; {tip}")


def _fine(plan: RefacePlan) -> bool:
    """Tell whether something comes off that is less than what the facing is known to."""
    return any(0 < off < TWO_SIDED * removal.u_um for removal in plan.removals for off in (removal.left_um, removal.right_um))


def _unreached(plan: RefacePlan) -> list[str]:
    places = [f"{_where(place)} by {place.above_um:.0f} µm" for place in plan.unreached]
    if not places:
        return []
    if plan.target.to == "drawing" and plan.target.more_table_um:
        least = f"facing the table down by {plan.target.more_table_um * UM / MM:.2f} mm would bring it within its limits (--table-down), which is no small thing"
        return [sentences(f"out of reach by taking off alone: {_all_past(plan.unreached)}", least)]
    down = f"facing the table down by {plan.needs_table_down_mm:.2f} mm would mend it (--table-down), which is no small thing"
    return [sentences(f"out of reach: the facing is too open already {', '.join(places)}", down)]


def _where(place: OutOfReach) -> str:
    return "at the tip" if place.place_mm < NEAR_TIP_MM else f"{place.place_mm:.1f} mm from the tip"


def _all_past(places: Sequence[OutOfReach]) -> str:
    """Return what is too large already for a drawing."""
    if any(place.beyond_mm is None for place in places):
        return listed([f"{_where(place)} it is {place.above_um:.0f} µm more open than drawn" for place in places])
    tip = [f"the tip is open {place.beyond_mm:.2f} mm past its limit" for place in places if place.feeler_mm is None]
    feelers = [(place.feeler_mm, place.beyond_mm) for place in places if place.feeler_mm is not None]
    if len(feelers) == 1:
        tip += [f"the {feelers[0][0]:g} mm feeler stops {feelers[0][1]:.2f} mm past its {'own' if tip else 'limit'}"]
    elif feelers:
        tip += [f"feelers stop past their limits, {listed([f'{feeler:g} by {beyond:.2f} mm' for feeler, beyond in feelers])}"]
    return listed(tip)


def _removals(plan: RefacePlan) -> Table:
    rows = tuple(
        (
            f"{removal.place_mm:.1f}",
            "tip" if removal.place_mm == 0 else f"{removal.feeler_mm:.3f}",
            f"{removal.left_um:.0f}",
            f"{removal.right_um:.0f}",
            f"{TWO_SIDED * removal.u_um:.0f}",
        )
        for removal in plan.removals
    )
    return Table(("mm from tip", "feeler mm", "left rail µm", "right rail µm", "±"), rows, right=(0, 1, 2, 3, 4))


_PLAN_NOTES = {
    "break as far as it goes": f"The facing reaches as far back as a plan goes, {FURTHER_M / MM:g} mm behind its own.",
}


def _notes(plan: RefacePlan) -> list[str]:
    return [_PLAN_NOTES[note] for note in plan.notes]


# steps

_IDLE = ("rails", "curve", "tip")
"""Steps that are left out where there is nothing to do in them."""


def _steps(plan: RefacePlan) -> list[Block]:
    found: list[Block] = []
    before: Step | None = None
    worked = [step for step in plan.steps if not (step.idle and step.name in _IDLE)]
    for number, step in enumerate(worked, start=1):
        what, until = _step_words(plan, step)
        found.append(Text(f"{number}. {sentences(what, f'stop when {until}' if until else None)}", hang=3))
        after = _after(step, before)
        if after:
            found.append(Text(after, indent=3))
        before = step
    return found


def _after(step: Step, before: Step | None) -> str:
    """Return what to expect after a step, where it changes something."""
    stops, sizes = _stops(step), _sizes(step)
    told = [] if before is not None and (step.idle or stops == _stops(before)) else [stops]
    told += [size for size in sizes if before is None or size not in _sizes(before)]
    head = "now" if before is None else "then"
    return sentences(f"{head}: {', '.join(told)}") if told else ""


def _stops(step: Step) -> str:
    def one(left: float | None, right: float | None) -> str:
        sides = ["-" if side is None else f"{side:.1f}" for side in (left, right)]
        return sides[0] if sides[0] == sides[1] else f"{sides[0]} left and {sides[1]} right"

    feelers = ", ".join(f"{stop.feeler_mm:g} at {one(stop.left_mm, stop.right_mm)}" for stop in step.stops)
    return f"tip {step.tip_opening_mm:.2f} mm, feelers {feelers} mm"


def _sizes(step: Step) -> list[str]:
    sizes = (
        ("tip rail {:.2f} mm", step.tip_rail_mm),
        ("side rails {:.2f} mm", step.side_rail_mm),
        ("baffle {:.2f} mm under the rails", step.baffle_height_mm),
    )
    return [words.format(size) for words, size in sizes if size is not None]


def _step_words(plan: RefacePlan, step: Step) -> tuple[str, str]:
    """Return what to do in a step and when to stop."""
    size = f"{step.most_removed_um:.0f} µm"
    if step.name == "table":
        return _table_words(plan, step)
    words = {
        "measure": ("measure, photograph, play, and agree with the owner on what shall change", "everything is written down"),
        "rails": (f"level the rails: take up to {size} off {_short_rail(plan)}", "each feeler stops alike on both rails"),
        "curve": (
            f"work the curve, up to {size}{_left_at_tip(plan, step)}",
            "the feelers stop as below, the thinnest first; one that goes too far cannot be brought back",
        ),
        "tip": (f"bring the tip to size, the last {size}", "the tip opening is as below"),
        "rail widths": (
            "bring the rails back to their widths, which grow with what comes off",
            "they are as wide as they were, and even on both sides",
        ),
        "baffle and window edge": (
            "look at the baffle and the edge of the window: as the rails go down the baffle comes nearer the reed, which may be brighter",
            f"{_baffle(step)}, or as it was if the owner wants the old sound",
        ),
        "finish": ("take off burrs, try the seal, play, and measure again", "a sealed reed holds a few seconds"),
    }
    return words[step.name]


def _left_at_tip(plan: RefacePlan, step: Step) -> str:
    """Return how much the curve leaves at the tip."""
    left_um = (plan.target_tip_opening_mm - step.tip_opening_mm) * MM / UM
    return f", and leave {left_um:.0f} µm at the tip" if left_um >= 1 else ""


def _short_rail(plan: RefacePlan) -> str:
    """Return on which rail to work: the one that stands higher, by more than the gauge cannot tell, and nowhere lower by so much."""
    more = [(row.left_um - row.right_um, TWO_SIDED * math.sqrt(2) * row.u_um) for row in plan.removals]
    left, right = any(off > known for off, known in more), any(-off > known for off, known in more)
    if left != right:
        return f"the {'left' if left else 'right'} rail, on which feelers stop sooner"
    return "the rail on which a feeler stops sooner"


def _baffle(step: Step) -> str:
    depth = step.baffle_height_mm
    return "the baffle is as you want it" if depth is None else f"the baffle is {depth:.2f} mm under the rails"


def _table_words(plan: RefacePlan, step: Step) -> tuple[str, str]:
    gap, down = plan.table_gap_mm, plan.table_down_mm
    done = "no light shows under a straight edge; then measure and plan again"
    if step.idle and gap is None:
        return "the flatness of the table is not recorded: lay a straight edge on it before anything else", done
    if step.idle:
        kind = (
            "flat"
            if not gap
            else f"hollow by {-gap:.3f} mm, which many leave"
            if gap < 0
            else f"convex by {gap:.3f} mm at most"
        )
        return f"the table is {kind}: leave it, but see with a straight edge that it is not twisted", ""
    why = f"the table is hollow by {-gap:.3f} mm: " if gap is not None and gap < 0 else ""
    return f"{why}face the table down by {down * MM / UM:.0f} µm, which closes the tip by as much", done
