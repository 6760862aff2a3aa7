"""``matchkit tables``: check the tables of a house, write empty ones, and carry them between files and a book."""

from __future__ import annotations

from dataclasses import fields
from pathlib import Path
from typing import Any

import click

from matchkit.cli.options import columns_of, output_options, wait_option
from matchkit.cli.printing import cells_changed, clean, deliver, paragraph, to_csv, to_json
from matchkit.cli.progress import bar
from matchkit.errors import Problem, listing

PROBLEMS_FOUND = 3
MOST_CHANGED = 10
"""Rows that an import changed, told one by one."""


@click.group(name="tables")
def command() -> None:
    """Check the tables of a house, write empty ones, and carry them between files and the shop's record."""


@command.command(name="check")
@click.argument("source")
@output_options
@click.pass_context
def check(ctx: click.Context, source: str, style: str, out: str | None) -> None:
    """List every problem of SOURCE, a folder of csv tables, an xlsx workbook or a shop's record, at once; exit code 3 where there is one."""
    from matchkit.tables.store import read_source

    reading = read_source(source)
    if not reading.problems:
        import matchkit as mk

        house = mk.open(source)
        reading.warnings.extend((*house.slips, *house.odd_marks))
    if style == "json":
        found = {
            "schema": "matchkit.check/1",
            "source": reading.source,
            "problems": [problem.to_dict() for problem in reading.problems],
            "warnings": [warning.to_dict() for warning in reading.warnings],
        }
        deliver(to_json(found), out)
    elif style == "csv":
        rows = [{"kind": "problem", **problem.to_dict()} for problem in reading.problems]
        rows += [{"kind": "warning", **warning.to_dict()} for warning in reading.warnings]
        deliver(to_csv(rows, ["kind", *(field.name for field in fields(Problem))]), out)
    else:
        lines = [paragraph(line) for line in listing(reading.problems)]
        lines += [paragraph(f"note: {line}") for line in listing(reading.warnings)]
        counts = ", ".join(f"{len(table.records)} {name}" for name, table in reading.tables.items())
        verdict = (
            "no problems" if not reading.problems else f"{len(reading.problems)} problem{'s' * (len(reading.problems) > 1)}"
        )
        lines.append(paragraph(f"{verdict}; read {counts or 'nothing'}"))
        deliver("\n".join(lines) + "\n", out)
    if reading.problems:
        ctx.exit(PROBLEMS_FOUND)


@command.command(name="template")
@click.argument("folder", type=click.Path(file_okay=False))
@click.option("--xlsx", is_flag=True, help="One workbook with a sheet a table, instead of csv files.")
def template(folder: str, *, xlsx: bool) -> None:
    """Write empty tables with their header rows into FOLDER; nothing is overwritten."""
    from matchkit.tables.template import write_template

    for path in write_template(Path(folder), xlsx=xlsx):
        click.echo(clean(str(path)))


@command.command(name="import")
@click.argument("source")
@click.argument("book", metavar="RECORD")
@wait_option
def import_(source: str, book: str, wait_s: float) -> None:
    """Carry the tables of SOURCE (a folder, a workbook, a shop's record) into RECORD, an SQLite file or a PostgreSQL URL; made where it is not there.

    All or nothing. Rows that are there already, just so, are left; parts that differ are changed and the history keeps the old values;
    playtests and trials are never changed.
    """
    from matchkit.tables.carry import carry_in, cells_of

    with bar("importing") as progress:
        change = carry_in(source, book, wait_s=wait_s, progress=progress)
    for table, told in change.items():
        words = [f"{told['added']} added"] if told.get("added") else []
        changed = told["changed"] if isinstance(told.get("changed"), list) else []
        words += [f"{len(changed)} changed"] if changed else []
        click.echo(f"{table}: {', '.join(words) or 'written'}")
        for row in changed[:MOST_CHANGED]:
            cells = cells_of(book, table, row["key"], row["before"])
            click.echo(paragraph(f"   {'/'.join(str(part) for part in row['key'])}: {cells_changed(cells)}"))
        if len(changed) > MOST_CHANGED:
            click.echo(f"   and {len(changed) - MOST_CHANGED} more: matchkit tables history {clean(book)}")
    if not change:
        click.echo("everything was there already")


@command.command(name="add")
@click.argument("kind", type=click.Choice(("player", "neck")))
@click.argument("columns", nargs=-1, required=True, metavar="COLUMN=VALUE...")
@click.option("--data", metavar="RECORD", required=True, help="The shop's record: an SQLite file, or a PostgreSQL URL.")
@wait_option
def add(kind: str, columns: tuple[str, ...], data: str, wait_s: float) -> None:
    """Add a new player or neck, such as: tables add player id=eve instrument=alto mouthpiece_id=AM-08 reed_id=AR-A-3.

    Parts for sale are added by matchkit stock add.
    """
    from matchkit.tables.shelf import add_row

    values = columns_of(columns, "instrument=alto")
    add_row(data, kind, values, command="tables add", wait_s=wait_s)
    click.echo(paragraph(f"{values['id']}: added."))


@command.command(name="export")
@click.argument("source")
@click.argument("target")
def export_(source: str, target: str) -> None:
    """Write the tables of SOURCE (a shop's record, a folder, a workbook) to TARGET: a new folder of csv files, or a new .xlsx workbook."""
    from matchkit.tables.carry import carry_out
    from matchkit.tables.source import SPEC_FILE

    written = carry_out(source, target)
    click.echo(clean(str(written)))
    settings = written.parent / SPEC_FILE
    if written.suffix == ".xlsx" and settings.is_file():
        click.echo(f"{settings}: the settings of the house; keep it beside the workbook")


@command.command(name="history")
@click.argument("book", metavar="RECORD")
@output_options
def history(book: str, style: str, out: str | None) -> None:
    """List every change of RECORD, oldest first: when, which command, what changed."""
    from matchkit.tables.book.book import Book

    entries = Book(book).history()
    if style == "json":
        deliver(to_json({"schema": "matchkit.history/1", "entries": entries}), out)
        return
    rows = [
        {**entry, "change": "; ".join(f"{table}: {_told(what)}" for table, what in entry["change"].items())}
        for entry in entries
    ]
    if style == "csv":
        deliver(to_csv(rows, ["entry", "at", "command", "change"]), out)
    else:
        deliver(
            "".join(paragraph(f"{row['entry']}  {row['at'][:19]}  {row['command']}  {row['change']}") + "\n" for row in rows),
            out,
        )


def _told(what: dict[str, Any]) -> str:
    """Say what changed in one table."""
    words = []
    if "added" in what:
        words.append(f"{what['added']} added" + (f" ({'/'.join(str(part) for part in what['key'])})" if "key" in what else ""))
    for change in what["changed"] if isinstance(what.get("changed"), list) else []:
        was = ", ".join(f"{column} was {before}" for column, before in change["before"].items())
        words.append(f"{'/'.join(str(part) for part in change['key'])} changed, {was}")
    rest = [name if value is True else f"{name} {value}" for name, value in what.items() if name != "before"]
    return ", ".join(words) or ", ".join(rest)
