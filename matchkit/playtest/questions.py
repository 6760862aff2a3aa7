"""The questions about playtests that a house answers, from its tables and its learner."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from matchkit.errors import RequestError
from matchkit.facts import ModelUse
from matchkit.learn.learner import Learner
from matchkit.names import by_id
from matchkit.parts.fits import misfit
from matchkit.parts.said import is_said
from matchkit.playtest.design.plan import Plan, plan_any
from matchkit.playtest.next import ToPlay, choose, player_field
from matchkit.playtest.stats.analyse import Analysis, analyse
from matchkit.results import Progress
from matchkit.tables.source import Tables

MOST_NEXT = 200


def planned(tables: Tables, kind: str, sets: Sequence[str], *, players: Sequence[str], options: dict[str, Any]) -> Plan:
    """Plan a blind playtest of set-ups that can be played; raises UnknownIdError and RequestError."""
    for item in sets:
        _played_together(tables, item, typed=kind != "rate")
    for player in players:
        by_id(tables.players, player, "player")
    plan = plan_any(kind, sets, players=players, options=options)
    there = {item.session for item in tables.trials} | {item.session for item in tables.playtests}
    held = there & {row["session"] for row in plan.rows()}
    if held:
        raise RequestError(
            f"session {', '.join(sorted(map(repr, held)))} is in the tables already: name another, so that no code and no id comes twice"
        )
    return plan


def _played_together(tables: Tables, item: str, *, typed: bool) -> None:
    """Refuse a set-up of ids that are not there, or of parts that do not fit one another; ``typed`` says whether sizes will do for ids."""
    parts = item.split("/")
    if len(parts) not in (2, 3):
        raise RequestError(f"a set-up is mouthpiece/reed or mouthpiece/reed/ligature, by their ids; read {item!r}")
    shelves: dict[str, Sequence[Any]] = {"mouthpiece": tables.mouthpieces, "reed": tables.reeds, "ligature": tables.ligatures}
    found: dict[str, Any] = {}
    for (kind, shelf), name in zip(shelves.items(), parts, strict=False):
        known = any(record.id == name for record in shelf)
        if not known and is_said(kind, name):
            if not typed:
                raise RequestError(f"{item}: marks are written down of parts of the house; '{name}' is a size, and has no id")
            continue
        found[kind] = by_id(shelf, name, kind)
    both = "mouthpiece" in found and "reed" in found
    reason = misfit(found["mouthpiece"], found["reed"], found.get("ligature")) if both else None
    if reason is not None:
        raise RequestError(f"{item} cannot be played: {reason}")


def analysed(tables: Tables, learner: Learner, *, session: str | None, claim: str | None) -> Analysis:
    """Analyse everything, or what belongs to one session; raises RequestError where there is nothing."""

    def mine(name: str | None) -> bool:
        return session is None or (name is not None and (name == session or name.startswith(f"{session}-")))

    trials = [trial for trial in tables.trials if mine(trial.session)]
    tests = [test for test in tables.playtests if mine(test.session)]
    if not trials and not tests:
        raise RequestError("there is neither a trial nor a playtest" + (f" of session {session!r}" if session else ""))
    return analyse(trials, tests, learner.rated_tests, claim=claim)


def to_play_next(
    learner: Learner,
    player: str | None,
    *,
    count: int,
    in_stock: bool,
    model: ModelUse,
    progress: Progress | None = None,
) -> ToPlay:
    """Choose what one player, or everybody, should play next; raises UnknownIdError and RequestError.

    ``progress`` is called with players looked at and tests chosen, out of both together.
    """
    if not 1 <= count <= MOST_NEXT:
        raise RequestError(f"{count} playtests; expected 1 to {MOST_NEXT}")
    everybody = tuple(learner.parts.stock.players)
    players = everybody if player is None else (by_id(everybody, player, "player"),)
    blend = learner.blend
    total = len(players) + count
    fields = []
    for done, item in enumerate(players, start=1):
        field = player_field(learner, item, in_stock=in_stock)
        fields += [] if field is None else [field]
        if progress is not None:
            progress(done, total)

    def chosen(done: int) -> None:
        if progress is not None:
            progress(len(players) + done, total)

    return ToPlay(model, tuple(choose(blend, fields, count=count, chosen=chosen)))
