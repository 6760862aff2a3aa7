"""The exact best of all combinations, block by block."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from matchkit.constants import DECIMALS
from matchkit.learn.blend import Blend
from matchkit.learn.fitted import Band, Fitted, Setups
from matchkit.learn.threads import one_thread
from matchkit.records.parts import Ligature
from matchkit.score.scorer import Scored

Array = NDArray[np.float64]
Index = NDArray[np.intp]
Flags = NDArray[np.bool_]

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

    def kind(self, pair: int) -> tuple[str, str]:
        """Return mouthpiece and reed profile of a pair: set-ups that differ share neither."""
        return self.ids[pair][0], self.scored.pairs.reed(pair).shape_key.profile


@dataclass(frozen=True)
class Placed:
    """One line of a ranking: a pair, and the ligatures that score alike with it; marks in points of 10, the score in points of 100."""

    pair: int
    ligatures: tuple[int, ...]
    score: float
    computed: float
    correction: float


Key = tuple[float, str, str, str]


def rank_candidates(
    candidates: Candidates,
    blend: Blend,
    ligatures: Sequence[Ligature],
    *,
    instrument: str,
    player: str | None,
    top: int,
    different: bool = False,
    progress: Callable[[int, int], None] | None = None,
) -> list[Placed]:
    """Return the best ``top`` lines, by score, then mouthpiece, reed and ligature id.

    Exact: a pair outside the best ``top`` pairs by its best ligature cannot hold one of the best ``top`` lines. With ``different``
    each line is the best that shares neither mouthpiece nor reed profile with the lines before it.
    """
    with one_thread():
        scores = _Scores(candidates, blend.by_instrument.get(instrument), blend, ligatures, player)
    kept: list[tuple[Key, Placed]] = []
    best: dict[tuple[str, str], tuple[Key, Placed]] = {}
    for start in range(0, len(candidates), BLOCK):
        rows = np.arange(start, min(start + BLOCK, len(candidates)))
        with one_thread():
            block = scores.block(rows)
        if different:
            for key, placed in block.best_of_each(candidates, rows, ligatures):
                which = candidates.kind(placed.pair)
                if which not in best or key < best[which][0]:
                    best[which] = (key, placed)
        else:
            kept.extend(block.best(candidates, rows, ligatures, top))
            kept.sort(key=lambda item: item[0])
            del kept[top:]
        if progress is not None:
            progress(int(rows[-1]) + 1, len(candidates))
    return _unlike(best, top) if different else [placed for _, placed in kept]


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
        return _Block(np.where(fits, np.round(10 * (computed[:, None] + added), DECIMALS), -np.inf), computed, added)


def _unlike(best: Mapping[tuple[str, str], tuple[Key, Placed]], top: int) -> list[Placed]:
    chosen: list[Placed] = []
    used: set[str] = set()
    profiles: set[str] = set()
    for (mouthpiece, profile), (_, placed) in sorted(best.items(), key=lambda item: item[1][0]):
        if mouthpiece not in used and profile not in profiles:
            chosen.append(placed)
            used.add(mouthpiece)
            profiles.add(profile)
    return chosen[:top]


@dataclass(frozen=True)
class _Block:
    score: Array
    computed: Array
    correction: Array

    def _order(self, candidates: Candidates, rows: Index) -> list[int]:
        """Return the block's pairs with a ligature that fits, best first."""
        peak = self.score.max(axis=1)
        ids = candidates.ids[int(rows[0]) : int(rows[-1]) + 1]
        return sorted((int(row) for row in np.flatnonzero(np.isfinite(peak))), key=lambda row: (-peak[row], *ids[row]))

    def best(
        self, candidates: Candidates, rows: Index, ligatures: Sequence[Ligature], top: int
    ) -> Iterator[tuple[Key, Placed]]:
        """Return the lines of the block's best pairs with their sorting keys."""
        for row in self._order(candidates, rows)[:top]:
            scores = sorted({float(value) for value in self.score[row] if np.isfinite(value)}, reverse=True)
            for score in scores[:top]:
                yield self._keyed(candidates, rows, ligatures, row, score)

    def best_of_each(self, candidates: Candidates, rows: Index, ligatures: Sequence[Ligature]) -> Iterator[tuple[Key, Placed]]:
        """Return the block's best line of each mouthpiece with each reed profile."""
        seen = set()
        for row in self._order(candidates, rows):
            which = candidates.kind(int(rows[row]))
            if which not in seen:
                seen.add(which)
                yield self._keyed(candidates, rows, ligatures, row, float(self.score[row].max()))

    def _keyed(
        self, candidates: Candidates, rows: Index, ligatures: Sequence[Ligature], row: int, score: float
    ) -> tuple[Key, Placed]:
        pair = int(rows[row])
        placed = self._line(row, pair, np.flatnonzero(self.score[row] == score), score, ligatures)
        first = ligatures[placed.ligatures[0]].id if ligatures else ""
        return (-score, *candidates.ids[pair], first), placed

    def _line(self, row: int, pair: int, tied: Index, score: float, ligatures: Sequence[Ligature]) -> Placed:
        column = int(tied[0])
        by_id = tuple(sorted((int(place) for place in tied), key=lambda place: ligatures[place].id)) if ligatures else ()
        return Placed(pair, by_id, score, float(self.computed[row]), float(self.correction[row, column]))
