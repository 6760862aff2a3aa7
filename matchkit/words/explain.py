"""Every number behind one set-up, after the same words as in a ranking."""

from __future__ import annotations

from matchkit.advise.answers import Explanation, GroupReason, Setup, TermReason
from matchkit.constants import DECIMALS, VISITOR
from matchkit.facts import Sure
from matchkit.words.facts import aimed_words, assumed_words, measure_words, refusal_words
from matchkit.words.marks import SMALL, added_marks, group_name, played_words, tastes_words
from matchkit.words.numbers import counted, mark, plus_minus
from matchkit.words.rank import SMALL_GAIN, set_words, setup_blocks, wish_words
from matchkit.words.screen import Block, Screen, Table, listed, screen, sentences

SHOWN_MARKS = 2


def explain_screen(found: Explanation) -> Screen:
    """Return the screen of an explanation."""
    setup = found.setup
    best = 10 * (found.intercept + found.slope)
    who = "the customer" if found.player == VISITOR else found.player
    wants = f", who wants {wish_words(found.wish)}" if found.wish else ""
    refused = listed([refusal_words(reason) for reason in found.refused])
    against = "" if found.present is None or setup.is_present else _held_against(found.present, setup, found.sure)
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
        assumed_words(found.assumed) or None,
        f"Measure next: {measure_words(setup.measure_next)}.",
        "Limits and weights are chosen by judgement. What is not measured counts as fair.",
    )


def _held_against(present: Setup, setup: Setup, sure: Sure | None) -> str:
    """Return whether a set-up is expected to be marked higher than the present one, and how sure that is."""
    gain = setup.score - present.score
    verdict = "about as good as now" if abs(gain) < SMALL_GAIN else "better than now" if gain > 0 else "not as good as now"
    if abs(gain) >= SMALL_GAIN and sure in ("probably", "perhaps"):
        verdict = f"probably {verdict}" if sure == "probably" else f"perhaps {verdict}, but that cannot be told yet"
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
    """Return what marks add, by group, and the playtests behind each."""
    setup = found.setup
    if not setup.groups:
        return ["No marks on this instrument: this is from measurements alone."]
    added = added_marks(setup)
    verb = "add" if added >= 0 else "take"
    groups = [group for group in setup.groups if round(abs(group.points), DECIMALS) >= SMALL]
    rest = 10 * added - sum(group.points for group in groups)
    rows = [(group_name(group.name), group_signed(group.points), _behind(group), _examples(group)) for group in groups]
    if round(abs(rest), 1) > 0:
        rows.append(("other", group_signed(rest), "", ""))
    blocks: list[Block | str] = [f"Marks {verb} {abs(added):.1f}{':' if rows else '.'}"]
    if rows:
        blocks += ["", Table(("what", "adds", "behind it", "for instance"), tuple(rows), right=(1,)), ""]
    who = "the customer" if found.player == VISITOR else found.player
    told = sentences(played_words(setup.played, who=who), tastes_words(found.tastes, found.player))
    return [*blocks, told] if told else blocks


def _behind(group: GroupReason) -> str:
    """Return who stands behind a group."""
    return f"{counted(group.marks, 'mark')}, {counted(group.players, 'player')}" if group.marks else ""


def _examples(group: GroupReason) -> str:
    """Return the playtests that gave most to a group, each with its player and mark."""
    return ", ".join(f"{mark.playtest} ({mark.player}: {mark.rating:g})" for mark in group.playtests[:SHOWN_MARKS])


def group_signed(points: float) -> str:
    """Return points of 100 as points of a mark, with a sign, to two digits."""
    return f"{round(points / 10, 2) + 0.0:+.2f}"
