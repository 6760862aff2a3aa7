"""One piece against the drawing of its model: every feature that was measured, judged with its uncertainty."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from matchkit import constants
from matchkit.maker.conformity.judged import Judged, PieceJudged, fault_of, faults_beside
from matchkit.maker.conformity.rule import CONFIDENCE, Limits, Verdict, conformity_probability, judge
from matchkit.maker.facts import FeatureAt
from matchkit.maker.measure.stations import (
    SAME_FEELER_MM,
    at_feeler,
    drawn_curve,
    is_scanned,
    mean_apart,
    rails_apart,
    u_stop_m,
)
from matchkit.physics.lay.fair import THIN, FairCurve, Readings, nominal_curve
from matchkit.records.parts import Mouthpiece
from matchkit.records.spec import Drawing, Gauge, Station
from matchkit.units import MM

Array = NDArray[np.float64]

UNCERTAINTY_OF = {
    "tip_opening_mm": "u_tip_mm",
    "table_gap_mm": "u_table_mm",
    "baffle_height_mm": "u_depth_mm",
    "baffle_10_mm": "u_depth_mm",
    "baffle_15_mm": "u_depth_mm",
    "chamber_volume_cm3": "u_volume_cm3",
}
"""Which gauge measures a feature; every other one is taken with callipers."""


def judge_piece(
    piece: Mouthpiece,
    rails: dict[str, Readings],
    *,
    drawing: Drawing,
    gauge: Gauge,
    confidence: float = CONFIDENCE,
    curve: FairCurve | None = None,
) -> PieceJudged:
    """Judge everything of a piece that was measured; ``curve`` is :func:`drawn_curve` of the drawing, where it is at hand."""
    fair = curve or drawn_curve(drawing) or _usual_curve(piece, drawing)
    found: list[Judged] = []
    missing: list[FeatureAt] = []
    critical: list[FeatureAt] = []
    for station in drawing.station:
        for rail in ("left", "right"):
            at = at_feeler(rails.get(rail), station.feeler_mm)
            if at is None:
                missing.append(FeatureAt("stop_mm", rail, station.feeler_mm))
                continue
            low, high = station.limits_mm
            u = u_stop_m(rails[rail], at, fair) / MM
            value = float(rails[rail].place_m[at]) / MM
            stop = _judged(
                "stop_mm", value, u, (station.stop_mm, low, high), station.critical, confidence, rail, station.feeler_mm
            )
            found.append(replace(stop, u_fixed=_u_fixed_mm(rails[rail], at, u)))
    found += _differences(rails, drawing, fair, confidence)
    if not all(rail.grounded for rail in rails.values()):  # a wrong zero would do as much
        found = [replace(judged, verdict="inconclusive") if judged.verdict == "fail" else judged for judged in found]
    for name, feature in drawing.features.items():
        value = getattr(piece, name)
        if value is None:
            missing.append(FeatureAt(name))
            critical += [FeatureAt(name)] if feature.critical else []
            continue
        u = getattr(gauge, UNCERTAINTY_OF.get(name, "u_size_mm"))
        if name == "tip_opening_mm" and rails:  # a plate that rocks lifts the tip most
            u = math.hypot(u, next(iter(rails.values())).u_tilt * fair.break_m / MM)
        found.append(_judged(name, float(value), u, (feature.nominal, *feature.limits), feature.critical, confidence))
    judged = _summed_up(piece, found, missing, critical, _beside_mm(rails, drawing.station))
    step = max((rail.u_step_m for rail in rails.values()), default=0.0) * math.sqrt(12) / MM
    return replace(judged, scanned=any(map(is_scanned, rails.values())), stop_step_mm=round(step, 6))


def _u_fixed_mm(rail: Readings, at: int, u_mm: float) -> float:
    """Return what of the doubt of a stop is neither touch nor a scan's: its step, the feeler and the person, whom reading again leaves as they are."""
    if is_scanned(rail):
        return 0.0
    touch = (float(rail.u_place_m[at]) ** 2 - rail.u_step_m**2) / MM**2
    return math.sqrt(max(u_mm**2 - max(touch, 0.0), 0.0))


def _usual_curve(piece: Mouthpiece, drawing: Drawing) -> FairCurve:
    """Return the arc through the tip of a piece and the thinnest station, for a drawing that gives no whole facing."""
    tip = piece.tip_opening_mm
    length = constants.FEATURE_SCALES["facing_length"].typical[piece.instrument]
    thin = min(drawing.station, key=lambda station: station.feeler_mm, default=None)
    if thin is not None and thin.feeler_mm < tip:
        edge = thin.stop_mm / (1 - math.sqrt(thin.feeler_mm / tip))
        length = edge * (1 - math.sqrt(THIN / MM / tip))
    sizes = {"tip_opening_m": tip * MM, "facing_length_m": length * MM}
    return nominal_curve(**sizes, u_tip_m=constants.U_TIP_NOMINAL.value * MM, u_facing_m=constants.U_FACING_NOMINAL.value * MM)


def _beside_mm(rails: dict[str, Readings], stations: Sequence[Station]) -> tuple[float, ...]:
    """Return the feelers that were read and that the drawing does not have."""
    drawn = np.array([station.feeler_mm for station in stations] or [math.inf])
    read = {round(float(height) / MM, 4) for rail in rails.values() for height in rail.height_m}
    return tuple(sorted(feeler for feeler in read if np.abs(drawn - feeler).min() > SAME_FEELER_MM))


def _judged(
    feature: str,
    value: float,
    u: float,
    allowed: tuple[float, float | None, float | None],
    critical: bool,  # noqa: FBT001 - it goes straight into the record
    confidence: float,
    rail: str | None = None,
    feeler_mm: float | None = None,
) -> Judged:
    nominal, low, high = allowed
    limits = Limits(low, high)
    return Judged(
        feature=feature,
        rail=rail,
        feeler_mm=feeler_mm,
        value=value,
        u=u,
        nominal=nominal,
        low=low,
        high=high,
        probability=conformity_probability(value, u=u, limits=limits),
        verdict=judge(value, u=u, limits=limits, confidence=confidence),
        critical=critical,
    )


def _differences(rails: dict[str, Readings], drawing: Drawing, fair: FairCurve, confidence: float) -> list[Judged]:
    """Judge left minus right over all feelers, and at each: the feeler and the person cancel, only touch and step remain, and the planes of scans.

    The mean over the feelers decides; one feeler by itself counts where it fails though it is one of several that were looked at.
    """
    most = drawing.rail_difference_mm
    if most is None or len(rails) < 2:
        return []
    drawn = [station.feeler_mm for station in drawing.station]
    read = [float(height) / MM for height in np.intersect1d(rails["left"].height_m, rails["right"].height_m)]
    beside = [feeler for feeler in read if not any(abs(feeler - one) <= SAME_FEELER_MM for one in drawn)]
    asked = drawn or read  # others count in the mean, as in everything told of the rails
    apart = rails_apart(rails, fair, (*drawn, *beside))
    limits = (0.0, -most, most)
    step = math.hypot(*(rail.u_step_m / MM for rail in rails.values() if not is_scanned(rail)))  # what reading again leaves
    each = [
        replace(
            _judged("rail_difference_mm", one.value_mm, one.u_mm, limits, False, confidence, None, one.feeler_mm),  # noqa: FBT003
            u_fixed=step,
        )
        for one in apart
        if one.feeler_mm in asked
    ]
    found = one_of_several(each, confidence)
    if (mean := mean_apart(apart)) is not None:
        whole = _judged("rail_difference_mm", *mean, limits, True, confidence)  # noqa: FBT003
        found.append(replace(whole, u_fixed=step / math.sqrt(len(apart))))
    return found


def one_of_several(found: Sequence[Judged], confidence: float = CONFIDENCE) -> list[Judged]:
    """Return sizes of which the worst counts by itself only where it fails surely: by chance alone it must not fail a sound piece."""
    surely = (1 - confidence) / max(len(found), 1)
    several = []
    for judged in found:
        sure = judged.verdict == "fail" and judged.probability <= surely
        verdict: Verdict = "inconclusive" if judged.verdict == "fail" and not sure else judged.verdict
        several.append(replace(judged, critical=sure, verdict=verdict))
    return several


def _summed_up(
    piece: Mouthpiece,
    found: list[Judged],
    missing: list[FeatureAt],
    critical: list[FeatureAt],
    beside_mm: tuple[float, ...],
) -> PieceJudged:
    ordered = sorted(found, key=Judged.badness)
    worst = next((judged for judged in ordered if judged.critical), None)
    verdict: Verdict = "inconclusive" if worst is None else worst.verdict
    unread = tuple(at for at in missing if at.feature == "stop_mm")
    unmeasured = unread or tuple(critical)
    fault = None if worst is None or verdict == "pass" else fault_of(worst, found)
    if verdict == "pass" and unmeasured:
        verdict = "inconclusive"
    return PieceJudged(
        mouthpiece_id=piece.id,
        serial=piece.serial,
        model=str(piece.model),
        verdict=verdict,
        worst=worst,
        fault=fault,
        features=tuple(found),
        missing=tuple(missing),
        unmeasured=unmeasured if verdict == "inconclusive" else (),
        minor=tuple(judged for judged in ordered if not judged.critical and judged.verdict == "fail"),
        beside_mm=beside_mm,
        also=() if fault is None else faults_beside(fault, found),
    )


FAR_OFF = 0.5
"""A piece with at least this share of its sizes out of drawing may be of another model ..."""
LEAST_LIKE = 4
"""... where it meets the drawing of that one, by at least so many stops."""


def with_model(
    judged: PieceJudged, piece: Mouthpiece, rails: dict[str, Readings], *, drawings: Mapping[str, Drawing], gauge: Gauge
) -> PieceJudged:
    """Return a piece with the one other model whose drawing it meets, where it does not meet its own.

    Rails that differ are no question of the model; where nothing but every stop is off, by the same, it is as likely the zero of the gauge.
    """
    asked = [one for one in judged.features if one.critical]
    if judged.verdict != "fail" or judged.fault is None or judged.fault.feature == "rail_difference_mm":
        return judged
    found = []
    for model, drawing in drawings.items():
        if model == piece.model:
            continue
        other = judge_piece(piece, rails, drawing=drawing, gauge=gauge)
        stops = sum(one.feature == "stop_mm" for one in other.features)
        if stops >= LEAST_LIKE and other.verdict == "pass":
            found.append(model)
    if len(found) != 1:
        return judged
    sizes = any(one.verdict == "fail" for one in asked if one.feature != "stop_mm")
    far = sum(one.verdict == "fail" for one in asked) >= FAR_OFF * len(asked)
    return replace(judged, fits=found[0], far_off=far and (sizes or not judged.asks_zero))


def judged_with(
    piece: Mouthpiece,
    rails: dict[str, Readings],
    *,
    drawing: Drawing,
    gauge: Gauge,
    touch: float,
    step_mm: float,
    rest: float,
    curve: FairCurve | None,
) -> Verdict:
    """Return the verdict that the same values would have with other uncertainties.

    ``touch`` is a factor on the touch of the stops, ``step_mm`` their step, ``rest`` a factor on feelers, people, scans and
    everything that is not a stop.
    """
    finer = step_mm / gauge.stop_step_mm if gauge.stop_step_mm else rest  # a piece may have a step of its own
    changed = {
        name: replace(rail, u_place_m=rail.u_place_m * rest, u_common_m=rail.u_common_m * rest, lifts_m=rail.lifts * rest)
        for name, rail in rails.items()
        if is_scanned(rail)
    }
    changed |= {
        name: replace(
            rail,
            u_place_m=np.sqrt(np.maximum(rail.u_place_m**2 - rail.u_step_m**2, 0.0) * touch**2 + (finer * rail.u_step_m) ** 2),
            u_height_m=rail.u_height_m * rest,
            u_common_m=rail.u_common_m * rest,
        )
        for name, rail in rails.items()
        if not is_scanned(rail)
    }
    others = {name: getattr(gauge, name) * rest for name in {*UNCERTAINTY_OF.values(), "u_size_mm"}}
    return judge_piece(piece, changed, drawing=drawing, gauge=gauge.model_copy(update=others), curve=curve).verdict
