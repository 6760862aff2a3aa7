"""A plan of what to take off a facing, where, and in which order: only removal is possible.

Facing the table down by ``d`` lowers the plane from which heights are counted, so it closes the tip by ``d`` and brings the break
forward; everything else only raises heights.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import ClassVar, Literal

import numpy as np
from numpy.typing import NDArray

from matchkit import constants
from matchkit.facts import Assumed
from matchkit.maker.facts import Against, OutOfReach, PlanNote, RefaceTarget
from matchkit.maker.measure.flaws import FlawFound
from matchkit.maker.reface.target import ALIKE_M, MOST_OPENED_M, Worn, stop_m
from matchkit.parts.facing import FacingPart
from matchkit.physics.lay.facing import Lay, MeanLay
from matchkit.physics.lay.fair import SEEN, FairCurve, Readings
from matchkit.results import Answer
from matchkit.units import MM, UM

Array = NDArray[np.float64]

SHORT_OF_TIP_M, LEAST_FOR_TIP_M = 0.05 * MM, 0.01 * MM
"""The curve is worked to within this of the tip opening, or half of what comes off there, and the tip is finished by itself; not where
less than the second would be left for that."""
TIP_REGION_M = 5 * MM
"""What is left for the tip is left within this of it."""
STEP_M = 0.1 * MM
BAFFLE_PLACE_M = 5 * MM
"""The baffle is measured so far behind the tip rail."""
SURE = 2.0
"""A change of less than so many standard uncertainties (root mean square over the facing) is within what the gauge can tell ..."""
SURE_ANYWHERE = 5.0
"""... where it is nowhere as much as so many."""
APART = 3.0
"""Rails that nowhere differ by so many standard uncertainties of their difference are level, as far as the gauge can tell."""
LEAST_WALL_MM = 1.5
"""A wall that would become thinner than this is not worked on (assumed)."""

WALL_MATTERS_M = 0.05 * MM
"""Below this no wall becomes too thin (common practice, no source)."""

GROWTH = Assumed("growth of side rails", constants.RAIL_GROWTH.value, "mm/mm")

StepName = Literal["measure", "table", "rails", "curve", "tip", "rail widths", "baffle and window edge", "finish"]


@dataclass(frozen=True)
class Removal:
    """What to take off at one station, in µm: the tip, or where a feeler shall stop at the end."""

    place_mm: float
    feeler_mm: float
    left_um: float
    right_um: float
    u_um: float


@dataclass(frozen=True)
class StopAt:
    """Where one feeler stops on the rails after a step; None where it does not enter at all."""

    feeler_mm: float
    left_mm: float | None
    right_mm: float | None


@dataclass(frozen=True)
class Step:
    """One step of the work and what to expect after it; ``side_rail_mm`` where it grew most.

    ``idle`` says that nothing is to be taken off in it.
    """

    name: StepName
    idle: bool
    tip_opening_mm: float
    stops: tuple[StopAt, ...]
    baffle_height_mm: float | None
    tip_rail_mm: float | None
    side_rail_mm: float | None
    most_removed_um: float


@dataclass(frozen=True)
class BeforeAfter:
    """One house reed on the piece as it is and as it would be."""

    reed: str
    closing_pressure_before_kpa: float
    closing_pressure_after_kpa: float
    u_closing_pressure_kpa: float
    playing_opening_before_mm: float
    playing_opening_after_mm: float
    closing_share_before: float
    closing_share_after: float


@dataclass(frozen=True)
class RefacePlan(Answer):
    """The whole plan; ``do_not`` holds the reasons against doing it, and is empty where there are none.

    ``table_down_mm`` is what the table is faced down in this plan, ``needs_table_down_mm`` what it would take to reach the target
    everywhere; ``unreached`` says where the target stays out of reach by removing alone.
    """

    schema: ClassVar[str] = "reface"
    table_of: ClassVar[str] = "removals"

    mouthpiece_id: str
    target: RefaceTarget
    table_gap_mm: float | None
    """The table as recorded, hollow negative."""
    tip_opening_mm: float
    u_tip_opening_mm: float
    target_tip_opening_mm: float
    target_facing_length_mm: float
    target_break_mm: float
    table_down_mm: float
    needs_table_down_mm: float
    removals: tuple[Removal, ...]
    most_removed_um: float
    """The most that comes off either rail, anywhere, beside what the table loses."""
    most_place_mm: float
    """How far from the tip that is."""
    steps: tuple[Step, ...]
    unreached: tuple[OutOfReach, ...]
    do_not: tuple[Against, ...]
    assumed: tuple[Assumed, ...]
    notes: tuple[PlanNote, ...] = ()
    player: tuple[Assumed, ...] = ()
    """What is assumed of who plays the reeds."""
    reeds: tuple[BeforeAfter, ...] = ()
    closing_range_kpa: tuple[float, float] | None = None
    flaws: tuple[FlawFound, ...] = ()
    """Bumps and flats that the readings surely show."""


@dataclass(frozen=True)
class Blank:
    """A piece as heights over one net of places (n,): both rails, with the uncertainty of a height."""

    x_m: Array
    left_m: Array
    right_m: Array
    u_m: Array
    one_rail: bool = False
    """Whether only one rail was read, and stands for both."""

    def lowered(self, down_m: float, u_down_m: float = 0.0) -> Blank:
        """Face the table down: every height becomes less, and what was break is table; ``u_down_m`` is how well that is known."""
        left, right = (np.maximum(rail - down_m, 0.0) for rail in (self.left_m, self.right_m))
        return replace(self, left_m=left, right_m=right, u_m=np.hypot(self.u_m, u_down_m))

    @property
    def worn(self) -> Worn:
        """What a target must cover."""
        return Worn(self.x_m, np.maximum(self.left_m, self.right_m))


def _u_height_m(rail: Readings, end_m: float) -> Array:
    """Return what the heights of a rail are known to (n,): the feeler, a plate that rocks about the break, the plane of a scan."""
    rocked = rail.u_tilt * np.maximum(end_m - rail.place_m, 0.0)
    return np.asarray(np.sqrt(rail.u_height_m**2 + rocked**2 + (rail.lifts**2).sum(axis=0)))


def blank_of(facing: FacingPart, rails: dict[str, Readings], *, apart: bool = False) -> Blank:
    """Lay both rails out over one net, as measured; the rail that was not read stands in as the other one.

    Rails that differ by no more than the gauge allows, anywhere and on average, are both taken as their mean: levelling them would be work on noise. ``apart`` says
    that they are known to.
    """
    lay = facing.lay
    left: Lay | MeanLay = lay.left if isinstance(lay, MeanLay) else lay
    right: Lay | MeanLay = lay.right if isinstance(lay, MeanLay) else lay
    end = max(left.fair.break_m, right.fair.break_m, lay.fair.break_m)
    x = np.arange(0.0, end + 8 * MM, STEP_M)
    fall = np.maximum(-np.gradient(lay.fair.height_m(x), x), 0.0)
    if rails:
        place = np.concatenate([np.concatenate([[0.0], rail.place_m]) for rail in rails.values()])
        read = np.concatenate([np.concatenate([[0.0], np.hypot(rail.u_place_m, rail.u_common_m)]) for rail in rails.values()])
        feeler = np.concatenate([np.append(lay.u_tip_m, _u_height_m(rail, end)) for rail in rails.values()])
        order = np.argsort(place)
        u = np.hypot(np.interp(x, place[order], read[order]) * fall, np.interp(x, place[order], feeler[order]))
        behind = x > place.max()  # the last feeler: there the curve alone says where the lay is
        high = lay.fair.height_m(x[behind])
        further = lay.fair.height_m(x[behind] - lay.fair.u_place_m(np.maximum(high, 1e-9)))
        u[behind] = np.maximum(u[behind], further - high)
    else:
        # an arc through the tip, T (1 - x/L)^2: the tip moves it all, the length not at the tip
        u = np.hypot(
            lay.u_tip_m * np.maximum(1 - x / end, 0.0) ** 2, lay.fair.u_facing_length_m * fall * np.minimum(x / end, 1.0)
        )
    one, other = left.height_m(x), right.height_m(x)
    inside = lay.fair.height_m(x) > SEEN
    mean, u_mean = facing.rail_difference_m, facing.u_rail_difference_m
    apart = apart or (mean is not None and u_mean is not None and abs(mean) >= APART * u_mean)  # little, but the same all along
    if not apart and np.all(np.abs(one - other)[inside] < APART * np.sqrt(2) * u[inside]):
        one = other = (one + other) / 2
    return Blank(x, one, other, u, one_rail=len(rails) == 1)


def surely_over(flat: Blank, target: FairCurve) -> Array:
    """Return how far the lay lies above a target where it surely does (two standard uncertainties), 0 elsewhere (n,)."""
    over = flat.worn.height_m - target.height_m(flat.x_m)
    return np.where(over > np.maximum(SURE * flat.u_m, ALIKE_M), over, 0.0)


def plan_removal(
    facing: FacingPart,
    blank: Blank,
    target: FairCurve,
    *,
    aim: RefaceTarget,
    feelers_mm: Sequence[float],
    table_m: float,
    table_down_m: float,
    u_table_m: float = 0.0,
    within: bool = False,
    middle: FairCurve | None = None,
) -> RefacePlan:
    """Plan the way from a blank to a target.

    ``table_m`` is what flattening the table takes off it (as recorded, to ``u_table_m``; 0 where flat or not recorded), ``table_down_m`` what is
    faced down beyond that because the target asks for it. Where the lay lies above the target it stays as it is, and where it surely does (two
    standard uncertainties) the plan says so, unless what it gives is ``within`` the drawing's limits all the same; with a ``middle`` against that.
    """
    down = table_m + table_down_m
    flat = blank.lowered(down, u_table_m if table_m else 0.0)
    wanted = target.height_m(blank.x_m)
    level = flat.worn.height_m
    final = np.maximum(wanted, level)
    if aim.met or (aim.to == "fair" and np.all(final - level < SURE * flat.u_m)):
        final = level  # beside level rails the curve asks for no work that the gauge can tell
    near_tip = np.maximum(1 - blank.x_m / TIP_REGION_M, 0.0) ** 2
    for_tip = min(SHORT_OF_TIP_M, float(final[0] - level[0]) / 2)  # of little that comes off half is left
    for_tip = for_tip if for_tip >= LEAST_FOR_TIP_M else 0.0
    short = np.maximum(final - for_tip * near_tip, level)
    over = np.zeros_like(level) if within else surely_over(flat, middle or target)
    states: tuple[tuple[StepName, Array, Array], ...] = (
        ("measure", blank.left_m, blank.right_m),
        ("table", flat.left_m, flat.right_m),
        ("rails", level, level),
        ("curve", short, short),
        ("tip", final, final),
        ("rail widths", final, final),
        ("baffle and window edge", final, final),
        ("finish", final, final),
    )
    steps = []
    left, right = blank.left_m, blank.right_m
    for name, next_left, next_right in states:
        most = down if name == "table" else float(max((next_left - left).max(), (next_right - right).max(), 0.0))
        steps.append(_step(name, facing, blank, (next_left, next_right), flat, feelers_mm, most, down))
        left, right = next_left, next_right
    removals = _removals(flat, final, feelers_mm)
    off = np.maximum(np.maximum(final - flat.left_m, final - flat.right_m), 0.0).round(10)
    reach = tuple(OutOfReach(x / MM, above / UM) for x, above in _worst_places(blank.x_m, over))
    return RefacePlan(
        mouthpiece_id=facing.mouthpiece.id,
        target=aim,
        table_gap_mm=facing.mouthpiece.table_gap_mm,
        tip_opening_mm=float(np.maximum(blank.left_m, blank.right_m)[0]) / MM,
        u_tip_opening_mm=facing.lay.u_tip_m / MM,
        target_tip_opening_mm=float(final[0]) / MM,
        target_facing_length_mm=target.facing_length_m / MM,
        target_break_mm=target.break_m / MM,
        table_down_mm=down / MM,
        needs_table_down_mm=float(over.max()) / MM,
        removals=removals,
        most_removed_um=float(off.max()) / UM,
        most_place_mm=float(blank.x_m[off.argmax()]) / MM,
        steps=tuple(steps),
        unreached=reach,
        do_not=_reasons_against(facing, blank, flat, final, down, unreached=bool(reach), tip=aim.to == "tip"),
        assumed=(*facing.assumed, *(() if facing.mouthpiece.side_rail_mm is None else (GROWTH,))),
    )


def _worst_places(x_m: Array, over_m: Array) -> list[tuple[float, float]]:
    """Return the worst place of each stretch in which the lay surely lies above the target."""
    beyond = np.flatnonzero(over_m > 0)
    found = []
    for stretch in np.split(beyond, np.flatnonzero(np.diff(beyond) > 1) + 1) if len(beyond) else []:
        worst = stretch[over_m[stretch].argmax()]
        found.append((float(x_m[worst]), float(over_m[worst])))
    return found


def _stops(x_m: Array, rails: tuple[Array, Array], feelers_mm: Sequence[float]) -> tuple[StopAt, ...]:
    found = []
    for feeler in sorted(feelers_mm):
        left, right = (stop_m(x_m, rail, feeler * MM) for rail in rails)
        found.append(StopAt(feeler, None if left is None else left / MM, None if right is None else right / MM))
    return tuple(found)


def _step(
    name: StepName,
    facing: FacingPart,
    blank: Blank,
    rails: tuple[Array, Array],
    flat: Blank,
    feelers_mm: Sequence[float],
    most_m: float,
    down_m: float,
) -> Step:
    piece = facing.mouthpiece
    mean = (rails[0] + rails[1]) / 2
    tip = float(np.maximum(*rails)[0])
    rail_m = (piece.tip_rail_mm or 1.0) * MM
    removed = mean - (flat.left_m + flat.right_m) / 2
    under = float(np.interp(BAFFLE_PLACE_M + rail_m, blank.x_m, removed)) if name != "measure" else 0.0
    depth = piece.baffle_height_mm
    grown = None
    if piece.tip_rail_mm is not None and depth is not None:
        slope = depth * MM / BAFFLE_PLACE_M
        grown = piece.tip_rail_mm + max(float(removed[0]), 0.0) / slope / MM if name != "measure" else piece.tip_rail_mm
    beside = piece.side_rail_mm
    if beside is not None and name != "measure":
        beside += constants.RAIL_GROWTH.value * max(float(removed.max()), 0.0) / MM
    if name in ("rail widths", "baffle and window edge", "finish"):
        grown, beside = piece.tip_rail_mm, piece.side_rail_mm
    idle = (name == "table" and down_m <= 0) or (name in ("rails", "curve", "tip") and most_m < ALIKE_M)
    return Step(
        name=name,
        idle=idle,
        tip_opening_mm=tip / MM,
        stops=_stops(blank.x_m, rails, feelers_mm),
        baffle_height_mm=None if depth is None else depth - under / MM,
        tip_rail_mm=grown,
        side_rail_mm=beside,
        most_removed_um=most_m / UM,
    )


def _removals(flat: Blank, final: Array, feelers_mm: Sequence[float]) -> tuple[Removal, ...]:
    """Return what comes off at the tip and where each feeler shall stop at the end."""
    places = [(0.0, float(final[0]) / MM)]
    for feeler in sorted(feelers_mm, reverse=True):
        place = stop_m(flat.x_m, final, feeler * MM)
        if place is not None:
            places.append((place, feeler))
    found = []
    for place, feeler in places:
        left, right, u = (
            float(np.interp(place, flat.x_m, part)) for part in (final - flat.left_m, final - flat.right_m, flat.u_m)
        )
        found.append(Removal(place / MM, feeler, left / UM, right / UM, u / UM))
    return tuple(found)


def _reasons_against(
    facing: FacingPart, blank: Blank, flat: Blank, final: Array, down_m: float, *, unreached: bool, tip: bool
) -> tuple[Against, ...]:
    """Return what speaks against a plan; ``tip`` says that its tip opening was asked for, so that what comes off there by itself may be enough."""
    inside = final > SEEN
    most = np.maximum(final - flat.left_m, final - flat.right_m)
    found = []
    if blank.one_rail:
        found.append(Against("one rail"))
    gap = facing.mouthpiece.table_gap_mm or 0.0
    if gap > 0 and down_m > 0:
        found.append(Against("table convex", gap))
    off = most[inside] / flat.u_m[inside]
    if (
        down_m == 0
        and not unreached
        and float(np.sqrt(np.mean(off**2))) < SURE
        and off.max() < SURE_ANYWHERE
        and not (tip and off[0] > SURE)
    ):
        found.append(Against("within the uncertainty"))
    opened = float(final[0] - max(blank.left_m[0], blank.right_m[0]))
    if abs(opened) > MOST_OPENED_M:
        why: Literal["opens too much", "closes too much"] = "opens too much" if opened > 0 else "closes too much"
        found.append(Against(why, abs(opened) / MM, MOST_OPENED_M / MM))
    wall = facing.mouthpiece.wall_mm
    left = None if wall is None else wall - float(most.max() + down_m) / MM
    if left is not None and left < LEAST_WALL_MM:
        found.append(Against("wall too thin", left, LEAST_WALL_MM))
    if left is None and float(most.max() + down_m) > WALL_MATTERS_M:
        found.append(Against("wall unknown"))
    if not facing.lay.measured:
        found.append(Against("never measured"))
    return tuple(found)
