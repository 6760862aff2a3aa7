"""What must hold of the readings of one facing; one slip is told once, in the row where it stands."""

from __future__ import annotations

import math
import statistics
from collections import Counter, defaultdict
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace

from matchkit import constants
from matchkit.errors import Problem
from matchkit.records.parts import FacingReading, LayPoint, Mouthpiece
from matchkit.records.sets import days_of_sets
from matchkit.records.spec import implied_step_mm
from matchkit.tables.read.cells import plain
from matchkit.tables.rules.one_rail import Feeler, of_one_rail
from matchkit.tables.rules.twice import TWICE
from matchkit.tables.source import SourceReading
from matchkit.units import MM_PER_INCH

LEAST_PASTED = 12
"""So many rows that come again in the same order were pasted again."""
MAX_RAIL_DIFFERENCE_MM = 1.0
ALIKE_RAILS_MM = 0.3
"""Stops of one feeler on both rails that are farther apart than this speak for a short rail."""
MAX_TIP_MISS_MM = 0.25
MAX_TIP_MISS = 0.15
ENDS_OF_TYPICAL = (0.6, 1.6)
"""A facing leaves the table within these shares of the instrument's typical facing length."""


def readings_make_sense(house: SourceReading) -> Iterator[Problem]:
    """Look at each facing: repeats, order, tip opening, length, rails; what follows from one slip is not told again."""
    pasted = list(_pasted_again(house))
    if pasted:
        yield from pasted
        return
    latest, earlier = _latest_and_earlier(house)
    pieces = _pieces_today(house, latest)
    file, of_pieces = house.file("facings"), house.file("mouthpieces")
    if "facings" in house.tables and house.tables["facings"].in_another_unit:
        return
    every = {piece: one.rails for piece, one in latest.items()}
    whole = _whole_table(every, {piece: record for piece, (_, record) in pieces.items()}, file)
    if whole is not None:
        single = {id(problem) for problem, _ in house.tables["facings"].beyond.get(str(whole.column), ())}
        house.problems[:] = [problem for problem in house.problems if id(problem) not in single]  # told with the whole column
        yield whole
        return
    for piece, read in _readable(every, house).items():
        slips: list[Problem] = []
        for rail, feelers in read.items():
            slips += of_one_rail(feelers, rail, pieces[piece][1].tip_opening_mm if piece in pieces else None, file)
        if not slips and piece in pieces:
            row, record = pieces[piece]
            for rail, feelers in read.items():
                slips = slips or list(_tip(feelers, rail, record, row, file, of_pieces))
                slips = slips or list(_length(feelers, rail, record, file))
        if not slips and len(read) == 2:
            slips, short = _rails(read["left"], read["right"], piece, file)
            house.warnings.extend(short)
        yield from slips
    filed = {record.id: (row, record) for row, record in house.rows("mouthpieces", Mouthpiece)}
    for piece, old in earlier:
        yield from _earlier(old, filed.get(piece), file, of_pieces, house.warnings)


SOME_BROKEN = 2
"""So many rows of a piece that could not be read, out of range, leave nothing to say of the rest."""


def _readable(every: Mapping[str, dict[str, list[Feeler]]], house: SourceReading) -> dict[str, dict[str, list[Feeler]]]:
    """Return the pieces without those several of whose readings are out of range, as in another unit: that is told, and what follows is not."""
    table = house.tables.get("facings")
    if table is None:
        return dict(every)
    rows = {problem.row for column in ("stop_mm", "feeler_mm") for problem, _ in table.beyond.get(column, ())}
    counts = Counter(ids.get("mouthpiece_id") for row, ids in table.refused.items() if row in rows)
    return {piece: read for piece, read in every.items() if counts[piece] < SOME_BROKEN}


def _pasted_again(house: SourceReading) -> Iterator[Problem]:
    """Look for a table that holds the same rows in the same order several times: no repeats, but one paste too many."""
    read = list(house.rows("facings", FacingReading))
    for times in range(len(read) // LEAST_PASTED, 1, -1):
        whole, rest = divmod(len(read), times)
        if rest or read[whole][1] != read[0][1]:
            continue
        first = [record for _, record in read[:whole]]
        if all([record for _, record in read[whole * k : whole * (k + 1)]] == first for k in range(1, times)):
            expected = f"each row once; from row {read[whole][0]} on they are those from row {read[0][0]} again"
            hint = "delete what was pasted again; real repeats differ, or have a number in repeat"
            read_now = f"{times} times the same {whole} rows"
            file = house.file("facings")  # rows that are there already are told with the whole paste
            told = [problem for problem in house.problems if problem.source != file or not problem.cause.startswith(TWICE)]
            house.problems[:] = told
            yield Problem(file, read[whole][0], None, read_now, expected, hint, of_all=True)
            return


def _earlier(
    old: _Set, piece: tuple[int, Mouthpiece] | None, file: str, of_pieces: str, warnings: list[Problem]
) -> Iterator[Problem]:
    """Look at readings that a later set replaced: repeats and order, and the tip opening; without one of that day today's is doubted, not refused."""
    for rail, feelers in old.rails.items():
        tip = None if piece is None else old.tip_opening_mm or piece[1].tip_opening_mm
        slips = of_one_rail(feelers, rail, tip, file)
        if not slips and piece is not None:
            then = {} if old.tip_opening_mm is None else {"tip_opening_mm": old.tip_opening_mm}
            odd = list(_tip(feelers, rail, piece[1].model_copy(update=then), piece[0], file, of_pieces))
            if old.tip_opening_mm is None:  # the tip was another then, and today's stands in for it
                hint = f"write the tip opening of that day into tip_opening_mm of {file}"
                warnings.extend(replace(problem, hint=hint) for problem in odd[:1])
            else:
                slips = odd
        yield from slips


def _pieces_today(house: SourceReading, latest: Mapping[str, _Set]) -> dict[str, tuple[int, Mouthpiece]]:
    """Return every mouthpiece with its row and the tip opening of its latest set, where it was read with that."""
    found = {}
    for row, record in house.rows("mouthpieces", Mouthpiece):
        tip = latest[record.id].tip_opening_mm if record.id in latest else None
        found[record.id] = row, record if tip is None else record.model_copy(update={"tip_opening_mm": tip})
    return found


def _latest_and_earlier(house: SourceReading) -> tuple[dict[str, _Set], list[tuple[str, _Set]]]:
    """Return what was read of each piece last, and what was read before that."""
    rows: dict[str, list[tuple[int, FacingReading]]] = defaultdict(list)
    for row, reading in house.rows("facings", FacingReading):
        rows[reading.mouthpiece_id].append((row, reading))
    scanned: dict[str, list[LayPoint]] = defaultdict(list)
    for _, point in house.rows("lay_points", LayPoint):
        scanned[point.mouthpiece_id].append(point)
    latest, earlier = {}, []
    for piece, read in rows.items():
        *before, latest[piece] = _sets(read, scanned[piece])
        earlier += [(piece, one) for one in before]
    return latest, earlier


@dataclass(frozen=True)
class _Set:
    """What was read of a piece on one day: each rail's feelers, thinnest first, and the tip opening where it was read too."""

    rails: dict[str, list[Feeler]]
    tip_opening_mm: float | None


def _sets(rows: list[tuple[int, FacingReading]], points: list[LayPoint]) -> list[_Set]:
    """Return the sets of a piece in which feelers were read, oldest first."""
    labels = days_of_sets((reading for _, reading in rows), points)
    found = []
    for day in dict.fromkeys(labels.values()):
        rails: dict[str, dict[float, list[tuple[int, float]]]] = defaultdict(lambda: defaultdict(list))
        tips = []
        for row, reading in rows:
            if labels[reading.date] == day:
                rails[reading.rail][reading.feeler_mm].append((row, reading.stop_mm))
                tips += [] if reading.tip_opening_mm is None else [reading.tip_opening_mm]
        feelers = {
            rail: [
                Feeler(feeler, statistics.fmean(stop for _, stop in taken), tuple(taken))
                for feeler, taken in sorted(read.items())
            ]
            for rail, read in rails.items()
        }
        if feelers:
            found.append(_Set(feelers, statistics.fmean(tips) if tips else None))
    return found


WHOLE_TABLE = 5
"""From so many rails on their middle tells whether a whole table is in another unit."""
OFF_BY, WHOLE_SHARE = 4.0, 0.9
"""A rail that is off by so much is in another unit; where so large a share of them is, the whole table is."""


def _whole_table(
    every: Mapping[str, Mapping[str, list[Feeler]]], pieces: Mapping[str, Mouthpiece], file: str
) -> Problem | None:
    """Tell a table whose stops, or feelers, are all in another unit, by where its facings end and how high they lead."""
    ends, tips, first = [], [], None
    for piece, rails in every.items():
        if piece not in pieces:
            continue
        tip, typical = pieces[piece].tip_opening_mm, constants.FEATURE_SCALES["facing_length"].typical[pieces[piece].instrument]
        for feelers in rails.values():
            thin, thick = feelers[0], feelers[-1]
            if thin.feeler_mm < tip and len(feelers) > 1 and thick.stop_mm < thin.stop_mm:
                first = first or thin
                ends.append(thin.stop_mm / (1 - (thin.feeler_mm / tip) ** 0.5) / typical)
                slope = (thick.feeler_mm**0.5 - thin.feeler_mm**0.5) / (thin.stop_mm - thick.stop_mm)
                tips.append((thick.feeler_mm**0.5 + slope * thick.stop_mm) ** 2 / tip)
    if len(ends) < WHOLE_TABLE or first is None:
        return None
    for column, ratios, what in (
        ("stop_mm", ends, "a length of the facing"),
        ("feeler_mm", tips, "a tip opening to which the readings lead"),
    ):
        off = statistics.median(ratios)
        beyond = statistics.fmean(not 1 / OFF_BY < ratio < OFF_BY for ratio in ratios)
        if beyond >= WHOLE_SHARE:
            size = off if off > 1 else 1 / off
            factor = min((10.0, 25.4, 100.0, 1000.0), key=lambda one: abs(math.log(size / one)))
            way = f"{'divide' if off > 1 else 'multiply'} it by {plain(factor)}"
            return Problem(
                file,
                first.row,
                column,
                f"numbers that all make {what} {off:.2g} times what it can be",
                "millimetres",
                f"is the whole column in another unit? {way} to mend it",
                of_all=True,
            )
    return None


def _tip(feelers: list[Feeler], rail: str, piece: Mouthpiece, row: int, file: str, of_pieces: str) -> Iterator[Problem]:
    """Check that the readings, carried on to the tip, agree with the tip opening.

    In sqrt(height) an arc is nearly straight, so the two thickest feelers are carried on in it.
    """
    tip, thick = piece.tip_opening_mm, feelers[-1]
    if thick.feeler_mm >= tip:
        expected = f"less than the tip opening, {plain(tip)} mm in row {row} of {of_pieces}"
        yield Problem(file, thick.row, "feeler_mm", f"{plain(thick.feeler_mm)} mm", expected)
    elif len(feelers) > 1:
        thinner = feelers[-2]
        step = implied_step_mm([stop for feeler in feelers for _, stop in feeler.readings], enough=len(feelers)) or 0.0
        apart = thinner.stop_mm - thick.stop_mm

        def leads(wrong: float) -> float:
            rise = (thick.feeler_mm**0.5 - thinner.feeler_mm**0.5) / max(apart + wrong, 1e-3)
            return float((thick.feeler_mm**0.5 + rise * (thick.stop_mm - wrong / 2)) ** 2)

        leads_to = leads(0.0)
        within = leads(step), leads(-step)  # what rounding to the step can do
        miss = max(MAX_TIP_MISS_MM, MAX_TIP_MISS * tip)
        if not min(within) - miss <= tip <= max(within) + miss:
            yield Problem(
                of_pieces,
                row,
                "tip_opening_mm",
                f"{plain(tip)} mm",
                f"about {leads_to:.2f} mm, where the {rail} rail's readings lead",
                "measure the tip again, or look for a slip in the readings",
            )


def _length(feelers: list[Feeler], rail: str, piece: Mouthpiece, file: str) -> Iterator[Problem]:
    """Tip opening and thinnest feeler lead to a place where a facing of this instrument can leave the table."""
    thin = feelers[0]
    end = thin.stop_mm / (1 - (thin.feeler_mm / piece.tip_opening_mm) ** 0.5)
    typical = constants.FEATURE_SCALES["facing_length"].typical[piece.instrument]
    low, high = (share * typical for share in ENDS_OF_TYPICAL)
    if not low <= end <= high:
        cause, hint = "", ""
        if low <= end / 2 <= high:
            cause, hint = "half", "half millimetres? they have a column of their own, stop_half_mm"
        elif low <= end * MM_PER_INCH <= high:
            cause, hint = "inches", "inches? they have a column of their own, stop_in"
        yield Problem(
            file,
            thin.row,
            "stop_mm",
            f"{plain(thin.stop_mm)} mm for the {plain(thin.feeler_mm)} mm feeler on the {rail} rail",
            f"a facing that ends {low:.0f} to {high:.0f} mm from the tip of a mouthpiece for {piece.instrument}, not {end:.0f} mm",
            hint,
            cause,
        )


def _rails(left: list[Feeler], right: list[Feeler], piece: str, file: str) -> tuple[list[Problem], list[Problem]]:
    """Look at feelers that stop more than 1 mm apart on the two rails: problems for what can only be a slip, else what is odd.

    A rail that is truly short is what the readings are for, so it is said, with what speaks for it, and not refused.
    """
    here = {feeler.feeler_mm: feeler for feeler in left}
    pairs = [(here[feeler.feeler_mm], feeler) for feeler in right if feeler.feeler_mm in here]
    apart = [one.stop_mm - two.stop_mm for one, two in pairs]
    far = [pair for pair, off in zip(pairs, apart, strict=True) if abs(off) > MAX_RAIL_DIFFERENCE_MM]
    if not far:
        return [], []
    one, two = max(far, key=lambda pair: abs(pair[0].stop_mm - pair[1].stop_mm))
    read = f"{plain(two.stop_mm)} mm right, {plain(one.stop_mm)} mm left for the {plain(two.feeler_mm)} mm feeler"
    half = 1.7 < max(one.stop_mm, two.stop_mm) / min(one.stop_mm, two.stop_mm) < 2.3
    several = f"; so for {len(far)} feelers" if len(far) > 1 else ""
    if half:
        expected, hint = f"rails within {plain(MAX_RAIL_DIFFERENCE_MM)} mm", f"half millimetres on one of them?{several}"
        return [Problem(file, two.row, "stop_mm", read, expected, hint)], []
    shorter = "left" if one.stop_mm < two.stop_mm else "right"
    same_way = sum((off < 0) == (shorter == "left") and abs(off) > ALIKE_RAILS_MM for off in apart)
    if len(far) > 1 or same_way > len(apart) / 2:
        expected = f"rails within {plain(MAX_RAIL_DIFFERENCE_MM)} mm; {same_way} of {len(apart)} feelers agree that the {shorter} rail is short"
        hint = f"read both rails again; if they stay so, matchkit facing {piece} says what to do"
    else:
        expected = f"rails within {plain(MAX_RAIL_DIFFERENCE_MM)} mm; no other feeler says so, so this stop is likely a slip"
        hint = "read this feeler again on both rails"
    return [], [Problem(file, two.row, "stop_mm", read, expected, hint)]
