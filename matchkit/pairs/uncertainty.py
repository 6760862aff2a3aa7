"""How sure the closing pressure of a pair is, and what its doubt is made of; computed for the pairs that are shown."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from matchkit.facts import UNCERTAINTIES, Doubt
from matchkit.pairs.contacts import Problem, beams_for
from matchkit.parts.reed import ShapeKey
from matchkit.physics.closing import sensitivity_to_clamp_per_m
from matchkit.physics.contact import pressure_moment, quadrature_places_m
from matchkit.physics.reed import ReedShape

Array = NDArray[np.float64]
Index = NDArray[np.intp]

_GAUSS = np.polynomial.legendre.leggauss(3)[1] / 2


@dataclass(frozen=True)
class Uncertainty:
    """The doubt of some pairs: ``parts`` (6, N) of the closing pressure's relative uncertainty, named by :data:`~matchkit.facts.UNCERTAINTIES`.

    ``place_per_m`` (N,) is how ln(closing pressure) moves with the reed's place, forward.
    """

    parts: Array
    place_per_m: Array

    @property
    def total(self) -> Array:
        """Relative standard uncertainty of the closing pressure (N,), its parts combined as independent (first order)."""
        return np.asarray(np.sqrt((self.parts**2).sum(axis=0)))

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

    ``clamp_per_m`` and ``place_per_m`` are slopes; ``profile`` is a relative uncertainty, with the modulus held
    (``profile_given_modulus``) or with the bench stiffness held (``profile_given_stiffness``).
    """

    clamp_per_m: Array
    place_per_m: Array
    profile_given_modulus: Array
    profile_given_stiffness: Array


def spread_of(problems: Sequence[Problem], *, u_profile_m: float) -> Spread:
    """Return the slopes of ln(closing pressure), exact before contact, profile by profile.

    The tip deflection is the integral of ``x M / I``; the share of it that comes from each place, ``f1``, says how a change of
    ln I there moves ln PM. A bench stiffness that is held instead of the modulus takes the test's own shares ``f2`` off.
    """
    beams = beams_for(problems)
    clamp = np.array([facing.lay.fair.clamp_m for facing, _, _ in problems])
    inner = quadrature_places_m(clamp)
    tip_deflection = beams.deflection_per_pressure_m()[:, -1]
    found = np.empty((4, len(problems)))
    alike: dict[ShapeKey, list[int]] = defaultdict(list)
    for row, (_, _, key) in enumerate(problems):
        alike[key.shape].append(row)
    for rows in alike.values():
        reed = problems[rows[0]][1]
        shape = reed.shape
        offset = np.array([problems[row][2].offset_m for row in rows])
        x = inner[rows].reshape(len(rows), -1)
        place = x + offset[:, None]
        widening = np.full(len(rows), (shape.butt_width_m - shape.tip_width_m) / shape.length_m)
        width = shape.tip_width_m + widening * offset
        share = np.tile(_GAUSS, inner.shape[1]) * beams.spacing_m[rows][:, None] * x
        share = share * pressure_moment(x, width_m=width, widening=widening) / shape.second_moment_m4(place)
        share /= share.sum(axis=1, keepdims=True)
        by_thickness = 3 * share / shape.thickness_at_m(place)
        found[0, rows] = sensitivity_to_clamp_per_m(
            clamp_m=clamp[rows],
            second_moment_m4=shape.second_moment_m4(clamp[rows] + offset),
            moment_m3=pressure_moment(clamp[rows], width_m=width, widening=widening),
            tip_deflection_m=tip_deflection[rows],
        )
        found[1, rows] = (by_thickness * shape.thickness_slope(place)).sum(axis=1)
        by_point = _by_point(shape, place, by_thickness)
        test_place, test_share = reed.test_weights
        in_test = _by_point(shape, test_place[None], 3 * test_share[None] / shape.thickness_at_m(test_place)[None])
        found[2, rows] = u_profile_m * np.sqrt((by_point**2).sum(axis=1))
        found[3, rows] = u_profile_m * np.sqrt(((by_point - in_test) ** 2).sum(axis=1))
    return Spread(*found)


def _by_point(shape: ReedShape, place: Array, weight: Array) -> Array:
    """Gather weights (R, n) at places on the profile's points (R, points): each point acts on a hat between its neighbours."""
    hats = np.eye(len(shape.x_m))
    return np.stack([(weight * np.interp(place, shape.x_m, hat)).sum(axis=1) for hat in hats], axis=1)
