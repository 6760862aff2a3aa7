"""The tables of a book as a database holds them, computed from the records; and the way from an older book to this one."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

import sqlalchemy as sa
from sqlalchemy.engine import Connection

from matchkit.errors import SourceError
from matchkit.records.quantity import Record
from matchkit.records.schema import TABLES
from matchkit.tables.read.cells import cell_type

VERSION = 1
"""Version of the schema that this package writes."""

APPEND_ONLY = ("history", "playtests", "trials")
"""Rows of these tables are never changed or taken out, whoever asks; the database itself refuses."""

_TYPES: dict[type, Any] = {str: sa.Text, int: sa.Integer, float: sa.Double, bool: sa.Boolean, dt.date: sa.Date}

METADATA = sa.MetaData()

ABOUT = sa.Table("book", METADATA, sa.Column("version", sa.Integer, nullable=False))
HISTORY = sa.Table(
    "history",
    METADATA,
    sa.Column("entry", sa.Integer, primary_key=True, autoincrement=True),
    sa.Column("at", sa.Text, nullable=False),
    sa.Column("command", sa.Text, nullable=False),
    sa.Column("change", sa.Text, nullable=False),
)
"""One row a transaction: when (UTC), which command, and what changed (JSON)."""
DOCUMENTS = sa.Table(
    "documents",
    METADATA,
    sa.Column("name", sa.Text, primary_key=True),
    sa.Column("entry", sa.Integer, nullable=False),
    sa.Column("text", sa.Text, nullable=False),
)
"""Files that are no table, such as house.toml, as they were written."""


def _table(name: str, model: type[Record]) -> sa.Table:
    columns = []
    for name_, info in model.model_fields.items():
        kind = cell_type(info.annotation)
        columns.append(sa.Column(name_, _TYPES[kind.base](), nullable=kind.optional))
    return sa.Table(
        name,
        METADATA,
        sa.Column("row_number", sa.Integer, primary_key=True, autoincrement=True),
        sa.Column("entry", sa.Integer, nullable=False),
        *columns,
        sa.UniqueConstraint(*model.key, name=f"{name}_key"),
    )


RECORDS = {name: _table(name, model) for name, model in TABLES.items()}
"""A table a record type. ``entry`` names the row of the history that put a row there; the key is what no two rows share."""


def create(connection: Connection) -> None:
    """Make the tables of an empty book, and let the database guard those that only grow."""
    METADATA.create_all(connection)
    guard(connection)
    connection.execute(ABOUT.insert().values(version=VERSION))


def guard(connection: Connection, tables: Sequence[str] = APPEND_ONLY) -> None:
    """Forbid changing and deleting in those of the tables that only grow."""
    if connection.dialect.name == "postgresql":
        connection.exec_driver_sql(
            "CREATE OR REPLACE FUNCTION only_grows() RETURNS trigger LANGUAGE plpgsql AS "
            "$$ BEGIN RAISE EXCEPTION 'rows are never changed'; END $$"
        )
    for table in APPEND_ONLY:
        if table not in METADATA.tables or table not in tables:
            continue
        if connection.dialect.name == "postgresql":
            connection.exec_driver_sql(
                f"CREATE TRIGGER {table}_only_grows BEFORE UPDATE OR DELETE ON {table} "
                "FOR EACH STATEMENT EXECUTE FUNCTION only_grows()"
            )
            connection.exec_driver_sql(
                f"CREATE TRIGGER {table}_stays BEFORE TRUNCATE ON {table} FOR EACH STATEMENT EXECUTE FUNCTION only_grows()"
            )
        else:
            for action in ("UPDATE", "DELETE"):
                connection.exec_driver_sql(
                    f"CREATE TRIGGER {table}_no_{action.lower()} BEFORE {action} ON {table} "
                    f"BEGIN SELECT RAISE(ABORT, 'rows are never changed'); END"
                )
            keys = [*METADATA.tables[table].primary_key.columns.keys(), *(["id"] if "id" in METADATA.tables[table].c else [])]
            same = " OR ".join(f"{key} = NEW.{key}" for key in keys)
            # INSERT OR REPLACE would take a row away without a DELETE that anybody sees
            connection.exec_driver_sql(
                f"CREATE TRIGGER {table}_no_replace BEFORE INSERT ON {table} WHEN EXISTS (SELECT 1 FROM {table} WHERE {same}) "  # noqa: S608 - our own names
                f"BEGIN SELECT RAISE(ABORT, 'rows are never changed'); END"
            )


@dataclass(frozen=True)
class Gaps:
    """What a book of this version lacks: optional columns by table, and whole tables, that were added to the schema since it was made."""

    tables: tuple[str, ...] = ()
    columns: Mapping[str, tuple[str, ...]] = field(default_factory=dict)

    def __bool__(self) -> bool:
        return bool(self.tables or self.columns)

    def told(self) -> dict[str, Any]:
        """Return what the history says of filling them."""
        return {table: {"columns": list(names)} for table, names in self.columns.items()} | {
            table: {"made": True} for table in self.tables
        }


NO_GAPS = Gaps()


def gaps(connection: Connection) -> Gaps:
    """Return what the tables of a book lack; raises SourceError for a column that no row can be without: that takes a migration."""
    there = {name: columns for (_, name), columns in sa.inspect(connection).get_multi_columns().items()}
    missing: dict[str, tuple[str, ...]] = {}
    for name, table in RECORDS.items():
        if name not in there:
            continue
        known = {column["name"] for column in there[name]}
        lacks = [column for column in table.columns if column.name not in known]
        needed = [column.name for column in lacks if not column.nullable]
        if needed:
            raise SourceError(
                f"this record lacks the column {needed[0]} of table {name}: it is damaged, or not of the version it says"
            )
        if lacks:
            missing[name] = tuple(column.name for column in lacks)
    return Gaps(tuple(name for name in RECORDS if name not in there), missing)


def fill(connection: Connection, lacking: Gaps) -> None:
    """Add the columns and tables that a book lacks; every row that is there stays as it is."""
    quoted = connection.dialect.identifier_preparer.quote
    for name, columns in lacking.columns.items():
        for column in columns:
            kind = RECORDS[name].c[column].type.compile(connection.dialect)
            connection.exec_driver_sql(f"ALTER TABLE {quoted(name)} ADD COLUMN {quoted(column)} {kind}")
    if lacking.tables:
        METADATA.create_all(connection, tables=[RECORDS[name] for name in lacking.tables])
        guard(connection, lacking.tables)


@dataclass(frozen=True)
class Migration:
    """One step from the version before to ``version``."""

    version: int
    what: str
    apply: Callable[[Connection], None]


MIGRATIONS: tuple[Migration, ...] = ()
"""In order, one for each version after the first; a book is brought up to date by those it has not seen."""
