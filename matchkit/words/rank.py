"""A ranking for the counter: what to hand over first and why, in at most 24 lines for three set-ups.

A set-up takes six lines at most; what more there is of reasons and doubts is in ``explain``. Where all is longer, sentences go in this order:
what was left out, which reeds are not measured, how the player marks, the labels of the parts, what is not known of a set-up, what they marked
highest.
"""

from __future__ import annotations

import shlex
from collections.abc import Sequence
from dataclasses import dataclass

from matchkit.advise.answers import NextTry, Ranking, Setup
from matchkit.constants import DECIMALS, VISITOR
from matchkit.words.facts import (
    aimed_words,
    closes_up_words,
    feel_words,
    left_out_words,
    measure_words,
    typed_doubt_words,
    typed_words,
    unchecked_words,
    unmeasured_words,
)
from matchkit.words.marks import deciding_words, groups_words, played_words, shares_words, tastes_words
from matchkit.words.numbers import counted, expected, mark, money
from matchkit.words.screen import Block, Screen, Text, Title, listed, screen, sentences
from matchkit.words.terms import cost_words

LEFT_OUT = 6
"""What was left out goes first where a ranking is too long."""
LINES, MORE = 24, 6
"""Most lines of a ranking of three, and of each set-up beyond."""
CONTRADICTED = 10.0
"""Points of 100 that a player's marks on what they play must be below the measurements for it to be said."""
SMALL_GAIN = 5.0
"""Points of 100 over the present set-up below which a change is called a small gain."""
ALIKE = 0.5
"""Points of 100 over the present set-up below which nothing is told to be better: it would be the same mark."""
COSTLY = 3.0
"""Points of 100 that a term must cost to be named."""

FREE_STEPS = {
    "seal": "cover the shank with the palm and suck the air out: the reed should stay shut a few seconds; if not, wet or flatten it",
    "back": "move the reed back by a quarter of a millimetre",
    "forward": "move the reed forward by a quarter of a millimetre",
    "straight": "set the reed straight, flush with the tip rail and even on both rails",
    "another": "try another reed of the same box",
    "ligature": "move the ligature a little, and tighten it no more than the reed needs to stay",
    "pull out": "pull the mouthpiece out by a millimetre, and tune again in the middle",
    "push in": "push the mouthpiece in by a millimetre, and tune again in the middle",
}

_TURNS = {"too resistant": "Too hard?", "too soft": "Too soft?", "too bright": "Too bright?", "too dark": "Too dark?"}


def rank_screen(ranking: Ranking) -> Screen:
    """Return the screen of a ranking."""
    rows = ranking.rows
    shared, priced = _shared(rows), any(row.price for row in rows)
    return screen(
        _free_steps(ranking),
        Text(sentences(who_words(ranking), typed_doubt_words(ranking.typed))),
        sentences(verdict_words(ranking), _measured_first(ranking)),
        "",
        (
            block
            for row in rows
            for block in (*setup_blocks(row, shared=shared, wish=ranking.wish, priced=priced), *_gap(row, rows))
        ),
        "" if rows else None,
        _of_all(rows[0], shared) if rows else None,
        now_words(ranking),
        _favourite(ranking),
        next_words(ranking),
        shared_doubts(ranking),
        _more(ranking),
        most=LINES + MORE * max(len(rows) - 3, 0) + 2 * len(ranking.first_try),
    )


def _gap(row: Setup, rows: tuple[Setup, ...]) -> list[str]:
    return [""] if len(rows) > 3 and row is not rows[-1] else []


def who_words(ranking: Ranking) -> str:
    """Return whom a ranking is for, what they play and what they want."""
    now = ranking.present
    typed = {item.part: typed_words(item) for item in ranking.typed}
    plays = ""
    if now is not None and typed:
        piece, reed = typed.get("mouthpiece", now.mouthpiece_id), typed.get("reed", f"the {now.reed_id}")
        plays = f", who plays {piece} with {reed}"
    elif now is not None:
        plays = f", who plays {set_words(now)}"
    wants = f"{' and' if plays else ', who'} wants {wish_words(ranking.wish)}" if ranking.wish else ""
    if ranking.aimed.elsewhere is not None:
        plays = f", whose {ranking.aimed.elsewhere.instrument} set-up is a hint of what they like"
    who = "the customer" if ranking.player == VISITOR else ranking.player
    complaint = f"; complaint: {listed(ranking.complaint)}" if ranking.complaint else ""
    return f"For {who}{plays}{complaint or wants}"


_BEFORE = {"reed": "a ", "sound": "a ", "air": "", "resistance": ""}
"""What stands before a wish that ends in a noun."""


def wish_words(wishes: Sequence[str]) -> str:
    """Return what a player wants, as it follows on "wants".

    >>> wish_words(["freer", "much bigger sound", "less air"])
    'it freer, a much bigger sound and less air'
    """
    return listed([_BEFORE.get(wish.rpartition(" ")[2], "it ") + wish for wish in wishes])


def set_words(row: Setup) -> str:
    """Return a set-up by its ids."""
    return " + ".join(part for part in (row.mouthpiece_id, row.reed_id, row.ligature_id) if part)


def verdict_words(ranking: Ranking) -> str:
    """Return the answer in one sentence."""
    if not ranking.rows and ranking.cheapest is not None and ranking.budget is not None:
        return f"Nothing within {money(ranking.budget)}: the cheapest that fits costs {money(ranking.cheapest)}"
    if not ranking.rows:
        gone = listed([f"no {part}" for part in ranking.missing])
        return f"Nothing fits: there is {gone} for {ranking.instrument} here" if gone else "Nothing fits"
    first, now = ranking.rows[0], ranking.present
    if now is not None and first.score <= now.score + ALIKE:
        return "Nothing here beats what they have"
    tried = {"mouthpiece": first.mouthpiece_id, "reed": first.reed_id, "ligature": str(first.ligature_id)}
    changes = first.changes
    buys = f" ({money(first.price)} for what is new)" if first.price else ""
    if ranking.reed_alone:
        told = f"A reed does most of it: try the {first.reed_id} first{buys}"
    elif changes is not None and len(changes) == 1 and len(first.new_parts) == 1:
        told = f"Change only the {changes[0]}: try the {tried[changes[0]]} first{buys}"
    else:
        aim = "" if now is not None else f"; aimed at {aimed_words(ranking.aimed)}"
        told = f"Try {set_words(first)} first{buys}{aim}"
    if first.gone:
        told = f"{told}; to be ordered: {listed([tried[part] for part in first.gone])}"
    if ranking.budget is not None and first.price is None:
        told = f"{told}; a price is not known, so see that it keeps to {money(ranking.budget)}"
    small = now is not None and first.score - now.score < SMALL_GAIN
    return f"{told}; little is to be gained by it" if small else told


@dataclass(frozen=True)
class Shared:
    """What is the same of every set-up shown, and is said once below them."""

    doubts: tuple[bool, ...] = (False, False, False)
    """Of the sentences of doubt, those that all rows have."""
    closes_up: bool = False


def _shared(rows: Sequence[Setup]) -> Shared:
    """Tell what all of several rows have in common."""
    if len(rows) < 2:
        return Shared()
    facts = zip(
        *((row.unchecked, (row.assumed, _unknown(row)), (row.measure_next, _doubtful(row))) for row in rows), strict=True
    )
    closing = {row.feel.closes_up for row in rows}
    return Shared(tuple(len(set(fact)) == 1 for fact in facts), len(closing) == 1)


def _of_all(row: Setup, shared: Shared) -> Text | None:
    """Return what holds of every set-up shown."""
    doubts = [words for words, alike in zip(_doubt(row), shared.doubts, strict=True) if alike]
    told = sentences(closes_up_words(row.feel) if shared.closes_up else None, *doubts)
    return Text(f"For all of these \N{EN DASH} {told[0].lower()}{told[1:]}", drop=2) if told else None


def setup_blocks(
    row: Setup, *, place: bool = True, shared: Shared | None = None, wish: Sequence[str] = (), priced: bool = False
) -> list[Block]:
    """Return the lines of one set-up: parts, mark to expect and price; labels; what will feel different; why; what is not known."""
    shared = shared or Shared()
    others = len(row.ligature_ids) - 1
    alike = f" or {counted(others, 'other')}" if others > 0 else ""
    parts = "  ".join(part for part in (row.mouthpiece_id, row.reed_id, row.ligature_id) if part)
    head = f"{row.position}  " if place else ""
    price = "" if row.price == 0 else f"  {money(row.price):>8}"
    labels = [label for label in (row.mouthpiece_label, row.reed_label, row.ligature_label) if label]
    feel = "what they play now" if row.is_present else feel_words(row.feel)
    own = [words for words, alike in zip(_doubt(row), shared.doubts, strict=True) if words and not alike]
    closing = None if shared.closes_up else closes_up_words(row.feel)
    marked = played_words(row.played)  # stands on the row, whatever else gives way
    told = _short(
        3 if marked or not own else 2,
        sentences(closing, feel, new_words(row, priced=priced), marked),
        _tone_wished(row, wish),
        *_reasons(row),
    )
    doubt = _short(1 if marked else 2, *own, drop=2)
    blocks: list[Block] = [Title(f"{head}{parts}{alike}", f"{expected(row.score, row.score_low, row.score_high)}{price}")]
    blocks += [Text("; ".join(labels), indent=3, drop=3)] if labels else []
    return blocks + [block for block in (told, doubt) if block is not None]


def _tone_wished(row: Setup, wish: Sequence[str]) -> str:
    """Return that a wish for brighter or darker is not known to come true, where it is not."""
    wished = [item.rpartition(" ")[2] for item in wish]
    tone = next((item for item in wished if item in ("brighter", "darker")), "")
    return f"not known to be {tone}" if tone and not row.feel.tone and not row.is_present else ""


def _short(most: int, *parts: str | None, drop: int = 0) -> Text | None:
    """Return sentences in as many lines, the first of them in any case."""
    told = [sentences(part) for part in parts if part]
    return Text(told[0], indent=3, drop=drop, more=tuple(told[1:]), most=most) if told else None


def _unknown(row: Setup) -> tuple[str, ...]:
    return tuple(term.name for term in row.terms if not term.known)


def _doubt(row: Setup) -> tuple[str, ...]:
    """Return what is not known of a set-up, and what would tell it, the most needed first."""
    return unchecked_words(row.unchecked), unmeasured_words(row.assumed, _unknown(row)), _measure(row)


def _measure(row: Setup) -> str:
    """Return what to measure next, where something of the set-up is not known."""
    return f"Measure next: {measure_words(row.measure_next)}" if _doubtful(row) else ""


def _doubtful(row: Setup) -> bool:
    return bool(row.assumed) or not all(term.known for term in row.terms)


def _reasons(row: Setup) -> list[str]:
    """Return the two terms that cost most, and how much is measured and how much marks add."""
    found = costly_words(row)
    if row.groups:
        groups = groups_words(row.groups)
        found.append(f"{shares_words(row)}{', mostly ' if groups else ''}{groups}")
    return found


def costly_words(row: Setup) -> list[str]:
    """Return the two terms that cost most, each with what it takes off the mark."""
    known = (term for term in row.terms if term.known and round(term.cost, DECIMALS) >= COSTLY)
    costly = sorted(known, key=lambda term: -round(term.cost, DECIMALS))[:2]
    return [f"{cost_words(term)}: costs {term.cost / 10:.1f}" for term in costly]


def new_words(row: Setup, *, priced: bool = False) -> str:
    """Return what of a set-up is new to them, with its prices, without a capital; nothing where that is not known.

    ``priced`` says that the house has prices, so that one that is not known is told.
    """
    priced = priced or any(item.price is not None for item in row.new_parts)
    unpriced = " (price not known)" if priced else ""
    parts = [f"{item.part}{unpriced if item.price is None else f' {money(item.price)}'}" for item in row.new_parts]
    gone = f"none in stock of {listed([f'the {part}' for part in row.gone])}" if row.gone else ""
    new = f"new: {', '.join(parts)}" if parts else ""
    there = [item.part for item in row.new_parts if item.at_home]
    home = f"they have the {listed(there)} at home to try" if there else ""
    return "; ".join(part for part in (new, home, gone) if part)


def free_first(ranking: Ranking) -> tuple[str, ...]:
    """Return what costs nothing and goes before anything that is bought, for what was complained of."""
    return tuple(sentences(FREE_STEPS[step]) for step in ranking.first_try)


def _free_steps(ranking: Ranking) -> list[Block | str]:
    """Return what costs nothing, before anything is bought."""
    if not ranking.first_try:
        return []
    steps = [
        Text(f"{number}. {sentences(FREE_STEPS[step])}", indent=2, hang=3)
        for number, step in enumerate(ranking.first_try, start=1)
    ]
    return ["Before anything is bought:", *steps, "If that does not help:"]


def now_words(ranking: Ranking) -> str | None:
    """Return what to expect of the present set-up, and how the ranges are to be read."""
    judged = ", by the same wish" if ranking.wish or ranking.complaint else ""
    now = "" if ranking.present is None else f"now{judged}: expect {mark(ranking.present.score)}"
    if not ranking.rows:
        return sentences(now)
    if not ranking.interval:
        return sentences(now, "no marks yet for a range around what to expect")
    if ranking.wish and not ranking.complaint:
        wish = "eight of ten next marks fall in these ranges, if that is what they want"
    else:
        wish = "eight of ten next marks fall in these ranges"
    own = "as far as so few marks can tell" if any(row.own_interval for row in ranking.rows) else ""
    return sentences(
        now,
        f"{wish}, {own}" if own else wish,
        _contradicted(ranking.present),
    )


def _favourite(ranking: Ranking) -> Text | None:
    """Return what they marked highest, where it is not shown."""
    liked = ranking.favourite
    if liked is None or liked.played is None or liked.played.mean is None:
        return None
    apart = "; its reed cannot be held against theirs, so a wish leaves it out" if ranking.favourite_apart else ""
    times = {2: "twice"}.get(liked.played.times, f"{liked.played.times} times")
    told = f"of what they marked twice or more {set_words(liked)} is highest: {liked.played.mean:.1f} on average, {times}; expect {mark(liked.score)}"
    return Text(sentences(f"{told}{apart}"), drop=1)


def _measured_first(ranking: Ranking) -> str | None:
    """Return what the measurements alone would put first for a level, where marks put another mouthpiece there."""
    first = ranking.measured_first
    return (
        None
        if first is None
        else f"by the measurements alone {first.mouthpiece} + {first.reed} would be first; marks of players here put others before it"
    )


def _contradicted(now: Setup | None) -> str:
    """Return that their own marks speak against what they play now, where they do."""
    if now is None or now.played is None or now.played.mean is None or now.played.times < 2:
        return ""
    if 10 * now.played.mean > 10 * now.computed - CONTRADICTED:
        return ""
    return f"their own marks speak against what they play now: {now.played.mean:.1f} where the measurements say {mark(10 * now.computed)}"


def next_words(ranking: Ranking) -> str | None:
    """Return the one part to change if the first set-up is wrong, reeds first, which cost least; and how to see more like those shown."""
    now = ranking.present
    owned = () if now is None else (now.mouthpiece_id, now.reed_id, now.ligature_id)
    tries = [item for item in ranking.next_tries if item.id is not None and item.id not in owned]
    alike = "more like these: add --alike" if ranking.passed_over else None
    return sentences(*(_try(item) for item in tries), alike) or None


def _try(item: NextTry) -> str:
    price = "" if item.price is None else f" ({money(item.price)})"
    return f"{_TURNS[item.turn]} Try the {item.id}{price}"


def shared_doubts(ranking: Ranking) -> list[Text]:
    """Return what holds of every row, once."""
    found: list[Text] = []
    if len(ranking.rows) > 1 and len({(row.mouthpiece_id, row.reed_id) for row in ranking.rows}) == 1:
        found.append(Text("These differ by their ligature only."))
    if ranking.present_unknown and ranking.rows:
        elsewhere = ranking.aimed.elsewhere is not None
        wanted = (
            "What they play on this instrument would sharpen this" if elsewhere else "What they play now would sharpen this"
        )
        found.append(Text(f"{wanted}: {listed(ranking.present_unknown)} not known.", drop=4))
    if ranking.uncompared:
        how = "placed only where they marked it" if ranking.uncompared_shown else "not placed among the others"
        found.append(Text(f"Not measured, and so {how}: {', '.join(ranking.uncompared)}.", drop=5))
    own = sentences(tastes_words(ranking.tastes, ranking.player)) if ranking.rows else ""
    found += [Text(own)] if own else []
    if ranking.deciding is not None and ranking.rows:
        found.append(Text(sentences(deciding_words(ranking.deciding, set_words(ranking.rows[0]))), drop=4))
    left_out = left_out_words(ranking.refused, everything=not ranking.rows)
    found += [Text(left_out, drop=LEFT_OUT)] if left_out and ranking.rows else [Text(left_out)] if left_out else []
    return found


def _more(ranking: Ranking) -> str | None:
    """Return how to see more of the first set-up."""
    if not ranking.rows:
        return None
    first = ranking.rows[0]
    parts = shlex.join(part for part in (first.mouthpiece_id, first.reed_id, first.ligature_id) if part)
    change = f" --change {ranking.change}" if ranking.change in ("reed", "ligature") else ""
    return f"More: matchkit explain {parts} --player {ranking.player}{change}" if ranking.player != VISITOR else None
