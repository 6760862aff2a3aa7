"""How answers are printed: text that fits 80 columns, JSON with six significant digits, csv that no spreadsheet runs."""

from __future__ import annotations

import csv
import io
import json
import os
import tempfile
import textwrap
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import click

from matchkit.errors import SourceError

WIDTH = 80
_FORMULA_STARTS = ("=", "+", "-", "@", "\t", "\r")


def clean(text: str) -> str:
    """Make a name of the tables safe to print: control characters are shown, not sent to the terminal."""
    return "".join(character if character.isprintable() else "\N{REPLACEMENT CHARACTER}" for character in text)


def to_json(value: Any) -> str:
    """Write an answer as JSON; floats carry six significant digits."""
    return json.dumps(_rounded(value), indent=2, ensure_ascii=False, allow_nan=False) + "\n"


def _rounded(value: Any) -> Any:
    if isinstance(value, float):
        return float(f"{value:.6g}")
    if isinstance(value, Mapping):
        return {key: _rounded(item) for key, item in value.items()}
    if isinstance(value, list | tuple):
        return [_rounded(item) for item in value]
    return value


def to_csv(rows: Sequence[Mapping[str, Any]]) -> str:
    """Write flat rows as csv; a text that a spreadsheet would run as a formula gets an apostrophe before it."""
    file = io.StringIO()
    if rows:
        writer = csv.DictWriter(file, list(rows[0]), lineterminator="\n")
        writer.writeheader()
        writer.writerows({key: _cell(value) for key, value in row.items()} for row in rows)
    return file.getvalue()


def _cell(value: Any) -> Any:
    if isinstance(value, str) and value.startswith(_FORMULA_STARTS):
        return f"'{value}"
    return _rounded(value)


def wrapped(label: str, words: Sequence[str], *, indent: int = 3) -> str:
    """Lay out a labelled list of phrases within 80 columns, under a hanging indent."""
    head = f"{' ' * indent}{label:<8}"
    return textwrap.fill(
        clean("; ".join(words)), WIDTH, initial_indent=head, subsequent_indent=" " * len(head), break_on_hyphens=False
    )


def paragraph(text: str) -> str:
    """Lay out a sentence within 80 columns."""
    return textwrap.fill(clean(text), WIDTH, subsequent_indent="  ", break_on_hyphens=False)


def table(columns: Sequence[tuple[str, str]], rows: Sequence[Sequence[str]]) -> str:
    """Lay out a table without colour; ``columns`` are titles with ``left`` or ``right``. The last column wraps."""
    from rich import box
    from rich.console import Console
    from rich.table import Table
    from rich.text import Text

    drawn = Table(box=box.SIMPLE_HEAD, pad_edge=False, show_edge=False)
    for place, (title, justify) in enumerate(columns):
        last = place == len(columns) - 1
        drawn.add_column(Text(title), justify="right" if justify == "right" else "left", no_wrap=not last, overflow="fold")
    for row in rows:
        drawn.add_row(*(Text(clean(cell)) for cell in row))
    console = Console(width=WIDTH, color_system=None, force_terminal=False, file=io.StringIO(), highlight=False)
    with console.capture() as capture:
        console.print(drawn)
    return "\n".join(line.rstrip() for line in capture.get().splitlines())


def deliver(text: str, out: str | None) -> None:
    """Print an answer, or write it to a file whole or not at all."""
    if out is None:
        click.echo(text, nl=False)
        return
    path = Path(out)
    try:
        handle, name = tempfile.mkstemp(dir=path.parent, prefix=f".{path.name}.")
    except OSError as error:
        raise SourceError(f"{out}: cannot be written ({error.strerror})") from error
    whole = Path(name)
    try:
        with os.fdopen(handle, "w", encoding="utf-8", newline="") as file:
            file.write(text)
        whole.replace(path)
    except OSError as error:
        whole.unlink(missing_ok=True)
        raise SourceError(f"{out}: cannot be written ({error.strerror})") from error


def number(value: float | None, digits: int = 2) -> str:
    """Write a number, or a dash where there is none."""
    return "-" if value is None else f"{value:.{digits}f}"
