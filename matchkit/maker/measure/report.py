"""What the readings of one mouthpiece say, each length with its uncertainty, in the units of the bench."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any, ClassVar, Literal

import numpy as np

from matchkit.facts import Assumed
from matchkit.maker.conformity.drawing import judge_piece, with_model
from matchkit.maker.conformity.judged import PieceJudged
from matchkit.maker.facts import TableFound
from matchkit.maker.measure.flaws import FlawFound, flaws_found
from matchkit.maker.measure.monte_carlo import DRAWS, SEED, TableTest, Uncertainty, monte_carlo, table_test
from matchkit.maker.measure.rails import RailsJudged, judge_rails
from matchkit.maker.measure.scanned import ScanFound, scan_found
from matchkit.maker.measure.stations import (
    StationRead,
    days_of_a_rail,
    drawn_curve,
    mean_apart,
    rails_apart,
    rails_at_stations,
    stations,
)
from matchkit.parts.facing import FacingPart, facing_part, rails_of, scans_of
from matchkit.physics.lay.facing import MeanLay
from matchkit.physics.lay.fair import Readings
from matchkit.records.defaults import Defaults
from matchkit.records.parts import FacingReading, LayPoint, Mouthpiece
from matchkit.records.spec import HouseSpec
from matchkit.results import Answer
from matchkit.units import MM, MM2, UM


@dataclass(frozen=True)
class Outline:
    """The lines of the figure over ``x_mm``: lay of each rail and of the mean, fair curve, and the uncertainty of their difference."""

    x_mm: tuple[float, ...]
    fair_mm: tuple[float, ...]
    left_mm: tuple[float, ...]
    right_mm: tuple[float, ...]
    off_um: tuple[float, ...]
    u_off_um: tuple[float, ...]


@dataclass(frozen=True)
class FacingReport(Answer):
    """What the readings of a mouthpiece say; ``u_`` fields are standard uncertainties, from ``draws`` Monte Carlo draws.

    ``exponent`` is the power of the run from the break by which the fair curve rises, 2 for an arc. ``covariance_mm2`` is that of tip opening, facing length and
    the place where it is half open, on the fair curve, in this order, to first order; ``covariance_monte_carlo_mm2`` the same from the draws, with the tip as it
    was measured. A rail by itself has the shape of both, and the uncertainty of its own readings. ``smoothness_floor_um`` is what the gauge's own errors would show on a fair facing. ``table`` says what is known of
    the table. A mouthpiece known by its nominal numbers has no draws, and the uncertainties are those assumed.
    """

    schema: ClassVar[str] = "facing"

    mouthpiece_id: str
    measured: bool
    tip_opening_mm: float
    u_tip_opening_mm: float
    facing_length_mm: float
    u_facing_length_mm: float
    u_facing_length_first_order_mm: float
    break_mm: float
    u_break_mm: float | None
    exponent: float
    u_exponent: float
    covariance_mm2: tuple[tuple[float, ...], ...]
    covariance_monte_carlo_mm2: tuple[tuple[float, ...], ...] | None
    smoothness_um: float | None
    u_smoothness_um: float | None
    smoothness_floor_um: float | None
    left_facing_length_mm: float | None
    right_facing_length_mm: float | None
    u_rail_facing_length_mm: float | None
    rail_difference_mm: float | None
    u_rail_difference_mm: float | None
    rails: RailsJudged
    by_drawing: PieceJudged | None
    """The verdict by the drawing of its model, as a batch gives it; None without one, or of a piece that was never read."""
    leak_mm2: float | None
    stations: tuple[StationRead, ...]
    scans: tuple[ScanFound, ...]
    bumps: tuple[FlawFound, ...]
    rocking_um: float | None
    u_rocking_um: float | None
    twist_um: float | None
    u_twist_um: float | None
    twisted: bool
    table: TableFound
    budget: dict[str, float]
    draws: int
    seed: int
    assumed: tuple[Assumed, ...]
    outline: Outline | None
    days_of_a_rail: tuple[str, ...] = ()
    """The days on which one rail was read, where they are several."""

    def to_dict(self) -> dict[str, Any]:
        """Return the JSON form, without the lines of the figure."""
        plain = super().to_dict()
        del plain["outline"]
        return plain


def facing_report(
    mouthpiece: Mouthpiece,
    readings: Sequence[FacingReading],
    points: Sequence[LayPoint],
    *,
    defaults: Defaults,
    spec: HouseSpec,
    draws: int = DRAWS,
    seed: int = SEED,
    exchanged: bool = False,
) -> FacingReport:
    """Measure one facing; a drawing of its model in the spec lets the table be tested for rocking.

    ``exchanged`` says that the rails are as they were read before, the other way round.
    """
    spec = spec.with_step([reading.stop_mm for reading in readings])
    part = facing_part(mouthpiece, readings, points, defaults=defaults, spec=spec)
    rails = rails_of(mouthpiece, readings, points, gauge=spec.gauge)
    lay, fair = part.lay, part.lay.fair
    unsure = monte_carlo(part, rails, gauge=spec.gauge, draws=draws, seed=seed) if rails else None
    drawing = spec.drawing.get(mouthpiece.model or "")
    at_stations = rails
    if drawing is not None and points:
        at_stations = rails_at_stations(mouthpiece, readings, points, drawing=drawing, gauge=spec.gauge)
    drawn = drawn_curve(drawing)
    apart = mean_apart(rails_apart(at_stations, drawn or fair, _heights_mm(at_stations)))
    test = table_test(part, rails, drawing=drawing, drawn=drawn) if rails else None
    scans = scans_of(points)
    exponent, u_exponent = fair.exponent
    sides = (lay.left, lay.right) if isinstance(lay, MeanLay) else ()
    u_length = fair.u_facing_length_m if unsure is None else math.sqrt(unsure.covariance_m2[1, 1])
    read = stations(at_stations, fair, unsure, drawn_for=rails, slopes_of=drawn or fair)
    found_scans = tuple(scan_found(rail, scan, fair.break_m) for rail, scan in scans.items())
    bumps = flaws_found(lay, rails, scans)
    by_drawing = None
    if drawing is not None and rails:
        by_drawing = judge_piece(mouthpiece, at_stations, drawing=drawing, gauge=spec.gauge, curve=drawn)
        by_drawing = with_model(by_drawing, mouthpiece, at_stations, drawings=spec.drawing, gauge=spec.gauge)
        bumps = () if by_drawing.asks_zero and not scans else bumps
        by_drawing = replace(by_drawing, scans=found_scans, flaws=bumps, exchanged=exchanged)
    return FacingReport(
        mouthpiece_id=mouthpiece.id,
        measured=lay.measured,
        tip_opening_mm=lay.tip_opening_m / MM,
        u_tip_opening_mm=lay.u_tip_m / MM,
        facing_length_mm=fair.facing_length_m / MM,
        u_facing_length_mm=u_length / MM,
        u_facing_length_first_order_mm=fair.u_facing_length_m / MM,
        break_mm=fair.break_m / MM,
        u_break_mm=None if unsure is None else unsure.break_m / MM,
        exponent=exponent,
        u_exponent=u_exponent,
        covariance_mm2=_matrix(fair.covariance_m2),
        covariance_monte_carlo_mm2=None if unsure is None else _matrix(unsure.covariance_m2),
        smoothness_um=_times(part.smoothness_m, 1 / UM),
        u_smoothness_um=None if unsure is None else _times(unsure.smoothness_m, 1 / UM),
        smoothness_floor_um=None if unsure is None else _times(unsure.smoothness_floor_m, 1 / UM),
        left_facing_length_mm=sides[0].fair.facing_length_m / MM if sides else None,
        right_facing_length_mm=sides[1].fair.facing_length_m / MM if sides else None,
        u_rail_facing_length_mm=max(side.fair.u_facing_length_m for side in sides) / MM if sides else None,
        rail_difference_mm=_times(part.rail_difference_m, 1 / MM),
        u_rail_difference_mm=_times(
            unsure.rail_difference_m if unsure is not None and part.rail_difference_m is not None else part.u_rail_difference_m,
            1 / MM,
        ),
        rails=judge_rails(
            apart,
            read,
            limit_mm=None if drawing is None else drawing.rail_difference_mm,
            fault=None if by_drawing is None else by_drawing.fault,
            flaws_mm=[flaw.place_mm for flaw in bumps if flaw.sure],
            zero_known=all(scan.zero_um is not None for scan in found_scans),
        ),
        by_drawing=by_drawing,
        leak_mm2=_times(part.leak_m2, 1 / MM2),
        stations=read,
        scans=found_scans,
        bumps=bumps,
        rocking_um=None if test is None else _times(test.rocking_m, 1 / UM),
        u_rocking_um=None if test is None else _times(test.u_rocking_m, 1 / UM),
        twist_um=None if test is None else _times(test.twist_m, 1 / UM),
        u_twist_um=None if test is None else _times(test.u_twist_m, 1 / UM),
        twisted=test is not None and test.twisted,
        table=TableFound(
            mouthpiece.table_gap_mm,
            _rocking(test, by_drawing, drawn=drawing is not None and drawing.has_curve, scanned=bool(points)),
        ),
        budget=budget_of(spec),
        draws=0 if unsure is None else unsure.draws,
        seed=seed,
        assumed=(*part.assumed, *gauge_assumed(spec)) if rails else part.assumed,
        outline=None if unsure is None else _outline(part, unsure),
        days_of_a_rail=days_of_a_rail([*readings, *points]),
    )


def _heights_mm(rails: dict[str, Readings]) -> list[float]:
    return sorted({float(height) / MM for rail in rails.values() for height in rail.height_m})


def _times(value: float | None, factor: float) -> float | None:
    return None if value is None else value * factor


def _rocking(
    test: TableTest | None, judged: PieceJudged | None, *, drawn: bool, scanned: bool
) -> Literal["yes", "no", "no drawing", "scanned"]:
    """Return whether the readings show a plate that rocks on the table, or why that cannot be told."""
    if scanned:
        return "scanned"
    even = judged is not None and (judged.asks_zero or judged.fits is not None)
    if test is not None and test.rocks and not even:
        return "yes"
    return "no" if drawn else "no drawing"


READ = ("u_feeler_mm", "u_stop_mm", "u_tip_mm")
"""What enters the uncertainty of a facing."""
SIZES = ("u_scan_mm", "u_size_mm", "u_depth_mm", "u_table_mm", "u_volume_cm3")
"""What else a batch is judged with."""


def gauge_assumed(spec: HouseSpec, names: Sequence[str] = READ) -> tuple[Assumed, ...]:
    """Return the uncertainties of the gauge that neither the house nor a study ever stated: they are the defaults, and assumed."""
    stated = spec.gauge.model_fields_set if "gauge" in spec.model_fields_set else set()
    return tuple(
        Assumed("gauge", getattr(spec.gauge, name), name.rpartition("_")[2], like=name) for name in names if name not in stated
    )


def budget_of(spec: HouseSpec) -> dict[str, float]:
    """Return the standard uncertainties that entered."""
    gauge = spec.gauge
    return {
        "u_feeler_mm": gauge.u_feeler_mm,
        "u_stop_mm": gauge.u_stop_mm,
        "stop_step_mm": gauge.stop_step_mm,
        "u_operator_mm": gauge.u_operator_mm,
        "u_tip_mm": gauge.u_tip_mm,
    }


def _matrix(values: np.ndarray[Any, Any]) -> tuple[tuple[float, ...], ...]:
    return tuple(tuple(float(entry) / MM2 for entry in row) for row in values)


def _outline(part: FacingPart, unsure: Uncertainty) -> Outline:
    x, band = unsure.band_m
    lay = part.lay
    left, right = getattr(lay, "left", lay), getattr(lay, "right", lay)
    columns = (
        x / MM,
        lay.fair.height_m(x) / MM,
        left.height_m(x) / MM,
        right.height_m(x) / MM,
        (lay.height_m(x) - lay.fair.height_m(x)) / UM,
        band / UM,
    )
    return Outline(*(tuple(float(value) for value in column) for column in columns))
