"""What the order of making shows: drifts, and pieces out of the run."""

from __future__ import annotations

from collections.abc import Sequence

from matchkit.maker.conformity.batch import BatchReport, FeatureSummary
from matchkit.maker.conformity.chart import Chart, Signal
from matchkit.units import MM, UM
from matchkit.words.maker.features import SHOWN_POSITIONS, feature_words, unit_of
from matchkit.words.screen import sentences

WORTH_TELLING = 0.05
"""A drift that takes less than this share of the tolerance over the whole batch is left to the numbers."""

_SIGNALS = {
    "beyond a limit": "is far from the others",
    "run on one side": "has stayed on one side of its middle for long",
    "jump between neighbours": "jumps from one piece to the next",
}


def order_words(report: BatchReport) -> list[str]:
    """Return what the order of making shows: drifts, and pieces out of the run."""
    if not report.order_known:
        return (
            ["Not every piece has a serial number of its own, so a drift cannot be told."] if len(report.pieces) >= 10 else []
        )
    found = []
    out = {piece.mouthpiece_id for piece in report.pieces if piece.verdict == "fail"}
    for item in report.features:
        chart = item.chart
        if chart is None or item.feature == "stop_mm" or item.feeler_mm is not None:
            continue
        where = _where(item, report)
        for signal in chart.signals:
            shown = _news(item.positions, signal, out)
            if not shown:
                continue
            more = f" and {len(shown) - SHOWN_POSITIONS} more" if len(shown) > SHOWN_POSITIONS else ""
            found.append(f"{where} {_SIGNALS[signal.rule]} at {', '.join(shown[:SHOWN_POSITIONS])}{more}.")
        width = item.high - item.low if item.high is not None and item.low is not None else item.sd
        if chart.drifts and chart.step_at is not None and abs(chart.step) > WORTH_TELLING * width:
            way = "larger" if chart.step > 0 else "smaller"
            digits = 3 if unit_of(item.at) == "cm³" else 2
            found.append(
                f"{where} is {abs(chart.step):.{digits}f} {unit_of(item.at)} {way} from {item.positions[chart.step_at]} on: look at what changed there."
            )
        elif chart.drifts and abs(chart.slope) * item.count > WORTH_TELLING * width:
            scale, fine = (1.0, "cm³") if unit_of(item.at) == "cm³" else (MM / UM, "µm")
            low, high = sorted((abs(chart.slope_low) * scale, abs(chart.slope_high) * scale))
            way = "grows" if chart.slope > 0 else "shrinks"
            whole = abs(chart.slope) * (item.count - 1)
            size = f"{abs(chart.slope) * scale:.{1 if fine == 'µm' else 3}f} ({low:.{1 if fine == 'µm' else 3}f} to {high:.{1 if fine == 'µm' else 3}f}) {fine} a piece, {whole:.2f} {unit_of(item.at)} in all"
            found.append(f"{where} {way} by {size}: look at the cutter before the next batch.")
    return [sentences(text) for text in [*found, *_stops_drift(report)]]


def _stops_drift(report: BatchReport) -> list[str]:
    """Return how the facing grows or shrinks through the batch, where most stops do: once for all of them."""
    found = []
    models = list(dict.fromkeys(piece.model for piece in report.pieces))
    for model in models:
        charts = [
            (item, item.chart) for item in report.features if item.model == model and item.feature == "stop_mm" and item.chart
        ]
        for way in (1.0, -1.0):
            going = [
                (item, chart)
                for item, chart in charts
                if chart.drifts
                and chart.slope * way > 0
                and item.high is not None
                and item.low is not None
                and abs(chart.slope) * item.count > WORTH_TELLING * (item.high - item.low)
            ]
            if len(going) > len(charts) / 2:
                start = _stepped(going)
                sizes = [
                    abs(chart.slope) * (item.count - 1) if start is None or chart.step_at is None else abs(chart.step)
                    for item, chart in going
                ]
                low, high = min(sizes), max(sizes)
                which = f"{model}, stops" if len(models) > 1 else "stops"
                verb = "grow" if way > 0 else "shrink"
                if start is not None:
                    found.append(
                        f"{which} {verb} at {start}, by {low:.2f} to {high:.2f} mm, and stay so: look at what changed there."
                    )
                    continue
                found.append(
                    f"{which} {verb} from the first piece to the last, by {low:.2f} to {high:.2f} mm in all: look at the cutter before the next batch."
                )
    return found


def _stepped(going: Sequence[tuple[FeatureSummary, Chart]]) -> str | None:
    """Return the piece from which most of some stops lie on another level; None where they drift."""
    starts = [chart.step_at for _, chart in going if chart.step_at is not None]
    if len(starts) <= len(going) / 2:
        return None
    middle = sorted(starts)[len(starts) // 2]
    alike = sum(abs(start - middle) <= 1 for start in starts)
    return going[0][0].positions[middle] if alike > len(going) / 2 else None


def _news(positions: Sequence[str], signal: Signal, out: set[str]) -> list[str]:
    """Return the pieces of a signal, without those that are out of drawing anyway, and the jump back from them."""
    places = [place for place in signal.positions if positions[place] not in out]
    if signal.rule == "jump between neighbours":
        places = [place for place in places if positions[place - 1] not in out]
    return [positions[place] for place in places]


def _where(item: FeatureSummary, report: BatchReport) -> str:
    several = len({piece.model for piece in report.pieces}) > 1
    return f"{item.model}, {feature_words(item.at)}" if several else feature_words(item.at)
