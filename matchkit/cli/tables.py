"""``matchkit tables``: check the tables of a house, or write empty ones."""

from __future__ import annotations

from pathlib import Path

import click

from matchkit.cli.options import FORMATS
from matchkit.cli.printing import deliver, paragraph, to_csv, to_json

PROBLEMS_FOUND = 3


@click.group(name="tables")
def command() -> None:
    """Check the tables of a house, or write empty ones."""


@command.command(name="check")
@click.argument("source")
@click.option(
    "--format", "style", type=click.Choice(FORMATS), default="table", show_default=True, help="How to print the answer."
)
@click.option("--out", type=click.Path(dir_okay=False), help="Write the answer to a file instead.")
@click.pass_context
def check(ctx: click.Context, source: str, style: str, out: str | None) -> None:
    """List every problem of the csv tables in SOURCE at once; exit code 3 where there is one."""
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
        deliver(to_csv(rows + [{"kind": "warning", **warning.to_dict()} for warning in reading.warnings]), out)
    else:
        lines = [paragraph(f"{problem}") for problem in reading.problems]
        lines += [paragraph(f"note: {warning}") for warning in reading.warnings]
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
def template(folder: str) -> None:
    """Write empty tables with their header rows into FOLDER; nothing is overwritten."""
    from matchkit.tables.template import write_template

    for path in write_template(Path(folder)):
        click.echo(str(path))
