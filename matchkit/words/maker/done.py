"""A refacing held against its plan, for its maker."""

from __future__ import annotations

from matchkit.constants import TWO_SIDED
from matchkit.maker.reface.done import RefaceDone, StopDone
from matchkit.words.maker.reface import target_words
from matchkit.words.numbers import plus_minus
from matchkit.words.screen import Screen, Table, screen, sentences


def done_screen(found: RefaceDone) -> Screen:
    """Return the screen of a plan that was carried out."""
    off = [stop for stop in found.stops if abs(stop.off_mm) > TWO_SIDED * stop.u_off_mm]
    tip_off = abs(found.tip_off_mm.value) > TWO_SIDED * found.tip_off_mm.u
    named = ", ".join(f"{stop.feeler_mm:g} by {stop.off_mm:+.2f} mm" for stop in off)
    verdict = "as planned, as far as the gauge can tell" if not off and not tip_off else "not yet as planned"
    short = [stop for stop in off if stop.off_mm < 0]
    return screen(
        sentences(
            f"{found.mouthpiece_id} to {target_words(found.target)}: {verdict}",
            f"tip {plus_minus(found.tip_mm.value, found.tip_mm.u, 2, 'mm')}, planned {found.planned_tip_mm:.2f}",
            f"off the plan: {named}" if named else None,
        ),
        "Where a feeler stops too near the tip there is more to take off." if short else None,
        "Where a feeler stops too far from the tip, it cannot be brought back but by facing the table down."
        if len(short) < len(off)
        else None,
        "",
        Table(("feeler mm", "planned mm", "read mm", "off mm", "±"), tuple(map(_row, found.stops)), right=(0, 1, 2, 3, 4)),
        "",
        "The plan is the one from the readings before; ± holds 19 times of 20.",
    )


def _row(stop: StopDone) -> tuple[str, ...]:
    return (
        f"{stop.feeler_mm:g}",
        f"{stop.planned_mm:.2f}",
        f"{stop.read_mm:.2f}",
        f"{stop.off_mm:+.2f}",
        f"{TWO_SIDED * stop.u_off_mm:.2f}",
    )
