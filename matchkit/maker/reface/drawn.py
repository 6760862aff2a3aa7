"""How little brings a facing within its drawing: from its nearest fair curve as far towards the drawn one as its limits ask for."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from contextlib import suppress
from dataclasses import dataclass, field, replace

import numpy as np

from matchkit.errors import PhysicsInputError, RequestError
from matchkit.maker.conformity.judged import Judged
from matchkit.maker.conformity.rule import CONFIDENCE, Limits, conformity_probability, guard_band
from matchkit.maker.facts import OutOfReach
from matchkit.maker.measure.stations import drawn_curve
from matchkit.maker.reface.plan import Blank, surely_over
from matchkit.maker.reface.target import ALIKE_M, Array, Worn, fair_with_tip, nearest_fair, stop_m
from matchkit.physics.lay.facing import Lay
from matchkit.physics.lay.fair import THIN, FairCurve
from matchkit.records.spec import Drawing
from matchkit.units import MM, UM

WAYS = 41
"""So many curves are tried from the fair one to the drawn one."""
DEPTHS = 13
"""So many depths are tried where the table may be faced down."""
INSIDE = 1.03
"""So many guard bands inside a limit a size passes surely, where the other limit is near too."""
TIPS, FEW_WAYS = 9, 9
"""So many tip openings are tried that the drawing allows, and from each so many curves to the drawn one."""


@dataclass(frozen=True)
class WithinDrawing:
    """A curve that meets a drawing, and what the table is faced down for it; ``sure`` where that is beyond what the gauge cannot tell."""

    curve: FairCurve
    table_down_m: float
    sure: bool


@dataclass(frozen=True)
class _Asked:
    """One size of a facing: at which height it stops (None: the tip), its nominal and its limits in mm, and how well it is told."""

    height_m: float | None
    nominal: float
    limits: Limits
    u: float

    def keeps(self, x_m: Array, height_m: Array, *, sure: bool) -> bool:
        """Tell whether heights over places (n,) meet it: as surely as a size passes, or as its nominal would."""
        at = float(height_m[0]) if self.height_m is None else stop_m(x_m, height_m, self.height_m)
        if at is None:
            return False
        likely, drawn = (conformity_probability(size, u=sure * self.u, limits=self.limits) for size in (at / MM, self.nominal))
        return likely >= min(CONFIDENCE, drawn)

    def as_far(self, flat: Blank) -> _Asked:
        """Return it without its upper limit, where the lay is nearer to that than its doubt, or beyond it."""
        lay = flat.worn.height_m
        only_high = replace(self, limits=Limits(None, self.limits.high))
        return self if only_high.keeps(flat.x_m, lay, sure=True) else replace(self, limits=Limits(self.limits.low, None))


def within_drawing(
    flat: Blank,
    worn: Worn,
    drawn: FairCurve,
    drawing: Drawing,
    judged: Sequence[Judged],
    *,
    table_down: bool,
    as_far: bool = False,
) -> WithinDrawing | None:
    """Return the curve that meets the drawing with the least off the table, and of these with the least off the rails.

    Tried are curves between the nearest fair one and ``drawn``, and, where the table may be faced down, the nearest fair ones of what is then left.
    ``judged`` holds how well each size of the piece is told. What meets the drawing surely is taken before what only meets it; None where nothing does.
    With ``as_far`` a size that is too large already, which removing cannot mend, is asked to be no smaller than its lower limit.
    """
    asked = tuple(_asked(drawing, judged))
    if as_far:
        asked = tuple(size.as_far(flat) for size in asked)
    tried = [
        (curve, float(surely_over(flat, curve).max()) if table_down else 0.0) for curve in _between(nearest_fair(worn), drawn)
    ]
    if table_down and (deepest := tried[-1][1]) > ALIKE_M:
        tried += [(nearest_fair(worn.lowered(down)), float(down)) for down in np.linspace(0.0, deepest, DEPTHS)]
    edge = _lower_edge(drawing, asked, worn)
    if not table_down:
        tried += [(curve, 0.0) for curve in _with_tips(worn, drawn, drawing)]
        tried += [] if edge is None else [(curve, 0.0) for curve in (edge, *_between(edge.fair, drawn))]
    for sure in (True, False):
        best = _best(flat, tried, asked, sure=sure)
        if best is not None and best[1] > 0:
            best = _least_table(flat, worn, drawn, drawing, best, asked, sure=sure)
        if best is not None and best[1] > 0:
            best = _least_at(flat, worn, drawn, drawing, best, asked, sure=sure)
        if best is not None:
            return WithinDrawing(*best, sure)
    return None


def _least_table(
    flat: Blank, worn: Worn, drawn: FairCurve, drawing: Drawing, best: _Tried, asked: Sequence[_Asked], *, sure: bool
) -> _Tried:
    """Return what meets the drawing with less off the table than a way that does, sought by halves."""
    low, high = 0.0, best[1]
    while high - low > ALIKE_M:
        middle = (low + high) / 2
        lowered = worn.lowered(middle)
        edge = _lower_edge(drawing, asked, lowered)
        curves = [] if edge is None else [edge, *_between(edge.fair, drawn, FEW_WAYS)]
        curves += _between(nearest_fair(lowered), drawn, FEW_WAYS)
        found = _best(flat, [(curve, middle) for curve in curves], asked, sure=sure)
        if found is None:
            low = middle
        else:
            high, best = middle, found
    return best


_Tried = tuple[FairCurve, float]
"""A curve, and what the table is faced down for it."""


def _best(flat: Blank, tried: Sequence[_Tried], asked: Sequence[_Asked], *, sure: bool) -> _Tried | None:
    """Return what meets every size with the least off the table, and of these with the least off the rails; None where nothing does."""
    least: tuple[tuple[int, float], _Tried] | None = None
    for curve, down in tried:
        left = flat.lowered(down).worn.height_m
        final = np.maximum(curve.height_m(flat.x_m), left)
        cost = round(down / ALIKE_M), float(np.trapezoid(final - left, flat.x_m))
        if (least is None or cost < least[0]) and all(size.keeps(flat.x_m, final, sure=sure) for size in asked):
            least = cost, (curve, down)
    return None if least is None else least[1]


def _between(fair: FairCurve, drawn: FairCurve, ways: int = WAYS) -> list[FairCurve]:
    """Return curves from a fair one to the drawn one."""
    return [
        FairCurve((1 - way) * fair.parameters + way * drawn.parameters, np.zeros((4, 4)), np.zeros(4))
        for way in np.linspace(0.0, 1.0, ways)
    ]


def _with_tips(worn: Worn, drawn: FairCurve, drawing: Drawing) -> list[FairCurve]:
    """Return curves of tip openings that the drawing allows, each with the least off the rails, and those between them and the drawn one."""
    feature = drawing.features.get("tip_opening_mm")
    if feature is None:
        return []
    low, high = (feature.nominal if limit is None else limit for limit in feature.limits)
    found: list[FairCurve] = []
    for tip in np.linspace(low * MM, high * MM, TIPS):
        if tip < worn.tip_m - ALIKE_M:
            continue
        with suppress(RequestError):  # no fair curve of that tip covers what is there
            found += _between(fair_with_tip(worn, float(tip)), drawn, FEW_WAYS)
    return found


def _least_at(
    flat: Blank, worn: Worn, drawn: FairCurve, drawing: Drawing, best: _Tried, asked: Sequence[_Asked], *, sure: bool
) -> _Tried:
    """Return what meets the drawing with the least off the rails, the table faced down by what it must be."""
    down = best[1]
    lowered = worn.lowered(down)
    edge = _lower_edge(drawing, asked, lowered)
    others = [*_with_tips(lowered, drawn, drawing), *_between(nearest_fair(lowered), drawn)]
    if edge is not None:
        others += [edge, *_with_tips(lowered, edge.fair, drawing), *_between(edge.fair, best[0]), *_between(edge.fair, drawn)]
    return _best(flat, [best, *((curve, down) for curve in others)], asked, sure=sure) or best


@dataclass(frozen=True)
class ThroughStops(FairCurve):
    """A curve just through the stops of stations, that shares break and lengths with the fair one nearest to them."""

    places_m: Array = field(default_factory=lambda: np.zeros(0))
    heights_m: Array = field(default_factory=lambda: np.zeros(0))
    """The tip, the stations and the break (n,), as of a lay that was read there."""

    @property
    def fair(self) -> FairCurve:
        """The fair one."""
        return FairCurve(self.parameters, self.covariance, self.with_tip)

    def height_m(self, x_m: Array) -> Array:
        """Return the height over ``x_m`` (any shape), 0 behind the break."""
        return Lay(self.places_m, self.heights_m, self.fair, 0.0, measured=True).height_m(x_m)


def _lower_edge(drawing: Drawing, asked: Sequence[_Asked], lowered: Worn) -> ThroughStops | None:
    """Return the curve through the lower limits of a drawing, by the doubt inside them, where the rails lose least; None where there is none."""
    feature = drawing.features.get("tip_opening_mm")
    low = {size.height_m: size.limits.low + INSIDE * guard_band(size.u) for size in asked if size.limits.low is not None}
    if feature is None:
        return None
    tip = max(min(low.get(None, feature.nominal), feature.nominal), lowered.tip_m / MM)
    stations = [
        station.model_copy(update={"stop_mm": min(low.get(station.feeler_mm * MM, station.stop_mm), station.stop_mm)})
        for station in drawing.station
        if station.feeler_mm < tip
    ]
    moved = {"station": stations, "tip_opening_mm": feature.model_copy(update={"nominal": tip})}
    fair = None
    with suppress(PhysicsInputError):
        fair = drawn_curve(drawing.model_copy(update=moved))
    places = np.array([0.0, *sorted(station.stop_mm for station in stations)]) * MM
    if fair is None or fair.break_m <= places[-1] or np.any(np.diff(places) <= 0):
        return None
    heights = np.array([tip, *sorted((station.feeler_mm for station in stations), reverse=True)]) * MM
    at = np.append(places, fair.break_m), np.append(heights, 0.0)
    return ThroughStops(fair.parameters, fair.covariance, fair.with_tip, places_m=at[0], heights_m=at[1])


def beyond_limits(x_m: Array, height_m: Array, drawn: FairCurve, drawing: Drawing) -> tuple[OutOfReach, ...]:
    """Return the sizes of heights over places (n,) that lie past the upper limit of a drawing, which removing cannot mend, the tip first."""
    found = []
    for size in sorted(_asked(drawing, ()), key=lambda one: -np.inf if one.height_m is None else -one.height_m):
        place = 0.0 if size.height_m is None else stop_m(x_m, height_m, size.height_m)
        if place is None or size.limits.high is None:
            continue
        at, feeler = (float(height_m[0]), None) if size.height_m is None else (place, size.height_m / MM)
        if at / MM > size.limits.high:
            above = float(np.interp(place, x_m, height_m) - drawn.height_m(np.array([place]))[0])
            found.append(OutOfReach(place / MM, above / UM, feeler, at / MM - size.limits.high))
    return tuple(found)


def _asked(drawing: Drawing, judged: Sequence[Judged]) -> Iterator[_Asked]:
    """Yield the sizes of a drawing that a curve decides."""
    doubts: dict[tuple[str, float | None], float] = {}
    for one in judged:
        at = one.feature, one.feeler_mm
        doubts[at] = max(one.u, doubts.get(at, 0.0))
    stops = [u for (feature, _), u in doubts.items() if feature == "stop_mm"]
    other = max(stops, default=0.0)
    for station in drawing.station:
        u = doubts.get(("stop_mm", station.feeler_mm), other)
        yield _Asked(station.feeler_mm * MM, station.stop_mm, Limits(*station.limits_mm), u)
    for name, height in (("tip_opening_mm", None), ("facing_length_mm", THIN)):
        feature = drawing.features.get(name)
        if feature is not None:
            yield _Asked(height, feature.nominal, Limits(*feature.limits), doubts.get((name, None), other))
