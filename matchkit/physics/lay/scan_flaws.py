"""Bumps and flats of a scanned rail: every point counts, about a curve that may be of any smooth shape.

The mean-shift test of :mod:`matchkit.physics.lay.flaws` in heights: points lie on a power law of any size, length, exponent and flattening with a slow wave besides
(a polynomial of the run to the break), and a bump stands off it by so much times its own shape; both rails show it together.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from statistics import NormalDist
from typing import Literal, NamedTuple

import numpy as np
from numpy.typing import NDArray

from matchkit.physics.lay.flaws import CHANCE, MOST_FLAWS, ONE_RAIL, ONE_RAIL_SURE, TIP_REGION_M, WIDTHS_M, Flaw
from matchkit.physics.lay.scan import LEAST_POINTS_OVER, Scan

Array = NDArray[np.float64]

LEAST_SCANNED_M = 5e-6
"""A deviation below this is a matter of taste, however sure it is."""
POWERS = (0, 1, 2, 3, 4, 5)
"""The slow wave that counts as shape: 6 mm long and longer on a usual facing."""
BEFORE_BREAK_M = 1e-3
"""So near the break, and behind it, the curve has no smooth shape."""
UNSIZED = 0.8
"""Where heights further apart than this, as a share of the likeliest, fit about as well, the points cannot size a bump."""
UNLIKE = 3.0
"""What a bump of another shape leaves beside the one that was sought (root mean square) counts so many times in the doubt of its height."""
ROUNDS = 3
"""Place and width are sought about the last ones so many times."""
NARROWEST_M = 0.5e-3
"""The width of a bump is sought down to this, where points lie near enough."""
TWO_SIDED_2 = 3.84
"""Chi squared with one degree of freedom, 19 of 20."""
STEEPNESS = (2, 8)
"""Bumps are sought as bells, and told with the likelier of these shapes: exp(-ln 2 (2 |x| / width)^n)."""
AS_LIKELY = 1.0
"""Stretches whose chi squared differs by less are about as likely."""
_STEP_M = 0.1e-3


class _Stretch(NamedTuple):
    """A bump of some height: its middle, its width at half height, how steep its sides are (2: a bell; more: flat on top), and its rail, None where it is on all."""

    place_m: float
    width_m: float
    steepness: int = STEEPNESS[0]
    rail: str | None = None


def find_scanned_flaws(
    rails: Mapping[str, Scan], *, break_m: float, exponent: float, noise_m: float, least_m: float = LEAST_SCANNED_M
) -> tuple[Flaw, ...]:
    """Return the bumps and flats of a scanned facing, tip first.

    Parameters
    ----------
    rails
        the scan of each rail, by its name
    break_m, exponent
        where the facing ends, and the power law that is nearest to it
    noise_m
        standard deviation of a single height
    least_m
        what is smaller is not named
    """
    inside: dict[str, tuple[Array, Array]] = {}
    for name, scan in rails.items():
        keep = (scan.x_m >= 0) & (scan.x_m < break_m - BEFORE_BREAK_M)
        if keep.sum() > 2 * len(POWERS):
            inside[name] = scan.x_m[keep], scan.levelled.height_m[keep]
    if not inside:
        return ()
    places = {name: x for name, (x, _) in inside.items()}
    spacing = float(np.median(np.concatenate([np.diff(x) for x in places.values()])))
    step = max(_STEP_M, spacing / 2)
    grid = [
        _Stretch(float(place), width, rail=rail)
        for rail in (None, *(places if len(places) == 2 else ()))
        for width in WIDTHS_M
        if width >= LEAST_POINTS_OVER * spacing
        for place in np.arange(TIP_REGION_M, break_m - BEFORE_BREAK_M - width / 2, step)
    ]
    if not grid:
        return ()
    bases = [np.linalg.qr(_shapes(x, break_m, exponent))[0] for x in places.values()]
    off = np.concatenate([y - base @ (base.T @ y) for (_, y), base in zip(inside.values(), bases, strict=True)])
    narrowest = min(max(NARROWEST_M, LEAST_POINTS_OVER * spacing), WIDTHS_M[0])
    free = len(off) - sum(base.shape[1] for base in bases)
    rougher = max(noise_m, float(np.median(np.abs(off))) / 0.6745 * math.sqrt(len(off) / free))
    return _Search(places, bases, off, rougher, step, narrowest).found(grid, least_m)


def _shapes(x: Array, break_m: float, exponent: float) -> Array:
    """Return what a smooth shape may differ in (p, k)."""
    run = np.maximum(1 - x / break_m, 1e-6)
    lay = run**exponent
    return np.column_stack([lay, run ** (exponent - 1), lay * np.log(run), *(run**power for power in POWERS)])


@dataclass(frozen=True)
class _Search:
    """Places (p,) of each rail and the smooth shapes there (p, k), what the points of all rails leave of these (n,), their noise, the step of places, the narrowest width."""

    rails: dict[str, Array]
    bases: list[Array]
    off: Array
    noise_m: float
    step_m: float
    narrowest_m: float

    def columns(self, stretches: Sequence[_Stretch]) -> Array:
        """Return what stretches (c,) of height 1 leave of the smooth shapes (n, c)."""
        place, width, steepness = np.array([stretch[:3] for stretch in stretches]).T
        parts = []
        for (name, x), base in zip(self.rails.items(), self.bases, strict=True):
            there = np.array([stretch.rail in (None, name) for stretch in stretches])
            seen = there * np.exp(-math.log(2) * np.abs(2 * (x[:, None] - place) / width) ** steepness)
            parts.append(seen - base @ (base.T @ seen))
        return np.concatenate(parts)

    def scores(self, columns: Array, taken: Sequence[_Stretch]) -> tuple[Array, Array]:
        """Return by how many standard deviations each of the stretches (c,) stands off beside those taken in, and how high."""
        base = np.linalg.qr(self.columns(taken))[0] if taken else np.zeros((len(self.off), 0))
        left = self.off - base @ (base.T @ self.off)
        clear = columns - base @ (base.T @ columns)
        size = np.sqrt((clear**2).sum(axis=0))
        usable = size > 0.25 * np.sqrt((columns**2).sum(axis=0))
        safe = np.where(usable, size, 1.0)
        along = np.where(usable, left @ clear / safe, 0.0)
        return np.abs(along) / self.noise_m, along / safe

    def found(self, grid: Sequence[_Stretch], least_m: float) -> tuple[Flaw, ...]:
        """Take in the likeliest stretch, and look again, while chance would show one as large in few sound facings; told are those that stay sure together."""
        limit = -NormalDist().inv_cdf(CHANCE / 2 / len(grid))
        columns = self.columns(grid)
        taken: list[_Stretch] = []
        while len(taken) < MOST_FLAWS:
            apart = np.array([not any(_overlap(one, other) for other in taken) for one in grid])
            scores, heights = self.scores(columns, taken)
            scores = np.where(apart, scores, 0.0)
            if scores.max() < limit:
                break
            taken.append(self.on_rails(self.likeliest(grid, scores, heights, taken), taken))
            for place in range(len(taken)):  # those taken in before may fit better with the new one beside them
                taken[place] = self.nearer(taken[place], [*taken[:place], *taken[place + 1 :]])
        told = []
        for place, stretch in enumerate(taken):
            others = [*taken[:place], *taken[place + 1 :]]
            sure, height, low, high = self.sized(stretch, others)
            if sure >= limit and abs(height) >= least_m:
                doubt = math.hypot(
                    max(abs(height) / sure, (high - height) / 2, (height - low) / 2), UNLIKE * self.unlike_m(stretch, taken)
                )
                kind: Literal["bump", "flat"] = "bump" if height < 0 else "flat"
                sized = high - low < UNSIZED * abs(height)
                told.append(Flaw(kind, stretch.place_m, height, stretch.width_m, doubt, sized=sized, rail=stretch.rail))
        return tuple(sorted(told, key=lambda flaw: flaw.place_m))

    def likeliest(self, grid: Sequence[_Stretch], scores: Array, heights: Array, taken: Sequence[_Stretch]) -> _Stretch:
        """Return the likeliest stretch: of those about the likeliest bump and the likeliest flat of each width of a grid that explain about as much, the lowest.

        Near the tip and the break a smooth shape hides most of a wide flat, so that one as large as need be says what a small bump beside it does.
        """
        kinds = [(stretch.width_m, stretch.rail, height > 0) for stretch, height in zip(grid, heights, strict=True)]
        best: dict[tuple[float, str | None, bool], int] = {}
        for at, kind in enumerate(kinds):
            best[kind] = max(best.get(kind, at), at, key=lambda one: (round(float(scores[one]), 6), -one))
        starts = [grid[at] for at in best.values() if scores[at] > 0]
        found = [self.nearer(start, taken) for start in dict.fromkeys(starts)]
        return self.lowest(found, taken)

    def on_rails(self, stretch: _Stretch, others: Sequence[_Stretch]) -> _Stretch:
        """Return a stretch on the rail that it surely is on alone, else on both."""
        if len(self.rails) != 2:
            return stretch
        halves = self.columns([stretch._replace(rail=name) for name in self.rails])
        every = np.column_stack([halves, self.columns(others)]) if others else halves
        heights = np.linalg.lstsq(every, self.off, rcond=None)[0][:2]
        apart = self.noise_m * math.hypot(*(1 / np.sqrt((halves**2).sum(axis=0))))
        large = int(np.argmax(np.abs(heights)))
        alone = abs(heights[large]) * ONE_RAIL >= abs(heights[1 - large]) and abs(np.diff(heights)[0]) >= ONE_RAIL_SURE * apart
        rail = list(self.rails)[large] if alone else None
        return stretch if rail == stretch.rail else self.nearer(stretch._replace(rail=rail), others)

    def unlike_m(self, stretch: _Stretch, taken: Sequence[_Stretch]) -> float:
        """Return by how much a stretch is of another shape than was sought: what is left about it beyond the noise (root mean square)."""
        base = np.linalg.qr(self.columns(taken))[0]
        left = self.off - base @ (base.T @ self.off)
        near = np.concatenate(
            [(np.abs(x - stretch.place_m) < stretch.width_m) & (stretch.rail in (None, name)) for name, x in self.rails.items()]
        )
        return math.sqrt(max(float((left[near] ** 2).mean()) - self.noise_m**2, 0.0)) if near.any() else 0.0

    def about(self, stretch: _Stretch) -> list[_Stretch]:
        """Return stretches a little before and behind one, narrower and wider."""
        return [
            stretch._replace(
                place_m=stretch.place_m + shift * self.step_m,
                width_m=min(max(stretch.width_m * wider, self.narrowest_m), WIDTHS_M[-1]),
            )
            for shift in np.linspace(-1, 1, 9)
            for wider in np.geomspace(0.6, 1 / 0.6, 9)
        ]

    def nearer(self, stretch: _Stretch, others: Sequence[_Stretch]) -> _Stretch:
        """Return the likeliest stretch about one, beside the others: a bell, unless one flat on top is likelier."""
        found = []
        for steepness in STEEPNESS:
            one = stretch._replace(steepness=steepness)
            for _ in range(ROUNDS):
                near = self.about(one)
                one = near[int(np.argmax(np.round(self.scores(self.columns(near), others)[0], 6)))]
            found.append(one)
        bell, flat = self.scores(self.columns(found), others)[0]
        return found[int(flat**2 > bell**2 + AS_LIKELY)]

    def lowest(self, found: Sequence[_Stretch], others: Sequence[_Stretch]) -> _Stretch:
        """Return the likeliest of some stretches, and of those about as likely the lowest."""
        scores, heights = self.scores(self.columns(found), others)
        well = scores**2 >= scores.max() ** 2 - AS_LIKELY
        return found[int(np.argmin(np.where(well, np.abs(heights).round(10), np.inf)))]

    def sized(self, stretch: _Stretch, others: Sequence[_Stretch]) -> tuple[float, float, float, float]:
        """Return how sure a stretch is, its height, and the least and most height of those about it that fit about as well (19 of 20)."""
        near = self.about(stretch)
        places = dict.fromkeys(one.place_m for one in near)
        widths = [*np.geomspace(self.narrowest_m, WIDTHS_M[-1], 13), *dict.fromkeys(one.width_m for one in near)]
        wide = [
            _Stretch(place, float(width), steepness, stretch.rail)
            for place in places
            for width in widths
            for steepness in STEEPNESS
        ]
        scores, heights = self.scores(self.columns([stretch, *wide]), others)
        well = scores**2 >= scores.max() ** 2 - TWO_SIDED_2
        well[0] = True
        return float(scores[0]), float(heights[0]), float(heights[well].min()), float(heights[well].max())


def _overlap(one: _Stretch, other: _Stretch) -> bool:
    return abs(one.place_m - other.place_m) < (one.width_m + other.width_m) / 2
