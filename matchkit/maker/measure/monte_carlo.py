"""How well a facing is known: every length with its uncertainty, by Monte Carlo beside the first-order propagation.

The budget of one stop: the feeler (all readings with one feeler err alike, and n stacked feelers n times as much), the touch (independent,
less with repeats), the step it is read to (rectangular, not less with repeats), the person (all readings together), the tip gauge
(one reading), and a convex table on which the plate rocks. Each draw disturbs every input at once and fits everything again.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from statistics import NormalDist

import numpy as np
from numpy.typing import NDArray

from matchkit.constants import TWO_SIDED
from matchkit.parts.facing import FacingPart
from matchkit.physics.lay.facing import Lay, MeanLay, evened
from matchkit.physics.lay.fair import THIN, FairCurve, Readings
from matchkit.physics.lay.refit import Redrawn, redraw, redraw_same_shape
from matchkit.records.spec import Drawing, Gauge, Station
from matchkit.units import MM

Array = NDArray[np.float64]

DRAWS = 2000
SEED = 20261
_GRID = 101

RAILS = ("left", "right")


@dataclass(frozen=True)
class Disturbed:
    """Draws of everything that was read: places and heights (D, n) by rail, tip openings (D,), and what is usual of a facing (2, D)."""

    place_m: dict[str, Array]
    height_m: dict[str, Array]
    tip_m: Array
    usual_off: Array


def disturb(
    rails: dict[str, Readings],
    *,
    tip_m: float,
    u_tip_m: float,
    step_m: float,
    break_m: float,
    scatter: float,
    draws: int,
    rng: np.random.Generator,
) -> Disturbed:
    """Draw what else could have been read, given the stated uncertainties.

    ``step_m`` is the step of a stop; a plate that rocks does so evenly either way; ``scatter`` widens feeler and touch where the readings
    are rougher than stated.
    """
    tips = tip_m + rng.normal(0, u_tip_m, draws)
    tilt = rng.uniform(-1, 1, draws) * np.sqrt(3) * next(iter(rails.values())).u_tilt
    common = rng.normal(0, 1, draws)
    feelers: dict[float, Array] = {}
    one_set = rng.normal(0, 1, draws)
    places, heights = {}, {}
    for name, rail in rails.items():
        touch = np.sqrt(np.maximum(rail.u_place_m**2 - step_m**2 / 12, 0.0) * scatter)
        moved = rng.normal(0, 1, (draws, len(touch))) * touch + rng.uniform(-0.5, 0.5, (draws, len(touch))) * step_m
        places[name] = rail.place_m + moved + common[:, None] * rail.u_common_m
        for height in rail.height_m:
            feelers.setdefault(float(height), rng.normal(0, 1, draws))
        off = np.column_stack([feelers[float(height)] for height in rail.height_m])
        if rail.stacked is not None:
            off[:, rail.stacked] = one_set[:, None]
        off *= rail.u_height_m * np.sqrt(scatter)
        lift = tilt[:, None] * np.maximum(break_m - rail.place_m, 0.0)
        if len(rail.lifts):
            lift = lift + rng.normal(0, 1, (draws, len(rail.lifts))) @ rail.lifts
        heights[name] = np.maximum(rail.height_m + off + lift, 1e-6)
    return Disturbed(places, heights, tips + tilt * break_m, rng.normal(0, 1, (2, draws)))


@dataclass(frozen=True)
class Uncertainty:
    """Standard uncertainties of one facing, from draws.

    ``covariance_m2`` (3, 3) is that of tip opening, facing length and half-open place; ``smoothness_floor_m`` what the readings' own
    errors would show as roughness on a perfectly fair facing; ``off_m`` the residual heights by rail.
    """

    draws: int
    covariance_m2: Array
    break_m: float
    rail_difference_m: float | None
    smoothness_m: float | None
    smoothness_floor_m: float | None
    off_m: dict[str, Array]
    band_m: tuple[Array, Array]


def monte_carlo(
    facing: FacingPart, rails: dict[str, Readings], *, gauge: Gauge, draws: int = DRAWS, seed: int = SEED
) -> Uncertainty:
    """Return the uncertainties of a measured facing; ``rails`` as they were read with this gauge.

    Lengths of the mean curve are drawn with the scatter of both rails about it, what is told of the rails with their scatter about
    one another: where no shape is quite that of the facing, both rails miss it alike.
    """
    lay, fair = facing.lay, facing.lay.fair
    rng = np.random.default_rng(seed)
    u_tip_m = gauge.u_tip_mm * MM
    sides = {"left": lay.left, "right": lay.right} if isinstance(lay, MeanLay) else {}
    own = scatter_between(rails) if sides else fair.scatter

    def drawn_with(scatter: float) -> Disturbed:
        return disturb(
            rails,
            tip_m=lay.tip_opening_m,
            u_tip_m=u_tip_m,
            step_m=gauge.stop_step_mm * MM,
            break_m=fair.break_m,
            scatter=scatter,
            draws=draws,
            rng=rng,
        )

    wide = drawn_with(fair.scatter)
    narrow = wide if own == fair.scatter else drawn_with(own)
    readings, stretched = pooled(rails), tuple(1.0 for _ in rails)
    if sides:
        readings, stretched = evened(rails["left"], rails["right"], tip_opening_m=lay.tip_opening_m, u_tip_m=u_tip_m)

    def fitted(drawn: Disturbed) -> Redrawn:
        places = [drawn.place_m[name] * by for name, by in zip(rails, stretched, strict=True)]
        return redraw(
            fair,
            readings,
            place_m=np.concatenate(places, axis=1),
            height_m=np.concatenate([drawn.height_m[name] for name in rails], axis=1),
            tip_m=drawn.tip_m,
            u_tip_m=u_tip_m,
            usual_off=drawn.usual_off,
        )

    def of_rail(name: str) -> Array:
        places, heights = narrow.place_m[name], narrow.height_m[name]
        return redraw_same_shape(
            sides[name].fair, rails[name], place_m=places, height_m=heights, tip_m=narrow.tip_m, u_tip_m=u_tip_m
        ).place_m(THIN)

    lengths = fitted(wide)
    curve = lengths if narrow is wide else fitted(narrow)
    by_rail = {name: of_rail(name) for name in sides}
    off = {name: narrow.height_m[name] - curve.height_m(narrow.place_m[name]) for name in rails}
    x = np.linspace(0.0, min(rail.place_m[-1] for rail in rails.values()), _GRID)
    change = _moved(lay, rails, narrow, x) - (curve.height_m(x) - fair.height_m(x))
    rough = np.sqrt(np.mean((lay.height_m(x) - fair.height_m(x) + change) ** 2, axis=1))
    band = np.sqrt(np.mean(change**2, axis=0))
    lengths_off = np.vstack([wide.tip_m, lengths.place_m(THIN), lengths.half_open_m])
    lengths_off -= np.array([lay.tip_opening_m, fair.facing_length_m, fair.half_open_m])[:, None]
    covariance = lengths_off @ lengths_off.T / draws
    of_break = float(np.mean((lengths.break_m - fair.break_m) ** 2))
    return Uncertainty(
        draws=draws,
        covariance_m2=covariance,
        break_m=math.sqrt(of_break),
        rail_difference_m=float((by_rail["left"] - by_rail["right"]).std(ddof=1)) if sides else None,
        smoothness_m=float(rough.std(ddof=1)) if lay.shape_known else None,
        smoothness_floor_m=float(np.sqrt(np.mean((change - change.mean(axis=0)) ** 2))) if lay.shape_known else None,
        off_m={name: np.sqrt(np.mean((values - read_off(rails[name], fair)) ** 2, axis=0)) for name, values in off.items()},
        band_m=(x, band),
    )


def scatter_between(rails: dict[str, Readings]) -> float:
    """Return chi-squared a degree of freedom of left minus right about a line in x, where it exceeds what chance allows (95 %)."""
    left, right = rails["left"], rails["right"]
    common = np.intersect1d(left.height_m, right.height_m)
    if len(common) < 4:
        return 1.0
    at = [np.array([int(np.flatnonzero(rail.height_m == height)[0]) for height in common]) for rail in (left, right)]
    apart = left.place_m[at[0]] - right.place_m[at[1]]
    u = np.hypot(left.u_place_m[at[0]], right.u_place_m[at[1]])
    design = np.column_stack([np.ones(len(common)), left.place_m[at[0]]]) / u[:, None]
    rest = apart / u - design @ np.linalg.lstsq(design, apart / u, rcond=None)[0]
    degrees = len(common) - 2
    found = float(rest @ rest)
    return found / degrees if found > chance_limit(degrees) else 1.0


def chance_limit(degrees: int) -> float:
    """Return what chi-squared exceeds once in twenty times by chance, within 1 % (Wilson and Hilferty 1931): scipy's own costs a tenth of a whole answer."""
    part = 2 / (9 * degrees)
    return float(degrees * (1 - part + NormalDist().inv_cdf(0.95) * math.sqrt(part)) ** 3)


def read_off(rail: Readings, fair: FairCurve) -> Array:
    """Return how far each reading of a rail is from the fair curve, in height (n,)."""
    return np.asarray(rail.height_m - fair.height_m(rail.place_m))


def pooled(rails: dict[str, Readings]) -> Readings:
    """Put the readings of one rail or both behind one another."""
    first, *rest = rails.values()
    return first.beside(*rest) if rest else first


def _moved(lay: Lay | MeanLay, rails: dict[str, Readings], drawn: Disturbed, x: Array) -> Array:
    """Return how each draw moves the measured lay over ``x`` (D, m): the knots' height errors, straight between them in sqrt(y)."""
    total = np.zeros((len(drawn.tip_m), len(x)))
    for name, rail in rails.items():
        side = getattr(lay, name) if isinstance(lay, MeanLay) else lay
        knots = np.concatenate([[0.0], rail.place_m])
        level = np.concatenate([[lay.tip_opening_m], rail.height_m])
        moved = drawn.height_m[name] - rail.height_m + _fall(side.fair, rail.place_m) * (drawn.place_m[name] - rail.place_m)
        change = np.concatenate([drawn.tip_m[:, None] - lay.tip_opening_m, moved], axis=1) / (2 * np.sqrt(level))
        hats = np.column_stack([np.interp(x, knots, row) for row in np.eye(len(knots))])
        total += change @ hats.T * 2 * np.sqrt(side.height_m(x))
    return total / len(rails)


@dataclass(frozen=True)
class TableTest:
    """An error of the readings that the table would explain, as a height at the tip in m; None where it cannot be told.

    ``rocking_m``: heights off the drawing in a line from break to tip, as on a convex table. ``twist_m``: the same between left and
    right, which a short rail looks like too.
    """

    rocking_m: float | None
    u_rocking_m: float | None
    twist_m: float | None
    u_twist_m: float | None
    allowed_m: float = 0.0
    """What the drawing's tolerances let a sound piece look like."""

    @property
    def rocks(self) -> bool:
        """Whether the readings show rocking beyond what the drawing allows, at 95 %."""
        if self.rocking_m is None or self.u_rocking_m is None:
            return False
        return abs(self.rocking_m) > TWO_SIDED * math.hypot(self.u_rocking_m, self.allowed_m / 2)

    @property
    def twisted(self) -> bool:
        """Whether the readings show a difference of the rails that is linear in x, at 95 %."""
        return self.twist_m is not None and self.u_twist_m is not None and abs(self.twist_m) > TWO_SIDED * self.u_twist_m


def table_test(
    facing: FacingPart, rails: dict[str, Readings], *, drawing: Drawing | None = None, drawn: FairCurve | None = None
) -> TableTest:
    """Test the readings for an error linear in x against the drawing's fair curve, and the rails against one another.

    Readings alone cannot tell a tilted plane from a break further back: on an arc ``(L - x)^2 / 2R + b (L - x)`` is the arc of
    break ``L + bR`` but for a constant of second order. So rocking is only told where a drawing says where the break should be;
    a tip that is merely too open (quadratic in x) is kept apart from it, and pieces differ as much as the drawing lets them: its
    tolerances count as two standard deviations of that.
    """
    rocking = _tilt(pooled(rails), drawn) if drawn is not None else (None, None)
    twist = _twist(facing.lay, rails) if isinstance(facing.lay, MeanLay) else (None, None)
    allowed = 0.0
    if drawing is not None and drawn is not None:
        x, tolerance = np.array([(s.stop_mm, _half_width(s)) for s in drawing.station]).T * MM
        allowed = float(np.median(_fall(drawn, x) * tolerance / np.maximum(1 - x / drawn.break_m, 1e-3)))
    return TableTest(*rocking, *twist, allowed_m=allowed)


def _half_width(station: Station) -> float:
    """Return half of what a station allows, or all of it where there is one limit only, in mm."""
    sides = [abs(limit - station.stop_mm) for limit in station.limits_mm if limit is not None]
    return sum(sides) / len(sides)


def _tilt(readings: Readings, drawn: FairCurve) -> tuple[float | None, float | None]:
    """Return the part of the readings' heights off the drawing that is linear in x, beside a quadratic one."""
    if len(readings.place_m) < 4:
        return None, None
    x = readings.place_m
    sigma = np.hypot(readings.u_height_m, _fall(drawn, x) * readings.u_place_m)
    run = np.maximum(1 - x / drawn.break_m, 0.0)
    design = np.column_stack([run, run**2]) / sigma[:, None]
    gain = np.linalg.pinv(design)
    off = (readings.height_m - drawn.height_m(x)) / sigma
    by_feeler = readings.u_height_m / sigma
    alike = readings.alike() * np.outer(by_feeler, by_feeler)
    np.fill_diagonal(alike, 1.0)
    rest = off - design @ (gain @ off)
    scatter = max(1.0, float(rest @ rest) / (len(x) - 2))
    return float(gain[0] @ off), float(np.sqrt(gain[0] @ alike @ gain[0] * scatter))


def _twist(lay: MeanLay, rails: dict[str, Readings]) -> tuple[float | None, float | None]:
    left, right = rails["left"], rails["right"]
    common = np.intersect1d(left.height_m, right.height_m)
    if len(common) < 3:
        return None, None
    at = [np.array([int(np.flatnonzero(rail.height_m == height)[0]) for height in common]) for rail in (left, right)]
    x = (left.place_m[at[0]] + right.place_m[at[1]]) / 2
    fall = _fall(lay.fair, x)
    lift = fall * (left.place_m[at[0]] - right.place_m[at[1]])
    u = fall * np.hypot(left.u_place_m[at[0]], right.u_place_m[at[1]])
    line = np.maximum(1 - x / lay.fair.break_m, 0.0) / u
    value = float(line @ (lift / u) / (line @ line))
    rest = lift / u - line * value
    scatter = max(1.0, float(rest @ rest) / (len(x) - 1))
    return value, float(np.sqrt(scatter / (line @ line)))


def _fall(curve: FairCurve, x: Array) -> Array:
    """Return how steeply a curve falls towards the table, above 0."""
    step = 1e-6
    return np.asarray((curve.height_m(x - step) - curve.height_m(x + step)) / (2 * step))
