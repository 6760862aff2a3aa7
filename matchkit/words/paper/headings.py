"""Headings of pages and what their pictures show, in words, for whoever cannot see them."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from matchkit.constants import VISITOR

_OF_MARKS = (
    "Made by matchkit from measurements and playtests. Ranges of marks hold 8 of 10 next ones; ± holds 19 times of 20.",
    "A mark compares set-ups of this house; it is no measure of a player or of a make.",
)
_OF_SIZES = ("Made by matchkit from measurements. ± holds 19 times of 20.",)
INVENTED = "All parts, players and marks on this page are invented: it is the demo."
_SIZES_ONLY = frozenset(
    (
        *(
            "FacingReport",
            "FacingHistory",
            "BatchReport",
            "BatchRecord",
            "BatchesBeside",
            "RefacePlan",
            "LotReport",
            "RefaceDone",
        ),
        *("GaugeStudy", "Sheet", "Strengths", "Swap", "ClosingReport"),
    )
)


def footer_of(answer: Any, *, invented: bool = False) -> tuple[str, ...]:
    """Return what stands at the foot of a page: how its ranges are to be read, and that it is invented, where it is."""
    told = _OF_SIZES if type(answer).__name__ in _SIZES_ONLY else _OF_MARKS
    return (*told, INVENTED) if invented else told


def _batch(report: Any) -> str:
    aside = len({one.mouthpiece_id for one in report.set_aside} - {None})
    return f"Batch of {len(report.pieces) + aside} pieces{f', {aside} of them not judged' if aside else ''}"


_HEADINGS: dict[str, Callable[[Any], str]] = {
    "Ranking": lambda a: "Your set-ups to try" if a.player == VISITOR else f"Set-ups to try for {a.player}",
    "Strengths": lambda a: f"Reeds on {a.mouthpiece_id}",
    "Swap": lambda a: f"As before, on {a.new_id}",
    "Comparison": lambda a: f"{_set(a.first)} or {_set(a.second)}?",
    "ClosingReport": lambda a: f"How {a.reed_id} closes on {a.mouthpiece_id}",
    "Explanation": lambda a: f"Why {_set(a.setup)}",
    "WhatIf": lambda a: f"{a.mouthpiece_id}, changed",
    "FacingReport": lambda a: f"The facing of {a.mouthpiece_id}",
    "FacingHistory": lambda a: f"{a.mouthpiece_id} before and after",
    "BatchReport": _batch,
    "BatchRecord": lambda a: f"Record of {a.pieces[0].mouthpiece_id if len(a.pieces) == 1 else f'{len(a.pieces)} pieces'}",
    "BatchesBeside": lambda a: f"{a.second} against {a.first}",
    "RefacePlan": lambda a: f"Refacing {a.mouthpiece_id}: take this to the bench",
    "LotReport": lambda _: "A lot of reeds",
    "RefaceDone": lambda a: f"{a.mouthpiece_id} after refacing",
    "GaugeStudy": lambda _: "How far the gauge can be trusted",
    "Sheet": lambda _: "To fill in at the bench",
    "Analysis": lambda _: "What the playtests found",
    "Evaluation": lambda _: "How far the expected marks can be trusted",
}


def _set(row: Any) -> str:
    return " + ".join(part for part in (row.mouthpiece_id, row.reed_id, row.ligature_id) if part)


def heading_of(answer: Any) -> str:
    """Return the heading of an answer's page."""
    found = _HEADINGS.get(type(answer).__name__)
    return "matchkit" if found is None else found(answer)


_CAPTIONS = {
    "Strengths": "A ladder of every line of reeds: how much softer or harder each strength is than now, with the spread of a box.",
    "Swap": "How much harder to blow and how much more open each set-up is than now.",
    "Comparison": "The mark to expect of each of the two set-ups, with the range of eight in ten next marks.",
    "ClosingReport": "The open area and the air that flows, against the pressure that sucks the reed shut.",
    "Explanation": "A waterfall from what a perfect fit would reach to the score: what each term takes off and what marks add.",
    "WhatIf": "How hard it is to blow, and the mark to expect, over the size that is changed.",
    "FacingReport": "The lay of both rails with every reading, and how far it is from a smooth curve, with its doubt.",
    "BatchReport": "Every piece by every size: how far it is from the drawing, and whether it is within.",
    "FeatureSummary": "A size in the order of making, with the limits of the drawing and of the process, and the drift.",
    "BatchesBeside": "By how much each size's mean differs between the batches, with its range; below, the size that differs most, piece by piece over both.",
    "Pairing": "For every strength of reed the range of closing pressures on these pieces, against the house's range.",
    "RefacePlan": "What comes off where, on both rails, against how well the facing is known.",
    "GaugeStudy": "How much one person, people among one another and the pieces themselves differ, each with its range; below, how far each person reads "
    "each piece from its mean.",
    "Evaluation": "How far off each way of expecting a mark is, and how many marks fall in the ranges that were promised.",
}


def caption_of(answer: Any) -> str:
    """Return what an answer's picture shows."""
    kind = type(answer).__name__
    if kind == "Ranking":
        star = "" if answer.present is None else "a star for what is played now, "
        return (
            "A map: tip opening to the right, how stiff the reed is on it upwards, lines along which it is as hard to blow (harder up and to the right), "
            f"the band that is wanted, {star}and a numbered mark for each set-up."
        )
    if kind == "Analysis":
        drift = "; the change of marks along a sitting" if answer.drift else ""
        evenings = "; how high each evening's marks lie" if answer.evenings else ""
        return f"Every comparison: the share of answers that named the first, with its range, against chance{drift}{evenings}."
    return _CAPTIONS[kind]
