"""Writing playtests and blind trials into the shop's book, after a look at what is there."""

from __future__ import annotations

import datetime as dt
import secrets
from collections.abc import Sequence
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

from matchkit.errors import DataError, Problem
from matchkit.names import nearly
from matchkit.parts.fits import misfit
from matchkit.parts.said import is_said
from matchkit.records.building import build
from matchkit.records.parts import Ligature, Mouthpiece, Reed
from matchkit.records.people import Player, Playtest
from matchkit.records.quantity import Record, quantities
from matchkit.records.schema import TABLES
from matchkit.records.trials import ATTRIBUTES, Trial
from matchkit.tables.book.book import Book
from matchkit.tables.book.connection import WAIT_SECONDS
from matchkit.tables.read.cells import shown
from matchkit.tables.read.csv import read_csv
from matchkit.tables.rules.twice import double_rows

NEW = {
    "players": "somebody new: matchkit tables add player",
    "mouthpieces": "a new one: matchkit stock add mouthpiece",
    "reeds": "a new one: matchkit stock add reed",
    "ligatures": "a new one: matchkit stock add ligature",
}
"""How what a record has not yet is added to it, by table."""


@dataclass(frozen=True)
class Logged:
    """What was written: ids of the new rows, in order, how many of the rows given were there already, just so, and what is odd in them."""

    table: str
    ids: tuple[str, ...]
    there_already: int
    notes: tuple[str, ...] = ()

    def to_dict(self) -> dict[str, Any]:
        """Return the JSON form."""
        return {"schema": "matchkit.log/1", **asdict(self)}


def new_id(day: dt.date | None = None) -> str:
    """Return an id that two benches writing at once will not both take."""
    return f"{(day or dt.date.today()):%y%m%d}-{secrets.token_hex(3)}"  # noqa: DTZ011 - the shop's own day


def playtest_of(values: dict[str, Any]) -> Playtest:
    """Make a playtest of values by column, with an id and today's date where none are given; raises DataError with every slip."""
    day = values.get("date") or dt.date.today()  # noqa: DTZ011 - the shop's own day
    if isinstance(day, str):
        try:
            day = dt.date.fromisoformat(day)
        except ValueError:
            problem = Problem(
                "playtest",
                None,
                "date",
                shown(str(day)),
                "a day as 2026-01-31",
                "year first, with two digits for month and day",
            )
            raise DataError([problem]) from None
    found = build(
        Playtest, {"id": new_id(day), **{name: value for name, value in values.items() if value is not None}, "date": day}
    )
    if isinstance(found, list):
        raise DataError(
            Problem("playtest", None, slip.field, shown(slip.read) if slip.read else "nothing", slip.expected) for slip in found
        )
    return found


def log_playtests(book: str | Path, tests: Sequence[Playtest], *, command: str = "log", wait_s: float = WAIT_SECONDS) -> Logged:
    """Write playtests into a shop's record, all or none.

    Parameters
    ----------
    book
        an SQLite file, or the URL of a PostgreSQL database
    tests
        playtests, as :class:`matchkit.Playtest`
    command
        what the history says wrote them
    wait_s
        how long to wait for another writer, in seconds

    Raises
    ------
    DataError
        with everything that speaks against them: unknown ids, parts that do not fit one another, a row that is there already in other words,
        a correction of nothing
    SourceError
        where the record cannot be used
    """
    places = ["playtest"] if len(tests) == 1 else [f"playtest {place}" for place in range(1, len(tests) + 1)]
    return _write(Book(book, writes=True, wait_s=wait_s), "playtests", list(tests), command, places)


def log_file(book: str | Path, path: str | Path, *, command: str = "log", wait_s: float = WAIT_SECONDS) -> Logged:
    """Write the rows of a csv of playtests or of trials into a book, all or none; told apart by their columns. Raises as above."""
    place = Path(path)
    table = _kind(place)
    reading = read_csv(place, TABLES[table])
    problems = [*reading.problems, *reading.warnings, *double_rows(reading, TABLES[table])]
    if problems:
        raise DataError(problems)
    rows = [f"{place.name}, row {row}" for row in reading.rows]
    return _write(Book(book, writes=True, wait_s=wait_s), table, reading.records, command, rows)


def _kind(path: Path) -> str:
    try:
        with path.open(encoding="utf-8-sig", errors="replace") as file:
            header = next((line for line in file if line.strip()), "")
    except OSError:
        header = ""  # the reader says what is wrong with it
    return "trials" if "shown" in header.lower() else "playtests"


def _write(book: Book, table: str, records: Sequence[Record], command: str, places: Sequence[str]) -> Logged:
    checks = _Checks(book, table, places)
    with book.alone():
        problems = checks.problems(records)
        if problems:
            raise DataError(problems)
        added = int(book.put({table: records}, command=command).get(table, {}).get("added", 0))
    ids = tuple(str(getattr(record, "id", "")) for record in records)
    return Logged(table, ids, len(records) - added, tuple(checks.notes))


def check_parts(book: str | Path, values: dict[str, Any]) -> None:
    """Raise DataError where the parts among values by column do not fit one another; unknown ids are left to the writing."""
    checks = _Checks(Book(book), "playtests", ())
    problems = checks.fit("playtest", *(values[name] for name in ("mouthpiece_id", "reed_id", "ligature_id")))
    if problems:
        raise DataError(problems)


def known_ids(book: str | Path) -> dict[str, tuple[str, ...]]:
    """Return the ids a book has for each column of a playtest that names one; SourceError where the book cannot be used."""
    ids = Book(book).ids()
    columns = ("player_id", "mouthpiece_id", "reed_id", "ligature_id")
    return {name: tuple(sorted(ids.get(f"{name.removesuffix('_id')}s", ()))) for name in columns}


class _Checks:
    """What the book has to say about rows that shall be written; each id is looked up once."""

    def __init__(self, book: Book, table: str, places: Sequence[str]) -> None:
        self._book, self._table, self._places = book, table, places
        self._known: dict[tuple[str, str], Record | None] = {}
        self.notes: list[str] = []
        """What is odd and was not refused, after :meth:`problems`."""

    def problems(self, records: Sequence[Record]) -> list[Problem]:
        found: list[Problem] = []
        before: set[str] = set()
        corrected: set[str] = set()
        turns: set[tuple[object, ...]] = set()
        written: dict[tuple[object, ...], Playtest] = {}
        for place, record in zip(self._places, records, strict=True):
            found += self._references(place, record, before)
            before.add(str(getattr(record, "id", "")))
            found += _empty(place, record)
            turn = tuple(getattr(record, name) for name in ("player_id", "session", "position"))
            if None not in turn and turn in turns and getattr(record, "corrects", None) is None:
                found.append(
                    Problem(place, None, "position", f"{turn[2]}", "each turn of a sitting once", "an earlier row has it")
                )
            turns.add(turn)
            found += self._correction(place, record, corrected)
            if isinstance(record, Playtest | Trial):
                found += self._same_turn(place, record)
            if isinstance(record, Playtest):
                found += self._same_again(place, record, written)
                written.setdefault(_content(record), record)
                self._other_instrument(place, record)
                if record.date is not None and record.date > dt.date.today():  # noqa: DTZ011 - the shop's own day
                    self.notes.append(f"{place}: {record.date} is in the future")
                found += self.fit(place, record.mouthpiece_id, record.reed_id, record.ligature_id)
            elif isinstance(record, Trial):
                if record.set_a == record.set_b:
                    found.append(Problem(place, None, "set_b", shown(record.set_b), "another set-up than set_a"))
                for column in ("set_a", "set_b"):
                    found += self._set(place, column, getattr(record, column))
        return found

    def _get(self, table: str, name: str) -> Record | None:
        if (table, name) not in self._known:
            self._known[table, name] = next(iter(self._book.find(table, id=name)), None)
        return self._known[table, name]

    def _lost(self, place: str, column: str, table: str, name: str) -> Problem:
        ids = [str(getattr(record, "id", "")) for record in self._book.find(table)]
        near = nearly(name, ids, most=1, alike=0.7)
        new = NEW.get(table, "")
        return Problem(place, None, column, shown(name), f"an id of {table}", f"did you mean {near[0]}?" if near else new)

    def _references(self, place: str, record: Record, before: set[str]) -> list[Problem]:
        found = []
        for column, quantity in quantities(type(record)).items():
            name, table = getattr(record, column), quantity.refers_to
            if table is None or name is None or (table == self._table and name in before) or self._get(table, name):
                continue
            found.append(self._lost(place, column, table, name))
        return found

    def _correction(self, place: str, record: Record, corrected: set[str]) -> list[Problem]:
        old = getattr(record, "corrects", None)
        if old is None:
            return []
        again = next(iter(self._book.find(self._table, corrects=old)), None)
        if old in corrected or (again is not None and getattr(again, "id", None) != getattr(record, "id", None)):
            expected, hint = "a row that nothing corrects yet", "correct the row that corrected it"
            return [Problem(place, None, "corrects", shown(old), expected, hint)]
        corrected.add(old)
        before = self._get(self._table, old)
        names = ("player_id", "mouthpiece_id", "reed_id", "ligature_id", "set_a", "set_b", "attribute")
        other = [name for name in names if before is not None and getattr(record, name, None) != getattr(before, name, None)]
        if other:
            self.notes.append(f"{place} corrects {shown(old)} and names another {' and another '.join(other)}")
        return []

    def _other_instrument(self, place: str, test: Playtest) -> None:
        player, piece = self._get("players", test.player_id), self._get("mouthpieces", test.mouthpiece_id)
        if isinstance(player, Player) and isinstance(piece, Mouthpiece) and player.instrument != piece.instrument:
            self.notes.append(
                f"{place}: {test.player_id} plays {player.instrument}, the mouthpiece is for {piece.instrument}; it is kept, and "
                "teaches the ranking nothing"
            )

    def _same_turn(self, place: str, test: Playtest | Trial) -> list[Problem]:
        """One turn of a sitting holds one playtest or trial, and what corrects it."""
        if test.session is None or test.position is None:
            return []
        there = self._book.find(self._table, player_id=test.player_id, session=test.session, position=test.position)
        others = [str(getattr(item, "id", "")) for item in there if getattr(item, "id", "") not in (test.id, test.corrects)]
        if not others or test.corrects is not None:
            return []
        read = f"position {test.position} of session {shown(test.session)}"
        return [
            Problem(
                place,
                None,
                "position",
                read,
                "a turn that is not written down yet",
                f"{shown(others[0])} is; does this correct it?",
            )
        ]

    def _same_again(self, place: str, test: Playtest, written: dict[tuple[object, ...], Playtest]) -> list[Problem]:
        """Refuse the same parts, marks and day under another id: one playtest that was typed twice."""
        if test.corrects is not None or (test.session is not None and test.position is not None):
            return []
        there = self._book.find("playtests", player_id=test.player_id, mouthpiece_id=test.mouthpiece_id, reed_id=test.reed_id)
        content = _content(test)
        now = written.get(content)
        twin = now or next((item for item in there if item != test and _content(item) == content), None)
        if twin is None or getattr(twin, "id", None) == test.id:
            return []
        where = "in the same file" if now is not None else "which is written down"
        read = f"the same parts, marks and day as {shown(str(getattr(twin, 'id', '')))}, {where}"
        hint = "if it was played twice, say so by a session and a position"
        return [Problem(place, None, None, read, "another playtest", hint)]

    def _set(self, place: str, column: str, named: str) -> list[Problem]:
        ids = named.split("/")
        if len(ids) not in (2, 3):
            return [Problem(place, None, column, shown(named), "mouthpiece/reed/ligature, by their ids")]
        tables = {"mouthpiece": "mouthpieces", "reed": "reeds", "ligature": "ligatures"}
        lost = [
            self._lost(place, column, table, name)
            for (kind, table), name in zip(tables.items(), ids, strict=False)
            if not self._get(table, name) and not is_said(kind, name)
        ]
        return lost or self.fit(place, ids[0], ids[1], ids[2] if len(ids) == 3 else None)

    def fit(self, place: str, mouthpiece_id: str, reed_id: str, ligature_id: str | None) -> list[Problem]:
        """Return what speaks against parts having been played together."""
        piece, reed = self._get("mouthpieces", mouthpiece_id), self._get("reeds", reed_id)
        ligature = None if ligature_id is None else self._get("ligatures", ligature_id)
        if not isinstance(piece, Mouthpiece) or not isinstance(reed, Reed):
            return []  # told already
        reason = misfit(piece, reed, ligature if isinstance(ligature, Ligature) else None)
        what = "/".join(filter(None, (mouthpiece_id, reed_id, ligature_id)))
        return [Problem(place, None, None, shown(what), "parts that fit one another", reason)] if reason else []


def _content(record: Record) -> tuple[object, ...]:
    """Return everything that a row says but its own id."""
    return tuple(getattr(record, name) for name in type(record).model_fields if name != "id")


def _empty(place: str, record: Record) -> list[Problem]:
    """Refuse a row that nobody has filled in yet: once written, it could only be corrected."""
    if isinstance(record, Trial) and record.answer is None:
        return [
            Problem(
                place,
                None,
                "answer",
                "nothing",
                "1, 2 or 3: which of them was named",
                "leave the row out where nobody answered",
            )
        ]
    if isinstance(record, Playtest) and all(getattr(record, name) is None for name in ATTRIBUTES) and record.note is None:
        return [Problem(place, None, "overall", "no mark at all", "one mark or more, or a note")]
    return []
