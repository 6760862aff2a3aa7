"""Each distinct contact problem solved once: facing, reed shape, reed place and lip place."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Sequence
from dataclasses import dataclass, fields
from typing import NamedTuple, TypeVar

import numpy as np
from numpy.typing import NDArray

from matchkit import constants
from matchkit.match.parts import FacingPart, ReedPart
from matchkit.physics.closing import Closing, close_reeds, sensitivity_to_clamp_per_m
from matchkit.physics.contact import Beams, build_beams, node_places_m, pressure_moment, quadrature_places_m
from matchkit.physics.reed import ReedShape

Array = NDArray[np.float64]
Index = NDArray[np.intp]

LIP_REACH = 0.8
"""Share of the free reed beyond which no lip is taken to rest."""

BLOCK = 256
"""Problems solved side by side; fixed, so that the answer does not depend on the number of workers."""


class ContactKey(NamedTuple):
    """What a contact solution depends on, per unit modulus."""

    mouthpiece_id: str
    shape: tuple[str, float, float, float]
    offset_mm: float
    lip_mm: float


@dataclass(frozen=True)
class Spread:
    """How ln(closing pressure) moves with what is uncertain, one value a key.

    ``clamp_per_mm`` and ``place_per_mm`` are slopes; ``profile`` is a relative uncertainty, with the modulus held
    (``profile_given_modulus``) or with the bench stiffness held (``profile_given_stiffness``).
    """

    clamp_per_mm: Array
    place_per_mm: Array
    profile_given_modulus: Array
    profile_given_stiffness: Array


class ContactBook:
    """Solutions by key; grows as questions are asked and never solves a key twice."""

    def __init__(self, *, u_profile_mm: float) -> None:
        self._u_profile_mm = u_profile_mm
        self._rows: dict[ContactKey, int] = {}
        self._blocks: list[tuple[Closing, Spread]] = []
        self._joined: tuple[Closing, Spread] | None = None
        self._facings: dict[str, FacingPart] = {}
        self._reeds: dict[tuple[str, float, float, float], ReedPart] = {}

    def __len__(self) -> int:
        return len(self._rows)

    def know(self, facings: Sequence[FacingPart], reeds: Sequence[ReedPart]) -> None:
        """Make parts known, so that keys can name them."""
        self._facings.update((part.mouthpiece.id, part) for part in facings)
        for part in reeds:
            self._reeds.setdefault(part.shape_key, part)

    def rows(self, keys: Sequence[ContactKey], *, jobs: int = 1, progress: Callable[[int, int], None] | None = None) -> Index:
        """Give the row of each key in :attr:`closing` and :attr:`spread`, solving those that are new."""
        new = sorted({key for key in keys if key not in self._rows})
        if new:
            blocks = [new[start : start + BLOCK] for start in range(0, len(new), BLOCK)]
            for done, solved in enumerate(self._solve(blocks, jobs), start=1):
                self._blocks.append(solved)
                if progress is not None:
                    progress(done, len(blocks))
            known = len(self._rows)
            self._rows.update((key, known + place) for place, key in enumerate(new))
            self._joined = None
        return np.array([self._rows[key] for key in keys], dtype=np.intp)

    def _solve(self, blocks: Sequence[Sequence[ContactKey]], jobs: int) -> list[tuple[Closing, Spread]]:
        work = [
            ([(self._facings[key.mouthpiece_id], self._reeds[key.shape], key) for key in block], self._u_profile_mm)
            for block in blocks
        ]
        if jobs == 1 or len(blocks) == 1:
            return [solve_block(*item) for item in work]
        from joblib import Parallel, delayed

        return list(Parallel(n_jobs=jobs)(delayed(solve_block)(*item) for item in work))

    @property
    def closing(self) -> Closing:
        """Solutions of every key so far, one row a key."""
        return self._join()[0]

    @property
    def spread(self) -> Spread:
        """Sensitivities of every key so far, one row a key."""
        return self._join()[1]

    def _join(self) -> tuple[Closing, Spread]:
        if self._joined is None:
            closings, spreads = zip(*self._blocks, strict=True)
            self._joined = (_stack(Closing, closings), _stack(Spread, spreads))
            self._blocks = [self._joined]
        return self._joined


Part = TypeVar("Part", Closing, Spread)


def _stack(kind: type[Part], parts: Sequence[Part]) -> Part:
    return kind(*(np.concatenate([getattr(part, field.name) for part in parts]) for field in fields(kind)))


def beams_for(problems: Sequence[tuple[FacingPart, ReedPart, ContactKey]]) -> Beams:
    """Lay each reed on its facing."""
    clamp = np.array([facing.lay.fair.clamp_m for facing, _, _ in problems])
    nodes, inner = node_places_m(clamp), quadrature_places_m(clamp)
    by_piece: dict[str, list[int]] = defaultdict(list)
    by_shape: dict[tuple[str, float, float, float], list[int]] = defaultdict(list)
    for row, (_, _, key) in enumerate(problems):
        by_piece[key.mouthpiece_id].append(row)
        by_shape[key.shape].append(row)
    offset = np.array([key.offset_mm for _, _, key in problems]) * 1e-3
    lay, moment = np.empty_like(nodes), np.empty_like(inner)
    for rows in by_piece.values():  # one clamp, one lay
        lay[rows] = problems[rows[0]][0].lay.height_m(nodes[rows[0]])
    for rows in by_shape.values():
        moment[rows] = problems[rows[0]][1].shape.second_moment_m4(inner[rows] + offset[rows][:, None, None])
    shapes = [reed.shape for _, reed, _ in problems]
    widening = np.array([(shape.butt_width_m - shape.tip_width_m) / shape.length_m for shape in shapes])
    return build_beams(
        clamp_m=clamp,
        lay_m=lay,
        second_moment_m4=moment,
        width_m=np.array([shape.tip_width_m for shape in shapes]) + widening * offset,
        widening=widening,
        lip_m=lip_places_m(problems),
        lip_spread_m=constants.LIP_SPREAD.value * 1e-3,
    )


def lip_places_m(problems: Sequence[tuple[FacingPart, ReedPart, ContactKey]]) -> Array:
    """Give the lip's place on each facing, never further back than four fifths of the free reed."""
    return np.array([min(key.lip_mm * 1e-3, LIP_REACH * facing.lay.fair.clamp_m) for facing, _, key in problems])


def solve_block(problems: Sequence[tuple[FacingPart, ReedPart, ContactKey]], u_profile_mm: float) -> tuple[Closing, Spread]:
    """Solve a block of problems; a plain function, so that workers can run it."""
    beams = beams_for(problems)
    lip = lip_places_m(problems)
    tip_width = np.array([float(reed.shape.width_at_m(key.offset_mm * 1e-3)) for _, reed, key in problems])
    closing = close_reeds(beams, tip_width_m=tip_width, lip_m=lip)
    return closing, _spread(problems, beams, u_profile_mm)


def _spread(problems: Sequence[tuple[FacingPart, ReedPart, ContactKey]], beams: Beams, u_profile_mm: float) -> Spread:
    """Compute the slopes of ln(closing pressure), exact before contact.

    The tip deflection is the integral of ``x M / I``; the share of it that comes from each place, ``f1``, says how a change of
    ln I there moves ln PM. A bench stiffness that is held instead of the modulus takes the test's own shares ``f2`` off.
    """
    clamp = np.array([facing.lay.fair.clamp_m for facing, _, _ in problems])
    x = quadrature_places_m(clamp)
    tip_deflection = beams.deflection_per_pressure_m()[:, -1]
    gauss = np.polynomial.legendre.leggauss(3)[1] / 2
    by_clamp, by_place, given_modulus, given_stiffness = (np.empty(len(problems)) for _ in range(4))
    for row, (_, reed, key) in enumerate(problems):
        shape, offset = reed.shape, key.offset_mm * 1e-3
        place = x[row].ravel() + offset
        widening = (shape.butt_width_m - shape.tip_width_m) / shape.length_m
        width = np.array([shape.tip_width_m + widening * offset])
        moment = pressure_moment(x[row].reshape(1, -1), width_m=width, widening=np.array([widening]))[0]
        share = np.tile(gauss, len(x[row])) * beams.spacing_m[row] * x[row].ravel() * moment
        share = share / shape.second_moment_m4(place)
        share /= share.sum()
        by_place[row] = float((share * 3 * shape.thickness_slope(place) / shape.thickness_at_m(place)).sum()) * 1e-3
        at_clamp = np.array([clamp[row]])
        by_clamp[row] = 1e-3 * float(
            sensitivity_to_clamp_per_m(
                clamp_m=at_clamp,
                second_moment_m4=shape.second_moment_m4(at_clamp + offset),
                moment_m3=pressure_moment(at_clamp, width_m=width, widening=np.array([widening])),
                tip_deflection_m=tip_deflection[row : row + 1],
            )[0]
        )
        u_thickness = u_profile_mm * 1e-3
        given_modulus[row] = _profile_spread(shape, [(place, share)], u_thickness)
        test_place, test_share = reed.test_weights
        given_stiffness[row] = _profile_spread(shape, [(place, share), (test_place, -test_share)], u_thickness)
    return Spread(by_clamp, by_place, given_modulus, given_stiffness)


def _profile_spread(shape: ReedShape, shares: Sequence[tuple[Array, Array]], u_thickness_m: float) -> float:
    """Combine independent errors of the profile's points: each acts on a hat between its neighbours."""
    hats = np.eye(len(shape.x_m))
    effect = np.zeros(len(shape.x_m))
    for place, share in shares:
        weight = 3 * share / shape.thickness_at_m(place)
        for point, hat in enumerate(hats):
            effect[point] += float((weight * np.interp(place, shape.x_m, hat)).sum())
    return float(u_thickness_m * np.sqrt((effect**2).sum()))
