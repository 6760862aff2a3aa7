"""One facing for its maker: the verdict on the rails, then lengths with their ranges, bumps, and what the table leaves open."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence

from matchkit.constants import TWO_SIDED
from matchkit.maker.conformity.judged import PieceJudged
from matchkit.maker.measure.rails import RailsVerdict
from matchkit.maker.measure.report import FacingReport, FlawFound
from matchkit.maker.measure.scanned import ScanFound, tip_unlike_scans
from matchkit.maker.measure.stations import StationRead
from matchkit.words.facts import assumed_words
from matchkit.words.maker.features import DUST, shortened
from matchkit.words.numbers import counted, plus_minus
from matchkit.words.screen import Block, Screen, Table, listed, screen, sentences

LEAST_SHOWN = 0.01
"""No doubt is told to less, in mm."""


def facing_screen(report: FacingReport, *, numbers: bool = False) -> Screen:
    """Return the screen of a facing, with every feeler where numbers were asked for."""
    return screen(
        _rails(report) if report.measured else f"{report.mouthpiece_id} was never measured: these are its nominal numbers.",
        _mixed(report.days_of_a_rail),
        _lengths(report),
        _flaws(report),
        _scans(report.scans),
        _tip_of_scans(report.mouthpiece_id, report.tip_opening_mm, report.u_tip_opening_mm, report.scans),
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


def _apart(report: FacingReport) -> list[str]:
    """Return which rail is short, by how much, and what to do about it."""
    rails = report.rails
    mean, thin = rails.mean_mm or 0.0, rails.thinnest_mm
    what = f"the {rails.short} rail is {abs(mean):.2f} mm short on average"
    at = "" if thin is None or thin * mean <= 0 else f", {abs(thin):.2f} mm at the thinnest feeler"
    again = sentences(f"{_again(report)} before touching it")
    edge = "lay a straight edge across the table first: a twisted table reads the same"
    lines: dict[RailsVerdict, Callable[[], list[str]]] = {
        "within": lambda: [f"{what}, within the {rails.limit_mm:g} mm of the drawing."],
        "no zero": lambda: [f"{what}{at}, if the zero of the indicator is right, which these scans cannot tell."],
        "near": lambda: [f"{what}{at}, too near the {rails.limit_mm:g} mm of the drawing to say.", again],
        "perhaps": lambda: [f"perhaps {what}{at}.", again],
        "short": lambda: [f"{what}{at}.", sentences(edge, f"if it is not twisted, lengthen the {rails.short} rail"), DUST],
    }
    return lines[rails.verdict]()


def _again(report: FacingReport) -> str:
    """Return how to read the rails better."""
    return f"scan both rails twice more, {MUCH_TABLE_MM} mm past the facing," if report.scans else "read both rails twice more"


def _mixed(days: Sequence[str]) -> str | None:
    """Return that readings of several days stand together."""
    if not days:
        return None
    return f"One rail was read on {listed(days)}: if the piece was worked between, read all its feelers again."


def _one_feeler(report: FacingReport) -> str:
    """Return the one feeler at which the rails differ, and that a bump or flat says why."""
    rails = report.rails
    size = abs(rails.size_mm or 0.0)
    what = f"at the {rails.feeler_mm:g} mm feeler alone, {rails.place_mm:.0f} mm from the tip, the {rails.short} rail is {size:.2f} mm short"
    if rails.at_flaw:
        return f"{what}, where there is a bump or a flat."
    again = "scan there again" if report.scans else "read that feeler again"
    return f"{what}. {sentences(f'{again}; if it stays, look there for a bump on it, or a flat on the other one')}"


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
        smooth = f", smooth to {report.smoothness_um:.0f} µm{alone}"
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


COARSE_STEP_MM = 0.2
"""Stops read to so much are said to be."""
MOST_SPECKS = 3
"""So many points of a scan that were left out are told one by one."""
FINE_MM = 0.25
"""Points so near one another size every bump that is looked for."""
MUCH_TABLE_MM = 15
"""So much of the table fixes the plane of a scan well."""
PAST_MM = 10
"""So much of the table tells zero and tilt of the indicator, a tilted one too."""
NOISY_UM = 10.0
"""Points of a scan that scatter by so much are told of."""
COARSE_MM = 1.2
"""A scan that cannot show a bump so narrow says so."""


def _scans(scans: Sequence[ScanFound]) -> list[str]:
    """Return what is off with the scans: zero or tilt of the indicator, holes, specks, what their points are too far apart to show; once for both rails."""
    told = []
    if unseen := [scan.rail for scan in scans if not scan.shows_table]:
        told.append(
            f"{_scans_verb(unseen, 'show')} too little of the table: whether the indicator's zero is off cannot be told."
        )
    if zeros := [(scan.rail, f"{scan.zero_um / 1000:+.3f} mm") for scan in scans if scan.zero_um and not scan.tilt_um_per_mm]:
        told.append(f"On the table the indicator reads {_on_rails(zeros)}: zero it there. It is taken off here.")
    if tilts := [(scan.rail, f"{scan.tilt_um_per_mm:+.1f} µm a millimetre") for scan in scans if scan.tilt_um_per_mm]:
        level = "level the piece, then zero the indicator on the table"
        told.append(f"The indicator runs off by {_on_rails(tilts)}: {level}. It is taken off here.")
    if short := [scan.rail for scan in scans if scan.shows_table and scan.tilt_um_per_mm is None]:
        told.append(
            f"{_scans_verb(short, 'show')} too little level table to tell whether the indicator is tilted: scan {PAST_MM} mm past the facing."
        )
    if noisy := [(scan.rail, f"{scan.noise_um:.0f} µm") for scan in scans if scan.noise_um >= NOISY_UM]:
        told.append(f"Points scatter by {_on_rails(noisy)}: is the piece, or the indicator, loose?")
    return [*told, *_points_missing(scans)]


def _points_missing(scans: Sequence[ScanFound]) -> list[str]:
    """Return where points are missing, were left out, or are too far apart."""
    holes: dict[str, list[str]] = {}
    for scan in scans:
        for start, stop in scan.holes_mm:
            holes.setdefault(f"{start:.1f} to {stop:.1f} mm", []).append(scan.rail)
    told = [f"No point from {where} on {_rail_names(rails)}: what is there cannot be seen." for where, rails in holes.items()]
    told += [
        f"Left out of the {scan.rail} scan as dust or a slip: {_specks(scan.specks_mm)}. Wipe the rail and scan it again."
        for scan in scans
        if scan.specks_mm
    ]
    coarse = {scan.spacing_mm: scan for scan in scans if scan.narrowest_mm >= COARSE_MM}
    for spacing, scan in coarse.items():
        where = "" if all(other.spacing_mm == spacing for other in scans) else f" on the {scan.rail} rail"
        told.append(f"Points {spacing:g} mm apart show no bump narrower than {scan.narrowest_mm:.1f} mm{where}.")
    return told


def _tip_of_scans(piece: str, tip_mm: float, u_tip_mm: float, scans: Sequence[ScanFound]) -> str | None:
    """Return that the scans lead to another tip opening than the one that was measured."""
    other = tip_unlike_scans(tip_mm, u_tip_mm, scans)
    return (
        None
        if other is None
        else f"By its scan the tip of {piece} is {other:.2f} mm, not {tip_mm:.2f}: measure it again first."
    )


def scans_of_pieces(pieces: Sequence[PieceJudged]) -> list[str]:
    """Return what is off with the scans of a batch, once for all its pieces."""
    told = []
    scanned = [piece for piece in pieces if piece.scans]

    def those(which: Callable[[ScanFound], object]) -> list[str]:
        return [piece.mouthpiece_id for piece in scanned if any(map(which, piece.scans))]

    if short := [piece.mouthpiece_id for piece in scanned if piece.lacks_table]:
        told.append(
            f"Too little of the table was scanned on {shortened(short)}: whether the indicator's zero is off cannot be told there. Scan {PAST_MM} mm past the facing."
        )
    zeros = [abs(scan.zero_um) / 1000 for piece in scanned for scan in piece.scans if scan.zero_um and not scan.tilt_um_per_mm]
    if zeros:
        on = counted(len(those(lambda scan: scan.zero_um and not scan.tilt_um_per_mm)), "scanned piece")
        told.append(f"On the table the indicator reads {_span(zeros, 3)} mm off on {on}: zero it there. It is taken off here.")
    tilts = [abs(scan.tilt_um_per_mm) for piece in scanned for scan in piece.scans if scan.tilt_um_per_mm]
    if tilts:
        on = counted(len(those(lambda scan: scan.tilt_um_per_mm)), "scanned piece")
        told.append(
            f"The indicator runs off by {_span(tilts, 1)} µm a millimetre on {on}: level the piece. It is taken off here."
        )
    if noisy := those(lambda scan: scan.noise_um >= NOISY_UM):
        told.append(
            f"Points scatter by {NOISY_UM:.0f} µm or more on {shortened(noisy)}: is the piece, or the indicator, loose?"
        )
    if odd := those(lambda scan: scan.specks_mm or scan.holes_mm):
        told.append(f"Points are missing, or were left out as dust, on {shortened(odd)}: matchkit facing says where.")
    tips = [
        (piece, tip.value, other)
        for piece in scanned
        for tip in piece.features
        if tip.feature == "tip_opening_mm" and (other := tip_unlike_scans(tip.value, tip.u, piece.scans)) is not None
    ]
    named = [f"{piece.mouthpiece_id} {other:.2f} mm, not {value:.2f}" for piece, value, other in tips]
    if named:
        told.append(f"By its scan the tip is another than was measured: {shortened(named)}. Measure it again first.")
    return told


def _span(values: Sequence[float], digits: int) -> str:
    low, high = f"{min(values):.{digits}f}", f"{max(values):.{digits}f}"
    return low if low == high else f"{low} to {high}"


def _scans_verb(rails: Sequence[str], verb: str) -> str:
    return f"The {rails[0]} scan {verb}s" if len(rails) == 1 else f"Both scans {verb}"


def _rail_names(rails: Sequence[str]) -> str:
    return "both rails" if len(rails) > 1 else f"the {rails[0]} rail"


def _on_rails(found: Sequence[tuple[str, str]]) -> str:
    return listed([f"{size} on the {rail} rail" for rail, size in found])


def _specks(specks_mm: Sequence[tuple[float, float]]) -> str:
    named = [
        f"{abs(off):.3f} mm too {'high' if off > 0 else 'low'} at {round(place, 2):g} mm"
        for place, off in specks_mm[:MOST_SPECKS]
    ]
    more = len(specks_mm) - len(named)
    return f"{', '.join(named)}{f' and {more} more' if more else ''}"


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
