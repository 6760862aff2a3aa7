"""Where the lay has the heights of the feelers: as they were read, or of a scan at the feelers of the drawing."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from statistics import fmean, median, pstdev
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from matchkit.maker.measure.monte_carlo import Uncertainty
from matchkit.parts.facing import rails_of
from matchkit.physics.lay.fair import FairCurve, Readings, fair_curve
from matchkit.physics.lay.scan import HEIGHTS_M
from matchkit.physics.lay.shapes import fall_m
from matchkit.records.parts import FacingReading, LayPoint, Mouthpiece
from matchkit.records.spec import Drawing, Gauge
from matchkit.units import MM, UM

Array = NDArray[np.float64]

SAME_FEELER_MM = 0.0013
"""A reading belongs to a station of the drawing whose feeler is within this of its own (feelers marked in inches are rounded)."""

RAILS: tuple[Literal["left", "right"], ...] = ("left", "right")
STRAY = 2.0
"""One rail leaves its own line where it is off so many times as far as the other."""
LEAST_EVEN, EVEN, SURE_EVEN = 6, 0.25, 4.0
"""So many stops whose scatter is at most this share of their mean, which is so many standard uncertainties from nothing, moved evenly."""


@dataclass(frozen=True)
class StationRead:
    """Where one feeler stops on the rails, and how far the lay is there from the fair curve; None for a rail that was not read."""

    feeler_mm: float
    left_mm: float | None
    u_left_mm: float | None
    right_mm: float | None
    u_right_mm: float | None
    difference_mm: float | None
    u_difference_mm: float | None
    left_off_um: float | None
    u_left_off_um: float | None
    right_off_um: float | None
    u_right_off_um: float | None


def rails_at_stations(
    piece: Mouthpiece, readings: Sequence[FacingReading], points: Sequence[LayPoint], *, drawing: Drawing, gauge: Gauge
) -> dict[str, Readings]:
    """Return the rails of a piece, a scanned one read at the feelers of the drawing."""
    if not points:
        return rails_of(piece, readings, points, gauge=gauge)
    drawn = np.array([station.feeler_mm for station in drawing.station]) * MM
    heights = np.unique(np.concatenate([HEIGHTS_M, drawn]))[::-1]
    rails = rails_of(piece, readings, points, gauge=gauge, heights_m=heights)
    return {name: _only(rail, drawn) if is_scanned(rail) and len(drawn) else rail for name, rail in rails.items()}


def _only(rail: Readings, heights_m: Array) -> Readings:
    """Return the readings of a scanned rail at some heights: a scan has no others of its own."""
    kept = np.isin(rail.height_m, heights_m)
    names = ("height_m", "place_m", "u_height_m", "u_place_m")
    lifts = None if rail.lifts_m is None else rail.lifts_m[:, kept]
    return replace(rail, stacked=None, lifts_m=lifts, **{name: getattr(rail, name)[kept] for name in names})


def is_scanned(rail: Readings) -> bool:
    """Tell a scan from feelers: it has no feeler that could be off."""
    return bool(np.all(rail.u_height_m <= 1e-8))


@dataclass(frozen=True)
class Apart:
    """Left minus right at one feeler: the feeler and the person cancel, only touch and step remain (``u_own_mm``), and the planes of two scans.

    ``planes_mm`` is what a standard uncertainty of each plane moves it by, the same plane at every feeler.
    """

    feeler_mm: float
    value_mm: float
    u_own_mm: float
    planes_mm: Array

    @property
    def u_mm(self) -> float:
        """Standard uncertainty of this difference by itself."""
        return math.hypot(self.u_own_mm, *self.planes_mm)


def at_feeler(rail: Readings | None, feeler_mm: float) -> int | None:
    """Return where a feeler stands among the readings of a rail; None where it was not read."""
    if rail is None:
        return None
    near = np.flatnonzero(np.abs(rail.height_m / MM - feeler_mm) <= SAME_FEELER_MM)
    return int(near[0]) if len(near) else None


def rails_apart(rails: dict[str, Readings], fair: FairCurve, feelers_mm: Sequence[float]) -> list[Apart]:
    """Return how far the stops of either rail lie apart at some feelers; those that were not read on both are left out."""
    left, right = rails.get("left"), rails.get("right")
    found = []
    for feeler in feelers_mm:
        one, other = at_feeler(left, feeler), at_feeler(right, feeler)
        if left is None or right is None or one is None or other is None:
            continue
        fall = min(float(fair.fall(feeler * MM)), MOST_SLOPE)
        own = math.hypot(left.u_place_m[one], right.u_place_m[other]) / MM
        planes = fall * np.concatenate([left.lifts[:, one], right.lifts[:, other]]) / MM  # each scan has a plane of its own
        found.append(Apart(feeler, float(left.place_m[one] - right.place_m[other]) / MM, own, planes))
    return found


def mean_apart(apart: Sequence[Apart]) -> tuple[float, float] | None:
    """Return the mean of such differences and its standard uncertainty, in mm; None of none."""
    if not apart:
        return None
    own = math.hypot(*(one.u_own_mm for one in apart)) / len(apart)
    return math.fsum(one.value_mm for one in apart) / len(apart), math.hypot(
        own, *np.mean([one.planes_mm for one in apart], axis=0)
    )


def stations(
    rails: dict[str, Readings],
    fair: FairCurve,
    unsure: Uncertainty | None,
    *,
    drawn_for: dict[str, Readings],
    slopes_of: FairCurve,
) -> tuple[StationRead, ...]:
    """Return each feeler with its stops, thinnest first; the difference of the rails is free of the feeler's own error.

    ``drawn_for`` are the rails with which ``unsure`` was drawn: a scan may be read at other heights there. ``slopes_of`` turns a height into a
    place, as a batch does it by the curve of the drawing.
    """
    if unsure is None:
        return ()
    heights = sorted({float(height) for rail in rails.values() for height in rail.height_m})
    apart = {one.feeler_mm: one for one in rails_apart(rails, slopes_of, [height / MM for height in heights])}
    u_off = {name: (drawn_for[name].height_m[::-1], unsure.off_m[name][::-1]) for name in rails}
    return tuple(_station(height, rails, fair, u_off, apart.get(height / MM)) for height in heights)


def _station(
    height: float,
    rails: dict[str, Readings],
    fair: FairCurve,
    u_off_m: dict[str, tuple[Array, Array]],
    apart: Apart | None,
) -> StationRead:
    values: dict[str, float | None] = {}
    for name in ("left", "right"):
        rail = rails.get(name)
        at = None if rail is None else next(iter(np.flatnonzero(rail.height_m == height)), None)
        if rail is None or at is None:
            values |= {f"{name}_mm": None, f"u_{name}_mm": None, f"{name}_off_um": None, f"u_{name}_off_um": None}
            continue
        place = float(rail.place_m[at])
        values[f"{name}_mm"] = place / MM
        values[f"u_{name}_mm"] = u_stop_m(rail, int(at), fair) / MM
        values[f"{name}_off_um"] = (height - float(fair.height_m(np.array(place)))) / UM
        values[f"u_{name}_off_um"] = float(np.interp(height, *u_off_m[name])) / UM
    return StationRead(
        feeler_mm=height / MM,
        difference_mm=None if apart is None else apart.value_mm,
        u_difference_mm=None if apart is None else apart.u_mm,
        **values,
    )


def u_stop_m(rail: Readings, at: int, fair: FairCurve) -> float:
    """Return the standard uncertainty of where the lay has a height: touch, step and person along x, feeler, tilt and a scan's plane through the slope."""
    u_height = math.hypot(rail.u_height_m[at], rail.u_tilt * max(fair.break_m - rail.place_m[at], 0.0), *rail.lifts[:, at])
    moved = u_height * min(float(fall_m(fair.parameters[1:], float(rail.height_m[at]))), MOST_SLOPE)
    return math.sqrt(rail.u_place_m[at] ** 2 + rail.u_common_m**2 + moved**2)


MOST_SLOPE = 1e4
"""A feeler moves a stop by at most so many times its own error."""


def drawn_curve(drawing: Drawing | None) -> FairCurve | None:
    """Return the fair curve through the stations and the tip of a drawing; None where there are too few of them."""
    if drawing is None or not drawing.has_curve or drawing.tip_opening_mm is None:
        return None
    ordered = sorted(drawing.station, key=lambda station: -station.feeler_mm)
    y, x = (np.array([getattr(s, name) for s in ordered]) * MM for name in ("feeler_mm", "stop_mm"))
    drawn = Readings(y, x, np.full(len(y), 1 * UM), np.full(len(y), 20 * UM))
    return fair_curve(drawn, tip_opening_m=drawing.tip_opening_mm.nominal * MM, u_tip_m=5 * UM)


def stray_rail(off: Mapping[str, Mapping[float, float]], feeler_mm: float) -> Literal["left", "right"] | None:
    """Return the rail that leaves its own line at a feeler, from how far each rail is off at each feeler; None where it may be either.

    What a rail is off there beside the median of its others must be twice that of the other rail.

    >>> stray_rail({"left": {0.1: 0.0, 0.2: 0.1, 0.4: 1.0}, "right": {0.1: 0.1, 0.2: 0.0, 0.4: 0.1}}, 0.4)
    'left'
    """
    alone: dict[Literal["left", "right"], float] = {}
    for rail in RAILS:
        others = [value for feeler, value in off.get(rail, {}).items() if feeler != feeler_mm]
        if not others or feeler_mm not in off[rail]:
            return None
        alone[rail] = abs(off[rail][feeler_mm] - median(others))
    more, less = sorted(RAILS, key=lambda rail: -alone[rail])
    return more if alone[more] > STRAY * alone[less] else None


def moved_evenly(moved_mm: Sequence[float], u_mm: float) -> bool:
    """Tell stops that all moved by the same, surely and not by chance: as by the zero of a gauge, or by how a piece lay."""
    if len(moved_mm) < LEAST_EVEN:
        return False
    mean = fmean(moved_mm)
    return pstdev(moved_mm) <= EVEN * abs(mean) and abs(mean) > SURE_EVEN * u_mm / math.sqrt(len(moved_mm))


def days_of_a_rail(rows: Sequence[FacingReading | LayPoint]) -> tuple[str, ...]:
    """Return the days on which one rail was read, where they are several: what was worked between is in part of its readings only."""
    for rail in ("left", "right"):
        days = {row.date for row in rows if row.rail == rail}
        if len(days) > 1:
            return tuple(sorted("an unknown day" if day is None else day.isoformat() for day in days))
    return ()
