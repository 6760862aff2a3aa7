"""Two batches of one model beside one another: means, spread, and what a maker would call different."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, ClassVar

import numpy as np

from matchkit.errors import RequestError
from matchkit.maker.conformity.batch import DECIMALS, BatchReport, FeatureSummary
from matchkit.maker.conformity.chart import LEAST_PIECES, Chart, individuals_chart
from matchkit.maker.facts import FeatureAt, SetAside
from matchkit.results import Answer, flat

CONFIDENCE = 0.95
"""Over all sizes that are looked at together."""
WORTH = 0.1
"""A difference of means below this share of the tolerance changes nothing (assumed)."""
FEW = 3
"""Of fewer pieces a batch has no spread worth holding against another's."""


@dataclass(frozen=True)
class FeatureBeside:
    """One size in two batches: the second's mean less the first's, and its spread over the first's, each with its interval.

    Intervals are 95 % over all sizes together: Welch's for the means, F for the spreads. ``different`` and ``wider`` (or narrower: below 1) are told
    where the interval leaves out none, and the difference is worth telling. ``chart`` runs over both batches, the first one first.
    """

    model: str
    feature: str
    rail: str | None
    feeler_mm: float | None
    counts: tuple[int, int]
    means: tuple[float, float]
    sds: tuple[float, float]
    difference: float
    difference_low: float
    difference_high: float
    spread: float | None
    spread_low: float | None
    spread_high: float | None
    different: bool
    spread_differs: bool
    chart: Chart | None

    @property
    def at(self) -> FeatureAt:
        """The feature with its rail and feeler."""
        return FeatureAt(self.feature, self.rail, self.feeler_mm)


@dataclass(frozen=True)
class BatchesBeside(Answer):
    """Two batches held against one another, size by size; ``only_in`` are models that one of them lacks."""

    schema: ClassVar[str] = "batches"
    table_of: ClassVar[str] = "features"
    row_type: ClassVar[type] = FeatureBeside

    first: str
    second: str
    pieces: tuple[int, int]
    failed: tuple[int, int]
    features: tuple[FeatureBeside, ...]
    only_in: tuple[str, ...]
    set_aside: tuple[SetAside, ...] = ()
    """Pieces of either that could not be judged."""

    def flat_rows(self) -> list[dict[str, Any]]:
        """Return one flat row a size."""
        rows = []
        for item in self.features:
            pairs = {"count": item.counts, "mean": item.means, "sd": item.sds}
            both = {
                f"{name}_{which}": value
                for name, pair in pairs.items()
                for which, value in zip(("first", "second"), pair, strict=True)
            }
            rows.append({**flat(item), **both})
        return rows


def beside(first: BatchReport, second: BatchReport, *, names: tuple[str, str]) -> BatchesBeside:
    """Hold two judged batches against one another; RequestError where they share no model with three pieces each.

    A size that is held against its drawing piece by piece may differ between the batches long before a piece fails.
    """
    of = [{(item.model, item.at): item for item in report.features} for report in (first, second)]
    shared = [key for key in of[0] if key in of[1] and min(of[0][key].count, of[1][key].count) >= FEW]
    models = [{piece.model for piece in report.pieces} for report in (first, second)]
    if not shared:
        raise RequestError(
            f"the batches share no model with {FEW} pieces each: {', '.join(sorted(models[0]))} and {', '.join(sorted(models[1]))}"
        )
    values = [_values(report) for report in (first, second)]
    return BatchesBeside(
        names[0],
        names[1],
        (len(first.pieces), len(second.pieces)),
        (first.counts["fail"], second.counts["fail"]),
        tuple(
            _feature(
                of[0][key], values[0][key], values[1][key], looked=len(shared), ordered=first.order_known and second.order_known
            )
            for key in shared
        ),
        tuple(sorted(models[0] ^ models[1])),
        (*first.set_aside, *second.set_aside),
    )


def _values(report: BatchReport) -> dict[tuple[str, FeatureAt], list[float]]:
    found: dict[tuple[str, FeatureAt], list[float]] = {}
    for piece in report.pieces:
        for judged in piece.features:
            found.setdefault((piece.model, judged.at), []).append(round(judged.value, DECIMALS))
    return found


def _feature(
    item: FeatureSummary, one: Sequence[float], other: Sequence[float], *, looked: int, ordered: bool
) -> FeatureBeside:
    """Compare one size; the level is shared among those that are ``looked`` at (Bonferroni)."""
    from scipy.stats import f, t

    level = (1 - CONFIDENCE) / looked
    a, b = np.array(one), np.array(other)
    sds = tuple(float(part.std(ddof=1)) if np.ptp(part) > 0 else 0.0 for part in (a, b))
    difference = float(b.mean() - a.mean())
    low = high = difference
    steps = np.diff(np.unique(np.concatenate([a, b])))
    if len(steps):  # readings that are all alike are no surer than the step they were read to
        floor = float(steps.min()) / math.sqrt(12)
        parts = [max(sd, floor) ** 2 / len(part) for sd, part in zip(sds, (a, b), strict=True)]
        degrees = sum(parts) ** 2 / sum(part**2 / (len(of) - 1) for part, of in zip(parts, (a, b), strict=True))  # Welch 1947
        half = math.sqrt(sum(parts)) * float(t.ppf(1 - level / 2, degrees))
        low, high = difference - half, difference + half
    spread = spread_low = spread_high = None
    if min(sds) > 0:
        spread = sds[1] / sds[0]
        spread_low, spread_high = (
            spread / math.sqrt(float(f.ppf(share, len(b) - 1, len(a) - 1))) for share in (1 - level / 2, level / 2)
        )
    limits = [limit for limit in (item.low, item.high) if limit is not None]
    width = limits[1] - limits[0] if len(limits) == 2 else 6 * max(sds)
    both = np.concatenate([a, b])
    fine = np.count_nonzero(np.diff(both)) > len(both) / 2
    return FeatureBeside(
        model=item.model,
        feature=item.feature,
        rail=item.rail,
        feeler_mm=item.feeler_mm,
        counts=(len(a), len(b)),
        means=(float(a.mean()), float(b.mean())),
        sds=(sds[0], sds[1]),
        difference=difference,
        difference_low=low,
        difference_high=high,
        spread=spread,
        spread_low=spread_low,
        spread_high=spread_high,
        different=not low <= 0 <= high and abs(difference) >= WORTH * width,
        spread_differs=spread_low is not None and spread_high is not None and not spread_low <= 1 <= spread_high,
        chart=individuals_chart(both, charts=looked) if ordered and fine and len(both) >= LEAST_PIECES else None,
    )
