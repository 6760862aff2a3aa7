"""What is said of one piece: every size with its verdict, and what is wrong, in the craftsman's terms."""

from __future__ import annotations

import math
import statistics
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Literal

from matchkit.maker.conformity.rule import CONFIDENCE, ORDER, Limits, Verdict, conformity_probability
from matchkit.maker.facts import Fault, FeatureAt
from matchkit.maker.measure.flaws import FlawFound
from matchkit.maker.measure.scanned import ScanFound
from matchkit.maker.measure.stations import RAILS, SURE_EVEN, moved_evenly, stray_rail

BAFFLES = ("baffle_height_mm", "baffle_10_mm", "baffle_15_mm")

UNEVEN = 0.4
"""Rails that differ at a feeler, and by less than this share of it at the others and at the thinnest one, differ there alone and not in length."""
LEAST_FEELERS = 4
SHORT = 2.0
"""A difference at the others, or at the thinnest one, that is within so many standard uncertainties is none."""

COARSE_STEP_MM = 0.2
"""Stops read to so much are said to be."""
LESS = 0.9
"""Reading again helps where it brings the uncertainty down to this share."""
ALL_STOPS = ("all stops short", "all stops long")

CAUSES = ("table_gap_mm", "rail_difference_mm", "tip_opening_mm")
"""Of several features that fail, these are named first, in this order: a table off its plane, a rail off the other and a tip off its
size make stops fail as well."""


@dataclass(frozen=True)
class Judged:
    """One feature of one piece: what was measured, what the drawing allows, and how probable it is that it conforms.

    ``feature`` is a column, or ``stop_mm`` or ``rail_difference_mm`` with ``feeler_mm`` (None: the mean over all feelers) and ``rail``.
    """

    feature: str
    rail: str | None
    feeler_mm: float | None
    value: float
    u: float
    nominal: float
    low: float | None
    high: float | None
    probability: float
    verdict: Verdict
    critical: bool
    u_fixed: float = 0.0
    """What of its uncertainty reading it again leaves: of a stop its step, the feeler and the person, of a difference of rails the step."""

    @property
    def off(self) -> float:
        """Value minus nominal."""
        return self.value - self.nominal

    @property
    def share(self) -> float:
        """How far off it is in parts of what is allowed: 0 in the middle of two limits, 1 or -1 on one of them.

        With one limit: 0 at the nominal and beyond it away from the limit.
        """
        if self.low is not None and self.high is not None:
            return (self.value - (self.low + self.high) / 2) / max((self.high - self.low) / 2, 1e-9)
        limit = self.high if self.low is None else self.low
        if limit is None:
            return 0.0
        way = 1.0 if self.low is None else -1.0
        room = way * (limit - self.nominal)
        towards = way * self.off
        if towards <= 0:
            return 0.0
        return way * (towards / room if room > 0 else 1 + towards / max(self.u, 1e-9))

    @property
    def middle(self) -> float:
        """The middle of two limits, else the nominal."""
        return self.nominal if self.low is None or self.high is None else (self.low + self.high) / 2

    @property
    def tellable(self) -> bool:
        """Whether reading it twice more could tell: a size in the middle of its limits would pass then."""
        limits = Limits(self.low, self.high)
        return conformity_probability(self.middle, u=self.u / math.sqrt(3), limits=limits) >= CONFIDENCE

    @property
    def again_helps(self) -> bool:
        """Whether reading it twice more would make it surer by a tenth or more."""
        own = max(self.u**2 - self.u_fixed**2, 0.0)
        return math.sqrt(self.u_fixed**2 + own / 3) <= LESS * self.u

    @property
    def at(self) -> FeatureAt:
        """The feature with its rail and feeler."""
        return FeatureAt(self.feature, self.rail, self.feeler_mm)

    def badness(self) -> tuple[int, int, float, float]:
        """Sort from bad to good: verdict, what causes the others to fail, probability, and how far from the middle of what is allowed."""
        half = 1e-9 if self.low is None or self.high is None else max((self.high - self.low) / 2, 1e-9)
        cause = CAUSES.index(self.feature) if self.verdict == "fail" and self.feature in CAUSES else len(CAUSES)
        return -ORDER[self.verdict], cause, self.probability, -abs(self.value - self.middle) / math.hypot(half, self.u)


@dataclass(frozen=True)
class PieceJudged:
    """One piece with its verdict: that of its worst critical feature.

    ``fault`` says what is wrong, or perhaps wrong. ``missing`` is what the drawing asks and nobody measured, ``unmeasured`` those of it for
    want of which the piece is, or would stay, inconclusive. ``minor`` are failures that are not critical, ``beside_mm`` feelers that the drawing has not.
    """

    mouthpiece_id: str
    serial: str | None
    model: str
    verdict: Verdict
    worst: Judged | None
    fault: Fault | None
    features: tuple[Judged, ...]
    missing: tuple[FeatureAt, ...]
    unmeasured: tuple[FeatureAt, ...]
    minor: tuple[Judged, ...]
    beside_mm: tuple[float, ...]
    scanned: bool = False
    """Whether its rails were scanned, and not read with feelers."""
    scans: tuple[ScanFound, ...] = ()
    """What the scans of its rails are worth."""
    stop_step_mm: float = 0.0
    """The step that its stops were read to, which is in every doubt."""
    flaws: tuple[FlawFound, ...] = ()
    """Bumps and flats that its readings show; no drawing limits them."""
    days_of_a_rail: tuple[str, ...] = ()
    """The days on which one rail was read, where they are several."""
    also: tuple[Fault, ...] = ()
    """What else is surely wrong with it, that its fault does not explain."""
    fits: str | None = None
    """The other model whose drawing it meets, where it does not meet its own: the model may be mistyped."""
    far_off: bool = False
    """Whether it is so far from its own drawing that nothing else is told of it then."""
    exchanged: bool = False
    """Whether its rails are as they were read before, the other way round."""

    @property
    def asks_zero(self) -> bool:
        """Whether every stop is off by the same, so that the zero of the gauge is to be looked at: what feelers show beside that may be the zero."""
        return any(fault.kind in ALL_STOPS for fault in (self.fault, *self.also) if fault is not None)

    @property
    def of_another(self) -> bool:
        """Whether it is rather a piece of another model than one that is out of its own drawing."""
        return self.far_off and self.fits is not None

    @property
    def lacks_table(self) -> bool:
        """Whether a scan of it shows too little of the table for its zero to be told."""
        return any(not scan.shows_table for scan in self.scans)

    @property
    def wants_measuring(self) -> bool:
        """Whether it is inconclusive for want of a measurement, and not because one is too coarse."""
        return self.verdict == "inconclusive" and (self.worst is None or self.worst.verdict == "pass")


def _there_alone(feeler_mm: float, each: Mapping[float, Judged], sign: float) -> bool:
    """Tell whether the rails differ at one feeler alone: neither at the others on average nor at the thinnest one, by so much and surely."""
    others = [judged for feeler, judged in each.items() if feeler != feeler_mm]
    if not others:
        return False
    mean, u = (
        sum(sign * judged.value for judged in others) / len(others),
        math.hypot(*(judged.u for judged in others)) / len(others),
    )
    size = sign * each[feeler_mm].value
    if feeler_mm == min(each):  # a rail that is short is so most of all there
        return mean <= SHORT * u
    thin = each[min(each)]
    looked = ((mean, u), (sign * thin.value, thin.u))
    return all(value < UNEVEN * size or value <= SHORT * doubt for value, doubt in looked)


def _makes_the_mean(each: Mapping[float, Judged], sign: float) -> float | None:
    """Return the feeler at which the rails differ most where most others, and the thinnest one, differ by far less: as by a bump; None where all do."""
    if len(each) < LEAST_FEELERS:
        return None
    off = {feeler: sign * judged.value for feeler, judged in each.items()}
    top, thin = max(off, key=lambda feeler: off[feeler]), min(off)
    alike = max(statistics.median(off.values()), off[thin])
    return top if top != thin and alike < UNEVEN * off[top] else None


ON_DRAWING = 0.25
"""A rail whose stops are off by at most this share of what the other ones are off is where it was drawn."""


def _too_long(short: Literal["left", "right"], features: Sequence[Judged]) -> Literal["left", "right"] | None:
    """Return the other rail than the short one, where that one is as drawn and this one too long."""
    stops = [judged for judged in features if judged.feature == "stop_mm"]
    off = {rail: [judged.off for judged in stops if judged.rail == rail] for rail in RAILS}
    if not all(off.values()):
        return None
    other: Literal["left", "right"] = "right" if short == "left" else "left"
    mine, theirs = statistics.fmean(off[short]), statistics.fmean(off[other])
    return other if theirs > 0 and abs(mine) <= ON_DRAWING * theirs else None


def _rails_fault(worst: Judged, features: Sequence[Judged]) -> Fault:
    """Return which rail is short, all along, or which leaves its own line at one feeler alone."""
    apart = [judged for judged in features if judged.feature == worst.feature]
    size, sure, feeler = abs(worst.off), worst.verdict == "fail", worst.feeler_mm
    sign = -1.0 if worst.value < 0 else 1.0
    rail: Literal["left", "right"] = "left" if worst.value < 0 else "right"
    mean = next((sign * judged.value for judged in apart if judged.feeler_mm is None), None)
    each = {judged.feeler_mm: judged for judged in apart if judged.feeler_mm is not None}
    thinnest = sign * each[min(each)].value if each else None
    level = any(  # on average, beside what they are there
        judged.feeler_mm is None and judged.verdict != "fail" and abs(judged.value) < UNEVEN * size for judged in apart
    )
    there = feeler is not None and feeler in each and (_there_alone(feeler, each, sign) or (level and feeler != min(each)))
    top = _makes_the_mean(each, sign) if feeler is None else feeler if there else None
    if top is None:
        off_rail = _too_long(rail, features)
        return Fault("rail short", worst.feature, size, rail, feeler, sure, mean, thinnest, off_rail=off_rail)
    fault = Fault("rails uneven", worst.feature, sign * each[top].value, rail, top, sure, mean, thinnest)
    off: dict[str, dict[float, float]] = {"left": {}, "right": {}}
    for judged in features:
        if judged.feature == "stop_mm" and judged.rail is not None and judged.feeler_mm is not None:
            off[judged.rail][judged.feeler_mm] = judged.off
    stray = stray_rail(off, top)
    return fault if stray in (None, rail) else replace(fault, rail=stray, way="long")


def faults_beside(first: Fault, features: Sequence[Judged]) -> tuple[Fault, ...]:
    """Return what else is surely wrong beside the first fault and by another cause: sizes that fail, and all stops off by the same.

    A table off its plane may be why anything else fails.
    """
    if not first.sure or first.feature == "table_gap_mm":
        return ()
    failed = sorted((judged for judged in features if judged.critical and judged.verdict == "fail"), key=Judged.badness)
    sizes = [judged for judged in failed if judged.feature not in (first.feature, "stop_mm", "rail_difference_mm")]
    zero = None if first.feature == "stop_mm" else _zero_beside(first, features)
    return (*(() if zero is None else (zero,)), *(fault_of(judged, features) for judged in sizes))


def _zero_beside(first: Fault, features: Sequence[Judged]) -> Fault | None:
    """Return that every stop is off by the same beside another fault: on the rail that is sound, and the same way on the other one."""
    stops = [judged for judged in features if judged.feature == "stop_mm" and judged.feeler_mm != first.feeler_mm]
    rails = {rail: [judged for judged in stops if judged.rail == rail] for rail in RAILS}
    sound = stops if first.rail not in RAILS or first.feeler_mm is not None else rails[RAILS[first.rail == "left"]]
    if not all(rails.values()) or all(judged.verdict != "fail" for judged in sound):
        return None
    means = [statistics.fmean(judged.off for judged in mine) for mine in rails.values()]
    u = max(judged.u for judged in stops)
    least = min(means, key=abs)
    alike = means[0] * means[1] > 0 and abs(least) > SURE_EVEN * u / math.sqrt(len(stops) / 2)
    if not alike or not moved_evenly([judged.off for judged in sound], u):
        return None
    mean = statistics.fmean(judged.off for judged in sound)
    return Fault("all stops short" if mean < 0 else "all stops long", "stop_mm", abs(mean), "both", None, sure=True)


def _stops_fault(worst: Judged, stops: Sequence[Judged]) -> Fault:
    """Return which rail stops short or long, or that every stop of both does by the same."""
    sure, low = worst.verdict == "fail", worst.off < 0
    if len({judged.rail for judged in stops}) == len(RAILS) and moved_evenly(
        [judged.off for judged in stops], max(judged.u for judged in stops)
    ):
        mean = statistics.fmean(judged.off for judged in stops)
        return Fault("all stops short" if low else "all stops long", worst.feature, abs(mean), "both", None, sure)
    both = [judged for judged in stops if judged.feeler_mm == worst.feeler_mm]
    alike = len(both) == len(RAILS) and all(judged.off * worst.off > 0 and judged.verdict != "pass" for judged in both)
    rail: Literal["left", "right", "both"] = "both" if alike else "left" if worst.rail == "left" else "right"
    return Fault("stop short" if low else "stop long", worst.feature, abs(worst.off), rail, worst.feeler_mm, sure)


def fault_of(worst: Judged, features: Sequence[Judged]) -> Fault:
    """Return what is wrong, in the craftsman's terms, from the worst feature and the others beside it."""
    size, sure = abs(worst.off), worst.verdict == "fail"
    low = worst.off < 0
    if worst.feature == "rail_difference_mm":
        return _rails_fault(worst, features)
    if worst.feature == "stop_mm":
        return _stops_fault(worst, [judged for judged in features if judged.feature == "stop_mm"])
    if worst.feature == "tip_opening_mm":
        return Fault("tip too close" if low else "tip too open", worst.feature, size, sure=sure)
    if worst.feature == "table_gap_mm":
        return Fault("table hollow" if worst.value < 0 else "table convex", worst.feature, abs(worst.value), sure=sure)
    if worst.feature in BAFFLES:  # its size is a depth under the rails: a small one stands high
        return Fault("baffle too high" if low else "baffle too low", worst.feature, size, sure=sure)
    return Fault("below the drawing" if low else "above the drawing", worst.feature, size, sure=sure)
