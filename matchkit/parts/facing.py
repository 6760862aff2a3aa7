"""A mouthpiece becomes a physical part: its lay, from feelers, a scan or nominal numbers, and how sure each length is."""

from __future__ import annotations

import datetime as dt
import math
from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from matchkit import constants
from matchkit.facts import Assumed
from matchkit.physics.lay.facing import LEAST_FEELERS, AnyLay, MeanLay, mean_lay, measured_lay, nominal_lay
from matchkit.physics.lay.fair import Readings
from matchkit.physics.lay.scan import HEIGHTS_M, Scan, readings_from_profile, scan_of
from matchkit.records.defaults import Assumed as DefaultNumber
from matchkit.records.defaults import Defaults
from matchkit.records.parts import FacingReading, LayPoint, Mouthpiece
from matchkit.records.spec import Gauge, HouseSpec
from matchkit.units import MM

Array = NDArray[np.float64]


@dataclass(frozen=True)
class FacingPart:
    """A mouthpiece with its lay.

    ``load_width_m`` is what the pressure acts on, the window and half a rail to either side, and ``load_reach_m`` how far behind the tip;
    ``u_load_width`` is relative. ``smoothness_m``, ``leak_m2`` and ``rail_difference_m`` are None where the readings do not give them; ``assumed`` names
    what was not measured.
    """

    mouthpiece: Mouthpiece
    lay: AnyLay
    load_width_m: float
    u_load_width: float
    load_reach_m: float
    smoothness_m: float | None
    leak_m2: float | None
    rail_difference_m: float | None
    u_rail_difference_m: float | None
    assumed: tuple[Assumed, ...]
    read_on: dt.date | None = None
    """The day of its readings, of a piece that was read again later."""

    @property
    def id(self) -> str:
        """The mouthpiece's id."""
        return self.mouthpiece.id

    @property
    def key(self) -> str:
        """What tells it from every other: a size that was typed may be one of several instruments, and a piece may have been read before."""
        day = "" if self.read_on is None else f" {self.read_on:%Y-%m-%d}"
        return f"{self.mouthpiece.instrument} {self.mouthpiece.id}{day}"

    @property
    def clamp_m(self) -> float:
        """Where the reed is taken as clamped, from the tip."""
        return self.lay.fair.clamp_m

    @property
    def break_m(self) -> float:
        """Where the lay leaves the table, from the tip: that of the rail that leaves it last, or of the curve where nothing was read."""
        if isinstance(self.lay, MeanLay):
            return float(max(rail.knots_x_m[-1] for rail in (self.lay.left, self.lay.right)))
        return float(self.lay.knots_x_m[-1])

    @property
    def facing_length_m(self) -> float:
        """Where the thinnest feeler, 0.038 mm, stops on the fair curve."""
        return self.lay.fair.facing_length_m


def rails_of(
    mouthpiece: Mouthpiece,
    readings: Sequence[FacingReading],
    points: Sequence[LayPoint],
    *,
    gauge: Gauge,
    heights_m: Array = HEIGHTS_M,
) -> dict[str, Readings]:
    """Return the readings of each rail that was read; a scanned rail is read at ``heights_m``, and its scan counts alone.

    On a table recorded as convex the plate rocks, and all readings of the piece are as much less certain. Where all its stops lie on
    one step, that step is in their doubt.
    """
    found: dict[str, Readings] = {}
    gauge = gauge.with_step([reading.stop_mm for reading in readings])
    for rail in ("left", "right"):
        mine = [point for point in points if point.rail == rail]
        if mine:
            scan = scans_of(mine)[rail]
            u = np.array([gauge.u_scan_mm if p.u_height_mm is None else p.u_height_mm for p in mine])[scan.kept] * MM
            tip = mouthpiece.tip_opening_mm * MM
            read = readings_from_profile(scan.x_m, scan.levelled.height_m, u, tip_opening_m=tip, heights_m=heights_m)
            found[rail] = replace(read, lifts_m=scan.levelled.lifts_m(read.place_m), grounded=scan.levelled.table_seen)
        elif any(reading.rail == rail for reading in readings):
            found[rail] = _rail(readings, rail, gauge)
    tilt = max(mouthpiece.table_gap_mm or 0.0, 0.0) / constants.TABLE_HALF.value / math.sqrt(3)  # rectangular, either way
    return {rail: replace(read, u_tilt=tilt) for rail, read in found.items()} if tilt else found


def scans_of(points: Sequence[LayPoint]) -> dict[str, Scan]:
    """Return the scan of each rail that was scanned, left first."""
    found = {}
    for rail in ("left", "right"):
        mine = [point for point in points if point.rail == rail]
        if mine:
            found[rail] = scan_of(*(np.array([getattr(point, name) for point in mine]) * MM for name in ("x_mm", "height_mm")))
    return found


def lay_of_rails(rails: dict[str, Readings], *, tip_opening_m: float, u_tip_m: float) -> AnyLay:
    """Return the mean lay of two rails, or that of the one that was read."""
    if len(rails) == 2:
        return mean_lay(rails["left"], rails["right"], tip_opening_m=tip_opening_m, u_tip_m=u_tip_m)
    (rail,) = rails.values()
    return measured_lay(rail, tip_opening_m=tip_opening_m, u_tip_m=u_tip_m)


def facing_part(
    mouthpiece: Mouthpiece,
    readings: Sequence[FacingReading],
    points: Sequence[LayPoint] = (),
    *,
    defaults: Defaults,
    spec: HouseSpec,
) -> FacingPart:
    """Return one mouthpiece its lay.

    Both rails read: their mean. One rail read: that rail stands for both, and the rails are not known. None: an arc through
    the tip opening and the facing length, the instrument's default where the length was not given either.
    """
    tip_m = mouthpiece.tip_opening_mm * MM
    rails = rails_of(mouthpiece, readings, points, gauge=spec.gauge)
    assumed: list[Assumed] = []
    lay: AnyLay
    if rails:
        lay = lay_of_rails(rails, tip_opening_m=tip_m, u_tip_m=spec.gauge.u_tip_mm * MM)
        assumed += [Assumed("other rail", like=name) for name in rails if len(rails) == 1]
    else:
        length, u_length = mouthpiece.facing_length_mm, constants.U_FACING_NOMINAL.value
        if length is None:
            default = defaults.scalar(mouthpiece.instrument, "facing_length_mm")
            length, u_length = default.value, default.u
            assumed.append(Assumed("facing length"))
        assumed.append(Assumed("facing shape"))
        lay = nominal_lay(
            tip_opening_m=tip_m,
            facing_length_m=length * MM,
            u_tip_m=constants.U_TIP_NOMINAL.value * MM,
            u_facing_m=u_length * MM,
        )
    if lay.measured and not lay.shape_known:
        assumed.append(Assumed("facing shape, few feelers", LEAST_FEELERS))
    both = lay if isinstance(lay, MeanLay) and lay.shape_known else None
    width = _load_width(mouthpiece, defaults)
    return FacingPart(
        mouthpiece=mouthpiece,
        lay=lay,
        load_width_m=width.value * MM,
        u_load_width=width.u / width.value,
        load_reach_m=load_reach_m(mouthpiece),
        smoothness_m=lay.smoothness_m if lay.shape_known else None,
        leak_m2=None if both is None else both.leak_m2,
        rail_difference_m=None if both is None else both.rail_difference_m,
        u_rail_difference_m=None if both is None else both.u_rail_difference_m,
        assumed=tuple(assumed),
    )


def _load_width(piece: Mouthpiece, defaults: Defaults) -> DefaultNumber:
    """Return the width between the middles of the side rails in mm, with its uncertainty; what was not read is the instrument's usual."""
    found, variance = 0.0, 0.0
    for name in ("window_width_mm", "side_rail_mm"):
        value = getattr(piece, name)
        usual = defaults.scalar(piece.instrument, name)
        found += usual.value if value is None else value
        variance += (usual.u if value is None else constants.U_SIZE.value) ** 2
    return DefaultNumber(found, math.sqrt(variance))


def load_reach_m(piece: Mouthpiece) -> float:
    """Return how far behind the tip the window ends; one that was not read reaches as far as the reed is free."""
    if piece.window_length_mm is None:
        return math.inf
    return (piece.window_length_mm + (piece.tip_rail_mm or 0.0)) * MM


def _rail(readings: Sequence[FacingReading], rail: str, gauge: Gauge) -> Readings:
    """Average the repeats of one rail, thickest feeler first.

    Stacked feelers come from one set and err together; the step to which a stop is read does not average out.
    """
    by_feeler: dict[float, list[FacingReading]] = defaultdict(list)
    for reading in readings:
        if reading.rail == rail:
            by_feeler[reading.feeler_mm].append(reading)
    heights, places, u_heights, u_places = [], [], [], []
    for feeler, taken in sorted(by_feeler.items(), reverse=True):
        heights.append(feeler)
        places.append(math.fsum(reading.stop_mm for reading in taken) / len(taken))
        u_heights.append(max((gauge.u_feeler_mm if r.u_feeler_mm is None else r.u_feeler_mm) * (r.feelers or 1) for r in taken))
        u_touch = max(gauge.u_stop_mm if r.u_stop_mm is None else r.u_stop_mm for r in taken)
        u_places.append(math.hypot(u_touch / math.sqrt(len(taken)), gauge.stop_step_mm / math.sqrt(12)))
    y, x, u_y, u_x = (np.array(column) * MM for column in (heights, places, u_heights, u_places))
    stacked = np.array([max(r.feelers or 1 for r in taken) > 1 for _, taken in sorted(by_feeler.items(), reverse=True)])
    return Readings(
        y,
        x,
        u_y,
        u_x,
        u_common_m=gauge.u_operator_mm * MM,
        u_step_m=gauge.stop_step_mm * MM / math.sqrt(12),
        stacked=stacked if stacked.any() else None,
    )
