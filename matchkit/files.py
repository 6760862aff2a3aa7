"""Files: where the shipped ones are, how others are written whole or not at all, and a cache of what was computed before."""

from __future__ import annotations

import contextlib
import hashlib
import os
import tempfile
from collections.abc import Callable, Iterable, Mapping
from functools import cache as once
from pathlib import Path
from typing import IO, TYPE_CHECKING, Any, TypeVar

from matchkit.errors import SourceError, is_database, safe_name

if TYPE_CHECKING:
    import sqlite3

Found = TypeVar("Found")

CACHE_FILE = "computed-1.sqlite"
"""The name carries the version of the file's layout."""
MOST_ENTRIES = 400_000
"""Beyond this the older half is forgotten: some hundred megabytes."""
_MARK = 0x6D6B3131
_CHECK = 8
_AT_ONCE = 500


_PACKAGE = Path(__file__).resolve().parent


def shipped(name: str) -> Path:
    """Return the path of a shipped file or folder, such as ``data/demo``.

    A wheel carries them inside the package; an editable install runs from the checkout, where they stand at the top. Raises
    SourceError where neither has it.
    """
    for place in (_PACKAGE / "_shipped" / name, _PACKAGE.parent / name):
        if place.exists():
            return place
    raise SourceError(f"{name} is not part of this installation")


def write_whole(path: str | Path, write: Callable[[IO[bytes]], object]) -> None:
    """Write a file whole or not at all: into another one beside it that then takes its place, once it is on the disk.

    A link is followed, the file's permissions are kept, and what is no plain file (a device, a pipe) is simply written to. Raises
    SourceError where the place cannot be written, and for a book, which is never written over.
    """
    if is_database(Path(path)):
        raise SourceError(f"{safe_name(path)}: a shop's record stands there; nothing was written")
    whole: Path | None = None
    try:
        place = Path(path).resolve()
        if place.exists() and not place.is_file():
            with place.open("wb") as file:
                write(file)
            return
        mode = place.stat().st_mode & 0o777 if place.exists() else 0o666 & ~_umask()
        handle, name = tempfile.mkstemp(dir=place.parent, prefix=f".{place.name}.")
        whole = Path(name)
        with os.fdopen(handle, "wb") as file:
            write(file)
            file.flush()
            os.fsync(file.fileno())
        whole.chmod(mode)
        whole.replace(place)
    except OSError as error:
        if whole is not None:
            whole.unlink(missing_ok=True)
        raise SourceError(f"{safe_name(path)}: cannot be written ({error.strerror})") from error


def _umask() -> int:
    mask = os.umask(0)
    os.umask(mask)
    return mask


COMPUTING = ("learn", "pairs", "parts", "physics", "records", "score")
"""Rooms whose results are kept, and those that they are computed in; what is read, asked or said does not bear on them."""


@once
def code_digest() -> bytes:
    """Return a hash of the code that computes, so that what another version computed is not taken for this one's."""
    found, home = hashlib.sha256(), Path(__file__).parent
    for path in sorted((*home.glob("*.py"), *(path for room in COMPUTING for path in (home / room).rglob("*.py")))):
        found.update(path.name.encode() + b"\0" + path.read_bytes())
    return found.digest()


def cache_folder() -> Path:
    """Return where this machine keeps caches of this program, by the platform's own rule."""
    from platformdirs import user_cache_path

    return user_cache_path("matchkit", appauthor=False)


class Cache:
    """What was computed before, by the hash of what it was computed from; in one file that several processes may use at once.

    Nothing is lost with it: an entry that is damaged or not ours is computed again, a file that cannot be used is made anew, and where
    that fails too the cache stays empty. ``note`` says so in one line, once.

    Parameters
    ----------
    folder
        where the file stands; None keeps nothing
    version
        what every key is mixed with, so that other code or other constants have entries of their own
    """

    def __init__(self, folder: Path | None, *, version: bytes = b"") -> None:
        self._path = None if folder is None else folder / CACHE_FILE
        self._version = version
        self.note = ""

    @property
    def on(self) -> bool:
        """Whether anything is kept."""
        return self._path is not None

    def key(self, kind: str, *parts: bytes | str) -> bytes:
        """Return the key of something computed from ``parts``."""
        found = hashlib.blake2b(self._version, digest_size=20)
        for part in (kind, *parts):
            data = part.encode() if isinstance(part, str) else part
            found.update(len(data).to_bytes(8, "little") + data)
        return found.digest()

    def get(self, keys: Iterable[bytes]) -> dict[bytes, bytes]:
        """Return the entries of those keys that are there and whole."""
        wanted = list(dict.fromkeys(keys))

        def look(connection: sqlite3.Connection) -> list[tuple[bytes, Any]]:
            found: list[tuple[bytes, Any]] = []
            for start in range(0, len(wanted), _AT_ONCE):
                some = wanted[start : start + _AT_ONCE]
                marks = ",".join("?" * len(some))
                found += connection.execute(f"SELECT key, value FROM kept WHERE key IN ({marks})", some)  # noqa: S608 - question marks only
            return found

        rows = self._ask(look) or []
        whole = {
            key: value[_CHECK:]
            for key, value in rows
            if isinstance(value, bytes) and value[:_CHECK] == _check(key, value[_CHECK:])
        }
        if len(whole) < len(rows):
            self.note = f"{self._path}: an entry of the cache was damaged; it is computed again"
        return whole

    def put(self, entries: Mapping[bytes, bytes]) -> None:
        """Keep entries, those that are there already put right."""
        rows = [(key, _check(key, value) + value) for key, value in entries.items()]

        def keep(connection: sqlite3.Connection) -> None:
            with connection:
                connection.executemany("INSERT OR REPLACE INTO kept VALUES (?, ?)", rows)
                (count,) = connection.execute("SELECT count(*) FROM kept").fetchone()
                if count > MOST_ENTRIES:
                    half = "SELECT rowid FROM kept ORDER BY rowid LIMIT 1 OFFSET ?"
                    connection.execute(f"DELETE FROM kept WHERE rowid <= ({half})", (count // 2,))  # noqa: S608 - our own words

        if rows:
            self._ask(keep)

    def _ask(self, work: Callable[[sqlite3.Connection], Found]) -> Found | None:
        """Use the file for one thing; None where it cannot be used. What is no cache of ours is made anew, for the next use."""
        import sqlite3

        if self._path is None:
            return None
        connection: sqlite3.Connection | None = None
        try:
            self._path.parent.mkdir(parents=True, exist_ok=True, mode=0o700)
            connection = sqlite3.connect(self._path, timeout=1.0)
            _prepare(connection)
            return work(connection)
        except OSError:
            self._path = None
        except sqlite3.DatabaseError as error:
            broken = (
                getattr(error, "sqlite_errorcode", sqlite3.SQLITE_ERROR) & 0xFF
            ) == sqlite3.SQLITE_ERROR  # no such table, say
            if isinstance(error, sqlite3.OperationalError) and not broken:
                self._path = None  # full, locked or not to be written: go on without
            else:
                self._begin_anew()
        finally:
            if connection is not None:
                connection.close()
        return None

    def _begin_anew(self) -> None:
        if self._path is None:
            return
        self.note = f"{self._path}: the cache was damaged or not ours; it is made anew"
        for name in (self._path, *(self._path.with_name(f"{self._path.name}{end}") for end in ("-journal", "-wal", "-shm"))):
            with contextlib.suppress(OSError):
                name.unlink(missing_ok=True)


def _prepare(connection: sqlite3.Connection) -> None:
    """Make the table in an empty file; raises sqlite3.DatabaseError for a file that holds something else."""
    import sqlite3

    connection.execute("PRAGMA synchronous = OFF")  # what a power cut spoils is computed again
    (mark,) = connection.execute("PRAGMA application_id").fetchone()
    if mark != _MARK:
        if connection.execute("SELECT count(*) FROM sqlite_master").fetchone()[0]:
            raise sqlite3.DatabaseError("not ours")
        with connection:
            connection.execute("CREATE TABLE IF NOT EXISTS kept (key BLOB UNIQUE NOT NULL, value BLOB NOT NULL)")
            connection.execute(f"PRAGMA application_id = {_MARK}")


def _check(key: bytes, value: bytes) -> bytes:
    return hashlib.blake2b(value, digest_size=_CHECK, key=key).digest()
