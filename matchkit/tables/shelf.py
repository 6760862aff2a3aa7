"""What stands on the shop's shelf and who plays what, changed one part at a time in the shop's record; the history keeps what was."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from matchkit.errors import DataError, Problem, RequestError, UnknownIdError
from matchkit.names import did_you_mean
from matchkit.records.building import build
from matchkit.records.people import Loan, Player
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


@dataclass(frozen=True)
class Shelved:
    """Parts of one table as they stand now, and how many of them were changed or added."""

    table: str
    parts: tuple[Any, ...]
    written: int

    def to_dict(self) -> dict[str, Any]:
        """Return the JSON form."""
        rows = [part.model_dump(mode="json", exclude_none=True) for part in self.parts]
        return {"schema": "matchkit.stock/1", "table": self.table, "written": self.written, "rows": rows}


def add_part(book: str | Path, kind: str, values: Mapping[str, str], *, wait_s: float = WAIT_SECONDS) -> Shelved:
    """Put a new part into a shop's record, from text by column, as a row of a table would hold it.

    Raises DataError with everything that speaks against it, and SourceError.
    """
    table = _table(kind)
    reading = Reading("the new part")
    take_rows(iter([list(values), list(values.values())]), TABLES[table], reading, decimal_comma=False)
    problems = [*reading.problems, *reading.warnings]
    if problems:
        raise DataError(problems)
    target = Book(book, writes=True, wait_s=wait_s)
    record: Any = reading.records[0]
    if target.find(table, id=record.id):
        raise DataError([Problem("the new part", None, "id", shown(record.id), f"an id that no {kind} has yet")])
    return _put(target, table, [record], "stock add")


def change_parts(book: str | Path, name: str, command: str, *, wait_s: float = WAIT_SECONDS, **values: Any) -> Shelved:
    """Change a mouthpiece, a reed, a ligature, or every reed of a line, by id or line.

    Raises UnknownIdError for what is not there, RequestError where one id stands for two kinds of part, DataError for a value that
    cannot be, and SourceError.
    """
    target = Book(book, writes=True, wait_s=wait_s)
    table, found = _named(target, name)
    changed = []
    for record in found:
        built = build(TABLES[table], {**record.model_dump(), **values})
        if isinstance(built, list):
            raise DataError(Problem(shown(name), None, slip.field, slip.read or "nothing", slip.expected) for slip in built)
        changed.append(built)
    return _put(target, table, changed, command)


def change_present(
    book: str | Path, player_id: str, parts: Mapping[str, str | None], *, wait_s: float = WAIT_SECONDS
) -> Shelved:
    """Change what a player plays now: ``parts`` by column. Raises UnknownIdError, DataError and SourceError."""
    target = Book(book, writes=True, wait_s=wait_s)
    player = _player(target, player_id)
    problems = []
    for column, name in parts.items():
        if name is None:
            continue
        kind = column.removesuffix("_id")
        there: list[Any] = target.find(KINDS[kind], id=name)
        if not there:
            known = sorted(target.ids().get(KINDS[kind], ()))
            raise UnknownIdError(f"no {kind} has the id '{name}'{did_you_mean(name, known)}")
        if there[0].instrument not in (None, player.instrument):
            read, expected = f"{shown(name)}, for {there[0].instrument}", f"a part for {player.instrument}"
            problems.append(Problem(f"player {player_id}", None, column, read, expected))
    if problems:
        raise DataError(problems)
    return _put(target, "players", [player.model_copy(update=dict(parts))], "log --now-plays")


def add_loan(book: str | Path, loan: Loan, *, wait_s: float = WAIT_SECONDS) -> Shelved:
    """Write down what was taken home, brought back or kept. Raises UnknownIdError, DataError and SourceError."""
    target = Book(book, writes=True, wait_s=wait_s)
    _player(target, loan.player_id)
    return _put(target, "loans", [loan], f"log --{loan.what}")


def open_loans(loans: Sequence[Loan]) -> tuple[Loan, ...]:
    """Return what was taken and neither brought back nor kept since, in their order."""
    out: dict[tuple[str, str, str, str | None], Loan] = {}
    for loan in loans:
        key = (loan.player_id, loan.mouthpiece_id, loan.reed_id, loan.ligature_id)
        if loan.what == "taken":
            out[key] = loan
        else:
            out.pop(key, None)
    return tuple(out.values())


def history_of(book: str | Path, name: str) -> list[tuple[str, str, dict[str, Any]]]:
    """Return when, by which command and from what a part was changed, oldest first."""
    return [
        (str(entry["at"]), str(entry["command"]), dict(changed["before"]))
        for entry in Book(book).history()
        for told in entry["change"].values()
        if isinstance(told.get("changed"), list)
        for changed in told["changed"]
        if changed["key"] == [name]
    ]


def _table(kind: str) -> str:
    if kind not in KINDS:
        raise RequestError(f"'{kind}' on a shelf; expected {', '.join(KINDS)}")
    return KINDS[kind]


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


def _put(book: Book, table: str, records: Sequence[Record], command: str) -> Shelved:
    def check(tables: dict[str, Reading], spec: str | None) -> list[Problem]:
        whole = SourceReading(book.name, tables)
        if spec is not None:
            take_spec(spec, SPEC_FILE, whole)
        check_house(whole)
        return whole.problems

    done = book.put({table: records}, command=command, check=check).get(table, {})
    return Shelved(table, tuple(records), int(done.get("added", 0)) + len(done.get("changed", [])))
