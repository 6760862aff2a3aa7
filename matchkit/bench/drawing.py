"""One piece against the drawing of its model: every feature that was measured, judged with its uncertainty."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from matchkit.bench.conformity import CONFIDENCE, ORDER, Limits, Verdict, conformity_probability, judge
from matchkit.bench.facing_report import drawn_curve, u_stop_m
from matchkit.match.parts import rails_of
from matchkit.physics.fair import FairCurve, Readings
from matchkit.records.parts import FacingReading, LayPoint, Mouthpiece
from matchkit.records.spec import Drawing, Gauge, Station

SAME_LEAF_MM = 0.0006
"""A reading belongs to a station of the drawing whose leaf is within this of its own (leaves marked in inches are rounded)."""

UNCERTAINTY_OF = {
    "tip_opening_mm": "u_tip_mm",
    "table_gap_mm": "u_table_mm",
    "baffle_height_mm": "u_depth_mm",
    "baffle_10_mm": "u_depth_mm",
    "baffle_15_mm": "u_depth_mm",
    "chamber_volume_cm3": "u_volume_cm3",
}
"""Which gauge measures a feature; every other one is taken with callipers."""

WORDS = {
    "tip_opening_mm": "tip opening",
    "table_gap_mm": "table",
    "tip_rail_mm": "tip rail",
    "side_rail_mm": "side rails",
    "window_width_mm": "window width",
    "window_length_mm": "window length",
    "baffle_height_mm": "baffle at 5 mm",
    "baffle_10_mm": "baffle at 10 mm",
    "baffle_15_mm": "baffle at 15 mm",
    "chamber_volume_cm3": "chamber",
    "throat_diameter_mm": "throat",
    "shank_bore_mm": "shank bore",
    "body_diameter_mm": "body",
}


CAUSES = ("table_gap_mm", "rail_difference_mm", "tip_opening_mm")
"""Of several features that fail, these are named first, in this order: a table off its plane, a rail off the other and a tip off its
size make stops fail as well."""


@dataclass(frozen=True)
class Judged:
    """One feature of one piece: what was measured, what the drawing allows, and how probable it is that it conforms.

    ``feature`` is a column, or ``stop_mm`` or ``rail_difference_mm`` with ``feeler_mm`` (None: the mean over all leaves) and ``rail``.
    """

    feature: str
    rail: str | None
    feeler_mm: float | None
    value: float
    u: float
    nominal: float
    low: float
    high: float
    probability: float
    verdict: Verdict
    critical: bool

    @property
    def off(self) -> float:
        """Value minus nominal."""
        return self.value - self.nominal

    @property
    def short(self) -> str:
        """The feature in few words, for a table."""
        leaf = "" if self.feeler_mm is None else f" {self.feeler_mm:g} mm"
        if self.feature == "stop_mm":
            return f"{self.rail} rail{leaf}"
        return f"left minus right{leaf}" if self.feature == "rail_difference_mm" else WORDS[self.feature]

    @property
    def place(self) -> str:
        """The feature in words, with its station and rail."""
        if self.feature == "stop_mm":
            return f"{self.rail} rail at the {self.feeler_mm:g} mm leaf"
        if self.feature == "rail_difference_mm":
            return "rails against one another" + ("" if self.feeler_mm is None else f" at the {self.feeler_mm:g} mm leaf")
        return WORDS[self.feature]

    def badness(self) -> tuple[int, int, float, float]:
        """Sort from bad to good: verdict, what causes the others to fail, probability, and how far from the middle of what is allowed."""
        middle, half = (self.low + self.high) / 2, max((self.high - self.low) / 2, 1e-9)
        cause = CAUSES.index(self.feature) if self.verdict == "fail" and self.feature in CAUSES else len(CAUSES)
        return -ORDER[self.verdict], cause, self.probability, -abs(self.value - middle) / math.hypot(half, self.u)


@dataclass(frozen=True)
class PieceJudged:
    """One piece with its verdict: that of its worst critical feature. ``missing`` names what the drawing asks and nobody measured."""

    mouthpiece_id: str
    serial: str | None
    model: str
    verdict: Verdict
    worst: Judged | None
    advice: str
    features: tuple[Judged, ...]
    missing: tuple[str, ...]
    remarks: tuple[str, ...]

    @property
    def unmeasured(self) -> bool:
        """Whether it is inconclusive for want of a measurement, and not because one is too coarse."""
        return self.verdict == "inconclusive" and (self.worst is None or self.worst.verdict == "pass")


def rails_at_stations(
    piece: Mouthpiece, readings: Sequence[FacingReading], points: Sequence[LayPoint], *, drawing: Drawing, gauge: Gauge
) -> dict[str, Readings]:
    """Give the rails of a piece, a scanned one read at the leaves of the drawing."""
    heights = np.array(sorted((station.feeler_mm for station in drawing.station), reverse=True)) * 1e-3
    return rails_of(piece, readings, points, gauge=gauge, heights_m=heights)


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
    fair = drawn_curve(drawing) if curve is None else curve
    found: list[Judged] = []
    missing: list[str] = []
    unmeasured: list[str] = []
    for station in drawing.station:
        for rail in ("left", "right"):
            at = _at(rails.get(rail), station.feeler_mm)
            if at is None:
                missing.append(f"{rail} rail at the {station.feeler_mm:g} mm leaf")
                continue
            low, high = station.limits_mm
            u = u_stop_m(rails[rail], at, fair) * 1e3
            value = float(rails[rail].place_m[at]) * 1e3
            found.append(
                _judged(
                    "stop_mm", value, u, (station.stop_mm, low, high), station.critical, confidence, rail, station.feeler_mm
                )
            )
    found += _differences(rails, drawing, confidence)
    for name, feature in drawing.features.items():
        value = getattr(piece, name)
        if value is None:
            missing.append(WORDS[name])
            unmeasured += [WORDS[name]] if feature.critical else []
            continue
        u = getattr(gauge, UNCERTAINTY_OF.get(name, "u_size_mm"))
        if name == "tip_opening_mm" and rails:  # a plate that rocks lifts the tip most
            u = math.hypot(u, next(iter(rails.values())).u_tilt * fair.break_m * 1e3)
        found.append(_judged(name, float(value), u, (feature.nominal, *feature.limits), feature.critical, confidence))
    return _summed_up(piece, found, missing, unmeasured, _beside(rails, drawing.station))


def _at(rail: Readings | None, feeler_mm: float) -> int | None:
    if rail is None:
        return None
    near = np.flatnonzero(np.abs(rail.height_m * 1e3 - feeler_mm) <= SAME_LEAF_MM)
    return int(near[0]) if len(near) else None


def _beside(rails: dict[str, Readings], stations: Sequence[Station]) -> tuple[str, ...]:
    """Say which leaves were read that the drawing does not have."""
    drawn = np.array([station.feeler_mm for station in stations])
    read = {round(float(height) * 1e3, 4) for rail in rails.values() for height in rail.height_m}
    beside = sorted(leaf for leaf in read if np.abs(drawn - leaf).min() > SAME_LEAF_MM)
    return (f"not in the drawing, and not judged: {', '.join(f'{leaf:g}' for leaf in beside)} mm leaf",) if beside else ()


def _judged(
    feature: str,
    value: float,
    u: float,
    allowed: tuple[float, float, float],
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


def _differences(rails: dict[str, Readings], drawing: Drawing, confidence: float) -> list[Judged]:
    """Judge left minus right over all leaves, and at each: the leaf and the person cancel, only touch and step remain.

    The mean over the leaves decides; one leaf by itself counts where it fails though it is one of several that were looked at.
    """
    most = drawing.rail_difference_mm
    if most is None or len(rails) < 2:
        return []
    found, values, variances = [], [], []
    for station in drawing.station:
        at = {name: _at(rail, station.feeler_mm) for name, rail in rails.items()}
        if at["left"] is None or at["right"] is None:
            continue
        value = float(rails["left"].place_m[at["left"]] - rails["right"].place_m[at["right"]]) * 1e3
        u = math.hypot(*(rails[name].u_place_m[place] for name, place in at.items() if place is not None)) * 1e3
        judged = _judged("rail_difference_mm", value, u, (0.0, -most, most), False, confidence, None, station.feeler_mm)  # noqa: FBT003
        found.append(judged)
        values.append(value)
        variances.append(u**2)
    surely = (1 - confidence) / max(len(found), 1)  # the worst of several, by chance alone, must not fail a sound piece
    found = [replace(judged, critical=judged.probability <= surely) for judged in found]
    if values:
        u = math.sqrt(sum(variances)) / len(values)
        found.append(_judged("rail_difference_mm", float(np.mean(values)), u, (0.0, -most, most), True, confidence))  # noqa: FBT003
    return found


def _summed_up(
    piece: Mouthpiece, found: list[Judged], missing: list[str], unmeasured: list[str], beside: tuple[str, ...]
) -> PieceJudged:
    ordered = sorted(found, key=Judged.badness)
    counted = [judged for judged in ordered if judged.critical]
    worst = counted[0] if counted else None
    verdict: Verdict = "inconclusive" if worst is None else worst.verdict
    remarks = [
        f"{judged.place} {judged.value:.2f}, outside {judged.low:.2f} to {judged.high:.2f}; not critical"
        for judged in ordered
        if not judged.critical and judged.verdict == "fail"
    ]
    advice = "nothing the drawing asks for was measured" if worst is None else advise(worst, found)
    unread = [name for name in missing if "rail at the" in name]
    if verdict == "pass" and unread:
        whole = not any(judged.feature == "stop_mm" for judged in found)
        what = "no stop" if whole else f"{unread[0]}" + (f" and {len(unread) - 1} more stops" if len(unread) > 1 else "")
        verdict, advice = "inconclusive", f"not read: {what}; the facing is not judged there"
    if verdict == "pass" and unmeasured:
        verdict, advice = "inconclusive", f"not measured, and critical: {', '.join(unmeasured)}"
    return PieceJudged(
        mouthpiece_id=piece.id,
        serial=piece.serial,
        model=str(piece.model),
        verdict=verdict,
        worst=worst,
        advice="" if verdict == "pass" else advice,
        features=tuple(found),
        missing=tuple(missing),
        remarks=(*remarks, *beside),
    )


def advise(worst: Judged, features: Sequence[Judged]) -> str:
    """Say what is wrong and what to do, in the craftsman's terms; what is not decided is measured again before it is touched."""
    what, remedy = _what_is_wrong(worst, features)
    return (
        f"{what}: {remedy}" if worst.verdict == "fail" else f"perhaps {what}: measure again, with repeats, before touching it"
    )


def _what_is_wrong(worst: Judged, features: Sequence[Judged]) -> tuple[str, str]:
    """Give what is wrong and its remedy; removing material is the only move on a facing (common practice, no source)."""
    size = abs(worst.off)
    if worst.feature == "rail_difference_mm":
        side = "left" if worst.value < 0 else "right"
        return (
            f"{side} rail {size:.2f} mm short against the other",
            "lengthen it to meet the other, and look at the table first",
        )
    if worst.feature == "stop_mm":
        both = [judged for judged in features if judged.feature == "stop_mm" and judged.feeler_mm == worst.feeler_mm]
        alike = len(both) == 2 and all(judged.off * worst.off > 0 and judged.verdict != "pass" for judged in both)
        who = f"{'both rails' if alike else f'{worst.rail} rail'} {size:.2f} mm"
        if worst.off < 0:
            return f"{who} short at the {worst.feeler_mm:g} mm leaf", "take material off there"
        return f"{who} long at the {worst.feeler_mm:g} mm leaf", "only facing the table down shortens it"
    if worst.feature == "tip_opening_mm":
        what = f"tip {size:.2f} mm too {'close' if worst.off < 0 else 'open'}"
        return what, "open it towards the tip" if worst.off < 0 else "only facing the table down closes it"
    if worst.feature == "table_gap_mm":
        kind = "hollow" if worst.value < 0 else "convex"
        return f"table {kind} by {abs(worst.value):.3f} mm", "flatten it first, and measure everything again"
    return _wrong_size(worst, size)


def _wrong_size(worst: Judged, size: float) -> tuple[str, str]:
    if worst.feature.startswith("baffle"):  # its size is a depth under the rails: a small one stands high
        high = worst.off < 0
        return (
            f"{WORDS[worst.feature]} {size:.2f} mm too {'high' if high else 'low'}",
            "take material off there" if high else "nothing can be put back on it",
        )
    return (
        f"{WORDS[worst.feature]} {size:.2f} {'below' if worst.off < 0 else 'above'} the drawing",
        "see whether removing can mend it",
    )


def _scanned(rail: Readings) -> bool:
    """Tell a scan from feelers: it has no leaf that could be off."""
    return bool(np.all(rail.u_height_m <= 1e-8))


def judged_with(
    piece: Mouthpiece,
    rails: dict[str, Readings],
    *,
    drawing: Drawing,
    gauge: Gauge,
    touch: float,
    step_mm: float,
    rest: float,
    curve: FairCurve,
) -> Verdict:
    """Give the verdict that the same values would have with other uncertainties.

    ``touch`` is a factor on the touch of the stops, ``step_mm`` their step, ``rest`` a factor on leaves, people, scans and
    everything that is not a stop.
    """
    old = gauge.stop_step_mm * 1e-3
    changed = {
        name: replace(rail, u_place_m=rail.u_place_m * rest, u_common_m=rail.u_common_m * rest)
        for name, rail in rails.items()
        if _scanned(rail)
    }
    changed |= {
        name: replace(
            rail,
            u_place_m=np.sqrt(np.maximum(rail.u_place_m**2 - old**2 / 12, 0.0) * touch**2 + (step_mm * 1e-3) ** 2 / 12),
            u_height_m=rail.u_height_m * rest,
            u_common_m=rail.u_common_m * rest,
        )
        for name, rail in rails.items()
        if not _scanned(rail)
    }
    others = {name: getattr(gauge, name) * rest for name in {*UNCERTAINTY_OF.values(), "u_size_mm"}}
    return judge_piece(piece, changed, drawing=drawing, gauge=gauge.model_copy(update=others), curve=curve).verdict
