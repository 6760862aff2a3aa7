"""What the scans of a piece, or of a batch, are worth: zero and tilt of the indicator, holes, dust, and the tip that they lead to."""

from __future__ import annotations

from collections.abc import Callable, Sequence

from matchkit.maker.conformity.judged import PieceJudged
from matchkit.maker.measure.scanned import ScanFound, tip_crooked_mm, tip_unlike_scans
from matchkit.words.maker.features import shortened
from matchkit.words.numbers import counted
from matchkit.words.screen import listed

MOST_SPECKS = 3
"""So many points of a scan that were left out are told one by one."""
FINE_MM = 0.25
"""Points so near one another size every bump that is looked for."""
MUCH_TABLE_MM = 15
"""So much of the table fixes the plane of a scan well."""
COARSE_SPACING_MM = 0.4
"""Points further apart tell rails and zero less well than finer ones would."""
NOISY_UM = 10.0
"""Points of a scan that scatter by so much are told of."""
COARSE_MM = 1.2
"""A scan that cannot show a bump so narrow says so."""


def scanned_again(scans: Sequence[ScanFound]) -> str:
    """Return how to scan a rail better: at finer points where these lie far apart, else twice more."""
    coarse = max((scan.spacing_mm for scan in scans), default=0.0) > COARSE_SPACING_MM
    return f"{f'again at {FINE_MM:g} mm' if coarse else 'twice more'}, {MUCH_TABLE_MM} mm past the facing"


def scan_words(scans: Sequence[ScanFound]) -> list[str]:
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
            f"{_scans_verb(short, 'show')} too little level table to tell whether the indicator is tilted: scan {MUCH_TABLE_MM} mm past the facing."
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


def crooked_words(scans: Sequence[ScanFound]) -> str | None:
    """Return that the tip stands further open on one rail than on the other."""
    off = tip_crooked_mm(scans)
    if off is None:
        return None
    return f"By its scans the tip is crooked: {abs(off):.2f} mm further open on the {'left' if off > 0 else 'right'} rail."


def scans_of_pieces(pieces: Sequence[PieceJudged]) -> list[str]:
    """Return what is off with the scans of a batch, once for all its pieces."""
    told = []
    scanned = [piece for piece in pieces if piece.scans]

    def those(which: Callable[[ScanFound], object]) -> list[str]:
        return [piece.mouthpiece_id for piece in scanned if any(map(which, piece.scans))]

    if short := [piece.mouthpiece_id for piece in scanned if piece.lacks_table]:
        told.append(
            f"Too little of the table was scanned on {shortened(short)}: whether the indicator's zero is off cannot be told there. Scan {MUCH_TABLE_MM} mm past the facing."
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
    if crooked := [
        f"{piece.mouthpiece_id} {abs(off):.2f} mm" for piece in scanned if (off := tip_crooked_mm(piece.scans)) is not None
    ]:
        told.append(f"By its scans the tip is crooked, further open on one rail: {shortened(crooked)}.")
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
