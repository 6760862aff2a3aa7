"""How little brings a facing within its drawing: from its nearest fair curve as far towards the drawn one as its limits ask for."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np

from matchkit.maker.conformity.judged import Judged
from matchkit.maker.conformity.rule import CONFIDENCE, Limits, conformity_probability
from matchkit.maker.reface.plan import Blank, stop_m, surely_over
from matchkit.maker.reface.target import ALIKE_M, Array, Worn, nearest_fair
from matchkit.physics.lay.fair import THIN, FairCurve
from matchkit.records.spec import Drawing
from matchkit.units import MM

WAYS = 41
"""So many curves are tried from the fair one to the drawn one."""
DEPTHS = 13
"""So many depths are tried where the table may be faced down."""


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
    fair = nearest_fair(worn)
    curves = [
        FairCurve((1 - way) * fair.parameters + way * drawn.parameters, np.zeros((4, 4)), np.zeros(4))
        for way in np.linspace(0.0, 1.0, WAYS)
    ]
    tried = [(curve, float(surely_over(flat, curve).max()) if table_down else 0.0) for curve in curves]
    if table_down and (deepest := tried[-1][1]) > ALIKE_M:
        tried += [(nearest_fair(worn.lowered(down)), float(down)) for down in np.linspace(0.0, deepest, DEPTHS)]
    left = [flat.lowered(down).worn.height_m for _, down in tried]
    final = [np.maximum(curve.height_m(flat.x_m), height) for (curve, _), height in zip(tried, left, strict=True)]
    for sure in (True, False):
        meets = [at for at, heights in enumerate(final) if all(size.keeps(flat.x_m, heights, sure=sure) for size in asked)]
        if meets:
            off = {at: (round(tried[at][1] / ALIKE_M), float(np.trapezoid(final[at] - left[at], flat.x_m))) for at in meets}
            best = min(meets, key=off.__getitem__)
            return WithinDrawing(*tried[best], sure)
    return None


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
