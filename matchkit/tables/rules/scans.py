"""What must hold of the scan of a rail: whole, without specks, from the tip to the table, and of the tip opening that is recorded."""

from __future__ import annotations

import datetime as dt
import statistics
from collections import defaultdict
from collections.abc import Iterable, Iterator
from itertools import pairwise

from matchkit.errors import Problem
from matchkit.records.parts import LayPoint, Mouthpiece
from matchkit.tables.read.cells import plain
from matchkit.tables.rules.facings import MAX_TIP_MISS_MM
from matchkit.tables.source import SourceReading

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
    tips = {record.id: record.tip_opening_mm for _, record in house.rows("mouthpieces", Mouthpiece)}
    file = house.file("lay_points")
    latest = _latest(rails)
    for (piece, rail, day), found in rails.items():
        found.sort(key=lambda pair: pair[1].x_mm)
        (first_row, first), (last_row, last) = found[0], found[-1]
        what = f"the {rail} rail of {piece}"
        if len(found) < LEAST_SCAN_POINTS:
            yield Problem(
                file,
                last_row,
                "x_mm",
                f"{len(found)} points for {what}",
                f"{LEAST_SCAN_POINTS} or more, a millimetre apart or less",
            )
        elif (hole := _hole(found)) is not None:
            yield hole_problem(file, what, *hole)
        elif specks := _specks(found):
            yield from (_speck_problem(file, what, *speck) for speck in specks)
        elif first.x_mm > SCAN_START_MM:
            read = f"{what} from {plain(first.x_mm)} mm on"
            yield Problem(file, first_row, "x_mm", read, f"points from {SCAN_START_MM:g} mm of the tip or nearer")
        elif last.height_mm > SCAN_END_MM and not _on_table(found):
            read = f"{what} up to {plain(last.x_mm)} mm, still {plain(last.height_mm)} mm high"
            turned = "is x_mm counted from the table? it is counted from the tip" if last.height_mm > first.height_mm else ""
            expected = f"points on to where it is lower than {SCAN_END_MM:g} mm"
            yield Problem(file, last_row, "height_mm", read, expected, turned, cause=f"{piece} {turned}" if turned else "")
        elif (
            piece in tips
            and (day or dt.date.min) == latest[piece]  # before a refacing the tip was another
            and not -MAX_TIP_MISS_MM <= tips[piece] - first.height_mm <= SCAN_TIP_FALL * first.x_mm + MAX_TIP_MISS_MM
        ):
            read = f"{plain(first.height_mm)} mm at {plain(first.x_mm)} mm"
            expected = f"a height that goes with the tip opening of {plain(tips[piece])} mm"
            hint = _scan_hint(first, tips[piece])
            yield Problem(file, first_row, "height_mm", read, expected, hint, cause=f"{piece} {hint}" if hint else "")


def _latest(rails: Iterable[tuple[str, str, dt.date | None]]) -> dict[str, dt.date]:
    """Return the day of the latest scan of each piece."""
    found: dict[str, dt.date] = {}
    for piece, _, day in rails:
        found[piece] = max(found.get(piece, dt.date.min), day or dt.date.min)
    return found


def _speck_problem(file: str, what: str, row: int, point: LayPoint, expected_mm: float) -> Problem:
    read = f"{plain(point.height_mm)} mm at {plain(point.x_mm)} mm, {what}"
    return Problem(
        file,
        row,
        "height_mm",
        read,
        f"about {plain(expected_mm)} mm, as its neighbours",
        "dust? scan it again, or leave it out",
        cause=f"speck, {what}",
    )


def _scan_hint(first: LayPoint, tip_mm: float) -> str:
    """Name the unit in which the first height would go with the tip opening."""
    units = ((25.4, "inches"), (0.0254, "thousandths of an inch"), (1e-3, "thousandths of a mm"), (10.0, "centimetres"))
    near = (name for factor, name in units if abs(first.height_mm * factor - tip_mm) <= MAX_TIP_MISS_MM)
    return next((f"heights in {name}?" for name in near), "")


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
    odd = []
    for place, ((_, before), (row, point), (_, after)) in enumerate(zip(found, found[1:], found[2:], strict=False)):
        part = (point.x_mm - before.x_mm) / max(after.x_mm - before.x_mm, 1e-9)
        expected = before.height_mm + part * (after.height_mm - before.height_mm)
        if abs(point.height_mm - expected) > SCAN_SPECK_MM:
            odd.append((place, row, point, expected))
    specks: list[tuple[int, int, LayPoint, float]] = []
    for one in odd:
        if specks and one[0] - specks[-1][0] <= 2:
            specks[-1] = max(specks[-1], one, key=lambda item: abs(item[2].height_mm - item[3]))
        else:
            specks.append(one)
    return [(row, point, expected) for _, row, point, expected in specks]


TABLE_POINTS, TABLE_MM, TABLE_SPREAD_MM = 6, 1.0, 0.02
"""So many points over so long a way that lie within this of one another are the table, whatever the indicator reads there."""
MOST_ZERO_MM = 0.3
"""An indicator that is further off than this on the table was not zeroed at all."""


def _on_table(found: list[tuple[int, LayPoint]]) -> bool:
    """Tell a scan that ends on the table under an indicator whose zero is off."""
    end = [point for _, point in found if point.x_mm >= found[-1][1].x_mm - TABLE_MM][-max(TABLE_POINTS, 2) :]
    heights = [point.height_mm for point in end]
    return len(end) >= 2 and max(heights) - min(heights) <= TABLE_SPREAD_MM and abs(statistics.fmean(heights)) <= MOST_ZERO_MM


SCAN_HOLE_MM = 2.0
SCAN_SPECK_MM = 0.1
SCAN_TIP_FALL = 0.35
"""A lay falls by at most this much a millimetre near the tip."""
