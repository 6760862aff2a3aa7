"""What stands on the shop's shelf and who plays what, changed one part at a time in the shop's record; the history keeps what was."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from matchkit.errors import DataError, Problem, RequestError, UnknownIdError
from matchkit.names import did_you_mean
from matchkit.records.building import build
from matchkit.records.people import Loan, Player, is_of_loan, open_loans
from matchkit.records.quantity import Record
from matchkit.records.schema import TABLES
from matchkit.tables.book.book import Book
from matchkit.tables.book.connection import WAIT_SECONDS
from matchkit.tables.read.cells import shown
from matchkit.tables.read.sheet import Reading, take_rows
from matchkit.tables.rules.house import check_house
from matchkit.tables.source import SPEC_FILE, SourceReading
from matchkit.tables.store import take_spec

KINDS = {"mouthpiece": "mouthpieces", "reed": "reeds", "ligature": "ligatures"}
"""What stands on a shelf, and its table."""
ADDED = {**KINDS, "neck": "necks", "player": "players"}
"""What can be added one row at a time, and its table."""


@dataclass(frozen=True)
class Shelved:
    """Parts of one table as they stand now, and how many of them were changed or added."""

    table: str
    parts: tuple[Any, ...]
    written: int


def add_row(
    book: str | Path, kind: str, values: Mapping[str, str], *, command: str = "stock add", wait_s: float = WAIT_SECONDS
) -> Shelved:
    """Put a new part or player into a shop's record, from text by column, as a row of a table would hold it.

    Raises DataError with everything that speaks against it, RequestError for a kind that cannot be added so, and SourceError.
    """
    table = _table(kind)
    reading = Reading(f"the new {kind}")
    take_rows(iter([list(values), list(values.values())]), TABLES[table], reading, decimal_comma=False)
    problems = [*reading.problems, *reading.warnings]
    if problems:
        raise DataError(problems)
    target = Book(book, writes=True, wait_s=wait_s)
    record: Any = reading.records[0]
    with target.alone():
        if target.find(table, id=record.id):
            raise DataError([Problem(f"the new {kind}", None, "id", shown(record.id), f"an id that no {kind} has yet")])
        return _put(target, {table: [record]}, command)


def change_parts(book: str | Path, name: str, command: str, *, wait_s: float = WAIT_SECONDS, **values: Any) -> Shelved:
    """Change a mouthpiece, a reed, a ligature, or every reed of a line, by id or line.

    Raises UnknownIdError for what is not there, RequestError where one id stands for two kinds of part, DataError for a value that
    cannot be, and SourceError.
    """
    target = Book(book, writes=True, wait_s=wait_s)
    with target.alone():
        table, found = _named(target, name)
        changed = []
        for record in found:
            built = build(TABLES[table], {**record.model_dump(), **values})
            if isinstance(built, list):
                raise DataError(Problem(shown(name), None, slip.field, slip.read or "nothing", slip.expected) for slip in built)
            changed.append(built)
        return _put(target, {table: changed}, command)


def change_present(
    book: str | Path, player_id: str, parts: Mapping[str, str | None], *, wait_s: float = WAIT_SECONDS
) -> Shelved:
    """Change what a player plays now: ``parts`` by column. Raises UnknownIdError, DataError and SourceError."""
    target = Book(book, writes=True, wait_s=wait_s)
    with target.alone():
        player = _player(target, player_id)
        problems = []
        for column, name in parts.items():
            if name is None:
                continue
            record = _part(target, column, name)
            if record.instrument not in (None, player.instrument):
                read, expected = f"{shown(name)}, for {record.instrument}", f"a part for {player.instrument}"
                problems.append(Problem(f"player {player_id}", None, column, read, expected))
        if problems:
            raise DataError(problems)
        return _put(target, {"players": [player.model_copy(update=dict(parts))]}, "log --now-plays")


@dataclass(frozen=True)
class OutAlready:
    """A part of which none is left by the record, and who has it at home; nobody where it was counted as none."""

    part_id: str
    players: tuple[str, ...]


def add_loan(book: str | Path, loan: Loan, *, wait_s: float = WAIT_SECONDS) -> tuple[OutAlready, ...]:
    """Write down what was taken home, brought back or kept; what was kept is no longer in stock.

    Return the parts of which none was left by the record, with who has them: the record, or the count, is not right. Raises UnknownIdError, DataError (what nobody took cannot come back, and no day is to come) and SourceError.
    """
    target = Book(book, writes=True, wait_s=wait_s)
    with target.alone():
        _player(target, loan.player_id)
        problems = []
        if loan.date is not None and loan.date > dt.date.today():  # noqa: DTZ011 - the shop's own day
            problems.append(Problem("the loan", None, "date", str(loan.date), "today, or a day before"))
        mine: list[Any] = target.find("loans", player_id=loan.player_id)
        parts = ("mouthpiece_id", "reed_id", "ligature_id")
        out = any(is_of_loan(loan, one) for one in open_loans(mine))
        if loan.what == "returned" and not out:
            named = " + ".join(str(getattr(loan, name)) for name in parts if getattr(loan, name))
            problems.append(
                Problem("the loan", None, None, f"{named} brought back", f"what {loan.player_id} took: {_taken(mine)}")
            )
        if problems:
            raise DataError(problems)
        already = _out_already(target, loan)
        written: dict[str, list[Record]] = {"loans": [loan]}
        for name in parts if loan.what == "kept" else ():
            if (held := getattr(loan, name)) is not None:
                record = _part(target, name, held)
                if record.stock:
                    written[KINDS[name.removesuffix("_id")]] = [record.model_copy(update={"stock": record.stock - 1})]
        _put(target, written, f"log --{loan.what}")
        return already


def _out_already(target: Book, loan: Loan) -> tuple[OutAlready, ...]:
    """Return the parts that are taken home of which as many are out as the stock counts; what somebody keeps is one of these."""
    every: list[Any] = target.find("loans")
    now_out = open_loans(every)
    found = []
    for name in ("mouthpiece_id", "reed_id", "ligature_id") if loan.what != "returned" else ():
        held = getattr(loan, name)
        if held is None or (stock := _part(target, name, held).stock) is None:
            continue
        own = any(is_of_loan(loan, one) for one in now_out) if loan.what == "kept" else False
        who = [one.player_id for one in now_out if getattr(one, name) == held]
        if len(who) - own >= stock:
            found.append(OutAlready(held, tuple(dict.fromkeys(who))))
    return tuple(found)


def _taken(loans: Sequence[Loan]) -> str:
    named = [" + ".join(filter(None, (one.mouthpiece_id, one.reed_id, one.ligature_id))) for one in open_loans(loans)]
    return ", ".join(named) or "nothing"


def _part(book: Book, column: str, name: str) -> Any:
    """Return the part that a column names; raises UnknownIdError."""
    kind = column.removesuffix("_id")
    found = book.find(KINDS[kind], id=name)
    if not found:
        raise UnknownIdError(f"no {kind} has the id '{name}'{did_you_mean(name, sorted(book.ids().get(KINDS[kind], ())))}")
    return found[0]


@dataclass(frozen=True)
class Step:
    """One change of a part: when, by which command, and from what to what, by column."""

    at: str
    command: str
    columns: dict[str, tuple[Any, Any]]


def steps_of(book: str | Path, part: Any) -> list[Step]:
    """Return what was changed of a part or a player as it stands now, oldest first."""
    later = part.model_dump()
    found = []
    for entry in reversed(Book(book).history()):
        for told in entry["change"].values():
            for changed in told.get("changed", ()) if isinstance(told.get("changed"), list) else ():
                if changed["key"] == [part.id]:
                    before = dict(changed["before"])
                    columns = {column: (was, later.get(column)) for column, was in before.items()}
                    found.append(Step(str(entry["at"]), str(entry["command"]), columns))
                    later |= before
    return found[::-1]


def named_parts(book: str | Path, name: str) -> tuple[str, list[Record]]:
    """Return the table and the parts of an id, or of a line of reeds. Raises as :func:`change_parts`."""
    return _named(Book(book), name)


def _table(kind: str) -> str:
    if kind not in ADDED:
        raise RequestError(f"a new '{kind}'; expected {', '.join(ADDED)}")
    return ADDED[kind]


def _named(book: Book, name: str) -> tuple[str, list[Record]]:
    """Return the parts that a name stands for, and their table."""
    found = {table: records for table in KINDS.values() if (records := book.find(table, id=name))}
    line = book.find("reeds", profile_id=name)
    if line and not found:
        return "reeds", line
    if len(found) > 1 or (found and line):
        raise RequestError(f"'{name}' is the id of more than one kind of part: change it in the tables")
    if not found:
        ids = book.ids()
        near = did_you_mean(name, sorted({one for table in KINDS.values() for one in ids.get(table, ())}))
        raise UnknownIdError(f"no part has the id '{name}', and no line of reeds is called so{near}")
    return next(iter(found.items()))


def _player(book: Book, player_id: str) -> Player:
    found = book.find("players", id=player_id)
    if not found or not isinstance(found[0], Player):
        raise UnknownIdError(
            f"no player has the id '{player_id}'{did_you_mean(player_id, sorted(book.ids().get('players', ())))}"
        )
    return found[0]


def _put(book: Book, records: Mapping[str, Sequence[Record]], command: str) -> Shelved:
    """Write records into a book that is held, and check the whole of it; the first table is what is told of."""

    def check(tables: dict[str, Reading], spec: str | None) -> list[Problem]:
        whole = SourceReading(book.name, tables)
        if spec is not None:
            take_spec(spec, SPEC_FILE, whole)
        check_house(whole)
        return whole.problems

    table = next(iter(records))
    done = book.put(records, command=command, check=check).get(table, {})
    return Shelved(table, tuple(records[table]), int(done.get("added", 0)) + len(done.get("changed", [])))
