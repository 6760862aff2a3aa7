"""A plan closed with the readings after the work: where each feeler was to stop, and where it does."""

from __future__ import annotations

from dataclasses import dataclass
from typing import ClassVar

from matchkit.maker.facts import RefaceTarget
from matchkit.maker.measure.history import Size, mean_stops
from matchkit.maker.measure.report import FacingReport
from matchkit.maker.reface.plan import RefacePlan
from matchkit.results import Answer

SAME_FEELER_MM = 6e-4


@dataclass(frozen=True)
class StopDone:
    """Where a feeler was to stop and where it stops now, the mean of the rails; ``off_mm`` above 0 is further from the tip than planned."""

    feeler_mm: float
    planned_mm: float
    read_mm: float
    off_mm: float
    u_off_mm: float


@dataclass(frozen=True)
class RefaceDone(Answer):
    """A refacing held against its plan, which was made from the readings before it."""

    schema: ClassVar[str] = "reface_done"
    table_of: ClassVar[str] = "stops"
    row_type: ClassVar[type] = StopDone

    mouthpiece_id: str
    target: RefaceTarget
    before: str | None
    after: str | None
    planned_tip_mm: float
    tip_mm: Size
    tip_off_mm: Size
    stops: tuple[StopDone, ...]


def close_plan(plan: RefacePlan, report: FacingReport, *, before: str | None, after: str | None) -> RefaceDone:
    """Hold the facing after the work against a plan; feelers that only one of them has are left out."""
    now = mean_stops(report)
    stops = []
    for row in plan.removals:
        feeler = next((value for value in now if abs(value - row.feeler_mm) <= SAME_FEELER_MM), None)
        if row.place_mm > 0 and feeler is not None:
            read = now[feeler]
            stops.append(StopDone(feeler, row.place_mm, read.value, read.value - row.place_mm, read.u))
    tip = Size(report.tip_opening_mm, report.u_tip_opening_mm)
    off = Size(tip.value - plan.target_tip_opening_mm, tip.u)
    return RefaceDone(
        plan.mouthpiece_id, plan.target, before, after, plan.target_tip_opening_mm, tip, off, tuple(reversed(stops))
    )
