"""What can still be used of the pieces in a source some of whose rows are wrong."""

from __future__ import annotations

from bisect import bisect_left
from collections import defaultdict
from collections.abc import Mapping
from dataclasses import dataclass, replace
from pathlib import Path

from matchkit.errors import DataError, Problem
from matchkit.records.parts import Mouthpiece
from matchkit.records.schema import TABLES
from matchkit.tables.source import SourceReading, Tables
from matchkit.tables.store import read_source, tables_of

OF_PIECES = {"mouthpieces": "id", "facings": "mouthpiece_id", "lay_points": "mouthpiece_id"}
"""The tables of pieces, and the column in which each names its piece."""


@dataclass(frozen=True)
class Rest:
    """The tables without what is wrong: ``aside`` has the problems of each piece that was left out, ``others`` those of no piece of these tables."""

    tables: Tables
    aside: Mapping[str, tuple[Problem, ...]]
    others: tuple[Problem, ...]
    unread: tuple[Mouthpiece, ...] = ()
    """Pieces that were left out for what was read of them, and whose own rows are sound."""


def read_rest(source: str | Path, *, needed: tuple[str, ...]) -> Rest:
    """Read pieces, and set aside those that a slip is about.

    Raises DataError with every problem where no piece is left, or where a slip is of a whole column, table or file, but for those of scans: then the scanned pieces are set aside. SourceError where there is
    nothing to read.
    """
    reading = read_source(source, needed=needed)
    aside: dict[str, list[Problem]] = defaultdict(list)
    others: list[Problem] = []
    known = reading.tables["mouthpieces"].ids if "mouthpieces" in reading.tables else set()
    for problem in reading.problems:
        table, piece = _piece(problem, reading)
        if table in TABLES and table not in OF_PIECES:
            others.append(problem)  # a batch is judged without it
        elif table == "lay_points" and problem.of_all and (scanned := _scanned(reading)) < known:
            for name in scanned:  # the others were read with feelers
                aside[name].append(problem)
        elif piece is None or problem.of_all:
            raise DataError(reading.problems)
        else:
            (aside[piece] if piece in known else others).append(problem)
    tables = tables_of(reading)
    kept = tuple(piece for piece in tables.mouthpieces if piece.id not in aside)
    unread = tuple(piece for piece in tables.mouthpieces if piece.id in aside)
    if reading.problems and not kept:
        raise DataError(reading.problems)
    sound = replace(
        tables,
        mouthpieces=kept,
        facings=tuple(row for row in tables.facings if row.mouthpiece_id not in aside),
        lay_points=tuple(row for row in tables.lay_points if row.mouthpiece_id not in aside),
    )
    return Rest(sound, {piece: tuple(found) for piece, found in aside.items()}, tuple(others), unread)


def _scanned(reading: SourceReading) -> set[str]:
    """Return the pieces that are named in the table of scans."""
    table, column = reading.tables["lay_points"], OF_PIECES["lay_points"]
    return {str(getattr(record, column)) for record in table.records} | {ids.get(column, "") for ids in table.refused.values()}


def _piece(problem: Problem, reading: SourceReading) -> tuple[str | None, str | None]:
    """Return the table of a problem and the piece it is about: None where it is of no one row, empty where its row names no piece."""
    table = next((name for name in reading.tables if reading.file(name) == problem.source), None)
    if table is None or table not in OF_PIECES or problem.row is None:
        return table, None
    found, column = reading.tables[table], OF_PIECES[table]
    if problem.row in found.refused:
        return table, found.refused[problem.row].get(column, "")
    place = bisect_left(found.rows, problem.row)
    here = place < len(found.rows) and found.rows[place] == problem.row
    return table, str(getattr(found.records[place], column)) if here else None
