"""What a maker asks of a whole batch: measure it, judge it, pair it with the house reeds."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from matchkit import constants
from matchkit.bench.batch import BatchReport, Pieces, judge_batch
from matchkit.bench.drawing import judge_piece, rails_at_stations
from matchkit.bench.facing_report import drawn_curve
from matchkit.bench.gauge import GaugeStudy
from matchkit.bench.pairing import DRAWS, SEED, Pairing, lots_of, pair_batch
from matchkit.bench.reface import BeforeAfter, RefacePlan, blank_of, plan_removal, stop_m, surely_over
from matchkit.bench.target_curve import FURTHER_M, Worn, at_bound, fair_with_tip, match_reed, nearest_fair, table_for_tip_m
from matchkit.errors import RequestError
from matchkit.match.pairs import share_at_closing
from matchkit.match.parts import FacingPart, facing_part, rails_of
from matchkit.match.target import PlayerView, opening_mm
from matchkit.match.typed import Visitor
from matchkit.match.workshop import Workshop
from matchkit.physics.facing import Lay, MeanLay
from matchkit.physics.fair import FairCurve
from matchkit.records.defaults import Defaults
from matchkit.records.parts import Mouthpiece
from matchkit.records.spec import Drawing, Gauge, HouseSpec

Array = NDArray[np.float64]

BLOCK = 25

Progress = Callable[[int, int], None]


def gauge_from(gauge: Gauge, studies: Sequence[GaugeStudy]) -> Gauge:
    """Take what studies found for the gauge's own uncertainties: of stops, touch and person apart; of the tip, both together.

    One person alone says nothing of what people differ by, and no study sees a gauge that is off for everybody.
    """
    found: dict[str, float] = {}
    for study in studies:
        if study.quantity == "stop":
            touch = (
                study.repeatability**2 - gauge.stop_step_mm**2 / 12
            )  # the step is in the study, and enters each stop by itself
            found["u_stop_mm"] = math.sqrt(max(touch, (0.1 * study.repeatability) ** 2))
            if study.reproducibility is not None:
                found["u_operator_mm"] = study.reproducibility
        elif study.quantity == "tip_opening":
            found["u_tip_mm"] = study.gauge
    return gauge.model_copy(update={name: value for name, value in found.items() if value > 0 or name == "u_operator_mm"})


def measure_facings(
    pieces: Pieces, *, defaults: Defaults, spec: HouseSpec, jobs: int, progress: Progress | None = None
) -> tuple[FacingPart, ...]:
    """Give every piece its lay, in the order of the batch."""
    from joblib import Parallel, delayed

    blocks = [pieces.mouthpieces[start : start + BLOCK] for start in range(0, len(pieces.mouthpieces), BLOCK)]
    work = (
        delayed(_measure_block)(
            [(piece, pieces.readings.get(piece.id, []), pieces.points.get(piece.id, [])) for piece in block], defaults, spec
        )
        for block in blocks
    )
    found: list[FacingPart] = []
    for done, parts in enumerate(Parallel(n_jobs=jobs, return_as="generator")(work), start=1):
        found += parts
        if progress is not None:
            progress(done, len(blocks))
    return tuple(found)


def _measure_block(block: Sequence[tuple], defaults: Defaults, spec: HouseSpec) -> list[FacingPart]:  # type: ignore[type-arg]
    return [facing_part(piece, readings, points, defaults=defaults, spec=spec) for piece, readings, points in block]


def judge_and_pair(
    workshop: Workshop,
    pieces: Pieces,
    *,
    spec: HouseSpec,
    pair: bool = True,
    draws: int = DRAWS,
    seed: int = SEED,
    jobs: int = 1,
    progress: Progress | None = None,
) -> BatchReport:
    """Judge a batch against ``spec`` and pair it with the reeds of a workshop, instrument by instrument."""
    judge_first = judge_batch(pieces, spec=spec)  # whatever is wrong with the drawing is told before anything is computed
    if not pair:
        return judge_first
    bench = Workshop(
        replace(
            workshop.stock,
            mouthpieces=pieces.mouthpieces,
            facings=[reading for readings in pieces.readings.values() for reading in readings],
            lay_points=[point for points in pieces.points.values() for point in points],
            players=(),
            playtests=(),
            spec=spec,
        )
    )
    facings = measure_facings(pieces, defaults=workshop.stock.defaults, spec=spec, jobs=jobs, progress=progress)
    pairings: list[Pairing] = []
    notes: list[str] = []
    for instrument, model in dict.fromkeys((facing.mouthpiece.instrument, facing.mouthpiece.model) for facing in facings):
        mine = [facing for facing in facings if facing.mouthpiece.model == model]
        reeds = bench.instrument_reeds(instrument)
        lots = lots_of(reeds)
        window = spec.window.get(instrument)
        if window is None:
            notes.append(f"not paired: house.toml has no window of closing pressure for {instrument}")
            continue
        if not lots:
            notes.append(f"not paired: the house has no {instrument} reed whose stiffness is known")
            continue
        unknown = len(reeds) - sum(lot.reeds for lot in lots)
        if unknown:
            notes.append(f"{unknown} {instrument} reeds on no strength scale were left out of the pairing")
        view = bench.view(Visitor(instrument=instrument))
        place = np.repeat(np.arange(len(mine)), len(lots))
        reed = np.tile(np.arange(len(lots)), len(mine))
        pairs = bench.pairs(mine, [lot.reed for lot in lots], place, reed, lip_mm=view.lip_mm, jobs=jobs)
        pairings.append(
            pair_batch(
                mine,
                lots,
                pairs=pairs,
                doubt=bench.uncertainty(pairs, mine, [lot.reed for lot in lots]),
                view=view,
                window_kpa=window,
                shares=share_at_closing(bench.book, pairs, lip_load_n=view.lip_load_n),
                draws=draws,
                seed=seed,
                jobs=jobs,
                progress=progress,
            )
        )
    return replace(judge_first, pairings=tuple(pairings), notes=(*judge_first.notes, *dict.fromkeys(notes)))


@dataclass(frozen=True)
class Wanted:
    """Where a refacing shall go: the nearest fair curve, the drawing, a tip opening, or a reed at a closing pressure."""

    drawing: bool = False
    tip_opening_mm: float | None = None
    reed: str | None = None
    closing_kpa: float | None = None
    table_down: bool = False


USUAL_LEAVES_MM = (0.038, 0.1, 0.2, 0.4, 0.6, 0.9, 1.2)


def plan_reface(workshop: Workshop, piece: Mouthpiece, pieces: Pieces, *, spec: HouseSpec, wanted: Wanted) -> RefacePlan:
    """Plan the refacing of one piece, with the reeds of a workshop before and after.

    Raises RequestError for a target that cannot be meant or that no removal reaches.
    """
    readings, points = pieces.readings.get(piece.id, []), pieces.points.get(piece.id, [])
    facing = facing_part(piece, readings, points, defaults=workshop.stock.defaults, spec=spec)
    rails = rails_of(piece, readings, points, gauge=spec.gauge)
    blank = blank_of(facing, rails)
    gap_m = abs(piece.table_gap_mm or 0.0) * 1e-3
    drawing = spec.drawing.get(piece.model or "")
    if gap_m <= spec.gauge.u_table_mm * 2e-3 or _allowed_hollow(piece, drawing if wanted.drawing else None):
        gap_m = 0.0  # within the leaf's own doubt, or a hollow that may stay: many players want one
    view = workshop.view(Visitor(instrument=piece.instrument))
    flat = blank.lowered(gap_m, spec.gauge.u_table_mm * 1e-3 if gap_m else 0.0)
    down = 0.0
    if wanted.table_down and wanted.tip_opening_mm is not None:
        down = table_for_tip_m(flat.worn, _tip_asked_m(wanted.tip_opening_mm))
    target, words = _target(workshop, flat.worn.lowered(down), drawing, view, wanted, piece, spec)
    within = drawing is not None and wanted.drawing and _meets(flat.worn, target, drawing)
    if wanted.table_down and not down and not within:
        down = float(surely_over(flat, target).max())
    leaves = (
        sorted({float(height) * 1e3 for rail in rails.values() for height in rail.height_m}) if readings else USUAL_LEAVES_MM
    )
    if drawing is not None:
        leaves = [station.feeler_mm for station in drawing.station]
    plan = plan_removal(
        facing,
        blank,
        target,
        words=words,
        leaves_mm=[round(leaf, 4) for leaf in leaves],
        table_m=gap_m,
        table_down_m=down,
        u_table_m=spec.gauge.u_table_mm * 1e-3,
        within=within,
    )
    notes = []
    if within and surely_over(flat, target).any():
        notes.append("where the lay stays above the nominal of the drawing it stays, as it was read, within its tolerance")
    if wanted.drawing and drawing is not None:
        verdict = judge_piece(
            piece,
            rails_at_stations(piece, readings, points, drawing=drawing, gauge=spec.gauge),
            drawing=drawing,
            gauge=spec.gauge,
        ).verdict
        if verdict == "pass":
            plan = replace(plan, do_not=("it meets its drawing as it stands: leave it", *plan.do_not))
    lowered = flat.lowered(down).worn
    final = Worn(blank.x_m, np.maximum(target.height_m(blank.x_m), lowered.height_m))
    reached = nearest_fair(final) if plan.unreached else target
    idle = all(max(removal.left_um, removal.right_um) <= removal.u_um for removal in plan.removals)
    # where nothing comes off that can be told, nothing changes
    later = facing.lay if idle else _as_lay(final, reached, facing.lay.u_tip_m)
    reeds = _before_and_after(workshop, facing, later, view)
    if not wanted.drawing and at_bound(lowered, target):
        notes.append(f"the break of the target lies as far back as a plan goes, {FURTHER_M * 1e3:g} mm behind the lay's own")
    if reeds:
        notes.append(
            f"openings and shares for a player who blows {view.blow_kpa:.1f} kPa, with a lip of {view.lip_load_n:.1f} N: assumed"
        )
    return replace(plan, reeds=reeds, window_kpa=spec.window.get(piece.instrument), notes=tuple(notes))


def _allowed_hollow(piece: Mouthpiece, drawing: Drawing | None) -> bool:
    """Tell a hollow table that may stay: any, unless a drawing sets a limit to it."""
    gap, feature = piece.table_gap_mm or 0.0, None if drawing is None else drawing.table_gap_mm
    return gap < 0 and (feature is None or gap >= feature.limits[0])


def _meets(worn: Worn, target: FairCurve, drawing: Drawing) -> bool:
    """Tell whether what removing gives at best, the target or the lay where that is higher, stays within a drawing's limits."""
    final = np.maximum(target.height_m(worn.x_m), worn.height_m)
    if float(final[0]) * 1e3 > drawing.tip_opening_mm.limits[1]:
        return False
    stops = [(stop_m(worn.x_m, final, station.feeler_mm * 1e-3), station.limits_mm[1]) for station in drawing.station]
    return all(stop is not None and stop * 1e3 <= high for stop, high in stops)


def _target(
    workshop: Workshop,
    worn: Worn,
    drawing: Drawing | None,
    view: PlayerView,
    wanted: Wanted,
    piece: Mouthpiece,
    spec: HouseSpec,
) -> tuple[FairCurve, str]:
    if wanted.table_down and wanted.reed is not None:
        raise RequestError("the table can be faced down for a drawing or a tip opening, not to match a reed")
    named = [wanted.drawing, wanted.tip_opening_mm is not None, wanted.reed is not None]
    if sum(named) > 1:
        raise RequestError("one target at a time: the drawing, a tip opening, or a reed")
    if wanted.closing_kpa is not None and wanted.reed is None:
        raise RequestError("a closing pressure goes with a reed")
    if wanted.drawing:
        if drawing is None:
            drawn = ", ".join(spec.drawing) or "the house.toml has none"
            raise RequestError(f"no drawing for the model {piece.model!r} of {piece.id}; drawings there are: {drawn}")
        return drawn_curve(drawing), f"the drawing of {piece.model}"
    if wanted.tip_opening_mm is not None:
        return fair_with_tip(
            worn, _tip_asked_m(wanted.tip_opening_mm)
        ), f"a fair curve with a tip of {wanted.tip_opening_mm:.2f} mm"
    if wanted.reed is not None:
        return _reed_target(workshop, worn, view, wanted, spec)
    return nearest_fair(worn), "the nearest fair curve, which takes off least"


def _reed_target(workshop: Workshop, worn: Worn, view: PlayerView, wanted: Wanted, spec: HouseSpec) -> tuple[FairCurve, str]:
    instrument = view.player.instrument
    reed = workshop.reed(str(wanted.reed))
    if reed.reed.instrument != instrument:
        raise RequestError(f"{reed.reed.id} is for {reed.reed.instrument}, the mouthpiece for {instrument}")
    window = spec.window.get(instrument)
    if wanted.closing_kpa is None and window is None:
        raise RequestError(f"at which closing pressure? the house has no window for {instrument}")
    closing = sum(window) / 2 if wanted.closing_kpa is None and window is not None else float(wanted.closing_kpa or 0.0)
    if not closing > 0:
        raise RequestError(f"a closing pressure of {closing:g} kPa; expected more than 0")
    curve = match_reed(
        worn,
        reed,
        closing_kpa=closing,
        lip_m=view.lip_mm * 1e-3,
        lip_load_n=view.lip_load_n,
        lip_spread_m=constants.LIP_SPREAD.value * 1e-3,
    )
    middle = "" if wanted.closing_kpa is not None else ", the middle of the house window"
    return curve, f"the facing that closes most evenly on {reed.reed.id} at {closing:.1f} kPa{middle}"


TIP_RANGE_MM = (0.5, 4.0)


def _tip_asked_m(tip_mm: float) -> float:
    if not TIP_RANGE_MM[0] <= tip_mm <= TIP_RANGE_MM[1]:
        raise RequestError(f"a tip opening of {tip_mm:g} mm; expected {TIP_RANGE_MM[0]:g} to {TIP_RANGE_MM[1]:g} mm")
    return tip_mm * 1e-3


def _as_lay(final: Worn, fair: FairCurve, u_tip_m: float) -> Lay:
    """Make a lay of heights over a net: knots every millimetre up to the break."""
    end = max(fair.break_m, float(final.x_m[final.height_m > 0].max()))
    at = np.arange(0.0, end - 0.2e-3, 1e-3)
    level = np.interp(at, final.x_m, final.height_m)
    kept = level > 0
    return Lay(np.append(at[kept], end), np.append(level[kept], 0.0), fair, u_tip_m, measured=True)


def _before_and_after(
    workshop: Workshop, facing: FacingPart, after: Lay | MeanLay, view: PlayerView
) -> tuple[BeforeAfter, ...]:
    """Solve every house reed of the instrument on the piece as it is and as it would be."""
    lots = lots_of(workshop.instrument_reeds(facing.mouthpiece.instrument))
    if not lots:
        return ()
    bench = Workshop(replace(workshop.stock, mouthpieces=(), facings=(), lay_points=(), players=(), playtests=()))
    later = replace(
        facing, mouthpiece=facing.mouthpiece.model_copy(update={"id": f"{facing.mouthpiece.id} refaced"}), lay=after
    )
    reeds = [lot.reed for lot in lots]
    place = np.repeat([0, 1], len(lots))
    pairs = bench.pairs((facing, later), reeds, place, np.tile(np.arange(len(lots)), 2), lip_mm=view.lip_mm)
    doubt = bench.uncertainty(pairs, (facing, later), reeds)
    opening = opening_mm(pairs, blow_kpa=view.blow_kpa)
    share = share_at_closing(bench.book, pairs, lip_load_n=view.lip_load_n)
    count = len(lots)
    return tuple(
        BeforeAfter(
            lot.id,
            float(pairs.closing_pressure_kpa[row]),
            float(pairs.closing_pressure_kpa[row + count]),
            float(pairs.closing_pressure_kpa[row + count] * doubt.total[row]),
            float(opening[row]),
            float(opening[row + count]),
            float(share[row]),
            float(share[row + count]),
        )
        for row, lot in enumerate(lots)
    )
