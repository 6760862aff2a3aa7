"""The maker's files: pieces with their readings, weights and dial readings of reeds, gauge studies."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from contextlib import suppress
from dataclasses import replace
from itertools import pairwise
from pathlib import Path

from matchkit.errors import DataError, Problem, RequestError, SourceError, UnknownIdError
from matchkit.files import shipped
from matchkit.maker.facts import SetAside
from matchkit.maker.gauge import GaugeStudy, OddReading, WithoutOdd, checked_tolerance, study
from matchkit.maker.gauge_readings import cells_of, crossed, odd_readings
from matchkit.maker.pieces import Pieces, gather
from matchkit.names import by_id
from matchkit.parts.calibrate import Calibration, calibrate_readings
from matchkit.parts.facing import FacingPart, facing_part
from matchkit.records.calibration import BenchReading
from matchkit.records.parts import Mouthpiece
from matchkit.records.spec import HouseSpec
from matchkit.records.study import StudyReading
from matchkit.tables.defaults import read_defaults
from matchkit.tables.read.cells import plain
from matchkit.tables.read.csv import read_csv
from matchkit.tables.read.sheet import Reading
from matchkit.tables.rest import read_rest
from matchkit.tables.rules.study import study_ranges
from matchkit.tables.rules.twice import double_rows
from matchkit.tables.source import Tables
from matchkit.tables.store import PIECES_TABLES
from matchkit.units import N_PER_GRAM


def calibrate(path: str | Path) -> Calibration:
    """Turn a csv of bench readings into rows of the strength scale.

    Parameters
    ----------
    path
        a csv with profile_id, strength, reed, mass_g or load_n, sink_mm, state

    Raises
    ------
    SourceError
        where there is no such file
    DataError
        with every problem of it
    """
    return calibrate_readings(read_bench(path))


def read_bench(path: str | Path) -> list[BenchReading]:
    """Read a csv of weights and dial readings; raises SourceError where there is no such file, DataError with every problem of it."""
    records, problems = read_lot(path)
    if problems:
        raise DataError(problems)
    return records


def read_lot(path: str | Path) -> tuple[list[BenchReading], tuple[Problem, ...]]:
    """Read a csv of weights and dial readings, and what is wrong with rows of it, which are left out.

    Raises SourceError where there is no such file, DataError where a slip is of the whole file, or no row is left.
    """
    place = Path(path)
    if not place.is_file():
        raise SourceError(f"{place}: expected a csv file of bench readings")
    reading = read_csv(place, BenchReading)
    records = [record for record in reading.records if isinstance(record, BenchReading)]
    upside_down, lost = _sank_less(reading)
    problems = [*reading.problems, *upside_down]
    records = [record for record in records if (record.profile_id, record.strength, record.state, record.reed) not in lost]
    if any(problem.row is None or problem.of_all for problem in problems) or (problems and not records):
        raise DataError(problems)
    if not records:
        raise DataError([Problem(place.name, None, None, "no reading", "weights on reeds and how far the bar sank")])
    return records, tuple(problems)


def _sank_less(reading: Reading) -> tuple[list[Problem], set[tuple[str, float, str, str]]]:
    """Return where a heavier load sank a reed no further than a lighter one, and which reeds these are."""
    reeds: dict[tuple[str, float, str, str], list[tuple[int, BenchReading]]] = {}
    for row, record in zip(reading.rows, reading.records, strict=True):
        if isinstance(record, BenchReading):
            reeds.setdefault((record.profile_id, record.strength, record.state, record.reed), []).append((row, record))
    problems, lost = [], set()
    for reed, taken in reeds.items():
        for (other, light), (row, heavy) in pairwise(sorted(taken, key=lambda item: (item[1].load_n, item[1].sink_mm))):
            if heavy.load_n > light.load_n and heavy.sink_mm <= light.sink_mm:
                read = f"{plain(heavy.sink_mm)} mm under {_load(heavy)}, reed {reed[-1]}"
                expected = f"more than the {plain(light.sink_mm)} mm under {_load(light)} in row {other}"
                problems.append(
                    Problem(reading.source, row, "sink_mm", read, expected, "are two readings swapped, or a load mistyped?")
                )
                lost.add(reed)
    return problems, lost


def _load(reading: BenchReading) -> str:
    return f"{reading.load_n / N_PER_GRAM:.3g} g ({reading.load_n:.3g} N)"


def gauge_study(
    path: str | Path | None = None, *, tolerance: float | Mapping[str, float] | None = None
) -> tuple[GaugeStudy, ...]:
    """Analyse a csv of study readings, one answer a quantity.

    Parameters
    ----------
    path
        a csv with quantity, piece, operator, repeat, reading_mm; by default the demo study, which is invented
    tolerance
        width of what a drawing allows, in the unit of the readings, by quantity where there are several

    Raises
    ------
    SourceError
        where there is no such file
    DataError
        with every problem of it, a missing cell among them
    RequestError
        for a tolerance of nothing

    Examples
    --------
    >>> [study.quantity for study in gauge_study()]
    ['stop', 'tip_opening']
    """
    place = shipped("data/demo-bench/study.csv") if path is None else Path(path)
    if not place.is_file():
        raise SourceError(
            f"{place}: expected a csv file of study readings{'' if place.exists() else ', and there is no such file'}"
        )
    reading = read_csv(place, StudyReading)
    problems = [*reading.problems, *double_rows(reading, StudyReading), *study_ranges(reading)]
    if problems:
        raise DataError(problems)
    rows = [
        (row, record) for row, record in zip(reading.rows, reading.records, strict=True) if isinstance(record, StudyReading)
    ]
    if not rows:
        raise DataError([Problem(place.name, None, None, "no reading", "several people reading several pieces several times")])
    quantities = list(dict.fromkeys(record.quantity for _, record in rows))
    if isinstance(tolerance, float | int) and len(quantities) > 1:
        raise RequestError(f"a tolerance of which of {', '.join(quantities)}? name it, as {quantities[0]}={tolerance:g}")
    widths = dict.fromkeys(quantities, tolerance) if isinstance(tolerance, float | int) else dict(tolerance or {})
    if lost := sorted(set(widths) - set(quantities)):
        raise RequestError(f"a tolerance of {', '.join(lost)}, which nobody read; the study has {', '.join(quantities)}")
    return tuple(
        _study([record for _, record in rows if record.quantity == quantity], source=place.name, tolerance=widths.get(quantity))
        for quantity in quantities
    )


def _study(readings: list[StudyReading], *, source: str, tolerance: float | None) -> GaugeStudy:
    """Analyse one quantity, by a mixed model where it was not read evenly."""
    checked_tolerance(tolerance, "mm")
    even = crossed(readings, source=source)
    if even is not None:
        found = study(even, quantity=readings[0].quantity, unit="mm", tolerance=tolerance)
    else:
        from matchkit.maker.gauge_uneven import uneven_study

        found = uneven_study(readings, source=source, unit="mm", tolerance=tolerance)
    odd = odd_readings(readings)
    return replace(found, cells=cells_of(readings), odd=odd, without=_without(readings, odd, source, tolerance))


def _without(
    readings: list[StudyReading], odd: Sequence[OddReading], source: str, tolerance: float | None
) -> WithoutOdd | None:
    """Return what a gauge is worth without odd readings, where there are such and enough others."""
    gone = {(one.piece, one.person, one.repeat) for one in odd}
    kept = [one for one in readings if (one.piece, one.operator, one.repeat) not in gone]
    if len(kept) == len(readings):
        return None
    with suppress(DataError):  # too few are left
        rest = _study(kept, source=source, tolerance=tolerance)
        return WithoutOdd(rest.verdict, rest.gauge, rest.share_of_tolerance)
    return None


def read_pieces(pieces: str | Path | None) -> Pieces:
    """Read a batch, a folder or a workbook with mouthpieces and their readings (default: the demo batch, which is invented).

    Pieces that a slip is about are set aside. Raises DataError with every problem where none is left or a slip is of a whole column or file,
    SourceError where there is nothing to read.
    """
    rest = read_rest(shipped("data/demo-bench/batch") if pieces is None else pieces, needed=PIECES_TABLES)
    gathered = gather(rest.tables.mouthpieces, rest.tables.facings, rest.tables.lay_points)
    aside = [SetAside(piece, problems) for piece, problems in rest.aside.items()]
    aside += [SetAside(None, rest.others)] if rest.others else []
    return replace(gathered, set_aside=tuple(aside), unread=rest.unread)


def find_piece(
    tables: Tables, piece: str, pieces: str | Path | None, *, demo: bool, to_read: bool = False
) -> tuple[Mouthpiece, Pieces]:
    """Find a piece in the tables of a house, in those of ``pieces``, or (demo house) in the demo batch; raises UnknownIdError.

    One whose readings are wrong raises DataError, unless it is to be read again anyway.
    """
    if pieces is not None or (demo and all(item.id != piece for item in tables.mouthpieces)):
        gathered = read_pieces(pieces)
        if to_read and (again := [one for one in gathered.unread if one.id == piece]):
            return again[0], gathered
        gathered.refuse(piece)
    else:
        gathered = gather(tables.mouthpieces, tables.facings, tables.lay_points)
    return by_id(gathered.mouthpieces, piece, "mouthpiece"), gathered


def lay_of(tables: Tables, piece: str, pieces: str | Path | None, *, demo: bool, spec: HouseSpec) -> FacingPart:
    """Return the lay of a piece of ``pieces`` or else of the house; raises UnknownIdError where it is in neither."""
    try:
        found, gathered = find_piece(tables, piece, pieces, demo=demo)
    except UnknownIdError:
        found, gathered = find_piece(tables, piece, None, demo=demo)
    readings, points = gathered.readings.get(found.id, []), gathered.points.get(found.id, [])
    return facing_part(found, readings, points, defaults=read_defaults(), spec=spec)
