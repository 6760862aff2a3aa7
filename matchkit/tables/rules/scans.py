"""What must hold of the scan of a rail: whole, without specks, from the tip to the table, and of the tip opening that is recorded."""

from __future__ import annotations

import datetime as dt
import statistics
from collections import defaultdict
from collections.abc import Iterable, Iterator
from itertools import pairwise

from matchkit import constants
from matchkit.errors import Problem
from matchkit.records.parts import LayPoint, Mouthpiece
from matchkit.tables.read.cells import plain
from matchkit.tables.rules.facings import ENDS_OF_TYPICAL, MAX_TIP_MISS_MM
from matchkit.tables.rules.one_rail import in_unit
from matchkit.tables.source import SourceReading
from matchkit.units import MM_PER_INCH

LEAST_SCAN_POINTS = 20
SCAN_START_MM = 2.0
SCAN_END_MM = 0.038


def scans_make_sense(house: SourceReading) -> Iterator[Problem]:
    """Check that a scan of a rail reaches from the tip to where the thinnest feeler would stop, and agrees with the tip opening."""
    if "lay_points" in house.tables and house.tables["lay_points"].in_another_unit:
        return
    rails: dict[tuple[str, str, dt.date | None], list[tuple[int, LayPoint]]] = defaultdict(list)
    for row, point in house.rows("lay_points", LayPoint):
        rails[point.mouthpiece_id, point.rail, point.date].append((row, point))
    pieces = {record.id: record for _, record in house.rows("mouthpieces", Mouthpiece)}
    latest = _latest(rails)
    broken = {ids.get("mouthpiece_id") for ids in house.tables["lay_points"].refused.values()} if rails else set()
    for (piece, rail, day), found in rails.items():
        if piece in broken:
            continue  # rows of it could not be read, and that is told
        found.sort(key=lambda pair: pair[1].x_mm)
        mine = pieces.get(piece) if (day or dt.date.min) == latest[piece] else None  # before a refacing the tip was another
        yield from _of_one_rail(house.file("lay_points"), f"the {rail} rail of {piece}", piece, found, mine)


def _of_one_rail(
    file: str, what: str, piece: str, found: list[tuple[int, LayPoint]], mouthpiece: Mouthpiece | None
) -> Iterator[Problem]:
    """Return what is wrong with one scan, what follows from it left out."""
    (first_row, first), (last_row, last) = found[0], found[-1]
    if len(found) < LEAST_SCAN_POINTS:
        expected = f"{LEAST_SCAN_POINTS} or more, a millimetre apart or less"
        yield Problem(file, last_row, "x_mm", f"{len(found)} points for {what}", expected)
    elif (
        mouthpiece is not None
        and (short := _too_short(file, what, found, mouthpiece)) is not None
        and _too_short(file, what, _levelled(found), mouthpiece)
    ):
        yield short
    elif (hole := _hole(found)) is not None:
        yield hole_problem(file, what, *hole)
    elif specks := _specks(found):
        yield from (_speck_problem(file, what, *speck) for speck in specks)
    elif first.x_mm > SCAN_START_MM:
        read = f"{what} from {plain(first.x_mm)} mm on"
        yield Problem(file, first_row, "x_mm", read, f"points from {SCAN_START_MM:g} mm of the tip or nearer")
    elif last.height_mm > SCAN_END_MM and not _on_table(found):
        read = f"{what} up to {plain(last.x_mm)} mm, still {plain(last.height_mm)} mm high"
        turned = _why_high(found)
        expected = f"points on to where it is lower than {SCAN_END_MM:g} mm"
        yield Problem(file, last_row, "height_mm", read, expected, turned, cause=f"{piece} {turned}" if turned else "")
    elif mouthpiece is not None and not any(
        _goes_with(one, mouthpiece.tip_opening_mm) for one in (first, _levelled(found)[0][1])
    ):
        read = f"{plain(first.height_mm)} mm at {plain(first.x_mm)} mm, {what}"
        expected = f"a height that goes with the tip opening of {plain(mouthpiece.tip_opening_mm)} mm"
        hint = _scan_hint(first, mouthpiece.tip_opening_mm)
        yield Problem(file, first_row, "height_mm", read, expected, hint, cause=f"{piece} {hint}" if hint else "")


def _goes_with(first: LayPoint, tip_mm: float) -> bool:
    """Tell whether the first height of a scan goes with a tip opening."""
    return -MAX_TIP_MISS_MM <= tip_mm - first.height_mm <= SCAN_TIP_FALL * first.x_mm + MAX_TIP_MISS_MM


def _height_from_inches(point: LayPoint) -> LayPoint:
    return point.model_copy(update={"height_mm": point.height_mm * MM_PER_INCH})


def _latest(rails: Iterable[tuple[str, str, dt.date | None]]) -> dict[str, dt.date]:
    """Return the day of the latest scan of each piece."""
    found: dict[str, dt.date] = {}
    for piece, _, day in rails:
        found[piece] = max(found.get(piece, dt.date.min), day or dt.date.min)
    return found


def _why_high(found: list[tuple[int, LayPoint]]) -> str:
    """Return what may be behind a scan that ends high above the table."""
    if found[-1][1].height_mm > found[0][1].height_mm:
        return "is x_mm counted from the table? it is counted from the tip"
    straight = _end_line(found) is not None
    return "is the table under the indicator level, and its zero set there?" if straight else ""


def _end_line(found: list[tuple[int, LayPoint]]) -> tuple[float, float] | None:
    """Return slope and zero of the end of a scan, in mm, where it is straight and no steeper than a table is tilted."""
    end = [point for _, point in found if point.x_mm >= found[-1][1].x_mm - STRAIGHT_MM]
    if len(end) < TABLE_POINTS:
        return None
    x, height = [point.x_mm for point in end], [point.height_mm for point in end]
    slope, zero = statistics.linear_regression(x, height)
    off = statistics.fmean((high - zero - slope * place) ** 2 for place, high in zip(x, height, strict=True)) ** 0.5
    return (slope, zero) if off < STRAIGHT_OFF_MM and abs(slope) < MOST_TILT else None


def _levelled(found: list[tuple[int, LayPoint]]) -> list[tuple[int, LayPoint]]:
    """Return a scan with the line of its end taken off, where that may be a tilted table."""
    line = _end_line(found)
    if line is None:
        return found
    slope, zero = line
    return [(row, point.model_copy(update={"height_mm": point.height_mm - zero - slope * point.x_mm})) for row, point in found]


def _too_short(file: str, what: str, found: list[tuple[int, LayPoint]], piece: Mouthpiece) -> Problem | None:
    """Tell a scan that meets the table nearer the tip than a facing of the instrument can: its x is in another unit."""
    if found[0][1].x_mm <= SCAN_START_MM and _goes_with(_height_from_inches(found[0][1]), piece.tip_opening_mm):
        hint = _scan_hint(found[0][1], piece.tip_opening_mm) or "heights in inches?"
        read = f"{plain(found[0][1].height_mm)} mm at {plain(found[0][1].x_mm)} mm, {what}"
        expected = f"a height that goes with the tip opening of {plain(piece.tip_opening_mm)} mm"
        return Problem(file, found[0][0], "height_mm", read, expected, hint, cause=f"{piece.id} {hint}")
    on_table = statistics.median(point.height_mm for _, point in found[-3:])
    above = [point.x_mm for _, point in found if point.height_mm > on_table + AWAY_MM]
    if not above or piece.tip_opening_mm <= AWAY_MM:
        return None
    end = max(above) / (1 - (AWAY_MM / piece.tip_opening_mm) ** 0.5)
    low, high = (share * constants.FEATURE_SCALES["facing_length"].typical[piece.instrument] for share in ENDS_OF_TYPICAL)
    if end >= low or found[-1][1].x_mm >= high:
        return None
    units = ((MM_PER_INCH, "in inches? then its column is x_in"), (10.0, "in centimetres?"))
    unit = next((words for factor, words in units if low <= end * factor <= high), "")
    read = f"a facing that ends {end:.2g} mm from the tip, {what}"
    expected = f"{low:.0f} to {high:.0f} mm on a mouthpiece for {piece.instrument}"
    return Problem(file, found[0][0], "x_mm", read, expected, f"is x {unit}" if unit else "", cause=unit and f"x {unit}")


def _speck_problem(file: str, what: str, row: int, point: LayPoint, expected_mm: float) -> Problem:
    read = f"{plain(point.height_mm)} mm at {plain(point.x_mm)} mm, {what}"
    return Problem(
        file,
        row,
        "height_mm",
        read,
        f"about {plain(expected_mm)} mm, as its neighbours",
        in_unit(point.height_mm, expected_mm) or "dust? scan it again, or leave it out",
        cause=f"speck, {what}",
    )


def _scan_hint(first: LayPoint, tip_mm: float) -> str:
    """Name the unit in which the first height would go with the tip opening."""
    units = ((25.4, "inches"), (0.0254, "thousandths of an inch"), (1e-3, "thousandths of a mm"), (10.0, "centimetres"))
    near = (name for factor, name in units if abs(first.height_mm * factor - tip_mm) <= MAX_TIP_MISS_MM)
    tilted = "is the table under the indicator level, its zero set there, and the tip opening right?"
    return next((f"heights in {name}?" for name in near), tilted if abs(first.height_mm - tip_mm) <= MOST_TILTED_MM else "")


def hole_problem(file: str, what: str, row: int, start_mm: float, end_mm: float) -> Problem:
    """Say where a scan has no points."""
    read = f"no point from {plain(start_mm)} to {plain(end_mm)} mm, {what}"
    return Problem(file, row, "x_mm", read, f"points at most {SCAN_HOLE_MM:g} mm apart")


def _hole(found: list[tuple[int, LayPoint]]) -> tuple[int, float, float] | None:
    for (_, before), (row, after) in pairwise(found):
        if after.x_mm - before.x_mm > SCAN_HOLE_MM:
            return row, before.x_mm, after.x_mm
    return None


def _specks(found: list[tuple[int, LayPoint]]) -> list[tuple[int, LayPoint, float]]:
    """Return the points that stand off the line of their neighbours by more than a lay bends, with the height those let expect.

    A speck makes its neighbours look odd too, by half as much: of points side by side the one furthest off is named.
    """
    later = (pair for before, pair in pairwise(found) if pair[1].x_mm > before[1].x_mm)  # doubles are told as such
    found = [found[0], *later]
    odd = _end_specks(found)
    for place, ((_, before), (row, point), (_, after)) in enumerate(zip(found, found[1:], found[2:], strict=False)):
        part = (point.x_mm - before.x_mm) / max(after.x_mm - before.x_mm, 1e-9)
        expected = before.height_mm + part * (after.height_mm - before.height_mm)
        if abs(point.height_mm - expected) > SCAN_SPECK_MM:
            odd.append((place, row, point, expected))
    specks: list[tuple[int, int, LayPoint, float]] = []
    for one in sorted(odd, key=lambda item: item[0]):
        if specks and one[0] - specks[-1][0] <= 2:
            specks[-1] = max(specks[-1], one, key=lambda item: abs(item[2].height_mm - item[3]))
        else:
            specks.append(one)
    return [(row, point, expected) for _, row, point, expected in specks]


def _end_specks(found: list[tuple[int, LayPoint]]) -> list[tuple[int, int, LayPoint, float]]:
    """Return a first or last point that stands off the line through the next two, where these go on in that line."""
    odd = []
    for place, four in ((-1, found[:4]), (len(found) - 2, found[-4:][::-1])):
        if len(four) < 4:
            continue
        end, one, other, third = (point for _, point in four)
        rise = (other.height_mm - one.height_mm) / (other.x_mm - one.x_mm)
        expected = one.height_mm + rise * (end.x_mm - one.x_mm)
        goes_on = abs(other.height_mm + rise * (third.x_mm - other.x_mm) - third.height_mm) < SCAN_SPECK_MM / 2
        if goes_on and abs(end.height_mm - expected) > SCAN_SPECK_MM:
            odd.append((place, four[0][0], end, expected))
    return odd


TABLE_POINTS, TABLE_MM, TABLE_SPREAD_MM = 6, 1.0, 0.02
"""So many points over so long a way that lie within this of one another are the table, whatever the indicator reads there."""
MOST_ZERO_MM = 0.5
"""An indicator that is further off than this on the table was not zeroed at all."""


def _on_table(found: list[tuple[int, LayPoint]]) -> bool:
    """Tell a scan that ends on the table under an indicator whose zero is off."""
    end = [point for _, point in found if point.x_mm >= found[-1][1].x_mm - TABLE_MM][-max(TABLE_POINTS, 2) :]
    heights = [point.height_mm for point in end]
    return len(end) >= 2 and max(heights) - min(heights) <= TABLE_SPREAD_MM and abs(statistics.fmean(heights)) <= MOST_ZERO_MM


STRAIGHT_MM, STRAIGHT_OFF_MM, MOST_TILT = 3.0, 0.01, 0.03
"""The end of a scan that keeps to a line over so long a way is the table, tilted by less than the last, in mm per mm."""
AWAY_MM = 0.1
"""Where the lay is so high a facing is told to begin."""
SCAN_HOLE_MM = 2.0
SCAN_SPECK_MM = 0.1
MOST_TILTED_MM = 0.8
"""A tilted table lifts or lowers the tip of a scan by no more than this."""
SCAN_TIP_FALL = 0.35
"""A lay falls by at most this much a millimetre near the tip."""
