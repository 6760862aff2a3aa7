"""Parts as people say them, a house without a gauge, and a mouthpiece changed."""

from __future__ import annotations

import contextlib
import csv
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

import matchkit as mk
from matchkit.parts.changed import changed_facing
from matchkit.parts.facing import FacingPart, facing_part
from matchkit.parts.said import read_number, read_sizes, read_strength, read_tip_mm
from matchkit.physics.lay.facing import nominal_lay
from matchkit.physics.lay.scaled import scaled_lay
from matchkit.score.player import Visitor

LINES = {"alto-A": "filed", "alto-B": "unfiled"}


@pytest.mark.parametrize(
    ("typed", "mm"), [("75thou", 1.905), (".075in", 1.905), ('0.075"', 1.905), ("1,9mm", 1.9), ("1.9", 1.9), ("75", 1.905)]
)
def test_sizes_of_a_mouthpiece(typed: str, mm: float) -> None:
    """An inch is 25.4 mm exactly (international yard and pound agreement, 1959, from memory)."""
    assert read_tip_mm(typed) == pytest.approx(mm)


@pytest.mark.parametrize(
    ("typed", "meant"),
    [("19mm", "1.9mm"), ("0.75 thou", "75thou"), ("0.075", "0.075in"), ("7500thou", "75thou"), ("0.19mm", "1.9mm")],
)
def test_a_slip_in_a_size_is_asked_about(typed: str, meant: str) -> None:
    """What was perhaps meant is named, and nothing is guessed."""
    with pytest.raises(mk.RequestError, match=f"did you mean {meant}"):
        read_tip_mm(typed)


@pytest.mark.parametrize("typed", ["6", "7*", "C", "190thou", ""])
def test_a_makers_own_number_says_nothing(typed: str) -> None:
    """Numbers of makers have no unit and are refused."""
    with pytest.raises(mk.RequestError, match="a maker's own number"):
        read_tip_mm(typed)


@pytest.mark.parametrize(
    ("typed", "found"),
    [
        ("2.5", (2.5, None, None)),
        ("2½", (2.5, None, None)),
        ("2 1/2", (2.5, None, None)),
        ("2,5", (2.5, None, None)),
        ("unfiled 2½", (2.5, "unfiled", None)),
        ("Filed 3", (3.0, "filed", None)),
        ("alto-B 2.5", (2.5, "unfiled", "alto-B")),
    ],
)
def test_strengths_as_they_are_said(typed: str, found: tuple[float, str | None, str | None]) -> None:
    """Fractions, decimal commas, a cut or a line before the number."""
    said = read_strength(typed, LINES)
    assert (said.strength, said.cut, said.profile_id) == found


@pytest.mark.parametrize(
    ("typed", "words"),
    [
        ("2 1/2 hard", "did you mean 2.5"),
        ("25", "did you mean 2.5"),
        ("alto-a 2.5", "did you mean 'alto-A 2.5'"),
        ("medium", "expected an id"),
        ("999", "up to 10"),
    ],
)
def test_a_slip_in_a_strength_is_asked_about(typed: str, words: str) -> None:
    """Never a silent guess."""
    with pytest.raises(mk.RequestError, match=words):
        read_strength(typed, LINES)


@given(st.text(max_size=12))
def test_whatever_is_typed_is_read_or_refused(text: str) -> None:
    """No text ends in another error."""
    for read in (read_tip_mm, lambda said: read_strength(said, LINES), lambda said: read_sizes(said, "tip", 2.0)):
        with contextlib.suppress(mk.RequestError):
            read(text)
    number = read_number(text)
    assert number is None or number >= 0


def test_changes_and_ranges() -> None:
    """A sign means a change; lists and ranges make several; ends are included."""
    assert read_sizes("+0.1mm", "tip", 2.0) == [2.1]
    assert read_sizes("\N{MINUS SIGN}0,1", "tip", 2.0) == [1.9]
    assert read_sizes("+4thou", "tip", 2.0) == pytest.approx([2.1016])
    assert read_sizes("+0.05,+0.1", "tip", 2.0) == [2.05, 2.1]
    assert read_sizes("-0.1:0.1:0.05", "tip", 2.0) == pytest.approx([1.9, 1.95, 2.0, 2.05, 2.1])
    assert read_sizes("1.9:2.1:0.1", "tip", 2.0) == pytest.approx([1.9, 2.0, 2.1])
    for wrong in ("0.1:0:0.05", "0:1:0", "0:1:0.001", "x", "1:2"):
        with pytest.raises(mk.RequestError, match="for tip"):
            read_sizes(wrong, "tip", 2.0)
    with pytest.raises(mk.RequestError, match="was not measured here"):
        read_sizes("+1", "chamber", None)


def test_a_part_of_the_house_or_a_typed_one(house: mk.House) -> None:
    """In Python as on the command line; a line and a strength of this house are its own reed."""
    assert house.part("mouthpiece", "AM-05") is house.parts.facing("AM-05")
    typed = house.part("mouthpiece", instrument="alto", tip_opening_mm=1.9)
    assert typed.id == "1.9mm"
    assert house.part("reed", "alto-A 2.5", instrument="alto").id == "AR-A-2.5"
    assert house.part("reed", instrument="alto", strength=2.5, cut="unfiled").id == "unfiled 2.5"
    assert house.part("ligature", contact="plate").id == "plate"
    with pytest.raises(mk.RequestError, match="say the instrument too"):
        house.part("mouthpiece", "75thou")
    with pytest.raises(mk.RequestError, match="by its instrument and strength"):
        house.part("reed", instrument="alto")
    with pytest.raises(mk.UnknownIdError, match="did you mean AM-"):
        house.part("mouthpiece", "AM-0")
    with pytest.raises(mk.RequestError, match="expected mouthpiece, reed or ligature"):
        house.part("neck", "N-A")


def test_one_size_on_two_instruments_is_two_mouthpieces() -> None:
    """What was solved for a typed alto piece is still the alto's after a tenor piece of the same size was asked about."""
    house = mk.open(cache=False)
    for kind in ("alto", "tenor"):
        piece = house.parts.typed_facing(2.0, kind)
        pairs = house.scorer.grid([piece], house.parts.reeds_for(kind)[:2], lip_m=10e-3)
        solved = house.scorer.contacts.problems(np.arange(len(house.scorer.contacts)))
        assert {facing.mouthpiece.instrument for facing, reed, _ in solved if reed.reed.instrument == kind} == {kind}
        assert len(pairs) == 2
    kinds = [(facing.mouthpiece.instrument, reed.reed.instrument) for facing, reed, _ in solved]
    assert all(one == other for one, other in kinds)


# a mouthpiece and itself changed


@pytest.mark.parametrize("piece", ["AM-02", "AM-05", "AM-08", "TM-04", "CM-03"])
@pytest.mark.parametrize(("wider", "longer"), [(1.08, 1.0), (1.0, 1.05), (0.95, 0.97)])
def test_a_stretched_lay_is_what_stretched_readings_give(house: mk.House, piece: str, wider: float, longer: float) -> None:
    """Readings multiplied as the lay is, and fitted anew by the whole way from feelers, give the same facing."""
    part = house.parts.facing(piece)
    stock = house.parts.stock
    readings = [row for row in stock.facings if row.mouthpiece_id == piece]
    points = [row for row in stock.lay_points if row.mouthpiece_id == piece]
    assert readings
    assert not points
    tip = part.mouthpiece.tip_opening_mm * wider
    length = part.facing_length_m * 1e3 * longer
    changed = changed_facing(part, {"tip": tip, "facing": length})
    assert changed.lay.tip_opening_m * 1e3 == pytest.approx(tip, abs=1e-9)
    assert changed.facing_length_m * 1e3 == pytest.approx(length, abs=1e-9)
    place = changed.lay.fair.break_m / part.lay.fair.break_m
    moved = [row.model_copy(update={"feeler_mm": row.feeler_mm * wider, "stop_mm": row.stop_mm * place}) for row in readings]
    record = part.mouthpiece.model_copy(update={"tip_opening_mm": tip})
    anew = facing_part(record, moved, defaults=stock.defaults, spec=stock.spec)
    assert anew.facing_length_m * 1e3 == pytest.approx(length, abs=0.25)
    reed = house.parts.reeds_for(part.mouthpiece.instrument)[0]
    one, other = (
        house.scorer.pair(each, reed, lip_m=10e-3).closing_pressure_pa[0]
        for each in (_named(changed, "one"), _named(anew, "two"))
    )
    assert one == pytest.approx(other, rel=0.02)


def _named(part: FacingPart, name: str) -> FacingPart:
    return replace(part, mouthpiece=part.mouthpiece.model_copy(update={"id": name}))


def test_a_stretched_curve_is_an_affine_image() -> None:
    """With x the run from the break, y(kx) of the stretched lay is h times y(x) (analytic)."""
    lay = nominal_lay(tip_opening_m=2e-3, facing_length_m=22e-3, u_tip_m=5e-5, u_facing_m=1e-3)
    other = scaled_lay(lay, tip_opening_m=2.3e-3, facing_length_m=24e-3)
    place = other.fair.break_m / lay.fair.break_m
    x = np.linspace(0, 20e-3, 50)
    assert other.fair.height_m(x * place) == pytest.approx(lay.fair.height_m(x) * 2.3 / 2.0, abs=1e-12)
    assert float(other.fair.u_facing_length_m) == pytest.approx(float(lay.fair.u_facing_length_m) * place, rel=0.05)


def test_limits_of_a_change(house: mk.House) -> None:
    """Sizes that no mouthpiece has, and a tip opened through the wall, are refused."""
    part = house.parts.facing("AM-05")
    with pytest.raises(mk.RequestError, match=r"expected 0\.5 to 4 mm"):
        changed_facing(part, {"tip": 9.0})
    with pytest.raises(mk.RequestError, match="expected 10 to 40 mm"):
        changed_facing(part, {"facing": -1.0})
    thin = replace(part, mouthpiece=part.mouthpiece.model_copy(update={"wall_mm": 0.4}))
    with pytest.raises(mk.RequestError, match="takes off more than the wall"):
        changed_facing(thin, {"tip": part.mouthpiece.tip_opening_mm + 0.5})


# a house without a gauge


def gaugeless(folder: Path, scale: Sequence[Sequence[object]]) -> Path:
    """Write a house that knows its lines by comparison only. Invented."""
    folder.mkdir()
    tables: dict[str, list[Sequence[object]]] = {
        "mouthpieces": [("id", "instrument", "tip_opening_mm"), ("A75", "alto", 1.9), ("A85", "alto", 2.15)],
        "reeds": [
            ("id", "instrument", "cut", "profile_id", "strength"),
            *(
                (f"{n}-{s}", "alto", cut, n, s)
                for n, cut in (("J", "filed"), ("S", "unfiled"), ("Z", "filed"))
                for s in (2, 2.5, 3)
            ),
        ],
        "ligatures": [("id",), ("L1",)],
        "strength_scale": [("profile_id", "strength", "equals_profile_id", "equals_strength"), *scale],
    }
    for name, rows in tables.items():
        with (folder / f"{name}.csv").open("w", encoding="utf-8", newline="") as file:
            csv.writer(file).writerows(rows)
    return folder


def test_a_comparison_chart_is_enough(tmp_path: Path) -> None:
    """A line nobody measured is the reference; what follows it plays alike where the chart says so, and the rest is listed apart."""
    house = mk.open(gaugeless(tmp_path / "house", [("S", 2, "J", 2.5), ("S", 2.5, "J", 3)]), cache=False)
    pressure = {name: house.closing("A75", name).closing_pressure_kpa for name in ("J-2.5", "S-2", "J-3", "S-2.5", "S-3")}
    assert pressure["S-2"] == pytest.approx(pressure["J-2.5"], rel=0.05)  # two generic shapes, alike on the bench
    assert pressure["S-2.5"] == pytest.approx(pressure["J-3"], rel=0.05)
    assert pressure["S-3"] > pressure["S-2.5"]
    ranking = house.rank(house.visitor("alto", mouthpiece="A75", reed="J-2.5"), top=50)
    assert {row.reed_id[0] for row in ranking.rows} == {"J", "S"}
    assert ranking.uncompared == ("Z",)
    assert any(item.what == "stiffness by comparison" for row in ranking.rows for item in row.assumed)
    assert house.rank(house.visitor("alto", mouthpiece="A75", reed="2.5"), top=1).rows


def test_a_chart_that_goes_through_one_line_ends(tmp_path: Path) -> None:
    """A line compared with itself at another strength, and with two others in turn: each strength has its own end."""
    measured = ("profile_id", "strength", "equals_profile_id", "equals_strength", "modulus_gpa")
    folder = gaugeless(tmp_path / "house", [])
    rows = [measured, ("S", 3, "S", 2.5, ""), ("S", 2.5, "", "", 8.0), ("J", 2.5, "Z", 2, ""), ("J", 3, "S", 3, "")]
    with (folder / "strength_scale.csv").open("w", encoding="utf-8", newline="") as file:
        csv.writer(file).writerows(rows)
    parts = {part.id: part for part in mk.open(folder, cache=False).parts.reeds}
    assert [parts[name].scale for name in ("S-2.5", "S-3", "J-3")] == [None, None, None]
    assert parts["J-2.5"].scale == "Z"  # by comparison with what nobody measured
    assert parts["J-2"].scale is None  # from the step that was measured in the end
    assert parts["Z-2"].scale == "Z"


def test_slips_in_a_comparison_chart(tmp_path: Path) -> None:
    """A line that no reed has, and a strength that the chart lacks of a line it holds, are named; with no scale at all a typed strength is asked about."""
    for step in (("S", 2, "Q", 2.5), ("S", 2, "S", 3)):
        folder = gaugeless(tmp_path / str(step[2]), [step])
        with pytest.raises(mk.DataError, match="a row of this table, or a line of reeds that has none"):
            mk.open(folder, cache=False)
    bare = mk.open(gaugeless(tmp_path / "bare", []), cache=False)
    with pytest.raises(mk.RequestError, match="say its line too"):
        bare.rank(bare.visitor("alto", mouthpiece="A75", reed="2.5"))
    assert {row.reed_id[0] for row in bare.rank(bare.visitor("alto", mouthpiece="A75", reed="J 2.5"), top=20).rows} == {"J"}


# another instrument


def test_a_set_up_of_another_instrument_is_a_hint(house: mk.House) -> None:
    """Its resistance from that instrument's middle moves the target on the other one; it is no present set-up there."""
    plain, doubler = Visitor(instrument="tenor"), house.visitor("tenor", mouthpiece="AM-07", reed="AR-A-3.5")
    view = house.scorer.view(doubler)
    assert view.present is None
    assert view.elsewhere is not None
    aims = [house.scorer.targets(house.scorer.view(each), house.parts.reeds_for("tenor")).main for each in (plain, doubler)]
    assert aims[0] is not None
    assert aims[1] is not None
    middle = house.scorer.usual("alto")[""].closing_pressure_pa
    here = house.closing("AM-07", "AR-A-3.5").closing_pressure_kpa * 1e3
    assert aims[1].closing_pressure_pa / aims[0].closing_pressure_pa == pytest.approx(here / middle, rel=1e-6)
    ranking = house.rank(doubler, top=2)
    assert ranking.present is None
    assert all(row.changes is None and not row.new_parts for row in ranking.rows)
    with pytest.raises(mk.RequestError, match="name mouthpiece and reed of one instrument"):
        house.rank(house.visitor("tenor", mouthpiece="AM-07", reed="2.5"))
    with pytest.raises(mk.RequestError, match="a usual tip opening on clarinet"):
        house.visitor("clarinet", mouthpiece="75thou")
