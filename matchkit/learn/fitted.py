"""What the marks on one instrument say of set-ups: levels, the nearest playtests, and where each point of a correction comes from."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import cast

import numpy as np
from numpy.typing import NDArray

from matchkit.learn.kriging.centred import Centred
from matchkit.learn.kriging.covariance import Coded, alike, squared_between
from matchkit.learn.kriging.fit import Line, Settled
from matchkit.learn.kriging.influence import DOUBTED
from matchkit.learn.kriging.likelihood import Weighed
from matchkit.learn.kriging.local import Asked, Local
from matchkit.learn.kriging.system import MOST_DENSE, Dense, solved
from matchkit.learn.kriging.variances import Variances
from matchkit.learn.marks import SLOPE_COLUMNS, RatedTests
from matchkit.pairs.table import PairTable

Array = NDArray[np.float64]
Index = NDArray[np.intp]

GROUPS = ("player", "mouthpiece", "line", "taste", "alike", "again", "ligature")
"""What a correction is told by: how the player marks, this mouthpiece, this line of reeds, their taste, set-ups alike, their marks on this
very set-up, the ligature."""

MOST_SAMPLED = 1000
"""Of very many marks so many, taken by a fixed seed, stand for all where the whole system is asked for."""
MOST_FOR_VARIANCE = 600
"""Of very many marks so many, the nearest, say how sure an answer is."""


@dataclass(frozen=True)
class Setups:
    """N set-ups that are asked about: features (N, f), and mouthpiece, reed and line of reeds by places in lists of names (N,)."""

    features: Array
    mouthpieces: Sequence[str]
    mouthpiece_of: Index
    reeds: Sequence[str]
    lines: Sequence[str]
    reed_of: Index

    @classmethod
    def of_pairs(cls, pairs: PairTable, features: Array) -> Setups:
        """Return the pairs of a table with their features."""
        reeds = [part.reed for part in pairs.reeds]
        return cls(
            features,
            [part.id for part in pairs.facings],
            pairs.facing_of,
            [reed.id for reed in reeds],
            [reed.profile_id or reed.id for reed in reeds],
            pairs.reed_of,
        )

    def __len__(self) -> int:
        return len(self.features)

    def take(self, rows: Index | slice | Sequence[int]) -> Setups:
        """Return some of them."""
        return Setups(
            self.features[rows],
            self.mouthpieces,
            self.mouthpiece_of[rows],
            self.reeds,
            self.lines,
            self.reed_of[rows],
        )


@dataclass(frozen=True)
class Band:
    """A ligature as the model sees it."""

    id: str | None = None
    contact: str | None = None


@dataclass(frozen=True)
class Account:
    """One set-up's correction, in points of a mark: its ``groups``, and of each group what every mark gave (n,).

    ``sd`` is that of a further mark about what is expected, ``evidence`` how many marks' worth is known, ``weights`` (groups, n).
    """

    groups: Mapping[str, float]
    weights: Mapping[str, Array]
    given: Mapping[str, Array]
    variance: float
    sd: float
    evidence: float


class Fitted:
    """The marks on one instrument, solved at given variances."""

    def __init__(self, tests: RatedTests, variances: Variances, line: Line, settled: Settled) -> None:
        self.tests, self.variances, self.line, self.settled = tests, variances, line, settled

    @property
    def marks(self) -> Coded:
        """The marks as numbers."""
        return self.settled.weighed.marks

    @property
    def weighed(self) -> Weighed:
        """The marks with what they count."""
        return self.settled.weighed

    @cached_property
    def system(self) -> Dense | Centred:
        """The system that was solved."""
        return solved(self.weighed, self.variances)

    @cached_property
    def sample(self) -> Fitted:
        """These marks; of very many some, by a fixed seed, which leave answers a little less sure than they are."""
        if len(self.marks) <= MOST_DENSE:
            return self
        rows = np.sort(np.random.default_rng(0).choice(len(self.marks), MOST_SAMPLED, replace=False))
        weighed = Weighed(self.marks.take(rows), self.weighed.odd[rows], self.weighed.wider[rows])
        return Fitted(self.tests.take(rows), self.variances, self.line, Settled(weighed, self.settled.pull[rows]))

    @cached_property
    def dense(self) -> Dense:
        """The system of the sample, written out."""
        return Dense(self.sample.weighed, self.variances) if self.sample is not self else cast("Dense", self.system)

    @cached_property
    def residual(self) -> Array:
        """What the line leaves of each mark (n,)."""
        return np.asarray(self.marks.mark - self.marks.line @ self.line.both)

    @cached_property
    def left(self) -> Array:
        """What line and levels leave of each mark (n,)."""
        return self.residual - self.system.levels(self.settled.pull[:, None])[:, 0]

    @cached_property
    def local(self) -> Local:
        """The marks as neighbours."""
        return Local(self.marks, self.variances, self.weighed.noise(self.variances))

    @cached_property
    def _codes(self) -> dict[str, dict[str, int]]:
        """Code of each name, by part."""
        named = self.tests.named()
        return {
            part: {name: int(code) for name, code in zip(names, self.marks.codes[part], strict=True) if name is not None}
            for part, names in named.items()
        }

    def code(self, part: str, name: str | None) -> int:
        """Return the code of a name, -1 for one that no mark has."""
        return self._codes[part].get(name or "", -1)

    def effects(self, part: str) -> Array:
        """Return the level of each code of a part, with a 0 for code -1 at the end."""
        code = self.marks.codes[part]
        pull = self.settled.pull * (self.weighed.wider if part == "player" else 1.0)
        sums = np.bincount(code, pull, minlength=int(code.max(initial=-1)) + 1)
        return np.append(getattr(self.variances, part) ** 2 * sums, 0.0)

    def slopes(self, player: str | None) -> Array:
        """Return a player's own slopes along resistance, opening and baffle, in points a scaled feature (3,)."""
        mine = self.marks.codes["player"] == self.code("player", player)
        return np.asarray(self.variances.slope**2 * (self.settled.pull[mine] @ self.marks.slopes[mine]))

    def asked(self, setups: Setups, player: str | None) -> Asked:
        """Return set-ups as one player asks about them."""
        mine = np.full(len(setups), self.code("player", player), dtype=np.intp)
        again = np.full(len(setups), -1, dtype=np.intp)
        if player is not None:
            pieces, reeds = np.array(setups.mouthpieces, dtype=np.str_), np.array(setups.reeds, dtype=np.str_)
            rows = np.flatnonzero(self.marks.codes["player"] == mine[0]) if len(mine) else ()
            for row in {int(self.marks.codes["setup"][row]): int(row) for row in rows}.values():
                piece, reed = self.tests.mouthpieces[row], self.tests.reeds[row]
                same = (pieces == piece)[setups.mouthpiece_of] & (reeds == reed)[setups.reed_of]
                again[same] = self.marks.codes["setup"][row]
        return Asked(setups.features, mine, again)

    def _coded(self, part: str, names: Sequence[str], place: Index) -> Index:
        return np.array([self.code(part, name) for name in names], dtype=np.intp)[place]

    def correction(self, setups: Setups, player: str | None, asked: Asked | None = None) -> Array:
        """Return what the marks add to what the measurements let expect (N,), ligatures left out; ``asked`` are the same set-ups, where they are there."""
        found = self.local.mean(self.asked(setups, player) if asked is None else asked, self.left)
        found += self.effects("player")[self.code("player", player)]
        found += self.effects("mouthpiece")[self._coded("mouthpiece", setups.mouthpieces, setups.mouthpiece_of)]
        found += self.effects("line")[self._coded("line", setups.lines, setups.reed_of)]
        return np.asarray(found + setups.features[:, SLOPE_COLUMNS] @ self.slopes(player))

    def _band_codes(self, band: Band, player: str | None) -> dict[str, int]:
        own = None if player is None or band.contact is None else f"{player}\t{band.contact}"
        names = {"contact": band.contact, "ligature": band.id, "own_contact": own}
        return {part: self.code(part, name) for part, name in names.items()}

    def of_ligature(self, band: Band, player: str | None) -> float:
        """Return what a ligature adds."""
        return sum(float(self.effects(part)[code]) for part, code in self._band_codes(band, player).items())

    # where it comes from

    def account(self, setups: Setups, player: str | None, band: Band, *, overall_d: float) -> Account:
        """Return where the correction of one set-up comes from, exactly: ``sum(weights[group] * residual)`` is the group."""
        v, asked = self.variances, self.asked(setups, player)
        weights = self.weights(setups, player, band)
        given = {name: one * self.residual for name, one in weights.items()}
        variance, before, doubt = self._variance(setups, player, band, asked, np.array([1.0, overall_d]))
        known = 0.0 if variance <= 0 else max(v.noise**2 * (1 / variance - 1 / before), 0.0)
        return Account(
            groups={name: float(points.sum()) for name, points in given.items()},
            weights=weights,
            given=given,
            variance=variance,
            sd=float(np.sqrt(variance + doubt + v.new_mark)),
            evidence=known,
        )

    def weights(self, setups: Setups, player: str | None, band: Band) -> dict[str, Array]:
        """Return what each mark's residual counts in the correction of one set-up (n,), by group."""
        marks, asked = self.marks, self.asked(setups, player)
        towards = self._level_covariances(setups, player, band)
        near = self.local.weigh(asked)
        spread = np.zeros((len(marks), 3))
        spread[near.rows[0]] = near.weight[0]
        names = tuple(towards)
        columns = np.column_stack([*towards.values(), self.system.levels(spread)])
        found = self.system.solve(columns)
        weight = dict(zip(names, found[:, : len(names)].T, strict=True))
        smooth, own, again = (spread - found[:, len(names) :]).T
        return {
            "player": weight["player"],
            "mouthpiece": weight["mouthpiece"],
            "line": weight["line"],
            "taste": weight["slope"] + own,
            "alike": smooth,
            "again": again,
            "ligature": weight["ligature"],
        }

    def _level_covariances(
        self, setups: Setups, player: str | None, band: Band, marks: Coded | None = None, wider: Array | None = None
    ) -> dict[str, Array]:
        """Return the covariance of one set-up's levels with each mark, by part (n,)."""
        marks = self.marks if marks is None else marks
        wider = self.weighed.wider if wider is None else wider
        v = self.variances
        piece, reed = int(setups.mouthpiece_of[0]), int(setups.reed_of[0])
        mine = marks.codes["player"] == self.code("player", player)
        along = marks.slopes @ setups.features[0, SLOPE_COLUMNS]
        bands = self._band_codes(band, player).items()
        return {
            "player": v.player**2 * wider * mine,
            "mouthpiece": v.mouthpiece**2 * (marks.codes["mouthpiece"] == self.code("mouthpiece", setups.mouthpieces[piece])),
            "line": v.line**2 * (marks.codes["line"] == self.code("line", setups.lines[reed])),
            "slope": v.slope**2 * mine * along,
            "ligature": np.sum([getattr(v, part) ** 2 * (marks.codes[part] == code) for part, code in bands], axis=0),
        }

    def _variance(self, setups: Setups, player: str | None, band: Band, asked: Asked, at: Array) -> tuple[float, float, float]:
        """Return the variance of what is expected of one set-up, after and before any mark, and what the line's doubt adds; ``at`` is 1 and D."""
        v = self.variances
        mine = np.flatnonzero(self.marks.codes["player"] == self.code("player", player))
        wide = float(self.weighed.wider[mine[0]]) if len(mine) else 1.0
        z = setups.features[0, SLOPE_COLUMNS]
        bands = 0.0 if band == Band() else v.contact**2 + v.ligature**2 + v.own_contact**2
        levels = wide * v.player**2 + v.mouthpiece**2 + v.line**2 + v.slope**2 * float(z @ z) + bands
        before = levels + v.smooth**2 + v.own**2 + v.setup**2
        if not len(self.marks):
            return before, before, float(at @ self.line.covariance @ at)
        system = self._system_for_variance(asked)
        towards = self._towards(system.marks, setups, player, band, wide=wide)
        share = system.solve(towards[:, None])[:, 0]
        off = at - system.marks.line.T @ share
        return max(before - float(towards @ share), 1e-9), before, float(off @ self.line.covariance @ off)

    def _towards(self, marks: Coded, setups: Setups, player: str | None, band: Band, *, wide: float) -> Array:
        """Return the covariance of what is expected of one set-up with each mark (n,)."""
        v, asked = self.variances, self.asked(setups, player)
        own = marks.codes["player"] == asked.player[0]
        near = alike(squared_between(asked.features[:1], marks.features)[0], length=v.length)
        towards = near * (v.smooth**2 + v.own**2 * own) + v.setup**2 * (marks.codes["setup"] == asked.setup[0])
        for part in self._level_covariances(setups, player, band, marks, np.where(own, wide, 1.0)).values():
            towards = towards + part
        return np.asarray(towards)

    def u_difference(self, setups: Setups, player: str | None, bands: tuple[Band, Band], *, overall_d: Array) -> float:
        """Return how unsure the difference is between what is expected of two set-ups, in points of a mark; what they share cancels."""
        v = self.variances
        one, other = setups.take([0]), setups.take([1])
        z, apart = setups.features[:, SLOPE_COLUMNS], squared_between(one.features, other.features)
        pieces = [setups.mouthpieces[int(place)] for place in setups.mouthpiece_of]
        lines = [setups.lines[int(place)] for place in setups.reed_of]
        reeds = [setups.reeds[int(place)] for place in setups.reed_of]
        before = float(((z[1] - z[0]) ** 2).sum()) * v.slope**2
        before += 2 * (v.smooth**2 + v.own**2) * (1 - float(alike(apart, length=v.length)[0, 0]))
        unlike = (
            (v.mouthpiece, pieces[0] != pieces[1]),
            (v.line, lines[0] != lines[1]),
            (v.setup, pieces[0] != pieces[1] or reeds[0] != reeds[1]),
        )
        before += sum(2 * sd**2 for sd, differ in unlike if differ)
        known = sum(band != Band() for band in bands)  # where there is no ligature nothing is open about it
        before += known * (v.contact**2 + v.own_contact**2) * (bands[0].contact != bands[1].contact)
        before += known * v.ligature**2 * (bands[0].id != bands[1].id)
        if not len(self.marks):
            return math.sqrt(before)
        system = self._system_for_variance(self.asked(setups, player))
        first, second = (
            self._towards(system.marks, side, player, band, wide=1.0) for side, band in zip((one, other), bands, strict=True)
        )
        towards = second - first  # how far the player's own level may lie is the same in both
        share = system.solve(towards[:, None])[:, 0]
        off = np.array([0.0, overall_d[1] - overall_d[0]]) - system.marks.line.T @ share
        variance = before - float(towards @ share) + float(off @ self.line.covariance @ off)
        return math.sqrt(max(variance, 1e-12))

    def _system_for_variance(self, asked: Asked) -> Dense | Centred:
        if isinstance(self.system, Dense):
            return self.system
        squared = squared_between(asked.features, self.marks.features).min(axis=0)
        squared += self.local.further * (self.marks.codes["player"] != asked.player[0])
        rows = np.sort(np.argsort(squared, kind="stable")[:MOST_FOR_VARIANCE])
        weighed = Weighed(self.marks.take(rows), self.weighed.odd[rows], self.weighed.wider[rows])
        return Dense(weighed, self.variances)

    def missed_without(self, rows: Sequence[int]) -> Array:
        """Return each of some marks less what all others let expect (m,), by leaving one out at a time."""
        unit = np.zeros((len(self.marks), len(rows)))
        unit[list(rows), np.arange(len(rows))] = 1.0
        own = self.system.solve(unit)[list(rows), np.arange(len(rows))]
        return np.asarray(self.settled.pull[list(rows)] / own)

    @property
    def slips(self) -> Index:
        """Rows of the marks that are taken for slips."""
        return np.flatnonzero(self.weighed.odd > 1 / DOUBTED)
