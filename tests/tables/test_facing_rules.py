"""What is said of one rail's readings and scan, number by number: columns in another unit, repeats, rails, specks and heights in inches."""

from __future__ import annotations

from pathlib import Path

import pytest

from matchkit import constants
from matchkit.records.parts import LayPoint, Mouthpiece
from matchkit.records.quantity import Quantity
from matchkit.tables.read.cells import range_text
from matchkit.tables.rules.facings import _rails, _whole_table
from matchkit.tables.rules.one_rail import Feeler, _backwards, _repeats, in_unit, of_one_rail
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


ARC = {feeler: 25.0 * (1 - (feeler / 2) ** 0.5) for feeler in (0.038, 0.1, 0.2, 0.4, 0.6, 0.9, 1.2)}


@pytest.mark.parametrize(
    ("feeler", "factor", "words"),
    [
        (0.2, 1 / 25.4, "inches"),
        (0.4, 2.0, "half millimetres"),
        (0.1, 0.1, "centimetres"),
        (0.6, 1.4, "a slip, or another feeler?"),
    ],
)
def test_of_two_stops_out_of_order_the_one_off_the_line_is_named(feeler: float, factor: float, words: str) -> None:
    """One stop of an arc (analytic) in another unit: its own row, what the others lead to within 0.3 mm, and the unit; the sound row beside it is left in peace."""
    stops = {**ARC, feeler: ARC[feeler] * factor}
    (problem,) = of_one_rail(rail({one: (stop,) for one, stop in stops.items()}), "left", 2.0, "facings.csv")
    assert problem.row == 2 + list(ARC).index(feeler)
    assert words in problem.hint
    assert float(problem.expected.split()[1]) == pytest.approx(ARC[feeler], abs=0.3)


def test_swapped_stops_name_one_another() -> None:
    """Neighbours swapped are asked about once, in one row; two that are further apart each name the other's row."""
    swapped = {**ARC, 0.2: ARC[0.4], 0.4: ARC[0.2]}
    (problem,) = of_one_rail(rail({one: (stop,) for one, stop in swapped.items()}), "left", 2.0, "facings.csv")
    assert problem.hint == "are two readings swapped?"
    apart = {**ARC, 0.1: ARC[0.6], 0.6: ARC[0.1]}
    problems = of_one_rail(rail({one: (stop,) for one, stop in apart.items()}), "left", 2.0, "facings.csv")
    assert {problem.hint for problem in problems} == {"swapped with row 3?", "swapped with row 6?"}
    few = rail({0.1: (10.0,), 0.4: (12.0,)})
    (problem,) = of_one_rail([*few, *rail({0.9: (5.0,)})], "left", None, "facings.csv")
    assert problem.hint == "are two readings swapped?"


def test_a_number_in_another_unit_is_told_by_what_is_expected() -> None:
    """Within 4 % of a unit it is that (by definition of the units); else nothing is said."""
    assert in_unit(1.968 / 25.4, 1.968).startswith("0.07748 looks like inches")
    assert "sign turned" in in_unit(-1.9, 1.9)
    assert "µm" in in_unit(1900.0, 1.9)
    assert in_unit(1.5, 1.9) == ""
    assert in_unit(0.0, 1.9) == ""
    assert in_unit(0.5, 0.0) == ""


def test_a_piece_in_another_unit_is_told_once(tmp_path: Path) -> None:
    """Heights of one piece in µm, of all sizes: one line with the piece, and one height of another piece with its sign turned is not among them."""
    import matchkit as mk

    (tmp_path / "mouthpieces.csv").write_text(
        "id,instrument,tip_opening_mm\n" + "".join(f"{name},alto,2\n" for name in "ABCDE"), encoding="utf-8"
    )
    x = [round(0.25 * place, 2) for place in range(120)]
    height = [max(2.0 * (1 - place / 22) ** 2 if place < 22 else 0.0, 0.0) for place in x]
    rows = [f"A,left,{place},{1000 * high - 1.5:.1f}" for place, high in zip(x, height, strict=True)]
    rows += [
        f"B,left,{place},{-high if number == 8 else high:.4f}"
        for number, (place, high) in enumerate(zip(x, height, strict=True))
    ]
    rows += [f"{name},left,{place},{high:.4f}" for name in "CDE" for place, high in zip(x, height, strict=True)]
    (tmp_path / "lay_points.csv").write_text("\n".join(["mouthpiece_id,rail,x_mm,height_mm", *rows]) + "\n", encoding="utf-8")
    with pytest.raises(mk.DataError) as raised:
        mk.open().batch(tmp_path, pair=False)
    mine = [problem for problem in raised.value.problems if problem.column == "height_mm"]
    of_a = [problem for problem in mine if "of A" in problem.hint]
    assert {problem.hint for problem in of_a} == {f"all {len(of_a)} of A would be right as thousandths of a mm (µm)"}
    assert len({problem.cause for problem in of_a}) == 1
    (turned,) = (problem for problem in mine if problem not in of_a)
    assert "sign turned" in turned.hint
