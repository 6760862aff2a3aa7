"""A batch for its maker: which pieces are good, out, or to be read again, what the order of making shows, and which reeds go with it.

Tables of numbers come with ``--numbers`` only.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence

from matchkit.constants import TWO_SIDED
from matchkit.maker.conformity.batch import FINER_STEP_MM, BatchReport, FeatureSummary, WhatIf
from matchkit.maker.conformity.chart import Signal
from matchkit.maker.conformity.judged import Judged, PieceJudged
from matchkit.maker.facts import Fault
from matchkit.maker.pairing import Pairing
from matchkit.maker.strips import HALF, MOSTLY, ForTheBox
from matchkit.units import MM, UM
from matchkit.words.maker.batch_numbers import batch_numbers
from matchkit.words.maker.facing import COARSE_STEP_MM, MUCH_TABLE_MM, scans_of_pieces
from matchkit.words.maker.features import (
    DUST,
    REMEDIES,
    SCANNED_REMEDIES,
    SHOWN_POSITIONS,
    again_words,
    aside_words,
    fault_words,
    feature_words,
    shortened,
    slip_words,
    unit_of,
)
from matchkit.words.numbers import counted, percent
from matchkit.words.screen import Block, Gap, Screen, Text, listed, screen, sentences

SHOWN_PIECES = 20
LONG = 60
"""A remedy longer than this is said once."""
SHOWN_AGAIN = 20
ALIKE = 0.03
"""Feelers so near one another may be one, written in millimetres and in inches."""
FEW_STRENGTHS = 4
READ_WITH_FEELERS = ("stop_mm", "rail_difference_mm")
WORTH_TELLING = 0.05
"""A drift that takes less than this share of the tolerance over the whole batch is left to the numbers."""

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
        slip_words(report.slips, report.pieces),
        _out(report),
        _again(report),
        _remarks(report),
        _order(report),
        _future(report),
        (_what_if(what) for what in report.what_if[-1:]) if numbers else None,
        "",
        (block for pairing in report.pairings for block in _pairing(pairing)),
        (f"The {item.instrument} pieces are not paired: {_NOT_PAIRED[item.why]}." for item in report.not_paired),
        (f"{counted(item.reeds, f'{item.instrument} reed')} not measured, and left out." for item in report.left_out),
        batch_numbers(report) if numbers else None,
        "",
        DUST if report.counts["fail"] else None,
        None if numbers else "More: matchkit facing PIECE for one of them, --numbers for the tables.",
    )


_SIGNALS = {
    "beyond a limit": "is far from the others",
    "run on one side": "has stayed on one side of its middle for long",
    "jump between neighbours": "jumps from one piece to the next",
}

_NOT_PAIRED = {
    "no closing range": "house.toml has no closing range for that instrument",
    "no reed known": "the house has no reed whose stiffness is known",
}


def _verdict(report: BatchReport) -> str:
    models = listed(list(dict.fromkeys(piece.model for piece in report.pieces)))
    by_slip = report.counts["fail"] - sum(piece.verdict == "fail" for piece in _surely_out(report))
    counts = {
        "good": report.counts["pass"],
        "too near a limit to say": sum(
            piece.verdict == "inconclusive" and not piece.wants_measuring for piece in report.pieces
        ),
        "not measured enough to say": sum(piece.wants_measuring for piece in report.pieces),
        "out of drawing": report.counts["fail"] - by_slip,
        "out only by what the whole batch is off": by_slip,
        "not judged": sum(one.mouthpiece_id is not None for one in report.set_aside),
    }
    return f"{models}: {', '.join(f'{count} {what}' for what, count in counts.items() if count)}."


def _surely_out(report: BatchReport) -> list[PieceJudged]:
    excused = _excused(report)
    return [piece for piece in report.pieces if piece.fault and piece.fault.sure and piece.mouthpiece_id not in excused]


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
            lines.append(f"{piece.mouthpiece_id}  {fault_words(piece.fault)}: {f'as {first}' if again else remedy}.")
    if not lines:
        return []
    head = "Out of drawing whatever the batch is off; settle that first, which changes these sizes:"
    blocks: list[Block] = [
        Text(head if report.slips else "Out of drawing:"),
        *(Text(line, indent=2, hang=2) for line in lines[:SHOWN_PIECES]),
    ]
    more = len(lines) - SHOWN_PIECES
    return [*blocks, *([Text(f"and {more} more: --format csv has all.", indent=2)] if more > 0 else []), Gap()]


def _again(report: BatchReport) -> list[Block]:
    """Return the pieces to be read again, those for one reason together."""
    by_reading: dict[str, list[str]] = defaultdict(list)
    by_want: dict[str, list[str]] = defaultdict(list)
    by_gauge: dict[str, list[str]] = defaultdict(list)
    excused = _excused(report)
    too_coarse: list[str] = []
    steps: set[float] = set()
    for piece in report.pieces:
        if piece.mouthpiece_id in excused:
            continue
        coarse = piece.stop_step_mm >= COARSE_STEP_MM and not piece.scanned
        if coarse and piece.fault is not None and not piece.fault.sure and piece.fault.feature in READ_WITH_FEELERS:
            too_coarse.append(piece.mouthpiece_id)
            steps.add(piece.stop_step_mm)
        elif piece.fault is not None and not piece.fault.sure and (judged := _too_fine(piece, piece.fault)) is not None:
            by_gauge[_gauge_words(judged)].append(piece.mouthpiece_id)
        elif piece.fault is not None and not piece.fault.sure:
            scan = piece.scanned and piece.fault.feature in READ_WITH_FEELERS
            if scan and piece.lacks_table:
                continue  # it is to be scanned further, which stands above
            how = f"Scan {again_words(piece.fault)} twice more, {MUCH_TABLE_MM} mm past the facing"
            how = how if scan else f"Read {again_words(piece.fault)} twice more"
            by_reading[how].append(piece.mouthpiece_id)
        if piece.unmeasured and not (piece.fault is not None and piece.fault.sure):
            by_want[_wanted(piece)].append(piece.mouthpiece_id)
    lines = [Text(f"{what}: {shortened(ids, SHOWN_AGAIN)}.") for what, ids in by_gauge.items()]
    if too_coarse:
        step = f"Stops are read to {listed([f'{one:g}' for one in sorted(steps)])} mm, too coarse to tell {counted(len(too_coarse), 'piece')}; reading again on that scale does not help."
        lines.append(Text(f"{step} Read with a finer one ({FINER_STEP_MM:g} mm): {shortened(too_coarse, SHOWN_AGAIN)}."))
    lines += [Text(f"{what}: {shortened(ids, SHOWN_AGAIN)}.") for what, ids in by_reading.items()]
    lines += [Text(f"Measure {what}: {shortened(ids, SHOWN_AGAIN)}.") for what, ids in by_want.items()]
    if by_reading or by_gauge or too_coarse:
        lines.append(Text("Until then leave them as they are."))
    return [*lines, Gap()] if lines else []


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
        found += _beside([piece for piece in report.pieces if piece.model == model], which)
    return found


def _beside(pieces: Sequence[PieceJudged], which: str) -> list[str]:
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


def _order(report: BatchReport) -> list[str]:
    """Return what the order of making shows: drifts, and pieces out of the run."""
    if not report.order_known:
        return (
            ["Not every piece has a serial number of its own, so a drift cannot be told."] if len(report.pieces) >= 10 else []
        )
    found = []
    out = {piece.mouthpiece_id for piece in report.pieces if piece.verdict == "fail"}
    for item in report.features:
        chart = item.chart
        if chart is None or item.feature == "stop_mm" or item.feeler_mm is not None:
            continue
        where = _where(item, report)
        for signal in chart.signals:
            shown = _news(item.positions, signal, out)
            if not shown:
                continue
            more = f" and {len(shown) - SHOWN_POSITIONS} more" if len(shown) > SHOWN_POSITIONS else ""
            found.append(f"{where} {_SIGNALS[signal.rule]} at {', '.join(shown[:SHOWN_POSITIONS])}{more}.")
        width = item.high - item.low if item.high is not None and item.low is not None else item.sd
        if chart.drifts and abs(chart.slope) * item.count > WORTH_TELLING * width:
            scale, fine = (1.0, "cm³") if unit_of(item.at) == "cm³" else (MM / UM, "µm")
            low, high = sorted((abs(chart.slope_low) * scale, abs(chart.slope_high) * scale))
            way = "grows" if chart.slope > 0 else "shrinks"
            whole = abs(chart.slope) * (item.count - 1)
            size = f"{abs(chart.slope) * scale:.{1 if fine == 'µm' else 3}f} ({low:.{1 if fine == 'µm' else 3}f} to {high:.{1 if fine == 'µm' else 3}f}) {fine} a piece, {whole:.2f} {unit_of(item.at)} in all"
            found.append(f"{where} {way} by {size}: look at the cutter before the next batch.")
    return [sentences(text) for text in [*found, *_stops_drift(report)]]


def _stops_drift(report: BatchReport) -> list[str]:
    """Return how the facing grows or shrinks through the batch, where most stops do: once for all of them."""
    found = []
    models = list(dict.fromkeys(piece.model for piece in report.pieces))
    for model in models:
        charts = [
            (item, item.chart) for item in report.features if item.model == model and item.feature == "stop_mm" and item.chart
        ]
        for way in (1.0, -1.0):
            going = [
                chart.slope * (item.count - 1)
                for item, chart in charts
                if chart.drifts
                and chart.slope * way > 0
                and item.high is not None
                and item.low is not None
                and abs(chart.slope) * item.count > WORTH_TELLING * (item.high - item.low)
            ]
            if len(going) > len(charts) / 2:
                low, high = sorted((abs(min(going, key=abs)), abs(max(going, key=abs))))
                which = f"{model}, stops" if len(models) > 1 else "stops"
                verb = "grow" if way > 0 else "shrink"
                found.append(
                    f"{which} {verb} from the first piece to the last, by {low:.2f} to {high:.2f} mm in all: look at the cutter before the next batch."
                )
    return found


def _news(positions: Sequence[str], signal: Signal, out: set[str]) -> list[str]:
    """Return the pieces of a signal, without those that are out of drawing anyway, and the jump back from them."""
    places = [place for place in signal.positions if positions[place] not in out]
    if signal.rule == "jump between neighbours":
        places = [place for place in places if positions[place - 1] not in out]
    return [positions[place] for place in places]


def _where(item: FeatureSummary, report: BatchReport) -> str:
    several = len({piece.model for piece in report.pieces}) > 1
    return f"{item.model}, {feature_words(item.at)}" if several else feature_words(item.at)


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


def _pairing(pairing: Pairing) -> list[Block | str]:
    """Return which house reeds go with the pieces, and the one strength for the box with its reason."""
    low, high = pairing.closing_range_kpa
    pieces = len({pair.mouthpiece_id for pair in pairing.pairs})
    whole = [strip.lot for strip in pairing.lots if strip.whole == pieces]
    some = [f"{strip.lot} on {strip.whole} of {pieces}" for strip in pairing.lots if 0 < strip.whole < pieces]
    none = [strip.lot for strip in pairing.lots if not strip.whole]
    nowhere = len(none) == len(pairing.lots)
    told = (
        f"{pairing.model or pairing.instrument} with the house reeds; a strength goes with a piece where nine in ten of a box close at {low:g} to {high:g} kPa, the lot's doubt counted in:",
        f"{pieces} of {pairing.made} pieces, evenly through the batch." if pieces < pairing.made else None,
        f"On every piece: {', '.join(whole)}." if whole else None,
        f"On some: {', '.join(some)}." if some else None,
        _nowhere(pairing) if nowhere else f"On none: {', '.join(none)}." if none else None,
        _box(pairing.box),
        _wide(pairing) if _too_wide(pairing) else None,
        f"These go with no house reed: {shortened(pairing.alone, SHOWN_AGAIN)}."
        if 0 < len(pairing.alone) < pieces and not nowhere
        else None,
    )
    first, *rest = (line for line in told if line is not None)
    return [first, *(Text(line, indent=2) for line in rest)]


def _nowhere(pairing: Pairing) -> str:
    """Return why no strength is within the range on any piece: all close below it or above it, or a box spreads too far."""
    low, high = pairing.closing_range_kpa
    hardest = max(pairing.lots, key=lambda strip: strip.closing_kpa)
    softest = min(pairing.lots, key=lambda strip: strip.closing_kpa)
    asked = "is closing_range in house.toml right?"
    if hardest.high_kpa < low:
        return f"On none: all close below {low:g} kPa, the hardest ({hardest.lot}) at {hardest.low_kpa:.1f} to {hardest.high_kpa:.1f}; {asked}"
    if softest.low_kpa > high:
        return f"On none: all close above {high:g} kPa, the softest ({softest.lot}) at {softest.low_kpa:.1f} to {softest.high_kpa:.1f}; {asked}"
    return "On none: a box spreads too far for that range; a wider closing_range would tell more."


def _box(box: ForTheBox | None) -> str:
    """Return the strength for the box, its reason, and what would make it surer."""
    if box is None:
        return "No strength can go on the box: none is playable within that range."
    strip = box.strip
    also = "" if box.also is None else f" (then {box.also.strength:g})"
    narrow = {
        "level": f"the lot's level is known to ± {2 * strip.level_pct:.0f} %: read five of it to know better",
        "spread": "only a tighter box would bring them closer together",
    }[box.narrow]
    close = f"nine in ten close at {strip.low_kpa:.1f} to {strip.high_kpa:.1f} kPa"
    if strip.in_range < HALF:
        return sentences(
            f"No strength can go on the box: the best, {strip.lot}, keeps {percent(strip.in_range)} of its pairs in range, the lot's doubt counted in; {close}"
        )
    if strip.in_range < MOSTLY:
        whole = f"{percent(strip.in_range)} of its pairs in range, the lot's doubt counted in"
        return sentences(f"For the box: {strip.lot}{also}, with {whole}; if the lot is as hard as thought {close}", narrow)
    return sentences(f"For the box: {strip.lot}{also}: {close}, nearest the middle ({box.middle_kpa:.1f})", narrow)


def _too_wide(pairing: Pairing) -> bool:
    return len(pairing.lots) >= FEW_STRENGTHS and pairing.wide > len(pairing.lots) / 2


def _wide(pairing: Pairing) -> str:
    return f"{pairing.wide} of {len(pairing.lots)} lie in range everywhere: a narrower closing_range would tell more."
