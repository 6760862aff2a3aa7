"""What to play next to learn most: the playtest whose mark is expected to better the first place of a ranking most.

The model says of everything a player could play what to expect and how sure that is, all together: a covariance. A mark on one set-up moves what
is expected of the others by known amounts, times a standard normal. What it is worth is how much the best of them is expected to rise by that (the
knowledge gradient: Frazier, Powell and Dayanik 2009, from memory), for the player who is asked about, or summed over all players of the house, for
what it costs. Players whose marks scatter say less by a mark. What was chosen counts as played at once.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import ClassVar, Literal

import numpy as np
from numpy.typing import NDArray

from matchkit.constants import DECIMALS
from matchkit.facts import ModelUse
from matchkit.learn.blend import Blend
from matchkit.learn.fitted import Fitted, Setups
from matchkit.learn.kriging.covariance import Coded, between, own_variance, squared_between
from matchkit.learn.kriging.fit import one_out
from matchkit.learn.kriging.influence import DOUBTED
from matchkit.learn.kriging.variances import GROUPED
from matchkit.learn.learner import Learner
from matchkit.learn.marks import SLOPE_COLUMNS
from matchkit.learn.threads import one_thread
from matchkit.records.people import Player
from matchkit.results import Answer

Array = NDArray[np.float64]
Index = NDArray[np.intp]

CHANGE_COST = 0.3
"""What a change of mouthpiece adds to the cost of a playtest, which is 1 (assumed)."""
AGAIN_COST = 0.2
"""What each further playtest of one player in a list adds to the cost: lips tire, and a list is for several (assumed)."""
LOOKED_AT = 40
"""Set-ups of a player that are looked at, those that may be the best; or twice as many as are asked for."""
HOPE = 1.2815515655446004
"""They are ordered by what to expect and so many standard deviations."""
LIGATURE = ("contact", "ligature", "own_contact")
"""Parts that are left out: a playtest is proposed with any ligature."""
ALIKE = 0.5
"""Scaled features within which two set-ups of a player are alike, and are not both proposed."""
NODES = 101
"""Marks that are tried for each set-up: the middles of as many equal parts of what is expected."""
USUAL_MARKS = 8
"""A player is taken to mark as everybody does, as if by so many marks."""

Reason = Literal["mouthpiece never marked", "line never marked", "tells of others", "may be the best", "little known"]


@dataclass(frozen=True)
class Field:
    """Everything one player could play: ids (m,), the set-ups, D, and what to expect of each (m,)."""

    player_id: str
    instrument: str
    ids: tuple[tuple[str, str], ...]
    setups: Setups
    overall_d: Array
    rating: Array


@dataclass(frozen=True)
class NextTest:
    """One playtest to make: the mark to expect, how far that is open (standard deviation), what the player's best is expected at, and its worth.

    ``worth`` is in points of a mark that the first place is expected to gain; ``own_worth`` is the part of it for this player.
    """

    position: int
    player_id: str
    mouthpiece_id: str
    reed_id: str
    expected: float
    u_expected: float
    best: float
    worth: float
    own_worth: float
    cost: float
    reason: Reason


@dataclass(frozen=True)
class ToPlay(Answer):
    """What to play next, in order, and what that is learned from."""

    schema: ClassVar[str] = "next"
    table_of: ClassVar[str] = "rows"
    row_type: ClassVar[type] = NextTest

    model: ModelUse
    rows: tuple[NextTest, ...]


def field_of(
    blend: Blend, player_id: str, instrument: str, *, ids: Sequence[tuple[str, str]], setups: Setups, overall_d: Array
) -> Field:
    """Ask a model about everything one player could play; ligatures are left out."""
    rating, known = blend.computed(overall_d), blend.by_instrument.get(instrument)
    if known is not None:
        rating = rating + known.correction(setups, player_id)
    return Field(player_id, instrument, tuple(ids), setups, overall_d, rating)


def player_field(learner: Learner, player: Player, *, in_stock: bool = False) -> Field | None:
    """Ask a learner about everything that fits on a player's instrument and is offered, or is theirs; None where there is nothing."""
    scorer, theirs = learner.scorer, {player.mouthpiece_id, player.reed_id}
    pairs = scorer.fitting(player.instrument)
    ended = pairs.of_facings(lambda part: float(bool(part.mouthpiece.retired) and part.id not in theirs))
    ended = ended + pairs.of_reeds(lambda part: float(bool(part.reed.retired) and part.id not in theirs))
    pairs = pairs.select(np.flatnonzero(ended == 0))
    if in_stock:
        pieces, reeds = pairs.of_facings(lambda part: part.mouthpiece.stock), pairs.of_reeds(lambda part: part.reed.stock)
        pairs = pairs.select(np.flatnonzero((pieces != 0) & (reeds != 0)))
    if not len(pairs):
        return None
    scored = scorer.score(scorer.view(player.id), pairs)
    return field_of(
        learner.blend,
        player.id,
        player.instrument,
        ids=pairs.ids(),
        setups=Setups.of_pairs(pairs, scored.features),
        overall_d=scored.terms.overall,
    )


def scatter(known: Fitted | None) -> dict[str, float]:
    """Return what the variance of each player's noise is multiplied by: 1, or more for one whose marks the others do not foretell."""
    if known is None:
        return {}
    system = known.dense
    missed, variance = one_out(system, known.line)
    squares = np.where(system.noise > system.variances.noise**2 / DOUBTED / system.marks.trust, np.nan, missed**2 / variance)
    found = {}
    for name in sorted(set(known.tests.players)):
        mine = squares[(system.marks.codes["player"] == known.code("player", name)) & np.isfinite(squares)]
        found[name] = max(1.0, (USUAL_MARKS + float(mine.sum())) / (USUAL_MARKS + len(mine)))
    return found


@dataclass
class _Table:
    """What may be played on one instrument: rows of (field, set-up), what to expect (M,), and how unsure that is together (M, M)."""

    fields: Sequence[Field]
    row: list[tuple[int, int]]
    expected: Array
    covariance: Array
    noise: Array
    codes: Coded
    marked: dict[str, NDArray[np.bool_]]
    free: NDArray[np.bool_]

    def worths(self) -> tuple[Array, Array]:
        """Return what a mark on each is worth, in all and to its own player (M,)."""
        from scipy.special import ndtri

        nodes = ndtri((np.arange(NODES) + 0.5) / NODES)
        sd = np.sqrt(np.maximum(np.diag(self.covariance), 0.0) + self.noise)
        moved = self.covariance / sd[:, None]
        whose = np.array([field for field, _ in self.row])
        total, own = np.zeros(len(self.row)), np.zeros(len(self.row))
        for field in np.unique(whose):
            mine = np.flatnonzero(whose == field)
            after = self.expected[mine] + nodes[:, None, None] * moved[None, :, mine]
            gain = np.maximum(after.max(axis=2).mean(axis=0) - self.expected[mine].max(), 0.0)
            total += gain
            own[mine] = gain[mine]
        return total, own

    def play(self, place: int) -> None:
        """Count one as played, and those alike as taken."""
        column = self.covariance[:, place].copy()
        self.covariance -= np.outer(column, column) / (column[place] + self.noise[place])
        whose = np.array([field for field, _ in self.row])
        near = squared_between(self.codes.features[place : place + 1], self.codes.features)[0] < ALIKE**2
        self.free &= ~(near & (whose == whose[place]))


def _table(blend: Blend, fields: Sequence[Field], instrument: str, looked_at: int) -> _Table:
    """Return what may be played on one instrument, by the players who are asked about."""
    known = blend.by_instrument.get(instrument)
    v = blend.variances
    rows: list[tuple[int, int]] = []
    parts: list[tuple[Field, Index]] = []
    for number, field in enumerate(fields):
        if field.instrument != instrument:
            continue
        every = _coded(known, [(field, np.arange(len(field.ids)))])
        sd = np.sqrt(np.maximum(_spread(known, every, blend), 0.0))
        chosen = np.sort(np.argsort(-(field.rating + HOPE * sd).round(DECIMALS), kind="stable")[:looked_at])
        parts.append((field, chosen))
        rows += [(number, int(row)) for row in chosen]
    codes = _coded(known, parts)
    extra = scatter(known)
    noise = np.array([v.noise**2 * extra.get(fields[field].player_id, 1.0) + v.sitting**2 for field, _ in rows])
    marked = {part: codes.codes[part] < _first_free(known, part) for part in ("mouthpiece", "line")}
    expected = np.concatenate([field.rating[chosen] for field, chosen in parts])
    return _Table(fields, rows, expected, _posterior(known, codes, blend), noise, codes, marked, np.ones(len(rows), dtype=bool))


def _first_free(known: Fitted | None, part: str) -> int:
    return 0 if known is None else int(known.marks.codes[part].max(initial=-1)) + 1


def _coded(known: Fitted | None, parts: Sequence[tuple[Field, Index]]) -> Coded:
    """Return set-ups of several players as numbers: a model's codes where it has them, further ones for what has no mark yet."""
    names: dict[str, list[str]] = {part: [] for part in ("player", "mouthpiece", "line", "setup")}
    features, lines = [], []
    for field, rows in parts:
        setups = field.setups
        for row in rows:
            piece, reed = setups.mouthpieces[setups.mouthpiece_of[row]], int(setups.reed_of[row])
            names["player"].append(field.player_id)
            names["mouthpiece"].append(piece)
            names["line"].append(setups.lines[reed])
            names["setup"].append(f"{field.player_id}\t{piece}\t{setups.reeds[reed]}")
        features.append(setups.features[rows])
        lines.append(np.column_stack([np.ones(len(rows)), field.overall_d[rows]]))
    x = np.concatenate(features)
    codes = {}
    for part in GROUPED:
        if part not in names:
            codes[part] = np.full(len(x), -1, dtype=np.intp)  # no ligature, no sitting
            continue
        start = _first_free(known, part)
        fresh: dict[str, int] = {}
        found = np.empty(len(x), dtype=np.intp)
        for place, name in enumerate(names[part]):
            code = -1 if known is None else known.code(part, name)
            found[place] = code if code >= 0 else fresh.setdefault(name, start + len(fresh))
        codes[part] = found
    return Coded(codes, x, x[:, SLOPE_COLUMNS], np.concatenate(lines), np.zeros(len(x)), np.ones(len(x)))


def _wide(known: Fitted | None, codes: Coded) -> Array:
    wide = np.ones(len(codes))
    if known is not None:
        for code in np.unique(codes.codes["player"]):
            rows = np.flatnonzero(known.marks.codes["player"] == code)
            if len(rows):
                wide[codes.codes["player"] == code] = known.weighed.wider[rows[0]]
    return wide


def _posterior(known: Fitted | None, codes: Coded, blend: Blend) -> Array:
    """Return the covariance of what is expected of set-ups, after all marks (M, M)."""
    wide = _wide(known, codes)
    prior = between(codes, codes, blend.variances, wide)
    if known is None:
        return prior
    system = known.dense
    towards = between(codes, system.marks, blend.variances, wide)
    return np.asarray(prior - towards @ system.solve(towards.T))


def _spread(known: Fitted | None, codes: Coded, blend: Blend) -> Array:
    """Return the variance of what is expected of set-ups, after all marks (M,)."""
    wide = _wide(known, codes)
    before = own_variance(codes, blend.variances, wide, without=LIGATURE)
    if known is None:
        return before
    system = known.dense
    towards = between(codes, system.marks, blend.variances, wide)
    return np.asarray(before - (towards * system.solve(towards.T).T).sum(axis=1))


def choose(blend: Blend, fields: Sequence[Field], *, count: int, chosen: Callable[[int], None] | None = None) -> list[NextTest]:
    """Choose ``count`` playtests over all players, best first; fewer where there is no more to play. ``chosen`` is told of each.

    Of equal worth the first by player, mouthpiece and reed is taken.
    """
    with one_thread(with_scipy=True):
        instruments, looked_at = sorted({field.instrument for field in fields}), max(LOOKED_AT, 2 * count)
        tables = [_table(blend, fields, instrument, looked_at) for instrument in instruments]
        return _chosen(tables, fields, count, chosen)


def _chosen(
    tables: Sequence[_Table], fields: Sequence[Field], count: int, told: Callable[[int], None] | None
) -> list[NextTest]:
    holding: dict[str, str] = {}
    times: Counter[str] = Counter()
    found: list[NextTest] = []
    worths = [table.worths() for table in tables]
    for position in range(1, count + 1):
        best: tuple[float, int, int] | None = None
        for which, table in enumerate(tables):
            if not table.free.any():
                continue
            worth = np.where(table.free, (worths[which][0] / _costs(table, holding, times)).round(DECIMALS), -np.inf)
            place = int(worth.argmax())
            if best is None or worth[place] > best[0]:
                best = (float(worth[place]), which, place)
        if best is None:
            break
        _, which, place = best
        table = tables[which]
        number, row = table.row[place]
        field = fields[number]
        total, own = (float(values[place]) for values in worths[which])
        mine = np.array([field_number == number for field_number, _ in table.row])
        top = float(table.expected[mine].max())
        found.append(
            NextTest(
                position,
                field.player_id,
                *field.ids[row],
                float(table.expected[place]),
                float(np.sqrt(max(table.covariance[place, place], 0.0))),
                top,
                total,
                own,
                float(_costs(table, holding, times)[place]),
                _reason(table, place, top, total, own),
            )
        )
        holding[field.player_id] = field.ids[row][0]
        times[field.player_id] += len(fields) > 1
        table.play(place)
        worths[which] = table.worths()
        if told is not None:
            told(position)
    return found


def _costs(table: _Table, holding: dict[str, str], times: Counter[str]) -> Array:
    held = [holding.get(field.player_id) for field in table.fields]
    tired = [1.0 + AGAIN_COST * times[field.player_id] for field in table.fields]
    return np.array([tired[f] + CHANGE_COST * (table.fields[f].ids[row][0] != held[f]) for f, row in table.row])


def _reason(table: _Table, place: int, top: float, total: float, own: float) -> Reason:
    """Return why one is proposed."""
    if not table.marked["mouthpiece"][place]:
        return "mouthpiece never marked"
    if not table.marked["line"][place]:
        return "line never marked"
    if total > 2 * own:
        return "tells of others"
    sd = float(np.sqrt(max(table.covariance[place, place], 0.0)))
    return "may be the best" if table.expected[place] + sd >= top else "little known"
