"""What must hold of the feelers of one rail: repeats that agree, and stops nearer the tip the thicker the feeler; a slip is told in the row where it stands."""

from __future__ import annotations

import math
import statistics
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import pairwise

from matchkit.errors import Problem
from matchkit.tables.read.cells import plain
from matchkit.units import MM_PER_INCH, MM_PER_THOU

MAX_REPEAT_MM = 1.0
LEAST_BACKWARDS = 3
"""So many feelers show that a whole rail stands the wrong way round."""
LEAST_OTHERS = 3
"""So many other feelers tell where one stops."""
UNITS = (
    (MM_PER_INCH, "inches"),
    (MM_PER_THOU, "thousandths of an inch"),
    (1e-3, "thousandths of a mm (µm)"),
    (10.0, "centimetres"),
    (0.1, "tenths of a mm"),
    (0.01, "hundredths of a mm"),
    (0.5, "half millimetres"),
)
"""In what a length may have been typed that is expected in mm, and what one of it is."""
ALIKE = 0.04
"""A number that comes so near what is expected, in another unit, is in that."""


def in_unit(read: float, expected: float) -> str:
    """Return the unit in which a number would be what is expected in mm, as a hint; empty where there is none.

    >>> in_unit(0.768, 19.4)
    '0.768 looks like inches: that is 19.51 mm'
    >>> in_unit(18.0, 19.4)
    ''
    """
    if expected <= 0:
        return ""
    if abs(-read / expected - 1) <= ALIKE:
        return f"{plain(read)} looks like {plain(-read)} with its sign turned"
    unit = next(((factor, name) for factor, name in UNITS if abs(read * factor / expected - 1) <= ALIKE), None)
    return "" if unit is None else f"{plain(read)} looks like {unit[1]}: that is {read * unit[0]:.4g} mm"


@dataclass(frozen=True)
class Feeler:
    """One feeler on one rail: mean stop, and its rows."""

    feeler_mm: float
    stop_mm: float
    readings: tuple[tuple[int, float], ...]

    @property
    def row(self) -> int:
        """The row of its last reading."""
        return self.readings[-1][0]


def of_one_rail(feelers: list[Feeler], rail: str, tip_mm: float | None, file: str) -> list[Problem]:
    """Return the slips that one rail shows by itself; what follows from one is not told again."""
    found = list(_repeats(feelers, rail, file)) or list(_backwards(feelers, rail, tip_mm, file))
    return found or list(_order(feelers, rail, file))


def _backwards(feelers: list[Feeler], rail: str, tip_mm: float | None, file: str) -> Iterator[Problem]:
    """Tell a rail on which every thicker feeler stops further from the tip: typed in reverse, or counted from the table.

    Along an arc a stop is ``L (1 - sqrt(feeler / tip))`` from the tip; which of the two fits it better is asked about.
    """
    stops = [feeler.stop_mm for feeler in feelers]
    if len(feelers) < LEAST_BACKWARDS or any(thick <= thin for thin, thick in pairwise(stops)):
        return
    cause, hint = "backwards", "were the readings typed in reverse, or counted from the table instead of the tip?"
    if tip_mm is not None and feelers[-1].feeler_mm < tip_mm:
        shares = [(feeler.feeler_mm / tip_mm) ** 0.5 for feeler in feelers]
        reversed_off = _off_line([1 - share for share in shares], stops[::-1])
        from_table_off = _off_line(shares, stops)
        if reversed_off < from_table_off / 2:
            cause, hint = "in reverse", "were the readings of this rail typed in reverse?"
        elif from_table_off < reversed_off / 2:
            cause, hint = "from the table", "were the stops counted from where the facing begins, instead of from the tip?"
    read = f"stops that grow with the feeler on the {rail} rail, {plain(stops[0])} to {plain(stops[-1])} mm"
    expected = "mm from the tip: a thicker feeler stops nearer the tip"
    yield Problem(file, feelers[0].row, "stop_mm", read, expected, hint, cause)


def _off_line(shares: list[float], stops: list[float]) -> float:
    """Return the root mean square by which stops miss the line that fits them best; its zero is free, as that of a gauge may be."""
    slope, zero = statistics.linear_regression(shares, stops)
    return math.sqrt(statistics.fmean((stop - zero - slope * share) ** 2 for share, stop in zip(shares, stops, strict=True)))


def _repeats(feelers: list[Feeler], rail: str, file: str) -> Iterator[Problem]:
    """Repeats of one feeler agree within 1 mm; of two that do not, the one further from the rest of the rail is named."""
    for place, feeler in enumerate(feelers):
        stops = [stop for _, stop in feeler.readings]
        if max(stops) - min(stops) <= MAX_REPEAT_MM:
            continue
        thicker = feelers[place + 1].stop_mm if place + 1 < len(feelers) else 0.0
        thinner = feelers[place - 1].stop_mm if place else max(stops)
        middle = statistics.median(stops) if len(stops) > 2 else (thicker + thinner) / 2
        row, stop = max(feeler.readings, key=lambda item: abs(item[1] - middle))
        others = ", ".join(plain(other) for number, other in feeler.readings if number != row)
        yield Problem(
            file,
            row,
            "stop_mm",
            f"{plain(stop)} mm",
            f"within 1 mm of the other readings of this feeler on the {rail} rail: {others}",
        )


def _order(feelers: list[Feeler], rail: str, file: str) -> Iterator[Problem]:
    """Check that a thicker feeler stops nearer the tip; of two that do not, the one is named that the others do not lead to."""
    wrong: dict[int, float] = {}
    for place, (thin, thick) in enumerate(pairwise(feelers)):
        if thick.stop_mm < thin.stop_mm:
            continue
        both = (place, place + 1)
        expected = [by for at in both if (by := _by_others(feelers, at, both)) is not None]
        if len(expected) < len(both):
            yield _out_of_order(thin, thick, rail, file)
            continue
        off = [abs(feeler.stop_mm - by) for feeler, by in zip((thin, thick), expected, strict=True)]
        swapped = [abs(feeler.stop_mm - by) for feeler, by in zip((thick, thin), expected, strict=True)]
        if sum(swapped) < SWAPPED * sum(off):
            yield _out_of_order(thin, thick, rail, file)
            continue
        at = 0 if off[0] > off[1] else 1
        wrong.setdefault(both[at], expected[at])
    for place, near in wrong.items():
        feeler = feelers[place]
        others_lead = _by_others(feelers, place, list(wrong))
        by = near if others_lead is None else others_lead
        read = f"{plain(feeler.stop_mm)} mm for the {plain(feeler.feeler_mm)} mm feeler"
        leads = f"about {by:.1f} mm, where the other feelers on the {rail} rail lead"
        others = [feelers[at] for at in wrong if at != place and abs(feelers[at].stop_mm - by) <= MAX_REPEAT_MM]
        swapped_with = f"swapped with row {others[0].row}?" if others else "a slip, or another feeler?"
        yield Problem(file, feeler.row, "stop_mm", read, leads, in_unit(feeler.stop_mm, by) or swapped_with)


SWAPPED = 0.25
"""Two readings are taken for swapped where, put right, they miss what the others lead to by less than this share."""


def _out_of_order(thin: Feeler, thick: Feeler, rail: str, file: str) -> Problem:
    read = f"{plain(thick.stop_mm)} mm for the {plain(thick.feeler_mm)} mm feeler"
    expected = f"less than the {plain(thin.stop_mm)} mm of the {plain(thin.feeler_mm)} mm feeler on the {rail} rail"
    return Problem(file, thick.row, "stop_mm", read, expected, "are two readings swapped?")


def _by_others(feelers: Sequence[Feeler], place: int, without: Sequence[int]) -> float | None:
    """Return where a feeler stops by the line through the others in the root of the height; None where there are too few."""
    others = [feeler for at, feeler in enumerate(feelers) if at not in without]
    if len(others) < LEAST_OTHERS:
        return None
    line = statistics.linear_regression([feeler.feeler_mm**0.5 for feeler in others], [feeler.stop_mm for feeler in others])
    return float(line.intercept + line.slope * feelers[place].feeler_mm ** 0.5)
