"""Blind plans: what is played in which order, under which code, and what the result will be able to show; all from a seed."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, ClassVar, Literal

import numpy as np

from matchkit.errors import RequestError
from matchkit.playtest.design.orders import blind_codes, incomplete_blocks, williams
from matchkit.playtest.stats.discrimination import (
    LEVEL,
    Kind,
    critical_count,
    exact_size,
    power,
    proportion_correct,
    trials_needed,
)
from matchkit.records.people import Playtest
from matchkit.records.trials import ATTRIBUTES, SHOWN, Trial
from matchkit.results import Answer

PlanKind = Literal["rate", "two", "triangle"]

USUAL_TRIALS = 24
MOST_TRIALS = 100
USUAL_SITTING = 6
USUAL_REPEATS = 3
WANTED_POWER = 0.8
REST_AFTER = 6
"""A rest is written into a sheet after so many."""


@dataclass(frozen=True)
class Turn:
    """One turn of a sitting: the codes played, in order, and the set-ups they stand for."""

    player_id: str
    sitting: int
    position: int
    codes: tuple[str, ...]
    sets: tuple[str, ...]
    hidden_repeat: bool = False


@dataclass(frozen=True)
class Power:
    """What a test of two can find: ``power`` for a difference of ``d_prime``, and how many trials would find it in 80 of 100."""

    trials: int
    critical: int | None
    size: float
    two_sided: bool
    d_prime: float
    power: float
    needed: int | None


@dataclass(frozen=True)
class Design:
    """How the order was made: trials in every order as often as can be; or sittings of a block, each in a Williams order.

    ``orders`` is how many sittings balance a Williams design, ``sittings`` how many this plan has; ``blocks`` above 1 means that one
    sitting cannot hold all set-ups.
    """

    trials: int = 0
    block: int = 0
    blocks: int = 0
    orders: int = 0
    sittings: int = 0

    @property
    def balanced(self) -> bool:
        """Whether every order comes equally often."""
        return self.orders == 0 or self.sittings % self.orders == 0


@dataclass(frozen=True)
class Plan(Answer):
    """A plan with its turns, and how their order was made. ``power`` is None where set-ups are rated."""

    schema: ClassVar[str] = "plan"

    kind: PlanKind
    session: str
    seed: int
    sets: tuple[str, ...]
    attribute: str | None
    claim: str | None
    players: tuple[str, ...]
    design: Design
    turns: tuple[Turn, ...]
    power: Power | None

    def rows(self) -> list[dict[str, Any]]:
        """Return one row a turn, to be filled in and logged: trials of two or three, or playtests."""
        return [self._playtest(turn) if self.kind == "rate" else self._trial(turn) for turn in self.turns]

    def _trial(self, turn: Turn) -> dict[str, Any]:
        shown = "".join("AB"[self.sets.index(item)] for item in turn.sets)
        row = dict.fromkeys(Trial.model_fields)
        given = {
            "id": f"{self.session}-{turn.player_id}-{turn.position:03d}",
            "player_id": turn.player_id,
            "session": self.session,
            "position": turn.position,
            "kind": self.kind,
            "attribute": self.attribute,
            "set_a": self.sets[0],
            "set_b": self.sets[1],
            "claim": self.claim,
            "shown": shown,
            "note": _codes(turn),
        }
        return {**row, **given}

    def _playtest(self, turn: Turn) -> dict[str, Any]:
        mouthpiece, reed, *ligature = turn.sets[0].split("/")
        row = dict.fromkeys(Playtest.model_fields)
        given = {
            "id": f"{self.session}-{turn.player_id}-{turn.sitting}-{turn.position:03d}",
            "player_id": turn.player_id,
            "mouthpiece_id": mouthpiece,
            "reed_id": reed,
            "ligature_id": ligature[0] if ligature else None,
            "session": f"{self.session}-{turn.player_id}-{turn.sitting}",
            "position": turn.position,
            "blind": "yes",
            "note": _codes(turn),
        }
        return {**row, **given}


def _codes(turn: Turn) -> str:
    return f"{'code' if len(turn.codes) == 1 else 'codes'} {', '.join(turn.codes)}"


def plan_test(
    kind: Kind,
    sets: Sequence[str],
    *,
    players: Sequence[str],
    session: str,
    seed: int,
    attribute: str | None = None,
    claim: str | None = None,
    trials: int = USUAL_TRIALS,
    d_prime: float = 1.0,
) -> Plan:
    """Plan a triangle, or a choice of two on a named attribute: ``trials`` in all, shared among the players, every order equally often.

    A ``claim`` names the set-up that is said to have more of the attribute, and makes the test one-sided. Raises RequestError for what
    cannot be planned, fewer trials than could show anything among it.
    """
    _check(sets, players, (2, 2))
    if kind == "two" and attribute not in ATTRIBUTES:
        read = "none was named (--attribute)" if attribute is None else f"read {attribute!r}"
        raise RequestError(f"two set-ups are compared on one of {', '.join(ATTRIBUTES)}; {read}")
    if kind == "triangle" and (attribute is not None or claim is not None):
        raise RequestError("a triangle asks whether there is any difference: no attribute and no claim")
    if claim is not None and claim not in sets:
        raise RequestError(f"the claim is about one of the two set-ups; read {claim}")
    if not 0 < d_prime <= 6:
        raise RequestError(f"a difference of {d_prime:g} standard deviations; expected more than 0, up to 6")
    two_sided = kind == "two" and claim is None
    if not 1 <= trials <= MOST_TRIALS:
        raise RequestError(f"{trials} trials; expected 1 to {MOST_TRIALS}")
    if critical_count(kind, trials, two_sided=two_sided) is None:
        raise RequestError(f"{trials} trials cannot show anything at {100 * LEVEL:g} %; ask for more")
    rng = np.random.default_rng(seed)
    each = [len(range(place, trials, len(players))) for place in range(len(players))]
    own = [_orders(kind, many, rng) for many in each]  # balanced for each player by themselves
    orders = [own[place % len(players)][place // len(players)] for place in range(trials)]
    width = len(SHOWN[kind][0])
    codes = blind_codes(trials * width, rng=rng)
    turns = []
    for place, order in enumerate(orders):
        player = players[place % len(players)]
        chosen = tuple(sets["AB".index(letter)] for letter in order)
        turns.append(Turn(player, 1, place // len(players) + 1, tuple(codes[place * width : (place + 1) * width]), chosen))
    right = proportion_correct(kind, d_prime)
    return Plan(
        kind=kind,
        session=session,
        seed=seed,
        sets=tuple(sets),
        attribute=attribute,
        claim=claim,
        players=tuple(players),
        design=Design(trials=trials),
        turns=tuple(turns),
        power=Power(
            trials=trials,
            critical=critical_count(kind, trials, two_sided=two_sided),
            size=exact_size(kind, trials, two_sided=two_sided),
            two_sided=two_sided,
            d_prime=d_prime,
            power=power(kind, trials, correct=right, two_sided=two_sided),
            needed=trials_needed(kind, correct=right, wanted=WANTED_POWER, two_sided=two_sided),
        ),
    )


def _orders(kind: Kind, many: int, rng: np.random.Generator) -> list[str]:
    return [str(order) for start in range(0, many, len(SHOWN[kind])) for order in rng.permutation(SHOWN[kind])[: many - start]]


def plan_rating(
    sets: Sequence[str],
    *,
    players: Sequence[str],
    session: str,
    seed: int,
    most: int = USUAL_SITTING,
    repeats: int | None = None,
) -> Plan:
    """Plan the rating of several set-ups: Williams orders against carry-over, incomplete blocks where one sitting cannot hold them all.

    ``repeats`` set-ups of each sitting (three, where there are so many) come again under another code, never next to themselves, to learn how far a
    player agrees with themselves. Raises RequestError for what cannot be planned.
    """
    _check(sets, players, (2, 40))
    if not 2 <= most <= 20:
        raise RequestError(f"{most} in one sitting; expected 2 to 20")
    if repeats is not None and not 0 <= repeats <= min(most, len(sets)):
        raise RequestError(f"{repeats} hidden repeats; expected 0 to {min(most, len(sets))}")
    rng = np.random.default_rng(seed)
    named = [sets[int(place)] for place in rng.permutation(len(sets))]
    blocks = incomplete_blocks(len(named), most)
    repeats = min(USUAL_REPEATS, len(blocks[0])) if repeats is None else min(repeats, len(blocks[0]))
    orders = williams(len(blocks[0]))
    codes = iter(blind_codes(len(players) * sum(len(block) + repeats for block in blocks), rng=rng))
    turns: list[Turn] = []
    shift = int(rng.integers(len(orders)))
    count = 0
    for player in players:
        sequence = rng.permutation(len(blocks))
        for sitting, place in enumerate(sequence, start=1):
            block = blocks[int(place)]
            order = orders[(shift + count) % len(orders)]
            count += 1
            played = [named[block[item]] for item in order]
            turns += _sitting(player, sitting, played, _again(played, repeats, rng), codes)
    design = Design(block=len(blocks[0]), blocks=len(blocks), orders=len(orders), sittings=count)
    return Plan("rate", session, seed, tuple(sets), None, None, tuple(players), design, tuple(turns), None)


def plan_any(kind: str, sets: Sequence[str], *, players: Sequence[str], options: dict[str, Any]) -> Plan:
    """Plan whichever kind was asked for; raises RequestError for an option that it has not."""
    known = {
        "rate": ("most", "repeats"),
        "two": ("attribute", "claim", "trials", "d_prime"),
        "triangle": ("trials", "d_prime"),
    }
    if kind not in known:
        raise RequestError(f"a plan is one of {', '.join(known)}; read {kind!r}")
    strange = sorted(set(options) - {*known[kind], "session", "seed"})
    if strange:
        raise RequestError(f"{kind} has no {', '.join(strange)}; it has {', '.join(known[kind])}")
    given = {"session": "session", "seed": 1, **options}
    if given["seed"] < 0:
        raise RequestError(f"a seed of {given['seed']}; expected 0 or more")
    if kind == "rate":
        return plan_rating(sets, players=players, **given)
    return plan_test("two" if kind == "two" else "triangle", sets, players=players, **given)


def _again(played: list[str], repeats: int, rng: np.random.Generator) -> list[str]:
    """Choose what is repeated at the end of a sitting, so that nothing comes twice in a row."""
    if not repeats:
        return []
    last = played[-1]
    chosen = [played[int(place)] for place in rng.permutation(len(played))[:repeats]]
    if chosen[0] == last:
        if len(chosen) == 1:
            others = [item for item in played if item != last]
            return [others[int(rng.integers(len(others)))]]
        chosen = [*chosen[1:], chosen[0]]
    return chosen


def _sitting(player: str, sitting: int, played: list[str], again: list[str], codes: Any) -> list[Turn]:
    return [
        Turn(player, sitting, position, (next(codes),), (item,), hidden_repeat=position > len(played))
        for position, item in enumerate([*played, *again], start=1)
    ]


def _check(sets: Sequence[str], players: Sequence[str], span: tuple[int, int]) -> None:
    low, high = span
    if not low <= len(sets) <= high:
        raise RequestError(f"{len(sets)} set-ups; expected {low if low == high else f'{low} to {high}'}")
    if len(set(sets)) < len(sets):
        raise RequestError("each set-up once")
    if not players or len(set(players)) < len(players):
        raise RequestError("one player or more, each once")
