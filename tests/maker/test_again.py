"""Again and again: sets of readings, a piece before and after, two batches beside one another."""

from __future__ import annotations

import datetime as dt
import shutil
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from conftest import edit_table, read_rows, write_rows
from maker_shop import FEELERS_MM, MODEL, Truth, read_piece, shop_of, spec_with
from scipy.stats import ttest_ind

import matchkit as mk
from matchkit.cli.printing import lay_out
from matchkit.files import shipped
from matchkit.maker.conformity.batch import BatchReport, judge_batch
from matchkit.maker.conformity.beside import _feature, beside
from matchkit.maker.facts import FeatureAt
from matchkit.maker.measure.history import Size, StopMoved, _moved, facing_history
from matchkit.maker.measure.report import facing_report
from matchkit.maker.pieces import gather
from matchkit.maker.reface.done import AgainstDrawing, close_plan
from matchkit.records.parts import FacingReading, LayPoint
from matchkit.records.sets import sets_of, valid_on
from matchkit.tables.defaults import read_defaults
from matchkit.words.maker.batch.beside import beside_screen
from matchkit.words.maker.done import done_screen
from matchkit.words.maker.history import history_screen

MAY, JUNE, JULY = (dt.date(2025, month, 4) for month in (5, 6, 7))


def _reading(day: dt.date | None, feeler: float, stop: float = 20.0, *, rail: str = "left") -> FacingReading:
    return FacingReading(mouthpiece_id="M", rail=rail, feeler_mm=feeler, stop_mm=stop, date=day)


def test_what_belongs_together() -> None:
    """Three feelers begin a set; one feeler read again joins the set before, in the place of its older reading; readings without a day come first."""
    rows = [
        *(_reading(JUNE, feeler) for feeler in (0.1, 0.2, 0.4)),
        *(_reading(None, feeler) for feeler in (0.1, 0.2, 0.4)),
        _reading(JULY, 0.1),
    ]
    sets = sets_of(rows, [])
    assert [one.day for one in sets] == [None, JUNE]
    assert [len(one.readings) for one in sets] == [3, 3]
    assert [row.date for row in sets[1].readings if row.feeler_mm == 0.1] == [JULY]
    assert valid_on(sets, MAY) is sets[0]
    assert valid_on(sets, JULY) is sets[1]
    assert valid_on(sets, None) is sets[1]
    assert valid_on([sets[1]], MAY) is sets[1]
    assert valid_on([], MAY) is None


@pytest.fixture
def refaced(tmp_path: Path) -> Path:
    """The demo house, in which AM-07 was refaced: read again on a day of July, a millimetre longer and 0.1 mm more open."""
    source = tmp_path / "house"
    shutil.copytree(shipped("data/demo"), source)

    rows = read_rows(source / "facings.csv")
    later = [
        {**row, "date": JULY.isoformat(), "stop_mm": f"{float(row['stop_mm']) + 1.0:.2f}", "tip_opening_mm": "2.09"}
        for row in rows
        if row["mouthpiece_id"] == "AM-07"
    ]
    every = [{**row, "tip_opening_mm": ""} for row in rows] + later
    write_rows(source / "facings.csv", every, list(every[0]))
    return source


def test_the_latest_counts_today_and_playtests_go_by_their_day(refaced: Path) -> None:
    """The answer of today has the wide tip; marks of before July stand on the old facing, those after on the new one."""
    house, old = mk.open(str(refaced)), mk.open()
    assert house.parts.facing("AM-07").lay.tip_opening_m == pytest.approx(2.09e-3)
    pairs = house.scorer.marked_pairs
    tips = {
        test.date: pairs.tip_opening_m[row] for row, test in enumerate(house.scorer.marked) if test.mouthpiece_id == "AM-07"
    }
    assert tips
    for day, tip in tips.items():
        assert day is not None
        assert tip == pytest.approx(2.09e-3 if day >= JULY else old.parts.facing("AM-07").lay.tip_opening_m)
    history = house.history("AM-07")
    assert [one.day for one in history.sets][-1] == JULY.isoformat()
    (change,) = history.changes
    assert change.tip_opening_mm.value == pytest.approx(0.1, abs=1e-6)
    assert change.facing_length_mm.value == pytest.approx(1.0, abs=0.15)
    assert [stop.by_mm.value for stop in change.stops] == pytest.approx([1.0] * len(change.stops))


def test_a_rail_that_was_lengthened_is_named(refaced: Path) -> None:
    """The left rail read 0.6 mm further back: the history says how far apart the rails were and are, and which is short."""

    def lengthen(rows: list[dict[str, str]]) -> list[dict[str, str]]:
        for row in rows:
            if row["mouthpiece_id"] == "AM-07" and row["date"] == JULY.isoformat() and row["rail"] == "left":
                row["stop_mm"] = f"{float(row['stop_mm']) + 0.6:.2f}"
        return rows

    edit_table(refaced, "facings", lengthen)
    told = " ".join(lay_out(history_screen(mk.open(str(refaced)).history("AM-07"))).split())
    assert "the rails were 0.60 mm apart (left one short) and are alike" in told


def test_the_other_rail_on_the_next_day_belongs_to_the_set() -> None:
    """Left on one day, right on the next: one set; the left again a month later begins another."""
    left = [_reading(JUNE, feeler) for feeler in (0.1, 0.2, 0.4)]
    right = [_reading(dt.date(2025, 6, 5), feeler, rail="right") for feeler in (0.1, 0.2, 0.4)]
    again = [_reading(JULY, feeler) for feeler in (0.1, 0.2, 0.4)]
    assert [len(one.readings) for one in sets_of([*left, *right, *again], [])] == [6, 3]


def test_an_older_set_without_its_tip_is_doubted(refaced: Path) -> None:
    """The tip opened by a quarter of a millimetre in mouthpieces.csv only: the readings of before do not lead there, and a warning says what to write."""

    def open_it(rows: list[dict[str, str]]) -> list[dict[str, str]]:
        for row in rows:
            if row["id"] == "AM-07":
                row["tip_opening_mm"] = "2.40"
        return rows

    edit_table(refaced, "mouthpieces", open_it)
    house = mk.open(str(refaced))
    assert any("tip_opening_mm of facings" in problem.hint for problem in house.warnings)


def test_a_slip_in_an_older_set_is_still_told(refaced: Path) -> None:
    """A stop of the set before that cannot be is named with its row; the sets are not held against one another."""

    def slip(rows: list[dict[str, str]]) -> list[dict[str, str]]:
        first = next(row for row in rows if row["mouthpiece_id"] == "AM-07")
        first["stop_mm"] = "1.0"
        return rows

    edit_table(refaced, "facings", slip)
    with pytest.raises(mk.DataError, match=r"facings\.csv, row"):
        mk.open(str(refaced))


def _judged(seed: int, *, tip: float = 2.5, scatter: float = 0.012, count: int = 30) -> BatchReport:
    rng = np.random.default_rng(seed)
    items = [
        read_piece(replace(Truth(), tip=tip + rng.normal(0, scatter)), rng, name=f"P{number}", serial=number)
        for number in range(count)
    ]
    return judge_batch(shop_of(items), spec=spec_with())


def test_two_batches_that_differ() -> None:
    """A tip 0.05 mm wider is called different, by Welch's interval (scipy) at the level that is left to each size; a batch against its like is not."""
    one, other = _judged(51), _judged(52, tip=2.55)
    found = beside(one, other, names=("May", "June"))
    tip = next(item for item in found.features if item.feature == "tip_opening_mm")
    values = [[j.value for p in report.pieces for j in p.features if j.feature == "tip_opening_mm"] for report in (one, other)]
    interval = ttest_ind(values[1], values[0], equal_var=False).confidence_interval(1 - 0.05 / len(found.features))
    assert (tip.difference_low, tip.difference_high) == pytest.approx((interval.low, interval.high))
    assert tip.difference == pytest.approx(0.05, abs=0.02)
    assert tip.different
    text = " ".join(str(getattr(block, "text", block)) for block in beside_screen(found, numbers=True).blocks)
    assert "Tip opening" in text
    assert tip.chart is not None
    assert tip.chart.values == pytest.approx(values[0] + values[1])
    same = [beside(_judged(60 + k), _judged(80 + k), names=("A", "B")) for k in range(10)]
    assert sum(any(item.different or item.spread_differs for item in pair.features) for pair in same) <= 2


def test_models_that_only_one_batch_has() -> None:
    """They are named, whichever batch has them."""
    one, other = _judged(51), _judged(52)
    more = replace(one, pieces=(*one.pieces, replace(one.pieces[0], model="TB-99")))
    assert beside(more, other, names=("A", "B")).only_in == ("TB-99",)
    assert beside(one, replace(other, pieces=more.pieces), names=("A", "B")).only_in == ("TB-99",)
    assert beside(one, other, names=("A", "B")).only_in == ()


def test_a_batch_that_spreads_more() -> None:
    """Tips that scatter four times as much are told; batches of different models are refused."""
    found = beside(_judged(53, scatter=0.01), _judged(54, scatter=0.08), names=("A", "B"))
    tip = next(item for item in found.features if item.feature == "tip_opening_mm")
    assert tip.spread_differs
    assert tip.spread is not None
    assert tip.spread > 2
    spec = spec_with()
    drawn = spec.model_copy(update={"drawing": {**spec.drawing, "X": spec.drawing[MODEL]}})
    pieces = shop_of([read_piece(Truth(), np.random.default_rng(1), name=f"Q{k}") for k in range(3)])
    renamed = gather([piece.model_copy(update={"model": "X"}) for piece in pieces.mouthpieces], [], [])
    with pytest.raises(mk.RequestError, match="share no model"):
        beside(_judged(55, count=3), judge_batch(renamed, spec=drawn), names=("A", "B"))


def test_a_plan_is_closed_with_the_readings_after_it(refaced: Path) -> None:
    """AM-07 was to be 0.1 mm more open; read again a millimetre longer: the tip is as planned, and feelers stop where they were read, off the plan by the difference."""
    house = mk.open(str(refaced))
    done = house.refaced("AM-07", tip_by_mm=0.1)
    assert (done.before, done.after) == (None, JULY.isoformat())
    assert done.planned_tip_mm == pytest.approx(2.09)
    assert done.tip_off_mm.value == pytest.approx(0.0, abs=1e-6)
    old = mk.open().reface("AM-07", tip_by_mm=0.1)
    planned = {row.feeler_mm: row.place_mm for row in old.removals}
    now = mk.open().history("AM-07").sets
    assert len(now) == 1
    for stop in done.stops:
        assert stop.planned_mm == pytest.approx(planned[stop.feeler_mm], abs=1e-6)
        assert stop.off_mm == pytest.approx(stop.read_mm - stop.planned_mm)
        assert stop.rail in {"left", "right"}
    assert any(stop.off_mm > 0 for stop in done.off)
    assert done.rails_mm is not None
    assert done.rails_mm.value == pytest.approx(-0.6, abs=0.01)
    text = " ".join(str(getattr(block, "text", block)) for block in done_screen(done).blocks)
    assert "past the plan on both rails at 0.4, 0.6, 0.9, 1.2 mm and the right rail at " in text
    assert "cannot be brought back" in text
    with pytest.raises(mk.RequestError, match="read once only"):
        mk.open().refaced("AM-07", tip_by_mm=0.1)


def test_a_rail_that_went_too_far_is_told_by_itself(tmp_path: Path) -> None:
    """AM-05 read again just where its plan puts the feelers, but for the left rail, 0.6 mm too far back: past the plan there, and the right one as planned."""
    source = tmp_path / "house"
    shutil.copytree(shipped("data/demo"), source)
    plan = mk.open().reface("AM-05", tip_by_mm=0.1)
    rows = [{**row, "tip_opening_mm": ""} for row in read_rows(source / "facings.csv")]
    work = {round(row.feeler_mm, 3): row.place_mm for row in plan.removals if row.place_mm > 0}
    over = {"left": 0.6, "right": 0.0}
    mine = [row for row in rows if row["mouthpiece_id"] == "AM-05" and round(float(row["feeler_mm"]), 3) in work]
    after = [
        {
            **row,
            "date": JULY.isoformat(),
            "tip_opening_mm": f"{plan.target_tip_opening_mm:.2f}",
            "stop_mm": f"{work[round(float(row['feeler_mm']), 3)] + over[row['rail']]:.2f}",
        }
        for row in mine
    ]
    write_rows(source / "facings.csv", rows + after, list(rows[0]))
    done = mk.open(str(source)).refaced("AM-05", tip_by_mm=0.1)
    assert {stop.rail for stop in done.off} == {"left"}
    assert [stop.off_mm for stop in done.stops if stop.rail == "right"] == pytest.approx([0.0] * len(work), abs=0.006)
    told = " ".join(lay_out(done_screen(done)).split())
    assert "past the plan on the left rail" in told
    assert "closer than before" not in told
    assert "The rails are 0.60 mm apart, the right one short" in told
    assert "Off the plan on the right rail" not in told
    for out, words in ((False, "within the drawing by itself: plan again"), (True, "cannot be brought back but by")):
        beyond = (FeatureAt("stop_mm", "left", done.off[0].feeler_mm),) if out else (FeatureAt("rail_difference_mm"),)
        drawn = replace(done, drawing=AgainstDrawing("fail", beyond))
        assert words in " ".join(lay_out(done_screen(drawn)).split())
    near = replace(done, stops=(), drawing=AgainstDrawing("inconclusive", ()))
    assert "Read it twice more before anything else comes off" in " ".join(lay_out(done_screen(near)).split())


def test_work_as_planned_is_seldom_called_otherwise() -> None:
    """Feelers read again just where a plan put them, by readings as doubtful as those that it came from (normal, seeded): something is called off in at most 8 of 100."""
    rng = np.random.default_rng(9)
    plan = mk.open().reface("AM-05", tip_by_mm=0.1)
    report = mk.open().facing("AM-05")
    where = {round(row.feeler_mm, 3): row.place_mm for row in plan.removals}
    off = 0
    for _ in range(200):
        stations = []
        for row in report.stations:
            u = row.u_left_mm, row.u_right_mm
            assert None not in u
            stops = [where[round(row.feeler_mm, 3)] + rng.normal(0, 2**0.5 * float(one or 0)) for one in u]
            stations.append(replace(row, left_mm=stops[0], right_mm=stops[1]))
        tip = plan.target_tip_opening_mm + rng.normal(0, 2**0.5 * report.u_tip_opening_mm)
        done = close_plan(plan, report, replace(report, stations=tuple(stations), tip_opening_mm=tip), before=None, after=None)
        off += bool(done.off) or done.tip_surely_off_mm != 0
    assert off <= 16


def test_a_table_faced_down_as_planned_is_not_asked_about() -> None:
    """A plan by way of the table, closed with a tip just where it puts it: nobody asks whether the table was faced down; 0.1 mm closer still and somebody does."""
    plan, report = mk.open().reface("TB-25-13", drawing=True, table_down=True), mk.open().facing("TB-25-13")
    assert plan.table_down_mm > 0.1
    for closer in (0.0, 0.1):
        again = replace(report, tip_opening_mm=plan.tip_opening_mm - plan.table_down_mm - closer)
        told = lay_out(done_screen(close_plan(plan, report, again, before=None, after=None)))
        assert ("was the table faced down" in " ".join(told.split())) == bool(closer)


def test_one_rail_read_after_the_work_is_not_the_piece(tmp_path: Path) -> None:
    """Only the left rail read again, within the drawing: nothing is called met, and the other rail is asked for; a tip that came closer is asked about."""
    source = tmp_path / "house"
    shutil.copytree(shipped("data/demo"), source)
    rows = [{**row, "tip_opening_mm": ""} for row in read_rows(source / "facings.csv")]
    mine = [row for row in rows if row["mouthpiece_id"] == "AM-05"]
    tip = mk.open().parts.facing("AM-05").lay.tip_opening_m * 1e3
    for rails, closer in ((("left",), 0.0), (("left", "right"), 0.15)):
        again = [
            {**row, "date": JULY.isoformat(), "tip_opening_mm": f"{tip - closer:.2f}"} for row in mine if row["rail"] in rails
        ]
        write_rows(source / "facings.csv", rows + again, list(rows[0]))
        done = mk.open(str(source)).refaced("AM-05", tip_by_mm=0.1)
        told = " ".join(lay_out(done_screen(replace(done, drawing=AgainstDrawing("pass", ())))).split())
        assert ("meets its drawing" in told) == (len(rails) == 2)
        assert ("Only the left rail was read" in told) == (len(rails) == 1)
        plain = " ".join(lay_out(done_screen(done)).split())
        assert ("0.15 mm closer than before, which taking off cannot do" in plain) == bool(closer)


def test_a_piece_that_meets_its_drawing_is_left_alone(tmp_path: Path) -> None:
    """A tenor piece read before as too closed and now as drawn, 0.1 mm longer than the middle: within its limits it is called done, though off the plan.

    Every feeler 2 mm longer it is its zero that is asked about; a tenth longer, the thin feelers most, it is past the plan.
    """
    spec = mk.open().tables.spec
    drawing = spec.drawing[MODEL]
    assert drawing.tip_opening_mm is not None
    folder = tmp_path / "batch"
    shutil.copytree(shipped("data/demo-bench/batch"), folder)
    mouthpieces, facings = read_rows(folder / "mouthpieces.csv"), read_rows(folder / "facings.csv")
    name = mouthpieces[0]["id"]
    like = next(row for row in facings if row["mouthpiece_id"] == name)
    for row in facings:
        row.setdefault("tip_opening_mm", "")
        row.setdefault("date", "")
    columns = [*dict.fromkeys([*like, "tip_opening_mm", "date"])]

    def read_on(day: dt.date, off: float, tip: float, times: float = 1.0) -> list[dict[str, str]]:
        return [
            {**dict.fromkeys(columns, ""), "mouthpiece_id": name, "rail": rail, "feeler_mm": f"{station.feeler_mm:g}",
             "stop_mm": f"{times * station.stop_mm + off:.2f}", "date": day.isoformat(), "tip_opening_mm": f"{tip:.2f}"}
            for station in drawing.station
            for rail in ("left", "right")
        ]  # fmt: skip

    nominal = drawing.tip_opening_mm.nominal
    rest = [row for row in facings if row["mouthpiece_id"] != name]
    zero = "cannot be judged yet", "look at the zero of the gauge"
    for off, times, wanted in ((0.1, 1.0, ("meets its drawing",)), (2.0, 1.0, zero), (0.0, 1.1, ("past the plan",))):
        again = [*read_on(JUNE, -1.0, nominal - 0.05), *read_on(JULY, off, nominal, times)]
        write_rows(folder / "facings.csv", [*rest, *again], columns)
        done = mk.open().refaced(name, pieces=folder, drawing=True)
        assert done.drawing is not None
        assert (done.drawing.verdict == "pass") == (off == 0.1)
        told = " ".join(lay_out(done_screen(done)).split())
        assert all(words in told for words in wanted)
        assert done.doubt == ("all alike" if off > 1 else None)
        assert ("facing the table down" in told) == (times > 1)
        assert bool(done.drawing.out) == (off != 0.1)


def test_a_rail_read_alone_is_held_against_itself(tmp_path: Path) -> None:
    """The left rail of AM-07, 0.6 mm shorter than the right, read again alone: just where it was nothing changed, 0.6 mm further back it is named."""
    for by, words in ((0.0, "nothing changed"), (0.6, "the left rail 0.6 ± 0.3 mm longer")):
        source = tmp_path / f"{by:g}"
        shutil.copytree(shipped("data/demo"), source)
        rows = read_rows(source / "facings.csv")
        mine = [row for row in rows if row["mouthpiece_id"] == "AM-07" and row["rail"] == "left"]
        again = [{**row, "date": JULY.isoformat(), "stop_mm": f"{float(row['stop_mm']) + by:.2f}"} for row in mine]
        write_rows(source / "facings.csv", rows + again, list(rows[0]))
        history = mk.open(str(source)).history("AM-07")
        assert words in " ".join(lay_out(history_screen(history)).split())
        assert history.changes[-1].rails == ("left",)
        assert [moved.by_mm.value for moved in history.changes[-1].stops] == pytest.approx([by] * 7)


def test_sizes_that_differ_less_than_matters_are_alike() -> None:
    """Readings that hardly scatter: a difference of a fiftieth of what the drawing allows is sure and yet no difference; one of half of it is; pieces that are all alike have no spread to compare."""
    item = next(one for one in mk.open().batch(pair=False).features if one.feature == "tip_opening_mm")
    assert item.high is not None
    assert item.low is not None
    width = item.high - item.low
    one = 2.5 + 1e-5 * np.array([0, 1, 2, 1, 0, 2])
    for share, different in ((0.02, False), (0.5, True)):
        found = _feature(item, list(one), list(one + share * width), looked=1, ordered=False)
        assert found.difference_low > 0
        assert found.different is different
    alike = _feature(item, [2.5] * 6, list(one), looked=1, ordered=False)
    assert alike.sds[0] == 0.0
    assert alike.spread is None


def test_a_rail_scanned_and_later_read_with_feelers_was_read_again() -> None:
    """The day that is later counts, whichever way it was read; the other rail, or fewer than three feelers, joins the set before."""
    scan = [
        LayPoint(mouthpiece_id="M", rail="left", x_mm=float(x), height_mm=2.0 - 0.08 * float(x), date=MAY) for x in range(25)
    ]
    later = [_reading(JULY, feeler) for feeler in (0.1, 0.2, 0.4)]
    assert [one.day for one in sets_of(later, scan)] == [MAY, JULY]
    assert sets_of(later, scan)[-1].points == ()
    assert [one.day for one in sets_of(later[:2], scan)] == [MAY]
    other = [_reading(JULY, feeler, rail="right") for feeler in (0.1, 0.2, 0.4)]
    assert [one.day for one in sets_of(other, scan)] == [MAY]
    before = [reading.model_copy(update={"date": MAY}) for reading in later]
    after = [point.model_copy(update={"date": JULY}) for point in scan]
    assert [one.day for one in sets_of(before, after)] == [MAY, JULY]


def test_a_rail_read_on_two_days_is_told() -> None:
    """Two of its feelers read again later count, and what may have been worked between is said; the other rail on another day is no such case."""
    piece, readings = read_piece(Truth(), np.random.default_rng(58), name="M")

    def told(again: Callable[[FacingReading], bool]) -> tuple[str, ...]:
        rows = [row.model_copy(update={"date": JULY if again(row) else JUNE}) for row in readings]
        return facing_report(piece, rows, (), defaults=read_defaults(), spec=spec_with(), draws=100).days_of_a_rail

    assert told(lambda row: row.rail == "left" and row.feeler_mm in (0.1, 0.2)) == (JUNE.isoformat(), JULY.isoformat())
    assert told(lambda row: row.rail == "left") == ()
    assert told(lambda _: True) == ()


def test_one_rail_worked_is_no_zero_of_the_gauge() -> None:
    """Read again alone after half a millimetre came off along it: the rail is longer, and nothing is asked about a zero."""
    piece, readings = read_piece(Truth(), np.random.default_rng(59), name="M")
    again = [row.model_copy(update={"date": JULY, "stop_mm": row.stop_mm + 0.5}) for row in readings if row.rail == "left"]
    found = facing_history(piece, sets_of([*readings, *again], []), defaults=read_defaults(), spec=spec_with())
    assert "zero" not in " ".join(lay_out(history_screen(found)).split())


def _history(change: dict[tuple[str, float], float], *, tip: float = 0.0) -> str:
    """Return what is said of a sound piece that is read again with some stops moved, and its tip."""
    piece, readings = read_piece(Truth(), np.random.default_rng(57), name="M")
    again = [
        reading.model_copy(
            update={
                "date": JULY,
                "stop_mm": reading.stop_mm + change.get((reading.rail, reading.feeler_mm), change.get(("all", 0.0), 0.0)),
                "tip_opening_mm": piece.tip_opening_mm + tip,
            }
        )
        for reading in readings
    ]
    found = facing_history(piece, sets_of([*readings, *again], []), defaults=read_defaults(), spec=spec_with())
    return " ".join(lay_out(history_screen(found)).split())


def test_a_history_names_the_feelers_that_moved() -> None:
    """Half a millimetre at one feeler of both rails, as where a bump came off, is told by name; nothing moved, nothing is listed."""
    told = _history({("left", 0.6): 0.5, ("right", 0.6): 0.5})
    assert "the 0.6 mm feeler stops further from the tip" in told
    assert "0.9 by +0.00" in told
    same = _history({})
    assert "nothing changed that the gauge can tell" in same
    assert "feelers moved" not in same


def test_a_history_asks_about_what_no_work_does() -> None:
    """All stops half a millimetre further with the same tip: the zero. A facing a millimetre shorter, or a tip closer: table or zero. Longer by refacing: neither."""
    assert (
        "Every feeler moved the same way, the thickest too, and the tip did not: look at the zero of the gauge first"
        in _history({("all", 0.0): 0.5})
    )
    assert "was the table faced down" in _history({}, tip=-0.15)
    longer = {(rail, feeler): 1.5 * (1 - (feeler / 2.5) ** 0.5) for rail in ("left", "right") for feeler in FEELERS_MM}
    told = _history(longer)
    assert "longer" in told
    assert "zero" not in told.split("read on")[0]
    assert "was the table faced down" in _history({at: -by for at, by in longer.items()})


def test_two_batches_tell_their_stops_by_the_way_they_moved() -> None:
    """A facing 0.4 mm longer and a tip 0.08 closer: longer stops in one line with each feeler once, shorter ones in another."""

    def made(seed: int, edge: float, tip: float) -> BatchReport:
        rng = np.random.default_rng(seed)
        truth = replace(Truth(), left=edge, right=edge, tip=tip)
        return judge_batch(shop_of([read_piece(truth, rng, name=f"P{k}", serial=k) for k in range(20)]), spec=spec_with())

    found = beside(made(61, 28.0, 2.5), made(62, 28.4, 2.42), names=("A", "B"))
    text = " ".join(lay_out(beside_screen(found)).split())
    assert text.count("Feelers stop longer on both rails") == 1
    assert text.count("Feelers stop shorter on both rails") == 1
    line = text.split("Feelers stop longer on both rails, on average: ")[1].split(" mm.")[0]
    assert all(" ± " in part for part in line.split(", "))
    assert line.startswith("0.038 by 0.")
    wide = [
        judge_batch(
            shop_of(
                [
                    read_piece(replace(Truth(), left=28 + off, right=28 + off), rng, name=f"P{k}", serial=k)
                    for k, off in enumerate(rng.normal(0, scatter, 20))
                ]
            ),
            spec=spec_with(),
        )
        for scatter, rng in ((0.05, np.random.default_rng(63)), (0.6, np.random.default_rng(64)))
    ]
    text = " ".join(lay_out(beside_screen(beside(*wide, names=("A", "B")))).split())
    assert text.count("mm spread more:") == 1
    few = beside(_judged(65, count=4), _judged(66, count=4), names=("A", "B"))
    assert "cannot be told from so few pieces" in " ".join(lay_out(beside_screen(few)).split())


def test_feelers_that_moved_are_told_apart_from_chance() -> None:
    """Sixteen stops: one must move by 2.95 of its uncertainties (Bonferroni, 0.05 in all) to be named; alone 1.96 is enough."""

    def moved(size: float, count: int) -> int:
        one = [StopMoved(0.1, "left", Size(size, 1.0))]
        return len(_moved([*one, *[StopMoved(0.2, "left", Size(0.0, 1.0))] * (count - 1)]))

    assert [moved(size, 16) for size in (2.5, 2.9, 3.0)] == [0, 0, 1]
    assert [moved(size, 1) for size in (1.9, 2.0)] == [0, 1]
