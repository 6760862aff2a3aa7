"""Paper for the bench: a sheet with places to fill in, and the record of a batch or a piece for the file and the customer."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence

from matchkit.maker.conformity.judged import PieceJudged
from matchkit.maker.facts import Fault, FeatureAt
from matchkit.maker.paper import BatchRecord, PieceRecord, RecordLine, Sheet
from matchkit.words.facts import assumed_words
from matchkit.words.maker.features import (
    EXCHANGED,
    NAMES,
    VERDICTS,
    aside_words,
    fault_words,
    feature_words,
    flaw_words,
    model_words,
    slip_words,
    unit_of,
)
from matchkit.words.numbers import allowed_words, percent
from matchkit.words.screen import Block, Gap, Screen, Table, listed, screen, sentences

BLANK = "______"

GAUGES = {
    "u_feeler_mm": "feelers",
    "u_stop_mm": "touch of a stop",
    "stop_step_mm": "step a stop is read to",
    "u_operator_mm": "people among one another",
    "u_tip_mm": "tip opening",
    "u_size_mm": "callipers",
    "u_depth_mm": "depth gauge",
    "u_table_mm": "feelers under the straight edge",
    "u_volume_cm3": "volume",
}


def sheet_screen(sheet: Sheet) -> Screen:
    """Return a sheet to fill in by hand, piece by piece."""
    rows: dict[str, dict[float, None]] = defaultdict(dict)
    for row in sheet.rows:
        rows[row.mouthpiece_id][row.feeler_mm] = None
    sizes = {row.mouthpiece_id: row.sizes for row in sheet.sizes}
    blocks: list[Block | str] = []
    for piece, feelers in rows.items():
        blocks += [
            f"{piece}    read on {BLANK}    by {BLANK}    gauge {BLANK}",
            "",
            Table(
                ("feeler mm", "left rail", "right rail", "again left", "again right"),
                tuple((f"{feeler:g}", *[BLANK] * 4) for feeler in feelers),
            ),
            "",
            "  ".join(f"{NAMES[size]} {BLANK}" for size in sizes[piece]),
            Gap(),
        ]
    return screen(
        blocks,
        "Stops in mm from the tip; wipe the feelers, thinnest last, do not force them. Read one rail through, then the other.",
        "Wash and disinfect a mouthpiece that somebody played before it is handled.",
        "As a table to type into: --format csv --out facings.csv.",
    )


def record_screen(record: BatchRecord) -> Screen:
    """Return the record of a batch, piece by piece."""
    head = " · ".join(
        part for part in (record.house, record.made_on or "", f"verdicts {percent(record.confidence)} sure") if part
    )
    return screen(
        head,
        "",
        aside_words(record.set_aside),
        slip_words(record.slips, [piece.judged for piece in record.pieces]),
        (block for piece in record.pieces for block in _piece(piece)),
        sentences(*gauge_words(record)),
        assumed_words(record.assumed) or None,
        "± holds the true value 19 times of 20. A piece is good where every critical size is within its limits, its doubt allowed for.",
    )


def gauge_words(record: BatchRecord) -> list[str]:
    """Return what the gauges are worth."""
    told = [
        f"{GAUGES[name]} {value:g} {'cm³' if name == 'u_volume_cm3' else 'mm'}"
        for name, value in record.gauge.items()
        if value > 0
    ]
    return [f"standard uncertainties of the gauge: {', '.join(told)}"]


def _against(fault: Fault) -> str | None:
    """Return what a size that is off is held against: a rail against the other one, everything else against its drawing."""
    return None if fault.feature == "rail_difference_mm" else "that is against what is drawn"


def _piece(piece: PieceRecord) -> list[Block | str]:
    return [
        piece_head(piece),
        read_words(piece),
        *_wrong(piece.judged),
        "",
        Table(STOP_TITLES, stop_rows(piece), right=(0, 1, 2, 3, 4, 5)),
        "",
        Table(("size", "read", "±", "drawn", "allowed", "verdict"), size_rows(piece), right=(1, 2, 3, 4)),
        "",
        *(
            [f"Not limited by the drawing: {listed([flaw_words(flaw) for flaw in piece.judged.flaws])}.", ""]
            if piece.judged.flaws
            else []
        ),
        *([f"Not measured: {_missing(piece.judged.missing)}.", ""] if piece.judged.missing else []),
    ]


def _wrong(judged: PieceJudged) -> list[str]:
    """Return what is wrong with a piece, all of it, and what is to be asked."""
    told = [] if judged.fault is None else [sentences(fault_words(judged.fault), _against(judged.fault))]
    told += [sentences(fault_words(fault)) for fault in judged.also]
    told += [model_words(judged)] if judged.fits is not None else []
    return [*told, sentences(EXCHANGED)] if judged.exchanged else told


def _missing(missing: Sequence[FeatureAt]) -> str:
    """Return what was not measured, the feelers of a rail together."""
    rails: dict[str, list[str]] = {}
    for at in missing:
        if at.feature == "stop_mm" and at.feeler_mm is not None:
            rails.setdefault(f"{at.rail} rail", []).append(f"{at.feeler_mm:g}")
    named = [f"{rail} with the {listed(feelers)} mm feeler{'s' if len(feelers) > 1 else ''}" for rail, feelers in rails.items()]
    return listed([*named, *(feature_words(at) for at in missing if at.feature != "stop_mm")])


def piece_head(piece: PieceRecord) -> str:
    """Return a piece with its verdict."""
    serial = "" if piece.serial is None else f", serial {piece.serial}"
    verdict = "not measured enough to say" if piece.judged.wants_measuring else VERDICTS[piece.verdict]
    verdict = "perhaps of another model" if piece.judged.of_another else verdict
    return f"{piece.mouthpiece_id} ({piece.model}{serial}): {verdict}."


def read_words(piece: PieceRecord) -> str:
    """Return who read it when and with what, as far as that is recorded."""
    days = ", ".join(piece.read_on)
    people = f" by {', '.join(piece.operators)}" if piece.operators else ""
    gauges = f" with {', '.join(piece.gauges)}" if piece.gauges else ""
    step = f", stops to {piece.judged.stop_step_mm:g} mm" if piece.judged.stop_step_mm > 0 and not piece.judged.scanned else ""
    return f"Read{f' on {days}' if piece.read_on else ' on a day that is not recorded'}{people}{gauges}{step}."


STOP_TITLES = ("feeler mm", "left mm", "right mm", "±", "drawn", "allowed", "verdict")


def stop_rows(piece: PieceRecord) -> tuple[tuple[str, ...], ...]:
    """Return the stops of a piece as cells, a feeler a row, with the worse verdict of the two rails."""
    found = []
    for feeler in sorted({line.feeler_mm for line in piece.lines if line.feature == "stop_mm" and line.feeler_mm is not None}):
        sides = {line.rail: line for line in piece.lines if line.feature == "stop_mm" and line.feeler_mm == feeler}
        left, right = (f"{sides[rail].value:.2f}" if rail in sides else "-" for rail in ("left", "right"))
        worst = max(sides.values(), key=lambda line: list(VERDICTS).index(line.verdict))
        allowed = allowed_words(worst.low, worst.high)
        doubt, drawn = f"{worst.plus_minus:.2f}", f"{worst.nominal:.2f}"
        found.append((f"{feeler:g}", left, right, doubt, drawn, allowed, verdict_words(worst)))
    return tuple(found)


def size_rows(piece: PieceRecord) -> tuple[tuple[str, ...], ...]:
    """Return every other size as cells; rails against one another on average, and at a feeler where they fail the piece."""
    return tuple(
        _line_row(line)
        for line in piece.lines
        if line.feature != "stop_mm" and (line.feature != "rail_difference_mm" or line.feeler_mm is None or line.critical)
    )


def verdict_words(line: RecordLine) -> str:
    """Return the verdict on one size."""
    said = VERDICTS[line.verdict]
    if line.verdict == "inconclusive":
        inside = (line.low is None or line.value >= line.low) and (line.high is None or line.value <= line.high)
        said = f"{'inside' if inside else 'outside'}, within the doubt"
    return said + ("" if line.critical or line.verdict == "pass" else ", not critical")


def _line_row(line: RecordLine) -> tuple[str, ...]:
    at = FeatureAt(line.feature, line.rail, line.feeler_mm)
    digits = 3 if line.feature == "table_gap_mm" else 2
    value, doubt, drawn = (f"{part:.{digits}f}" for part in (line.value, line.plus_minus, line.nominal))
    sign = " (below 0 hollow)" if line.feature == "table_gap_mm" else ""
    name = f"{feature_words(at)}{sign}, {unit_of(at)}"
    return name, value, doubt, drawn, allowed_words(line.low, line.high, digits), verdict_words(line)
