"""Two set-ups side by side: the verdict, what differs, and the numbers."""

from __future__ import annotations

from matchkit.advise.answers import Setup
from matchkit.advise.beside.compare import Comparison, Contrast, Measured
from matchkit.constants import VISITOR
from matchkit.facts import Sure
from matchkit.words.facts import feel_words, refusal_words
from matchkit.words.marks import played_words
from matchkit.words.numbers import expected, signed
from matchkit.words.rank import set_words, wish_words
from matchkit.words.screen import Screen, Table, Text, listed, screen, sentences

_DECIMALS: dict[Measured, int] = {
    "closing pressure": 1,
    "tip opening": 2,
    "facing length": 1,
    "left when closed": 0,
    "baffle height": 1,
    "chamber": 1,
    "strength": 2,
    "to pay": 2,
}
_SAID: dict[Sure, str] = {"surely": "very likely", "probably": "probably", "perhaps": ""}
LITTLE = 0.2
"""Points of a mark below which two set-ups are called as good as each other."""


def compare_screen(found: Comparison) -> Screen:
    """Return the screen of a comparison."""
    who = "a customer" if found.player == VISITOR else found.player
    wants = f", who wants {wish_words(found.wish)}" if found.wish else ""
    return screen(
        Text(sentences(f"For {who}{wants}{_now(found)}")),
        Text(sentences(_verdict(found), *_do_not_fit(found))),
        "",
        Text(f"A: {_named(found.first)}"),
        Text(f"B: {_named(found.second)}"),
        "",
        Text(sentences(_against(found))),
        "",
        Table(
            ("what", "A", "B", "B less A", "unit"),
            tuple(_row(item, comparable=found.feel.comparable) for item in found.rows),
            right=(1, 2, 3),
        ),
        "",
        sentences(
            played_words(found.first.played) and f"A: {played_words(found.first.played)}",
            played_words(found.second.played) and f"B: {played_words(found.second.played)}",
        )
        or None,
        "Ranges hold eight of ten next marks; they say nothing of A against B." if found.first.score_low is not None else None,
    )


def _do_not_fit(found: Comparison) -> list[str]:
    """Return that the parts of either do not go together, where they do not."""
    pairs = zip(("A", "B"), found.refused, strict=True)
    return [f"careful, {name}: {listed([refusal_words(reason) for reason in reasons])}" for name, reasons in pairs if reasons]


def _now(found: Comparison) -> str:
    """Return which of both is played now."""
    if found.first.is_present:
        return ". A is what they play now"
    return ". B is what they play now" if found.second.is_present else ""


def _named(row: Setup) -> str:
    return f"{set_words(row)}: {expected(row.score, row.score_low, row.score_high)}"


def _verdict(found: Comparison) -> str:
    """Return which is expected to be marked higher, and whether that can be told."""
    if found.same:
        return "these are the same set-up"
    better, worse = ("B", "A") if found.difference > 0 else ("A", "B")
    size = abs(round(found.second.score / 10, 1) - round(found.first.score / 10, 1))  # as both are shown
    spread = "" if found.u_difference is None else f" (\u00b1 {2 * found.u_difference:.1f}, 19 times of 20)"
    if found.u_difference is None:
        return f"{better} is expected {size:.1f} of 10 higher than {worse} by the measurements; no marks tell yet how far that holds"
    if _SAID[found.sure]:
        return f"{better} is {_SAID[found.sure]} marked higher than {worse}: by {size:.1f} of 10{spread}"
    if size < LITTLE:
        return f"which is better cannot be told: they are expected to be marked alike{spread}"
    return f"which is better cannot be told: {better} is expected {size:.1f} of 10 higher{spread}"


def _against(found: Comparison) -> str:
    said = feel_words(found.feel, against="A")
    return f"B against A: {said}" if said else ""


def _row(item: Contrast, *, comparable: bool) -> tuple[str, ...]:
    places = _DECIMALS[item.what]
    sides = ["-" if value is None else f"{value:.{places}f}" for value in (item.first, item.second)]
    known = item.first is not None and item.second is not None
    known = known and (comparable or item.what not in ("closing pressure", "strength"))
    apart = round(item.second or 0.0, places) - round(item.first or 0.0, places)  # as they are shown
    return item.what, *sides, signed(apart, places) if known else "-", item.unit
