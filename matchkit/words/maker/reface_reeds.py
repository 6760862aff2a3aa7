"""The house reeds on a piece before and after a refacing: which close less evenly, whether they stay as hard, and their table."""

from __future__ import annotations

import math

from matchkit.constants import TWO_SIDED
from matchkit.maker.reface.match import A_TOUCH
from matchkit.maker.reface.plan import RefacePlan
from matchkit.maker.reface.reeds import NEAR_TOUCH
from matchkit.words.screen import Block, Table

SHOWN_REEDS = 8
WORSE = 0.02
"""Closing shares that differ by this are told apart."""


def closes_worse(plan: RefacePlan) -> list[str]:
    """Return that the house reeds close less evenly after it, where they do."""
    worse = [reed for reed in plan.reeds if reed.closing_share_after > reed.closing_share_before + WORSE]
    if not worse:
        return []
    one = max(worse, key=lambda reed: reed.closing_share_after - reed.closing_share_before)
    shares = f"{100 * one.closing_share_before:.0f} to {100 * one.closing_share_after:.0f} % left open when closed"
    which = (
        "reeds close"
        if len(worse) == len(plan.reeds)
        else f"{len(worse)} of {len(plan.reeds)} reeds {'closes' if len(worse) == 1 else 'close'}"
    )
    return [f"Careful: {which} less evenly on it, {one.reed} from {shares}."]


def as_hard(plan: RefacePlan) -> list[str]:
    """Return how the house reeds feel on it, where the resistance was to be kept."""
    if not plan.target.keeps_resistance or not plan.reeds:
        return []
    moved = [math.log(reed.closing_pressure_after_kpa / reed.closing_pressure_before_kpa) for reed in plan.reeds]
    most = max(abs(change) for change in moved)
    if most <= A_TOUCH + NEAR_TOUCH:
        return ["Every house reed below plays as hard on it as before, within a touch."]
    worst = max(plan.reeds, key=lambda reed: abs(math.log(reed.closing_pressure_after_kpa / reed.closing_pressure_before_kpa)))
    way = "harder" if worst.closing_pressure_after_kpa > worst.closing_pressure_before_kpa else "softer"
    return [f"Not every house reed stays as hard: {worst.reed} plays {100 * most:.0f} % {way} on it."]


def reeds_blocks(plan: RefacePlan) -> list[Block | str]:
    """Return the house reeds nearest to the house's range, before and after."""
    if not plan.reeds:
        return []
    low, high = plan.closing_range_kpa or (0.0, float("inf"))
    near = sorted(
        plan.reeds,
        key=lambda item: max(low - item.closing_pressure_after_kpa, item.closing_pressure_after_kpa - high, 0.0),
    )[:SHOWN_REEDS]
    rows = tuple(
        (
            item.reed,
            f"{item.closing_pressure_before_kpa:.1f} to {item.closing_pressure_after_kpa:.1f}",
            f"{TWO_SIDED * item.u_closing_pressure_kpa:.1f}",
            f"{item.playing_opening_before_mm:.2f} to {item.playing_opening_after_mm:.2f}",
            f"{100 * item.closing_share_before:.1f} to {100 * item.closing_share_after:.1f}",
        )
        for item in plan.reeds
        if item in near
    )
    house = "" if plan.closing_range_kpa is None else f"; the house's range is {low:g} to {high:g} kPa"
    return [
        f"House reeds on it, before to after{house}:",
        "",
        Table(("reed", "closing kPa", "±", "opening mm", "left when closed %"), rows, right=(1, 2, 3, 4)),
        "",
    ]
