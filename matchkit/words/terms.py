"""What each term of the score found, in words; a term that has none of its own is said by what it looks at."""

from __future__ import annotations

from collections.abc import Callable, Mapping

from matchkit.advise.answers import TermReason
from matchkit.score.term import all_terms
from matchkit.words.numbers import is_alike, percent, strengths


def _resistance(value: float) -> str:
    if is_alike(value):
        return "as free as wanted"
    return f"{strengths(value)} {'harder' if value > 0 else 'freer'} than wanted"


def _opening(value: float) -> str:
    if is_alike(value):
        return "as big as wanted"
    amount = "a little " if abs(value) < 0.75 else "" if abs(value) < 1.75 else "much "
    return f"{amount}{'bigger' if value > 0 else 'smaller'} than wanted"


def _tone(value: float) -> str:
    return "tone about the same" if value == 0 else f"tone {'the way' if value > 0 else 'against what'} they want"


def _price(value: float) -> str:
    if 0.9 < value < 1.1:
        return "the mouthpiece costs what is usual here"
    return f"the mouthpiece costs {value:.1f} times what is usual here"


_SAID: Mapping[str, Callable[[float], str]] = {
    "resistance": _resistance,
    "opening": _opening,
    "closing": lambda value: f"closes with {percent(value)} still open",
    "smoothness": lambda value: f"facing rough by {value:.0f} µm",
    "rails": lambda value: f"rails leave a gap of {value:.2f} mm2",
    "box spread": lambda value: f"{10 * value:.0f} of 10 reeds of the box play alike",
    "volume": lambda value: f"chamber {percent(abs(value))} too {'large' if value > 0 else 'small'} for the cone",
    "tone": _tone,
    "price": _price,
}


def cost_words(term: TermReason) -> str:
    """Return what a term found, in a few words that a shop assistant can repeat."""
    if term.value is None:
        return f"{term.name} not measured"
    if term.name in _SAID:
        return _SAID[term.name](term.value)
    return f"{all_terms()[term.name].meaning}: {term.value:.2f} {term.unit}".rstrip()
