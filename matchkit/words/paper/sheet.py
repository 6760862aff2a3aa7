"""What a customer takes home, and the card that stands beside a mouthpiece: the same facts as on the screens, for somebody who sees no screen."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from matchkit.advise.answers import Ranking, Setup
from matchkit.advise.beside.reeds import ReedLine, Strengths
from matchkit.constants import VISITOR
from matchkit.words.facts import closes_up_words, feel_words, unchecked_words
from matchkit.words.marks import played_words, shares_words
from matchkit.words.numbers import expected, money
from matchkit.words.rank import (
    FREE_STEPS,
    LEFT_OUT,
    costly_words,
    free_first,
    new_words,
    next_words,
    now_words,
    shared_doubts,
    verdict_words,
    who_words,
)
from matchkit.words.screen import sentences

ALWAYS_FREE = ("back", "another", "seal")
"""What costs nothing and is worth trying whatever the wish (common practice, no source)."""
MEANING = "A mark is how good it is overall, from 0 (never again) to 10 (as good as can be), foretold from what was measured and from marks that were given before."
HYGIENE = (
    "A mouthpiece that others played is washed and disinfected before it is tried. Loud playing in a small room harms hearing."
)


@dataclass(frozen=True)
class Card:
    """One set-up on a customer's sheet."""

    number: int
    parts: str
    labels: str
    expect: str
    lines: tuple[str, ...]
    price: str


@dataclass(frozen=True)
class CustomerSheet:
    """A customer's sheet: what was asked, what to try first for nothing, set-ups as cards, how sure it is, and what if the first is wrong."""

    asked: str
    verdict: str
    free: tuple[str, ...]
    cards: tuple[Card, ...]
    sure: tuple[str, ...]
    wrong: tuple[str, ...]


def customer_sheet(ranking: Ranking) -> CustomerSheet:
    """Return a ranking as a customer's sheet."""
    wanted = bool(ranking.wish or ranking.complaint)
    free = free_first(ranking) or (tuple(sentences(FREE_STEPS[name]) for name in ALWAYS_FREE) if wanted else ())
    doubts = tuple(line for line in (now_words(ranking),) if line)
    left = tuple(block.text for block in shared_doubts(ranking) if block.drop != LEFT_OUT)
    tone = "Brighter and darker are never more than perhaps: what is measured tells little of tone."
    return CustomerSheet(
        asked=sentences(who_words(ranking)),
        verdict=sentences(verdict_words(ranking)),
        free=free,
        cards=tuple(_card(row, ranking) for row in ranking.rows),
        sure=(MEANING, *doubts, *left, tone, HYGIENE),
        wrong=tuple(line for line in (next_words(ranking),) if line),
    )


def _card(row: Setup, ranking: Ranking) -> Card:
    labels = [label for label in (row.mouthpiece_label, row.reed_label, row.ligature_label) if label]
    labels.append(f"tip {row.tip_opening_mm:.2f} mm")
    feel = "What they play now" if row.is_present else feel_words(row.feel)
    against = "" if ranking.present is None or row.is_present else " than now"
    lines = [
        sentences(closes_up_words(row.feel), f"{feel}" if not against else f"against now: {feel}"),
        sentences(new_words(row)),
        sentences(*costly_words(row)),
        sentences(played_words(row.played), shares_words(row)),
        sentences(unchecked_words(row.unchecked)),
    ]
    return Card(
        row.position,
        " + ".join(part for part in (row.mouthpiece_id, row.reed_id, row.ligature_id) if part),
        "; ".join(labels),
        expected(row.score, row.score_low, row.score_high),
        tuple(line for line in lines if line),
        f"{money(row.price)} for what is new" if row.price and len(row.new_parts) != 1 else "",
    )


@dataclass(frozen=True)
class Label:
    """The card beside a mouthpiece."""

    name: str
    lines: tuple[str, ...]


def label_of(found: Strengths, name: str) -> Label:
    """Return the card of a mouthpiece: which strength of each line is closest, and what lies half a strength to either side."""
    lines = []
    for profile in dict.fromkeys(row.profile for row in found.rows):
        mine = [row for row in found.rows if row.profile == profile and row.steps is not None]
        if mine:
            best = min(mine, key=lambda row: abs(row.steps or 0.0))
            lines.append(f"{profile}: {best.strength:g}{_near(mine, best.strength)}")
    middle = "what is marked 7 or more here" if found.player in (None, VISITOR) else f"what {found.player} plays"
    return Label(name, (*lines, f"Strengths as hard as {middle}; a softer one is freer, a harder one more resistant."))


def _near(rows: Sequence[ReedLine], strength: float) -> str:
    strengths = sorted({row.strength for row in rows})
    softer = [value for value in strengths if value < strength]
    harder = [value for value in strengths if value > strength]
    told = [f"softer {softer[-1]:g}" if softer else "", f"harder {harder[0]:g}" if harder else ""]
    more = ", ".join(part for part in told if part)
    return f" ({more})" if more else ""
