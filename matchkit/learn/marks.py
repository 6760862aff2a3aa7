"""Rated playtests as the model learns from them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Any, TypeVar

import numpy as np
from numpy.typing import NDArray

from matchkit import constants
from matchkit.learn.kriging.covariance import Coded, code
from matchkit.learn.kriging.influence import VOUCHES
from matchkit.learn.kriging.variances import PRIOR
from matchkit.records.people import Playtest
from matchkit.score.features import FEATURES

Array = NDArray[np.float64]
Index = NDArray[np.intp]
Item = TypeVar("Item")

SLOPES = ("ln_closing_pressure", "tip_opening", "baffle_height")
"""Features along which players have slopes of their own: resistance, opening, baffle."""
SLOPE_COLUMNS = [FEATURES.index(name) for name in SLOPES]

TEXTS = ("ids", "players", "mouthpieces", "reeds", "lines", "sessions", "instruments", "ligatures", "contacts")
NUMBERS = ("rating", "overall_d", "features", "weight", "strength")


@dataclass(frozen=True)
class RatedTests:
    """Playtests with an overall mark, sorted by id; every array (n,) but ``features`` (n, f).

    ``lines`` are those of the reeds: the profile, or else the reed. ``contacts`` are the ligatures' kinds. ``weight`` is what a playtest counts:
    its noise has the variance over it (:func:`own_weights`); ``strength`` is the reed's number, for plainer methods to go by.
    """

    ids: tuple[str, ...]
    players: tuple[str, ...]
    mouthpieces: tuple[str, ...]
    reeds: tuple[str, ...]
    lines: tuple[str, ...]
    sessions: tuple[str | None, ...]
    instruments: tuple[str, ...]
    ligatures: tuple[str | None, ...]
    contacts: tuple[str | None, ...]
    rating: Array
    overall_d: Array
    features: Array
    weight: Array
    strength: Array

    def __len__(self) -> int:
        return len(self.ids)

    @property
    def given(self) -> Index:
        """Rows that somebody marked; what became of loans is left out."""
        return np.flatnonzero(self.weight >= VOUCHES)

    def take(self, rows: Index) -> RatedTests:
        """Return some of the tests."""
        places = np.asarray(rows).tolist()

        def some(values: Sequence[Item]) -> tuple[Item, ...]:
            return tuple(map(values.__getitem__, places))

        texts: dict[str, Any] = {name: some(getattr(self, name)) for name in TEXTS}
        return RatedTests(**texts, **{name: getattr(self, name)[rows] for name in NUMBERS})

    def by_instrument(self) -> dict[str, Index]:
        """Return the rows of each instrument, by name."""
        names = np.array(self.instruments, dtype=np.str_)
        return {str(name): np.flatnonzero(names == name) for name in np.unique(names)}

    @cached_property
    def sittings(self) -> tuple[str | None, ...]:
        """The sitting of each: a session of one player."""
        pairs = zip(self.sessions, self.players, strict=True)
        return tuple(None if session is None else f"{session}\t{player}" for session, player in pairs)

    @cached_property
    def setups(self) -> tuple[str, ...]:
        """Mouthpiece and reed with their player."""
        return tuple("\t".join(parts) for parts in zip(self.players, self.mouthpieces, self.reeds, strict=True))

    @cached_property
    def own_contacts(self) -> tuple[str | None, ...]:
        """The player with the kind of ligature."""
        pairs = zip(self.players, self.contacts, strict=True)
        return tuple(None if contact is None else f"{player}\t{contact}" for player, contact in pairs)

    def named(self) -> dict[str, tuple[str | None, ...]]:
        """Return what each mark belongs to, by the part of the model that has a level for it."""
        return {
            "player": self.players,
            "mouthpiece": self.mouthpieces,
            "line": self.lines,
            "setup": self.setups,
            "sitting": self.sittings,
            "contact": self.contacts,
            "ligature": self.ligatures,
            "own_contact": self.own_contacts,
        }

    def coded(self) -> Coded:
        """Return the tests as numbers; codes are those of their names in sorted order."""
        return Coded(
            {part: code(names) for part, names in self.named().items()},
            self.features,
            self.features[:, SLOPE_COLUMNS],
            np.column_stack([np.ones(len(self)), self.overall_d]),
            self.rating,
            self.weight,
        )


def own_weights(tests: Sequence[Playtest]) -> Array:
    """Return what each playtest counts (n,): more where it was blind, less where somebody only kept a set-up or brought it back.

    >>> own_weights([])
    array([], dtype=float64)
    """
    told = {True: constants.BLIND_WEIGHT.value, False: 1.0}
    taken_home = (PRIOR.noise / constants.LOAN_NOISE.value) ** 2
    return np.array([told[bool(test.blind)] if type(test) is Playtest else taken_home for test in tests], dtype=float)
