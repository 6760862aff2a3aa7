"""One facing for its maker: the verdict on the rails, then lengths with their ranges, bumps, and what the table leaves open."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence

from matchkit.constants import TWO_SIDED
from matchkit.maker.conformity.batch import FINER_STEP_MM
from matchkit.maker.conformity.judged import COARSE_STEP_MM, PieceJudged
from matchkit.maker.facts import Fault
from matchkit.maker.measure.flaws import FlawFound
from matchkit.maker.measure.rails import RailsVerdict
from matchkit.maker.measure.report import FacingReport
from matchkit.maker.measure.scanned import ScanFound, tip_unlike_scans
from matchkit.maker.measure.stations import StationRead
from matchkit.words.facts import assumed_words
from matchkit.words.maker.features import (
    DUST,
    EXCHANGED,
    REMEDIES,
    SCANNED_REMEDIES,
    also_words,
    fault_words,
    feature_words,
    model_words,
    zero_first,
)
from matchkit.words.maker.scans import FINE_MM, crooked_words, scan_words, scanned_again
from matchkit.words.numbers import plus_minus
from matchkit.words.screen import Block, Screen, Table, listed, screen, sentences

LEAST_SHOWN = 0.01
"""No doubt is told to less, in mm."""


def facing_screen(report: FacingReport, *, numbers: bool = False) -> Screen:
    """Return the screen of a facing, with every feeler where numbers were asked for."""
    return screen(
        _exchanged(report),
        _zero(report),
        _rails(report) if report.measured else f"{report.mouthpiece_id} was never measured: these are its nominal numbers.",
        _by_drawing(report),
        _mixed(report.days_of_a_rail),
        _lengths(report),
        _flaws(report),
        scan_words(report.scans),
        _tip_of_scans(report.mouthpiece_id, report.tip_opening_mm, report.u_tip_opening_mm, report.scans),
        crooked_words(report.scans),
        _table(report) if report.measured else None,
        _numbers(report) if numbers else None,
        _step(report),
        assumed_words(report.assumed) or None,
        None if numbers or not report.stations else "More: --numbers has every feeler.",
    )


def _rails(report: FacingReport) -> list[str]:
    """Return whether the rails are level, and what to do where they are not."""
    rails = report.rails
    mean = 0.0 if rails.mean_mm is None else abs(rails.mean_mm)
    told = f"{mean:.2f} ± {max(TWO_SIDED * (rails.u_mean_mm or 0.0), LEAST_SHOWN):.2f} mm apart on average"
    level = f"the rails are level, as far as the gauge can tell: {told}."
    lines: dict[RailsVerdict, Callable[[], list[str]]] = {
        "not compared": lambda: [f"{_no_rails(report)}."],
        "at one feeler": lambda: [_one_feeler(report)],
        "not known": lambda: [f"whether the rails are level cannot be told: {told}."],
        "level": lambda: [level],
        "level, near": lambda: [level, f"The drawing allows {rails.limit_mm:g} mm, so {_again(report)} to be sure of it."],
    }
    first, *more = lines.get(rails.verdict, lambda: _apart(report))()
    return [f"{report.mouthpiece_id}: {first}", *more]


def _by_drawing(report: FacingReport) -> str | None:
    """Return the verdict by the drawing, as the batch gives it; of the rails it stands in the first line."""
    judged = report.by_drawing
    if judged is None:
        return None
    if judged.of_another:
        return model_words(judged)
    if judged.fault is None:
        return "Within its drawing." if judged.verdict == "pass" else _unread(judged)
    if judged.fault.feature == "rail_difference_mm":
        return also_words(judged)
    return _of_fault(judged, judged.fault)


def _unread(judged: PieceJudged) -> str | None:
    """Return which stops its drawing asks for and nobody read, where some were."""
    stops = [feature_words(at) for at in judged.unmeasured if at.feature == "stop_mm"]
    rails = {one.rail for one in judged.features if one.feature == "stop_mm"}
    return (
        f"Not measured enough to say whether it is within its drawing: read {listed(stops)} too."
        if stops and len(rails) == 2
        else None
    )


def _of_fault(judged: PieceJudged, fault: Fault) -> str | None:
    """Return what is wrong by the drawing, or too near it to say."""
    if fault.sure:
        remedies = SCANNED_REMEDIES if judged.scanned else REMEDIES
        told = f"Out of drawing: {fault_words(fault)}: {remedies[fault.kind]}."
        return f"{told} {also_words(judged) or ''}".strip()
    if judged.lacks_table:
        return None  # it is to be scanned further, which is said of the scan
    return f"Too near a limit of its drawing to say: {fault_words(fault)}."


def _apart(report: FacingReport) -> list[str]:
    """Return which rail is short, by how much, and what to do about it."""
    rails = report.rails
    mean, thin = rails.mean_mm or 0.0, rails.thinnest_mm
    what = f"the {rails.rail} rail is {abs(mean):.2f} mm short on average"
    at = "" if thin is None or thin * mean <= 0 else f", {abs(thin):.2f} mm at the thinnest feeler"
    fault = None if report.by_drawing is None else report.by_drawing.fault
    drawn = (
        None if fault is None or fault.off_rail is None else f"by its drawing it is the {fault.off_rail} rail that is too long"
    )
    again = sentences(f"{_again(report)} before touching it")
    edge = "lay a straight edge across the table first: a twisted table reads the same"
    edge = f"see that both scans count from the tip, and {edge}" if report.scans else edge
    lines: dict[RailsVerdict, Callable[[], list[str]]] = {
        "within": lambda: [f"{what}, within the {rails.limit_mm:g} mm of the drawing."],
        "no zero": lambda: ["whether the rails are level cannot be told from scans that show so little of the table."],
        "near": lambda: [f"{what}{at}, too near the {rails.limit_mm:g} mm of the drawing to say.", again],
        "perhaps": lambda: [f"perhaps {what}{at}.", again],
        "short": lambda: [
            f"{what}{at}.",
            sentences(drawn, edge, f"if it is not twisted, lengthen the {rails.rail} rail"),
            DUST,
        ],
    }
    return lines[rails.verdict]()


def _again(report: FacingReport) -> str:
    """Return how to read the rails better."""
    if report.scans:
        return f"scan both rails {scanned_again(report.scans)},"
    if (step := report.budget.get("stop_step_mm", 0.0)) >= COARSE_STEP_MM:
        return f"read both rails to {FINER_STEP_MM:g} mm (again to {step:g} mm would not help)"
    return "read both rails twice more"


def _exchanged(report: FacingReport) -> str | None:
    """Return that the rails may have been written for one another."""
    if report.by_drawing is None or not report.by_drawing.exchanged:
        return None
    return f"{report.mouthpiece_id}: {EXCHANGED}; see first which rail is which."


def _zero(report: FacingReport) -> str | None:
    """Return that a zero is to be looked at before what else is wrong."""
    told = None if report.by_drawing is None or report.by_drawing.of_another else zero_first(report.by_drawing)
    return None if told is None else f"{report.mouthpiece_id}: {told}. Besides:"


def _mixed(days: Sequence[str]) -> str | None:
    """Return that readings of several days stand together."""
    if not days:
        return None
    return f"A rail was read on {listed(days)}: if the piece was worked between, read all its feelers again."


def _one_feeler(report: FacingReport) -> str:
    """Return the one feeler at which the rails differ, which rail leaves its own line there, and whether a bump or flat says why."""
    rails = report.rails
    size = abs(rails.size_mm or 0.0)
    where = "" if rails.place_mm is None else f", {rails.place_mm:.0f} mm from the tip"
    what = f"at the {rails.feeler_mm:g} mm feeler alone{where}, the {rails.rail} rail is {size:.2f} mm {rails.way}"
    if rails.at_flaw:
        return f"{what}; a bump or a flat there would do that."
    again = "scan there again" if report.scans else "read that feeler again"
    own, other = ("bump", "flat") if rails.way == "short" else ("flat", "bump")
    look = f"a {own} on it" if rails.stray else f"a {own} on it, or a {other} on the other one"
    return f"{what}. {sentences(f'{again}; if it stays, look there for {look}')}"


def _no_rails(report: FacingReport) -> str:
    """Return why the rails cannot be held against one another."""
    if len(report.scans) != 1:
        read = {rail for row in report.stations for rail in ("left", "right") if getattr(row, f"{rail}_mm") is not None}
        if len(read) == 1:
            other = "right" if "left" in read else "left"
            return f"only the {read.pop()} rail was read; read the {other} one too, with the same feelers"
        return "the rails cannot be held against one another from these readings"
    (scan,) = report.scans
    other = "right" if scan.rail == "left" else "left"
    return f"only the {scan.rail} rail was scanned; scan the {other} one too, to hold them against one another"


def _step(report: FacingReport) -> str | None:
    """Return the step that stops were read to, where it is one that tells."""
    step = report.budget.get("stop_step_mm", 0.0)
    return (
        f"Stops are read to {step:g} mm; that is in every ± here."
        if report.stations and not report.scans and step >= COARSE_STEP_MM
        else None
    )


def _lengths(report: FacingReport) -> str:
    smooth = ""
    if report.smoothness_um is not None:
        floor = report.smoothness_floor_um
        alone = "" if floor is None else f" (the gauge alone shows {floor:.0f})"
        shown = "" if report.scans else f" as far as {len(report.stations)} feelers show"
        smooth = f", smooth to {report.smoothness_um:.0f} µm{shown}{alone}"
    tip = plus_minus(report.tip_opening_mm, report.u_tip_opening_mm, 2, "mm")
    fine = 2 if TWO_SIDED * report.u_facing_length_mm < 0.1 else 1
    length = plus_minus(report.facing_length_mm, report.u_facing_length_mm, fine, "mm")
    return f"Tip {tip}, facing {length}{smooth}. Each ± holds 19 times of 20."


def _flaws(report: FacingReport) -> list[str]:
    """Return the bumps and flats that are surely there; those of feelers may rest on one reading."""
    spacing = max((scan.spacing_mm for scan in report.scans), default=math.inf)
    told = [_flaw(flaw, spacing) for flaw in report.bumps if flaw.sure]
    again = "Read the feelers there again before anything comes off: one slip of a reading looks the same."
    return [*told, again] if told and not report.scans else told


def _flaw(flaw: FlawFound, spacing_mm: float) -> str:
    where = "" if flaw.rail is None else f" on the {flaw.rail} rail"
    if not flaw.sized and spacing_mm <= FINE_MM:
        size = "high" if flaw.kind == "bump" else "deep"
        return f"A {flaw.kind} about {flaw.place_mm:.0f} mm from the tip{where}; how {size} cannot be told beside the curve of the lay."
    if not flaw.sized:
        return f"A {flaw.kind} about {flaw.place_mm:.0f} mm from the tip{where}, too narrow for points so far apart to say how high: scan there at {FINE_MM:g} mm."
    size = f"{abs(flaw.height_um):.0f} ± {TWO_SIDED * flaw.u_height_um:.0f} µm over {flaw.length_mm:.{0 if flaw.length_mm >= 1 else 1}f} mm"
    return f"A {flaw.kind} {flaw.place_mm:.0f} mm from the tip{where}: {size}."


def _tip_of_scans(piece: str, tip_mm: float, u_tip_mm: float, scans: Sequence[ScanFound]) -> str | None:
    """Return that the scans lead to another tip opening than the one that was measured."""
    other = tip_unlike_scans(tip_mm, u_tip_mm, scans)
    return (
        None
        if other is None
        else f"By its scan the tip of {piece} is {other:.2f} mm, not {tip_mm:.2f}: measure it again first."
    )


def _table(report: FacingReport) -> str:
    """Return what is known of the table, and what cannot be seen in readings."""
    gap = report.table.gap_mm
    if gap is None:
        told = "table flatness is not recorded; a hollow table cannot be seen in these readings"
    elif gap > 0:
        told = f"the table is convex by {gap:.3f} mm: the plate rocks, so the readings are less sure"
    else:
        told = f"the table is hollow by {-gap:.3f} mm" if gap < 0 else "the table is flat"
    rocking = {
        "yes": "all feelers stop off the drawing, the more the further they are from the tip: the facing is so, or the plate rocks on the table; look at that first",
        "no drawing": "a rocking gauge plate reads too long, which cannot be told without a drawing",
        "no": None,
        "scanned": None,
    }[report.table.rocking]
    return sentences(told, rocking)


def _numbers(report: FacingReport) -> list[Block | str]:
    rows = [
        ("tip opening", f"{report.tip_opening_mm:.2f}", _u(report.u_tip_opening_mm), "mm", ""),
        ("facing length", f"{report.facing_length_mm:.2f}", _u(report.u_facing_length_mm), "mm", "where 0.038 mm stops"),
        ("break", f"{report.break_mm:.1f}", _u(report.u_break_mm, 1), "mm", "where the lay leaves the table"),
    ]
    if report.left_facing_length_mm is not None and report.right_facing_length_mm is not None:
        u = report.u_rail_facing_length_mm
        rows.append(("left rail", f"{report.left_facing_length_mm:.2f}", _u(u), "mm", "with the shape of both"))
        rows.append(("right rail", f"{report.right_facing_length_mm:.2f}", _u(u), "mm", "with the shape of both"))
    if report.leak_mm2 is not None:
        rows.append(("gap of the rails", f"{report.leak_mm2:.2f}", "-", "mm2", "between them, seen from the side"))
    blocks: list[Block | str] = ["", Table(("", "value", "u", "unit", ""), tuple(rows), right=(1, 2)), ""]
    if report.stations:
        titles = ("feeler", "left", "right", "left - right", "left off", "right off")
        blocks += [Table(titles, tuple(map(_station, report.stations)), right=(0, 1, 2, 3, 4, 5)), ""]
        blocks.append("Stops in mm; off is how far the lay is from its fair curve, in µm; u in brackets.")
    rises = f"with the power {report.exponent:.2f} ± {report.u_exponent:.2f} of the way from the break (an arc: 2)"
    return [*blocks, f"The fair curve rises {rises}.", *([_draws(report)] if report.draws else [])]


def _draws(report: FacingReport) -> str:
    first = f"to first order that of the facing length is {report.u_facing_length_first_order_mm:.2f} mm"
    return f"u is one standard uncertainty, from {report.draws} draws; {first}."


def _u(value: float | None, digits: int = 2) -> str:
    return "-" if value is None else f"{value:.{digits}f}"


def _station(read: StationRead) -> tuple[str, ...]:
    def with_u(value: float | None, u: float | None, digits: int) -> str:
        return "-" if value is None or u is None else f"{value:.{digits}f} ({u:.{digits}f})"

    return (
        f"{read.feeler_mm:.3f}",
        with_u(read.left_mm, read.u_left_mm, 2),
        with_u(read.right_mm, read.u_right_mm, 2),
        with_u(read.difference_mm, read.u_difference_mm, 2),
        with_u(read.left_off_um, read.u_left_off_um, 0),
        with_u(read.right_off_um, read.u_right_off_um, 0),
    )
