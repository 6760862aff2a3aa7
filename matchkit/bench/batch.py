"""A batch of pieces: a verdict on each, and what they say together about how they were made."""

from __future__ import annotations

import re
from collections import Counter, defaultdict
from collections.abc import Sequence
from dataclasses import asdict, dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np

from matchkit.bench.capability import Capability, capability, two_sided_factor, worst_share
from matchkit.bench.chart import LEAST_PIECES, Chart, individuals_chart
from matchkit.bench.conformity import ORDER, Limits, Verdict
from matchkit.bench.drawing import UNCERTAINTY_OF, Judged, PieceJudged, judge_piece, judged_with, rails_at_stations
from matchkit.bench.facing_report import READ, SIZES, drawn_curve, gauge_assumed
from matchkit.bench.pairing import Pairing
from matchkit.errors import DataError, Problem
from matchkit.match.answers import frame
from matchkit.match.parts import of_pieces
from matchkit.physics.fair import FairCurve, Readings
from matchkit.records.parts import FacingReading, LayPoint, Mouthpiece
from matchkit.records.spec import HouseSpec

if TYPE_CHECKING:
    from matchkit.match.answers import Frame

FINER_STEP_MM = 0.1
"""The finer gauge that the report speaks of reads stops to this."""

DECIMALS = 9
"""Measured values are equal where they agree to this."""


@dataclass(frozen=True)
class FeatureSummary:
    """One feature over the batch, in the order of making.

    ``tolerance_low`` and ``tolerance_high`` bound 95 % of such pieces with 95 % confidence; ``chart`` is None below ten pieces.
    """

    feature: str
    where: str
    short: str
    count: int
    mean: float
    sd: float
    low: float
    high: float
    tolerance_low: float | None
    tolerance_high: float | None
    capability: Capability | None
    chart: Chart | None
    positions: tuple[str, ...]
    """Ids of the pieces, in the order of the chart."""


@dataclass(frozen=True)
class WhatIf:
    """How many pieces would pass, stay inconclusive or fail if the same values were known better."""

    how: str
    counts: dict[str, int]


@dataclass(frozen=True)
class BatchReport:
    """Every piece judged, the batch summed up, and how it pairs with the house reeds."""

    pieces: tuple[PieceJudged, ...]
    counts: dict[str, int]
    features: tuple[FeatureSummary, ...]
    what_if: tuple[WhatIf, ...]
    worst_share: float | None
    """The largest share of failing pieces that a batch like this leaves open at 95 %, where every piece passed."""
    pairings: tuple[Pairing, ...]
    """One for each model of the batch for whose instrument the house has reeds and a window."""
    notes: tuple[str, ...]

    @property
    def failed(self) -> bool:
        """Whether any piece fails."""
        return self.counts["fail"] > 0

    def to_dict(self) -> dict[str, Any]:
        """Give the JSON form."""
        plain = asdict(self)
        for piece, judged in zip(plain["pieces"], self.pieces, strict=True):
            piece["worst"] = None if judged.worst is None else {**piece["worst"], "place": judged.worst.place}
        return {"schema": "matchkit.batch/1", **plain}

    def rows(self) -> list[dict[str, Any]]:
        """Give one flat row a piece."""
        found = []
        for piece in self.pieces:
            worst = piece.worst
            found.append(
                {
                    "mouthpiece_id": piece.mouthpiece_id,
                    "serial": piece.serial,
                    "model": piece.model,
                    "verdict": piece.verdict,
                    "worst": None if worst is None else worst.place,
                    "value": None if worst is None else worst.value,
                    "u": None if worst is None else worst.u,
                    "low": None if worst is None else worst.low,
                    "high": None if worst is None else worst.high,
                    "probability": None if worst is None else worst.probability,
                    "advice": piece.advice,
                }
            )
        return found

    def to_frame(self) -> Frame:
        """Give one row a piece."""
        return frame(self.rows())


@dataclass(frozen=True)
class Pieces:
    """The pieces of a batch with their readings and scans, in the order of making."""

    mouthpieces: tuple[Mouthpiece, ...]
    readings: dict[str, list[FacingReading]]
    points: dict[str, list[LayPoint]]
    order_known: bool = True
    """Whether every piece has a serial number of its own, so that the order of making is known."""


def gather(mouthpieces: Sequence[Mouthpiece], readings: Sequence[FacingReading], points: Sequence[LayPoint]) -> Pieces:
    """Put readings to their pieces, and the pieces into the order of their serial numbers where all have one."""
    ordered = list(mouthpieces)
    if all(piece.serial for piece in ordered):
        ordered.sort(key=lambda piece: _natural(str(piece.serial)))
    serials = [piece.serial for piece in ordered]
    known = all(serial and any(mark.isdigit() for mark in serial) for serial in serials) and len(set(serials)) == len(serials)
    return Pieces(tuple(ordered), of_pieces(readings), of_pieces(points), known)


def _natural(serial: str) -> tuple[tuple[int, int, str], ...]:
    """Sort 9 before 10, whatever stands around the digits."""
    return tuple((0, int(part), "") if part.isdigit() else (1, 0, part) for part in re.split(r"(\d+)", serial) if part)


def judge_batch(
    pieces: Pieces, *, spec: HouseSpec, pairings: tuple[Pairing, ...] = (), notes: tuple[str, ...] = ()
) -> BatchReport:
    """Judge every piece against the drawing of its model; raises DataError for pieces whose model has none."""
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
            f"a model with a drawing: {', '.join(spec.drawing) or 'the house.toml has none'}",
            "a drawing stands in house.toml under [drawing.MODEL]",
        )
        for model, ids in undrawn.items()
    ]
    made_for: dict[str | None, str] = {}
    for piece in pieces.mouthpieces:
        if made_for.setdefault(piece.model, piece.instrument) != piece.instrument:
            expected = f"{made_for[piece.model]}, as the other pieces of model {piece.model!r}"
            lost.append(Problem("mouthpieces.csv", None, "instrument", f"{piece.instrument} for piece {piece.id!r}", expected))
    if not pieces.mouthpieces:
        lost.append(Problem("mouthpieces.csv", None, None, "no piece", "one piece or more"))
    if lost:
        raise DataError(lost)
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
    judged = tuple(
        judge_piece(
            piece, rails[piece.id], drawing=spec.drawing[str(piece.model)], gauge=spec.gauge, curve=curves[str(piece.model)]
        )
        for piece in pieces.mouthpieces
    )
    counts = _counts(piece.verdict for piece in judged)
    everything = counts["pass"] == len(judged)
    return BatchReport(
        pieces=judged,
        counts=counts,
        features=summaries(judged, order_known=pieces.order_known),
        what_if=_what_if(pieces, rails, spec, curves) if counts["inconclusive"] else (),
        worst_share=worst_share(len(judged)) if everything else None,
        pairings=pairings,
        notes=(
            *(() if pieces.order_known or len(judged) < LEAST_PIECES else (NO_ORDER,)),
            *_assumed(judged, spec, scanned=any(pieces.points.values())),
            *notes,
        ),
    )


def _assumed(judged: Sequence[PieceJudged], spec: HouseSpec, *, scanned: bool) -> tuple[str, ...]:
    """Say which uncertainties of the gauges that entered a verdict are nobody's but the default."""
    used = {
        UNCERTAINTY_OF.get(item.feature, "u_size_mm")
        for piece in judged
        for item in piece.features
        if "stop" not in item.feature
    }
    used |= {"u_feeler_mm", "u_stop_mm"} | ({"u_scan_mm"} if scanned else set())
    words = {name: word for name, word in {**READ, **SIZES}.items() if name in used}
    found = gauge_assumed(spec, words)
    return (f"assumed of the gauges, for want of a [gauge] line in house.toml: {', '.join(found)}",) if found else ()


def _counts(verdicts: Any) -> dict[str, int]:
    found = Counter(verdicts)
    return {verdict: found[verdict] for verdict in ORDER}


def _what_if(
    pieces: Pieces, rails: dict[str, dict[str, Readings]], spec: HouseSpec, curves: dict[str, FairCurve]
) -> tuple[WhatIf, ...]:
    """Judge the same values as if they had been read twice as often, or with a finer gauge."""
    gauge = spec.gauge
    ways = [("every stop read twice as often", 2**-0.5, gauge.stop_step_mm, 1.0)]
    if gauge.stop_step_mm > FINER_STEP_MM:
        ways.append((f"stops read to {FINER_STEP_MM:g} mm", 1.0, FINER_STEP_MM, 1.0))
    ways.append(("every gauge twice as good", 0.5, gauge.stop_step_mm / 2, 0.5))

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

    return tuple(WhatIf(how, _counts(verdict(piece, *better) for piece in pieces.mouthpieces)) for how, *better in ways)


NO_ORDER = "not every piece has a serial number of its own, so the order of making is not known, and drift is not told"


def summaries(pieces: Sequence[PieceJudged], *, order_known: bool = True) -> tuple[FeatureSummary, ...]:
    """Sum up each feature that was judged on two pieces or more, model by model; charts only where the order is known."""
    models = list(dict.fromkeys(piece.model for piece in pieces))
    found = []
    for model in models:
        columns: dict[str, list[tuple[str, Judged]]] = defaultdict(list)
        for piece in pieces:
            if piece.model == model:
                for feature in piece.features:
                    columns[feature.place].append((piece.mouthpiece_id, feature))
        for where, column in columns.items():
            if len(column) > 1:
                summary = _summary(column, where=where, charts=len(columns))
                if len(models) > 1:
                    summary = replace(summary, where=f"{model}, {where}", short=f"{model}, {summary.short}")
                found.append(summary if order_known else replace(summary, chart=None))
    return tuple(found)


def _summary(column: Sequence[tuple[str, Judged]], *, where: str, charts: int) -> FeatureSummary:
    values = np.array([judged.value for _, judged in column])
    level = values.round(DECIMALS)  # equal readings are equal, whatever their last bits
    sound = np.array([judged.verdict != "fail" for _, judged in column])
    first = column[0][1]
    mean, count = float(values.mean()), len(values)
    sd = float(values.std(ddof=1)) if np.ptp(level) > 0 else 0.0
    half = two_sided_factor(count) * sd
    # where most neighbours read alike the limits would be those of the rounding
    coarse = np.count_nonzero(np.diff(level)) <= len(values) / 2
    charted = count >= LEAST_PIECES and sd > 0 and not coarse
    return FeatureSummary(
        feature=first.feature,
        where=where,
        short=first.short,
        count=count,
        mean=mean,
        sd=sd,
        low=first.low,
        high=first.high,
        tolerance_low=mean - half,
        tolerance_high=mean + half,
        capability=capability(mean=mean, sd=sd, count=count, limits=Limits(first.low, first.high)),
        chart=individuals_chart(values, sound=sound, charts=charts) if charted else None,
        positions=tuple(name for name, _ in column),
    )
