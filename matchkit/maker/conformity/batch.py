"""A batch of pieces: a verdict on each, and what they say together about how they were made."""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Any, ClassVar, Literal

import numpy as np

from matchkit.errors import DataError, Problem
from matchkit.facts import Assumed
from matchkit.maker.conformity.capability import Capability, capability, two_sided_factor, worst_share
from matchkit.maker.conformity.chart import LEAST_PIECES, Chart, beyond_the_others, individuals_chart
from matchkit.maker.conformity.drawing import UNCERTAINTY_OF, judge_piece, judged_with, with_model
from matchkit.maker.conformity.judged import Judged, PieceJudged
from matchkit.maker.conformity.looked import looked_over
from matchkit.maker.conformity.rule import ORDER, Limits, Verdict
from matchkit.maker.conformity.slip import Slip, advised, explains, find_slips, in_another_unit
from matchkit.maker.facts import FeatureAt, LeftOut, NotPaired, SetAside
from matchkit.maker.measure.report import READ, SIZES, gauge_assumed
from matchkit.maker.measure.stations import drawn_curve, rails_at_stations
from matchkit.maker.pairing import Pairing
from matchkit.maker.pieces import Pieces
from matchkit.physics.lay.fair import FairCurve, Readings
from matchkit.records.parts import Mouthpiece
from matchkit.records.spec import HouseSpec
from matchkit.results import Answer

FINER_STEP_MM = 0.1
"""The finer gauge that the report speaks of reads stops to this."""

MOST_LOOKED = 1000
"""In larger batches bumps and flats are looked for in scans only: facing looks for them in the feelers of one piece."""

DECIMALS = 9
"""Measured values are equal where they agree to this."""


@dataclass(frozen=True)
class FeatureSummary:
    """One feature over the batch, in the order of making.

    ``tolerance_low`` and ``tolerance_high`` bound 95 % of such pieces with 95 % confidence; ``chart`` is None below ten pieces.
    """

    model: str
    feature: str
    rail: str | None
    feeler_mm: float | None
    count: int
    mean: float
    sd: float
    low: float | None
    high: float | None
    tolerance_low: float | None
    tolerance_high: float | None
    capability: Capability | None
    capability_sound: Capability | None
    """That of the pieces which do not fail; None where none fails, or too few are left."""
    chart: Chart | None
    positions: tuple[str, ...]
    """Ids of the pieces, in the order of the chart."""

    @property
    def at(self) -> FeatureAt:
        """The feature with its rail and feeler."""
        return FeatureAt(self.feature, self.rail, self.feeler_mm)


@dataclass(frozen=True)
class WhatIf:
    """How many pieces would pass, stay inconclusive or fail if the same values were known better."""

    how: Literal["stops twice as often", "finer stops", "gauges twice as good"]
    counts: dict[str, int]


@dataclass(frozen=True)
class BatchReport(Answer):
    """Every piece judged, the batch summed up, and how it pairs with the house reeds."""

    schema: ClassVar[str] = "batch"

    pieces: tuple[PieceJudged, ...]
    counts: dict[str, int]
    features: tuple[FeatureSummary, ...]
    what_if: tuple[WhatIf, ...]
    worst_share: float | None
    """The largest share of failing pieces that a batch like this leaves open at 95 %, where every piece passed."""
    pairings: tuple[Pairing, ...]
    """One for each model of the batch for whose instrument the house has reeds and a window."""
    order_known: bool
    assumed: tuple[Assumed, ...]
    """Uncertainties of the gauge that entered a verdict and that nobody stated."""
    slips: tuple[Slip, ...] = ()
    """Sizes by which the batch as a whole misses its drawing."""
    not_paired: tuple[NotPaired, ...] = ()
    left_out: tuple[LeftOut, ...] = ()
    """Reeds that cannot be compared and were left out of a pairing."""
    set_aside: tuple[SetAside, ...] = ()
    """Pieces that could not be judged, since something in their rows is wrong."""

    @property
    def failed(self) -> bool:
        """Whether any piece fails."""
        return self.counts["fail"] > 0

    def flat_rows(self) -> list[dict[str, Any]]:
        """Return one flat row a piece."""
        return [_row(piece) for piece in self.pieces]


def _row(piece: PieceJudged) -> dict[str, Any]:
    """Return a piece with its worst feature and its fault."""
    worst, fault = piece.worst, piece.fault
    plain = {name: getattr(piece, name) for name in ("mouthpiece_id", "serial", "model", "verdict")}
    of_worst = ("feature", "rail", "feeler_mm", "value", "u", "low", "high", "probability")
    plain |= {name: None if worst is None else getattr(worst, name) for name in of_worst}
    return {**plain, "fault": None if fault is None else fault.kind, "fault_size": None if fault is None else fault.size}


def judge_batch(pieces: Pieces, *, spec: HouseSpec) -> BatchReport:
    """Judge every piece against the drawing of its model; pieces whose model has none are set aside. Raises DataError where all are."""
    undrawn: dict[str | None, list[str]] = defaultdict(list)
    for piece in pieces.mouthpieces:
        if piece.model not in spec.drawing:
            undrawn[piece.model].append(piece.id)
    lost = [
        Problem(
            "mouthpieces.csv",
            None,
            "model",
            f"{'nothing' if model is None else repr(model)} for piece {ids[0]!r}"
            + (f" and {len(ids) - 1} more" if len(ids) > 1 else ""),
            f"a model with a drawing: {', '.join(spec.drawing) or 'the house.toml has none'}; another house.toml is named by --house, or lies beside the pieces",
            "a drawing stands in house.toml under [drawing.MODEL]",
        )
        for model, ids in undrawn.items()
    ]
    aside = [SetAside(name, (problem,)) for ids, problem in zip(undrawn.values(), lost, strict=True) for name in ids]
    made_for: dict[str | None, str] = {}
    for piece in (one for one in pieces.mouthpieces if one.model in spec.drawing):
        if made_for.setdefault(piece.model, piece.instrument) != piece.instrument:
            expected = f"{made_for[piece.model]}, as the other pieces of model {piece.model!r}"
            lost.append(Problem("mouthpieces.csv", None, "instrument", f"{piece.instrument} for piece {piece.id!r}", expected))
            aside.append(SetAside(piece.id, (lost[-1],)))
    if not pieces.mouthpieces:
        lost.append(Problem("mouthpieces.csv", None, None, "no piece", "one piece or more"))
    pieces = pieces.without(aside)
    if not pieces.mouthpieces:
        raise DataError([*lost, *(problem for one in pieces.set_aside for problem in one.problems if problem not in lost)])
    asked: list[SetAside] = []
    for model in dict.fromkeys(str(piece.model) for piece in pieces.mouthpieces):
        mine = [piece.id for piece in pieces.mouthpieces if piece.model == model]
        slip = in_another_unit(model, [one for name in mine for one in pieces.readings.get(name, [])], spec.drawing[model])
        asked += [SetAside(name, (slip,)) for name in mine if slip is not None]
    pieces = pieces.without(asked)
    if not pieces.mouthpieces:
        raise DataError(dict.fromkeys(problem for one in asked for problem in one.problems))
    curves = {model: drawn_curve(spec.drawing[model]) for model in {str(piece.model) for piece in pieces.mouthpieces}}
    rails = {
        piece.id: rails_at_stations(
            piece,
            pieces.readings.get(piece.id, []),
            pieces.points.get(piece.id, []),
            drawing=spec.drawing[str(piece.model)],
            gauge=spec.gauge,
        )
        for piece in pieces.mouthpieces
    }
    few = len(pieces.mouthpieces) <= MOST_LOOKED
    judged = tuple(
        looked_over(
            _judged(piece, rails[piece.id], spec, curves[str(piece.model)]),
            piece,
            pieces,
            rails[piece.id],
            gauge=spec.gauge,
            feelers=few,
        )
        for piece in pieces.mouthpieces
    )
    counts = _counts(piece.verdict for piece in judged)
    everything = counts["pass"] == len(judged)
    slips = find_slips(judged, spec.drawing)
    judged = advised(judged, slips)
    return BatchReport(
        pieces=judged,
        counts=counts,
        features=summaries(judged, order_known=pieces.order_known, slips=slips),
        what_if=_what_if(pieces, judged, rails, spec, curves) if counts["inconclusive"] else (),
        worst_share=worst_share(len(judged)) if everything else None,
        pairings=(),
        order_known=pieces.order_known,
        assumed=_assumed(judged, spec, scanned=any(pieces.points.values())),
        slips=slips,
        set_aside=pieces.set_aside,
    )


def _judged(piece: Mouthpiece, rails: dict[str, Readings], spec: HouseSpec, curve: FairCurve | None) -> PieceJudged:
    """Judge a piece by the drawing of its model, and see whether it is of another one."""
    judged = judge_piece(piece, rails, drawing=spec.drawing[str(piece.model)], gauge=spec.gauge, curve=curve)
    return with_model(judged, piece, rails, drawings=spec.drawing, gauge=spec.gauge)


def _assumed(judged: Sequence[PieceJudged], spec: HouseSpec, *, scanned: bool) -> tuple[Assumed, ...]:
    """Return which uncertainties of the gauges that entered a verdict are nobody's but the default."""
    read = {item.feature for piece in judged for item in piece.features} - {"stop_mm", "rail_difference_mm"}
    used = {UNCERTAINTY_OF.get(feature, "u_size_mm") for feature in read}
    used |= {"u_feeler_mm", "u_stop_mm"} | ({"u_scan_mm"} if scanned else set())
    return gauge_assumed(spec, [name for name in (*READ, *SIZES) if name in used])


def _counts(verdicts: Any) -> dict[str, int]:
    found = Counter(verdicts)
    return {verdict: found[verdict] for verdict in ORDER}


def _what_if(
    pieces: Pieces,
    judged: Sequence[PieceJudged],
    rails: dict[str, dict[str, Readings]],
    spec: HouseSpec,
    curves: dict[str, FairCurve | None],
) -> tuple[WhatIf, ...]:
    """Judge the same values as if they had been read twice as often, or with a finer gauge.

    A size that has a verdict keeps it where the same value is surer, so only pieces with a size that is neither good nor fails the piece are judged again.
    """
    gauge = spec.gauge
    ways: list[tuple[Any, float, float, float]] = [("stops twice as often", 2**-0.5, gauge.stop_step_mm, 1.0)]
    if gauge.stop_step_mm > FINER_STEP_MM:
        ways.append(("finer stops", 1.0, FINER_STEP_MM, 1.0))
    ways.append(("gauges twice as good", 0.5, gauge.stop_step_mm / 2, 0.5))

    def verdict(piece: Mouthpiece, touch: float, step_mm: float, rest: float) -> Verdict:
        model = str(piece.model)
        return judged_with(
            piece,
            rails[piece.id],
            drawing=spec.drawing[model],
            gauge=gauge,
            touch=touch,
            step_mm=step_mm,
            rest=rest,
            curve=curves[model],
        )

    both = list(zip(pieces.mouthpieces, judged, strict=True))

    def verdicts(better: Sequence[float]) -> Iterator[Verdict]:
        for piece, now in both:
            settled = now.verdict == "fail" or all(item.verdict == "pass" for item in now.features)
            yield now.verdict if settled and now.verdict != "inconclusive" else verdict(piece, *better)

    return tuple(WhatIf(how, _counts(verdicts(better))) for how, *better in ways)


def summaries(
    pieces: Sequence[PieceJudged], *, order_known: bool = True, slips: Sequence[Slip] = ()
) -> tuple[FeatureSummary, ...]:
    """Sum up each feature that was judged on two pieces or more, model by model; charts only where the order is known.

    What fails only for a slip of the whole batch counts among the sound ones of its chart.
    """
    models = list(dict.fromkeys(piece.model for piece in pieces))
    found = []
    for model in models:
        columns: dict[FeatureAt, list[tuple[PieceJudged, Judged]]] = defaultdict(list)
        for piece in pieces:
            if piece.model == model:
                for feature in piece.features:
                    columns[feature.at].append((piece, feature))
        found += [
            _summary(
                column, [slip for slip in slips if slip.model == model], model=model, charts=len(columns), ordered=order_known
            )
            for column in columns.values()
            if len(column) > 1
        ]
    return tuple(found)


def _summary(
    column: Sequence[tuple[PieceJudged, Judged]], slips: Sequence[Slip], *, model: str, charts: int, ordered: bool
) -> FeatureSummary:
    values = np.array([judged.value for _, judged in column])
    level = values.round(DECIMALS)  # equal readings are equal, whatever their last bits
    sound = np.array([judged.verdict != "fail" or any(explains(slip, judged) for slip in slips) for _, judged in column])
    first = column[0][1]
    mean, count = float(values.mean()), len(values)
    sd = float(values.std(ddof=1)) if np.ptp(level) > 0 else 0.0
    half = two_sided_factor(count) * sd
    # where most neighbours read alike the limits would be those of the rounding
    coarse = bool(count > 2 and np.count_nonzero(np.diff(level)) <= len(values) / 2)
    charted = ordered and count >= LEAST_PIECES and sd > 0 and not coarse
    chart = individuals_chart(values, sound=sound, charts=charts) if charted else None
    limits = Limits(first.low, first.high)
    good = np.array([piece.verdict != "fail" for piece, _ in column])
    settled = chart is None or not (chart.signals or chart.drifts or beyond_the_others(values, good, charts=charts))
    made = capability(level, limits=limits, ordered=ordered, coarse=coarse, in_control=settled)
    sound_made = None
    if not good.all() and good.sum() > 1:  # without the failed, whose signals are theirs
        kept = individuals_chart(values[good], charts=charts) if charted and good.sum() >= LEAST_PIECES else None
        calm = kept is None or not (kept.signals or kept.drifts)
        sound_made = capability(level[good], limits=limits, ordered=ordered, coarse=coarse, in_control=calm)
    return FeatureSummary(
        model=model,
        feature=first.feature,
        rail=first.rail,
        feeler_mm=first.feeler_mm,
        count=count,
        mean=mean,
        sd=sd,
        low=first.low,
        high=first.high,
        tolerance_low=mean - half,
        tolerance_high=mean + half,
        capability=made,
        capability_sound=sound_made,
        chart=chart,
        positions=tuple(piece.mouthpiece_id for piece, _ in column),
    )
