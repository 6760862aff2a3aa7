"""A plan closed with the readings after the work: where each feeler was to stop on either rail, and where it does."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from statistics import NormalDist, fmean
from typing import ClassVar

from matchkit.maker.conformity.judged import Judged
from matchkit.maker.conformity.rule import ORDER, Verdict
from matchkit.maker.facts import FeatureAt, RefaceTarget
from matchkit.maker.measure.history import Changed, Doubt, Size, changed, rails_apart
from matchkit.maker.measure.report import FacingReport
from matchkit.maker.measure.stations import RAILS, SAME_FEELER_MM, moved_evenly
from matchkit.maker.reface.plan import RefacePlan
from matchkit.results import Answer

CHANCE = 0.05
"""Share of facings that went as planned of which a stop may be called off."""
OF_FACING = ("stop_mm", "rail_difference_mm", "tip_opening_mm")
"""What of a drawing a refacing is to meet."""


@dataclass(frozen=True)
class StopDone:
    """Where a feeler was to stop on a rail, and where it stops now; ``off_mm`` above 0 is further from the tip than planned."""

    feeler_mm: float
    rail: str
    planned_mm: float
    read_mm: float
    off_mm: float
    u_off_mm: float


LEAST_STOPS, SURELY, LEAST_OFF_MM = 4, 3.5, 0.1
"""A rail is off its plan as a whole where so many stops or more are on average, by so many standard uncertainties of that and by so much."""


@dataclass(frozen=True)
class RailOff:
    """How far the stops of a rail are off the plan on average; above 0 they are further from the tip."""

    rail: str
    mean_mm: float


@dataclass(frozen=True)
class AgainstDrawing:
    """How the facing stands against its drawing now: the verdict on all that was read of it, and what is not within."""

    verdict: Verdict
    out: tuple[FeatureAt, ...]


@dataclass(frozen=True)
class RefaceDone(Answer):
    """A refacing held against its plan, which was made from the readings before it; ``rails_mm`` is left minus right over the feelers.

    ``drawing`` is None where the plan was for something else.
    """

    schema: ClassVar[str] = "reface_done"
    table_of: ClassVar[str] = "stops"
    row_type: ClassVar[type] = StopDone

    mouthpiece_id: str
    target: RefaceTarget
    before: str | None
    after: str | None
    tip_before_mm: Size
    """The tip opening before the work, less what the plan faces the table down: it cannot be closer."""
    planned_tip_mm: float
    tip_mm: Size
    tip_off_mm: Size
    rails_mm: Size | None
    drawing: AgainstDrawing | None
    stops: tuple[StopDone, ...]
    untouched: bool = False
    """Whether nothing moved, as far as the gauge can tell, since the readings before the work."""
    doubt: Doubt | None = None
    """What cannot be the work at the bench: every feeler off the plan by the same, rails for one another, or a facing that grew shorter.

    None where the drawing is met all the same.
    """

    @property
    def only_rail(self) -> str | None:
        """The one rail that was read after the work, where it was one."""
        rails = {stop.rail for stop in self.stops}
        return next(iter(rails)) if len(rails) == 1 else None

    @property
    def _limit(self) -> float:
        """How many standard uncertainties are surely off the plan: one stop or the tip is by chance in 5 of 100 facings that went as planned, at most."""
        return NormalDist().inv_cdf(1 - CHANCE / 2 / (len(self.stops) + 1))

    @property
    def off(self) -> tuple[StopDone, ...]:
        """Stops that are surely off the plan."""
        return tuple(stop for stop in self.stops if abs(stop.off_mm) > self._limit * stop.u_off_mm)

    @property
    def rails_off(self) -> tuple[RailOff, ...]:
        """Rails that are off the plan as a whole, though each stop by itself may be as planned: by their mean, each stop weighed by how well it is known."""
        found = []
        for rail in RAILS:
            mine = [stop for stop in self.stops if stop.rail == rail]
            if len(mine) < LEAST_STOPS:
                continue
            weights = [stop.u_off_mm**-2 for stop in mine]  # the mean that is known best
            mean, u = fmean((stop.off_mm for stop in mine), weights), math.fsum(weights) ** -0.5
            if abs(mean) > max(SURELY * u, LEAST_OFF_MM):
                found.append(RailOff(rail, mean))
        return tuple(found)

    @property
    def tip_surely_off_mm(self) -> float:
        """By how much the tip is surely off the plan; 0 where it may be as planned."""
        return self.tip_off_mm.value if abs(self.tip_off_mm.value) > self._limit * self.tip_off_mm.u else 0.0


def close_plan(
    plan: RefacePlan,
    was: FacingReport,
    report: FacingReport,
    *,
    before: str | None,
    after: str | None,
    judged: Sequence[Judged] | None = None,
) -> RefaceDone:
    """Hold the facing after the work against a plan, rail by rail; feelers that only one of them has are left out.

    ``was`` is the facing before the work; ``judged`` is what the drawing says of the piece now, where it was to go there.
    """
    stops = []
    for row in plan.removals:
        read = next((one for one in report.stations if abs(one.feeler_mm - row.feeler_mm) <= SAME_FEELER_MM), None)
        if row.place_mm <= 0 or read is None:
            continue
        for rail, value, u in (("left", read.left_mm, read.u_left_mm), ("right", read.right_mm, read.u_right_mm)):
            if value is not None and u is not None:
                off = value - row.place_mm  # the plan rests on readings as doubtful as these
                stops.append(StopDone(read.feeler_mm, rail, row.place_mm, value, off, math.sqrt(2) * u))
    tip = Size(report.tip_opening_mm, report.u_tip_opening_mm)
    against = None if judged is None else _against(judged)
    change = changed((before, was), (after, report))
    untouched = bool(change.stops) and not change.moved and not change.tip_opening_mm.sure and not change.facing_length_mm.sure
    return RefaceDone(
        plan.mouthpiece_id,
        plan.target,
        before,
        after,
        Size(plan.tip_opening_mm - plan.table_down_mm, plan.u_tip_opening_mm),
        plan.target_tip_opening_mm,
        tip,
        Size(tip.value - plan.target_tip_opening_mm, math.hypot(tip.u, plan.u_tip_opening_mm)),  # as the stops are
        rails_apart(report),
        against,
        tuple(sorted(stops, key=lambda stop: stop.feeler_mm)),
        untouched,
        None if untouched or (against is not None and against.verdict == "pass") else _doubt(plan, stops, change),
    )


def _doubt(plan: RefacePlan, stops: Sequence[StopDone], change: Changed) -> Doubt | None:
    """Return what cannot be the work: a table that is faced down makes a facing shorter, and a plan may move every feeler alike."""
    if change.doubt == "exchanged":
        return "exchanged"
    if len({stop.rail for stop in stops}) == len(RAILS) and not change.tip_opening_mm.sure:
        u = max(stop.u_off_mm for stop in stops)
        on_the_way = all(stop.off_mm < 0 for stop in stops) and all(stop.by_mm.value > 0 for stop in change.stops)
        if moved_evenly([stop.off_mm for stop in stops], u) and not on_the_way:
            return "all alike"
    shorter = any(stop.by_mm.value < 0 for stop in change.moved) or change.doubt == "grew back"
    return "grew back" if shorter and plan.table_down_mm <= 0 else None


def _against(judged: Sequence[Judged]) -> AgainstDrawing | None:
    """Return how what was read of the facing stands against its drawing; None where the drawing asks for none of it."""
    asked = [one for one in judged if one.feature in OF_FACING and one.critical]
    if not asked:
        return None
    worst = max((one.verdict for one in asked), key=ORDER.__getitem__)
    return AgainstDrawing(worst, tuple(one.at for one in asked if one.verdict == "fail"))
