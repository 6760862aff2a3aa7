"""Plan the refacing of one piece: from what was asked to a target, a plan, and the house reeds before and after."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from matchkit import constants
from matchkit.errors import RequestError
from matchkit.facts import Assumed
from matchkit.maker.batch import bench_scorer
from matchkit.maker.conformity.drawing import judge_piece
from matchkit.maker.conformity.judged import Judged, PieceJudged
from matchkit.maker.facts import Against, PlanNote, RefaceTarget
from matchkit.maker.measure.stations import drawn_curve, rails_at_stations
from matchkit.maker.pairing import lots_of
from matchkit.maker.pieces import Pieces
from matchkit.maker.reface.drawn import beyond_limits, within_drawing
from matchkit.maker.reface.match import A_TOUCH, ALIKE_SHARE, Mounted, match_reed, match_tip
from matchkit.maker.reface.plan import SURE, BeforeAfter, Blank, RefacePlan, blank_of, plan_removal, surely_over
from matchkit.maker.reface.target import ALIKE_M, Worn, at_bound, fair_with_tip, nearest_fair, table_for_tip_m
from matchkit.parts.facing import FacingPart, facing_part, rails_of
from matchkit.parts.reed import ReedPart
from matchkit.physics.lay.facing import Lay, MeanLay
from matchkit.physics.lay.fair import FairCurve
from matchkit.records.parts import Mouthpiece
from matchkit.records.spec import Drawing, HouseSpec
from matchkit.score.player import PlayerView, Visitor, playing_openings_m
from matchkit.score.scorer import Scorer
from matchkit.units import KPA, MM, UM

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Wanted:
    """Where a refacing shall go: the nearest fair curve, the drawing, a tip opening, a reed at a closing pressure, or the facing of another piece.

    With ``keep_resistance`` a tip opening leaves the closing pressure as it is, on ``reed`` or on the house reed nearest the middle of the range.
    """

    drawing: bool = False
    tip_opening_mm: float | None = None
    tip_by_mm: float | None = None
    reed: str | None = None
    closing_kpa: float | None = None
    table_down: bool = False
    keep_resistance: bool = False
    like: FacingPart | None = None


USUAL_FEELERS_MM = (0.038, 0.1, 0.2, 0.4, 0.6, 0.9, 1.2)


def plan_reface(scorer: Scorer, piece: Mouthpiece, pieces: Pieces, *, spec: HouseSpec, wanted: Wanted) -> RefacePlan:
    """Plan the refacing of one piece, with the reeds of a house before and after.

    Raises RequestError for a target that cannot be meant or that no removal reaches.
    """
    readings, points = pieces.readings.get(piece.id, []), pieces.points.get(piece.id, [])
    facing = facing_part(piece, readings, points, defaults=scorer.parts.stock.defaults, spec=spec)
    rails = rails_of(piece, readings, points, gauge=spec.gauge)
    drawing, judged = spec.drawing.get(piece.model or ""), None
    if wanted.drawing and drawing is not None:
        at_stations = rails_at_stations(piece, readings, points, drawing=drawing, gauge=spec.gauge)
        judged = judge_piece(piece, at_stations, drawing=drawing, gauge=spec.gauge)
    blank = blank_of(
        facing, rails, apart=judged is not None and judged.fault is not None and judged.fault.feature == "rail_difference_mm"
    )
    gap_m = abs(piece.table_gap_mm or 0.0) * MM
    if gap_m <= 2 * spec.gauge.u_table_mm * MM or _allowed_hollow(piece, drawing if wanted.drawing else None):
        gap_m = 0.0  # within the feeler's own doubt, or a hollow that may stay: many players want one
    house = bench_scorer(scorer, spec)
    wanted = _settled(wanted, piece)
    view = house.view(Visitor(instrument=piece.instrument))
    flat = blank.lowered(gap_m, spec.gauge.u_table_mm * MM if gap_m else 0.0)
    down = 0.0
    if wanted.table_down and wanted.tip_opening_mm is not None:
        down = table_for_tip_m(flat.worn, _tip_asked_m(wanted.tip_opening_mm))
    worn = flat.worn.lowered(down).within(np.maximum(SURE * flat.u_m - ALIKE_M, 0.0))
    target, aim = _target(house, worn, drawing, view, wanted, facing, spec)
    met = False
    if judged is not None and drawing is not None:
        target, aim, down, met = _least_drawn(flat, worn, target, aim, drawing, judged.features, table_down=wanted.table_down)
    if wanted.table_down and not down and not met:
        down = float(surely_over(flat, target).max())
    feelers = (
        sorted({float(height) / MM for rail in rails.values() for height in rail.height_m}) if readings else USUAL_FEELERS_MM
    )
    if drawing is not None and drawing.station:
        feelers = [station.feeler_mm for station in drawing.station]
    plan = plan_removal(
        facing,
        blank,
        target,
        aim=aim,
        feelers_mm=[round(feeler, 4) for feeler in feelers],
        table_m=gap_m,
        table_down_m=down,
        u_table_m=spec.gauge.u_table_mm * MM,
        within=met,
        middle=drawn_curve(drawing) if wanted.drawing else None,
    )
    notes: list[PlanNote] = []
    if judged is not None and judged.verdict != "fail":
        plan = replace(plan, do_not=(_leave(judged), *plan.do_not))
    lowered = flat.lowered(down).worn
    if plan.unreached and wanted.drawing and drawing is not None:
        beyond = beyond_limits(blank.x_m, np.maximum(target.height_m(blank.x_m), lowered.height_m), target, drawing)
        plan = replace(plan, unreached=beyond or plan.unreached)
    final = Worn(blank.x_m, np.maximum(target.height_m(blank.x_m), lowered.height_m))
    reached = nearest_fair(final) if plan.unreached or aim.to == "fair" else target
    idle = not down and not gap_m and all(max(row.left_um, row.right_um) <= row.u_um for row in plan.removals)
    # where nothing comes off that can be told, nothing changes
    later = facing.lay if idle else _as_lay(final, reached, facing.lay.u_tip_m)
    reeds = _before_and_after(house, facing, later, view)
    if not wanted.drawing and wanted.like is None and at_bound(lowered, target):
        notes.append("break as far as it goes")
    player = (Assumed("blowing pressure", view.blow_pa / KPA, "kPa"), Assumed("lip force", view.lip_force_n, "N"))
    return replace(
        plan,
        reeds=reeds,
        closing_range_kpa=spec.closing_range.get(piece.instrument),
        notes=tuple(notes),
        player=player if reeds else (),
    )


def _leave(judged: PieceJudged) -> Against:
    """Return why a piece that is not surely out of its drawing is left as it is, or read again first."""
    if judged.verdict == "pass":
        return Against("within its drawing")
    tellable = judged.worst is None or judged.worst.tellable
    return Against("perhaps within its drawing" if tellable else "gauge too coarse for its drawing")


def _allowed_hollow(piece: Mouthpiece, drawing: Drawing | None) -> bool:
    """Tell a hollow table that may stay: any, unless a drawing sets a limit to it."""
    gap, feature = piece.table_gap_mm or 0.0, None if drawing is None else drawing.table_gap_mm
    least = None if feature is None else feature.limits[0]
    return gap < 0 and (least is None or gap >= least)


def _target(
    house: Scorer,
    worn: Worn,
    drawing: Drawing | None,
    view: PlayerView,
    wanted: Wanted,
    facing: FacingPart,
    spec: HouseSpec,
) -> tuple[FairCurve, RefaceTarget]:
    piece = facing.mouthpiece
    _check(wanted)
    if wanted.drawing:
        return _drawn(drawing, piece, spec)
    if wanted.like is not None:
        return _like(wanted.like, piece)
    if wanted.tip_opening_mm is not None:
        return _tip_target(house, worn, view, wanted, spec, facing)
    if wanted.reed is not None:
        return _reed_target(house, worn.within(None), view, wanted, spec, facing.load_width_m)
    curve, whole = nearest_fair(worn), nearest_fair(worn.within(None))
    return curve, RefaceTarget("fair", more_um=_more_um(worn, curve, whole))


def _more_um(worn: Worn, least: FairCurve, other: FairCurve) -> float:
    """Return the most that another curve takes off beyond the one that takes off least, in um."""
    without = np.maximum(least.height_m(worn.x_m), worn.height_m)
    return float(np.maximum(other.height_m(worn.x_m) - without, 0.0).max()) / UM


def _check(wanted: Wanted) -> None:
    """Raise RequestError for what cannot be asked for together."""
    if wanted.table_down and (wanted.reed is not None or wanted.keep_resistance):
        raise RequestError("the table can be faced down for a drawing or a tip opening, not to match a reed")
    if wanted.keep_resistance and wanted.tip_opening_mm is None:
        raise RequestError("keep the resistance at which tip opening? --tip +0.1 opens it by a tenth of a millimetre")
    named = [
        wanted.drawing,
        wanted.tip_opening_mm is not None,
        wanted.reed is not None and not wanted.keep_resistance,
        wanted.like is not None,
    ]
    if sum(named) > 1:
        raise RequestError(
            "one target at a time: the drawing, a tip opening, a reed, or another piece; with --keep resistance a tip opening and a reed"
        )
    if wanted.closing_kpa is not None and wanted.reed is None:
        raise RequestError("a closing pressure goes with a reed")


def _drawn(drawing: Drawing | None, piece: Mouthpiece, spec: HouseSpec) -> tuple[FairCurve, RefaceTarget]:
    """Return the curve of the drawing of a piece."""
    if drawing is None:
        drawn = ", ".join(spec.drawing) or "the house.toml has none"
        raise RequestError(f"no drawing for the model {piece.model!r} of {piece.id}; drawings there are: {drawn}")
    curve = drawn_curve(drawing)
    if curve is None:
        raise RequestError(f"the drawing of {piece.model} gives no whole facing: a tip opening and three stations are needed")
    return curve, RefaceTarget("drawing", model=str(piece.model))


def _least_drawn(
    flat: Blank,
    worn: Worn,
    drawn: FairCurve,
    aim: RefaceTarget,
    drawing: Drawing,
    judged: Sequence[Judged],
    *,
    table_down: bool,
) -> tuple[FairCurve, RefaceTarget, float, bool]:
    """Return the curve that meets a drawing with the least work, what is said of it, what the table is faced down, and whether it meets it."""
    middle_m = float(surely_over(flat, drawn).max())
    found = within_drawing(flat, worn, drawn, drawing, judged, table_down=table_down)
    if found is None:
        with_table = within_drawing(flat, worn, drawn, drawing, judged, table_down=True)
        needed_um = None if with_table is None else with_table.table_down_m / UM
        nearest = within_drawing(flat, worn, drawn, drawing, judged, table_down=False, as_far=True)
        return drawn if nearest is None else nearest.curve, replace(aim, more_table_um=needed_um), 0.0, False
    down = found.table_down_m
    more_um = _more_um(worn.lowered(down), found.curve, drawn)
    more_table_um = (middle_m - down) / UM if table_down else None
    return found.curve, replace(aim, more_um=more_um, more_table_um=more_table_um, sure=found.sure), down, True


def _like(other: FacingPart, piece: Mouthpiece) -> tuple[FairCurve, RefaceTarget]:
    """Return the fair curve of another piece."""
    theirs = other.mouthpiece
    if theirs.id == piece.id:
        raise RequestError(f"{piece.id} is that piece itself")
    if theirs.instrument != piece.instrument:
        raise RequestError(f"{theirs.id} is for {theirs.instrument}, {piece.id} for {piece.instrument}")
    if not other.lay.measured:
        raise RequestError(f"the facing of {theirs.id} was never measured, so it cannot be copied")
    return other.lay.fair, RefaceTarget("piece", like_id=theirs.id)


def _tip_target(
    house: Scorer, worn: Worn, view: PlayerView, wanted: Wanted, spec: HouseSpec, facing: FacingPart
) -> tuple[FairCurve, RefaceTarget]:
    """Return the facing of a tip opening that takes off least, and what the most even one would take.

    Where a resistance is to be kept, it goes by what was read; else a facing may make use of the doubt in that.
    """
    bare = worn.within(None)
    tip_mm = float(wanted.tip_opening_mm or 0.0)
    tip_m = _tip_asked_m(tip_mm)
    plain = RefaceTarget("tip", tip_opening_mm=tip_mm)
    part = _usual_reed(house, facing, view, wanted, spec)
    if part is None:
        if wanted.keep_resistance:
            raise RequestError(
                f"the house has no {view.player.instrument} reed whose stiffness is known, to keep its resistance"
            )
        return fair_with_tip(worn, tip_m), plain
    mounted = _mounted(part, view, facing.load_width_m)
    closing_pa = None
    least = match_tip(bare if wanted.keep_resistance else worn, mounted, tip_m=tip_m, even=False)
    if wanted.keep_resistance:
        before = house.grid((facing,), [part], lip_m=view.lip_m).closing_pressure_pa
        fair_pa, now = mounted.now(bare)
        kept_pa = fair_pa if abs(math.log(fair_pa / float(before[0]))) < FAR_FROM_FAIR else float(before[0])
        off = math.log(mounted.closing_on(least.curve) / kept_pa)
        closing_pa = kept_pa * math.exp(max(-A_TOUCH, min(off, A_TOUCH)))  # as near to what takes off least as nobody notices
        if abs(off) > A_TOUCH or least.share > now + ALIKE_SHARE:
            least = match_tip(bare, mounted, tip_m=tip_m, even=False, closing_pa=closing_pa, kept_pa=kept_pa)
    most_even = match_tip(bare, mounted, tip_m=tip_m, even=True, closing_pa=closing_pa)
    return least.curve, replace(
        plain,
        reed_id=part.reed.id if wanted.keep_resistance else "",
        keeps_resistance=wanted.keep_resistance,
        closing_share=least.share,
        even_share=most_even.share,
        more_um=_more_um(worn, least.curve, most_even.curve),
    )


FAR_FROM_FAIR = 0.05
"""A lay whose closing pressure is further than this (in ln) from that of its nearest fair curve keeps its own."""


def _mounted(reed: ReedPart, view: PlayerView, load_width_m: float) -> Mounted:
    return Mounted(reed, load_width_m, view.lip_m, view.lip_force_n, constants.LIP_SPREAD.value * MM)


def _usual_reed(house: Scorer, facing: FacingPart, view: PlayerView, wanted: Wanted, spec: HouseSpec) -> ReedPart | None:
    """Return the reed that was named, or the house reed that closes nearest the middle of the house's range on the piece as it is."""
    instrument = view.player.instrument
    if wanted.reed is not None:
        return _reed_of(house, wanted.reed, instrument)
    lots = lots_of(house.parts.reeds_for(instrument))
    if not lots:
        return None
    logs = np.log(house.grid((facing,), [lot.reed for lot in lots], lip_m=view.lip_m).closing_pressure_pa / KPA)
    window = spec.closing_range.get(instrument)
    middle = float(np.median(logs)) if window is None else math.log(window[0] * window[1]) / 2
    return lots[int(np.abs(logs - middle).round(9).argmin())].reed


def _reed_of(house: Scorer, name: str, instrument: str) -> ReedPart:
    reed = house.parts.reed(name)
    if reed.reed.instrument != instrument:
        raise RequestError(f"{reed.reed.id} is for {reed.reed.instrument}, the mouthpiece for {instrument}")
    return reed


def _reed_target(
    house: Scorer, worn: Worn, view: PlayerView, wanted: Wanted, spec: HouseSpec, load_width_m: float
) -> tuple[FairCurve, RefaceTarget]:
    instrument = view.player.instrument
    reed = _reed_of(house, str(wanted.reed), instrument)
    window = spec.closing_range.get(instrument)
    if wanted.closing_kpa is None and window is None:
        raise RequestError(f"at which closing pressure? the house has no closing range for {instrument}")
    closing = sum(window) / 2 if wanted.closing_kpa is None and window is not None else float(wanted.closing_kpa or 0.0)
    if not closing > 0:
        raise RequestError(f"a closing pressure of {closing:g} kPa; expected more than 0")
    mounted = _mounted(reed, view, load_width_m)
    least, most_even = (match_reed(worn, mounted, even=even, closing_pa=closing * KPA) for even in (False, True))
    target = RefaceTarget(
        "reed",
        reed_id=reed.id,
        closing_kpa=closing,
        middle=wanted.closing_kpa is None,
        closing_share=least.share,
        even_share=most_even.share,
        more_um=_more_um(worn, least.curve, most_even.curve),
    )
    return least.curve, target


TIP_RANGE_MM = (0.5, 4.0)


def _settled(wanted: Wanted, piece: Mouthpiece) -> Wanted:
    """Return it with a change of the tip opening as a tip opening."""
    if wanted.tip_by_mm is None:
        return wanted
    if wanted.tip_opening_mm is not None:
        raise RequestError("a tip opening, or by how much it changes, not both")
    return replace(wanted, tip_opening_mm=round(piece.tip_opening_mm + wanted.tip_by_mm, 6), tip_by_mm=None)


def _tip_asked_m(tip_mm: float) -> float:
    if not TIP_RANGE_MM[0] <= tip_mm <= TIP_RANGE_MM[1]:
        raise RequestError(f"a tip opening of {tip_mm:g} mm; expected {TIP_RANGE_MM[0]:g} to {TIP_RANGE_MM[1]:g} mm")
    return tip_mm * MM


def _as_lay(final: Worn, fair: FairCurve, u_tip_m: float) -> Lay:
    """Make a lay of heights over a net: knots every millimetre up to the break."""
    end = max(fair.break_m, float(final.x_m[final.height_m > 0].max()))
    at = np.arange(0.0, end - 0.2 * MM, 1 * MM)
    level = np.interp(at, final.x_m, final.height_m)
    kept = level > 0
    return Lay(np.append(at[kept], end), np.append(level[kept], 0.0), fair, u_tip_m, measured=True)


def _before_and_after(house: Scorer, facing: FacingPart, after: Lay | MeanLay, view: PlayerView) -> tuple[BeforeAfter, ...]:
    """Solve every house reed of the instrument on the piece as it is and as it would be."""
    lots = lots_of(house.parts.reeds_for(facing.mouthpiece.instrument))
    if not lots:
        return ()
    later = replace(
        facing, mouthpiece=facing.mouthpiece.model_copy(update={"id": f"{facing.mouthpiece.id} refaced"}), lay=after
    )
    before, after_it = (house.grid((part,), [lot.reed for lot in lots], lip_m=view.lip_m) for part in (facing, later))
    both = before.join(after_it)
    pressure = both.closing_pressure_pa / KPA
    opening = playing_openings_m(both, blow_pa=view.blow_pa) / MM
    share = both.closing_share(lip_force_n=view.lip_force_n)
    doubt = house.uncertainty(before).total
    return tuple(
        BeforeAfter(
            reed=lot.id,
            closing_pressure_before_kpa=float(pressure[row]),
            closing_pressure_after_kpa=float(pressure[row + len(lots)]),
            u_closing_pressure_kpa=float(pressure[row + len(lots)] * doubt[row]),
            playing_opening_before_mm=float(opening[row]),
            playing_opening_after_mm=float(opening[row + len(lots)]),
            closing_share_before=float(share[row]),
            closing_share_after=float(share[row + len(lots)]),
        )
        for row, lot in enumerate(lots)
    )
