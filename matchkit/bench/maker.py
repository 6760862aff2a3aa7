"""What a maker asks of a whole batch: measure it, judge it, pair it with the house reeds."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace

import numpy as np

from matchkit.bench.batch import BatchReport, Pieces, judge_batch
from matchkit.bench.gauge import GaugeStudy
from matchkit.bench.pairing import DRAWS, SEED, Pairing, lots_of, pair_batch
from matchkit.match.pairs import share_at_closing
from matchkit.match.parts import FacingPart, facing_part
from matchkit.match.workshop import Visitor, Workshop
from matchkit.records.defaults import Defaults
from matchkit.records.spec import Gauge, HouseSpec

BLOCK = 25

Progress = Callable[[int, int], None]


def gauge_from(gauge: Gauge, studies: Sequence[GaugeStudy]) -> Gauge:
    """Take what studies found for the gauge's own uncertainties: of stops, touch and person apart; of the tip, both together."""
    found: dict[str, float] = {}
    for study in studies:
        if study.quantity == "stop":
            found |= {"u_stop_mm": study.repeatability, "u_operator_mm": study.reproducibility or 0.0}
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
    for instrument in dict.fromkeys(facing.mouthpiece.instrument for facing in facings):
        mine = [facing for facing in facings if facing.mouthpiece.instrument == instrument]
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
                view=view,
                window_kpa=window,
                shares=share_at_closing(bench.book, pairs, lip_load_n=view.lip_load_n),
                draws=draws,
                seed=seed,
                jobs=jobs,
                progress=progress,
            )
        )
    return replace(judge_first, pairings=tuple(pairings), notes=tuple(notes))
