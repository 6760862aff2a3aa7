"""Processes that write into a book, for tests that kill them or let two write at once."""

from __future__ import annotations

import multiprocessing
import os
import random
import signal
import time
from multiprocessing.connection import Connection

from matchkit.records.people import Playtest
from matchkit.tables.book.book import Book
from matchkit.tables.store import read_source

FORK = multiprocessing.get_context("fork")
MANY = 200


def one(name: str) -> Playtest:
    """Make a playtest of the demo house."""
    return Playtest(id=name, player_id="P02", mouthpiece_id="AM-05", reed_id="AR-A-2.5", overall=7.0, note=f"written as {name}")


def write_singly(target: str, prefix: str, count: int) -> None:
    """Write playtests one transaction at a time, as a counter does."""
    book = Book(target)
    for number in range(count):
        book.put({"playtests": [one(f"{prefix}{number:05d}")]}, command="log")


def _write_until_killed(target: str, prefix: str, told: Connection) -> None:
    """Write single playtests and blocks of many in turn, telling each id once its transaction is done."""
    book = Book(target)
    number = 0
    while True:
        size = MANY if number % 3 == 2 else 1
        names = [f"{prefix}-{number:04d}-{place:03d}" for place in range(size)]
        book.put({"playtests": [one(name) for name in names]}, command="log")
        told.send(names)
        number += 1


def kill_writers(target: str, times: int, *, seed: int) -> tuple[int, int]:
    """Kill a writing process at random moments; gives rows told as written, and rows in the book.

    After each kill: everything that was told is there, every change of the history has all its rows, and the book opens without a problem.
    """
    rng = random.Random(seed)
    told: set[str] = set()
    for life in range(times):
        ours, theirs = FORK.Pipe(duplex=False)
        writer = FORK.Process(target=_write_until_killed, args=(target, f"K{life:03d}", theirs))
        writer.start()
        theirs.close()
        ours.poll(20)  # the first row is written: from here on, any moment
        time.sleep(rng.uniform(0, 0.08))
        os.kill(int(writer.pid or 0), signal.SIGKILL)
        writer.join()
        while ours.poll():
            try:
                told.update(ours.recv())
            except EOFError:
                break
        ours.close()
        book = Book(target)
        ids = book.ids()["playtests"]
        assert told <= ids, f"lost {sorted(told - ids)[:3]}"
        added = sum(entry["change"]["playtests"]["added"] for entry in book.history() if "playtests" in entry["change"])
        assert added == len(ids), "a change is half written"
    assert not read_source(target).problems
    return len(told), len(ids)
