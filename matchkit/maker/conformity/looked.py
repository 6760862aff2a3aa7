"""What is told of a piece beside its verdict: what its scans are worth, bumps and flats, and rails that were read on several days."""

from __future__ import annotations

from dataclasses import replace

from matchkit.maker.conformity.judged import PieceJudged
from matchkit.maker.measure.exchanged import rails_exchanged
from matchkit.maker.measure.flaws import FlawFound, flaws_found
from matchkit.maker.measure.scanned import scan_found
from matchkit.maker.measure.stations import days_of_a_rail
from matchkit.maker.pieces import Pieces
from matchkit.parts.facing import lay_of_rails, rails_of, scans_of
from matchkit.physics.lay.fair import Readings
from matchkit.records.parts import Mouthpiece
from matchkit.records.spec import Gauge
from matchkit.units import MM


def looked_over(
    judged: PieceJudged, piece: Mouthpiece, pieces: Pieces, rails: dict[str, Readings], *, gauge: Gauge, feelers: bool
) -> PieceJudged:
    """Return a piece that was judged with all else that is told of it.

    ``rails`` are those that it was judged by, a scan as far as its thinnest feeler would stop. Bumps and flats are looked for in scans, and in
    readings of feelers where ``feelers`` is set.
    """
    readings, points = pieces.readings.get(piece.id, []), pieces.points.get(piece.id, [])
    scans = scans_of(points)
    flaws: tuple[FlawFound, ...] = ()
    if rails and (scans or feelers) and (scans or not judged.asks_zero):
        read = rails_of(piece, readings, points, gauge=gauge)
        lay = lay_of_rails(read, tip_opening_m=piece.tip_opening_mm * MM, u_tip_m=gauge.u_tip_mm * MM)
        flaws = tuple(flaw for flaw in flaws_found(lay, read, scans) if flaw.sure)
    return replace(
        judged,
        scans=tuple(scan_found(rail, scan, float(rails[rail].place_m[-1])) for rail, scan in scans.items()),
        flaws=flaws,
        days_of_a_rail=days_of_a_rail([*readings, *points]),
        exchanged=rails_exchanged(piece, pieces.sets.get(piece.id, ()), gauge=gauge),
    )
