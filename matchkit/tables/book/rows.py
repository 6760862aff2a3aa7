"""Rows of a book: what is new is added, what is a part and differs is changed, what may only grow is left as it is."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable, Mapping, Sequence
from typing import Any

import sqlalchemy as sa
from sqlalchemy.engine import Connection, RowMapping

from matchkit.errors import Problem
from matchkit.records.quantity import Record
from matchkit.records.schema import TABLES
from matchkit.tables.book.schema import APPEND_ONLY, RECORDS
from matchkit.tables.read.cells import shown

_CHUNK = 5000


def merge(
    connection: Connection,
    name: str,
    records: Sequence[Record],
    entry: int,
    problems: list[Problem],
    wrote: Callable[[int], None],
) -> dict[str, Any]:
    """Add what is new, change what is a part and differs, refuse what may only grow and differs; give what was done."""
    table, model = RECORDS[name], TABLES[name]
    keyed = {_key(record): record for record in records}
    loose = [record for record in records if None in _key(record)]
    there = _there(connection, name, keyed)
    fresh = [record for key, record in keyed.items() if None not in key and key not in there] + _not_there(
        connection, name, loose
    )
    changed = []
    for key, old in there.items():
        new = keyed[key].model_dump()
        differs = {column: old[column] for column in new if old[column] != new[column]}
        if differs and name in APPEND_ONLY:
            what = ", ".join(f"{column} {_told(new[column])}, was {_told(was)}" for column, was in differs.items())
            hint = f"a row of its own, with a new id and corrects = {shown(str(key[0]))}, corrects it"
            problems.append(
                Problem(
                    f"table {name}", None, str(model.key[0]), f"{shown(str(key[0]))} with {what}", "the row as it stands", hint
                )
            )
        elif differs:
            where = [table.c[column] == part for column, part in zip(model.key, key, strict=True)]
            values = {column: new[column] for column in differs}
            connection.execute(table.update().where(*where).values(**values, entry=entry))
            changed.append(
                {"key": [_plain(part) for part in key], "before": {column: _plain(was) for column, was in differs.items()}}
            )
    for start in range(0, len(fresh), _CHUNK):
        block = fresh[start : start + _CHUNK]
        connection.execute(table.insert(), [{**record.model_dump(), "entry": entry} for record in block])
        wrote(len(block))
    done: dict[str, Any] = {}
    if fresh:
        done["added"] = len(fresh)
        if len(fresh) == 1:
            done["key"] = [_plain(part) for part in _key(fresh[0])]
    if changed:
        done["changed"] = changed
    return done


def _there(connection: Connection, name: str, keyed: Mapping[tuple[Any, ...], Record]) -> dict[tuple[Any, ...], RowMapping]:
    """Return the rows of the book that have one of these keys."""
    table, key = RECORDS[name], TABLES[name].key
    chosen = sa.select(table)
    if len(keyed) == 1:
        only = next(iter(keyed))
        if None in only:
            return {}
        chosen = chosen.where(*(table.c[column] == part for column, part in zip(key, only, strict=True)))
    rows = connection.execute(chosen).mappings()
    found = ((tuple(row[column] for column in key), row) for row in rows)
    return {place: row for place, row in found if place in keyed and None not in place}


def _not_there(connection: Connection, name: str, loose: Sequence[Record]) -> list[Record]:
    """Return the rows without a whole key (unnumbered repeats) beyond those the book has just so."""
    if not loose:
        return []
    table, fields = RECORDS[name], list(TABLES[name].model_fields)
    left: dict[tuple[Any, ...], int] = {}
    for row in connection.execute(sa.select(table)).mappings():
        values = tuple(row[field] for field in fields)
        left[values] = left.get(values, 0) + 1
    fresh = []
    for record in loose:
        values = tuple(getattr(record, field) for field in fields)
        if left.get(values, 0):
            left[values] -= 1
        else:
            fresh.append(record)
    return fresh


def _key(record: Record) -> tuple[Any, ...]:
    return tuple(getattr(record, name) for name in record.key)


def _told(value: Any) -> str:
    """Say a value to a reader."""
    return "nothing" if value is None else shown(value) if isinstance(value, str) else str(value)


def _plain(value: Any) -> Any:
    return value.isoformat() if isinstance(value, dt.date) else value
