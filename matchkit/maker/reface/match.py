"""Facings for a reed: where a lay may go by removing alone so that a reed closes at a wanted pressure, or a tip is so wide."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from matchkit import constants
from matchkit.errors import RequestError
from matchkit.maker.reface.target import (
    ALIKE_M,
    MOST_OPENED_M,
    NETS,
    Worn,
    grid,
    least_tip_m,
    nearest_fair,
    power_curve,
    removal_m2,
)
from matchkit.parts.reed import ReedPart
from matchkit.physics.beams import Beams
from matchkit.physics.closing import LIP_REACH, close_reeds, closing_pressure_per_modulus, closing_share
from matchkit.physics.lay.fair import CLAMP_BEHIND, THIN, FairCurve
from matchkit.physics.share_table import power_beams
from matchkit.units import KPA, MM

Array = NDArray[np.float64]

_TIP_ROUNDS = 5


def _beams(
    reed: ReedPart, tip_m: Array, edge_m: Array, power: Array, load_width_m: float, lip_m: float, lip_spread_m: float
) -> Beams:
    """Lay a reed on power laws, by tip opening, break and exponent (B,)."""
    thin = edge_m * (1 - (THIN / tip_m) ** (1 / power))
    half = edge_m * (1 - 0.5 ** (1 / power))
    return power_beams(
        reed.shape,
        tip_m=tip_m,
        length_m=thin,
        shape=half / thin,
        width_m=load_width_m,
        lip_m=lip_m,
        lip_spread_m=lip_spread_m,
    )


@dataclass(frozen=True)
class OnReed:
    """A facing for one reed: the curve, what share of the opening it leaves when closed, and the most that comes off for it."""

    curve: FairCurve
    share: float
    deepest_m: float


A_TOUCH = constants.HALF_STRENGTH.value / 4
"""A change of closing pressure, in ln, up to which a set-up feels as it did: a quarter of half a strength (assumed)."""
ALIKE_SHARE = 0.005
"""Closing shares within this are the same."""


@dataclass(frozen=True)
class Mounted:
    """A reed as it lies on a mouthpiece: the width under pressure, and the lip with its force."""

    reed: ReedPart
    load_width_m: float
    lip_m: float
    lip_load_n: float
    lip_spread_m: float

    def beams(self, tip_m: Array, edge_m: Array, power: Array) -> Beams:
        """Lay the reed on power laws, by tip opening, break and exponent (B,)."""
        return _beams(self.reed, tip_m, edge_m, power, self.load_width_m, self.lip_m, self.lip_spread_m)

    def closing_pa(self, tip_m: Array, edge_m: Array, power: Array) -> Array:
        """Return the closing pressure on each (B,)."""
        return np.asarray(closing_pressure_per_modulus(self.beams(tip_m, edge_m, power)) * self.reed.modulus_pa)

    def shares(self, tip_m: Array, edge_m: Array, power: Array) -> Array:
        """Return what share of the opening each leaves when closed, under the lip (B,)."""
        beams = self.beams(tip_m, edge_m, power)
        solved = close_reeds(
            beams,
            tip_width_m=np.full(len(tip_m), self.reed.shape.tip_width_m),
            lip_m=np.minimum(self.lip_m, LIP_REACH * (beams.clamp_m - CLAMP_BEHIND)),
        )
        pressure = solved.pressure_per_modulus * self.reed.modulus_pa
        return closing_share(solved, np.arange(len(tip_m)), lip_share=self.lip_load_n / solved.lip_area_m2 / pressure)

    def closing_on(self, curve: FairCurve) -> float:
        """Return the closing pressure (Pa) on a power law."""
        return float(self.closing_pa(*_of_power(curve))[0])

    def now(self, worn: Worn) -> tuple[float, float]:
        """Return closing pressure (Pa) and share on the fair curve nearest to a lay."""
        where = _of_power(nearest_fair(worn.within(None)))
        return float(self.closing_pa(*where)[0]), float(self.shares(*where)[0])


def _of_power(curve: FairCurve) -> tuple[Array, Array, Array]:
    """Return tip opening, break and exponent (1,) of a power law."""
    edge, run, inverse, _ = curve.parameters
    return np.array([(edge / run) ** (1 / inverse) * MM]), np.array([edge]), np.array([1 / inverse])


def _best(worn: Worn, mounted: Mounted, where: tuple[Array, Array, Array], now: float, *, even: bool) -> tuple[int, float]:
    """Return which of some facings (B,) takes off least and closes as evenly as ``now``, or the most even one; and its share."""
    share = mounted.shares(*where)
    kept = share <= now + ALIKE_SHARE
    best = int(share.argmin()) if even or not kept.any() else int(np.where(kept, removal_m2(worn, *where), np.inf).argmin())
    return best, float(share[best])


def _on_reed(worn: Worn, curve: tuple[float, float, float], share: float) -> OnReed:
    found = power_curve(*curve)
    return OnReed(found, share, float(np.maximum(found.height_m(worn.x_m) - worn.height_m, 0.0).max()))


def match_reed(worn: Worn, mounted: Mounted, *, even: bool, closing_pa: float) -> OnReed:
    """Return a facing that one reed closes at a wanted pressure, within a touch: the one that takes off least and closes as evenly as now, or the most ``even`` one.

    As evenly as now: the closing share under the lip is no larger than on the nearest fair curve, where there is such a facing. For each break and exponent the tip opening follows from the closing pressure, and is as near to the least that covers the lay as a touch allows; those that cover the lay and open it by at most
    0.5 mm are solved exactly, and the net is drawn closer twice. Raises RequestError where there is none.
    """
    _, now = mounted.now(worn)
    centre, best_curve, found = None, None, 0.0
    for width in (1.0, 0.1, 0.02):
        edge, power = grid(worn, centre, width)
        low, high = (
            _tip_of_pressure(worn, mounted, edge, power, closing_pa * math.exp(touch)) for touch in (-A_TOUCH, A_TOUCH)
        )
        least = least_tip_m(worn, edge, power)
        tip = np.clip(least, low, high)
        rows = np.flatnonzero((least <= tip + ALIKE_M) & (tip <= worn.tip_m + MOST_OPENED_M))
        if not len(rows):
            if best_curve is not None:
                break
            softest, hardest = (pressure / KPA for pressure in _reachable_pa(worn, mounted, edge, power))
            raise RequestError(
                f"no facing that only removing can reach closes at {closing_pa / KPA:.1f} kPa on {mounted.reed.reed.id} with the tip opened by at most "
                f"{MOST_OPENED_M / MM:g} mm: this reed closes at {softest:.1f} to {hardest:.1f} kPa on those; ask for one of these, or for a "
                f"{'softer' if closing_pa < softest * KPA else 'harder'} reed"
            )
        best, found = _best(worn, mounted, (tip[rows], edge[rows], power[rows]), now, even=even)
        centre = (float(edge[rows[best]]), float(power[rows[best]]))
        best_curve = (float(tip[rows[best]]), *centre)
    assert best_curve is not None  # noqa: S101 - the first net either finds one or raises
    return _on_reed(worn, best_curve, found)


def _tip_of_pressure(worn: Worn, mounted: Mounted, edge: Array, power: Array, closing_pa: float) -> Array:
    """Return the tip opening (B,) at which a reed closes at a pressure on power laws, by break and exponent (B,)."""
    tip = np.full(len(edge), worn.tip_m)
    for _ in range(_TIP_ROUNDS):  # closing pressure is nearly proportional to the tip opening
        tip = np.clip(tip * closing_pa / mounted.closing_pa(tip, edge, power), 2 * THIN, 10 * MM)
    return tip


def _reachable_pa(worn: Worn, mounted: Mounted, edge: Array, power: Array) -> tuple[float, float]:
    """Return the lowest and the highest closing pressure on the facings of a net that cover a lay and open it little enough."""
    least, most = np.maximum(least_tip_m(worn, edge, power), 2 * THIN), worn.tip_m + MOST_OPENED_M
    kept = least <= most
    ends = [mounted.closing_pa(tip[kept], edge[kept], power[kept]) for tip in (least, np.full(len(edge), most))]
    return float(ends[0].min()), float(ends[1].max())


def match_tip(worn: Worn, mounted: Mounted, *, tip_m: float, even: bool, kept_pa: float | None = None) -> OnReed:
    """Return a facing of a wanted tip opening: the one that takes off least, or closes most ``even``; with a pressure, of those that keep it within a touch.

    Raises RequestError where no fair curve of this tip covers the lay, or none that does keeps the pressure.
    """
    centre, best_curve, found = None, None, 0.0
    for width in NETS:
        edge, power = grid(worn, centre, width)
        if kept_pa is not None:
            edge, power = _near_pressure(mounted, tip_m, edge, power, kept_pa)
        tips = np.full(len(edge), tip_m)
        covers = least_tip_m(worn, edge, power) <= tip_m + ALIKE_M if len(edge) else np.zeros(0, dtype=bool)
        rows = np.flatnonzero(covers)
        if not len(rows):
            if best_curve is not None:
                break
            raise _no_such_tip(worn, mounted, tip_m, kept_pa)
        where = tips[rows], edge[rows], power[rows]
        best = int((mounted.shares(*where) if even else removal_m2(worn, *where)).argmin())
        found = float(mounted.shares(*(part[best : best + 1] for part in where))[0])
        centre = (float(where[1][best]), float(where[2][best]))
        best_curve = (tip_m, *centre)
    assert best_curve is not None  # noqa: S101 - the first net either finds one or raises
    return _on_reed(worn, best_curve, found)


def _near_pressure(mounted: Mounted, tip_m: float, edge: Array, power: Array, kept_pa: float) -> tuple[Array, Array]:
    """Return the breaks and exponents of a net on which a tip closes within a touch of a pressure, and for each exponent those just at it and a touch to either side."""
    powers, edges = np.unique(power), np.unique(edge)
    every = np.repeat(powers, len(edges)), np.tile(edges, len(powers))
    off = np.log(mounted.closing_pa(np.full(len(every[0]), tip_m), every[1], every[0]) / kept_pa)
    near = np.abs(off) <= A_TOUCH
    more_edges, more_powers = [every[1][near]], [every[0][near]]
    for row, exponent in zip(off.reshape(len(powers), len(edges)), powers, strict=True):  # a longer facing closes at less
        sought = np.array([at for at in (-A_TOUCH, 0.0, A_TOUCH) if row[-1] <= at <= row[0]])
        more_edges.append(np.interp(-sought, -row, edges))
        more_powers.append(np.full(len(sought), exponent))
    return np.concatenate(more_edges), np.concatenate(more_powers)


def _no_such_tip(worn: Worn, mounted: Mounted, tip_m: float, closing_pa: float | None) -> RequestError:
    """Return why there is no such facing, with what would come nearest."""
    edge, power = grid(worn)
    covers = least_tip_m(worn, edge, power) <= tip_m + ALIKE_M
    if not covers.any():
        return RequestError(
            f"no fair curve with a tip of {tip_m / MM:.2f} mm covers the lay, whose tip is {worn.tip_m / MM:.2f} mm open: removing "
            "only opens it; facing the table down closes it"
        )
    assert closing_pa is not None  # noqa: S101 - without a pressure covering is enough
    pressure = mounted.closing_pa(np.full(int(covers.sum()), tip_m), edge[covers], power[covers])
    nearest = pressure[np.abs(np.log(pressure / closing_pa)).argmin()] / closing_pa
    way = "harder" if nearest > 1 else "softer"
    return RequestError(
        f"no facing with a tip of {tip_m / MM:.2f} mm that only removing can reach keeps the resistance: the nearest is "
        f"{100 * abs(nearest - 1):.0f} % {way}; a smaller change of the tip, or a {'softer' if nearest > 1 else 'harder'} reed?"
    )
