"""Who waits for whom: readers for nobody, writers a stated time, and no command for a server that is dead."""

from __future__ import annotations

import os
import signal
import socket
import sqlite3
import subprocess
import sys
import time
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from multiprocessing.connection import Connection
from pathlib import Path

import pytest
from book_writers import FORK, one
from click.testing import CliRunner
from postgres_server import server

from matchkit.cli import main
from matchkit.errors import SourceError
from matchkit.files import shipped
from matchkit.tables.book import book as book_module
from matchkit.tables.book import connection as book_connection
from matchkit.tables.book.book import Book
from matchkit.tables.book.place import place_of
from matchkit.tables.carry import carry_in
from matchkit.tables.store import read_tables

READERS = 20
LONGEST_S = 15


def _hold(target: str, ready: Connection) -> None:
    """Begin a change, write a row of it, and never end it."""
    book = Book(target)
    with book.alone():
        book.put({"playtests": [one("stuck")]}, command="log")
        ready.send("held")
        time.sleep(600)


@contextmanager
def stuck_writer(target: str) -> Iterator[int]:
    """Return the process that holds the writers' lock and does not move; it is killed afterwards."""
    ours, theirs = FORK.Pipe(duplex=False)
    writer = FORK.Process(target=_hold, args=(target, theirs))
    writer.start()
    assert ours.recv() == "held"
    os.kill(int(writer.pid or 0), signal.SIGSTOP)
    try:
        yield int(writer.pid or 0)
    finally:
        os.kill(int(writer.pid or 0), signal.SIGKILL)
        writer.join()


@pytest.fixture
def shop(demo_book: str) -> str:
    """The demo house in a book."""
    return demo_book


def test_twenty_readers_beside_a_stuck_writer(shop: str) -> None:
    """All of them answer at once, with the book as it was before the change that is not made."""
    with stuck_writer(shop):
        start = time.monotonic()
        with ThreadPoolExecutor(READERS) as pool:
            found = list(pool.map(read_tables, [shop] * READERS))
        assert time.monotonic() - start < LONGEST_S
        assert {len(tables.playtests) for tables in found} == {900}
        ranked = CliRunner().invoke(main, ["rank", "P02", "--data", shop, "--top", "1"])
        assert ranked.exit_code == 0, ranked.output
    assert len(read_tables(shop).playtests) == 900


def test_readers_of_a_file_that_is_held_exclusively(tmp_path: Path) -> None:
    """Even a program that takes the whole SQLite file for itself keeps no reader waiting."""
    target = tmp_path / "shop.sqlite"
    carry_in(shipped("data/demo"), target)
    other = sqlite3.connect(target, isolation_level=None)
    other.execute("BEGIN EXCLUSIVE")
    start = time.monotonic()
    assert len(read_tables(target).playtests) == 900
    assert time.monotonic() - start < 5
    other.close()


def test_a_writer_waits_as_long_as_it_was_told_and_says_for_whom(shop: str) -> None:
    """After a second of --wait it gives up, names the process that is writing, and nothing was written."""
    with stuck_writer(shop) as pid:
        words = ["log", "--data", shop, "--player", "P02", "--mouthpiece", "AM-05", "--reed", "AR-A-2.5", "--overall", "7"]
        start = time.monotonic()
        result = CliRunner().invoke(main, [*words, "--wait", "1"])
        assert 0.9 < time.monotonic() - start < 8
        assert result.exit_code == 4
        told = " ".join(result.stderr.split())
        assert f"process {pid}" in told
        assert f"is writing; this one (process {os.getpid()}) waited 1 s for its turn, and wrote nothing" in told
        with pytest.raises(SourceError, match=r"waited 0\.5 s"):
            carry_in(shipped("data/demo"), shop, wait_s=0.5)
    assert CliRunner().invoke(main, words).exit_code == 0
    assert len(read_tables(shop).playtests) == 901


def test_the_wait_that_is_told_is_the_one_that_is_waited() -> None:
    """The default of --wait, which the command line knows without opening a book, is the book's own."""
    for command in ("log", "tables import"):
        told = CliRunner().invoke(main, [*command.split(), "--help"]).stdout
        assert f"[default: {book_connection.WAIT_SECONDS};" in " ".join(told.split())


def test_a_writer_gets_its_turn_when_the_other_is_done(shop: str) -> None:
    """One that waits long enough writes."""
    with stuck_writer(shop) as pid, ThreadPoolExecutor(1) as pool:
        waiting = pool.submit(lambda: Book(shop, wait_s=30).put({"playtests": [one("later")]}, command="log"))
        time.sleep(0.5)
        assert not waiting.done()
        os.kill(pid, signal.SIGKILL)
        assert waiting.result(timeout=20) == {"playtests": {"added": 1, "key": ["later"]}}
    assert {test.id for test in read_tables(shop).playtests} >= {"later"}


@contextmanager
def dumb_server() -> Iterator[str]:
    """Listen, and never say a word."""
    with socket.socket() as listening:
        listening.bind(("127.0.0.1", 0))
        listening.listen()
        yield f"postgresql://bench@127.0.0.1:{listening.getsockname()[1]}/shop"


def test_a_server_that_takes_the_call_and_never_answers(monkeypatch: pytest.MonkeyPatch) -> None:
    """Connecting is given up after its time."""
    monkeypatch.setattr(book_connection, "CONNECT_SECONDS", 2)
    with dumb_server() as address:
        start = time.monotonic()
        with pytest.raises(SourceError, match="the shop's record cannot be used"):
            read_tables(address)
        assert time.monotonic() - start < 6


@pytest.mark.slow
def test_no_command_hangs_on_a_dead_server(postgres: str) -> None:
    """With the times as they are, a call that is not answered ends within fifteen seconds."""
    assert postgres
    with dumb_server() as address:
        start = time.monotonic()
        done = subprocess.run(
            [sys.executable, "-m", "matchkit", "rank", "P02", "--data", address], capture_output=True, text=True, check=False
        )
        assert done.returncode == 4
        assert time.monotonic() - start < LONGEST_S


def _processes_of(root: int) -> list[int]:
    """The processes that a server consists of."""
    told = subprocess.run(["ps", "-e", "-o", "pid=,ppid="], capture_output=True, text=True, check=True).stdout
    pairs = [tuple(int(part) for part in line.split()) for line in told.splitlines()]
    return [root, *(pid for pid, parent in pairs if parent == root)]


def test_a_server_that_dies_in_the_middle_is_given_up(monkeypatch: pytest.MonkeyPatch) -> None:
    """A server that was stopped after the connection was made: reading and writing end in words, not in waiting."""
    for module in (book_connection, book_module):
        monkeypatch.setattr(module, "ANSWER_SECONDS", 2.0)
    monkeypatch.setattr(book_connection, "CONNECT_SECONDS", 2)
    with server() as address:
        target = f"{address}/postgres"
        carry_in(shipped("data/demo"), target)
        reader, writer = Book(target), Book(target, writes=True)
        root = int(Path(_data_folder(target), "postmaster.pid").read_text().splitlines()[0])
        stopped = _processes_of(root)
        for pid in stopped:
            os.kill(pid, signal.SIGSTOP)
        try:
            for ask in (reader.read, lambda: writer.put({"playtests": [one("x")]}, command="log")):
                start = time.monotonic()
                with pytest.raises(SourceError, match="has not answered for 2 s"):
                    ask()
                assert time.monotonic() - start < 10
        finally:
            for pid in stopped:
                os.kill(pid, signal.SIGCONT)
        assert len(read_tables(target).playtests) == 900


def _data_folder(target: str) -> str:
    import psycopg

    with psycopg.connect(target) as connection:
        found = connection.execute("SHOW data_directory").fetchone()
    assert found is not None
    return str(found[0])


def test_a_book_in_a_folder_that_nobody_may_write_to(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A reader then opens the file alone, without the two beside it; with a log beside it the file is opened as ever."""
    target = tmp_path / "shop.sqlite"
    carry_in(shipped("data/demo"), target)
    monkeypatch.setattr("matchkit.tables.book.connection.os.access", lambda *_: False)
    url = book_connection.reading_engine(place_of(target)).url
    assert url.query["immutable"] == "1"
    assert len(read_tables(target).playtests) == 900
    assert [path.name for path in tmp_path.iterdir()] == ["shop.sqlite"]
    (tmp_path / "shop.sqlite-wal").write_bytes(b"something")
    assert not book_connection.reading_engine(place_of(target)).url.query


def test_the_byte_that_a_writer_holds() -> None:
    """SQLite's file format: the pending byte is 0x40000000, the reserved byte stands one behind it (SQLite, File Locking)."""
    assert book_connection._RESERVED_BYTE == 0x40000000 + 1
