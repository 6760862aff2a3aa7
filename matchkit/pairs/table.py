"""Pairs of a facing and a reed, and what the contact solution says of each: the one owner of their columns, in SI."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, fields, replace
from typing import Any, TypeVar

import numpy as np
from numpy.typing import NDArray

from matchkit import constants
from matchkit.facts import UNCERTAINTIES
from matchkit.pairs.contacts import ContactKey, Contacts
from matchkit.pairs.share_doubt import ShareDoubt, no_slopes, share_slopes
from matchkit.pairs.uncertainty import Uncertainty, spread_of
from matchkit.parts.facing import FacingPart
from matchkit.parts.reed import ReedPart
from matchkit.physics.closing import Closing, closing_share
from matchkit.results import Progress
from matchkit.units import MM, PERCENT

Array = NDArray[np.float64]
Index = NDArray[np.intp]
Flags = NDArray[np.bool_]
Part = TypeVar("Part", FacingPart, ReedPart)


@dataclass(frozen=True)
class PairTable:
    """N pairs of a facing and a reed, each with the reed at one place; every array (N,), in SI.

    ``facings`` and ``reeds`` are the distinct parts. What belongs to a pair is asked of the table: :meth:`facing`, :meth:`of_facings`,
    :meth:`select`. ``closing_pressure_pa`` is PM, ``lip_area_m2`` what a lip force acts on.
    """

    contacts: Contacts
    facings: tuple[FacingPart, ...]
    reeds: tuple[ReedPart, ...]
    facing_of: Index
    reed_of: Index
    solution_of: Index
    closing_pressure_pa: Array
    tip_opening_m: Array
    rest_area_m2: Array
    lip_area_m2: Array

    def __len__(self) -> int:
        return len(self.solution_of)

    @property
    def stiffness_pa_per_m(self) -> Array:
        """K0, closing pressure over tip opening (N,)."""
        return self.closing_pressure_pa / self.tip_opening_m

    def facing(self, pair: int) -> FacingPart:
        """Return the facing of one pair."""
        return self.facings[int(self.facing_of[pair])]

    def reed(self, pair: int) -> ReedPart:
        """Return the reed of one pair."""
        return self.reeds[int(self.reed_of[pair])]

    def of_facings(self, value: Callable[[FacingPart], float | None]) -> Array:
        """Return a number of each pair's facing (N,), nan where it has none."""
        return _column(self.facings, value)[self.facing_of]

    def of_reeds(self, value: Callable[[ReedPart], float | None]) -> Array:
        """Return a number of each pair's reed (N,), nan where it has none."""
        return _column(self.reeds, value)[self.reed_of]

    def ids(self) -> list[tuple[str, str]]:
        """Return the ids of each pair: mouthpiece, reed."""
        facings, reeds = [part.id for part in self.facings], [part.id for part in self.reeds]
        return [(facings[m], reeds[r]) for m, r in zip(self.facing_of.tolist(), self.reed_of.tolist(), strict=True)]

    def select(self, which: Index | Flags | Sequence[int]) -> PairTable:
        """Return some of the pairs, by their rows or by a mask."""
        rows = np.asarray(which)
        rows = rows if rows.dtype == bool else rows.astype(np.intp)
        return replace(self, **{name: getattr(self, name)[rows] for name in _ARRAYS})

    def one(self, pair: int) -> PairTable:
        """Return one pair, as a table of one."""
        return self.select([pair])

    def join(self, other: PairTable) -> PairTable:
        """Return these pairs and then those of another table of the same house."""
        columns: dict[str, Any] = {name: np.concatenate([getattr(self, name), getattr(other, name)]) for name in _ARRAYS}
        columns["facing_of"][len(self) :] += len(self.facings)
        columns["reed_of"][len(self) :] += len(self.reeds)
        return replace(self, facings=self.facings + other.facings, reeds=self.reeds + other.reeds, **columns)

    def closing_share(self, *, lip_force_n: float) -> Array:
        """Return the share of the jet's area that is left at the closing pressure (N,), both under a lip force."""
        if not len(self):
            return np.zeros(0)
        lip_share = lip_force_n / self.lip_area_m2 / self.closing_pressure_pa
        return closing_share(self.contacts.closing, self.solution_of, lip_share=lip_share)

    def u_closing_share(self, *, lip_force_n: float, u: ShareDoubt) -> Array:
        """Return the standard uncertainty of :meth:`closing_share` (N,): the lip, the thickness of the reed, the facing's readings."""
        if not len(self):
            return np.zeros(0)
        lip_share = lip_force_n / self.lip_area_m2 / self.closing_pressure_pa
        softer, harder = (
            closing_share(self.contacts.closing, self.solution_of, lip_share=lip_share + sign * u.u_lip_share)
            for sign in (-1, 1)
        )
        slopes = share_slopes([self.reeds[row] for row in np.unique(self.reed_of)])
        found = [
            slopes.get((reed.reed.instrument, reed.shape_key), no_slopes) for reed in self.reeds
        ]  # some reeds are in no pair
        thick, stop = np.array([(one.by_thickness_per_m, one.by_stop_per_m) for one in found]).T[:, self.reed_of]
        thick, stop = u.u_thickness_m * thick, u.u_stop_m * stop
        unknown = np.where(self.shape_known, 1.0, SHAPE_ASSUMED)
        return np.asarray(np.sqrt(((softer - harder) / 2) ** 2 + (unknown * thick) ** 2 + (unknown * stop) ** 2))

    @property
    def shape_known(self) -> Flags:
        """Whether facing and profile of each pair were measured (N,), so that the closing share is more than a guess."""
        facing = np.array([part.lay.shape_known for part in self.facings], dtype=bool)
        reed = np.array([part.profile_measured for part in self.reeds], dtype=bool)
        return np.asarray(facing[self.facing_of] & reed[self.reed_of])

    @property
    def solved(self) -> Closing:
        """The whole contact solution of each pair, per unit modulus: arrays of N rows."""
        return Closing(*(getattr(self.contacts.closing, field.name)[self.solution_of] for field in fields(Closing)))

    def uncertainty(self, *, u_profile_m: float) -> Uncertainty:
        """Return how sure the closing pressure of each pair is.

        Parameters
        ----------
        u_profile_m
            standard uncertainty of one thickness of a measured profile, metres
        """
        if not len(self):
            return Uncertainty(np.zeros((len(UNCERTAINTIES), 0)), np.zeros(0))
        rows, back = np.unique(self.solution_of, return_inverse=True)
        spread = spread_of(self.contacts.problems(rows), u_profile_m=u_profile_m)
        held = self.of_reeds(lambda reed: reed.stiffness_held) > 0
        measured = self.of_reeds(lambda reed: reed.profile_measured) > 0
        profile = np.where(held, spread.profile_given_stiffness[back], spread.profile_given_modulus[back])
        parts = np.stack(
            [
                self.of_facings(lambda facing: facing.lay.u_tip_m / facing.lay.tip_opening_m),
                np.hypot(
                    spread.length_per_m[back] * self.of_facings(lambda facing: facing.lay.fair.u_facing_length_m),
                    self.of_facings(lambda facing: constants.UNSEEN[facing.mouthpiece.instrument] * PERCENT),
                ),
                self.of_facings(lambda facing: facing.u_load_width),
                self.of_reeds(lambda reed: reed.u_stiffness),
                np.where(measured, profile, constants.U_PROFILE_GENERIC.value),
                np.abs(spread.place_per_m[back]) * constants.U_REED_PLACE.value * MM,
                self.of_reeds(lambda reed: reed.u_wet),
                self.of_reeds(lambda reed: reed.u_scale),
            ]
        )
        return Uncertainty(parts, spread.place_per_m[back])


SHAPE_ASSUMED = 2.0
"""How many times less certain a closing share is where facing or profile was not measured (assumed)."""

_ARRAYS = tuple(field.name for field in fields(PairTable) if field.name not in ("contacts", "facings", "reeds"))


def _column(parts: Sequence[Part], value: Callable[[Part], float | None]) -> Array:
    found = (value(part) for part in parts)
    return np.array([np.nan if number is None else number for number in found], dtype=float)


def pair_grid(
    contacts: Contacts,
    facings: Sequence[FacingPart],
    reeds: Sequence[ReedPart],
    *,
    lip_m: float,
    fits: Any = None,
    jobs: int = 1,
    progress: Progress | None = None,
) -> PairTable:
    """Return the table of every facing with every reed, row by row, those where ``fits`` (M, R) is false left out."""
    which = np.ones((len(facings), len(reeds)), dtype=bool) if fits is None else np.asarray(fits, dtype=bool)
    facing_of, reed_of = np.nonzero(which)
    offset, lip = np.zeros(len(facing_of)), np.full(len(facing_of), lip_m)
    return _solve(contacts, facings, reeds, facing_of, reed_of, offset, lip, jobs, progress)


def pair_list(
    contacts: Contacts,
    pairs: Sequence[tuple[FacingPart, ReedPart]],
    *,
    lip_m: float | Sequence[float],
    offset_m: float | Sequence[float] = 0.0,
) -> PairTable:
    """Return the table of the pairs named, in their order; the reed of each stands ``offset_m`` past the tip rail."""
    facings = {id(facing): facing for facing, _ in pairs}
    reeds = {id(reed): reed for _, reed in pairs}
    facing_at, reed_at = ({key: place for place, key in enumerate(found)} for found in (facings, reeds))
    facing_of = np.array([facing_at[id(facing)] for facing, _ in pairs], dtype=np.intp)
    reed_of = np.array([reed_at[id(reed)] for _, reed in pairs], dtype=np.intp)
    offset, lip = (np.broadcast_to(np.asarray(value, dtype=float), len(pairs)) for value in (offset_m, lip_m))
    return _solve(contacts, list(facings.values()), list(reeds.values()), facing_of, reed_of, offset, lip, 1, None)


def no_pairs(contacts: Contacts) -> PairTable:
    """Return a table without a pair."""
    return pair_list(contacts, (), lip_m=0.0)


def _solve(
    contacts: Contacts,
    facings: Sequence[FacingPart],
    reeds: Sequence[ReedPart],
    facing_of: Index,
    reed_of: Index,
    offset_m: Array,
    lip_m: Array,
    jobs: int,
    progress: Progress | None,
) -> PairTable:
    """Solve what is new, each distinct problem once."""
    if not len(facing_of):
        none, nothing = np.zeros(0, dtype=np.intp), np.zeros(0)
        return PairTable(contacts, tuple(facings), tuple(reeds), none, none, none, nothing, nothing, nothing, nothing)
    contacts.know(facings, reeds)
    shapes = {key: place for place, key in enumerate(dict.fromkeys(part.shape_key for part in reeds))}
    shape = np.array([shapes[part.shape_key] for part in reeds])[reed_of]
    kinds = list(shapes)
    offsets, offset = np.unique(offset_m, return_inverse=True)
    lips, lip = np.unique(lip_m, return_inverse=True)
    code = ((facing_of * len(kinds) + shape) * len(offsets) + offset) * len(lips) + lip
    first, same = np.unique(code, return_index=True, return_inverse=True)[1:]
    keys = [
        ContactKey(facings[m].key, kinds[s], float(offsets[o]), float(lips[place]))
        for m, s, o, place in zip(facing_of[first], shape[first], offset[first], lip[first], strict=True)
    ]
    row = contacts.rows(keys, jobs=jobs, progress=progress)[same]
    closing = contacts.closing
    modulus = np.array([part.modulus_pa for part in reeds])[reed_of]
    return PairTable(
        contacts=contacts,
        facings=tuple(facings),
        reeds=tuple(reeds),
        facing_of=facing_of,
        reed_of=reed_of,
        solution_of=row,
        closing_pressure_pa=closing.pressure_per_modulus[row] * modulus,
        tip_opening_m=np.array([part.lay.tip_opening_m for part in facings])[facing_of],
        rest_area_m2=closing.rest_area_m2[row],
        lip_area_m2=closing.lip_area_m2[row],
    )
