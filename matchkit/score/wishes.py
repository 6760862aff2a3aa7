"""What a player may wish for, and what each wish does to the targets."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from matchkit.errors import RequestError


@dataclass(frozen=True)
class Wish:
    """One wish: steps on the resistance target (down is freer), steps on the opening target, tone, order of the reed."""

    resistance: int = 0
    opening: int = 0
    tone: int = 0
    reed: int = 0
    even: int = 0


WISHES: dict[str, Wish] = {
    "freer": Wish(resistance=-1),
    "more resistance": Wish(resistance=1),
    "softer reed": Wish(resistance=-1, reed=-1),
    "harder reed": Wish(resistance=1, reed=1),
    "bigger sound": Wish(opening=1),
    "less air": Wish(opening=-1),
    "brighter": Wish(tone=1),
    "darker": Wish(tone=-1),
    "more even": Wish(even=1),
}

MUCH = "much "


@dataclass(frozen=True)
class Wishes:
    """Every wish of a question, together."""

    words: tuple[str, ...]
    """As they were said."""
    resistance: int
    opening: int
    tone: int
    reed: int
    even: int


def understand(words: Iterable[str]) -> Wishes:
    """Read wishes such as "freer" or "much brighter"; "much" is two steps.

    Wishes on the same axis that agree count once, at the stronger. Raises RequestError for a word that is not a wish and for
    opposites together.

    >>> understand(["freer", "softer reed"]).resistance
    -1
    >>> understand(["much freer"]).resistance
    -2
    """
    said = tuple(" ".join(word.lower().replace("-", " ").split()) for word in words)
    axes: dict[str, list[tuple[int, str]]] = {"resistance": [], "opening": [], "tone": [], "reed": [], "even": []}
    for word in said:
        name = word.removeprefix(MUCH)
        if name not in WISHES:
            raise RequestError(f"'{word}' is not a wish: one of {', '.join(WISHES)}, each with or without '{MUCH.strip()}'")
        strength = 2 if word.startswith(MUCH) else 1
        wish = WISHES[name]
        for axis, steps in axes.items():
            move = getattr(wish, axis)
            if move:
                steps.append((move * strength, word))
    return Wishes(said, **{axis: _agree(steps) for axis, steps in axes.items()})


def _agree(steps: list[tuple[int, str]]) -> int:
    up = [word for move, word in steps if move > 0]
    down = [word for move, word in steps if move < 0]
    if up and down:
        raise RequestError(f"'{down[0]}' and '{up[0]}' are opposites: wish for one of them")
    return max((move for move, _ in steps), key=abs, default=0)


NO_WISH = understand(())
