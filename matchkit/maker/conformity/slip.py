"""What a whole batch is off by: then the drawing, or the zero of the gauge, is looked at before any piece."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from matchkit.errors import PhysicsInputError, Problem
from matchkit.maker.conformity.drawing import one_of_several
from matchkit.maker.conformity.judged import Judged, PieceJudged, fault_of, faults_beside
from matchkit.maker.conformity.rule import CONFIDENCE, Limits, conformity_probability, judge
from matchkit.maker.facts import Fault, FeatureAt
from matchkit.maker.measure.stations import SAME_FEELER_MM, drawn_curve
from matchkit.records.parts import FacingReading
from matchkit.records.spec import Drawing
from matchkit.units import MM

Array = NDArray[np.float64]

LEAST_PIECES = 5
"""With fewer pieces a batch has no mean worth asking about."""
LARGE = 0.5
"""The middle piece is off by at least this share of what is allowed ..."""
LARGE_EVERYWHERE = 0.3
"""... or by this on average over all stations, all of them the same way."""
SURE = 4.0
"""... and by so many standard errors of the mean."""
LEAST_THIRD = 3
"""Of fewer pieces a third tells nothing."""
STEADY = 0.3
"""The smaller of what the first and the last third of the pieces are off by is at least this share of the larger."""
EVEN = 0.5
"""Stops that differ by less than this share of what they are off on average are off evenly."""
SAME_WAY = 0.8
"""... and at least this share of the pieces are off the same way."""


@dataclass(frozen=True)
class Slip:
    """A size by which the batch as a whole misses its drawing; ``feeler_mm`` is that of the station, None where every stop is off.

    ``off_mm`` is the mean over the pieces (for a size other than millimetres in its own unit) and ``u_off_mm`` its standard error; ``by_others_mm`` is
    where the rest of the drawing puts that stop. ``alone`` are the pieces that nothing else speaks against.
    """

    kind: Literal["one stop", "every stop", "size"]
    model: str
    at: FeatureAt
    nominal: float | None
    off_mm: float
    u_off_mm: float
    count: int
    by_others_mm: float | None = None
    least_mm: float | None = None
    most_mm: float | None = None
    """The smallest and the largest of what every stop is off by."""
    alone: tuple[str, ...] = ()

    @property
    def even(self) -> bool:
        """Whether every stop is off by much the same, as it is where the zero of the gauge is off."""
        if self.least_mm is None or self.most_mm is None:
            return False
        return abs(self.most_mm - self.least_mm) <= max(EVEN * abs(self.off_mm), SURE * self.u_off_mm)

    @property
    def drawing_bent(self) -> bool:
        """Whether the drawing disagrees with itself the same way, by at least half of what the pieces are off."""
        if self.by_others_mm is None or self.nominal is None:
            return False
        return (self.by_others_mm - self.nominal) / self.off_mm > LARGE


OTHER_UNITS = {25.4: "in inches? then their key is stop_in", 10.0: "in centimetres?", 0.1: "in tenths of a mm?"}
LEAST_RATIOS, LIKE_UNIT, MOSTLY = 12, 0.2, 0.8
"""From so many readings a drawing is known to be in another unit: most of them are that many times what is drawn, within a fifth."""


def in_another_unit(model: str, readings: Sequence[FacingReading], drawing: Drawing) -> Problem | None:
    """Return that the stops of a drawing are all in another unit than those that were read; None where they are not."""
    ratios = np.array(
        [
            reading.stop_mm / station.stop_mm
            for reading in readings
            for station in drawing.station
            if abs(reading.feeler_mm - station.feeler_mm) <= SAME_FEELER_MM
        ]
    )
    if len(ratios) < LEAST_RATIOS:
        return None
    middle = float(np.median(ratios))
    for factor, hint in OTHER_UNITS.items():
        if abs(np.log(middle / factor)) < LIKE_UNIT and np.mean(np.abs(np.log(ratios / factor)) < 2 * LIKE_UNIT) > MOSTLY:
            read = f"stops up to {max(station.stop_mm for station in drawing.station):.3g} mm"
            expected = f"stops as the pieces have them, {factor:.3g} times as far from the tip"
            return Problem("house.toml", None, f"drawing.{model}.station", read, expected, hint)
    return None


def find_slips(pieces: Sequence[PieceJudged], drawings: dict[str, Drawing]) -> tuple[Slip, ...]:
    """Return what the pieces of each model miss together, stops first."""
    found: list[Slip] = []
    for model in dict.fromkeys(piece.model for piece in pieces):
        mine = [piece for piece in pieces if piece.model == model and not piece.of_another]
        if len(mine) >= LEAST_PIECES:
            slips = [*_stops(mine, drawings[model], model), *_sizes(mine, model)]
            found += [
                replace(slip, alone=tuple(piece.mouthpiece_id for piece in mine if _only(piece, slip, slips))) for slip in slips
            ]
    return tuple(found)


def advised(pieces: Sequence[PieceJudged], slips: Sequence[Slip]) -> tuple[PieceJudged, ...]:
    """Return the pieces with what is wrong with each apart from the slips: a size that may be drawn wrong is no reason to take anything off."""
    found = []
    for piece in pieces:
        mine = [slip for slip in slips if slip.model == piece.model]
        if piece.fault is None or not any(_covers(slip, judged) for slip in mine for judged in piece.features):
            found.append(piece)
            continue
        rest = [_without(judged, mine) for judged in piece.features]
        feelers = [judged for judged in rest if judged.feature == "rail_difference_mm" and judged.feeler_mm is not None]
        rest = [judged for judged in rest if judged not in feelers] + one_of_several(feelers)
        bad = sorted((judged for judged in rest if judged.critical and judged.verdict != "pass"), key=Judged.badness)
        fault = _as_read(fault_of(bad[0], rest), bad[0], piece.features) if bad else None
        found.append(replace(piece, fault=fault, also=() if fault is None else faults_beside(fault, rest)))
    return tuple(found)


def _as_read(fault: Fault, worst: Judged, features: Sequence[Judged]) -> Fault:
    """Return a fault with its size as it was read against the drawing, which is what would be worked off; it is sure where both ways tell it."""
    (read,) = (judged for judged in features if judged.at == worst.at)
    told = fault_of(read, features)
    return replace(told, sure=fault.sure and told.sure)


def _without(judged: Judged, slips: Sequence[Slip]) -> Judged:
    """Return a size as it would be judged without what the whole batch is off there; what is good as it was read stays so."""
    if judged.verdict == "pass":
        return judged
    off = next((_of_slip(slip, judged) for slip in slips if _covers(slip, judged)), None)
    if off is None:
        return judged
    value, limits = judged.value - off, Limits(judged.low, judged.high)
    verdict = judge(value, u=judged.u, limits=limits, confidence=CONFIDENCE)
    return replace(judged, value=value, verdict=verdict, probability=conformity_probability(value, u=judged.u, limits=limits))


def _of_slip(slip: Slip, judged: Judged) -> float:
    """Return what of a size is the slip's: where every stop is off unevenly, as much as there is at any of them."""
    if slip.least_mm is None or slip.most_mm is None:
        return slip.off_mm
    return min(max(judged.off, slip.least_mm), slip.most_mm)


def explains(slip: Slip, judged: Judged) -> bool:
    """Tell whether a size is what it is for a slip: one that it covers, and that would not fail without what the whole batch is off."""
    return _covers(slip, judged) and _without(judged, [slip]).verdict != "fail"


def _covers(slip: Slip, judged: Judged) -> bool:
    if slip.kind == "every stop":
        return judged.feature == "stop_mm"
    if slip.at.feature == "rail_difference_mm":  # every feeler of it
        return judged.feature == slip.at.feature
    return judged.feature == slip.at.feature and judged.feeler_mm == slip.at.feeler_mm


def _only(piece: PieceJudged, slip: Slip, slips: Sequence[Slip]) -> bool:
    """Tell a piece that is not good for this slip, and for nothing that is no slip."""
    bad = [judged for judged in piece.features if judged.critical and judged.verdict != "pass"]
    return (
        bool(bad)
        and any(explains(slip, judged) for judged in bad)
        and all(any(explains(one, judged) for one in slips) for judged in bad)
    )


def _stops(pieces: Sequence[PieceJudged], drawing: Drawing, model: str) -> list[Slip]:
    columns: dict[float, list[tuple[float, float]]] = defaultdict(list)
    nominal = {}
    for piece in pieces:
        read: dict[float, list[Judged]] = defaultdict(list)
        for judged in piece.features:
            if judged.feature == "stop_mm" and judged.feeler_mm is not None:
                read[judged.feeler_mm].append(judged)
        for feeler, both in read.items():
            nominal[feeler] = both[0].nominal
            columns[feeler].append((float(np.mean([j.off for j in both])), float(np.mean([j.share for j in both]))))
    looked = {feeler: _off(column) for feeler, column in columns.items() if len(column) >= LEAST_PIECES}
    if len(looked) >= 3 and _everywhere(list(looked.values())):
        offs = np.array([off.mean for off in looked.values()])
        at = FeatureAt("stop_mm")
        u = float(np.sqrt(np.mean([off.u**2 for off in looked.values()])))
        least, most = float(offs.min()), float(offs.max())
        return [Slip("every stop", model, at, None, float(offs.mean()), u, len(pieces), least_mm=least, most_mm=most)]
    return [
        Slip(
            "one stop",
            model,
            FeatureAt("stop_mm", None, feeler),
            nominal[feeler],
            off.mean,
            off.u,
            off.count,
            by_others_mm=_by_others_mm(drawing, feeler),
        )
        for feeler, off in sorted(looked.items())
        if off.large
    ]


def _sizes(pieces: Sequence[PieceJudged], model: str) -> list[Slip]:
    columns: dict[str, list[Judged]] = defaultdict(list)
    for piece in pieces:
        for judged in piece.features:
            if judged.feature != "stop_mm" and not (judged.feature == "rail_difference_mm" and judged.feeler_mm is not None):
                columns[judged.feature].append(judged)
    found = []
    for feature, column in columns.items():
        off = _off([(judged.off, judged.share) for judged in column], float(np.mean([judged.u for judged in column])))
        if len(column) >= LEAST_PIECES and off.large:
            found.append(Slip("size", model, FeatureAt(feature), column[0].nominal, off.mean, off.u, off.count))
    return found


@dataclass(frozen=True)
class _Off:
    """How far pieces are off at one place: the mean, its standard error, the middle piece over what is allowed, and how many the same way."""

    mean: float
    u: float
    share: float
    same_way: float
    count: int
    steady: bool = True
    """Whether the first pieces are off as the last ones are: what grows from piece to piece is a drift."""

    @property
    def sure(self) -> bool:
        return abs(self.mean) > SURE * self.u and self.same_way >= SAME_WAY and self.steady

    @property
    def large(self) -> bool:
        return self.sure and abs(self.share) >= LARGE


def _off(column: Sequence[tuple[float, float]], u: float = 0.0) -> _Off:
    """Return how far pieces are off at one place, each known to ``u``: a coarse scale shows several of them alike."""
    offs, shares = np.array(column).T
    middle = float(np.median(offs))
    scatter = 1.4826 * float(np.median(np.abs(offs - middle)))  # a few bad pieces do not hide it
    inner = offs[np.abs(offs - middle) <= 3 * scatter] if scatter > 0 else offs
    mean = float(inner.mean())
    spread = max(float(inner.std(ddof=1)), u) / np.sqrt(len(inner)) if len(inner) > 1 else np.inf
    share = float(np.median(shares))
    return _Off(mean, float(spread), share, float(np.mean(shares * share > 0)), len(offs), _steady(offs))


def _steady(offs: Array) -> bool:
    """Tell whether the first third of some pieces is off as the last third is, or nearly so."""
    third = len(offs) // 3
    if third < LEAST_THIRD:
        return True
    first, last = float(np.median(offs[:third])), float(np.median(offs[-third:]))
    small, large = sorted((first, last), key=abs)
    return small * large > 0 and abs(small) >= STEADY * abs(large)


def _everywhere(offs: Sequence[_Off]) -> bool:
    ways = {np.sign(off.mean) for off in offs}
    shares = np.abs([off.share for off in offs])
    return len(ways) == 1 and all(off.sure for off in offs) and float(shares.mean()) >= LARGE_EVERYWHERE


def _by_others_mm(drawing: Drawing, feeler_mm: float) -> float | None:
    """Return where the drawing without this station has that height; None where too few are left to say."""
    rest = tuple(station for station in drawing.station if station.feeler_mm != feeler_mm)
    if len(rest) == len(drawing.station):
        return None
    try:
        curve = drawn_curve(drawing.model_copy(update={"station": rest}))
    except PhysicsInputError:
        return None
    if curve is None:
        return None
    return float(curve.place_m(feeler_mm * MM)) / MM
