"""Plan the refacing of one piece: from what was asked to a target, a plan, and the house reeds before and after."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np

from matchkit.errors import RequestError
from matchkit.facts import Assumed
from matchkit.maker.batch import bench_scorer
from matchkit.maker.conformity.drawing import judge_piece, with_model
from matchkit.maker.conformity.judged import COARSE_STEP_MM, Judged, PieceJudged
from matchkit.maker.facts import Against, RefaceTarget
from matchkit.maker.measure.exchanged import rails_exchanged
from matchkit.maker.measure.flaws import FlawFound, flaws_found
from matchkit.maker.measure.stations import drawn_curve, rails_at_stations
from matchkit.maker.pieces import Pieces
from matchkit.maker.reface.drawn import beyond_limits, within_drawing
from matchkit.maker.reface.plan import SURE, Blank, RefacePlan, blank_of, plan_removal, surely_over
from matchkit.maker.reface.reeds import OnPiece, before_and_after, lay_of, reed_target, tip_target
from matchkit.maker.reface.target import ALIKE_M, Worn, at_bound, more_m, nearest_fair, table_for_tip_m
from matchkit.parts.facing import FacingPart, facing_part, rails_of, scans_of
from matchkit.physics.lay.facing import Lay, MeanLay
from matchkit.physics.lay.fair import FairCurve
from matchkit.records.parts import Mouthpiece
from matchkit.records.spec import Drawing, HouseSpec
from matchkit.score.player import Visitor
from matchkit.score.scorer import Scorer
from matchkit.units import KPA, MM, UM


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


@dataclass(frozen=True)
class _Measured:
    """A piece as it was measured: its lay over a net, as it is and without what flattening its table takes off (``gap_m``)."""

    facing: FacingPart
    feelers_mm: tuple[float, ...]
    drawing: Drawing | None
    judged: PieceJudged | None
    blank: Blank
    flat: Blank
    gap_m: float
    u_table_m: float
    flaws: tuple[FlawFound, ...]

    def level(self) -> _Measured:
        """Return it with rails and a table that nothing comes off."""
        level = replace(self.blank, left_m=self.blank.worn.height_m, right_m=self.blank.worn.height_m)
        return replace(self, blank=level, flat=level, gap_m=0.0)


def plan_reface(scorer: Scorer, piece: Mouthpiece, pieces: Pieces, *, spec: HouseSpec, wanted: Wanted) -> RefacePlan:
    """Plan the refacing of one piece, with the reeds of a house before and after.

    Raises RequestError for a target that cannot be meant or that no removal reaches.
    """
    wanted = _settled(wanted, piece)
    read = _measured(scorer, piece, pieces, spec=spec, drawing=wanted.drawing)
    house = bench_scorer(scorer, spec)
    on_piece = OnPiece(house, house.view(Visitor(instrument=piece.instrument)), spec, read.facing)
    down = 0.0
    if wanted.table_down and wanted.tip_opening_mm is not None:
        down = table_for_tip_m(read.flat.worn, _tip_asked_mm(wanted.tip_opening_mm) * MM)
    worn = read.flat.worn.lowered(down).within(np.maximum(SURE * read.flat.u_m - ALIKE_M, 0.0))
    target, aim = _target(on_piece, worn, read.drawing, wanted)
    read = read.level() if aim.met else read
    met = False
    if wanted.drawing and read.judged is not None and read.drawing is not None:
        sizes = read.judged.features
        target, aim, down, met = _least_drawn(read.flat, worn, target, aim, read.drawing, sizes, table_down=wanted.table_down)
    if wanted.table_down and not down and not met:
        down = float(surely_over(read.flat, target).max())
    plan = plan_removal(
        read.facing,
        read.blank,
        target,
        aim=aim,
        feelers_mm=read.feelers_mm,
        table_m=read.gap_m,
        table_down_m=down,
        u_table_m=read.u_table_m,
        within=met,
        middle=drawn_curve(read.drawing) if wanted.drawing else None,
    )
    plan = replace(plan, flaws=read.flaws, do_not=_against(plan, read, drawing=wanted.drawing))
    lowered = read.flat.lowered(down).worn
    if plan.unreached and wanted.drawing and read.drawing is not None:
        height_m = np.maximum(target.height_m(lowered.x_m), lowered.height_m)
        beyond = beyond_limits(lowered.x_m, height_m, target, read.drawing)
        plan = replace(plan, unreached=beyond or plan.unreached)
    if not (aim.met or wanted.drawing or wanted.like is not None) and at_bound(lowered, target):
        plan = replace(plan, notes=("break as far as it goes",))
    return _with_reeds(plan, on_piece, lowered, target, worked=bool(down or read.gap_m))


def _measured(scorer: Scorer, piece: Mouthpiece, pieces: Pieces, *, spec: HouseSpec, drawing: bool) -> _Measured:
    """Lay a piece out as it was measured; ``drawing`` says whether it is to go to that."""
    readings, points = pieces.readings.get(piece.id, []), pieces.points.get(piece.id, [])
    facing = facing_part(piece, readings, points, defaults=scorer.parts.stock.defaults, spec=spec)
    rails = rails_of(piece, readings, points, gauge=spec.gauge)
    drawn, judged = spec.drawing.get(piece.model or ""), None
    if drawn is not None:
        at_stations = rails_at_stations(piece, readings, points, drawing=drawn, gauge=spec.gauge)
        judged = judge_piece(piece, at_stations, drawing=drawn, gauge=spec.gauge)
        judged = with_model(judged, piece, at_stations, drawings=spec.drawing, gauge=spec.gauge)
        judged = replace(judged, exchanged=rails_exchanged(piece, pieces.sets.get(piece.id, ()), gauge=spec.gauge))
    rails_out = judged is not None and judged.fault is not None and judged.fault.feature == "rail_difference_mm"
    blank = blank_of(facing, rails, apart=drawing and rails_out)
    u_table_m = spec.gauge.u_table_mm * MM
    gap_m = abs(piece.table_gap_mm or 0.0) * MM
    if gap_m <= 2 * u_table_m or _allowed_hollow(piece, drawn if drawing else None):
        gap_m = 0.0  # within the feeler's own doubt, or a hollow that may stay: many players want one
    flat = blank.lowered(gap_m, u_table_m if gap_m else 0.0)
    heights = {float(height) / MM for rail in rails.values() for height in rail.height_m}
    feelers = sorted(heights) if readings else USUAL_FEELERS_MM
    if drawn is not None and drawn.station:
        feelers = [station.feeler_mm for station in drawn.station]
    scans = scans_of(points)
    zero = judged is not None and judged.asks_zero and not scans
    flaws = () if zero else tuple(flaw for flaw in flaws_found(facing.lay, rails, scans) if flaw.sure)
    feelers_mm = tuple(round(feeler, 4) for feeler in feelers)
    return _Measured(facing, feelers_mm, drawn, judged, blank, flat, gap_m, u_table_m, flaws)


def _with_reeds(plan: RefacePlan, on_piece: OnPiece, left: Worn, target: FairCurve, *, worked: bool) -> RefacePlan:
    """Return a plan with the house reeds before and after it; ``left`` is what the work at the table leaves, ``worked`` whether there is any.

    Where nothing comes off that can be told, nothing changes.
    """
    lay, aim = on_piece.facing.lay, plan.target
    later: Lay | MeanLay = lay
    if not aim.met and (worked or any(max(row.left_um, row.right_um) > row.u_um for row in plan.removals)):
        final = Worn(left.x_m, np.maximum(target.height_m(left.x_m), left.height_m))
        reached = nearest_fair(final) if plan.unreached or aim.to == "fair" else target
        later = lay_of(final, target, lay.u_tip_m, reached)
    reeds, view = before_and_after(on_piece, later), on_piece.view
    if aim.to == "reed":
        aim = replace(aim, reaches_kpa=on_piece.closing_pa(on_piece.reed(aim.reed_id), later) / KPA)
    player = (Assumed("blowing pressure", view.blow_pa / KPA, "kPa"), Assumed("lip force", view.lip_force_n, "N"))
    window = on_piece.spec.closing_range.get(on_piece.facing.mouthpiece.instrument)
    return replace(plan, target=aim, reeds=reeds, closing_range_kpa=window, player=player if reeds else ())


def _against(plan: RefacePlan, read: _Measured, *, drawing: bool) -> tuple[Against, ...]:
    """Return what is to be looked at first, and what speaks against a plan: a bump that is surely there is no doubt of the gauge."""
    first = () if read.judged is None else _first(read.judged, drawing=drawing)
    return (*first, *(reason for reason in plan.do_not if not (read.flaws and reason.why == "within the uncertainty")))


def _first(judged: PieceJudged, *, drawing: bool) -> tuple[Against, ...]:
    """Return what the drawing of a piece says is to be looked at before anything comes off, with ``drawing`` also why it is left as it is."""
    if judged.verdict != "fail":
        return (_leave(judged),) if drawing else ()
    if judged.of_another:
        return (Against("perhaps another model", what=judged.fits or ""),)
    found = [Against("rails exchanged")] if judged.exchanged else []
    found += [Against("near another model", what=judged.fits)] if judged.fits is not None else []
    return (*found, *_read_first(judged))


def _read_first(judged: PieceJudged) -> Iterator[Against]:
    """Yield what of the readings is to be looked at before anything comes off: a zero, one scan against the other, a feeler."""
    fault = judged.fault
    if judged.asks_zero:
        yield Against("scan zero first" if judged.scanned else "zero first")
    if fault is None:
        return
    if fault.kind == "rail short" and judged.scanned:
        yield Against("scans apart first")
    elif fault.kind == "rails uneven":
        yield Against("one feeler first", fault.feeler_mm)


def _leave(judged: PieceJudged) -> Against:
    """Return why a piece that is not surely out of its drawing is left as it is, or read again first."""
    if judged.verdict == "pass":
        return Against("within its drawing")
    if judged.worst is not None and not judged.worst.again_helps:
        coarse = judged.stop_step_mm >= COARSE_STEP_MM
        return Against("stops too coarse", judged.stop_step_mm) if coarse else Against("feelers too doubtful")
    tellable = judged.worst is None or judged.worst.tellable
    return Against("perhaps within its drawing" if tellable else "gauge too coarse for its drawing")


def _allowed_hollow(piece: Mouthpiece, drawing: Drawing | None) -> bool:
    """Tell a hollow table that may stay: any, unless a drawing sets a limit to it."""
    gap, feature = piece.table_gap_mm or 0.0, None if drawing is None else drawing.table_gap_mm
    least = None if feature is None else feature.limits[0]
    return gap < 0 and (least is None or gap >= least)


def _target(on_piece: OnPiece, worn: Worn, drawing: Drawing | None, wanted: Wanted) -> tuple[FairCurve, RefaceTarget]:
    piece = on_piece.facing.mouthpiece
    _check(wanted)
    if wanted.drawing:
        return _drawn(drawing, piece, on_piece.spec)
    if wanted.like is not None:
        return _like(wanted.like, piece)
    if wanted.tip_opening_mm is not None:
        tip_mm = _tip_asked_mm(wanted.tip_opening_mm)
        return tip_target(on_piece, worn, tip_mm, reed=wanted.reed, keep=wanted.keep_resistance)
    if wanted.reed is not None:
        return reed_target(on_piece, worn, wanted.reed, wanted.closing_kpa)
    curve, whole = nearest_fair(worn), nearest_fair(worn.within(None))
    return curve, RefaceTarget("fair", more_um=more_m(worn, curve, whole) / UM)


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
    more_um = more_m(worn.lowered(down), found.curve, drawn) / UM
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


def _settled(wanted: Wanted, piece: Mouthpiece) -> Wanted:
    """Return it with a change of the tip opening as a tip opening."""
    if wanted.tip_by_mm is None:
        return wanted
    if wanted.tip_opening_mm is not None:
        raise RequestError("a tip opening, or by how much it changes, not both")
    return replace(wanted, tip_opening_mm=round(piece.tip_opening_mm + wanted.tip_by_mm, 6), tip_by_mm=None)


TIP_RANGE_MM = (0.5, 4.0)


def _tip_asked_mm(tip_mm: float) -> float:
    if not TIP_RANGE_MM[0] <= tip_mm <= TIP_RANGE_MM[1]:
        raise RequestError(f"a tip opening of {tip_mm:g} mm; expected {TIP_RANGE_MM[0]:g} to {TIP_RANGE_MM[1]:g} mm")
    return tip_mm
