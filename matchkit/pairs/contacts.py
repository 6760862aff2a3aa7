"""Each distinct contact problem solved once: facing, reed shape, reed place and lip place."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Iterator, Sequence
from dataclasses import fields
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from matchkit import constants
from matchkit.parts.facing import FacingPart
from matchkit.parts.reed import ReedPart, ShapeKey
from matchkit.physics.beams import Beams, build_beams, node_places_m, quadrature_places_m
from matchkit.physics.closing import LIP_REACH, Closing, close_reeds
from matchkit.physics.reed import ReedShape
from matchkit.units import MM

Array = NDArray[np.float64]
Index = NDArray[np.intp]

BLOCK = 512
"""Problems solved side by side; fixed, so that the answer does not depend on the number of workers."""


class ContactKey(NamedTuple):
    """What a contact solution depends on, per unit modulus."""

    facing: str
    """The mouthpiece's ``key``."""
    shape: ShapeKey
    offset_m: float
    lip_m: float


Problem = tuple[FacingPart, ReedPart, ContactKey]


class Contacts:
    """Solutions by key; grows as questions are asked and never solves a key twice.

    ``solve`` answers a block of problems, in workers too; by default they are solved.
    """

    def __init__(self, solve: Callable[[Sequence[Problem]], Closing] | None = None) -> None:
        self._solver = solve_block if solve is None else solve
        self._rows: dict[ContactKey, int] = {}
        self._keys: list[ContactKey] = []
        self._blocks: list[Closing] = []
        self._joined: Closing | None = None
        self._facings: dict[str, FacingPart] = {}
        self._reeds: dict[ShapeKey, ReedPart] = {}

    def __len__(self) -> int:
        return len(self._rows)

    def know(self, facings: Sequence[FacingPart], reeds: Sequence[ReedPart]) -> None:
        """Make parts known, so that keys can name them."""
        self._facings.update((part.key, part) for part in facings)
        for part in reeds:
            self._reeds.setdefault(part.shape_key, part)

    def rows(self, keys: Sequence[ContactKey], *, jobs: int = 1, progress: Callable[[int, int], None] | None = None) -> Index:
        """Return the row of each key in :attr:`closing`, solving those that are new."""
        new = sorted({key for key in keys if key not in self._rows})
        if new:
            blocks = [new[start : start + BLOCK] for start in range(0, len(new), BLOCK)]
            for done, solved in enumerate(self._solve(blocks, jobs), start=1):
                self._blocks.append(solved)
                if progress is not None:
                    progress(done, len(blocks))
            known = len(self._rows)
            self._rows.update((key, known + place) for place, key in enumerate(new))
            self._keys += new
            self._joined = None
        return np.array([self._rows[key] for key in keys], dtype=np.intp)

    def problems(self, rows: Index) -> list[Problem]:
        """Return what was solved in these rows: facing, reed and key."""
        keys = (self._keys[int(row)] for row in rows)
        return [(self._facings[key.facing], self._reeds[key.shape], key) for key in keys]

    def _solve(self, blocks: Sequence[Sequence[ContactKey]], jobs: int) -> Iterator[Closing]:
        work = ([(self._facings[key.facing], self._reeds[key.shape], key) for key in block] for block in blocks)
        if jobs == 1 or len(blocks) == 1:
            yield from map(self._solver, work)
            return
        from joblib import Parallel, delayed

        yield from Parallel(n_jobs=jobs, return_as="generator")(delayed(self._solver)(block) for block in work)

    @property
    def closing(self) -> Closing:
        """Solutions of every key so far, one row a key."""
        if self._joined is None:
            self._joined = Closing(
                *(np.concatenate([getattr(part, field.name) for part in self._blocks]) for field in fields(Closing))
            )
            self._blocks = [self._joined]
        return self._joined


def nodes_of(facings: Sequence[FacingPart]) -> Array:
    """Return the places of the nodes on each facing, from the clamp to the tip."""
    return node_places_m(np.array([facing.clamp_m for facing in facings]), np.array([facing.break_m for facing in facings]))


Thicker = Callable[[ReedShape, Array], Array]


def beams_for(
    problems: Sequence[Problem],
    *,
    ahead_of_lip: bool = False,
    longer_m: float = 0.0,
    forward_m: float = 0.0,
    thicker: Thicker | None = None,
) -> Beams:
    """Lay each reed on its facing.

    The pressure acts on it over the whole window, or only ``ahead_of_lip``, up to the lip's middle. To see what a doubt does, the whole lay may
    be stretched until the facing is so much ``longer_m`` at the same tip, every reed moved ``forward_m``, or its thickness changed:
    ``thicker`` gives the factor on it at places from its tip.
    """
    facing_parts = [facing for facing, _, _ in problems]
    clamp, edge, length = (
        np.array([getattr(facing, name) for facing in facing_parts]) for name in ("clamp_m", "break_m", "facing_length_m")
    )
    stretch = 1 + longer_m / length
    nodes = node_places_m(clamp + longer_m, edge * stretch)
    inner = quadrature_places_m(nodes)
    by_piece: dict[str, list[int]] = defaultdict(list)
    by_shape: dict[ShapeKey, list[int]] = defaultdict(list)
    for row, (_, _, key) in enumerate(problems):
        by_piece[key.facing].append(row)
        by_shape[key.shape].append(row)
    offset = np.array([key.offset_m for _, _, key in problems]) + forward_m
    lay, moment = np.empty_like(nodes), np.empty_like(inner)
    for rows in by_piece.values():  # one clamp, one lay
        lay[rows] = problems[rows[0]][0].lay.height_m(nodes[rows[0]] / stretch[rows[0]])
    for rows in by_shape.values():
        shape, place = problems[rows[0]][1].shape, inner[rows] + offset[rows][:, None, None]
        moment[rows] = shape.second_moment_m4(place)
        if thicker is not None:
            moment[rows] *= thicker(shape, place) ** 3
    reach = [facing.load_reach_m for facing, _, _ in problems]
    if ahead_of_lip:
        reach = [min(*both) for both in zip(reach, lip_places_m(problems), strict=True)]
    return build_beams(
        nodes_m=nodes,
        lay_m=lay,
        second_moment_m4=moment,
        width_m=np.array([facing.load_width_m for facing, _, _ in problems]),
        reach_m=np.array(reach),
        lip_m=lip_places_m(problems),
        lip_spread_m=constants.LIP_SPREAD.value * MM,
    )


def lip_places_m(problems: Sequence[Problem]) -> Array:
    """Return the lip's place on each facing, never further back than two thirds of the facing: behind that it only holds the reed down."""
    return np.array([min(key.lip_m, LIP_REACH * facing.facing_length_m) for facing, _, key in problems])


def contact_inputs(problems: Sequence[Problem]) -> Iterator[tuple[bytes, ...]]:
    """Return what each problem is computed from, to the last bit: lay, reed, places of reed and lip."""
    lays: dict[str, bytes] = {}
    shapes: dict[ShapeKey, bytes] = {}
    for facing, reed, key in problems:
        if key.facing not in lays:
            nodes, load = nodes_of([facing])[0], np.array([facing.load_width_m, facing.load_reach_m])
            lays[key.facing] = nodes.tobytes() + facing.lay.height_m(nodes).tobytes() + load.tobytes()
        if key.shape not in shapes:
            shape = reed.shape
            sizes = np.array([shape.tip_width_m, shape.butt_width_m, shape.length_m])
            shapes[key.shape] = b"".join(part.tobytes() for part in (shape.x_m, shape.thickness_m, shape.crown, sizes))
        yield lays[key.facing], shapes[key.shape], np.array([key.offset_m, key.lip_m]).tobytes()


def solve_block(problems: Sequence[Problem]) -> Closing:
    """Solve a block of problems; a plain function, so that workers can run it."""
    tip_width = np.array([float(reed.shape.width_at_m(key.offset_m)) for _, reed, key in problems])
    return close_reeds(beams_for(problems), tip_width_m=tip_width, lip_m=lip_places_m(problems))
