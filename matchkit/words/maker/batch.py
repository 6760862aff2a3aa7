"""A batch for its maker: which pieces are good, out, or to be read again, what the order of making shows, and which reeds go with it.

Tables of numbers come with ``--numbers`` only.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence

from matchkit.maker.conformity.batch import BatchReport, FeatureSummary, WhatIf
from matchkit.maker.conformity.chart import RUN, Signal
from matchkit.maker.conformity.drawing import PieceJudged
from matchkit.maker.pairing import Pairing
from matchkit.units import MM, UM
from matchkit.words.facts import assumed_words
from matchkit.words.maker.features import DUST, REMEDIES, again_words, fault_words, feature_words
from matchkit.words.numbers import counted, percent
from matchkit.words.screen import Block, Gap, Screen, Table, Text, listed, screen, sentences

SHOWN_PIECES = 20
SHOWN_FEATURES = 8
SHOWN_POSITIONS = 6
WORTH_TELLING = 0.05
"""A drift that takes less than this share of the tolerance over the whole batch is left to the numbers."""
MOSTLY = 0.9
"""A reed goes with a piece where this share of its box lies within the house's range."""

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
        _numbers(report) if numbers else None,
        "",
        DUST if report.counts["fail"] else None,
        None if numbers else "More: matchkit facing PIECE for one of them, --numbers for the tables.",
    )


_SIGNALS = {
    "beyond a limit": "is far from the others",
    "run on one side": f"has stayed on one side of its middle for {RUN} pieces",
    "jump between neighbours": "jumps from one piece to the next",
}

_NOT_PAIRED = {
    "no closing range": "house.toml has no closing range for that instrument",
    "no reed known": "the house has no reed whose stiffness is known",
}


def _verdict(report: BatchReport) -> str:
    models = listed(list(dict.fromkeys(piece.model for piece in report.pieces)))
    counts = {
        "good": report.counts["pass"],
        "too near a limit to say": sum(
            piece.verdict == "inconclusive" and not piece.wants_measuring for piece in report.pieces
        ),
        "not measured enough to say": sum(piece.wants_measuring for piece in report.pieces),
        "out of drawing": report.counts["fail"],
    }
    return f"{models}: {', '.join(f'{count} {what}' for what, count in counts.items() if count)}."


def _out(report: BatchReport) -> list[Block]:
    """Return the pieces that are out, each with what is wrong and what to do."""
    out = [piece for piece in report.pieces if piece.verdict == "fail" and piece.fault is not None]
    lines = [
        f"{piece.mouthpiece_id}  {fault_words(piece.fault)}: {REMEDIES[piece.fault.kind]}." for piece in out if piece.fault
    ]
    if not lines:
        return []
    blocks: list[Block] = [Text("Out of drawing:"), *(Text(line, indent=2, hang=2) for line in lines[:SHOWN_PIECES])]
    more = len(lines) - SHOWN_PIECES
    return [*blocks, *([Text(f"and {more} more: --format csv has all.", indent=2)] if more > 0 else []), Gap()]


def _again(report: BatchReport) -> list[Block]:
    """Return the pieces to be read again, those for one reason together."""
    by_reading: dict[str, list[str]] = defaultdict(list)
    by_want: dict[str, list[str]] = defaultdict(list)
    for piece in report.pieces:
        if piece.verdict == "inconclusive" and piece.fault is not None:
            by_reading[again_words(piece.fault)].append(piece.mouthpiece_id)
        elif piece.verdict == "inconclusive":
            by_want[_wanted(piece)].append(piece.mouthpiece_id)
    lines = [Text(f"Read {what} twice more: {', '.join(ids)}.") for what, ids in by_reading.items()]
    lines += [Text(f"Measure {what}: {', '.join(ids)}.") for what, ids in by_want.items()]
    if by_reading:
        lines.append(Text("Until then leave them as they are."))
    return [*lines, Gap()] if lines else []


def _wanted(piece: PieceJudged) -> str:
    """Return what must be measured before a piece can be judged."""
    stops = [at for at in piece.unmeasured if at.feature == "stop_mm"]
    if len(stops) > 1:
        return "the facing, with feelers"
    return listed([feature_words(at) for at in piece.unmeasured]) or "what the drawing asks for"


def _remarks(report: BatchReport) -> list[str]:
    """Return what fails without failing a piece, and what was measured or not beside the drawing: once for all pieces."""
    minor: dict[str, list[str]] = defaultdict(list)
    for piece in report.pieces:
        for judged in piece.minor:
            minor[feature_words(judged.at)].append(piece.mouthpiece_id)
    missing = {feature_words(at) for piece in report.pieces for at in piece.missing if at.feature != "stop_mm"}
    beside = sorted({feeler for piece in report.pieces for feeler in piece.beside_mm})
    found = [f"Also outside the drawing, but not critical: {', '.join(ids)}, {what}." for what, ids in minor.items()]
    found += [f"Not measured on every piece: {listed(sorted(missing))}."] if missing else []
    if beside:
        found.append(f"Feelers that the drawing has not, and that were not judged: {', '.join(f'{f:g}' for f in beside)} mm.")
    return found


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
        if chart.drifts and abs(chart.slope) * item.count > WORTH_TELLING * (item.high - item.low):
            low, high = sorted((abs(chart.slope_low) * MM / UM, abs(chart.slope_high) * MM / UM))
            way = "grows" if chart.slope > 0 else "shrinks"
            size = f"{abs(chart.slope) * MM / UM:.1f} ({low:.1f} to {high:.1f}) µm a piece, {abs(chart.slope) * item.count:.2f} mm in all"
            found.append(f"{where} {way} by {size}: look at the cutter before the next batch.")
    return [sentences(text) for text in found]


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
    return [f"All are good; of others made so at most {percent(report.worst_share)} would not be (95 % sure)."]


def _what_if(what: WhatIf) -> str:
    """Return what finer gauges would decide."""
    counts = what.counts
    near = counts["inconclusive"]
    return sentences(f"{_BETTER[what.how]}, {near or 'none'} would be too near a limit, {counts['fail']} out")


def _pairing(pairing: Pairing) -> list[Block | str]:
    """Return which house reeds go with the pieces."""
    low, high = pairing.closing_range_kpa
    pieces = list(dict.fromkeys(pair.mouthpiece_id for pair in pairing.pairs))
    whole, some, none = [], [], []
    for lot in pairing.lots:
        good = sum(pair.in_range >= MOSTLY for pair in pairing.pairs if pair.lot == lot.lot)
        if good == len(pieces):
            whole.append(lot.lot)
        elif good:
            some.append(f"{lot.lot} on {good} of {len(pieces)}")
        else:
            none.append(lot.lot)
    box = listed([f"{item.strength:g}" for item in pairing.box])
    return [
        f"{pairing.model or pairing.instrument} with the house reeds; nine in ten of a box close within {low:g} to {high:g} kPa:",
        *([Text(f"On every piece: {', '.join(whole)}.", indent=2)] if whole else []),
        *([Text(f"On some: {', '.join(some)}.", indent=2)] if some else []),
        *([Text(f"On none: {', '.join(none)}.", indent=2)] if none else []),
        Text(
            f"For the box: {pairing.box[0].profile} {box}; most of these close in range."
            if pairing.box[0].in_range > 0
            else "No strength can go on the box: none closes within the house's range.",
            indent=2,
        ),
        *([Text(f"These go with no house reed: {', '.join(pairing.alone)}.", indent=2)] if pairing.alone else []),
    ]


# numbers


def _numbers(report: BatchReport) -> list[Block | str]:
    """Return the tables: what was read of pieces that are not good, how capable the making is, and the pairing."""
    told = [piece for piece in report.pieces if piece.verdict != "pass" and piece.worst is not None]
    read = tuple(_read_row(piece) for piece in told)
    blocks: list[Block | str] = []
    if read:
        blocks += [
            "",
            Table(("piece", "verdict", "read", "u", "allowed", "is out"), read, right=(2, 3, 5)),
            "",
            "u is one standard uncertainty; pass and fail are 95 % sure. Is out: how likely the piece is.",
        ]
    capable = [item for item in report.features if item.capability is not None and not _one_feeler(item)]
    capable.sort(key=lambda item: item.capability.cpk if item.capability is not None else 0.0)
    if capable:
        rows = tuple(_capable_row(item, report) for item in capable[:SHOWN_FEATURES])
        few = capable[0].capability is not None and not capable[0].capability.quotable
        note = f"; from {capable[0].count} pieces it says little" if few else ""
        blocks += [
            "",
            Table(("least capable", "95 % of such", "allowed", "Cpk", "at least"), rows, right=(1, 2, 3, 4)),
            "",
            f"95 % of pieces made so, with 95 % confidence{note}.",
        ]
    for pairing in report.pairings:
        blocks += _pairing_table(pairing)
    assumed = assumed_words([*report.assumed, *(item for pairing in report.pairings for item in pairing.assumed)])
    return [*blocks, assumed] if assumed else blocks


def _one_feeler(item: FeatureSummary) -> bool:
    return item.feature == "rail_difference_mm" and item.feeler_mm is not None


def _read_row(piece: PieceJudged) -> tuple[str, ...]:
    worst = piece.worst
    if worst is None or piece.wants_measuring:
        return piece.mouthpiece_id, piece.verdict, "-", "-", "-", "-"
    allowed = f"{worst.low:.2f} to {worst.high:.2f}"
    return piece.mouthpiece_id, piece.verdict, f"{worst.value:.3f}", f"{worst.u:.3f}", allowed, percent(1 - worst.probability)


def _capable_row(item: FeatureSummary, report: BatchReport) -> tuple[str, ...]:
    found = item.capability
    index = ("-", "-") if found is None else (f"{found.cpk:.2f}", f"{found.cpk_low:.2f}")
    made = f"{item.tolerance_low:.2f} to {item.tolerance_high:.2f}"
    return _where(item, report), made, f"{item.low:.2f} to {item.high:.2f}", *index


def _pairing_table(pairing: Pairing) -> list[Block | str]:
    rows = []
    for lot in pairing.lots:
        mine = [pair for pair in pairing.pairs if pair.lot == lot.lot]
        rows.append(
            (
                lot.lot,
                _span([pair.closing_pressure_kpa for pair in mine], 1),
                f"{max(pair.u_closing_pressure_kpa for pair in mine):.1f}",
                _span([pair.playing_opening_mm for pair in mine], 2),
                _span([100 * pair.closing_share for pair in mine], 1),
                percent(lot.in_range),
                percent(lot.in_range_half_softer),
            )
        )
    titles = ("reeds", "closing kPa", "u", "opening mm", "left %", "in range", "softer")
    return [
        "",
        Table(titles, tuple(rows), right=(1, 2, 3, 4, 5, 6)),
        "",
        sentences(
            "ranges are over the pieces",
            "left is what stays open at the closing pressure",
            "in range is the share of reeds and pieces, and the same for a box half a strength softer",
        ),
    ]


def _span(values: Sequence[float], digits: int) -> str:
    low, high = (f"{value:.{digits}f}" for value in (min(values), max(values)))
    return low if low == high else f"{low} to {high}"
