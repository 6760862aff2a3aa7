"""How sure the closing pressure of a pair is, and what its doubt is made of; computed for the pairs that are shown."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass, fields

import numpy as np
from numpy.typing import NDArray

from matchkit.facts import SHARED, UNCERTAINTIES, Doubt
from matchkit.pairs.contacts import Problem, Thicker, beams_for
from matchkit.parts.reed import ShapeKey
from matchkit.physics.beams import joined
from matchkit.physics.closing import closing_pressure_per_modulus
from matchkit.physics.reed import ReedShape

Array = NDArray[np.float64]
Index = NDArray[np.intp]

_BLOCK = 64
"""Problems whose doubts are solved side by side, some twenty solutions each."""

_LONGER_M, _FORWARD_M, _THICK_M = 2e-4, 1e-4, 2e-6
"""Steps of the differences: of the facing length, of the reed's place, of the thickness at one point."""


@dataclass(frozen=True)
class Uncertainty:
    """The doubt of some pairs: ``parts`` (8, N) of the closing pressure's relative uncertainty, named by :data:`~matchkit.facts.UNCERTAINTIES`.

    ``place_per_m`` (N,) is how ln(closing pressure) moves with the reed's place, forward.
    """

    parts: Array
    place_per_m: Array

    @property
    def total(self) -> Array:
        """Relative standard uncertainty of the closing pressure (N,), its parts combined as independent (first order)."""
        return np.asarray(np.sqrt((self.parts**2).sum(axis=0)))

    @property
    def by_name(self) -> dict[Doubt, Array]:
        """Each part by its name, (N,)."""
        return dict(zip(UNCERTAINTIES, self.parts, strict=True))

    @property
    def own(self) -> Array:
        """The same without what all set-ups of a house share (N,): what tells two of them apart."""
        mine = np.array([name not in SHARED for name in UNCERTAINTIES])
        return np.asarray(np.sqrt((self.parts[mine] ** 2).sum(axis=0)))

    def one(self, pair: int) -> Uncertainty:
        """Return the doubt of one pair, as of a table of one."""
        return Uncertainty(self.parts[:, [pair]], self.place_per_m[[pair]])

    @property
    def dominating(self) -> Doubt:
        """Name the part that weighs most, of one pair."""
        return UNCERTAINTIES[int(self.parts[:, 0].argmax())]


@dataclass(frozen=True)
class Spread:
    """How ln(closing pressure) moves with what is uncertain, one value a problem.

    ``length_per_m`` (the whole lay stretched at one tip opening) and ``place_per_m`` are slopes; the profile's are relative uncertainties,
    with the modulus held (``profile_given_modulus``) or with the bench stiffness held (``profile_given_stiffness``).
    """

    length_per_m: Array
    place_per_m: Array
    profile_given_modulus: Array
    profile_given_stiffness: Array


def spread_of(problems: Sequence[Problem], *, u_profile_m: float) -> Spread:
    """Return how ln(closing pressure) moves, solved again at either side of what is uncertain.

    A bench stiffness that is held instead of the modulus takes off what the same change of thickness does to the test.
    """
    blocks = [_spread(problems[start : start + _BLOCK], u_profile_m) for start in range(0, len(problems), _BLOCK)]
    return Spread(*(np.concatenate([getattr(block, field.name) for block in blocks]) for field in fields(Spread)))


def _spread(problems: Sequence[Problem], u_profile_m: float) -> Spread:
    points = range(max(len(reed.shape.x_m) for _, reed, _ in problems))
    signs = (-1, 1)
    moved = [
        *(beams_for(problems, longer_m=sign * _LONGER_M) for sign in signs),
        *(beams_for(problems, forward_m=sign * _FORWARD_M) for sign in signs),
        *(beams_for(problems, thicker=_at_point(point, sign * _THICK_M)) for point in points for sign in signs),
    ]
    pressure = np.log(closing_pressure_per_modulus(joined(moved))).reshape(-1, 2, len(problems))
    by_length, by_place, *by_points = (pressure[:, 1] - pressure[:, 0]) / 2
    given_modulus, given_stiffness = np.zeros(len(problems)), np.zeros(len(problems))
    alike: dict[ShapeKey, list[int]] = defaultdict(list)
    for row, (_, _, key) in enumerate(problems):
        alike[key.shape].append(row)
    for point, change in zip(points, by_points, strict=True):
        by_point = change / _THICK_M
        in_test = np.zeros(len(problems))
        for rows in alike.values():
            reed = problems[rows[0]][1]
            if point < len(reed.shape.x_m):
                place, share = reed.test_weights
                hat = np.interp(place, reed.shape.x_m, np.eye(len(reed.shape.x_m))[point])
                in_test[rows] = (3 * share * hat / reed.shape.thickness_at_m(place)).sum()
        given_modulus += by_point**2
        given_stiffness += (by_point - in_test) ** 2
    return Spread(
        by_length / _LONGER_M,
        by_place / _FORWARD_M,
        u_profile_m * np.sqrt(given_modulus),
        u_profile_m * np.sqrt(given_stiffness),
    )


def _at_point(point: int, step_m: float) -> Thicker:
    """Return the factor on the thickness where one point of the profile is thicker: a hat between its neighbours; 1 where there is no such point."""

    def factor(shape: ReedShape, place_m: Array) -> Array:
        if point >= len(shape.x_m):
            return np.ones_like(place_m)
        hat = np.interp(place_m, shape.x_m, np.eye(len(shape.x_m))[point])
        return np.asarray(1 + step_m * hat / shape.thickness_at_m(place_m))

    return factor
