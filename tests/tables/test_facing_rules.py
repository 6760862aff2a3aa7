"""What is said of one rail's readings and scan, number by number: columns in another unit, repeats, rails, specks and heights in inches."""

from __future__ import annotations

import pytest

from matchkit import constants
from matchkit.records.parts import LayPoint, Mouthpiece
from matchkit.records.quantity import Quantity
from matchkit.tables.read.cells import range_text
from matchkit.tables.rules.facings import _rails, _whole_table
from matchkit.tables.rules.one_rail import Feeler, _backwards, _repeats
from matchkit.tables.rules.scans import _scan_hint, _specks

FEELERS = (0.038, 0.1, 0.2, 0.4, 0.8, 1.2)


def rail(stops: dict[float, tuple[float, ...]]) -> list[Feeler]:
    """Return the feelers of a rail, thinnest first, with readings in rows of their own."""
    found, row = [], 2
    for feeler, read in sorted(stops.items()):
        found.append(Feeler(feeler, sum(read) / len(read), tuple((row + place, stop) for place, stop in enumerate(read))))
        row += len(read)
    return found


def scanned(*points: tuple[float, float]) -> list[tuple[int, LayPoint]]:
    """Return points of a left rail with their rows."""
    return [
        (row, LayPoint(mouthpiece_id="M", rail="left", x_mm=x, height_mm=height))
        for row, (x, height) in enumerate(points, start=2)
    ]


@pytest.mark.parametrize(("factor", "way"), [(10.0, "divide it by 10"), (1 / 25.4, "multiply it by 25.4")])
def test_a_whole_column_in_another_unit_says_by_how_much(factor: float, way: str) -> None:
    """Arcs, whose stops are ``L (1 - sqrt(feeler / tip))`` (analytic), all times a factor: L over the usual one is said, and the unit that would mend it."""
    piece, length = Mouthpiece(id="M", instrument="alto", tip_opening_mm=2.0), 25.0
    stops: dict[float, tuple[float, ...]] = {feeler: (length * (1 - (feeler / 2) ** 0.5) * factor,) for feeler in FEELERS}
    every = {f"M{number}": {"left": rail(stops)} for number in range(6)}
    found = _whole_table(every, dict.fromkeys(every, piece), "facings.csv")
    assert found is not None
    typical = constants.FEATURE_SCALES["facing_length"].typical["alto"]
    assert f"a length of the facing {length / typical * factor:.2g} times" in found.read
    assert way in found.hint


def test_of_two_repeats_the_one_off_its_neighbours_is_named() -> None:
    """Between feelers that stop at 20 and 8 mm, readings of 15 and 9 mm: 9 mm is further from the middle, 14 mm."""
    (problem,) = _repeats(rail({0.1: (20.0,), 0.3: (15.0, 9.0), 0.9: (8.0,)}), "left", "facings.csv")
    assert problem.read == "9 mm"
    assert problem.row == 4


@pytest.mark.parametrize(("stop", "half"), [(10.0, True), (8.8, True), (7.7, False), (13.0, False)])
def test_half_millimetres_on_one_rail_are_about_twice(stop: float, half: bool) -> None:  # noqa: FBT001 - a table of cases
    """20 mm against 10 or 8.8 mm may be half millimetres; against 7.7 or 13 mm it may not."""
    problems, odd = _rails(rail({0.1: (20.0,)}), rail({0.1: (stop,)}), "M", "facings.csv")
    assert bool(problems) == half
    assert bool(odd) == (not half)


def test_a_speck_is_one_point_whatever_the_spacing() -> None:
    """Uneven points of a straight lay have none; of a point 0.5 mm high, its neighbours are not named too."""
    assert _specks(scanned((0, 3.0), (1, 2.05), (1.5, 1.5), (3, 0.0))) == []
    even = [(0.5 * place, 3 - 0.25 * place) for place in range(12)]
    even[5] = (even[5][0], even[5][1] + 0.5)
    ((row, point, expected),) = _specks(scanned(*even))
    assert (row, point.x_mm) == (7, 2.5)
    assert expected == pytest.approx(3 - 0.25 * 5)


def test_heights_in_inches_are_asked_about_by_the_inch() -> None:
    """0.0945 of an inch is 2.40 mm, near enough to a tip of 2.2 mm; 0.0975 (2.48 mm) is not."""
    assert _scan_hint(scanned((0.5, 0.0945))[0][1], 2.2) == "heights in inches?"
    assert _scan_hint(scanned((0.5, 0.0975))[0][1], 2.2) == ""


def test_a_field_with_one_limit_only_names_no_range() -> None:
    """There is nothing to say of the other end."""
    assert range_text(Quantity("size", "mm", 0.5)) == "a number mm"


def test_stops_the_wrong_way_round_are_told_at_their_first_row() -> None:
    """Of a rail typed in reverse, in rows 12 to 17: the row of the thinnest feeler, which is the first of them."""
    stops = [20.0 * (1 - (feeler / 2) ** 0.5) for feeler in FEELERS]
    found = [
        Feeler(one.feeler_mm, one.stop_mm, tuple((row + 10, stop) for row, stop in one.readings))
        for one in rail({feeler: (stop,) for feeler, stop in zip(FEELERS, reversed(stops), strict=True)})
    ]
    (problem,) = _backwards(found, "left", 2.0, "facings.csv")
    assert problem.row == 12
