"""Connections to a book: readers that never wait for a writer, writers that wait a stated time, and servers that are given up on."""

from __future__ import annotations

import os
import socket
import sqlite3
import threading
import time
import weakref
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Any

import sqlalchemy as sa
from sqlalchemy.engine import Connection, Engine

from matchkit.errors import SourceError
from matchkit.tables.book.place import Place

WAIT_SECONDS = 10.0
"""So long a writer waits for another one, unless told otherwise; and a reader of an SQLite file that was made before readers never waited."""
CONNECT_SECONDS = 5
"""So long each address of a server is tried."""
ANSWER_SECONDS = 12.0
"""A server that has not answered for so long is taken for dead."""
_LOCK = 7_214_903
"""Key of the lock that writers of one PostgreSQL database take in turn."""
_RESERVED_BYTE = 0x40000001
_WAL_WRITER_BYTE = 120
"""Bytes that SQLite's writers lock, in the file itself and in the index of its log (the documented file format)."""


def reading_engine(place: Place) -> Engine:
    """Return an engine whose transactions look at the book as it is at one moment, and lock nothing."""
    if place.file is None:
        return _postgres(place, isolation_level="REPEATABLE READ", postgresql_readonly=True)
    engine = sa.create_engine(_read_only_url(place), poolclass=sa.NullPool, connect_args={"timeout": WAIT_SECONDS})
    _by_hand(engine, "BEGIN")
    return engine


def writing_engine(place: Place, wait_s: float) -> Engine:
    """Return an engine whose transactions begin by taking their turn, for which they wait ``wait_s``."""
    if place.file is None:
        return _postgres(place)
    engine = sa.create_engine(place.url, poolclass=sa.NullPool, connect_args={"timeout": wait_s})
    _by_hand(engine, "BEGIN IMMEDIATE")

    @sa.event.listens_for(engine, "connect")
    def _log_ahead(raw: Any, record: Any) -> None:
        del record
        with suppress(Exception):  # a file that another program holds stays as it is until the next time
            raw.execute("PRAGMA journal_mode = WAL")

    return engine


def _by_hand(engine: Engine, begin: str) -> None:
    """Let transactions of SQLite begin where we say so."""

    @sa.event.listens_for(engine, "connect")
    def _ours(raw: Any, record: Any) -> None:
        del record
        raw.isolation_level = None
        raw.execute("PRAGMA foreign_keys = ON")

    @sa.event.listens_for(engine, "begin")
    def _begin(connection: Connection) -> None:
        connection.exec_driver_sql(begin)


def _read_only_url(place: Place) -> sa.URL:
    """Return the address for readers: where nobody may write beside the file, and nobody is writing, the file alone is read."""
    file = Path(str(place.file))
    log = file.with_name(f"{file.name}-wal")
    if os.access(file.parent, os.W_OK) or not file.is_file() or (log.is_file() and log.stat().st_size):
        return place.url
    return sa.URL.create("sqlite", database=file.resolve().as_uri(), query={"mode": "ro", "immutable": "1", "uri": "true"})


def _postgres(place: Place, **options: Any) -> Engine:
    told = f"matchkit, process {os.getpid()} on {socket.gethostname()}"
    arguments = {"connect_timeout": CONNECT_SECONDS, "application_name": told[:63], "keepalives_idle": 5}
    try:
        engine = sa.create_engine(place.url, pool_size=1, connect_args=arguments)
    except ModuleNotFoundError:
        raise SourceError("PostgreSQL needs a driver: install matchkit[postgres]") from None
    return engine.execution_options(**options) if options else engine


@contextmanager
def writers_turn(connection: Connection, wait_s: float) -> Iterator[None]:
    """Take the writers' lock of a PostgreSQL database for this transaction; an SQLite transaction has begun with its own."""
    if connection.dialect.name == "postgresql":
        connection.exec_driver_sql(f"SET LOCAL lock_timeout = {max(int(wait_s * 1000), 1)}")
        connection.execute(sa.select(sa.func.pg_advisory_xact_lock(_LOCK)))
        connection.exec_driver_sql(f"SET LOCAL lock_timeout = {int(WAIT_SECONDS * 1000)}")
    yield


def is_waiting_over(error: sa.exc.DBAPIError) -> bool:
    """Tell whether a transaction ended because somebody else was writing for too long."""
    busy = (getattr(error.orig, "sqlite_errorcode", 0) & 0xFF) == sqlite3.SQLITE_BUSY
    return busy or getattr(error.orig, "sqlstate", None) == "55P03"


def who_writes(place: Place) -> str:
    """Say who holds the writers' lock, as far as that can be told."""
    with suppress(Exception):
        found = _writer_of_file(place.file) if place.file is not None else _writer_of_server(place)
        if found:
            return found
    return "another program"


def _writer_of_server(place: Place) -> str:
    held = sa.text(
        "SELECT a.application_name, host(a.client_addr), a.pid, to_char(a.xact_start, 'HH24:MI:SS') FROM pg_locks l "
        "JOIN pg_stat_activity a ON a.pid = l.pid WHERE l.locktype = 'advisory' AND l.granted AND l.objid = :key "
        "AND l.database = (SELECT oid FROM pg_database WHERE datname = current_database())"
    )
    engine = _postgres(place)
    with engine.connect() as connection:
        name, address, pid, since = connection.execute(held, {"key": _LOCK}).one()
    engine.dispose()
    return f"{name or 'another program'}{f' at {address}' if address else ''} (server process {pid}, since {since})"


def _writer_of_file(file: Path | None) -> str:
    """Look for the process that holds the writers' byte, in the list of locks that Linux keeps; opening the file would disturb them."""
    if file is None:
        return ""
    index = file.with_name(f"{file.name}-shm")
    wanted = {(path.stat().st_ino, byte) for path, byte in ((file, _RESERVED_BYTE), (index, _WAL_WRITER_BYTE)) if path.exists()}
    for line in Path("/proc/locks").read_text(encoding="ascii").splitlines():
        _, kind, _, mode, pid, which, first, last = [part for part in line.split() if part != "->"][:8]
        inode, end = int(which.split(":")[-1]), float("inf") if last == "EOF" else int(last)
        if kind in ("POSIX", "OFDLCK") and mode == "WRITE" and any(inode == i and int(first) <= b <= end for i, b in wanted):
            command = Path(f"/proc/{pid}/comm")
            return f"process {pid}" + (f" ({command.read_text().strip()})" if int(pid) > 0 and command.exists() else "")
    return ""


class Watch:
    """Cuts the line to a server that no longer answers, so that no command hangs on it."""

    def __init__(self) -> None:
        self.cut = False
        self._asked: tuple[float, Any] | None = None
        """When the answer must have come, and the connection it comes by."""
        self._looks = False

    def over(self, engine: Engine, wait_s: float) -> None:
        """Watch every statement, commit and rollback of an engine; a statement that may wait for its turn gets that time more."""
        if engine.dialect.name != "postgresql":
            return

        @sa.event.listens_for(engine, "before_cursor_execute")
        def _asked(connection: Connection, cursor: Any, statement: str, *rest: Any) -> None:
            del cursor, rest
            self.begin(connection, ANSWER_SECONDS + (wait_s if "pg_advisory_xact_lock" in statement else 0.0))

        @sa.event.listens_for(engine, "after_cursor_execute")
        def _answered(*told: Any) -> None:
            del told
            self.end()

        @sa.event.listens_for(engine, "commit")
        def _committing(connection: Connection) -> None:
            self.begin(connection, ANSWER_SECONDS)

        @sa.event.listens_for(engine, "rollback")
        def _taking_back(connection: Connection) -> None:
            self.begin(connection, ANSWER_SECONDS)

    def begin(self, connection: Connection, seconds: float) -> None:
        """Cut the line unless :meth:`end` comes within so many seconds, give or take one."""
        if connection.invalidated:  # it was cut already
            return
        self._asked = (time.monotonic() + seconds, connection.connection.dbapi_connection)
        if not self._looks:
            self._looks = True
            threading.Thread(target=_look_after, args=(weakref.ref(self),), daemon=True).start()

    def end(self) -> None:
        """Say that it answered, or that nobody asks any more."""
        self._asked = None

    def look(self) -> None:
        """Cut the line where an answer is overdue."""
        asked = self._asked
        if asked is not None and time.monotonic() > asked[0]:
            self.cut, self._asked = True, None
            with suppress(OSError), socket.socket(fileno=os.dup(asked[1].pgconn.socket)) as line:
                line.shutdown(socket.SHUT_RDWR)


def _look_after(watch: weakref.ref[Watch]) -> None:
    """Look every second, as long as there is something to look after."""
    while (found := watch()) is not None:
        found.look()
        del found
        time.sleep(1)
