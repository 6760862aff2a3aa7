"""What goes on paper: a sheet to fill in at the bench, and a record of a batch that a maker can file and give to a customer."""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any, ClassVar

from matchkit.constants import TWO_SIDED
from matchkit.facts import Assumed
from matchkit.maker.conformity.batch import BatchReport
from matchkit.maker.conformity.drawing import UNCERTAINTY_OF
from matchkit.maker.conformity.judged import Judged, PieceJudged
from matchkit.maker.conformity.slip import Slip
from matchkit.maker.facts import SetAside
from matchkit.maker.measure.report import budget_of
from matchkit.maker.pieces import Pieces
from matchkit.maker.reface.ask import USUAL_FEELERS_MM
from matchkit.names import by_id
from matchkit.records.parts import FacingReading, LayPoint, Mouthpiece
from matchkit.records.spec import HouseSpec
from matchkit.results import Answer, flat


@dataclass(frozen=True)
class SheetRow:
    """One line of a bench sheet; ``stop_mm`` and ``date`` are left to be filled in."""

    mouthpiece_id: str
    rail: str
    feeler_mm: float
    stop_mm: float | None = None
    date: str | None = None
    operator: str | None = None


@dataclass(frozen=True)
class SizesRow:
    """The sizes of one piece to be read: those of its drawing, each with an empty place."""

    mouthpiece_id: str
    sizes: tuple[str, ...]


@dataclass(frozen=True)
class Sheet(Answer):
    """A sheet to fill in at the bench: stops by feeler and rail, as they go into facings.csv, and the sizes of the drawing.

    Expected values are left out on purpose: who knows what a feeler should read, reads it.
    """

    schema: ClassVar[str] = "sheet"
    table_of: ClassVar[str] = "rows"
    row_type: ClassVar[type] = SheetRow

    rows: tuple[SheetRow, ...]
    sizes: tuple[SizesRow, ...]


def bench_sheet(pieces: Sequence[Mouthpiece], *, spec: HouseSpec) -> Sheet:
    """Return the sheet of some pieces: the feelers of each model's drawing, thinnest first, or the usual ones."""
    rows: list[SheetRow] = []
    sizes = []
    for piece in pieces:
        drawing = spec.drawing.get(piece.model or "")
        feelers = (
            sorted(station.feeler_mm for station in drawing.station)
            if drawing is not None and drawing.station
            else USUAL_FEELERS_MM
        )
        rows += [SheetRow(piece.id, rail, feeler) for feeler in feelers for rail in ("left", "right")]
        sizes.append(
            SizesRow(piece.id, tuple(dict.fromkeys(("tip_opening_mm", *(() if drawing is None else drawing.features)))))
        )
    return Sheet(tuple(rows), tuple(sizes))


@dataclass(frozen=True)
class RecordLine:
    """One feature of a piece: what was read, within which range it truly is 19 times of 20, what the drawing allows, and the verdict."""

    feature: str
    rail: str | None
    feeler_mm: float | None
    value: float
    plus_minus: float
    nominal: float
    low: float | None
    high: float | None
    verdict: str
    critical: bool


@dataclass(frozen=True)
class PieceRecord:
    """One piece for the file: who read it when, every feature, and the verdict."""

    mouthpiece_id: str
    serial: str | None
    model: str
    verdict: str
    read_on: tuple[str, ...]
    operators: tuple[str, ...]
    gauges: tuple[str, ...]
    judged: PieceJudged
    lines: tuple[RecordLine, ...]


@dataclass(frozen=True)
class BatchRecord(Answer):
    """A batch as it is filed: the house, the day, the gauge with its uncertainties, and every piece with every feature.

    ``made_on`` is None unless a day was given: the same input writes the same record.
    """

    schema: ClassVar[str] = "record"

    house: str
    made_on: str | None
    confidence: float
    gauge: dict[str, float]
    assumed: tuple[Assumed, ...]
    pieces: tuple[PieceRecord, ...]
    set_aside: tuple[SetAside, ...] = ()
    """Pieces that could not be judged, where the record is not of one piece."""
    slips: tuple[Slip, ...] = ()
    """Sizes by which the whole batch misses its drawing, for the models of these pieces."""

    def flat_rows(self) -> list[dict[str, Any]]:
        """Return one flat row a piece and feature."""
        about = ("mouthpiece_id", "serial", "model")
        return [
            {
                **{name: getattr(piece, name) for name in about},
                "piece_verdict": piece.verdict,
                **flat(line),
                "read_on": " ".join(piece.read_on),
                "operators": " ".join(piece.operators),
                "gauges": " ".join(piece.gauges),
            }
            for piece in self.pieces
            for line in piece.lines
        ]


def batch_record(
    report: BatchReport,
    pieces: Pieces,
    *,
    spec: HouseSpec,
    confidence: float,
    only: str | None = None,
    made_on: dt.date | None = None,
) -> BatchRecord:
    """Return the record of a judged batch, or of one piece of it; raises UnknownIdError for a piece that is not in it."""
    if only is not None:
        replace(pieces, set_aside=report.set_aside).refuse(only)
        by_id(pieces.mouthpieces, only, "mouthpiece")
    judged = [piece for piece in report.pieces if only is None or piece.mouthpiece_id == only]
    return BatchRecord(
        spec.name,
        None if made_on is None else made_on.isoformat(),
        confidence,
        _gauge(report, spec),
        tuple(one for one in report.assumed if one.like != "u_scan_mm" or any(piece.scanned for piece in judged)),
        tuple(_record(piece, pieces) for piece in judged),
        report.set_aside if only is None else (),
        tuple(slip for slip in report.slips if any(piece.model == slip.model for piece in judged)),
    )


def _gauge(report: BatchReport, spec: HouseSpec) -> dict[str, float]:
    """Return the standard uncertainties that a verdict of the batch rests on."""
    read = {item.feature for piece in report.pieces for item in piece.features} - {"stop_mm", "rail_difference_mm"}
    used = [UNCERTAINTY_OF.get(feature, "u_size_mm") for feature in sorted(read)]
    return {**budget_of(spec), **{name: getattr(spec.gauge, name) for name in used}}


def _record(piece: PieceJudged, pieces: Pieces) -> PieceRecord:
    rows: list[FacingReading | LayPoint] = [*pieces.readings.get(piece.mouthpiece_id, [])]
    rows += pieces.points.get(piece.mouthpiece_id, [])
    return PieceRecord(
        piece.mouthpiece_id,
        piece.serial,
        piece.model,
        piece.verdict,
        tuple(sorted({row.date.isoformat() for row in rows if row.date is not None})),
        tuple(sorted({row.operator for row in rows if row.operator is not None})),
        tuple(sorted({row.gauge_id for row in rows if row.gauge_id is not None})),
        piece,
        tuple(_line(feature) for feature in piece.features),
    )


def _line(judged: Judged) -> RecordLine:
    return RecordLine(
        judged.feature,
        judged.rail,
        judged.feeler_mm,
        judged.value,
        TWO_SIDED * judged.u,
        judged.nominal,
        judged.low,
        judged.high,
        judged.verdict,
        judged.critical,
    )
