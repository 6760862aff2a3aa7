"""A record becomes a physical part: what was measured, what is assumed, and how sure each is."""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from typing import Literal, TypeVar

import numpy as np
from numpy.typing import NDArray

from matchkit import constants
from matchkit.physics.facing import LEAST_LEAVES, AnyLay, MeanLay, mean_lay, measured_lay, nominal_lay
from matchkit.physics.fair import Readings
from matchkit.physics.reed import ReedShape, stiffness_from_modulus_n_per_m
from matchkit.physics.scan import HEIGHTS_M, readings_from_profile
from matchkit.records.defaults import Defaults
from matchkit.records.parts import FacingReading, LayPoint, Mouthpiece, Reed
from matchkit.records.spec import Gauge, HouseSpec
from matchkit.units import mm_to_m

Array = NDArray[np.float64]
Row = TypeVar("Row", FacingReading, LayPoint)

Basis = Literal["reading", "scale", "between steps", "label"]


@dataclass(frozen=True)
class FacingPart:
    """A mouthpiece with its lay.

    ``smoothness_um``, ``leak_mm2`` and ``rail_difference_mm`` are None where the readings do not give them; ``assumed`` names
    what was not measured.
    """

    mouthpiece: Mouthpiece
    lay: AnyLay
    smoothness_um: float | None
    leak_mm2: float | None
    rail_difference_mm: float | None
    u_rail_difference_mm: float | None
    assumed: tuple[str, ...]

    @property
    def clamp_mm(self) -> float:
        """Where the reed is taken as clamped, from the tip."""
        return self.lay.fair.clamp_m * 1e3

    @property
    def facing_length_mm(self) -> float:
        """Where the 0.038 mm leaf stops, on the fair arc."""
        return self.lay.fair.facing_length_m * 1e3


@dataclass(frozen=True)
class ReedPart:
    """A reed with its shape and its modulus as played (wet).

    ``shape_key`` is the same for reeds of one shape, so that contact is solved once for them. ``scale`` is None where the
    modulus is known in the house's own units; otherwise it names the only family within which strengths compare.
    ``u_stiffness``, ``u_wet`` are relative; ``box_spread`` is that of ln E within a box, or None. ``stiffness_held`` says that
    the bench stiffness is what is known, not the modulus; ``test_weights`` is where the usual test bends the reed.
    """

    reed: Reed
    shape: ReedShape
    shape_key: tuple[str, float, float, float]
    profile_measured: bool
    modulus_pa: float
    basis: Basis
    scale: str | None
    u_stiffness: float
    u_wet: float
    box_spread: float | None
    vamp_mm: float
    vamp_measured: bool
    width_measured: bool
    stiffness_held: bool
    test_weights: tuple[Array, Array]
    assumed: tuple[str, ...]


def of_pieces(rows: Iterable[Row]) -> dict[str, list[Row]]:
    """Put readings or scanned points to their mouthpieces, in their order; a mouthpiece without any has an empty list."""
    found: dict[str, list[Row]] = defaultdict(list)
    for row in rows:
        found[row.mouthpiece_id].append(row)
    return found


def rails_of(
    mouthpiece: Mouthpiece,
    readings: Sequence[FacingReading],
    points: Sequence[LayPoint],
    *,
    gauge: Gauge,
    heights_m: Array = HEIGHTS_M,
) -> dict[str, Readings]:
    """Give the readings of each rail that was read; a scanned rail is read at ``heights_m``, and its scan counts alone.

    On a table recorded as convex the plate rocks, and all readings of the piece are as much less certain.
    """
    found: dict[str, Readings] = {}
    for rail in ("left", "right"):
        scan = [point for point in points if point.rail == rail]
        if scan:
            x, y = (np.array([getattr(point, name) for point in scan]) * 1e-3 for name in ("x_mm", "height_mm"))
            u = np.array([gauge.u_scan_mm if p.u_height_mm is None else p.u_height_mm for p in scan]) * 1e-3
            found[rail] = readings_from_profile(x, y, u, tip_opening_m=mm_to_m(mouthpiece.tip_opening_mm), heights_m=heights_m)
        elif any(reading.rail == rail for reading in readings):
            found[rail] = _rail(readings, rail, gauge)
    tilt = max(mouthpiece.table_gap_mm or 0.0, 0.0) / constants.TABLE_HALF.value / math.sqrt(3)  # rectangular, either way
    return {rail: replace(read, u_tilt=tilt) for rail, read in found.items()} if tilt else found


def facing_part(
    mouthpiece: Mouthpiece,
    readings: Sequence[FacingReading],
    points: Sequence[LayPoint] = (),
    *,
    defaults: Defaults,
    spec: HouseSpec,
) -> FacingPart:
    """Give one mouthpiece its lay.

    Both rails read: their mean. One rail read: that rail stands for both, and the rails are not known. None: an arc through
    the tip opening and the facing length, the instrument's default where the length was not given either.
    """
    tip_m = mm_to_m(mouthpiece.tip_opening_mm)
    rails = rails_of(mouthpiece, readings, points, gauge=spec.gauge)
    assumed: list[str] = []
    lay: AnyLay
    if len(rails) == 2:
        lay = mean_lay(rails["left"], rails["right"], tip_opening_m=tip_m, u_tip_m=mm_to_m(spec.gauge.u_tip_mm))
    elif rails:
        (name, rail), *_ = rails.items()
        lay = measured_lay(rail, tip_opening_m=tip_m, u_tip_m=mm_to_m(spec.gauge.u_tip_mm))
        assumed.append(f"the other rail, as the {name} one")
    else:
        length, u_length = mouthpiece.facing_length_mm, constants.U_FACING_NOMINAL.value
        if length is None:
            default = defaults.scalar(mouthpiece.instrument, "facing_length_mm")
            length, u_length = default.value, default.u
            assumed.append("facing length")
        assumed.append("shape of the facing")
        lay = nominal_lay(
            tip_opening_m=tip_m,
            facing_length_m=mm_to_m(length),
            u_tip_m=mm_to_m(constants.U_TIP_NOMINAL.value),
            u_facing_m=mm_to_m(u_length),
        )
    if lay.measured and not lay.shape_known:
        assumed.append(f"shape of the facing (fewer than {LEAST_LEAVES} feelers)")
    both = lay if isinstance(lay, MeanLay) and lay.shape_known else None
    smoothness = lay.smoothness_m if lay.shape_known else None
    return FacingPart(
        mouthpiece=mouthpiece,
        lay=lay,
        smoothness_um=None if smoothness is None else smoothness * 1e6,
        leak_mm2=None if both is None else both.leak_m2 * 1e6,
        rail_difference_mm=None if both is None else both.rail_difference_m * 1e3,
        u_rail_difference_mm=None if both is None else both.u_rail_difference_m * 1e3,
        assumed=tuple(assumed),
    )


def _rail(readings: Sequence[FacingReading], rail: str, gauge: Gauge) -> Readings:
    """Average the repeats of one rail, thickest leaf first.

    Stacked leaves come from one set and err together; the step to which a stop is read does not average out.
    """
    by_leaf: dict[float, list[FacingReading]] = defaultdict(list)
    for reading in readings:
        if reading.rail == rail:
            by_leaf[reading.feeler_mm].append(reading)
    heights, places, u_heights, u_places = [], [], [], []
    for feeler, taken in sorted(by_leaf.items(), reverse=True):
        heights.append(feeler)
        places.append(math.fsum(reading.stop_mm for reading in taken) / len(taken))
        u_heights.append(max((gauge.u_feeler_mm if r.u_feeler_mm is None else r.u_feeler_mm) * (r.leaves or 1) for r in taken))
        u_touch = max(gauge.u_stop_mm if r.u_stop_mm is None else r.u_stop_mm for r in taken)
        u_places.append(math.hypot(u_touch / math.sqrt(len(taken)), gauge.stop_step_mm / math.sqrt(12)))
    y, x, u_y, u_x = (np.array(column) * 1e-3 for column in (heights, places, u_heights, u_places))
    stacked = np.array([max(r.leaves or 1 for r in taken) > 1 for _, taken in sorted(by_leaf.items(), reverse=True)])
    return Readings(y, x, u_y, u_x, u_common_m=gauge.u_operator_mm * 1e-3, stacked=stacked if stacked.any() else None)


def usual_test_m(instrument: constants.Instrument) -> dict[str, float]:
    """Give the usual places of the stiffness test from the tip, as arguments of the reed functions."""
    return {
        "load_m": mm_to_m(constants.STIFFNESS_LOAD.value),
        "clamp_m": mm_to_m(constants.STIFFNESS_CLAMP[instrument]),
    }


def bench_stiffness_n_per_m(part: ReedPart) -> float:
    """Give what the usual test would read on a reed as played (wet)."""
    return stiffness_from_modulus_n_per_m(part.shape, modulus_pa=part.modulus_pa, **usual_test_m(part.reed.instrument))
