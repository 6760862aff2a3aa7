"""Which pieces of a batch are to be read again, or measured at all, and how: those for one reason together."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Collection, Sequence
from dataclasses import dataclass

from matchkit.constants import TWO_SIDED
from matchkit.maker.conformity.batch import FINER_STEP_MM
from matchkit.maker.conformity.judged import COARSE_STEP_MM, Judged, PieceJudged
from matchkit.maker.facts import Fault
from matchkit.words.maker.features import again_words, feature_words, shortened, unit_of
from matchkit.words.maker.scans import scanned_again
from matchkit.words.numbers import counted
from matchkit.words.screen import Block, Gap, Text, listed

SHOWN_AGAIN = 20
READ_WITH_FEELERS = ("stop_mm", "rail_difference_mm")


@dataclass(frozen=True)
class _Wanted:
    """What a piece waits for: ``how`` is a step that its stops are too coarse on, or words."""

    why: str
    how: str
    piece: str


def again_blocks(pieces: Sequence[PieceJudged], *, excused: Collection[str]) -> list[Block]:
    """Return the pieces to be read again or measured; ``excused`` are those that only what the whole batch is off speaks against."""
    wanted = [one for piece in pieces if piece.mouthpiece_id not in excused for one in (*_to_read(piece), *_to_measure(piece))]
    coarse = [one for one in wanted if one.why == "coarse"]
    missing = [one.piece for one in wanted if one.why == "missing"]
    lines = _together(wanted, "gauge")
    if coarse:
        steps = listed(sorted({one.how for one in coarse}))
        step = f"Stops are read to {steps} mm, too coarse to tell {counted(len(coarse), 'piece')}; reading again on that scale does not help."
        ids = shortened([one.piece for one in coarse], SHOWN_AGAIN)
        lines.append(f"{step} Read with a finer one ({FINER_STEP_MM:g} mm): {ids}.")
    lines += _together(wanted, "read")
    until = ["Until then leave them as they are."] if lines else []
    if missing:
        lines.append(f"Read the feelers that are missing (--sheet has a line for each): {shortened(missing, SHOWN_AGAIN)}.")
    lines += _together(wanted, "measure")
    return [*map(Text, [*lines, *until]), Gap()] if lines else []


def _together(wanted: Sequence[_Wanted], why: str) -> list[str]:
    found: dict[str, list[str]] = defaultdict(list)
    for one in wanted:
        if one.why == why:
            found[one.how].append(one.piece)
    return [f"{how}: {shortened(ids, SHOWN_AGAIN)}." for how, ids in found.items()]


def _to_read(piece: PieceJudged) -> list[_Wanted]:
    """Return what is to be read again where a piece is too near a limit to say."""
    fault, name = piece.fault, piece.mouthpiece_id
    if fault is None or fault.sure:
        return []
    stops = fault.feature in READ_WITH_FEELERS
    if stops and not piece.scanned and piece.stop_step_mm >= COARSE_STEP_MM:
        return [_Wanted("coarse", f"{piece.stop_step_mm:g}", name)]
    if fault.feature == "stop_mm" and not piece.scanned and not _again_helps(piece, fault):
        return [_Wanted("gauge", BY_FEELER, name)]
    if (judged := _too_fine(piece, fault)) is not None:
        return [_Wanted("gauge", _gauge_words(judged), name)]
    if not (stops and piece.scanned):
        return [_Wanted("read", f"Read {again_words(fault)} twice more", name)]
    # one that shows too little of the table is to be scanned further, which stands above
    return [] if piece.lacks_table else [_Wanted("read", f"Scan {_rail_words(fault)} {scanned_again(piece.scans)}", name)]


BY_FEELER = "Reading again does not help where the doubt is that of the feelers themselves: measure them with a micrometer (u_feeler_mm in house.toml)"


def _again_helps(piece: PieceJudged, fault: Fault) -> bool:
    """Tell whether the stop that leaves a piece open would be surer for being read again."""
    return any(
        judged.again_helps
        for judged in piece.features
        if judged.feature == "stop_mm" and fault.feeler_mm in (None, judged.feeler_mm)
    )


def _to_measure(piece: PieceJudged) -> list[_Wanted]:
    """Return what of a piece was not read at all, and must be before it can be judged."""
    if not piece.unmeasured or (piece.fault is not None and piece.fault.sure):
        return []
    if holes := _holes(piece):
        return [_Wanted("missing", "", f"{piece.mouthpiece_id} ({holes})")]
    return [_Wanted("measure", f"Measure {_wanted(piece)}", piece.mouthpiece_id)]


def _rail_words(fault: Fault) -> str:
    return f"the {fault.rail} rail" if fault.feature == "stop_mm" and fault.rail in ("left", "right") else "both rails"


def _too_fine(piece: PieceJudged, fault: Fault) -> Judged | None:
    """Return the size that leaves a piece open, where even the middle of its limits would, read twice more."""
    for judged in piece.features:
        by_hand = not (piece.scanned and judged.feature in READ_WITH_FEELERS)  # of a scan facing says what it lacks
        same = (judged.feature, judged.feeler_mm) == (fault.feature, fault.feeler_mm)
        if by_hand and same and judged.verdict == "inconclusive" and not judged.tellable:
            return judged
    return None


def _gauge_words(judged: Judged) -> str:
    """Say that a gauge is too coarse for what the drawing allows."""
    room = min(abs(limit - judged.nominal) for limit in (judged.low, judged.high) if limit is not None)
    where = f"the {judged.feeler_mm:g} mm feeler" if judged.feature == "stop_mm" else feature_words(judged.at)
    asked = f"The drawing allows {room:.3g} {unit_of(judged.at)} for {where}, and the gauge tells it to ± {TWO_SIDED * judged.u:.2g}"
    return f"{asked}, so reading again does not help. Take a better gauge, or wider limits"


MOST_HOLES = 3
"""Of so many feelers that a piece lacks each is named."""


def _holes(piece: PieceJudged) -> str:
    """Return the feelers that were not read on a piece whose rails both were, by rail."""
    stops = [at for at in piece.unmeasured if at.feature == "stop_mm"]
    read = {judged.rail for judged in piece.features if judged.feature == "stop_mm"}
    if not stops or len(read) < 2:
        return ""
    more = len(stops) - MOST_HOLES
    return f"{', '.join(f'{at.rail} {at.feeler_mm:g}' for at in stops[:MOST_HOLES])}{f' and {more} more' if more > 0 else ''}"


def _wanted(piece: PieceJudged) -> str:
    """Return what must be measured before a piece can be judged."""
    stops = [at for at in piece.unmeasured if at.feature == "stop_mm"]
    if len(stops) > 1:
        rails = {at.rail for at in stops}
        read = {judged.rail for judged in piece.features if judged.feature == "stop_mm"}
        if len(rails) == 1 and read - rails:
            return f"the {rails.pop()} rail too, with the same feelers"
        return "the facing, with the feelers of the drawing" if piece.beside_mm else "the facing, with feelers"
    return listed([feature_words(at) for at in piece.unmeasured]) or "what the drawing asks for"
