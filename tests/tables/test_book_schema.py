"""The tables of a book over time: frozen by version, and optional columns that join older books by themselves."""

from __future__ import annotations

import json
import os
import random
import signal
import time
from pathlib import Path

import pytest
import sqlalchemy as sa
from book_writers import FORK, one

from matchkit.errors import SourceError
from matchkit.files import shipped
from matchkit.tables.book import schema as book_schema
from matchkit.tables.book.book import Book
from matchkit.tables.book.schema import METADATA, RECORDS, VERSION
from matchkit.tables.carry import carry_in
from matchkit.tables.store import read_source

FROZEN = json.loads((Path(__file__).parent / f"book_schema_{VERSION}.json").read_text(encoding="utf-8"))["tables"]
LOST = {"reeds": ("lot", "vamp_length_mm"), "playtests": ("blind",)}


def differences(now: dict[str, sa.Table]) -> list[str]:
    """Say what today's tables have that the frozen ones of this version do not allow."""
    found = [f"table {name} is gone" for name in FROZEN if name not in now]
    for name, columns in FROZEN.items():
        there = {column.name: column for column in now[name].columns} if name in now else {}
        for column, told in columns.items():
            if column not in there:
                found.append(f"{name}.{column} is gone")
            elif (str(there[column].type), bool(there[column].nullable)) != (told["type"], told["optional"]):
                found.append(f"{name}.{column} is of another type")
        found += [
            f"{name}.{new} is new and needed" for new, column in there.items() if new not in columns and not column.nullable
        ]
    return found


def test_the_tables_are_those_of_their_version() -> None:
    """A column that went, changed, or is new and needed takes a new version and a migration: without one this test fails."""
    assert not differences(dict(METADATA.tables))


def test_a_forgotten_migration_is_seen() -> None:
    """A renamed, a retyped and a new needed column are each told; a new optional one is not."""
    metadata = sa.MetaData()
    changed = []
    for column in RECORDS["reeds"].columns:
        if column.name == "lot":
            changed.append(sa.Column("batch", sa.Text))
        elif column.name == "strength":
            changed.append(sa.Column("strength", sa.Text, nullable=False))
        else:
            changed.append(sa.Column(column.name, column.type, primary_key=column.primary_key, nullable=column.nullable))
    changed += [sa.Column("grower", sa.Text, nullable=False), sa.Column("humidity", sa.Double)]
    now = {**METADATA.tables, "reeds": sa.Table("reeds", metadata, *changed)}
    assert differences(now) == ["reeds.strength is of another type", "reeds.lot is gone", "reeds.grower is new and needed"]


def lose(target: str, columns: dict[str, tuple[str, ...]], *tables: str) -> None:
    """Make a book one from before some columns and tables were added."""
    with Book(target)._writing() as connection:
        for table, names in columns.items():
            for name in names:
                connection.exec_driver_sql(f'ALTER TABLE {table} DROP COLUMN "{name}"')
        for table in tables:
            connection.exec_driver_sql(f"DROP TABLE {table}")


def test_an_older_book_is_read_without_what_it_lacks_and_completed_by_its_first_change(demo_book: str) -> None:
    """Lost columns and a lost table read as empty and change nothing in the book; the next row puts them there, with a line of history."""
    before = read_source(demo_book)
    lose(demo_book, LOST, "trials")
    history = Book(demo_book).history()
    for _ in range(2):  # reading writes nothing
        read = read_source(demo_book)
        assert not read.problems
        assert "trials" not in read.tables
        for table in ("reeds", "playtests"):
            blank = dict.fromkeys(LOST[table])
            assert read.tables[table].records == [record.model_copy(update=blank) for record in before.tables[table].records]
        assert Book(demo_book).history() == history
        assert Book(demo_book).find("trials") == []
    Book(demo_book).put({"playtests": [one("N1").model_copy(update={"blind": True})]}, command="log")
    told = Book(demo_book).history()[len(history) :]
    assert [entry["command"] for entry in told] == ["new columns", "log"]
    assert told[0]["change"] == {
        "reeds": {"columns": ["lot", "vamp_length_mm"]},
        "playtests": {"columns": ["blind"]},
        "trials": {"made": True},
    }
    after = read_source(demo_book)
    (new,) = [record for record in after.tables["playtests"].records if record.id == "N1"]  # type: ignore[attr-defined]
    assert new.blind is True  # type: ignore[attr-defined]
    assert len(after.tables["playtests"].records) == len(before.tables["playtests"].records) + 1
    with pytest.raises(sa.exc.DBAPIError, match="never changed"), Book(demo_book)._writing() as connection:
        connection.exec_driver_sql("DELETE FROM playtests")


def test_a_table_that_is_made_later_only_grows_too(demo_book: str) -> None:
    """Trials that joined an older book cannot be changed or deleted either."""
    lose(demo_book, {}, "trials")
    carry_in(shipped("data/demo"), demo_book)
    assert read_source(demo_book).tables["trials"].records
    with pytest.raises(sa.exc.DBAPIError, match="never changed"), Book(demo_book)._writing() as connection:
        connection.exec_driver_sql("DELETE FROM trials")


def test_a_book_without_a_needed_column_is_refused(demo_book: str) -> None:
    """A column that no row can be without cannot be made up: the book is damaged, and is left as it is."""
    lose(demo_book, {"reeds": ("cut",)})
    with pytest.raises(SourceError, match="lacks the column cut of table reeds"):
        read_source(demo_book)


@pytest.mark.parametrize("version", [0, -1])
def test_a_book_of_no_version_is_refused(demo_book: str, version: int) -> None:
    """Versions began with 1."""
    with Book(demo_book)._writing() as connection:
        connection.execute(book_schema.ABOUT.update().values(version=version))
    with pytest.raises(SourceError, match=f"of version {version}, and there was none before 1"):
        read_source(demo_book)


def complete(target: str) -> None:
    """Open a book for writing, which adds what it lacks."""
    Book(target, writes=True)


def kill_completions(target: str, times: int) -> int:
    """Kill a process that is bringing a book up to date, at random moments; give how many got done.

    After each kill every row is there, and the columns are all there or none of them.
    """
    rows = [
        record.model_copy(update=dict.fromkeys(LOST["playtests"])) for record in read_source(target).tables["playtests"].records
    ]
    rng, done = random.Random(11), 0
    for _ in range(times):
        lose(target, LOST)
        writer = FORK.Process(target=complete, args=(target,))
        writer.start()
        time.sleep(rng.uniform(0, 0.03))
        os.kill(int(writer.pid or 0), signal.SIGKILL)
        writer.join()
        read = read_source(target)
        assert not read.problems
        assert read.tables["playtests"].records == rows
        with Book(target)._looking() as connection:
            lacking = book_schema.gaps(connection)
        assert dict(lacking.columns) in ({}, LOST), "half brought up to date"
        done += not lacking
        Book(target, writes=True)
    return done


@pytest.mark.parametrize("times", [5, pytest.param(50, marks=pytest.mark.slow)])
def test_a_kill_leaves_a_book_with_all_of_its_new_columns_or_none(demo_book: str, times: int) -> None:
    """Nothing is lost or half done, whenever the process dies."""
    assert 0 <= kill_completions(demo_book, times) <= times
    assert not read_source(demo_book).problems
