"""Refacing: no step adds material, the plan applied gives the target, and what cannot be reached is said."""

from __future__ import annotations

import math
import re
import shutil
from functools import cache
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
from conftest import Rows, edit_table
from hypothesis import given, settings
from hypothesis import strategies as st
from maker_shop import FEELERS_MM, Truth, measured, read_piece, replace, spec_with, stop_of

import matchkit as mk
from matchkit.cli.printing import lay_out
from matchkit.files import shipped
from matchkit.maker.facts import Against, RefaceTarget
from matchkit.maker.measure.stations import drawn_curve
from matchkit.maker.pieces import gather
from matchkit.maker.reface.ask import USUAL_FEELERS_MM
from matchkit.maker.reface.plan import (
    GROWTH,
    SURE,
    Blank,
    RefacePlan,
    _worst_places,
    blank_of,
    plan_removal,
    surely_over,
)
from matchkit.maker.reface.target import ALIKE_M, Worn, fair_with_tip, least_tip_m, nearest_fair, power_curve, stop_m
from matchkit.parts.facing import facing_part
from matchkit.physics.closing import close_reeds, closing_share
from matchkit.physics.share_table import power_beams
from matchkit.tables.defaults import read_defaults
from matchkit.tables.store import PIECES_TABLES, read_tables
from matchkit.words.maker.reface import _moot, reface_screen

X = np.arange(0.0, 36e-3, 0.1e-3)


def against(plan: RefacePlan) -> set[str]:
    """The reasons against a plan."""
    return {reason.why for reason in plan.do_not}


@cache
def opened() -> mk.House:
    """Open the demo house once: hypothesis takes no fixtures of a test's own."""
    return mk.open()


def lay(tip_mm: float, break_mm: float, power: float, bump_um: float = 0.0) -> np.ndarray:
    """Heights of a power law with a bump, in m."""
    y = tip_mm * 1e-3 * np.maximum(1 - X / (break_mm * 1e-3), 0) ** power
    return np.asarray(np.maximum(y - bump_um * 1e-6 * np.exp(-(((X - 12e-3) / 2e-3) ** 2)) * (y > 0), 0))


def blank(left: np.ndarray, right: np.ndarray) -> Blank:
    """A piece whose heights are known to 5 µm."""
    return Blank(X, left, right, np.full(len(X), 5e-6))


facings = st.tuples(st.floats(2.2, 2.7), st.floats(26, 29), st.floats(1.9, 2.3), st.floats(-40, 40))


@settings(max_examples=60, deadline=None)
@given(facings, facings, st.sampled_from(["fair", "drawing", "tip"]), st.floats(0, 0.08), st.booleans())
def test_no_step_ever_adds_material(
    left: tuple[float, float, float, float],
    right: tuple[float, float, float, float],
    to: str,
    table_mm: float,
    down: bool,  # noqa: FBT001 - hypothesis passes by position
) -> None:
    """Whatever the rails and the target: heights over the table only rise from step to step, but where the table itself is faced down."""
    house = opened()
    facing = house.parts.facing("TM-02")
    piece = blank(lay(*left), lay(*right))
    worn = piece.lowered(table_mm * 1e-3).worn
    if to == "fair":
        target = nearest_fair(worn)
    elif to == "tip":
        target = fair_with_tip(worn, float(least_tip_m(worn, np.array([32e-3]), np.array([2.0]))[0]) + 0.1e-3)
    else:
        drawn = drawn_curve(house.tables.spec.drawing["TB-25"])
        assert drawn is not None
        target = drawn
    table_down = float(np.maximum(worn.height_m - target.height_m(X), 0).max()) if down else 0.0
    plan = plan_removal(
        facing, piece, target, aim=RefaceTarget("fair"), feelers_mm=FEELERS_MM, table_m=table_mm * 1e-3, table_down_m=table_down
    )
    assert all(removal.left_um >= -1e-6 for removal in plan.removals)
    assert all(removal.right_um >= -1e-6 for removal in plan.removals)
    assert all(step.most_removed_um >= 0 for step in plan.steps)
    for before, after in zip(plan.steps[1:], plan.steps[2:], strict=False):
        assert after.tip_opening_mm >= before.tip_opening_mm - 1e-9
        for old, new in zip(before.stops, after.stops, strict=True):
            for rail in ("left_mm", "right_mm"):
                was, now = getattr(old, rail), getattr(new, rail)
                assert was is None or (now is not None and now >= was - 1e-6)
    if to != "drawing" or down:
        assert plan.unreached == ()


def test_the_plan_applied_gives_the_target() -> None:
    """Twenty simulated pieces, measured, planned to the drawing with the table down, and worked: the lay is the target within 2 u."""
    spec = spec_with()
    drawn = drawn_curve(spec.drawing["TB-25"])
    assert drawn is not None
    off = []
    for seed in range(20):
        rng = np.random.default_rng([31, seed])
        truth = replace(Truth(), tip=2.44, left=27.3, right=27.1)
        piece, readings = read_piece(truth, rng, table_gap_mm=0.0, wall_mm=4.0)
        part, rails = measured(piece, readings, spec)
        known = blank_of(part, rails)
        plan = plan_removal(
            part, known, drawn, aim=RefaceTarget("drawing"), feelers_mm=FEELERS_MM, table_m=0.0, table_down_m=0.0
        )
        assert plan.unreached == ()
        assert plan.do_not == ()
        place = np.array([removal.place_mm for removal in plan.removals])
        for rail in ("left", "right"):
            taken = np.array([getattr(removal, f"{rail}_um") for removal in plan.removals])
            u = np.array([removal.u_um for removal in plan.removals])
            real = np.array([truth.height(rail, x) for x in place]) * 1e3 + taken
            wanted = drawn.height_m(place * 1e-3) * 1e6
            off.append((real - wanted) / u)
    found = np.concatenate(off)
    assert float((np.abs(found) < 2).mean()) > 0.9
    assert abs(float(found.mean())) < 0.5


def test_the_nearest_fair_curve_takes_off_least() -> None:
    """A power law is its own nearest curve; a bumped one is covered everywhere, and no curve of a fine net takes off less."""
    plain = Worn(X, lay(2.5, 28, 2.1))
    curve = nearest_fair(plain)
    assert curve.height_m(X) == pytest.approx(plain.height_m, abs=4e-6)
    bumped = Worn(X, lay(2.5, 28, 2.05, bump_um=-30))
    best = nearest_fair(bumped)
    inside = bumped.height_m > 10e-6
    assert (best.height_m(X) - bumped.height_m)[inside].min() > -1e-6
    taken = float(np.trapezoid(np.maximum(best.height_m(X) - bumped.height_m, 0), X))
    rng = np.random.default_rng(3)
    for _ in range(400):
        edge, power = np.array([rng.uniform(28.0e-3, 33e-3)]), np.array([rng.uniform(1.7, 2.8)])
        tip = float(least_tip_m(bumped, edge, power)[0])
        other = power_curve(tip, float(edge[0]), float(power[0]))
        assert float(np.trapezoid(np.maximum(other.height_m(X) - bumped.height_m, 0), X)) > taken - 2e-9


def test_a_wanted_tip_opening(house: mk.House) -> None:
    """The target has that tip; a tip more open than wanted is refused with what would close it; nonsense is refused."""
    plan = house.reface("TB-25-02", tip_opening_mm=2.6)
    assert plan.target_tip_opening_mm == pytest.approx(2.6, abs=2e-3)
    assert plan.steps[3].tip_opening_mm == pytest.approx(2.55, abs=2e-3)
    assert plan.do_not == ()
    with pytest.raises(mk.RequestError, match="facing the table down closes it"):
        house.reface("TB-25-02", tip_opening_mm=2.3)
    with pytest.raises(mk.RequestError, match=r"expected 0\.5 to 4 mm"):
        house.reface("TB-25-02", tip_opening_mm=98)
    closed = house.reface("TB-25-02", tip_opening_mm=2.3, table_down=True)
    assert closed.target_tip_opening_mm == pytest.approx(2.3, abs=6e-3)
    assert closed.table_down_mm == pytest.approx(closed.tip_opening_mm - 2.3, abs=0.06)
    assert all(removal.left_um >= -1e-6 and removal.right_um >= -1e-6 for removal in closed.removals)
    assert closed.unreached == ()
    far = house.reface("TB-25-02", tip_opening_mm=3.1)
    assert "opens too much" in against(far)


def test_the_facing_that_matches_a_reed(house: mk.House) -> None:
    """Within a touch (4 %) of the wanted closing pressure, covering the lay, and with a smaller closing share than any of 300 other reachable facings."""
    plan = house.reface("TB-25-02", reed="TR-A-3", closing_kpa=14.0)
    row = next(item for item in plan.reeds if item.reed == "tenor-A 3")
    assert row.closing_pressure_after_kpa == pytest.approx(14.0, rel=0.045)
    assert plan.target.reaches_kpa == pytest.approx(row.closing_pressure_after_kpa, rel=2e-3)
    assert plan.unreached == ()
    reed = house.parts.reed("TR-A-3")
    rng = np.random.default_rng(4)
    edge, power = rng.uniform(28.2e-3, 30e-3, 300), rng.uniform(1.75, 2.7, 300)
    tip = np.full(300, 2.5e-3)
    tables = read_tables(shipped("data/demo-bench/batch"), needed=PIECES_TABLES)
    pieces = gather(tables.mouthpieces, tables.facings, ())
    piece = next(item for item in pieces.mouthpieces if item.id == "TB-25-02")
    lip_n = house.scorer.view(mk.Visitor(instrument="tenor")).lip_force_n
    width = ((piece.window_width_mm or 0) + (piece.side_rail_mm or 0)) * 1e-3
    shape = {"lip_m": 12e-3, "lip_spread_m": 5e-3}

    def solved(tip_m: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        thin, half = (edge * (1 - (height / tip_m) ** (1 / power)) for height in (38e-6, tip_m / 2))
        beams = power_beams(reed.shape, tip_m=tip_m, length_m=thin, shape=half / thin, width_m=width, **shape)
        found = close_reeds(beams, tip_width_m=np.full(300, reed.shape.tip_width_m), lip_m=np.full(300, 12e-3))
        pressure = found.pressure_per_modulus * reed.modulus_pa
        return pressure, closing_share(found, np.arange(300), lip_share=lip_n / found.lip_area_m2 / pressure)

    for _ in range(12):
        pressure, share = solved(tip)
        tip = tip * 14000.0 / pressure
    worn = blank_of(*measured(piece, pieces.readings[piece.id], house.tables.spec)).worn
    least = least_tip_m(worn, edge, power)
    reachable = (tip >= least) & (tip <= plan.tip_opening_mm * 1e-3 + 0.5e-3)
    assert reachable.sum() > 5
    assert plan.target.even_share is not None
    assert plan.target.even_share < share[reachable].min() + 0.003


def test_the_curve_is_finished_before_the_tip(house: mk.House) -> None:
    """Beyond 5 mm of the tip nothing is left for the tip step; where nothing comes off at the tip it has nothing to do."""
    plan = house.reface("AM-04")
    curve, tip = plan.steps[3], plan.steps[4]
    assert [stop for stop in curve.stops if stop.left_mm and stop.left_mm > 5.2] == [
        stop for stop in tip.stops if stop.left_mm and stop.left_mm > 5.2
    ]
    assert plan.removals[0].left_um < 1
    assert tip.idle


def test_within_the_drawing_is_reached(house: mk.House) -> None:
    """A piece that passes its drawing is told to be left alone, and what lies above the nominal within its tolerance is in reach."""
    plan = house.reface("TB-25-38", drawing=True)
    assert plan.unreached == ()
    assert plan.do_not[0] == Against("within its drawing")
    assert plan.most_removed_um < 8
    assert [item.what for item in plan.player] == ["blowing pressure", "lip force"]


def test_nothing_to_take_off_is_said(house: mk.House) -> None:
    """A plan to the drawing that takes off nothing says to leave it; the table is not faced down to match a reed; closing far is warned."""
    plan = house.reface("TB-25-23", drawing=True)
    assert max(removal.left_um for removal in plan.removals) < 5
    assert {"within the uncertainty", "within its drawing"} & against(plan)
    with pytest.raises(mk.RequestError, match="not to match a reed"):
        house.reface("TB-25-02", reed="TR-A-3", table_down=True)
    far = house.reface("TB-25-03", tip_opening_mm=1.5, table_down=True)
    assert "closes too much" in against(far)


def test_what_cannot_be_told_changes_nothing(house: mk.House) -> None:
    """A plan that takes off no more than is known leaves closing pressure, opening and share of every house reed as they are."""
    plan = house.reface("TB-25-13", drawing=True)
    assert all(max(removal.left_um, removal.right_um) <= removal.u_um for removal in plan.removals)
    assert plan.reeds
    for reed in plan.reeds:
        assert reed.closing_pressure_after_kpa == reed.closing_pressure_before_kpa
        assert reed.playing_opening_after_mm == reed.playing_opening_before_mm
        assert reed.closing_share_after == reed.closing_share_before


def _arc(tmp_path: Path, tip: float, edge: float) -> Path:
    """Return the demo batch with TB-25-02 an arc of this tip opening and break, in mm, read without error."""
    folder = Path(shutil.copytree(shipped("data/demo-bench/batch"), tmp_path / "batch"))
    for table, column in (("mouthpieces", "id"), ("facings", "mouthpiece_id")):

        def changed(rows: Rows, column: str = column) -> Rows:
            for row in rows:
                if row[column] == "TB-25-02" and column == "id":
                    row["tip_opening_mm"] = f"{tip:.2f}"
                elif row[column] == "TB-25-02":
                    row["stop_mm"] = f"{edge * (1 - math.sqrt(float(row['feeler_mm']) / tip)):.2f}"
            return rows

        edit_table(folder, table, changed)
    return folder


def test_a_drawing_is_met_with_the_least_that_passes(tmp_path: Path) -> None:
    """A piece that is an arc 0.14 mm too closed: opened to where every size passes (its limit and 1.645 u) and one only just; the middle is said as what more would do."""
    folder = _arc(tmp_path, 2.36, 28.01)
    house = mk.open()
    drawing = house.tables.spec.drawing["TB-25"]
    plan = house.reface("TB-25-02", pieces=folder, drawing=True)
    tip = drawing.tip_opening_mm
    assert tip is not None
    rooms = [(plan.target_tip_opening_mm - (tip.limits[0] or 0)) / house.tables.spec.gauge.u_tip_mm]
    known = {row.feeler_mm: row for row in house.facing("TB-25-02", pieces=folder).stations}
    for station in drawing.station:
        (stop,) = (row.left_mm for row in plan.steps[-1].stops if row.feeler_mm == station.feeler_mm)
        u = max(known[station.feeler_mm].u_left_mm or 0, known[station.feeler_mm].u_right_mm or 0)
        low, high = station.limits_mm
        assert stop is not None
        assert low is not None
        assert high is not None
        rooms.append(min(stop - low, high - stop) / u)
    assert 1.64 <= min(rooms) <= 2.2
    assert plan.target.sure
    assert 1e3 * (2.5 - plan.target_tip_opening_mm) - 1 <= (plan.target.more_um or 0) <= 65
    told = " ".join(lay_out(reface_screen(plan)).split())
    assert (
        f"The middle of the drawing would take up to {plan.target.more_um:.0f} µm more off the rails. The facing itself is known to ±"
        in told
    )


def test_the_table_is_faced_down_no_further_than_the_limits(house: mk.House) -> None:
    """A tip of 2.69 mm that may be 2.58: faced down to where it passes, 0.04 mm less than to the middle; without the table just that is out of reach."""
    down, alone = house.reface("TB-25-13", drawing=True, table_down=True), house.reface("TB-25-13", drawing=True)
    u = house.tables.spec.gauge.u_tip_mm
    assert 2.58 - 1.645 * u - 0.006 <= down.target_tip_opening_mm <= 2.58 - 1.645 * u + 0.0005
    assert down.target.more_table_um == pytest.approx(1e3 * (down.target_tip_opening_mm - 2.5), abs=1)
    assert alone.target.more_table_um == pytest.approx(1e3 * down.table_down_mm, abs=1e-6)
    told = " ".join(lay_out(reface_screen(down)).split())
    assert f"µm more off the rails and {down.target.more_table_um:.0f} µm more off the table" in told
    perhaps = house.reface("TB-25-23", drawing=True, table_down=True)
    assert perhaps.do_not[0] == Against("perhaps within its drawing")
    assert "read it twice more before anything comes off" in " ".join(lay_out(reface_screen(perhaps)).split())


def test_a_table_that_is_faced_down_changes_every_reed(house: mk.House) -> None:
    """32 µm off the table and nothing off the rails: a closer tip and a shorter facing are harder to close for every house reed (by the order of closing pressures)."""
    plan = house.reface("TB-25-18", drawing=True, table_down=True)
    assert plan.table_down_mm > 0.02
    assert plan.reeds
    assert all(
        reed.closing_pressure_after_kpa > reed.closing_pressure_before_kpa * 1.01
        or reed.playing_opening_after_mm < reed.playing_opening_before_mm - 0.01
        for reed in plan.reeds
    )


def _arc_um(edge: float, tip: float, stop: float) -> float:
    """Height of an arc over a place (mm, mm, mm), in um."""
    return 1e3 * tip * max(1 - stop / edge, 0.0) ** 2


@pytest.mark.parametrize(
    ("tip", "edge", "table"), [(2.36, 28.5, False), (2.40, 28.4, False), (2.39, 27.6, False), (2.70, 28.01, True)]
)
def test_the_rails_lose_what_the_lower_limits_ask(tmp_path: Path, tip: float, edge: float, table: bool) -> None:  # noqa: FBT001 - a case
    """Arcs that are too closed, one too short as well, one too open: at the tip and every feeler they lose at most what the lower limit and its doubt ask, and 25 µm (an arc, by its own formula)."""
    folder = _arc(tmp_path, tip, edge)
    house = mk.open()
    plan = house.reface("TB-25-02", pieces=folder, drawing=True, table_down=table)
    down = 1e3 * plan.table_down_mm
    drawing, u_tip = house.tables.spec.drawing["TB-25"], house.tables.spec.gauge.u_tip_mm
    known = {row.feeler_mm: row for row in house.facing("TB-25-02", pieces=folder).stations}
    assert plan.target.sure
    assert (down > 100) == table
    drawn_tip = drawing.tip_opening_mm
    assert drawn_tip is not None
    at_tip, *removals = plan.removals
    assert at_tip.left_um <= max(1e3 * ((drawn_tip.limits[0] or 0.0) + 1.645 * u_tip - tip) + down, 0.0) + 25
    for station, removal in zip(sorted(drawing.station, key=lambda one: -one.feeler_mm), removals, strict=True):
        u = max(known[station.feeler_mm].u_left_mm or 0, known[station.feeler_mm].u_right_mm or 0)
        low = station.limits_mm[0] or 0.0
        asked = max(1e3 * station.feeler_mm - max(_arc_um(edge, tip, low + 1.645 * u) - down, 0.0), 0.0)
        assert removal.left_um <= asked + 25


def test_what_removing_cannot_mend_is_not_worked_on(tmp_path: Path) -> None:
    """Both rails 1.4 mm long: without the table nothing comes off; an arc that is too long and 0.12 mm too closed is opened to where the tip passes, and no further."""
    assert mk.open().reface("TB-25-18", drawing=True).most_removed_um < 1
    plan = mk.open().reface("TB-25-02", pieces=_arc(tmp_path, 2.38, 29.6), drawing=True)
    assert plan.unreached
    assert 2.42 <= plan.target_tip_opening_mm <= 2.47


def test_rails_that_differ_all_along_are_levelled(tmp_path: Path) -> None:
    """The right rail 0.25 mm shorter at every feeler, which is nowhere three standard uncertainties: the plan sees two rails, and takes more off the short one."""
    folder = Path(shutil.copytree(shipped("data/demo-bench/batch"), tmp_path / "batch"))

    def shorten(rows: Rows) -> Rows:
        return [
            {**row, "stop_mm": f"{float(row['stop_mm']) - 0.25:.2f}"}
            if (row["mouthpiece_id"], row["rail"]) == ("TB-25-02", "right")
            else row
            for row in rows
        ]

    edit_table(folder, "facings", shorten)
    for drawing in (True, False):
        plan = mk.open().reface("TB-25-02", pieces=folder, drawing=drawing)
        assert sum(row.right_um for row in plan.removals) > sum(row.left_um for row in plan.removals) + 20
        assert any(stop.left_mm != stop.right_mm for stop in plan.steps[0].stops)


def test_a_pressure_is_met_within_a_touch(house: mk.House) -> None:
    """Asked for what a reed closes at as the piece is, or 3 % to either side of it, nothing comes off; 10 % above it something, up to a touch (4 %) below that."""
    plain = house.reface("TB-25-07")
    row = next(item for item in plain.reeds if item.reed == "tenor-A 3")
    off = {
        by: house.reface("TB-25-07", reed="TR-A-3", closing_kpa=by * row.closing_pressure_before_kpa)
        for by in (0.97, 1.0, 1.03, 1.1)
    }
    for by in (0.97, 1.0, 1.03):
        assert off[by].target.met
        assert off[by].most_removed_um == 0
        assert all(one.closing_pressure_after_kpa == one.closing_pressure_before_kpa for one in off[by].reeds)
        told = " ".join(lay_out(reface_screen(off[by])).split())
        assert f"closes at {row.closing_pressure_before_kpa:.1f} kPa on TB-25-07 as it stands" in told
        assert "Nothing to do at the bench" in told
    assert not off[1.1].target.met
    for reed, lot, asked in (("TR-A-2", "tenor-A 2", 10.0), ("TR-B-3", "tenor-B 3", 17.0)):
        plan = house.reface("TB-25-02", reed=reed, closing_kpa=asked)
        after = next(item for item in plan.reeds if item.reed == lot).closing_pressure_after_kpa
        assert abs(math.log(after / asked)) < 0.043
    harder = next(item for item in off[1.1].reeds if item.reed == "tenor-A 3").closing_pressure_after_kpa
    assert harder == pytest.approx(1.1 * math.exp(-0.04) * row.closing_pressure_before_kpa, rel=0.012)


def test_a_hollow_beyond_the_drawing_is_faced_down(tmp_path: Path) -> None:
    """The drawing allows a hollow of 0.03 mm: one of 0.05 is taken out for the drawing, and left where no drawing is asked for."""
    folder = Path(shutil.copytree(shipped("data/demo-bench/batch"), tmp_path / "batch"))
    edit_table(
        folder,
        "mouthpieces",
        lambda rows: [{**row, "table_gap_mm": "-0.05"} if row["id"] == "TB-25-02" else row for row in rows],
    )
    house = mk.open()
    drawn = house.reface("TB-25-02", pieces=folder, drawing=True)
    assert drawn.table_down_mm == pytest.approx(0.05)
    assert not drawn.steps[1].idle
    assert "hollow by 0.050 mm: face the table down by 50 µm" in lay_out(reface_screen(drawn))
    assert house.reface("TB-25-02", pieces=folder).table_down_mm == 0


def test_the_tip_of_a_nominal_facing_is_as_sure_as_listed(house: mk.House) -> None:
    """Of a mouthpiece known by its numbers alone the height at the tip is known as the tip opening is."""
    plan = house.reface("SM-03")
    assert plan.removals[0].u_um == pytest.approx(1e3 * plan.u_tip_opening_mm, rel=1e-6)


def test_what_no_removal_reaches_is_said_and_the_table_mends_it(house: mk.House) -> None:
    """Both rails too long: out of reach by removing, with the place; with the table down it is reached, and the tip closes first."""
    plan = house.reface("TB-25-18", drawing=True)
    assert plan.unreached
    assert plan.needs_table_down_mm > 0.02
    down = house.reface("TB-25-18", drawing=True, table_down=True)
    assert down.unreached == ()
    table = next(step for step in down.steps if step.name == "table")
    assert table.tip_opening_mm == pytest.approx(plan.tip_opening_mm - down.table_down_mm, abs=1e-6)
    assert table.stops[0].left_mm is not None
    assert down.steps[0].stops[0].left_mm is not None
    assert table.stops[0].left_mm < down.steps[0].stops[0].left_mm


def test_reasons_against(house: mk.House) -> None:
    """An unknown wall, a thin one, a change within the uncertainty, and a facing that was never measured are told before anything."""
    assert "wall unknown" in against(house.reface("TB-25-10", tip_by_mm=0.1))
    assert "never measured" in against(house.reface("TM-10"))
    assert "table convex" in against(house.reface("TB-25-21"))
    open_tip = house.reface("TB-25-13", drawing=True)
    assert open_tip.unreached
    assert "within the uncertainty" not in against(open_tip)
    spec = spec_with()
    piece, readings = read_piece(Truth(), np.random.default_rng(1), wall_mm=1.55)
    part, rails = measured(piece, readings, spec)
    known = blank_of(part, rails)
    half = blank_of(*measured(piece, [r for r in readings if r.rail == "left"], spec))
    alone = plan_removal(
        part, half, nearest_fair(half.worn), aim=RefaceTarget("fair"), feelers_mm=FEELERS_MM, table_m=0.0, table_down_m=0.0
    )
    assert "one rail" in against(alone)
    thin = plan_removal(
        part,
        known,
        fair_with_tip(known.worn, 2.7e-3),
        aim=RefaceTarget("tip", tip_opening_mm=2.7),
        feelers_mm=FEELERS_MM,
        table_m=0.0,
        table_down_m=0.0,
    )
    wall = next(reason for reason in thin.do_not if reason.why == "wall too thin")
    assert wall.limit == 1.5
    assert wall.size is not None
    assert 1.2 < wall.size < 1.5
    said = lay_out(reface_screen(thin))
    assert "respirator" in said
    assert "What is off stays off" in said


def test_noise_is_not_worked_on() -> None:
    """Of eighty perfect pieces at most eight get a plan to their nearest fair curve without the warning, and few are told to level rails."""
    spec = spec_with()
    silent = levelled = 0
    for seed in range(80):
        piece, readings = read_piece(Truth(power=2.1), np.random.default_rng([33, seed]), wall_mm=4.0, table_gap_mm=0.0)
        part, rails = measured(piece, readings, spec)
        known = blank_of(part, rails)
        plan = plan_removal(
            part,
            known,
            nearest_fair(known.worn),
            aim=RefaceTarget("fair"),
            feelers_mm=FEELERS_MM,
            table_m=0.0,
            table_down_m=0.0,
        )
        silent += "within the uncertainty" not in against(plan)
        levelled += not plan.steps[2].idle
    assert silent <= 8
    assert levelled <= 6


def test_a_convex_table_is_flattened_first(house: mk.House) -> None:
    """A table recorded convex by 0.03 mm: its step says so, closes the tip by as much, and every later stop is recomputed."""
    plan = house.reface("TB-25-21")
    table = next(step for step in plan.steps if step.name == "table")
    assert plan.table_down_mm == pytest.approx(0.029, abs=0.006)
    assert not table.idle
    assert "closes the tip" in lay_out(reface_screen(plan))
    assert table.tip_opening_mm == pytest.approx(plan.tip_opening_mm - plan.table_down_mm, abs=1e-6)


def test_the_tip_rail_grows_and_the_baffle_comes_nearer(house: mk.House) -> None:
    """Opening the tip by 0.1 mm over a baffle of slope h/5 makes the rail 0.1/slope wider (geometry); the baffle rises by what came off."""
    plan = house.reface("TB-25-02", tip_opening_mm=2.6)
    tip = next(step for step in plan.steps if step.name == "tip")
    piece = next(p for p in mk.open().batch(pair=False).pieces if p.mouthpiece_id == "TB-25-02")
    depth = next(f.value for f in piece.features if f.feature == "baffle_height_mm")
    assert tip.tip_rail_mm is not None
    assert tip.baffle_height_mm is not None
    opened = tip.tip_opening_mm - plan.tip_opening_mm
    assert tip.side_rail_mm is not None
    most = max(removal.left_um for removal in plan.removals) / 1000
    assert tip.side_rail_mm - 1.0 == pytest.approx(0.3 * most, rel=0.15)
    assert GROWTH in plan.assumed
    assert tip.tip_rail_mm - 0.9 == pytest.approx(opened / (depth / 5), rel=0.05)
    assert depth - 0.1 < tip.baffle_height_mm < depth


def test_questions_that_cannot_be_meant(house: mk.House) -> None:
    """Two targets at once, a pressure without a reed, another instrument's reed, no drawing, an unknown piece."""
    for words, options in (
        ("one target at a time", {"tip_opening_mm": 2.6, "drawing": True}),
        ("goes with a reed", {"closing_kpa": 7.0}),
        ("for alto", {"reed": "AR-A-3"}),
        ("no facing that only removing", {"reed": "TR-A-3", "closing_kpa": 25.0}),
        ("more than 0", {"reed": "TR-A-3", "closing_kpa": -1.0}),
    ):
        with pytest.raises(mk.RequestError, match=words):
            house.reface("TB-25-02", **options)
    with pytest.raises(mk.RequestError, match="no drawing for the model"):
        house.reface("TM-02", drawing=True)
    with pytest.raises(mk.UnknownIdError):
        house.reface("TB-25-99")


def test_a_pressure_out_of_reach_is_answered_with_what_is_in_reach(house: mk.House) -> None:
    """The range that is named: its ends can be asked for (within what rounding leaves), more than a touch beyond them nothing is found."""
    with pytest.raises(mk.RequestError, match="softer reed") as low:
        house.reface("AM-07", reed="AR-A-3", closing_kpa=5.0)
    with pytest.raises(mk.RequestError, match="harder reed") as high:
        house.reface("AM-07", reed="AR-A-3", closing_kpa=25.0)
    found = re.search(r"closes at ([\d.]+) to ([\d.]+) kPa on those", str(low.value))
    assert found is not None
    assert found[0] in str(high.value)
    least, most = map(float, found.groups())
    for inside, outside in ((least + 0.1, least * 0.94), (most - 0.1, most * 1.06)):
        assert house.reface("AM-07", reed="AR-A-3", closing_kpa=inside).target.closing_kpa == pytest.approx(inside)
        with pytest.raises(mk.RequestError):
            house.reface("AM-07", reed="AR-A-3", closing_kpa=outside)


@pytest.mark.parametrize("piece", ["AM-07", "TB-25-07", "AM-01"])
def test_no_step_takes_off_more_than_the_plan_in_all(house: mk.House, piece: str) -> None:
    """The plan's own first number is the most that comes off anywhere: no feeler's and no step's is above it, and one rail loses no more in two steps."""
    plan = house.reface(piece)
    most = max(max(removal.left_um, removal.right_um) for removal in plan.removals)
    assert most - 0.01 <= plan.most_removed_um
    assert max(step.most_removed_um for step in plan.steps) <= plan.most_removed_um + 0.01
    assert 0 <= plan.most_place_mm <= plan.target_break_mm


def test_where_a_feeler_stops() -> None:
    """On a power law a feeler stops where the law says; one thicker than the tip does not enter; one below everything stops at the end."""
    heights = lay(2.5, 28, 2.0)
    truth = Truth()
    for feeler in FEELERS_MM:
        found = stop_m(X, heights, feeler * 1e-3)
        assert found is not None
        assert found * 1e3 == pytest.approx(stop_of(lambda x: truth.height("left", x), feeler, 34.0), abs=0.01)
    assert stop_m(X, heights, 2.6e-3) is None
    assert stop_m(X, heights, 0.0) == pytest.approx(X[-1])


def test_the_wall_is_looked_at_on_the_rail_that_loses_most(tmp_path: Path) -> None:
    """A piece whose left rail loses 21 µm and whose right next to nothing: too thin where the left leaves too little, though the right does not."""
    shutil.copytree(shipped("data/demo-bench") / "batch", tmp_path / "pieces")
    walls = {}
    for wall in (1.505, 1.53):

        def thinned(rows: Rows, wall: float = wall) -> Rows:
            return [{**row, "wall_mm": str(wall) if row["id"] == "TB-25-07" else row["wall_mm"]} for row in rows]

        edit_table(tmp_path / "pieces", "mouthpieces", thinned)
        plan = mk.open().reface("TB-25-07", pieces=tmp_path / "pieces", drawing=True)
        walls[wall] = [reason for reason in plan.do_not if reason.why == "wall too thin"]
    assert not walls[1.53]
    (reason,) = walls[1.505]
    assert reason.limit == 1.5
    assert reason.size == pytest.approx(1.505 - 0.021, abs=0.001)


def test_the_usual_feelers_are_a_set_from_thin_to_thick() -> None:
    """A piece without a drawing and without readings of its own is planned for seven feelers, none twice (common practice, no source)."""
    assert list(USUAL_FEELERS_MM) == sorted(set(USUAL_FEELERS_MM))
    assert USUAL_FEELERS_MM[0] == 0.038
    assert max(np.diff(USUAL_FEELERS_MM)) <= 0.3 + 1e-9


def test_only_what_is_surely_over_comes_off() -> None:
    """Over by less than its doubt, or by less than what counts as alike, stays; what is over by more than both comes off whole."""
    u = np.array([8e-6, 8e-6, 0.1e-6, 0.1e-6, 8e-6])
    over = np.array([SURE * 8e-6 * 0.9, SURE * 8e-6 * 1.1, ALIKE_M * 0.9, ALIKE_M * 1.1, -1e-4])
    flat = SimpleNamespace(worn=SimpleNamespace(height_m=1e-3 + over), x_m=np.linspace(0, 4e-3, 5), u_m=u)
    target = SimpleNamespace(height_m=lambda x: np.full(len(x), 1e-3))
    found = surely_over(flat, target)  # type: ignore[arg-type]
    assert found == pytest.approx([0.0, over[1], 0.0, over[3], 0.0], abs=1e-12)


def test_how_far_a_plan_opens_the_tip() -> None:
    """A plan that opens too much says by how much: the target's tip less the present one, of the rail that stands more open at the tip."""
    plan = mk.open().reface("AM-05", tip_opening_mm=2.7)
    (reason,) = [reason for reason in plan.do_not if reason.why == "opens too much"]
    assert reason.size == pytest.approx(plan.target_tip_opening_mm - plan.tip_opening_mm, abs=0.004)


@pytest.mark.parametrize("piece", ["AM-05", "AM-07", "TM-04"])
def test_a_wider_tip_that_plays_as_hard(piece: str) -> None:
    """A tenth of a millimetre more, resistance kept: every house reed closes within 5 % of before (a touch), the tip is as asked.

    A tip alone takes off no more than one whose resistance is kept.
    """
    house = mk.open()
    plan = house.reface(piece, tip_by_mm=0.1, keep="resistance")
    before = next(item for item in house.tables.mouthpieces if item.id == piece).tip_opening_mm
    assert plan.target_tip_opening_mm == pytest.approx(before + 0.1, abs=1e-6)
    kept = [math.log(reed.closing_pressure_after_kpa / reed.closing_pressure_before_kpa) for reed in plan.reeds]
    assert max(map(abs, kept)) < 0.05
    assert all(min(row.left_um, row.right_um) >= 0 for row in plan.removals)
    plain = house.reface(piece, tip_by_mm=0.1)
    area = [sum(row.left_um + row.right_um for row in found.removals) for found in (plan, plain)]
    assert area[0] >= area[1] - 1  # a tip alone takes off least
    assert plan.target.keeps_resistance
    assert plan.target.more_um is not None
    assert plan.target.more_um >= 0


def test_the_facing_of_another_piece() -> None:
    """What comes off is the other's lay less its own, wherever that is above 0; a piece of another instrument or never measured is refused."""
    house = mk.open()
    plan = house.reface("AM-05", like="AM-07")
    spec, defaults = house.tables.spec, read_defaults()
    pieces = {item.id: item for item in house.tables.mouthpieces}
    gathered = gather(house.tables.mouthpieces, house.tables.facings, house.tables.lay_points)
    lays = {
        name: facing_part(pieces[name], gathered.readings[name], [], defaults=defaults, spec=spec).lay
        for name in ("AM-05", "AM-07")
    }
    assert plan.target.like_id == "AM-07"
    for row in plan.removals[1:-1]:
        place = np.array([row.place_mm * 1e-3])
        wanted = (lays["AM-07"].fair.height_m(place) - lays["AM-05"].height_m(place))[0] * 1e6
        assert (row.left_um + row.right_um) / 2 == pytest.approx(max(wanted, 0.0), abs=8)
    for like, words in (("TM-04", "is for tenor"), ("AM-05", "that piece itself")):
        with pytest.raises(mk.RequestError, match=words):
            house.reface("AM-05", like=like)
    bare = next(
        item.id for item in house.tables.mouthpieces if item.instrument == "alto" and not gathered.readings.get(item.id)
    )
    with pytest.raises(mk.RequestError, match="never measured"):
        house.reface("AM-05", like=bare)
    with pytest.raises(mk.UnknownIdError):
        house.reface("AM-05", like="AM-99")


@pytest.mark.parametrize(
    ("asked", "words"),
    [
        ({"keep": "resistance"}, "at which tip opening"),
        ({"tip_by_mm": 0.3, "keep": "resistance"}, "the nearest is .* % harder"),
        ({"tip_by_mm": 0.1, "tip_opening_mm": 2.0}, "not both"),
        ({"tip_by_mm": 0.1, "like": "AM-07"}, "one target at a time"),
        ({"tip_by_mm": 0.1, "keep": "opening"}, "only 'resistance'"),
        ({"tip_by_mm": 0.1, "keep": "resistance", "reed": "TR-A-3"}, "is for tenor"),
    ],
)
def test_targets_that_do_not_go_together(asked: dict[str, Any], words: str) -> None:
    """Each combination that cannot be meant, or not be reached, is said."""
    with pytest.raises(mk.RequestError, match=words):
        mk.open().reface("AM-05", **asked)


def test_little_work_needs_no_wall() -> None:
    """Off one tenth the wall is asked for; off a hundredth it is not, and half of what comes off is left for the tip."""
    house = mk.open()
    much, little = (house.reface("AM-05", tip_by_mm=by) for by in (0.1, 0.02))
    assert "wall unknown" in [reason.why for reason in much.do_not]
    assert "wall unknown" not in [reason.why for reason in little.do_not]
    curve = next(step for step in little.steps if step.name == "curve")
    assert little.target_tip_opening_mm - curve.tip_opening_mm == pytest.approx(0.01, abs=1e-3)


def test_the_middle_of_the_house_s_range_is_its_middle(house: mk.House) -> None:
    """A reed without a pressure goes to half way between the range's ends."""
    low, high = house.tables.spec.closing_range["tenor"]
    aim = house.reface("TB-25-02", reed="TR-A-3").target
    assert aim.middle
    assert aim.closing_kpa == pytest.approx((low + high) / 2)


def test_each_stretch_out_of_reach_has_its_worst_place() -> None:
    """Two stretches apart from one another: the place and height of the highest point of each."""
    over = np.array([1.0, 2.0, 1.0, 0.0, 0.0, 3.0, 4.0, 0.0])
    assert _worst_places(np.arange(8.0), over) == [(1.0, 2.0), (6.0, 4.0)]
    assert _worst_places(np.arange(8.0), np.zeros(8)) == []


def test_a_tip_opened_too_far_is_named_by_how_much(house: mk.House) -> None:
    """At the tip itself: 0.3 mm asked for is 0.3 mm more."""
    now = house.reface("AM-07").tip_opening_mm
    plan = house.reface("AM-07", tip_opening_mm=now + 0.6)
    (size,) = (reason.size for reason in plan.do_not if reason.why == "opens too much")
    assert size == pytest.approx(0.6, abs=1e-9)


def test_the_plain_plan_makes_use_of_the_doubt() -> None:
    """A rail worn 10 µm too far over 3 mm, read with a doubt of 6 µm: within two of them no fair curve need reach it, so all that comes off is what levels it; without the doubt more does."""
    x = np.arange(0, 28e-3, 1e-4)
    fair = 2.5e-3 * np.clip(1 - x / 26e-3, 0, None) ** 2
    dip = 10e-6 * np.exp(-4 * math.log(2) * ((x - 12e-3) / 3e-3) ** 2)
    worn = Worn(x, fair + dip)
    for doubt, least, most in ((None, 4e-6, 12e-6), (np.full(len(x), 12e-6), 0.0, 0.5e-6)):
        curve = nearest_fair(worn.within(doubt))
        off = np.maximum(curve.height_m(x) - worn.height_m, 0.0)
        assert least <= off.max() <= most
        under = np.maximum(worn.height_m - curve.height_m(x), 0.0)
        assert under.max() <= (ALIKE_M if doubt is None else 12e-6 + 1e-9)


def test_what_more_would_gain_is_said(house: mk.House) -> None:
    """The plain plan of a piece with one rail short says what reaching the curve everywhere would take beside; that of a wider tip what a most even facing would."""
    plain, wider = house.reface("TB-25-07"), house.reface("AM-05", tip_by_mm=0.1)
    to_drawing = house.reface("TB-25-07", drawing=True)
    assert plain.most_removed_um <= to_drawing.most_removed_um + 4
    assert plain.target.more_um is not None
    assert plain.target.more_um > 5
    told = [" ".join(lay_out(reface_screen(plan)).split()) for plan in (plain, wider)]
    assert f"Leave it there: taking off up to {plain.target.more_um:.0f} µm more would reach the curve everywhere" in told[0]
    assert wider.target.even_share is not None
    assert wider.target.closing_share is not None
    assert wider.target.even_share < wider.target.closing_share - 0.02
    assert f"µm more would leave {100 * wider.target.even_share:.0f} % of the opening when closed" in told[1]


def test_the_plane_of_a_scan_is_in_the_doubt_of_a_plan(house: mk.House) -> None:
    """The scanned piece of the demo batch, whose rails are level as far as the indicator can tell: they are taken as alike, and nothing comes off to level them."""
    facing = house.facing("TB-25-40")
    assert facing.rail_difference_mm is not None
    assert facing.u_rail_difference_mm is not None
    assert abs(facing.rail_difference_mm) < 2 * facing.u_rail_difference_mm
    assert all(
        abs(row.difference_mm) < 4 * row.u_difference_mm
        for row in facing.stations
        if row.difference_mm is not None and row.u_difference_mm is not None
    )
    plan = house.reface("TB-25-40")
    assert all(row.left_um == pytest.approx(row.right_um, abs=0.5) for row in plan.removals)
    assert plan.most_removed_um < 5


def test_a_plan_asks_for_one_thing_to_be_done() -> None:
    """A piece that may be within its drawing is to be read again, and is not told to be measured better as well; of one rail the other is asked for first."""
    near, little, alone = (Against(why) for why in ("perhaps within its drawing", "within the uncertainty", "one rail"))
    assert _moot(little, (near, little), idle=False)
    assert not _moot(near, (near, little), idle=False)
    assert _moot(near, (alone, near), idle=False)
    assert not _moot(alone, (alone, near), idle=False)
    assert _moot(little, (little,), idle=True)
    assert not _moot(little, (little,), idle=False)
