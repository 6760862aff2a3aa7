"""What a maker asks of a whole batch: measure it, judge it, pair it with the house reeds."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Sequence
from dataclasses import replace

from matchkit.maker.conformity.batch import BatchReport, judge_batch
from matchkit.maker.facts import LeftOut, NotPaired
from matchkit.maker.gauge import GaugeStudy
from matchkit.maker.pairing import SEED, Pairing, lots_of, pair_batch, reed_doubts
from matchkit.maker.pieces import Pieces
from matchkit.parts.facing import FacingPart, facing_part
from matchkit.parts.stock import Parts
from matchkit.records.defaults import Defaults
from matchkit.records.parts import Mouthpiece
from matchkit.records.spec import Gauge, HouseSpec
from matchkit.results import Progress
from matchkit.score.player import Visitor
from matchkit.score.scorer import Scorer

BLOCK = 25
MOST_PAIRED = 4000
"""Pieces of a model that are paired: what a box should hold is as sure from these, in well under a minute."""


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
    """Return every piece its lay, in the order of the batch."""
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
    scorer: Scorer,
    pieces: Pieces,
    *,
    spec: HouseSpec,
    pair: bool = True,
    draws: int | None = None,
    seed: int = SEED,
    jobs: int = 1,
    progress: Progress | None = None,
) -> BatchReport:
    """Judge a batch against ``spec`` and pair it with the reeds of a house, model by model."""
    judged = judge_batch(pieces, spec=spec)  # whatever is wrong with the drawing is told before anything is computed
    pieces = pieces.without(judged.set_aside)
    if not pair:
        return judged
    house = bench_scorer(scorer, spec)
    made = Counter((piece.instrument, piece.model) for piece in pieces.mouthpieces)
    few = replace(pieces, mouthpieces=spread_over(pieces.mouthpieces))
    facings = measure_facings(few, defaults=scorer.parts.stock.defaults, spec=spec, jobs=jobs, progress=progress)
    pairings: list[Pairing] = []
    not_paired: list[NotPaired] = []
    left_out: list[LeftOut] = []
    for instrument, model in dict.fromkeys((facing.mouthpiece.instrument, facing.mouthpiece.model) for facing in facings):
        mine = [facing for facing in facings if facing.mouthpiece.model == model]
        reeds = house.parts.reeds_for(instrument)
        lots = lots_of(reeds)
        closing_range = spec.closing_range.get(instrument)
        if closing_range is None:
            not_paired.append(NotPaired(instrument, "no closing range"))
            continue
        if not lots:
            not_paired.append(NotPaired(instrument, "no reed known"))
            continue
        unknown = len(reeds) - sum(lot.reeds for lot in lots)
        left_out += [LeftOut(instrument, unknown)] if unknown else []
        view = house.view(Visitor(instrument=instrument))
        pairs = house.grid(mine, [lot.reed for lot in lots], lip_m=view.lip_m, jobs=jobs)
        pairings.append(
            pair_batch(
                mine,
                lots,
                pairs=pairs,
                doubts=reed_doubts(house, pairs, mine),
                view=view,
                closing_range_kpa=closing_range,
                made=made[instrument, model],
                draws=draws,
                seed=seed,
                jobs=jobs,
                progress=progress,
            )
        )
    return replace(
        judged,
        pairings=tuple(pairings),
        not_paired=tuple(dict.fromkeys(not_paired)),
        left_out=tuple(dict.fromkeys(left_out)),
    )


def spread_over(pieces: Sequence[Mouthpiece]) -> tuple[Mouthpiece, ...]:
    """Return all pieces of each model, or of a very large batch :data:`MOST_PAIRED`, evenly through the order they were made in."""
    kept: set[str] = set()
    for model in dict.fromkeys(piece.model for piece in pieces):
        mine = [piece.id for piece in pieces if piece.model == model]
        count = min(len(mine), MOST_PAIRED)
        kept |= {mine[number * len(mine) // count] for number in range(count)}
    return tuple(piece for piece in pieces if piece.id in kept)


def bench_scorer(scorer: Scorer, spec: HouseSpec) -> Scorer:
    """Return a scorer of the house's reeds alone, under another house.toml, for pieces that are in no table."""
    alone = replace(scorer.parts.stock, mouthpieces=(), facings=(), lay_points=(), players=(), playtests=(), spec=spec)
    return Scorer(Parts(alone, scale=scorer.parts.scale))
