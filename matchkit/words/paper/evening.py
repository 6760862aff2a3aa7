"""A blind evening on paper: one sheet a player, and the key for the person who sets up."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

from matchkit.playtest.design.plan import REST_AFTER, Plan, Turn
from matchkit.records.trials import ATTRIBUTES, LINES
from matchkit.words.playtest.plan import CAUTIONS, asks_words, critical_words, design_words, fill_words
from matchkit.words.screen import sentences


@dataclass(frozen=True)
class SheetTurn:
    """One line of a sheet: which turn it is, the codes that are played, and whether a rest follows; the key says besides what they are."""

    turn: str
    codes: tuple[str, ...]
    rest: bool
    told: str = ""


@dataclass(frozen=True)
class EveningSheet:
    """A sheet to print: what it is, what is asked, what the ends of the lines mean, its boxes to fill in, its turns, what follows."""

    heading: str
    asks: tuple[str, ...]
    ends: tuple[tuple[str, str], ...]
    boxes: tuple[str, ...]
    turns: tuple[SheetTurn, ...]
    after: tuple[str, ...]


def player_sheets(plan: Plan) -> tuple[EveningSheet, ...]:
    """Return a sheet for each player, which says nothing of what the codes stand for."""
    rated = plan.kind == "rate"
    asks = tuple(line for line in (asks_words(plan), critical_words(plan, blind=True)) if line)
    return tuple(
        EveningSheet(
            f"Blind evening {plan.session}: {player}",
            asks,
            tuple(LINES.items()) if rated else (),
            ATTRIBUTES if rated else (),
            _turns([turn for turn in plan.turns if turn.player_id == player], rated=rated),
            CAUTIONS,
        )
        for player in plan.players
    )


def key_page(plan: Plan) -> EveningSheet:
    """Return the key: every turn of every player, with what its codes stand for."""
    rated = plan.kind == "rate"
    after = [line for line in (critical_words(plan), "" if rated else fill_words(plan)) if line]
    return EveningSheet(
        f"Key of {plan.session}",
        ("For the person who sets up. Keep it from the players.", f"{sentences(design_words(plan))} Seed {plan.seed}."),
        (),
        (),
        _turns(plan.turns, rated=rated, key=True),
        (*after, *CAUTIONS),
    )


def _turns(turns: Sequence[Turn], *, rated: bool, key: bool = False) -> tuple[SheetTurn, ...]:
    """Return the lines of a sheet; nobody rests after the last."""
    found = [_turn(turn, rated=rated, key=key) for turn in turns]
    return (*found[:-1], *(replace(turn, rest=False) for turn in found[-1:]))


def _turn(turn: Turn, *, rated: bool, key: bool) -> SheetTurn:
    sitting = f"sitting {turn.sitting}, " if rated else ""
    who = f"{turn.player_id}, " if key else ""
    told = ""
    if key:
        told = ", ".join(f"{code} = {item}" for code, item in zip(turn.codes, turn.sets, strict=True))
        told += " (hidden repeat)" if turn.hidden_repeat else ""
    return SheetTurn(f"{who}{sitting}{turn.position}", turn.codes, turn.position % REST_AFTER == 0, told)
