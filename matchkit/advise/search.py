"""The exact best of all combinations, block by block."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from matchkit.constants import DECIMALS
from matchkit.facts import PartIds
from matchkit.learn.blend import Blend
from matchkit.learn.fitted import Band, Fitted, Setups
from matchkit.learn.threads import one_thread
from matchkit.pairs.table import PairTable
from matchkit.records.parts import Ligature, Mouthpiece, Reed
from matchkit.score.scorer import Scored

Array = NDArray[np.float64]
Index = NDArray[np.intp]
Flags = NDArray[np.bool_]
NOTHING_OWNED = PartIds(None, None)

VARIETY = 5.0
"""Points of 100 that a set-up may be expected to lose by sharing neither mouthpiece nor line of reeds with those before it."""

BLOCK = 2048
"""Pairs scored side by side; fixed, so that memory does not grow with the number of combinations."""


@dataclass(frozen=True)
class Candidates:
    """Pairs to be ranked for one player (N,), with the ligatures that fit each (N, L)."""

    scored: Scored
    ligature_fits: Flags

    def __len__(self) -> int:
        return len(self.scored.pairs)

    @cached_property
    def overall_d(self) -> Array:
        """D of each pair (N,)."""
        return self.scored.terms.overall

    @cached_property
    def ids(self) -> list[tuple[str, str]]:
        """Mouthpiece and reed id of each pair."""
        return self.scored.pairs.ids()

    @cached_property
    def _kinds(self) -> tuple[list[str], list[str]]:
        pairs = self.scored.pairs
        return [part.id for part in pairs.facings], [part.line for part in pairs.reeds]

    def kind(self, pair: int) -> tuple[str, str]:
        """Return mouthpiece and line of reeds of a pair: set-ups that are unlike share neither."""
        pieces, lines = self._kinds
        pairs = self.scored.pairs
        return pieces[pairs.facing_of[pair]], lines[pairs.reed_of[pair]]


@dataclass(frozen=True)
class Placed:
    """One line of a ranking: a pair, and the ligatures that score alike with it; marks in points of 10, the score in points of 100."""

    pair: int
    ligatures: tuple[int, ...]
    score: float
    computed: float
    correction: float


Key = tuple[float, int]
"""Less the score, then the place among what ties."""


@dataclass(frozen=True)
class Best:
    """The best ``lines``, whatever they share; and the best that are ``unlike`` one another, as far as there are such."""

    lines: list[Placed]
    unlike: list[Placed]
    passed: bool = False
    """Whether a pair that is not among the unlike ones beats the last of them."""


def rank_candidates(
    candidates: Candidates,
    blend: Blend,
    ligatures: Sequence[Ligature],
    *,
    instrument: str,
    player: str | None,
    top: int,
    unlike: int = 0,
    owned: PartIds = NOTHING_OWNED,
    progress: Callable[[int, int], None] | None = None,
) -> Best:
    """Return the best ``top`` lines and the best ``unlike`` ones, by score; of equal ones what is owned first, then what is in stock, then the cheapest, then by id.

    Exact: a pair outside the best ``top`` pairs by its best ligature cannot hold one of the best ``top`` lines. Lines that are unlike share
    neither mouthpiece nor line of reeds, where there is more than one of these to choose from, or one of the two where that gains more than
    :data:`VARIETY`; where there are too few, other pairs and then other ligatures fill the list.
    """
    with one_thread():
        scores = _Scores(candidates, blend.by_instrument.get(instrument), blend, ligatures, player)
    places = preferred(candidates.scored.pairs, owned)
    kept: list[tuple[Key, Placed]] = []
    best: dict[tuple[str, str], tuple[Key, Placed]] = {}
    pairs: list[tuple[Key, Placed]] = []
    for start in range(0, len(candidates), BLOCK):
        rows = np.arange(start, min(start + BLOCK, len(candidates)))
        with one_thread():
            block = scores.block(rows)
        order = block.order(places[rows])
        kept = sorted([*kept, *block.best(rows, order[:top], places, top)], key=_key)[:top]
        pairs = sorted([*pairs, *block.first_lines(rows, order[: 2 * top], places)], key=_key)[: 2 * top]
        for row in order if unlike else ():
            which = candidates.kind(int(rows[row]))
            if which not in best or block.key(rows, row, places) < best[which][0]:
                best[which] = block.first_line(rows, row, places)
        if progress is not None:
            progress(int(rows[-1]) + 1, len(candidates))
    apart = _unlike(best, pairs, kept, unlike)
    shown = {line.pair for line in apart}
    passed = any(item.pair not in shown and round(item.score - apart[-1].score, DECIMALS) > 0 for _, item in pairs if apart)
    return Best([placed for _, placed in kept], apart, passed)


def _key(item: tuple[Key, Placed]) -> Key:
    return item[0]


def preferred(pairs: PairTable, owned: PartIds) -> Index:
    """Return the place of each pair among such as score alike (N,): what is owned first, then what is in stock, then the cheapest, then by id."""

    def of(value: Callable[[Mouthpiece | Reed, str | None], float]) -> Array:
        found = pairs.of_facings(lambda part: value(part.mouthpiece, owned.mouthpiece))
        return found + pairs.of_reeds(lambda part: value(part.reed, owned.reed))

    new = of(lambda part, mine: float(part.id != mine))
    gone = of(lambda part, mine: float(part.stock == 0 and part.id != mine))
    price = of(lambda part, mine: 0.0 if part.id == mine else np.inf if part.price is None else part.price)
    by_id = [
        np.argsort(np.argsort(np.array([part.id for part in parts], dtype=np.str_))) for parts in (pairs.facings, pairs.reeds)
    ]
    reed_place, facing_place = by_id[1][pairs.reed_of], by_id[0][pairs.facing_of]
    order = np.lexsort((reed_place, facing_place, price, gone, new))
    places = np.empty(len(pairs), dtype=np.intp)
    places[order] = np.arange(len(pairs))
    return places


class _Scores:
    """Scores of candidates for one player, block by block; what does not hang on a block is computed once."""

    def __init__(
        self,
        candidates: Candidates,
        known: Fitted | None,
        blend: Blend,
        ligatures: Sequence[Ligature],
        player: str | None,
    ) -> None:
        self._candidates, self._known, self._blend, self._player = candidates, known, blend, player
        bands = [Band(item.id, item.contact) for item in ligatures] or [Band()]
        self._of_bands = np.array([0.0 if known is None else known.of_ligature(band, player) for band in bands])
        self._setups = Setups.of_pairs(candidates.scored.pairs, candidates.scored.features)
        self._asked = None if known is None else known.asked(self._setups, player)

    def block(self, rows: Index) -> _Block:
        """Return one block of them, rows one after another."""
        some = slice(int(rows[0]), int(rows[-1]) + 1)
        computed = self._blend.computed(self._candidates.overall_d[some])
        correction = np.zeros(len(rows))
        if self._known is not None and self._asked is not None:
            correction = self._known.correction(self._setups.take(some), self._player, self._asked.take(some))
        fits = self._candidates.ligature_fits[some]
        fits = fits if fits.shape[1] else np.ones((len(rows), 1), dtype=bool)
        added = correction[:, None] + self._of_bands[None, :]
        score = np.where(fits, np.round(10 * (computed[:, None] + added), DECIMALS), -np.inf)
        return _Block(score, computed, added, banded=self._candidates.ligature_fits.shape[1] > 0)


def _unlike(
    best: Mapping[tuple[str, str], tuple[Key, Placed]],
    pairs: Sequence[tuple[Key, Placed]],
    lines: Sequence[tuple[Key, Placed]],
    top: int,
) -> list[Placed]:
    varies = [place for place in (0, 1) if len({kind[place] for kind in best}) > 1]
    waiting = sorted(best.items(), key=lambda each: each[1][0])
    chosen: list[tuple[Key, Placed]] = []
    used: tuple[set[str], set[str]] = set(), set()
    while len(chosen) < top and (place := _next_unlike(waiting, used, varies)) is not None:
        kind, item = waiting.pop(place)
        chosen.append(item)
        for part, seen in zip(kind, used, strict=True):
            seen.add(part)
    there = {item[1].pair for item in chosen}
    for item in pairs:
        if len(chosen) < top and item[1].pair not in there:
            chosen.append(item)
            there.add(item[1].pair)
    also = {(item[1].pair, item[1].ligatures) for item in chosen}
    for item in lines:
        if len(chosen) < top and (item[1].pair, item[1].ligatures) not in also:
            chosen.append(item)
    return [placed for _, placed in sorted(chosen, key=_key)]


def _next_unlike(
    waiting: Sequence[tuple[tuple[str, str], tuple[Key, Placed]]], used: tuple[set[str], set[str]], varies: Sequence[int]
) -> int | None:
    """Return the place of the best that shares nothing with those chosen; of the best that shares one part where the other costs too much."""
    partly = None
    for place, (kind, (_, item)) in enumerate(waiting):
        fresh = [kind[part] not in used[part] for part in varies]
        if partly is not None and round(waiting[partly][1][1].score - item.score, DECIMALS) > VARIETY:
            return partly
        if fresh and all(fresh):
            return place
        if any(fresh) and partly is None:
            partly = place
    return partly


@dataclass(frozen=True)
class _Block:
    score: Array
    computed: Array
    correction: Array
    banded: bool
    """Whether there are ligatures at all."""

    @cached_property
    def _peak(self) -> Array:
        return np.asarray(self.score.max(axis=1))

    def order(self, places: Index) -> list[int]:
        """Return the block's pairs with a ligature that fits, best first."""
        order = np.lexsort((places, -self._peak))
        return [int(row) for row in order[np.isfinite(self._peak[order])]]

    def key(self, rows: Index, row: int, places: Index) -> Key:
        """Return what the best line of a pair is sorted by."""
        return -float(self._peak[row]), int(places[rows[row]])

    def best(self, rows: Index, order: Sequence[int], places: Index, top: int) -> Iterator[tuple[Key, Placed]]:
        """Return the lines of some pairs with their sorting keys."""
        for row in order:
            scores = sorted({float(value) for value in self.score[row] if np.isfinite(value)}, reverse=True)
            for score in scores[:top]:
                yield (-score, int(places[rows[row]])), self._line(rows, row, score)

    def first_lines(self, rows: Index, order: Sequence[int], places: Index) -> Iterator[tuple[Key, Placed]]:
        """Return the best line of each of some pairs."""
        for row in order:
            yield self.first_line(rows, row, places)

    def first_line(self, rows: Index, row: int, places: Index) -> tuple[Key, Placed]:
        """Return the best line of one pair."""
        return self.key(rows, row, places), self._line(rows, row, float(self._peak[row]))

    def _line(self, rows: Index, row: int, score: float) -> Placed:
        tied = np.flatnonzero(self.score[row] == score)
        bands = tuple(int(place) for place in tied) if self.banded else ()
        return Placed(int(rows[row]), bands, score, float(self.computed[row]), float(self.correction[row, int(tied[0])]))
