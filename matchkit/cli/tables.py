"""``matchkit tables``: check the tables of a house, or write empty ones."""

from __future__ import annotations

from dataclasses import fields
from pathlib import Path

import click

from matchkit.cli.options import output_options
from matchkit.cli.printing import deliver, paragraph, to_csv, to_json
from matchkit.errors import Problem, listing

PROBLEMS_FOUND = 3


@click.group(name="tables")
def command() -> None:
    """Check the tables of a house, or write empty ones."""


@command.command(name="check")
@click.argument("source")
@output_options
@click.pass_context
def check(ctx: click.Context, source: str, style: str, out: str | None) -> None:
    """List every problem of SOURCE, a folder of csv tables or an xlsx workbook, at once; exit code 3 where there is one."""
    from matchkit.tables.store import read_source

    reading = read_source(source)
    if style == "json":
        found = {
            "schema": "matchkit.check/1",
            "source": source,
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
        click.echo(str(path))
