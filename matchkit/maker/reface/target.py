"""Where a refacing may go: fair curves that lie nowhere above what is there, since only removal is possible.

Heights are over the plane of the table, larger where more is taken off; a target may be higher than the lay and never lower. All targets
but a drawing are power laws ``y = T (1 - x/L)^m``, of which an arc is nearly one (m = 2).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from matchkit.errors import RequestError
from matchkit.physics.lay.fair import SEEN, THIN, FairCurve
from matchkit.units import MM, UM

Array = NDArray[np.float64]

POWERS = (1.7, 2.8)
FURTHER_M = 4 * MM
"""A target's break lies at most this much behind the lay's own."""
LONGER_M = 1 * MM
"""A facing that grows by less than this in length is not told to end as far back as a plan goes."""
ALIKE_M = 5 * UM
"""Heights within this are the same: no hand takes off less."""
NETS = (1.0, 0.06, 0.004)
"""How wide each net of breaks and exponents is drawn, as a share of everything allowed."""
UNDER = 0.01
"""So much of an area under what was read counts as removal: of targets that take off alike the nearest one is taken."""
MOST_OPENED_M = 0.5 * MM
"""A change of tip opening beyond this makes another mouthpiece of it (common practice, no source)."""


@dataclass(frozen=True)
class Worn:
    """The upper envelope of both rails as they are: places (n,) from the tip and heights (n,); a target must cover it, but for ``doubt_m`` (n,).

    By so much less than the doubt a target may lie under what was read: nobody could tell that it is not on it.
    """

    x_m: Array
    height_m: Array
    doubt_m: Array | None = None

    @property
    def covered_m(self) -> Array:
        """Heights that a target is not to be below (n,)."""
        return self.height_m if self.doubt_m is None else np.maximum(self.height_m - self.doubt_m, 0.0)

    def within(self, doubt_m: Array | None) -> Worn:
        """Return it with a doubt that a target may make use of, or without."""
        return Worn(self.x_m, self.height_m, doubt_m)

    @property
    def tip_m(self) -> float:
        """Tip opening."""
        return float(self.height_m[0])

    def lowered(self, down_m: float) -> Worn:
        """Return what is left to cover where the table is faced down."""
        return Worn(self.x_m, np.maximum(self.height_m - down_m, 0.0), self.doubt_m)


def stop_m(x_m: Array, height_m: Array, feeler_m: float) -> float | None:
    """Return where a feeler stops on a lay that falls from the tip; None where it is thicker than the tip opening."""
    above = np.flatnonzero(height_m >= feeler_m)
    if not len(above):
        return None
    last = int(above[-1])
    if last + 1 == len(x_m):
        return float(x_m[-1])
    drop = height_m[last] - height_m[last + 1]
    part = (height_m[last] - feeler_m) / drop if drop > 0 else 0.0
    return float(x_m[last] + part * (x_m[last + 1] - x_m[last]))


def at_bound(worn: Worn, target: FairCurve) -> bool:
    """Tell whether a target's break lies as far back as one may, and the thinnest feeler with it: a longer facing might suit better still."""
    stops = float(worn.x_m[worn.height_m >= THIN].max(initial=0.0))
    return target.break_m - _end_m(worn) > 0.98 * FURTHER_M and target.facing_length_m - stops > LONGER_M


def _end_m(worn: Worn) -> float:
    return float(worn.x_m[worn.height_m > SEEN].max())


def power_curve(tip_m: float, break_m: float, exponent: float) -> FairCurve:
    """Return the fair curve of one power law."""
    run = break_m * (1 * MM / tip_m) ** (1 / exponent)
    return FairCurve(np.array([break_m, run, 1 / exponent, 0.0]), np.zeros((4, 4)), np.zeros(4))


def least_tip_m(worn: Worn, break_m: Array, exponent: Array) -> Array:
    """Return the smallest tip opening with which a power law of this break and exponent covers the lay (same shape as the arguments)."""
    inside = worn.height_m > SEEN
    run = np.maximum(1 - worn.x_m[inside] / np.asarray(break_m)[..., None], 1e-9)
    return np.asarray((worn.covered_m[inside] / run ** np.asarray(exponent)[..., None]).max(axis=-1))


def removal_m2(worn: Worn, tip_m: Array, break_m: Array, exponent: Array) -> Array:
    """Return the area (m2) between a power law and the lay; where it lies under what was read, within the doubt, a little of that area counts too."""
    run = np.maximum(1 - worn.x_m / break_m[..., None], 0.0)
    over = tip_m[..., None] * run ** exponent[..., None] - worn.height_m
    if worn.doubt_m is None:
        return np.asarray(np.trapezoid(np.maximum(over, 0.0), worn.x_m))
    return np.asarray(np.trapezoid(np.where(over > 0, over, -UNDER * over), worn.x_m))


def grid(worn: Worn, centre: tuple[float, float] | None = None, width: float = 1.0) -> tuple[Array, Array]:
    """Return breaks and exponents to try: everything, or a narrower net about a centre."""
    end = _end_m(worn)
    spans = [(end + 0.2 * MM, end + FURTHER_M), POWERS]
    if centre is not None:
        spans = [
            (max(low, at - width * (high - low)), min(high, at + width * (high - low)))
            for (low, high), at in zip(spans, centre, strict=True)
        ]
    edges, powers = np.meshgrid(*(np.linspace(*span, 41) for span in spans), indexing="ij")
    return edges.ravel(), powers.ravel()


def nearest_fair(worn: Worn) -> FairCurve:
    """Return the fair curve that covers the lay with the least removal, by a net drawn closer three times."""
    centre, tip, best = (0.0, 0.0), np.zeros(1), 0
    for width in NETS:
        edge, power = grid(worn, None if width == 1 else centre, width)
        tip = least_tip_m(worn, edge, power)
        best = int(removal_m2(worn, tip, edge, power).argmin())
        centre = (float(edge[best]), float(power[best]))
    return power_curve(float(tip[best]), centre[0], centre[1])


def fair_with_tip(worn: Worn, tip_m: float) -> FairCurve:
    """Return the fair curve of this tip opening that covers the lay with the least removal.

    Raises RequestError where none does: the tip is too open already.
    """
    centre = (0.0, 0.0)
    for width in NETS:
        edge, power = grid(worn, None if width == 1 else centre, width)
        covers = least_tip_m(worn, edge, power) <= tip_m + ALIKE_M
        if not covers.any():
            raise RequestError(
                f"no fair curve with a tip of {tip_m / MM:.2f} mm covers the lay, whose tip is {worn.tip_m / MM:.2f} mm open: removing "
                "only opens it; facing the table down closes it"
            )
        area = np.where(covers, removal_m2(worn, np.full(len(edge), tip_m), edge, power), np.inf)
        best = int(area.argmin())
        centre = (float(edge[best]), float(power[best]))
    return power_curve(tip_m, centre[0], centre[1])


def more_m(worn: Worn, least: FairCurve, other: FairCurve) -> float:
    """Return the most that another curve takes off beyond the one that takes off least."""
    without = np.maximum(least.height_m(worn.x_m), worn.height_m)
    return float(np.maximum(other.height_m(worn.x_m) - without, 0.0).max())


def table_for_tip_m(worn: Worn, tip_m: float) -> float:
    """Return the least the table must be faced down for a fair curve of this tip opening to cover the lay, to a micrometre.

    0 where one does as it is. Facing down by the whole tip opening would always do.
    """

    def covers(down_m: float) -> bool:
        try:
            fair_with_tip(worn.lowered(down_m), tip_m)
        except RequestError:
            return False
        return True

    if covers(0.0):
        return 0.0
    low, high = 0.0, max(worn.tip_m - THIN, 0.0)
    while high - low > 1e-6:
        middle = (low + high) / 2
        low, high = (low, middle) if covers(middle) else (middle, high)
    return high
