"""A batch for its maker: which pieces are good, out, or to be read again, what the order of making shows, and which reeds go with it.

Tables of numbers come with ``--numbers`` only.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence

from matchkit.maker.conformity.batch import BatchReport, WhatIf
from matchkit.maker.conformity.judged import ALL_STOPS, PieceJudged
from matchkit.words.maker.batch.again import SHOWN_AGAIN, again_blocks
from matchkit.words.maker.batch.numbers import batch_numbers
from matchkit.words.maker.batch.order import order_words
from matchkit.words.maker.batch.pairing import pairing_words
from matchkit.words.maker.features import (
    DUST,
    EXCHANGED,
    REMEDIES,
    SCANNED_REMEDIES,
    aside_words,
    fault_words,
    feature_words,
    flaw_words,
    model_words,
    shortened,
    slip_words,
    zero_first,
)
from matchkit.words.maker.scans import scans_of_pieces
from matchkit.words.numbers import counted, percent
from matchkit.words.screen import Block, Gap, Screen, Text, listed, screen, sentences

SHOWN_PIECES = 20
LONG = 60
"""A remedy longer than this is said once."""
ALIKE = 0.03
"""Feelers so near one another may be one, written in millimetres and in inches."""

_BETTER = {
    "stops twice as often": "if every stop were read twice as often",
    "finer stops": "if stops were read to 0.1 mm",
    "gauges twice as good": "with gauges twice as good",
}


def batch_screen(report: BatchReport, *, numbers: bool = False) -> Screen:
    """Return the screen of a batch, with the tables of numbers where they were asked for."""
    return screen(
        _verdict(report),
        "",
        aside_words(report.set_aside),
        _scanned(report),
        _of_another(report),
        slip_words(report.slips, report.pieces),
        _out(report),
        again_blocks(report.pieces, excused=_excused(report)),
        _flawed(report),
        _remarks(report),
        order_words(report),
        _future(report),
        (_what_if(what) for what in report.what_if[-1:]) if numbers else None,
        "",
        (block for pairing in report.pairings for block in pairing_words(pairing)),
        (f"The {item.instrument} pieces are not paired: {_NOT_PAIRED[item.why]}." for item in report.not_paired),
        (f"{counted(item.reeds, f'{item.instrument} reed')} not measured, and left out." for item in report.left_out),
        batch_numbers(report) if numbers else None,
        "",
        DUST if report.counts["fail"] else None,
        None if numbers else "More: matchkit facing PIECE for one of them, --numbers for the tables.",
    )


_NOT_PAIRED = {
    "no closing range": "house.toml has no closing range for that instrument",
    "no reed known": "the house has no reed whose stiffness is known",
}


def _verdict(report: BatchReport) -> str:
    models = listed(list(dict.fromkeys(piece.model for piece in report.pieces)))
    others = sum(piece.of_another for piece in report.pieces)
    by_slip = report.counts["fail"] - others - sum(piece.verdict == "fail" for piece in _surely_out(report))
    counts = {
        "good": report.counts["pass"],
        "too near a limit to say": sum(
            piece.verdict == "inconclusive" and not piece.wants_measuring for piece in report.pieces
        ),
        "not measured enough to say": sum(piece.wants_measuring for piece in report.pieces),
        "out of drawing": report.counts["fail"] - by_slip - others,
        "perhaps of another model": others,
        "out only by what the whole batch is off": by_slip,
        "not judged": sum(one.mouthpiece_id is not None for one in report.set_aside),
    }
    return f"{models}: {', '.join(f'{count} {what}' for what, count in counts.items() if count)}."


def _surely_out(report: BatchReport) -> list[PieceJudged]:
    excused = _excused(report)
    out = [piece for piece in report.pieces if piece.fault and piece.fault.sure and piece.mouthpiece_id not in excused]
    return [piece for piece in out if not piece.of_another]


def _of_another(report: BatchReport) -> list[Block]:
    """Return which pieces are asked about: rails that may be exchanged, and those far from their own drawing that meet that of another model."""
    found: dict[tuple[str, str], list[str]] = defaultdict(list)
    for piece in report.pieces:
        if piece.of_another and piece.fits is not None:
            found[piece.model, piece.fits].append(piece.mouthpiece_id)
    turned = [piece.mouthpiece_id for piece in report.pieces if piece.exchanged]
    told = sentences(f"{EXCHANGED}, on {shortened(turned, SHOWN_AGAIN)}: see which rail is which first")
    lines = [Text(told)] if turned else []
    lines += [
        Text(f"Filed as {model}, but within the drawing of {other}: {shortened(ids, SHOWN_AGAIN)}. Is the model right?")
        for (model, other), ids in found.items()
    ]
    return [*lines, Gap()] if lines else []


def _excused(report: BatchReport) -> set[str]:
    """Return the pieces that nothing speaks against but what the whole batch is off."""
    return {name for slip in report.slips for name in slip.alone}


def _scanned(report: BatchReport) -> list[Block]:
    """Return what is off with the scans, before anything that rests on them."""
    return [*map(Text, told), Gap()] if (told := scans_of_pieces(report.pieces)) else []


def _out(report: BatchReport) -> list[Block]:
    """Return the pieces that are out, each with what is wrong and what to do; not those that only a slip of the drawing speaks against."""
    lines: list[str] = []
    said: dict[str, str] = {}
    for piece in _surely_out(report):
        if piece.fault is not None:
            remedy = (SCANNED_REMEDIES if piece.scanned else REMEDIES)[piece.fault.kind]
            first = said.setdefault(remedy, piece.mouthpiece_id)
            again = first != piece.mouthpiece_id and len(remedy) > LONG
            told = f"{fault_words(piece.fault)}: {f'as {first}' if again else remedy}."
            lines.append(f"{piece.mouthpiece_id}  {_beside(piece, told)}")
    if not lines:
        return []
    head = "Out of drawing whatever the batch is off; settle that first, which changes these sizes:"
    blocks: list[Block] = [
        Text(head if report.slips else "Out of drawing:"),
        *(Text(line, indent=2, hang=2) for line in lines[:SHOWN_PIECES]),
    ]
    more = len(lines) - SHOWN_PIECES
    return [*blocks, *([Text(f"and {more} more: --format csv has all.", indent=2)] if more > 0 else []), Gap()]


def _beside(piece: PieceJudged, told: str) -> str:
    """Return what is wrong with a piece with all else that is: a zero before it, other sizes, bumps and another model after it."""
    zero = zero_first(piece)
    after = [f" And {fault_words(fault)}." for fault in piece.also if fault.kind not in ALL_STOPS]
    after += [f" And {flaw_words(flaw)}." for flaw in piece.flaws if piece.scanned]
    after += [f" {model_words(piece)}"] if piece.fits is not None else []
    return f"{'' if zero is None else f'{sentences(zero)} Besides, '}{told}{''.join(after)}"


def _flawed(report: BatchReport) -> list[str]:
    """Return which pieces that are not out anyway show a bump or a flat, that no drawing limits, and which were read on several days."""
    flawed = [_flaw_of(piece) for piece in report.pieces if piece.flaws and piece.verdict != "fail"]
    slip = "" if all(piece.scanned for piece in report.pieces) else ", or one slip of a reading,"
    told = (
        [f"A bump or a flat{slip} shows on {shortened(flawed)}: matchkit facing says more. No drawing limits it."]
        if flawed
        else []
    )
    if mixed := [piece.mouthpiece_id for piece in report.pieces if piece.days_of_a_rail]:
        told.append(
            f"A rail was read on several days on {shortened(mixed)}: if the piece was worked between, read all its feelers again."
        )
    return told


def _flaw_of(piece: PieceJudged) -> str:
    """Return a piece with the largest of its bumps and flats."""
    worst = max(piece.flaws, key=lambda flaw: abs(flaw.height_um) if flaw.sized else 0.0)
    size = f"{abs(worst.height_um):.0f} µm, " if worst.sized else ""
    return f"{piece.mouthpiece_id} ({size}{worst.place_mm:.0f} mm from the tip)"


def _remarks(report: BatchReport) -> list[str]:
    """Return what fails without failing a piece, and what was measured or not beside the drawing: once for all pieces."""
    minor: dict[str, list[str]] = defaultdict(list)
    for piece in report.pieces:
        for judged in piece.minor:
            if piece.fault is not None and piece.fault.feature == judged.feature == "rail_difference_mm":
                continue  # the fault says so
            minor[feature_words(judged.at)].append(piece.mouthpiece_id)
    missing = {feature_words(at) for piece in report.pieces for at in piece.missing if at.feature != "stop_mm"}
    found = [f"Also outside the drawing, but not critical: {', '.join(ids)}, {what}." for what, ids in minor.items()]
    found += [f"Not measured on every piece: {listed(sorted(missing))}."] if missing else []
    models = list(dict.fromkeys(piece.model for piece in report.pieces))
    for model in models:
        which = f" of {model}" if len(models) > 1 else ""
        found += _not_drawn([piece for piece in report.pieces if piece.model == model], which)
    return found


def _not_drawn(pieces: Sequence[PieceJudged], which: str) -> list[str]:
    """Return which feelers the drawing of a model has not, and that may be meant for others."""
    beside = sorted({feeler for piece in pieces for feeler in piece.beside_mm})
    if not beside:
        return []
    if not any(judged.feature == "stop_mm" for piece in pieces for judged in piece.features):
        return [f"The drawing{which} gives no stops, so what was read with feelers was not judged."]
    found = [f"Feelers that the drawing{which} has not, and that were not judged: {', '.join(f'{f:g}' for f in beside)} mm."]
    drawn = {at.feeler_mm for piece in pieces for at in piece.missing if at.feeler_mm is not None}
    near = [(feeler, other) for feeler in beside for other in sorted(drawn) if abs(feeler / other - 1) < ALIKE]
    return found + [
        f"Is the {one:g} mm feeler the {other:g} mm one of the drawing? Then write it alike." for one, other in near
    ]


def _future(report: BatchReport) -> list[str]:
    """Return what may be said of others made so, where all are good."""
    if report.worst_share is None or len(report.pieces) < 2:
        return []
    judged = "All that were judged" if report.set_aside else "All"
    return [f"{judged} are good; of others made so at most {percent(report.worst_share)} would not be (95 % sure)."]


def _what_if(what: WhatIf) -> str:
    """Return what finer gauges would decide."""
    counts = what.counts
    near = counts["inconclusive"]
    return sentences(f"{_BETTER[what.how]}, {near or 'none'} would be too near a limit, {counts['fail']} out")
