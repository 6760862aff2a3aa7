"""Every number behind one set-up, after the same words as in a ranking."""

from __future__ import annotations

from matchkit.advise.answers import Explanation, NeighbourReason, Setup, TermReason
from matchkit.constants import VISITOR
from matchkit.words.facts import aimed_words, assumed_words, measure_words, refusal_words
from matchkit.words.numbers import counted, mark, plus_minus
from matchkit.words.rank import SMALL_GAIN, rater_words, set_words, setup_blocks, wish_words
from matchkit.words.screen import Block, Screen, Table, Text, listed, screen, sentences

SHOWN_NEIGHBOURS = 8


def explain_screen(found: Explanation) -> Screen:
    """Return the screen of an explanation."""
    setup = found.setup
    best = 10 * (found.intercept + found.slope)
    who = "the customer" if found.player == VISITOR else found.player
    wants = f", who wants {wish_words(found.wish)}" if found.wish else ""
    refused = listed([refusal_words(reason) for reason in found.refused])
    against = "" if found.present is None or setup.is_present else _held_against(found.present, setup)
    return screen(
        sentences(f"{set_words(setup)} for {who}{wants}", f"aimed at {aimed_words(found.aimed)}"),
        f"Would not be offered: {refused}." if refused else None,
        against or None,
        "",
        setup_blocks(setup, place=False),
        "",
        f"With everything right the measurements would say {mark(best)} of 10. What each costs:",
        "",
        _terms(setup.terms),
        "",
        f"So the measurements alone say {mark(10 * setup.computed)} of 10.",
        _marks(found),
        "",
        sentences(
            f"Closing pressure {plus_minus(setup.closing_pressure_kpa, setup.u_closing_pressure_kpa, 1, 'kPa')} (19 times of 20)",
            f"tip opening {setup.tip_opening_mm:.2f} mm, {setup.playing_opening_mm:.2f} mm open while playing",
        ),
        rater_words(found.player, found) or None,
        assumed_words(found.assumed) or None,
        f"Measure next: {measure_words(setup.measure_next)}.",
        "Limits and weights are chosen by judgement. What is not measured counts as fair.",
    )


def _held_against(present: Setup, setup: Setup) -> str:
    """Return whether a set-up is expected to be marked higher than the present one."""
    gain = setup.score - present.score
    verdict = "about as good as now" if abs(gain) < SMALL_GAIN else "better than now" if gain > 0 else "not as good as now"
    return sentences(f"{verdict}: expect {mark(setup.score)}; {mark(present.score)} for {set_words(present)}")


def _terms(terms: tuple[TermReason, ...]) -> Table:
    titles = ("what", "found", "good to poor", "fulfilled", "weight", "costs")
    return Table(titles, tuple(_term_row(term) for term in terms), right=(1, 3, 4, 5))


def _term_row(term: TermReason) -> tuple[str, ...]:
    share = term.unit == ""
    scale, unit = (100, "%") if share else (1, term.unit)
    digits = 0 if share or term.unit == "µm" else 2
    limits = f"{scale * term.good:g} to {scale * term.poor:g} {unit}" if term.good != term.poor else f"a {unit}"
    found = "not measured" if term.value is None else f"{scale * term.value:.{digits}f}"
    cost = mark(term.cost) if term.cost >= 0.05 else "-"
    return term.name, found, limits, f"{100 * term.desirability:.0f} %", f"{term.weight:g}", cost


def _marks(found: Explanation) -> list[Block | str]:
    """Return the playtests behind the correction, the weightiest first."""
    setup = found.setup
    if not setup.neighbours:
        return ["No marks on similar set-ups: this is from measurements alone."]
    verb = "raise" if setup.correction > 0 else "lower"
    shown, rest = setup.neighbours[:SHOWN_NEIGHBOURS], setup.neighbours[SHOWN_NEIGHBOURS:]
    titles = ("playtest", "player", "mark", "above what was expected", "counts", "changes it by")
    more = f"and {counted(len(rest), 'more mark')}, {_signed(sum(near.points for near in rest))} together"
    return [
        f"Marks on similar set-ups {verb} that by {abs(setup.correction):.1f}:",
        "",
        Table(titles, tuple(_mark_row(near) for near in shown), right=(2, 3, 4, 5)),
        *([Text(sentences(more))] if rest else []),
    ]


def _mark_row(near: NeighbourReason) -> tuple[str, ...]:
    return (
        near.playtest,
        near.player,
        f"{near.rating:g}",
        f"{near.residual:+.1f}",
        f"{near.weight:.2f}",
        _signed(near.points),
    )


def _signed(points: float) -> str:
    """Return points of 100 as marks of 10, with a sign."""
    return f"{round(points / 10, 2) + 0.0:+.2f}"
