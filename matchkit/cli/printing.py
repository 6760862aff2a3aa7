"""How answers are printed: text that fits 80 columns, JSON with six significant digits, csv that no spreadsheet runs."""

from __future__ import annotations

import csv
import io
import json
import sys
from collections.abc import Callable, Mapping, Sequence
from typing import Any, TypeVar

import click

from matchkit.errors import without_secrets
from matchkit.files import write_whole
from matchkit.results import Answer
from matchkit.words.screen import Block, Gap, Screen, Text, Title

Shown = TypeVar("Shown", bound=Answer)

WIDTH = 80
LONGEST_NAME = 28
"""Longer names are broken where a table begins with them."""
_RULE = "    \n    \n -- \n    \n    \n    \n    \n    \n"
_GAP = 3
"""Columns that a table leaves free between two."""
_FORMULA_STARTS = ("=", "+", "-", "@", "\t", "\r")


def clean(text: str) -> str:
    """Make text safe to print: control characters are shown, not sent to the terminal, and no address with a password is."""
    plain = "".join(character if character.isprintable() else "\N{REPLACEMENT CHARACTER}" for character in text)
    return without_secrets(plain)


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


def to_csv(rows: Sequence[Mapping[str, Any]], columns: Sequence[str]) -> str:
    """Write flat rows as csv; a text that a spreadsheet would run as a formula gets an apostrophe before it."""
    file = io.StringIO()
    writer = csv.DictWriter(file, columns, lineterminator="\n")
    writer.writeheader()
    writer.writerows({key: _cell(value) for key, value in row.items()} for row in rows)
    return file.getvalue()


def _cell(value: Any) -> Any:
    if isinstance(value, str) and value.lstrip().startswith(_FORMULA_STARTS):
        return f"'{value}"
    return _rounded(value)


def cells_changed(columns: Mapping[str, tuple[Any, Any]]) -> str:
    """Return what cells of a row were and are, by column."""
    return ", ".join(f"{column} {_told(old)} \N{RIGHTWARDS ARROW} {_told(new)}" for column, (old, new) in columns.items())


def _told(value: object) -> str:
    return (
        "not known" if value is None else "yes" if value is True else f"{value:g}" if isinstance(value, float) else str(value)
    )


def _filled(text: str, first: str, rest: str) -> str:
    """Fill words into lines of 80 columns, counting wide characters as two; a word too long for a line is cut."""
    from rich.cells import cell_len, chop_cells

    room = WIDTH - cell_len(rest)
    words = [piece for word in clean(text).split() for piece in (chop_cells(word, room) if cell_len(word) > room else [word])]
    lines, line = [], first.rstrip() if not words else first + words[0]
    for word in words[1:]:
        if cell_len(line) + 1 + cell_len(word) > WIDTH:
            lines.append(line)
            line = rest + word
        else:
            line += f" {word}"
    return "\n".join([*lines, line])


def paragraph(text: str) -> str:
    """Lay out a sentence within 80 columns."""
    return _filled(text, "", "  ")


def lay_out(shown: Screen) -> str:
    """Lay out a screen within 80 columns; where it is longer than it may be, what can be left out is, the least needed first."""
    blocks = list(shown.blocks)
    lines = _lines(blocks)
    while shown.most is not None and len(lines) > shown.most:
        drops = [block.drop if isinstance(block, Text) else 0 for block in blocks]
        worst = max(drops, default=0)
        if worst == 0:
            break
        blocks = [block for block, drop in zip(blocks, drops, strict=True) if drop != worst]
        lines = _lines(blocks)
    return "\n".join(lines).rstrip("\n") + "\n"


def _lines(blocks: Sequence[Block]) -> list[str]:
    lines: list[str] = []
    for block in blocks:
        if isinstance(block, Gap):
            lines += [""] if lines and lines[-1] else []
        elif isinstance(block, Text):
            lines += _text(block)
        elif isinstance(block, Title):
            lines += _title(clean(block.left), block.right)
        else:
            columns = [(title, "right" if place in block.right else "left") for place, title in enumerate(block.titles)]
            lines += table(columns, block.rows).splitlines()
    return lines


def _text(block: Text) -> list[str]:
    first, rest = " " * block.indent, " " * (block.indent + block.hang)
    lines = _filled(block.text, first, rest).splitlines()
    for count in range(1, len(block.more) + 1):
        longer = _filled(" ".join((block.text, *block.more[:count])), first, rest).splitlines()
        if len(longer) > block.most:
            break
        lines = longer
    return lines


def _title(left: str, right: str) -> list[str]:
    from rich.cells import cell_len

    gap = WIDTH - cell_len(left) - len(right)
    if gap >= 2:
        return [f"{left}{' ' * gap}{right}".rstrip()]
    return [*_filled(left, "", "   ").splitlines(), *([f"{right:>{WIDTH}}"] if right else [])]


def table(columns: Sequence[tuple[str, str]], rows: Sequence[Sequence[str]]) -> str:
    """Lay out a table without colour; ``columns`` are titles with ``left`` or ``right``.

    The last column wraps, the first where a name is long, and the widest one of words where all of them are too wide: nothing is cut.
    """
    from rich.box import Box
    from rich.cells import cell_len
    from rich.console import Console
    from rich.table import Table
    from rich.text import Text

    drawn = Table(box=Box(_RULE, ascii=True), pad_edge=False, show_edge=False)
    widths = [max(map(cell_len, column)) for column in zip([title for title, _ in columns], *rows, strict=True)]
    words = [place for place, (_, justify) in enumerate(columns) if justify != "right"]
    tight = sum(widths) + _GAP * (len(widths) - 1) > WIDTH
    widest = max(words, key=lambda place: widths[place], default=0) if tight else len(columns) - 1
    for place, (title, justify) in enumerate(columns):
        long = place == 0 and any(len(row[0]) > LONGEST_NAME for row in rows)
        wraps = long or place in (widest, len(columns) - 1)
        drawn.add_column(
            Text(title),
            justify="right" if justify == "right" else "left",
            no_wrap=not wraps,
            overflow="fold",
            max_width=LONGEST_NAME if long and len(columns) > 1 else None,
        )
    for row in rows:
        drawn.add_row(*(Text(clean(cell)) for cell in row))
    console = Console(width=WIDTH, color_system=None, force_terminal=False, file=io.StringIO(), highlight=False)
    with console.capture() as capture:
        console.print(drawn)
    return "\n".join(line.rstrip() for line in capture.get().splitlines())


def deliver(text: str, out: str | None) -> None:
    """Print an answer, or write it to a file whole or not at all.

    A link is followed, the file's permissions are kept, and what is no plain file (a device, a pipe) is simply written to.
    """
    if out is None:
        encoding = getattr(sys.stdout, "encoding", None) or "utf-8"
        click.echo(text.encode(encoding, "replace").decode(encoding), nl=False)
        return
    deliver_bytes(text.encode("utf-8"), out)


def deliver_bytes(content: bytes, out: str) -> None:
    """Write a file whole or not at all; see :func:`deliver`. A book is never written over."""
    write_whole(out, lambda file: file.write(content))


def show(answer: Shown, words: Callable[[Shown], Screen], style: str, out: str | None) -> None:
    """Print an answer as it was asked for: laid out, as JSON, or as csv; and write its picture and page where these were asked for."""
    draw(answer, words)
    if style == "json":
        deliver(to_json(answer.to_dict()), out)
    elif style == "csv":
        deliver(to_csv(answer.flat_rows(), answer.columns()), out)
    else:
        deliver(lay_out(words(answer)), out)


FIGURE_FILE, PAGE_FILE, INVENTED = "matchkit.figure", "matchkit.page", "matchkit.invented"
"""Where a command keeps the files that ``--figure`` and ``--page`` name, and whether what it answers from is the demo."""


def draw(answer: Shown, words: Callable[[Shown], Screen], *, also: Sequence[Any] = ()) -> None:
    """Write the picture and the page of an answer into the files that were named, if any."""
    context = click.get_current_context()
    asked = context.meta
    invented = bool(asked.get(INVENTED)) and context.params.get("pieces") is None  # theirs are not
    figure, page = asked.get(FIGURE_FILE), asked.get(PAGE_FILE)
    asked[FIGURE_FILE] = asked[PAGE_FILE] = None  # once
    if figure is not None:
        write_figure(answer, figure)
    if page is not None:
        from matchkit.report.pages import page_of

        deliver_bytes(page_of(answer, words(answer), also=also, invented=invented).encode("utf-8"), page)


def write_figure(answer: Any, path: str) -> None:
    """Draw an answer and write it whole or not at all."""
    from matchkit.report.figures import PICTURES, figure_bytes, style_of

    style = style_of(path)
    if style is None:
        raise click.UsageError(f"a figure is an svg, a png or a pdf; read {path!r}")
    try:
        content = figure_bytes(answer, style)
    except ValueError as error:
        raise click.UsageError(str(error)) from None
    except TypeError as error:
        if type(answer).__name__ in PICTURES:
            raise
        raise click.UsageError(f"there is no picture of that, but --page writes its tables ({error})") from None
    deliver_bytes(content, path)
