"""Repeatability and reproducibility of a gauge: pieces x people x repeats, by analysis of variance.

Model: reading = piece + person + piece:person + touch, all but the mean random. The interaction is pooled with the touch where it is
not significant at 0.25 (the usual level; AIAG MSA 4th edition, from memory). A component of variance that comes out negative is 0.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from typing import ClassVar, Literal, NamedTuple

import numpy as np
from numpy.typing import NDArray

from matchkit.errors import RequestError
from matchkit.records.spec import implied_step_mm
from matchkit.results import Answer

Array = NDArray[np.float64]

Worth = Literal["good", "usable", "too coarse", "nothing"]
"""What a gauge is worth for a purpose; nothing can be said where every reading of a piece is the same."""

POOLING_LEVEL = 0.25
DISTINCT = 1.41
"""Distinct categories are this times piece variation over gauge variation, cut down to a whole number."""
SPAN = 6.0
"""The spread of a gauge or of pieces is taken as so many standard deviations."""


@dataclass(frozen=True)
class AnovaRow:
    """One source of variation: sum of squares, degrees of freedom, mean square, F and its probability where there is one.

    ``f`` is None where it is over nothing, since every repeat was the same.
    """

    source: str
    sum_of_squares: float
    degrees: int
    mean_square: float
    f: float | None
    probability: float | None


@dataclass(frozen=True)
class AverageRange:
    """The same study by averages and ranges, the older way: standard deviations, and categories before they are cut down."""

    repeatability: float
    reproducibility: float
    gauge: float
    piece: float
    total: float
    distinct: float


@dataclass(frozen=True)
class Range:
    """A 95 % interval of a standard deviation."""

    low: float
    high: float


@dataclass(frozen=True)
class WithoutOdd:
    """What a gauge is worth without the readings that may be slips."""

    verdict: Worth
    gauge: float
    share_of_tolerance: float | None


@dataclass(frozen=True)
class GaugeCell:
    """What one person read of one piece: mean, lowest and highest of ``count`` readings."""

    piece: str
    person: str
    mean: float
    low: float
    high: float
    count: int


@dataclass(frozen=True)
class OddReading:
    """One reading far from the ``others`` of its piece, their median."""

    piece: str
    person: str
    repeat: int
    reading: float
    others: float


@dataclass(frozen=True)
class GaugeStudy(Answer):
    """What a study says of a gauge; standard deviations in the unit of the readings.

    ``reproducibility`` is None where one person read everything. ``share_of_tolerance`` is 6 standard deviations of the gauge over
    the tolerance, ``share_of_study`` the gauge's over the total standard deviation. ``distinct`` counts categories by the method named
    in ``method``; it is None where the gauge shows no variation at all.
    """

    schema: ClassVar[str] = "gauge"
    table_of: ClassVar[str] = "table"

    quantity: str
    unit: str
    pieces: int
    people: int
    repeats: int
    method: str
    pooled: bool
    table: tuple[AnovaRow, ...]
    repeatability: float
    repeatability_degrees: int
    reproducibility: float | None
    gauge: float
    piece: float
    total: float
    share_of_study: float
    tolerance: float | None
    share_of_tolerance: float | None
    distinct: int | None
    verdict: Worth
    step: float | None
    """The step that every reading lies on, where they tell it."""
    by_ranges: AverageRange | None
    """The same by averages and ranges, where two people or more took part."""
    ranges: dict[str, Range]
    """95 % intervals of the standard deviations, by name: touch (repeatability), people (reproducibility), gauge and piece."""
    cells: tuple[GaugeCell, ...] = ()
    """Every person by every piece, as they come in the study."""
    odd: tuple[OddReading, ...] = ()
    without: WithoutOdd | None = None
    """What the gauge would be worth without the odd readings; None where there are none, or too little is left."""
    """Readings that look like slips; they are counted in everything else."""


MOST_TOLERANCE_MM = 20.0


def checked_tolerance(tolerance: float | None, unit: str) -> None:
    """Raise RequestError for a tolerance that cannot be one."""
    if tolerance is not None and not 0 < tolerance < MOST_TOLERANCE_MM:
        raise RequestError(f"the tolerance must be above 0 and below {MOST_TOLERANCE_MM:g} {unit}; read {tolerance:g}")


def study(readings: Array, *, quantity: str, unit: str, tolerance: float | None = None) -> GaugeStudy:
    """Analyse readings (pieces, people, repeats); the grand mean is taken off first, so a large offset costs no digits.

    With one person reproducibility cannot be told, and the answer says so. Raises RequestError for a tolerance that is not above 0.

    >>> found = study(np.array([[[0.0, 0.1], [0.1, 0.2]], [[1.0, 1.1], [1.1, 1.2]], [[2.0, 2.1], [2.1, 2.2]]]), quantity="x", unit="mm")
    >>> round(found.repeatability, 3), found.people
    (0.061, 2)
    """
    from scipy.stats import f as fisher

    checked_tolerance(tolerance, unit)
    parts, people, repeats = readings.shape
    y = readings - readings.mean()
    by_part, by_person, by_cell = y.mean(axis=(1, 2)), y.mean(axis=(0, 2)), y.mean(axis=2)
    ss_part = people * repeats * float((by_part**2).sum())
    ss_person = parts * repeats * float((by_person**2).sum())
    ss_cross = repeats * float(((by_cell - by_part[:, None] - by_person[None, :]) ** 2).sum())
    ss_touch = float(((y - by_cell[:, :, None]) ** 2).sum())
    df_part, df_person = parts - 1, people - 1
    df_cross, df_touch = df_part * df_person, parts * people * (repeats - 1)
    pooled = df_cross > 0
    rows: list[AnovaRow] = []
    if df_cross:
        f_cross = _ratio(ss_cross / df_cross, ss_touch / df_touch)
        p_cross = float(fisher.sf(f_cross, df_cross, df_touch))
        rows.append(AnovaRow("piece x person", ss_cross, df_cross, ss_cross / df_cross, _finite(f_cross), p_cross))
        pooled = p_cross > POOLING_LEVEL
    if not np.ptp(readings, axis=2).any():
        ss_touch = 0.0  # every repeat the same: what is left is the arithmetic's
    if not np.ptp(readings, axis=(1, 2)).any():
        ss_cross = ss_person = 0.0
    ms_touch, df_error = ss_touch / df_touch, df_touch
    if pooled:
        ms_touch, df_error = (ss_touch + ss_cross) / (df_touch + df_cross), df_touch + df_cross
    over, df_over = (ss_cross / df_cross, df_cross) if df_cross and not pooled else (ms_touch, df_error)
    ms_part = ss_part / df_part
    f_part = _ratio(ms_part, over)
    head = [AnovaRow("piece", ss_part, df_part, ms_part, _finite(f_part), float(fisher.sf(f_part, df_part, df_over)))]
    if df_person:
        ms_person = ss_person / df_person
        f_person = _ratio(ms_person, over)
        head.append(
            AnovaRow(
                "person", ss_person, df_person, ms_person, _finite(f_person), float(fisher.sf(f_person, df_person, df_over))
            )
        )
    tail = AnovaRow("touch, with the interaction" if pooled else "touch", ms_touch * df_error, df_error, ms_touch, None, None)
    var_cross = max((ss_cross / df_cross - ms_touch) / repeats, 0.0) if df_cross and not pooled else 0.0
    var_person = max((ss_person / df_person - over) / (parts * repeats), 0.0) if df_person else 0.0
    var_part = max((ms_part - over) / (people * repeats), 0.0)
    variances = {"piece": var_part, "person": var_person, "cross": var_cross, "touch": ms_touch}
    squares = _MeanSquares(
        (ms_part, df_part),
        (ss_person / df_person, df_person) if df_person else None,
        (ss_cross / df_cross, df_cross) if df_cross and not pooled else None,
        (ms_touch, df_error),
    )
    return assembled(
        readings=readings.ravel(),
        shape=(parts, people, repeats),
        quantity=quantity,
        unit=unit,
        method="analysis of variance",
        pooled=pooled,
        table=(*head, *rows, tail),
        variances=variances,
        degrees=df_error,
        ranges=_drawn_ranges(squares, people=people, parts=parts, repeats=repeats) if ms_touch > 0 else {},
        tolerance=tolerance,
        one_person=not df_person,
        by_ranges=average_range(readings) if df_person and ms_touch > 0 else None,
    )


def assembled(
    *,
    readings: Array,
    shape: tuple[int, int, int],
    quantity: str,
    unit: str,
    method: str,
    pooled: bool,
    table: tuple[AnovaRow, ...],
    variances: Mapping[str, float],
    degrees: int,
    ranges: dict[str, Range],
    tolerance: float | None,
    one_person: bool,
    by_ranges: AverageRange | None = None,
) -> GaugeStudy:
    """Put the components of variance (piece, person, cross, touch) together into what a study says."""
    apart = variances.get("person", 0.0) + variances.get("cross", 0.0)
    gauge, piece = float(np.sqrt(variances["touch"] + apart)), float(np.sqrt(variances["piece"]))
    total = float(np.hypot(gauge, piece))
    of_study = gauge / total if total > 0 else 0.0
    of_tolerance = None if tolerance is None else SPAN * gauge / tolerance
    known = gauge > 0
    return GaugeStudy(
        quantity=quantity,
        unit=unit,
        pieces=shape[0],
        people=shape[1],
        repeats=shape[2],
        method=method,
        pooled=pooled,
        table=table,
        repeatability=float(np.sqrt(variances["touch"])),
        repeatability_degrees=degrees,
        reproducibility=None if one_person else float(np.sqrt(apart)),
        gauge=gauge,
        piece=piece,
        total=total,
        share_of_study=of_study,
        tolerance=tolerance,
        share_of_tolerance=of_tolerance,
        distinct=int(DISTINCT * piece / gauge) if known else None,
        verdict=_verdict(of_study if of_tolerance is None else of_tolerance) if known else "nothing",
        step=implied_step_mm(readings.tolist()),
        by_ranges=by_ranges,
        ranges=ranges,
    )


class _MeanSquares(NamedTuple):
    """Mean squares with their degrees of freedom; None where a source is not in the model."""

    part: tuple[float, int]
    person: tuple[float, int] | None
    cross: tuple[float, int] | None
    touch: tuple[float, int]


DRAWN = 20_000
SEED = 20264


def _drawn_ranges(squares: _MeanSquares, *, parts: int, people: int, repeats: int) -> dict[str, Range]:
    """Return generalised intervals (Weerahandi 1993; for such studies Hamada and Weerahandi 2000; both from memory), by seeded draws.

    Each mean square is what its expectation is times a chi-squared over its degrees of freedom; turned round, draws of chi-squared give draws of the
    expectations, and components follow from them as from the mean squares, cut at 0.
    """
    rng = np.random.default_rng(SEED)

    def expectation(square: tuple[float, int]) -> Array:
        value, degrees = square
        return np.asarray(value * degrees / rng.chisquare(degrees, DRAWN))

    touch, part = expectation(squares.touch), expectation(squares.part)
    cross = touch if squares.cross is None else expectation(squares.cross)
    of_cross = np.maximum(cross - touch, 0.0) / repeats
    apart = wide = of_cross
    if squares.person is not None:
        apart = of_cross + np.maximum(expectation(squares.person) - cross, 0.0) / (parts * repeats)
        # people more alike than chance makes them say no more than usual ones do
        over = squares.touch if squares.cross is None else squares.cross
        usual = max(squares.person[0], over[0]), squares.person[1]
        wide = of_cross + np.maximum(expectation(usual) - cross, 0.0) / (parts * repeats)
    found = {"touch": touch, "gauge": touch + apart, "piece": np.maximum(part - cross, 0.0) / (people * repeats)}
    if squares.person is not None:
        found["people"] = apart
    tops = {**found, "gauge": touch + wide, **({"people": wide} if squares.person is not None else {})}
    return {
        name: Range(float(np.sqrt(np.quantile(values, 0.025))), float(np.sqrt(np.quantile(tops[name], 0.975))))
        for name, values in found.items()
    }


def _ratio(above: float, below: float) -> float:
    return above / below if below > 0 else (float("inf") if above > 0 else 0.0)


def _finite(ratio: float) -> float | None:
    """Return a ratio, None where it is over nothing."""
    return ratio if np.isfinite(ratio) else None


def _verdict(share: float) -> Worth:
    """Say what the share of the gauge means (10 and 30 %: AIAG's guideline, from memory)."""
    if share < 0.1:
        return "good"
    return "usable" if share <= 0.3 else "too coarse"


def average_range(readings: Array) -> AverageRange:
    """Analyse readings (pieces, people, repeats) by averages and ranges (AIAG MSA, 1/d2* constants); two people or more."""
    parts, people, repeats = readings.shape
    touch = float(np.ptp(readings, axis=2).mean()) / expected_range(repeats, groups=parts * people)
    apart = float(np.ptp(readings.mean(axis=(0, 2)))) / expected_range(people, groups=1)
    person = float(np.sqrt(max(apart**2 - touch**2 / (parts * repeats), 0.0)))
    piece = float(np.ptp(readings.mean(axis=(1, 2)))) / expected_range(parts, groups=1)
    gauge = float(np.hypot(touch, person))
    total = float(np.hypot(gauge, piece))
    return AverageRange(touch, person, gauge, piece, total, DISTINCT * piece / gauge)


LARGE_STUDY = 15
"""From so many groups on, d2 itself is taken for d2* (AIAG's practice)."""


def expected_range(size: int, *, groups: int) -> float:
    """Return d2*, what a mean range of ``groups`` samples of ``size`` is over one standard deviation: sqrt(d2^2 + d3^2 / groups).

    >>> round(expected_range(10, groups=1), 3), round(expected_range(2, groups=100), 4)
    (3.179, 1.1284)
    """
    d2, d3 = range_constants(size)
    return d2 if groups > LARGE_STUDY else float(np.sqrt(d2**2 + d3**2 / groups))


@cache
def range_constants(size: int) -> tuple[float, float]:
    """Return mean and standard deviation (d2, d3) of the range of ``size`` standard normal values, by quadrature.

    >>> [round(value, 4) for value in range_constants(5)]
    [2.3259, 0.8641]
    """
    from scipy.special import ndtr

    if size < 2:
        raise ValueError(f"a range takes two values or more, read {size}")
    z = np.linspace(-8.0, 8.0, 1601)
    below = ndtr(z)
    d2 = float(np.trapezoid(1 - (1 - below) ** size - below**size, z))
    low, high = np.meshgrid(below, below, indexing="ij")
    inner = 1 - high**size - (1 - low) ** size + np.maximum(high - low, 0) ** size
    upper = np.triu(np.ones_like(inner)) - 0.5 * np.eye(len(z))
    second = 2 * float((inner * upper).sum()) * float(z[1] - z[0]) ** 2
    return d2, float(np.sqrt(second - d2**2))
