"""The shop's book: its tables in a database, an SQLite file or PostgreSQL, with everything that was ever changed.

Every change is one transaction that also leaves a row in the history. Rows keep the order in which they came. A playtest is never
overwritten: a later row corrects it.
"""

from __future__ import annotations

import datetime as dt
import json
import weakref
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import sqlalchemy as sa
from sqlalchemy.engine import URL, Connection, Engine, RowMapping, make_url

from matchkit.errors import DataError, Problem, SourceError
from matchkit.records.quantity import Record
from matchkit.records.schema import TABLES
from matchkit.tables import book_schema
from matchkit.tables.book_schema import ABOUT, APPEND_ONLY, DOCUMENTS, HISTORY, RECORDS
from matchkit.tables.cells import shown
from matchkit.tables.sheet import Reading

WAIT_SECONDS = 60
"""So long a writer waits for another one."""
_LOCK = 7_214_903
"""Key of the lock that writers of one PostgreSQL database take in turn."""
_CHUNK = 5000


Check = Callable[[dict[str, Reading], str | None], list[Problem]]


class Book:
    """A book that exists, of the version that this package writes.

    Raises SourceError where there is none, where it cannot be reached, or where it is from a newer version. One from an older
    version is brought up to date, after a copy of it was made.
    """

    def __init__(self, target: str | Path, *, make: bool = False) -> None:
        self.url = url_of(target)
        self.name = self.url.render_as_string(hide_password=True) if self._file is None else str(self._file)
        if self._file is not None and not make and not self._file.is_file():
            raise SourceError(f"{self.name}: expected a book, and there is no such file (tables import makes one)")
        if self._file is not None and make and self._file.suffix.lower() in (".xlsx", ".csv"):
            raise SourceError(f"{self.name}: expected a name for a book, as shop.sqlite; that is one of a workbook or a table")
        self._engine = _engine(self.url)
        self._held: Connection | None = None
        weakref.finalize(self, self._engine.dispose)  # a connection that is kept open goes with the book
        with self._trouble():
            self._open(make=make)

    @property
    def _file(self) -> Path | None:
        return Path(str(self.url.database)) if self.url.get_backend_name() == "sqlite" else None

    def _open(self, *, make: bool) -> None:
        with self._writing() as connection:
            there = set(sa.inspect(connection).get_table_names())
            if "book" not in there:
                if not make:
                    raise SourceError(f"{self.name}: expected a book, and this database holds none (tables import makes one)")
                if there if self._file is not None else there & set(book_schema.METADATA.tables):
                    raise SourceError(f"{self.name}: expected a book or an empty database, and it holds other tables")
                book_schema.create(connection)
                return
            version = int(connection.execute(sa.select(ABOUT.c.version)).scalar_one())
            if version > book_schema.VERSION:
                raise SourceError(
                    f"{self.name}: this book is of version {version}, made by a newer matchkit; this one reads up to {book_schema.VERSION}"
                )
            if version < book_schema.VERSION:
                self._bring_up(connection, version)

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
            reader = sa.create_engine(self.url)  # a second look: this connection is inside its transaction
            with reader.connect() as other:
                other.exec_driver_sql("VACUUM INTO ?", (str(copy),))
            reader.dispose()
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
        """Say what went wrong with the database as one of our errors."""
        try:
            yield
        except sa.exc.DBAPIError as error:
            said = str(error.orig).strip().splitlines()[0] if str(error.orig).strip() else type(error.orig).__name__
            raise SourceError(f"{self.name}: the book cannot be used ({said})") from error

    @contextmanager
    def _writing(self) -> Iterator[Connection]:
        """Hold the book for one change: all of it or nothing, one writer at a time."""
        if self._held is not None:
            yield self._held
            return
        with self._engine.connect() as connection, connection.begin():
            if connection.dialect.name == "postgresql":
                connection.execute(sa.select(sa.func.pg_advisory_xact_lock(_LOCK)))
            yield connection

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
        options: dict[str, Any] = {"matchkit_reads": True}
        if self._engine.dialect.name == "postgresql":
            options["isolation_level"] = "REPEATABLE READ"
        with self._engine.connect().execution_options(**options) as connection, connection.begin():
            yield connection

    # reading

    def read(self) -> tuple[dict[str, Reading], str | None]:
        """Give every table that has rows, and the text of house.toml where there is one; records are built unchecked from checked rows."""
        with self._trouble(), self._looking() as connection:
            return self._all(connection), _spec(connection)

    def _all(self, connection: Connection) -> dict[str, Reading]:
        readings = {}
        for name, model in TABLES.items():
            table = RECORDS[name]
            found = connection.execute(sa.select(table).order_by(table.c.row_number)).mappings().all()
            if found:
                readings[name] = _reading(f"{self.name}, table {name}", model, found)
        return readings

    def find(self, table: str, **key: Any) -> list[Record]:
        """Give the rows of a table in which the columns named have these values, in order."""
        columns = RECORDS[table].c
        chosen = sa.select(RECORDS[table]).where(*(columns[name] == value for name, value in key.items()))
        with self._trouble(), self._looking() as connection:
            found = connection.execute(chosen.order_by(columns.row_number)).mappings().all()
        return _reading(table, TABLES[table], found).records

    def ids(self) -> dict[str, set[str]]:
        """Give the ids of every table that has some."""
        with self._trouble(), self._looking() as connection:
            found = {
                name: set(connection.execute(sa.select(table.c.id)).scalars())
                for name, table in RECORDS.items()
                if "id" in table.c
            }
        return {name: ids for name, ids in found.items() if ids}

    def history(self) -> list[dict[str, Any]]:
        """Give every change, oldest first: entry, at, command, change."""
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
    ) -> dict[str, Any]:
        """Add records, table by table, in one transaction; gives what changed, as the history has it.

        A row that is there already, just so, is left; a part that is there with other values is changed, and the history keeps the old
        ones. A playtest or trial with other values raises DataError, and nothing is written: it is corrected by a row of its own. ``check``
        is shown the whole book as it would be, and what it finds raises DataError likewise.
        """
        change: dict[str, Any] = {}
        with self._trouble(), self._writing() as connection:
            entry = _next_entry(connection)
            problems: list[Problem] = []
            for name in TABLES:
                if records.get(name):
                    told = _merge(connection, name, records[name], entry, problems)
                    change |= {name: told} if told else {}
            if problems:
                raise DataError(problems)
            if spec is not None:
                old = _spec(connection)
                if old != spec:
                    connection.execute(DOCUMENTS.delete().where(DOCUMENTS.c.name == "house.toml"))
                    connection.execute(DOCUMENTS.insert().values(name="house.toml", entry=entry, text=spec))
                    change["house.toml"] = {"written": True} if old is None else {"changed": True, "before": old}
            if change and check is not None:
                problems = check(self._all(connection), _spec(connection))
                if problems:
                    raise DataError(problems)
            if change:
                _note(connection, entry, command, change)
        return change


def url_of(target: str | Path) -> URL:
    """Give the address of a book: a file is SQLite, otherwise a URL of SQLite or PostgreSQL; raises SourceError.

    >>> url_of("shop.sqlite").database, url_of("postgresql://bench@localhost/shop").drivername
    ('shop.sqlite', 'postgresql+psycopg')
    """
    text = str(target)
    if "://" not in text:
        return URL.create("sqlite", database=text)
    try:
        url = make_url(text)
    except sa.exc.ArgumentError as error:
        raise SourceError("expected a file, or a URL such as postgresql://user@host/name") from error
    backend = url.get_backend_name()
    if backend not in ("sqlite", "postgresql"):
        raise SourceError(f"a book is an SQLite file or a PostgreSQL database; read a URL of {backend!r}")
    return url.set(drivername="postgresql+psycopg") if backend == "postgresql" else url


def exists(target: str | Path) -> bool:
    """Tell whether a book may be there already: any database on a server, or a file that is there."""
    url = url_of(target)
    return url.get_backend_name() != "sqlite" or Path(str(url.database)).exists()


def _engine(url: URL) -> Engine:
    if url.get_backend_name() == "postgresql":
        try:
            return sa.create_engine(url, pool_size=1, connect_args={"connect_timeout": 10})
        except ModuleNotFoundError as error:
            raise SourceError("PostgreSQL needs a driver: install matchkit[postgres]") from error
    engine = sa.create_engine(url, poolclass=sa.NullPool, connect_args={"timeout": WAIT_SECONDS})

    @sa.event.listens_for(engine, "connect")
    def _ours(raw: Any, record: Any) -> None:
        del record
        raw.isolation_level = None  # transactions begin where we say so, below
        raw.execute("PRAGMA foreign_keys = ON")

    @sa.event.listens_for(engine, "begin")
    def _begin(connection: Connection) -> None:
        reads = connection.get_execution_options().get("matchkit_reads")
        connection.exec_driver_sql("BEGIN" if reads else "BEGIN IMMEDIATE")

    return engine


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


def _next_entry(connection: Connection) -> int:
    """Give the number that the row of the history will have; writers come one at a time."""
    return int(connection.execute(sa.select(sa.func.max(HISTORY.c.entry))).scalar() or 0) + 1


def _note(connection: Connection, entry: int, command: str, change: Mapping[str, Any]) -> None:
    text = json.dumps(change, ensure_ascii=False, default=str)
    connection.execute(HISTORY.insert().values(entry=entry, at=_now(), command=command, change=text))


def _now() -> str:
    return dt.datetime.now(dt.UTC).isoformat(timespec="milliseconds")


def _merge(connection: Connection, name: str, records: Sequence[Record], entry: int, problems: list[Problem]) -> dict[str, Any]:
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
    done: dict[str, Any] = {}
    if fresh:
        done["added"] = len(fresh)
        if len(fresh) == 1:
            done["key"] = [_plain(part) for part in _key(fresh[0])]
    if changed:
        done["changed"] = changed
    return done


def _there(connection: Connection, name: str, keyed: Mapping[tuple[Any, ...], Record]) -> dict[tuple[Any, ...], RowMapping]:
    """Give the rows of the book that have one of these keys."""
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
    """Give the rows without a whole key (unnumbered repeats) beyond those the book has just so."""
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
