"""A screen as blocks: sentences, title lines and tables, which whoever prints lays out within the width there is."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import NamedTuple, TypeAlias


class Text(NamedTuple):
    """A sentence or more, wrapped; ``drop`` above 0 may be left out where the screen is too long, the largest first."""

    text: str
    indent: int = 0
    drop: int = 0
    hang: int = 0
    """How much further in the lines after the first begin."""
    more: tuple[str, ...] = ()
    """Further sentences, each said while all of them fit in ``most`` lines."""
    most: int = 0


class Title(NamedTuple):
    """A line with one part on the left and another on the right."""

    left: str
    right: str


class Table(NamedTuple):
    """Rows under titles; ``right`` holds the columns (by place) whose cells end at one edge, as numbers do."""

    titles: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    right: tuple[int, ...] = ()


class Gap(NamedTuple):
    """An empty line."""


Block: TypeAlias = Text | Title | Table | Gap


class Screen(NamedTuple):
    """Blocks from top to bottom; ``most`` lines where there is a limit, which droppable sentences give way to."""

    blocks: tuple[Block, ...] = ()
    most: int | None = None


def screen(*blocks: Block | str | Iterable[Block | str] | None, most: int | None = None) -> Screen:
    """Return a screen of blocks; a string is a sentence of its own, an empty one a gap, None nothing."""
    found: list[Block] = []
    for block in blocks:
        if block is None:
            continue
        several = [block] if isinstance(block, str | Text | Title | Table | Gap) else list(block)
        found += [_block(item) for item in several]
    return Screen(tuple(found), most)


def _block(item: Block | str) -> Block:
    if isinstance(item, str):
        return Text(item) if item else Gap()
    return item


def sentences(*parts: str | None) -> str:
    """Join sentences into a paragraph, each with a capital and a full stop; what is empty is left out, and an id stays as it is.

    >>> sentences("softer", None, "as free as now.", "k5 is open", "k_b too")
    'Softer. As free as now. k5 is open. k_b too.'
    """
    whole = [part for part in parts if part]
    return " ".join(f"{_capital(part)}{'' if part[-1] in '.?!:' else '.'}" for part in whole)


def _capital(text: str) -> str:
    """Return a sentence with a capital; a first word with a digit or an underline in it is an id or a number."""
    first, _, _ = text.partition(" ")
    return text if any(mark.isdigit() or mark == "_" for mark in first) else f"{text[0].upper()}{text[1:]}"


def listed(items: Sequence[str], last: str = "and") -> str:
    """Join names as they are said.

    >>> listed(["rails"]), listed(["tip", "table", "rails"])
    ('rails', 'tip, table and rails')
    """
    if len(items) < 2:
        return "".join(items)
    return f"{', '.join(items[:-1])} {last} {items[-1]}"
