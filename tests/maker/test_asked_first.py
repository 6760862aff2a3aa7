"""What is looked at before anything comes off: two faults of one piece, another model, a zero, rails exchanged; and plans that take off least."""

from __future__ import annotations

import csv
import datetime as dt
import math
import shutil
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner
from conftest import read_rows, write_rows
from maker_shop import FEELERS_MM, MODEL, Truth, changed_batch, read_piece, shop_of, spec_with
from test_one_verdict import Read, facing_of, moved
from test_scanned import X as SCAN_X
from test_scanned import heights, noisy, on_one_line, shop

import matchkit as mk
from matchkit.cli import main
from matchkit.errors import listing
from matchkit.files import shipped
from matchkit.maker.conformity.batch import judge_batch
from matchkit.maker.conformity.judged import Judged
from matchkit.maker.facts import Against, Fault, FeatureAt
from matchkit.maker.measure import flaws as found_flaws
from matchkit.maker.measure.exchanged import rails_exchanged
from matchkit.maker.measure.flaws import _can_be
from matchkit.maker.measure.history import Size, are_exchanged, facing_history
from matchkit.maker.measure.report import facing_report
from matchkit.maker.paper import batch_record
from matchkit.maker.pieces import gather
from matchkit.maker.reface.ask import Wanted, plan_reface
from matchkit.maker.reface.done import AgainstDrawing, close_plan
from matchkit.maker.reface.plan import RefacePlan
from matchkit.physics.lay.flaws import Flaw
from matchkit.records.sets import ReadingSet
from matchkit.records.spec import Gauge, HouseSpec, implied_step_mm
from matchkit.tables.defaults import read_defaults
from matchkit.words.maker.batch.screen import batch_screen
from matchkit.words.maker.done import done_screen
from matchkit.words.maker.facing import facing_screen
from matchkit.words.maker.history import history_screen
from matchkit.words.maker.paper import record_screen
from matchkit.words.maker.reface import reface_screen


def sound(seed: int = 1, **truth: float) -> Read:
    """Read one piece as drawn, or with something wrong."""
    return read_piece(Truth(**truth), np.random.default_rng([61, seed]), wall_mm=4.0, table_gap_mm=0.0)


def plan_of(piece: Read, spec: HouseSpec | None = None, **wanted: object) -> RefacePlan:
    """Plan the refacing of one piece, with the reeds of the demo house."""
    return plan_reface(
        mk.open().scorer,
        piece[0],
        shop_of([piece]),
        spec=spec or spec_with(),
        wanted=Wanted(**wanted),  # type: ignore[arg-type]
    )


def kinds(faults: tuple[Fault, ...]) -> list[str]:
    """Return what is wrong by name."""
    return [fault.kind for fault in faults]


@pytest.mark.parametrize(
    ("piece", "first", "also"),
    [
        (sound(left=28 - 0.8, tip=2.72), "rail short", ["tip too open"]),
        (moved(moved(sound(), -1.2), 0.9, rail="left", feeler=0.4), "rails uneven", ["all stops short"]),
        (moved(sound(tip=2.3), 1.5), "tip too close", ["all stops long"]),
        (sound(tip=2.72), "tip too open", []),
        (moved(sound(), -1.2), "all stops short", []),
        (sound(left=28 - 0.8), "rail short", []),
        (moved(sound(), 0.8, rail="right"), "rail short", []),
    ],
)
def test_what_else_is_wrong_with_a_piece_is_told(piece: Read, first: str, also: list[str]) -> None:
    """A tip beside a short rail, a zero beside a slip and beside a tip; one fault alone has nothing beside it. Both commands say it."""
    report = judge_batch(shop_of([piece]), spec=spec_with())
    (found,) = report.pieces
    assert found.fault is not None
    assert found.fault.kind == first
    assert kinds(found.also) == also
    told = on_one_line(batch_screen(report)), on_one_line(facing_screen(facing_of(piece)))
    for words in ("tip 0.", "every feeler stops"):
        kind = "tip" if words == "tip 0." else "all stops"
        expected = any(name.startswith(kind) for name in (first, *also))
        assert all((words in text) == expected for text in told)


def test_sound_pieces_have_nothing_beside_and_are_of_their_model() -> None:
    """A hundred pieces as drawn, judged by a house with a second model whose tip and stops differ: none fails, none is of the other model."""
    report = judge_batch(
        shop_of([read_piece(Truth(), np.random.default_rng([62, n]), name=f"S{n}", serial=n) for n in range(100)]),
        spec=two_models(),
    )
    assert report.counts["fail"] == 0
    assert all(piece.also == () and piece.fits is None for piece in report.pieces)


OTHER = "TB-31"


def two_models(tip_mm: float = 0.5, stop_mm: float = 3.0) -> HouseSpec:
    """Return the house with a second model, more open and longer."""
    spec = spec_with()
    drawing = spec.drawing[MODEL]
    assert drawing.tip_opening_mm is not None
    tip = drawing.tip_opening_mm.model_copy(update={"nominal": drawing.tip_opening_mm.nominal + tip_mm})
    stations = tuple(one.model_copy(update={"stop_mm": one.stop_mm + stop_mm}) for one in drawing.station)
    other = drawing.model_copy(update={"tip_opening_mm": tip, "station": stations})
    return spec.model_copy(update={"drawing": {**spec.drawing, OTHER: other}})


def test_a_piece_filed_as_another_model_is_asked_about() -> None:
    """One made to the second drawing and filed as the first: its model is asked about in batch, facing and reface.

    It is no slip of the batch, and a zero or a short rail is none.
    """
    spec = two_models()
    piece = moved(sound(), 3.0)
    piece = piece[0].model_copy(update={"tip_opening_mm": piece[0].tip_opening_mm + 0.5}), piece[1]
    report = judge_batch(
        shop_of([piece, *(read_piece(Truth(), np.random.default_rng([63, n]), name=f"S{n}", serial=n) for n in range(2, 8))]),
        spec=spec,
    )
    assert [one.fits for one in report.pieces] == [OTHER, *[None] * 6]
    assert report.slips == ()
    told = on_one_line(batch_screen(report))
    assert f"Filed as {MODEL}, but within the drawing of {OTHER}: X. Is the model right?" in told
    assert "6 good, 1 perhaps of another model" in told
    assert "Out of drawing:" not in told
    plan = plan_of(piece, spec, drawing=True)
    assert plan.do_not[0] == Against("perhaps another model", what=OTHER)
    first = on_one_line(reface_screen(plan))
    assert first.startswith(
        f"X: it lies within the drawing of {OTHER} and far from its own: see first whether its model is right"
    )
    assert "Take this much off" not in first
    for other in (moved(sound(), 3.0), sound(left=28 - 0.8)):
        (judged,) = judge_batch(shop_of([other]), spec=spec).pieces
        assert judged.verdict == "fail"
        assert judged.fits is None


def test_a_zero_is_looked_at_before_a_plan() -> None:
    """Every feeler 1.2 mm short on both rails, to the drawing and to another tip: the zero stands first, before what would come off; a slip likewise."""
    for wanted in ({"drawing": True}, {"tip_opening_mm": 2.7}):
        plan = plan_of(moved(sound(), -1.2), **wanted)
        assert plan.do_not[0] == Against("zero first")
        assert on_one_line(reface_screen(plan)).startswith(
            "Every feeler stops off its drawing by much the same on both rails: look at the zero"
        )
        assert plan.most_removed_um > 20
    slip = plan_of(moved(sound(), 1.0, rail="left", feeler=0.4), drawing=True)
    assert slip.do_not[0] == Against("one feeler first", 0.4)
    assert on_one_line(reface_screen(slip)).startswith(
        "The rails differ at the 0.4 mm feeler alone: read it again before anything comes off"
    )
    assert not {"zero first", "one feeler first"} & {
        reason.why for reason in plan_of(sound(left=28 - 0.8), drawing=True).do_not
    }


def test_a_flat_beside_a_zero_is_not_told() -> None:
    """Every feeler a millimetre long bends the curve at its end: no bump or flat is told of it, by facing or batch; with the zero right a bump is."""
    zero = moved(sound(), 1.4)
    assert facing_of(zero).bumps == ()
    assert judge_batch(shop_of([zero]), spec=spec_with()).pieces[0].flaws == ()
    assert any(flaw.sure for flaw in facing_of(sound(bump=0.06)).bumps)


def test_what_is_too_narrow_to_be_sized_must_be_possible() -> None:
    """A bump is higher than the lay and a flat lower, in front of the end of the facing."""
    assert _can_be(Flaw("bump", 0.010, 5e-6, 1e-6, 1e-3, sized=False, rail=None), 0.020)
    assert _can_be(Flaw("flat", 0.010, -5e-6, 1e-6, 1e-3, sized=False, rail=None), 0.020)
    assert not _can_be(Flaw("bump", 0.010, -5e-6, 1e-6, 1e-3, sized=False, rail=None), 0.020)
    assert not _can_be(Flaw("bump", 0.021, 5e-6, 1e-6, 1e-3, sized=False, rail=None), 0.020)


def test_what_cannot_be_is_not_found(monkeypatch: pytest.MonkeyPatch) -> None:
    """A bump without a size behind the facing, and one under the lay: neither is among what a piece shows; one that can be is."""
    shown = [(0.012, 5e-6), (0.040, 5e-6), (0.012, -5e-6)]
    flaws = tuple(Flaw("bump", place, height, 1e-6, 1e-3, sized=False, rail=None) for place, height in shown)
    monkeypatch.setattr(found_flaws, "find_flaws", lambda *_, **__: flaws)
    assert [(flaw.place_mm, round(flaw.height_um, 6)) for flaw in facing_of(sound()).bumps] == [(12.0, 5.0)]


def test_heights_in_inches_are_asked_about_before_the_length(tmp_path: Path) -> None:
    """A scan whose heights are in inches, of a tip of 2.8 mm: the column of heights is named, though so low a lay looks far too short (25.4 mm an inch)."""

    def inches(row: dict[str, str]) -> dict[str, str]:
        return {**row, "height_mm": f"{float(row['height_mm']) * 1.15 / 25.4:.5f}"}

    folder = changed_batch(tmp_path, "lay_points", inches)
    rows = read_rows(folder / "mouthpieces.csv")
    for row in rows:
        if row["id"] == "TB-25-40":
            row["tip_opening_mm"] = f"{float(row['tip_opening_mm']) * 1.15:.3f}"
    write_rows(folder / "mouthpieces.csv", rows, list(rows[0]))
    report = mk.open().batch(folder, pair=False)
    lines = listing(problem for one in report.set_aside for problem in one.problems)
    assert [one.mouthpiece_id for one in report.set_aside] == ["TB-25-40"]
    assert "heights in inches?" in lines[0]


def test_the_step_is_that_of_nearly_all_readings() -> None:
    """One reading of thirty to a finer step says nothing of how the others were read; one of ten in a fine file neither (by hand)."""
    halves = [3.5, 4.0, 7.5, 9.0, 10.5] * 6
    assert implied_step_mm([*halves, 5.1]) == 0.5
    assert implied_step_mm([*halves, *[5.1] * 6]) == 0.1
    assert implied_step_mm([*halves, *[5.13] * 6]) is None


# what comes off


def removed(plan: RefacePlan) -> list[float]:
    """Return what comes off either rail in all, by station, in um."""
    return [max(row.left_um, row.right_um) for row in plan.removals]


@pytest.mark.parametrize(
    ("piece", "tip_by_mm"), [("AM-05", 0.1), ("AM-05", 0.15), ("TM-02", 0.1), ("CM-02", 0.05), ("CM-02", 0.1)]
)
def test_keeping_the_resistance_takes_no_more_than_it_must(house: mk.House, piece: str, tip_by_mm: float) -> None:
    """Where the plan that takes off least leaves the reed as hard as it was, within a touch, it is the plan; else what comes off keeps it within a touch."""
    plain, kept = house.reface(piece, tip_by_mm=tip_by_mm), house.reface(piece, tip_by_mm=tip_by_mm, keep="resistance")
    name = kept.target.reed_id
    assert not kept.target.reed_named
    lots = {reed.reed: reed for reed in kept.reeds}
    mine = house.parts.reed(name).reed
    lot = lots[f"{mine.profile_id} {mine.strength:g}"]
    then = next(reed for reed in plain.reeds if reed.reed == lot.reed)
    moved_by = [math.log(one.closing_pressure_after_kpa / one.closing_pressure_before_kpa) for one in (then, lot)]
    assert abs(moved_by[1]) < 0.045
    if abs(moved_by[0]) < 0.035:
        assert removed(kept) == pytest.approx(removed(plain), abs=1.0)


def test_only_the_thin_end_is_worked_where_only_it_is_short(house: mk.House) -> None:
    """The three thinnest feelers 1.3 mm short on both rails: to the drawing nothing comes off in front of the 0.6 mm feeler, and each stop passes as drawn."""
    del house
    piece = sound()
    for feeler in (0.038, 0.1, 0.2):
        piece = moved(piece, -1.3, feeler=feeler)
    plan = plan_of(piece, drawing=True)
    front = [row for row in plan.removals if row.feeler_mm >= 0.6]
    assert len(front) >= 4
    assert max(max(row.left_um, row.right_um) for row in front) < 5
    assert 10 < plan.most_removed_um < 60
    stations = {one.feeler_mm: one for one in spec_with().drawing[MODEL].station}
    last = plan.steps[-1].stops
    for stop in last:
        low, high = stations[stop.feeler_mm].limits_mm
        assert low is not None
        assert high is not None
        assert stop.left_mm is not None
        assert low <= stop.left_mm <= high
    # no further than the limits ask for, by a guard band of the doubt that the stop was read with
    (judged,) = judge_batch(shop_of([piece]), spec=spec_with()).pieces
    u = {one.feeler_mm: one.u for one in judged.features if one.feature == "stop_mm"}
    for stop in last:
        low = stations[stop.feeler_mm].limits_mm[0]
        if stop.feeler_mm <= 0.2 and stop.left_mm is not None and low is not None:
            assert stop.left_mm <= low + 1.645 * u[stop.feeler_mm] + 0.03


def test_the_table_loses_no_more_than_the_worst_stop_asks_for() -> None:
    """Every stop 2 mm too long: as deep as the stop that is furthest past its limit lies above the lay there, and its guard band, no more (by the slope of the lay).

    The depth that a stop needs is its excess over limit less guard, times the slope of the lay there.
    """
    piece = moved(sound(), 2.0)
    plan = plan_of(piece, drawing=True, table_down=True)
    x = np.linspace(0, 30, 3001)
    lay = 2.5 * np.clip(1 - (x - 2.0) / 26.5, 0, None) ** 2
    need = []
    for one in spec_with().drawing[MODEL].station:
        high = one.limits_mm[1]
        assert high is not None
        need.append(1e3 * (np.interp(high - 0.25, x, lay) - one.feeler_mm))
    assert 0.5 * max(need) < 1e3 * plan.table_down_mm < max(need) + 15


def test_a_reed_that_is_there_already_is_left(house: mk.House) -> None:
    """A piece with one rail short, asked for the pressure that it has: nothing comes off, of either rail, and no step is to do."""
    now = next(row for row in house.reface("TB-25-07").reeds if row.reed == "tenor-A 3").closing_pressure_before_kpa
    plan = house.reface("TB-25-07", reed="TR-A-3", closing_kpa=now)
    assert plan.target.met
    assert max(removed(plan)) == 0
    assert all(step.most_removed_um == 0 for step in plan.steps)
    other = house.reface("TB-25-07", reed="TR-A-3", closing_kpa=1.06 * now)
    assert not other.target.met
    assert other.most_removed_um > 5
    assert other.target.reaches_kpa == pytest.approx(1.06 * math.exp(-0.04) * now, rel=0.015)
    told = on_one_line(reface_screen(other))
    assert f"closes at {other.target.reaches_kpa:.1f} kPa, within a touch of what was asked ({1.06 * now:.1f})" in told


def test_a_bump_within_the_drawing_is_told_with_the_plan() -> None:
    """A bump of 60 um on a piece that meets its drawing: left by it, with the bump and how to plan for it; without one nothing is to do."""
    for bump, words in ((0.06, "no drawing limits that"), (0.0, "Nothing to do at the bench")):
        plan = plan_of(sound(bump=bump), drawing=True)
        assert plan.do_not[0].why == "within its drawing"
        assert words in on_one_line(reface_screen(plan))
    plain = plan_of(sound(bump=0.06))
    assert "within the uncertainty" not in {reason.why for reason in plain.do_not}


# again and again


def test_rails_written_for_one_another_are_asked_about() -> None:
    """A left rail 0.8 mm short, read again with left and right exchanged: asked about, and each rail is named with the way it went."""
    piece, readings = sound(left=28 - 0.8)
    days = dt.date(2025, 6, 4), dt.date(2025, 7, 4)
    other = {"left": "right", "right": "left"}
    swapped = [row.model_copy(update={"rail": other[row.rail]}) for row in readings]
    sets = [ReadingSet(day, None, tuple(rows), ()) for day, rows in zip(days, (readings, swapped), strict=True)]
    found = facing_history(piece, sets, defaults=read_defaults(), spec=spec_with())
    assert found.changes[0].doubt == "exchanged"
    told = on_one_line(history_screen(found))
    assert "were left and right exchanged?" in told
    assert "further from the tip on the left rail" in told
    assert "nearer the tip on the right rail" in told
    both = {"left": Size(0.5, 0.05), "right": Size(-0.5, 0.05)}
    assert are_exchanged(Size(0.5, 0.05), Size(-0.5, 0.05), both)
    for was, now, moved_by in (
        (Size(0.5, 0.05), Size(0.5, 0.05), both),
        (Size(0.5, 0.05), Size(-0.2, 0.05), both),
        (Size(0.02, 0.05), Size(-0.02, 0.05), both),
        (None, Size(0.5, 0.05), both),
        (Size(-0.5, 0.05), Size(0.5, 0.05), {"left": Size(1.0, 0.05), "right": Size(0.0, 0.05)}),  # one rail worked too far
        (Size(-0.75, 0.05), Size(0.75, 0.05), {"left": Size(1.2, 0.05), "right": Size(-0.3, 0.05)}),
        (Size(-0.5, 0.05), Size(0.5, 0.05), {"left": Size(0.5, 0.05)}),
    ):
        assert not are_exchanged(was, now, moved_by)


# bad input, and what is to be read


def testare_exchanged_columns_are_one_line(tmp_path: Path) -> None:
    """Feelers where stops should be and the other way round: one line with the two columns, and no unit."""
    folder = tmp_path / "batch"
    folder.mkdir()
    source = shipped("data/demo-bench/batch")
    (folder / "mouthpieces.csv").write_text((source / "mouthpieces.csv").read_text(encoding="utf-8"), encoding="utf-8")
    with (source / "facings.csv").open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    with (folder / "facings.csv").open("w", encoding="utf-8", newline="") as file:
        writer = csv.DictWriter(file, list(rows[0]))
        writer.writeheader()
        writer.writerows({**row, "feeler_mm": row["stop_mm"], "stop_mm": row["feeler_mm"]} for row in rows)
    done = CliRunner().invoke(main, ["batch", str(folder), "--no-pairing"])
    assert done.exit_code == 3
    told = " ".join(done.output.split())
    assert "1 problem in the tables" in told
    assert "(are feeler_mm and stop_mm exchanged?)" in told


def test_missing_feelers_are_named_and_not_the_whole_facing() -> None:
    """Two of sixteen readings missing: these are asked for, in batch and facing; a rail that was not read at all is."""
    piece, readings = sound()
    holes = (
        piece,
        [row for row in readings if (row.rail, row.feeler_mm) not in {("left", FEELERS_MM[2]), ("right", FEELERS_MM[4])}],
    )
    told = on_one_line(batch_screen(judge_batch(shop_of([holes]), spec=spec_with())))
    asked = f"X (left {FEELERS_MM[2]:g}, right {FEELERS_MM[4]:g})"
    assert "Read the feelers that are missing" in told
    assert sorted(asked) == sorted(told[told.index("X (") : told.index(")", told.index("X (")) + 1])
    assert "Not measured enough to say whether it is within its drawing: read" in on_one_line(facing_screen(facing_of(holes)))
    alone = piece, [row for row in readings if row.rail == "right"]
    assert "Measure the left rail too" in on_one_line(batch_screen(judge_batch(shop_of([alone]), spec=spec_with())))


def test_two_gauges_in_one_batch_are_two_steps() -> None:
    """Half of sound pieces read to 0.5 mm and half to 0.1 mm: each has the step that it was read to, in its verdict and on its record, and none fails for it."""
    pieces = [
        read_piece(Truth(), np.random.default_rng([64, n]), name=f"H{n:02}", serial=n + 1, step_mm=0.5 if n < 10 else 0.1)
        for n in range(20)
    ]
    gathered = shop_of(pieces)
    stated = spec_with()
    gauge = Gauge(u_feeler_mm=0.004, u_stop_mm=0.05, u_tip_mm=0.02)
    spec = stated.model_copy(update={"gauge": gauge}).with_step(gathered.stops_mm)
    report = judge_batch(gathered, spec=spec)
    assert report.counts["fail"] == 0
    assert [piece.stop_step_mm for piece in report.pieces] == pytest.approx([0.5] * 10 + [0.1] * 10)
    record = on_one_line(record_screen(batch_record(report, gathered, spec=spec, confidence=0.95, only="H00")))
    assert "stops to 0.5 mm" in record
    coarse = gauge.with_step([3.5, 4.0, 7.5] * 4)
    assert (coarse.stop_step_mm, coarse.with_step([3.52, 4.01, 7.53] * 4).stop_step_mm) == (0.5, 0.0)
    assert coarse.with_step([3.5, 4.0]) is coarse
    # a touch that has the step in it is what is left without the step, whatever was taken first
    rough = Gauge(u_stop_mm=0.2).with_step([3.5, 4.0, 7.5] * 4)
    assert rough.u_stop_mm == pytest.approx(math.sqrt(0.2**2 - 0.5**2 / 12))
    assert rough.with_step([3.5, 4.1, 7.6] * 4).u_stop_mm == pytest.approx(math.sqrt(0.2**2 - 0.1**2 / 12))


def scanned(left: float = 0.0, right: float = 0.0) -> dict[str, np.ndarray]:
    """Scan both rails of a sound piece, each counted from so many mm off the tip."""
    rng = np.random.default_rng(65)
    return {
        rail: noisy(np.interp(SCAN_X - off, SCAN_X, heights(SCAN_X)), rng) for rail, off in (("left", left), ("right", right))
    }


@pytest.mark.parametrize(
    ("scans", "why", "words"),
    [
        (scanned(-1.0, -1.0), "scan zero first", "see that the scan counts from the tip"),
        (scanned(-0.8, 0.0), "scans apart first", "see that both scans count from the tip"),
    ],
)
def test_a_scan_is_asked_where_it_counts_from(scans: dict[str, np.ndarray], why: str, words: str) -> None:
    """Both scans counted 1 mm off, or one of them 0.8 mm: batch and plan ask that first, and neither asks for the zero of a gauge."""
    pieces = shop([scans])
    told = on_one_line(batch_screen(judge_batch(pieces, spec=spec_with())))
    plan = plan_reface(mk.open().scorer, pieces.mouthpieces[0], pieces, spec=spec_with(), wanted=Wanted(drawing=True))
    assert why in {reason.why for reason in plan.do_not}
    for text in (told, on_one_line(reface_screen(plan))):
        assert words in text.replace("See", "see")
        assert "zero of the gauge" not in text


def test_exchanged_rails_are_asked_about_by_every_command() -> None:
    """A left rail short on one day and the right one as short on the next: batch, facing, record and plan ask which rail is which; read alike twice nobody does."""
    piece, readings = sound(left=28 - 0.8)
    other = {"left": "right", "right": "left"}
    days = dt.date(2025, 6, 4), dt.date(2025, 7, 4)
    for turned in (True, False):
        later = [row.model_copy(update={"rail": other[row.rail]}) if turned else row for row in readings]
        rows = [row.model_copy(update={"date": day}) for day, some in zip(days, (readings, later), strict=True) for row in some]
        pieces = gather([piece], rows, ())
        spec = spec_with()
        report = judge_batch(pieces, spec=spec)
        assert report.pieces[0].exchanged == turned
        assert rails_exchanged(piece, pieces.sets[piece.id], gauge=spec.gauge) == turned
        assert not rails_exchanged(piece, pieces.sets[piece.id][:1], gauge=spec.gauge)
        facing = facing_report(
            piece, pieces.readings[piece.id], (), defaults=read_defaults(), spec=spec, draws=200, exchanged=turned
        )
        plan = plan_reface(mk.open().scorer, piece, pieces, spec=spec, wanted=Wanted(drawing=True))
        record = batch_record(report, pieces, spec=spec, confidence=0.95)
        for screen in (batch_screen(report), facing_screen(facing), record_screen(record), reface_screen(plan)):
            assert ("the other way round" in on_one_line(screen)) == turned
        assert ("rails exchanged" in {reason.why for reason in plan.do_not}) == turned
    # the left rail worked as far past the right one as it was short of it: no question of which is which
    apart = 2 * abs(float(np.mean([row.stop_mm if row.rail == "left" else -row.stop_mm for row in readings])) * 2)
    worked = [row.model_copy(update={"stop_mm": row.stop_mm + apart / 2}) if row.rail == "left" else row for row in readings]
    rows = [row.model_copy(update={"date": day}) for day, some in zip(days, (readings, worked), strict=True) for row in some]
    assert not rails_exchanged(piece, gather([piece], rows, ()).sets[piece.id], gauge=spec_with().gauge)


def test_a_size_is_named_where_it_fails() -> None:
    """One stop 1.2 mm short, the thinnest two a little: the feeler that is out is named, and not what the rails are on average."""
    piece = moved(moved(sound(), -1.2, rail="left", feeler=0.6), -0.45, rail="left", feeler=0.038)
    (judged,) = judge_batch(shop_of([piece]), spec=spec_with()).pieces
    assert judged.fault is not None
    assert (judged.fault.kind, judged.fault.feeler_mm) == ("rails uneven", 0.6)
    assert judged.fault.size == pytest.approx(1.2, abs=0.25)


def test_reading_again_is_not_asked_for_where_it_cannot_help() -> None:
    """The doubt of a stop by its touch shrinks with reading, that of the feeler does not: which it is decides what is asked for (by hand)."""
    touch = Judged("stop_mm", "left", 0.1, 20.0, 0.1, 20.5, 20.0, 21.0, 0.5, "inconclusive", critical=True, u_fixed=0.02)
    assert touch.again_helps
    assert not replace(touch, u_fixed=0.099).again_helps
    assert replace(touch, u_fixed=0.0).again_helps
    rough, fine = spec_with(u_feeler_mm=0.02, u_stop_mm=0.01), spec_with(u_feeler_mm=0.001)
    for spec, words in ((rough, "measure them with a micrometer"), (fine, "twice more")):
        every = [moved(sound(), -by / 20) for by in range(2, 20)]
        short = next(one for one in every if judge_batch(shop_of([one]), spec=spec).counts["inconclusive"])
        report = judge_batch(shop_of([short]), spec=spec)
        assert words in on_one_line(batch_screen(report))
        plan = plan_of(short, spec, drawing=True)
        assert words in on_one_line(reface_screen(plan))


def test_the_record_tells_all_that_is_wrong() -> None:
    """Two faults, and a piece of another model: the record has both faults, and asks about the model."""
    both = sound(left=28 - 0.8, tip=2.72)
    pieces = shop_of([both])
    told = on_one_line(
        record_screen(batch_record(judge_batch(pieces, spec=spec_with()), pieces, spec=spec_with(), confidence=0.95))
    )
    assert "Left rail" in told
    assert "Tip 0." in told
    strange = moved(sound(), 3.0)
    strange = strange[0].model_copy(update={"tip_opening_mm": strange[0].tip_opening_mm + 0.5}), strange[1]
    pieces, spec = shop_of([strange]), two_models()
    told = on_one_line(record_screen(batch_record(judge_batch(pieces, spec=spec), pieces, spec=spec, confidence=0.95)))
    assert "perhaps of another model" in told
    assert f"Filed as {MODEL}, but within the drawing of {OTHER}: is its model right?" in told


def test_a_near_model_is_asked_about_beside_the_fault() -> None:
    """A tip 0.2 mm too open, that the second drawing allows: the fault is told, and the model asked about; where both drawings allow the piece nothing is."""
    spec = two_models(tip_mm=0.2, stop_mm=0.0)
    near = sound()
    near = near[0].model_copy(update={"tip_opening_mm": near[0].tip_opening_mm + 0.2}), near[1]
    report = judge_batch(shop_of([near]), spec=spec)
    (judged,) = report.pieces
    assert judged.fault is not None
    assert (judged.fault.kind, judged.fits, judged.of_another) == ("tip too open", OTHER, False)
    told = on_one_line(batch_screen(report))
    assert "mm too open" in told
    assert f"It lies within the drawing of {OTHER}: is its model right?" in told
    assert "near another model" in {reason.why for reason in plan_of(near, spec, drawing=True).do_not}
    assert judge_batch(shop_of([sound()]), spec=spec).pieces[0].fits is None
    # every feeler long by what the second drawing is longer: as likely the zero, so the fault is told, and the model asked about beside it
    (zero,) = judge_batch(shop_of([moved(sound(), 1.2)]), spec=two_models(tip_mm=0.0, stop_mm=1.2)).pieces
    assert (zero.asks_zero, zero.fits, zero.of_another) == (True, OTHER, False)
    # rails that differ are no question of the model, whatever another drawing allows
    wide = two_models(tip_mm=0.0, stop_mm=0.0)
    loose = wide.drawing[OTHER].model_copy(update={"rail_difference_mm": 3.0})
    wide = wide.model_copy(update={"drawing": {**wide.drawing, OTHER: loose}})
    (short,) = judge_batch(shop_of([sound(left=28 - 0.35)]), spec=wide).pieces
    assert short.verdict == "fail"
    assert short.fits is None


def test_columns_exchanged_in_one_piece_are_one_line(tmp_path: Path) -> None:
    """Feelers and stops of one piece the other way round: one line of that piece, and the others are judged."""

    def turn(row: dict[str, str]) -> dict[str, str]:
        return {**row, "feeler_mm": row["stop_mm"], "stop_mm": row["feeler_mm"]} if row["mouthpiece_id"] == "TB-25-05" else row

    report = mk.open().batch(changed_batch(tmp_path, "facings", turn), pair=False)
    assert [one.mouthpiece_id for one in report.set_aside] == ["TB-25-05"]
    assert len(report.pieces) == 39
    (line,) = listing(problem for one in report.set_aside for problem in one.problems)
    assert "are feeler_mm and stop_mm exchanged?" in line


def test_flaws_of_a_scanned_piece_that_is_out_are_told() -> None:
    """A left rail 0.6 mm short and a bump of 45 um on the right: both stand in the line of the piece."""
    rng = np.random.default_rng(66)
    shapes = {"left": noisy(heights(SCAN_X, edge=28 - 0.9), rng), "right": noisy(heights(SCAN_X, bump_mm=-0.045), rng)}
    report = judge_batch(shop([shapes]), spec=spec_with())
    (judged,) = report.pieces
    assert judged.verdict == "fail"
    assert judged.flaws
    assert f"And a {judged.flaws[0].kind}" in on_one_line(batch_screen(report))


@pytest.mark.parametrize(
    ("later", "words", "never"),
    [
        ({"left": 0.0, "right": 0.0}, "nothing has come off yet", "zero of the gauge"),
        ({"left": 1.0, "right": 0.0}, "not yet as planned on the right rail", "past the plan"),
        ({"left": 2.2, "right": 2.2}, "cannot be judged yet", "past the plan on"),
    ],
)
def test_work_is_judged_by_what_was_done(tmp_path: Path, later: dict[str, float], words: str, never: str) -> None:
    """A piece 1 mm short on both rails: nothing done, one rail done to the drawing, and every feeler 1.2 mm past it at once."""
    folder = Path(shutil.copytree(shipped("data/demo-bench/batch"), tmp_path / "batch"))
    drawing = mk.open().tables.spec.drawing[MODEL]
    rows = [{**dict.fromkeys(("tip_opening_mm", "date"), ""), **row} for row in read_rows(folder / "facings.csv")]
    name = rows[0]["mouthpiece_id"]
    blank = dict.fromkeys(rows[0], "")
    read = [
        {
            **blank,
            "mouthpiece_id": name,
            "rail": rail,
            "feeler_mm": f"{one.feeler_mm:g}",
            "stop_mm": f"{one.stop_mm - 1.0 + by:.2f}",
            "date": day,
        }
        for day, off in (("2025-06-04", {"left": 0.0, "right": 0.0}), ("2025-07-04", later))
        for rail, by in off.items()
        for one in drawing.station
    ]
    write_rows(folder / "facings.csv", [*(row for row in rows if row["mouthpiece_id"] != name), *read], list(rows[0]))
    done = mk.open().refaced(name, pieces=folder, drawing=True)
    told = on_one_line(done_screen(done))
    assert words in told
    assert never not in told
    assert done.untouched == (max(later.values()) == 0)
    assert done.doubt == ("all alike" if min(later.values()) > 2 else None)
    # nothing is called as planned that is out of its drawing
    near = replace(
        done, untouched=False, doubt=None, stops=(), drawing=AgainstDrawing("fail", (FeatureAt("rail_difference_mm"),))
    )
    assert "near the plan, and not within its drawing yet" in on_one_line(done_screen(near))


def test_a_step_that_is_too_coarse_is_told_with_the_plan() -> None:
    """Rails read to 0.5 mm, too near their limit to say: a plan asks for finer readings, not for more of them; read finely it asks for more."""
    for step, words in ((0.5, "read them to 0.1 mm before anything comes off"), (0.01, "twice more")):
        spec = spec_with(stop_step_mm=step)
        every = [moved(sound(), by / 20, rail="left") for by in range(1, 16)]
        near = next(
            piece
            for piece in every
            for judged in judge_batch(shop_of([piece]), spec=spec).pieces
            if judged.verdict == "inconclusive" and judged.worst is not None and judged.worst.feature == "rail_difference_mm"
        )
        assert words in on_one_line(reface_screen(plan_of(near, spec, drawing=True)))


@pytest.mark.parametrize(
    ("by_mm", "words"),
    [
        ((-0.18, -0.18), "short of the plan on the left rail"),
        ((0.0, 0.18), "past the plan on the right rail"),
        ((0.0, 0.0), "as planned, as far as the gauge can tell"),
    ],
)
def test_a_rail_that_is_off_as_a_whole_is_told(by_mm: tuple[float, float], words: str) -> None:
    """Every stop of a rail 0.18 mm off the plan, none surely by itself: the rail is, on average; just as planned nothing is."""
    plan, report = mk.open().reface("AM-05", tip_by_mm=0.1), mk.open().facing("AM-05")
    where = {round(row.feeler_mm, 3): row.place_mm for row in plan.removals}
    stations = tuple(
        replace(row, left_mm=where[round(row.feeler_mm, 3)] + by_mm[0], right_mm=where[round(row.feeler_mm, 3)] + by_mm[1])
        for row in report.stations
    )
    now = replace(report, stations=stations, tip_opening_mm=plan.target_tip_opening_mm)
    done = close_plan(plan, report, now, before=None, after=None)
    assert words in on_one_line(done_screen(replace(done, doubt=None)))
    assert not done.off
    assert len(done.rails_off) == sum(by != 0 for by in by_mm)


def test_half_of_a_plan_is_no_zero() -> None:
    """A piece 1 mm short on both rails, a third of what the plan asks for worked off: every feeler is short of the plan by much the same, and none is asked for its zero."""
    piece, readings = moved(sound(), -1.0)
    days = dt.date(2025, 6, 4), dt.date(2025, 7, 4)
    for by, doubt in ((0.2, None), (-1.0, "all alike")):
        later = [row.model_copy(update={"stop_mm": row.stop_mm + by}) for row in readings]
        rows = [row.model_copy(update={"date": day}) for day, some in zip(days, (readings, later), strict=True) for row in some]
        sets = gather([piece], rows, ()).sets[piece.id]
        was, now = (
            facing_report(piece, one.readings, (), defaults=read_defaults(), spec=spec_with(), draws=200) for one in sets
        )
        done = close_plan(plan_of((piece, readings), drawing=True), was, now, before=None, after=None)
        assert done.doubt == doubt
        assert not done.untouched


def test_the_zero_stands_first_in_both_commands() -> None:
    """Beside a slip of one feeler: facing and batch begin with the zero, and say it once."""
    piece = moved(moved(sound(), -1.2), 0.9, rail="left", feeler=0.4)
    for text in (
        on_one_line(facing_screen(facing_of(piece))),
        on_one_line(batch_screen(judge_batch(shop_of([piece]), spec=spec_with()))),
    ):
        assert text.lower().count("first look at the zero of the gauge") == 1
        assert text.lower().index("first look at the zero") < text.index("0.4 mm feeler")
