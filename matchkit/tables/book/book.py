"""The shop's book: its tables in a database, an SQLite file or PostgreSQL, with everything that was ever changed.

Every change is one transaction that also leaves a row in the history. Rows keep the order in which they came. A playtest is never
overwritten: a later row corrects it.
"""

from __future__ import annotations

import datetime as dt
import json
import os
import weakref
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import sqlalchemy as sa
from sqlalchemy.engine import Connection, RowMapping

from matchkit.errors import DataError, Problem, SourceError
from matchkit.records.quantity import Record
from matchkit.records.schema import TABLES
from matchkit.results import Progress
from matchkit.tables.book import schema as book_schema
from matchkit.tables.book.connection import (
    ANSWER_SECONDS,
    WAIT_SECONDS,
    Watch,
    is_waiting_over,
    reading_engine,
    who_writes,
    writers_turn,
    writing_engine,
)
from matchkit.tables.book.place import place_of
from matchkit.tables.book.rows import merge
from matchkit.tables.book.schema import ABOUT, DOCUMENTS, HISTORY, RECORDS, Gaps
from matchkit.tables.read.sheet import Reading

Check = Callable[[dict[str, Reading], str | None], list[Problem]]


class Book:
    """A book that exists, of the version that this package writes.

    Looking at it takes no lock, whoever is writing; its first change waits ``wait_s`` for its turn. One from an older version is brought up
    to date, after a copy of it was made; an optional column or table that it lacks is taken as empty, and added with the first change.
    Raises SourceError where there is none, where it cannot be reached, where the wait was in vain, or where it is from a newer version.

    Parameters
    ----------
    target
        an SQLite file, or an address of SQLite or PostgreSQL
    make
        make one where there is none
    writes
        bring it up to date now, instead of with the first change
    wait_s
        seconds to wait for another program that is writing
    """

    def __init__(self, target: str | Path, *, make: bool = False, writes: bool = False, wait_s: float = WAIT_SECONDS) -> None:
        self._place = place_of(target)
        self.name = self._place.name
        self._wait_s = wait_s
        if self._file is not None and not make and not self._file.is_file():
            raise SourceError(f"{self.name}: expected a shop's record, and there is no such file (tables import makes one)")
        if self._file is not None and make and self._file.suffix.lower() in (".xlsx", ".csv"):
            raise SourceError(
                f"{self.name}: expected a name for a shop's record, as shop.sqlite; that is one of a workbook or a table"
            )
        self._watch = Watch()
        self._reader, self._writer = reading_engine(self._place), writing_engine(self._place, wait_s)
        for engine in (self._reader, self._writer):
            self._watch.over(engine, wait_s)
            weakref.finalize(self, engine.dispose)  # a connection that is kept open goes with the book
        self._held: Connection | None = None
        self._gaps: Gaps | None = None
        with self._trouble():
            if make or self._version() < book_schema.VERSION:
                self._bring_about(make=make)
            if writes:
                with self._writing():
                    pass

    @property
    def _file(self) -> Path | None:
        return self._place.file

    def _version(self) -> int:
        """Look at the version, and at what the tables lack."""
        with self._looking() as connection:
            if "book" not in sa.inspect(connection).get_table_names():
                raise SourceError(
                    f"{self.name}: expected a shop's record, and this database holds none (tables import makes one)"
                )
            version = int(connection.execute(sa.select(ABOUT.c.version)).scalar_one())
            if version == book_schema.VERSION:
                self._gaps = book_schema.gaps(connection)
        if version > book_schema.VERSION:
            raise SourceError(
                f"{self.name}: this record is of version {version}, made by a newer matchkit; this one reads up to {book_schema.VERSION}"
            )
        if version < 1:
            raise SourceError(f"{self.name}: this record says it is of version {version}, and there was none before 1")
        return version

    def _bring_about(self, *, make: bool) -> None:
        """Make the book where there is none yet, or bring it to this version."""
        with self._transaction() as connection:
            there = set(sa.inspect(connection).get_table_names())
            if "book" not in there:
                if not make or (there if self._file is not None else there & set(book_schema.METADATA.tables)):
                    raise SourceError(f"{self.name}: expected a shop's record or an empty database, and it holds other tables")
                book_schema.create(connection)
                self._gaps = book_schema.NO_GAPS
                return
            version = int(connection.execute(sa.select(ABOUT.c.version)).scalar_one())  # another one may have done it by now
            if version < book_schema.VERSION:
                self._bring_up(connection, version)
        self._version()

    def _bring_up(self, connection: Connection, version: int) -> None:
        """Migrate, in the one transaction that also holds the lock; the copy is whole before the first step."""
        steps = [step for step in book_schema.MIGRATIONS if step.version > version]
        copy = self._copy(connection, version)
        for step in steps:
            step.apply(connection)
        connection.execute(ABOUT.update().values(version=book_schema.VERSION))
        told = {"migrated": {"from": version, "to": book_schema.VERSION, "steps": [step.what for step in steps], "copy": copy}}
        _note(connection, _next_entry(connection), "migration", told)

    def _copy(self, connection: Connection, version: int) -> str:
        """Copy the book as it is: a file beside it, or a schema of its own in PostgreSQL."""
        if self._file is not None:
            copy = self._file.with_name(f"{self._file.name}.version-{version}")
            copy.unlink(missing_ok=True)
            with self._reader.connect() as other:  # a second look: this connection is inside its transaction
                other.connection.dbapi_connection.execute("VACUUM INTO ?", (str(copy),))  # type: ignore[union-attr]
            return str(copy)
        name = f"version_{version}"
        connection.exec_driver_sql(f'DROP SCHEMA IF EXISTS "{name}" CASCADE')
        connection.exec_driver_sql(f'CREATE SCHEMA "{name}"')
        for table in sa.inspect(connection).get_table_names():
            connection.exec_driver_sql(f'CREATE TABLE "{name}"."{table}" AS TABLE "{table}"')
        return f"schema {name}"

    # transactions

    @contextmanager
    def _trouble(self) -> Iterator[None]:
        """Say what went wrong with the database as one of our errors, and never what was typed to reach it."""
        try:
            yield
        except sa.exc.DBAPIError as error:
            if self._watch.cut:
                message = f"the server has not answered for {ANSWER_SECONDS:g} s"
            elif is_waiting_over(error):
                message = (
                    f"{who_writes(self._place)} is writing; this one (process {os.getpid()}) waited {self._wait_s:g} s for its "
                    "turn, and wrote nothing (--wait says how long)"
                )
            else:
                said = self._place.scrubbed(str(error.orig)) or type(error.orig).__name__
                message = f"the shop's record cannot be used ({said})"
            raise SourceError(f"{self.name}: {message}") from None

    @contextmanager
    def _transaction(self) -> Iterator[Connection]:
        """Make one change: all of it or nothing, one writer at a time."""
        try:
            with self._writer.connect() as connection, connection.begin(), writers_turn(connection, self._wait_s):
                yield connection
        finally:
            self._watch.end()

    @contextmanager
    def _writing(self) -> Iterator[Connection]:
        """Hold the book for one change, with what its tables lacked added first."""
        if self._held is not None:
            yield self._held
            return
        lacked = self._gaps
        try:
            with self._transaction() as connection:
                if lacked:
                    self._fill(connection)
                yield connection
        except BaseException:
            self._gaps = lacked
            raise

    def _fill(self, connection: Connection) -> None:
        """Add what the tables lack, unless another one has by now."""
        lacking = book_schema.gaps(connection)
        if lacking:
            book_schema.fill(connection, lacking)
            _note(connection, _next_entry(connection), "new columns", lacking.told())
        self._gaps = book_schema.NO_GAPS

    @contextmanager
    def alone(self) -> Iterator[None]:
        """Hold the book from a look at it to what is written after it, so that nobody writes in between."""
        with self._trouble(), self._writing() as connection:
            self._held = connection
            try:
                yield
            finally:
                self._held = None

    @contextmanager
    def _looking(self) -> Iterator[Connection]:
        """Look at the book as it is at one moment."""
        if self._held is not None:
            yield self._held
            return
        try:
            with self._reader.connect() as connection, connection.begin():
                yield connection
        finally:
            self._watch.end()

    def _select(self, name: str) -> sa.Select[Any] | None:
        """Return the columns of a table as this package knows them, empty where the book lacks them; None where it lacks the table."""
        gaps = book_schema.NO_GAPS if self._held is not None or self._gaps is None else self._gaps
        if name in gaps.tables:
            return None
        lacks = gaps.columns.get(name, ())
        return sa.select(*(sa.null().label(c.name) if c.name in lacks else c for c in RECORDS[name].c))

    # reading

    def read(self) -> tuple[dict[str, Reading], str | None]:
        """Return every table that has rows, and the text of house.toml where there is one; records are built unchecked from checked rows."""
        with self._trouble(), self._looking() as connection:
            return self._all(connection), _spec(connection)

    def _all(self, connection: Connection) -> dict[str, Reading]:
        readings = {}
        for name, model in TABLES.items():
            chosen = self._select(name)
            if chosen is None:
                continue
            found = connection.execute(chosen.order_by(RECORDS[name].c.row_number)).mappings().all()
            if found:
                readings[name] = _reading(f"{self.name}, table {name}", model, found)
        return readings

    def find(self, table: str, **key: Any) -> list[Record]:
        """Return the rows of a table in which the columns named have these values, in order."""
        columns, chosen = RECORDS[table].c, self._select(table)
        if chosen is None:
            return []
        chosen = chosen.where(*(columns[name] == value for name, value in key.items()))
        with self._trouble(), self._looking() as connection:
            found = connection.execute(chosen.order_by(columns.row_number)).mappings().all()
        return _reading(table, TABLES[table], found).records

    def ids(self) -> dict[str, set[str]]:
        """Return the ids of every table that has some."""
        with self._trouble(), self._looking() as connection:
            found = {
                name: set(connection.execute(sa.select(table.c.id)).scalars())
                for name, table in RECORDS.items()
                if "id" in table.c and self._select(name) is not None
            }
        return {name: ids for name, ids in found.items() if ids}

    def history(self) -> list[dict[str, Any]]:
        """Return every change, oldest first: entry, at, command, change."""
        with self._trouble(), self._looking() as connection:
            rows = connection.execute(sa.select(HISTORY).order_by(HISTORY.c.entry)).mappings().all()
        return [{**row, "change": json.loads(row["change"])} for row in rows]

    # writing

    def put(
        self,
        records: Mapping[str, Sequence[Record]],
        *,
        command: str,
        spec: str | None = None,
        check: Check | None = None,
        progress: Progress | None = None,
    ) -> dict[str, Any]:
        """Add records, table by table, in one transaction; gives what changed, as the history has it.

        A row that is there already, just so, is left; a part that is there with other values is changed, and the history keeps the old
        ones. A playtest or trial with other values raises DataError, and nothing is written: it is corrected by a row of its own. ``check``
        is shown the whole book as it would be, and what it finds raises DataError likewise. ``progress`` is called with rows written and
        rows in all.
        """
        change: dict[str, Any] = {}
        total, done = sum(len(rows) for rows in records.values()), 0

        def wrote(count: int) -> None:
            nonlocal done
            done += count
            if progress is not None:
                progress(done, total)

        with self._trouble(), self._writing() as connection:
            entry = _next_entry(connection)
            problems: list[Problem] = []
            for name in TABLES:
                if records.get(name):
                    told = merge(connection, name, records[name], entry, problems, wrote)
                    change |= {name: told} if told else {}
            if problems:
                raise DataError(problems)
            change |= _put_spec(connection, spec, entry)
            if change and check is not None:
                problems = check(self._all(connection), _spec(connection))
                if problems:
                    raise DataError(problems)
            if change:
                _note(connection, entry, command, change)
        return change


def exists(target: str | Path) -> bool:
    """Progress whether a book may be there already: any database on a server, or a file that is there."""
    file = place_of(target).file
    return file is None or file.exists()


def _reading(source: str, model: type[Record], rows: Sequence[RowMapping]) -> Reading:
    """Make records of rows that were checked when they were written."""
    fields = list(model.model_fields)
    reading = Reading(source, header_read=True)
    reading.records = [model.model_construct(**{name: row[name] for name in fields}) for row in rows]
    reading.rows = [row["row_number"] for row in rows]
    if "id" in fields:
        reading.ids = {row["id"] for row in rows}
    return reading


def _spec(connection: Connection) -> str | None:
    found = connection.execute(sa.select(DOCUMENTS.c.text).where(DOCUMENTS.c.name == "house.toml")).scalar()
    return None if found is None else str(found)


def _put_spec(connection: Connection, spec: str | None, entry: int) -> dict[str, Any]:
    """Write the text of house.toml where it differs; give what was done."""
    old = _spec(connection)
    if spec is None or old == spec:
        return {}
    connection.execute(DOCUMENTS.delete().where(DOCUMENTS.c.name == "house.toml"))
    connection.execute(DOCUMENTS.insert().values(name="house.toml", entry=entry, text=spec))
    return {"house.toml": {"written": True} if old is None else {"changed": True, "before": old}}


def _next_entry(connection: Connection) -> int:
    """Return the number that the row of the history will have; writers come one at a time."""
    return int(connection.execute(sa.select(sa.func.max(HISTORY.c.entry))).scalar() or 0) + 1


def _note(connection: Connection, entry: int, command: str, change: Mapping[str, Any]) -> None:
    text = json.dumps(change, ensure_ascii=False, default=str)
    connection.execute(HISTORY.insert().values(entry=entry, at=_now(), command=command, change=text))


def _now() -> str:
    return dt.datetime.now(dt.UTC).isoformat(timespec="milliseconds")
