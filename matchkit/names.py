"""Finding things by name: what has an id, and what was nearly named."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from typing import Protocol, TypeVar

from matchkit.errors import UnknownIdError

Item = TypeVar("Item")


class HasId(Protocol):
    """Anything with an id."""

    @property
    def id(self) -> str:
        """Its id."""
        ...


Named = TypeVar("Named", bound=HasId)


def nearly(word: str, names: Iterable[str], *, most: int = 3, alike: float = 0.5) -> list[str]:
    """Return the names that a mistyped word is nearest to, nearest first.

    >>> nearly("AM-O5", ["AM-05", "TM-05", "L-01"], most=1)
    ['AM-05']
    """
    from difflib import get_close_matches

    return get_close_matches(word, list(names), n=most, cutoff=alike)


def did_you_mean(word: str, names: Iterable[str]) -> str:
    """Return the end of a sentence that names what was perhaps meant; nothing where nothing is near."""
    near = nearly(word, names)
    return f"; did you mean {', '.join(near)}?" if near else ""


def by_id(items: Iterable[Named], wanted: str, kind: str) -> Named:
    """Return the record of this id; raises UnknownIdError with the nearest ids where there is none."""
    return find(items, wanted, kind, lambda item: item.id)


def find(items: Iterable[Item], wanted: str, kind: str, name: Callable[[Item], str]) -> Item:
    """Return the item of this name; raises UnknownIdError with the nearest names where there is none."""
    everything = list(items)
    for item in everything:
        if name(item) == wanted:
            return item
    raise UnknownIdError(f"no {kind} has the id '{wanted}'{did_you_mean(wanted, map(name, everything))}")
