"""A batch: planted faults are found, sound pieces are left alone, and every slip of the data is told."""

from __future__ import annotations

import csv
import shutil
from pathlib import Path

import numpy as np
import pytest
from conftest import read_rows, write_rows
from make_bench import FAULTS
from maker_shop import MODEL, Truth, changed_batch, read_piece, replace, shop_of, spec_with
from scipy.stats import t as student

import matchkit as mk
from matchkit.cli.printing import lay_out
from matchkit.files import shipped
from matchkit.maker.conformity.batch import judge_batch
from matchkit.maker.conformity.chart import individuals_chart
from matchkit.maker.conformity.drawing import judge_piece
from matchkit.maker.facts import FeatureAt
from matchkit.maker.files import read_pieces
from matchkit.maker.measure.report import facing_report
from matchkit.maker.measure.stations import rails_at_stations
from matchkit.maker.pieces import gather
from matchkit.records.parts import FacingReading, Mouthpiece
from matchkit.records.spec import HouseSpec
from matchkit.tables.defaults import read_defaults
from matchkit.words.maker.batch.screen import batch_screen


def test_the_planted_faults_of_the_demo_batch(house: mk.House) -> None:
    """All six planted pieces fail, each for what was planted, and nothing else does."""
    report = house.batch(pair=False)
    failed = {int(piece.serial or 0): piece for piece in report.pieces if piece.verdict == "fail"}
    assert set(failed) == set(FAULTS)
    found = {number: (piece.fault.kind, piece.fault.rail) for number, piece in failed.items() if piece.fault is not None}
    assert found == {
        7: ("rail short", "left"),
        13: ("tip too open", None),
        18: ("stop long", "both"),
        21: ("table convex", None),
        29: ("baffle too high", None),
        34: ("rail short", "right"),
    }
    tip = next(item for item in report.features if item.feature == "tip_opening_mm")
    assert tip.chart is not None
    assert tip.chart.drifts
    assert tip.chart.slope_low * 1e3 < 1.5 < tip.chart.slope_high * 1e3


@pytest.mark.parametrize(
    ("fault", "kinds"),
    [("left", ("rail short", "stop short")), ("tip", ("tip too open",)), ("both", ("rail short", "stop short"))],
)
def test_faults_of_three_uncertainties_are_found(fault: str, kinds: tuple[str, ...]) -> None:
    """Of 100 seeded pieces with a fault three u or more beyond its limit, 95 or more fail for it; ``make bench`` draws the curve."""
    spec = spec_with()
    found = 0
    for seed in range(100):
        rng = np.random.default_rng([21, seed])
        size = rng.uniform(3, 6)
        truth = {
            "left": replace(Truth(), left=28 - 0.15 - size * 0.05),
            "tip": replace(Truth(), tip=2.58 + size * 0.02),
            "both": replace(Truth(), left=28 - 0.65 - size * 0.13, right=28 - 0.65 - size * 0.13),
        }[fault]
        piece, readings = read_piece(truth, rng)
        report = judge_batch(shop_of([(piece, readings)]), spec=spec)
        told = report.pieces[0].fault
        found += report.pieces[0].verdict == "fail" and told is not None and told.kind in kinds
    assert found >= 95


def test_sound_pieces_do_not_fail() -> None:
    """Of 200 seeded pieces made as the drawing says with a little scatter, fewer than 5 % fail."""
    spec = spec_with()
    rng = np.random.default_rng(22)
    items = []
    for number in range(200):
        edge, skew = rng.normal(28, 0.12), rng.normal(0, 0.02)
        truth = Truth(tip=2.5 + rng.normal(0, 0.012), left=edge + skew, right=edge - skew)
        items.append(read_piece(truth, rng, name=f"P{number}", serial=number))
    counts = judge_batch(shop_of(items), spec=spec).counts
    assert counts["fail"] < 10
    assert counts["pass"] > 120


def test_half_millimetres_leave_many_inconclusive_and_a_finer_gauge_helps() -> None:
    """Stops read to 0.5 mm: the share of inconclusive pieces is told, and reading to 0.1 mm would leave fewer."""
    spec = spec_with(stop_step_mm=0.5)
    rng = np.random.default_rng(23)
    items = [read_piece(Truth(), rng, name=f"P{k}", serial=k, step_mm=0.5) for k in range(30)]
    report = judge_batch(shop_of(items), spec=spec)
    assert report.counts["inconclusive"] > 10
    ways = {way.how: way.counts["inconclusive"] for way in report.what_if}
    assert ways["finer stops"] < report.counts["inconclusive"]
    assert set(ways) == {"stops twice as often", "finer stops", "gauges twice as good"}


@pytest.mark.parametrize(("step", "touch_mm"), [(0.5, 0.05), (0.05, 0.3)])
def test_better_gauges_are_judged_as_if_they_had_been_used(step: float, touch_mm: float) -> None:
    """What better reading would leave equals judging all pieces anew with that gauge, whose touch is the only thing besides the step."""
    spec = spec_with(stop_step_mm=step, u_operator_mm=0.0, u_stop_mm=touch_mm)
    rng = np.random.default_rng(25)
    items = [read_piece(Truth(left=27.6 - 0.05 * k), rng, name=f"P{k}", serial=k, step_mm=step) for k in range(12)]
    ways = {way.how: way.counts for way in judge_batch(shop_of(items), spec=spec).what_if}
    touch = spec.gauge.u_stop_mm / 2**0.5
    finer = spec.model_copy(update={"gauge": spec.gauge.model_copy(update={"u_stop_mm": touch})})
    assert ways["stops twice as often"] == judge_batch(shop_of(items), spec=finer).counts
    assert ways["stops twice as often"]["fail"] > 0


def test_all_pass_says_what_that_proves() -> None:
    """Twenty pieces that pass leave open a share of 13.9 % at 95 % confidence (1 - 0.05^(1/20), analytic)."""
    spec = spec_with()
    rng = np.random.default_rng(24)
    items = [read_piece(Truth(), rng, name=f"P{k}", serial=k) for k in range(20)]
    report = judge_batch(shop_of(items), spec=spec)
    assert report.counts == {"pass": 20, "inconclusive": 0, "fail": 0}
    assert report.worst_share == pytest.approx(0.1391, abs=5e-4)
    assert not report.failed
    assert report.what_if == ()


def test_the_order_of_making_follows_the_serial_numbers() -> None:
    """9 comes before 10; without serials the rows keep their order."""
    pieces = [Mouthpiece(id=f"P{s}", serial=f"B{s}", instrument="tenor", tip_opening_mm=2.5) for s in (10, 9, 100)]
    assert [piece.id for piece in gather(pieces, [], []).mouthpieces] == ["P9", "P10", "P100"]
    bare = [piece.model_copy(update={"serial": None}) for piece in pieces]
    assert [piece.id for piece in gather(bare, [], []).mouthpieces] == ["P10", "P9", "P100"]


def test_what_was_not_measured_is_not_judged() -> None:
    """One rail missing: its stations and the rail difference are named as not measured; nothing is made up."""
    spec = spec_with()
    piece, readings = read_piece(Truth(), np.random.default_rng(1), baffle_height_mm=None)
    report = judge_batch(shop_of([(piece, [r for r in readings if r.rail == "left"])]), spec=spec)
    judged = report.pieces[0]
    assert FeatureAt("stop_mm", "right", 0.1) in judged.missing
    assert FeatureAt("baffle_height_mm") in judged.missing
    assert all(feature.feature != "rail_difference_mm" for feature in judged.features)
    nothing = judge_batch(shop_of([(piece, [])]), spec=spec).pieces[0]
    assert not {feature.feature for feature in nothing.features} & {"stop_mm", "rail_difference_mm"}
    assert nothing.verdict == "inconclusive"
    assert len(nothing.unmeasured) == 2 * len(spec.drawing[MODEL].station)
    assert judged.verdict == "inconclusive"
    assert {at.rail for at in judged.unmeasured} == {"right"}


def test_a_critical_size_nobody_measured_leaves_a_piece_inconclusive() -> None:
    """Everything else in order, the shank unmeasured: not passed, and the report says for want of what."""
    piece, readings = read_piece(Truth(), np.random.default_rng(1), shank_bore_mm=None)
    report = judge_batch(shop_of([(piece, readings)]), spec=spec_with())
    assert report.pieces[0].verdict == "inconclusive"
    assert report.pieces[0].unmeasured == (FeatureAt("shank_bore_mm"),)
    assert report.pieces[0].fault is None
    said = lay_out(batch_screen(report))
    assert "1 not measured enough to say" in said
    assert "Measure shank bore: X." in said


def test_one_leaf_of_several_does_not_fail_a_sound_piece() -> None:
    """Identical rails read once to half a millimetre: of 200 pieces at most 10 fail (5 %), though the worst of eight feelers is looked at."""
    spec = spec_with(stop_step_mm=0.5)
    items = [
        read_piece(Truth(tip=2.5), np.random.default_rng([51, k]), name=f"P{k}", serial=k, step_mm=0.5) for k in range(200)
    ]
    assert judge_batch(shop_of(items), spec=spec).counts["fail"] <= 10


def test_a_small_depth_is_a_high_baffle() -> None:
    """The baffle is measured as a depth: less of it stands too high, and can be taken off."""
    piece, readings = read_piece(Truth(), np.random.default_rng(1), baffle_height_mm=5.5)
    judged = judge_batch(shop_of([(piece, readings)]), spec=spec_with()).pieces[0]
    assert judged.fault is not None
    assert (judged.fault.kind, judged.fault.size) == ("baffle too high", 1.0)


def test_leaves_beside_the_drawing_are_told() -> None:
    """A reading with a feeler the drawing does not have is not judged and is named; a feeler marked in inches belongs to its station."""
    spec = spec_with()
    piece, readings = read_piece(Truth(), np.random.default_rng(1))
    odd = FacingReading(mouthpiece_id="X", rail="left", feeler_mm=0.75, stop_mm=12.7, repeat=1)
    inch = [r.model_copy(update={"feeler_mm": 0.0381}) if r.feeler_mm == 0.038 else r for r in readings]
    judged = judge_batch(shop_of([(piece, [*inch, odd])]), spec=spec).pieces[0]
    assert judged.beside_mm == (0.75,)
    assert FeatureAt("stop_mm", "left", 0.038) not in judged.missing


def test_what_is_not_critical_is_a_remark() -> None:
    """A tip rail far out of its limits does not fail the piece and is told."""
    spec = spec_with()
    piece, readings = read_piece(Truth(), np.random.default_rng(4), tip_rail_mm=2.0)
    judged = judge_batch(shop_of([(piece, readings)]), spec=spec).pieces[0]
    assert judged.verdict == "pass"
    assert [(item.feature, item.value) for item in judged.minor] == [("tip_rail_mm", 2.0)]


def test_models_without_a_drawing_and_empty_batches_are_refused() -> None:
    """Every piece whose model has no drawing is named, with the drawings there are."""
    spec = spec_with()
    piece, readings = read_piece(Truth(), np.random.default_rng(1))
    with pytest.raises(mk.DataError, match="'Q' for piece 'X'; expected a model with a drawing: TB-25"):
        judge_batch(shop_of([(piece.model_copy(update={"model": "Q"}), readings)]), spec=spec)
    others = [read_piece(Truth(), np.random.default_rng(k), name=f"X{k}") for k in (2, 3)]
    many = [(item.model_copy(update={"model": "Q"}), rows) for item, rows in others]
    with pytest.raises(mk.DataError, match=r"1 problem.*\n.*'Q' for piece 'X2' and 1 more"):
        judge_batch(shop_of(many), spec=spec)
    with pytest.raises(mk.DataError, match="one piece or more"):
        judge_batch(shop_of([]), spec=spec)
    with pytest.raises(mk.DataError, match=r"house\.toml has none"):
        judge_batch(shop_of([(piece, readings)]), spec=HouseSpec())


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        ("stop_mm = 24.55, tol_mm = 0.80", "stop_mm = 24.55", "either tol_mm, or lower_mm"),
        ("stop_mm = 24.55", "stop_mm = 4.55", "every thicker feeler nearer the tip, not 0.038 mm at 4.55 and 0.1 mm at 22.4"),
        ("{ feeler_mm = 1.6, stop_mm = 5.60", "{ feeler_mm = 2.6, stop_mm = 5.60", "thinner than the tip opening"),
        ("{ feeler_mm = 0.1, stop_mm", "{ feeler_mm = 0.2, stop_mm", "each feeler once"),
        (
            "tip_opening_mm = { nominal = 2.50, lower = -0.08",
            "tip_opening_mm = { nominal = 2.50, lower = 0.08",
            "a number of 0 or less",
        ),
        ("feeler_mm = 0.038", "feeler_mm = 38", r"a feeler of 4 mm or less \(in thousandths of a mm\? that is 0\.038\)"),
        (
            "tenor = [9.0, 20.0]",
            "tenor = [9.0]",
            r"closing_range\.tenor: read '\[9\.0\]'; expected the lowest and the highest closing pressure in kPa",
        ),
        ("{ nominal = 2.50, lower = -0.08, upper = 0.08 }", "2.5", "a nominal with its tolerances, as { nominal = 2.5,"),
        ("nominal = 2.50", "nominal = 98", "tip_opening_mm with a nominal from 0.5 to 4 mm, not 98"),
        (
            "shank_bore_mm",
            "shank_bore",
            r"TB-25.shank_bore: read an unknown key; expected a known one \(did you mean shank_bore_mm or shank_bore_in\?\)",
        ),
        ("stop_mm = 24.55, tol_mm = 0.80", "tol_mm = 0.80", "station 1.stop_mm: read nothing; expected a value"),
        ("stop_mm = 24.55", "stop_mn = 24.55", r"station 1.stop_mn: .*\(did you mean stop_mm or stop_in\?\)"),
    ],
)
def test_drawings_that_cannot_be_are_refused(tmp_path: Path, old: str, new: str, words: str) -> None:
    """Each slip of a drawing is told with its place in the file."""
    text = (shipped("data/demo") / "house.toml").read_text(encoding="utf-8")
    assert old in text
    path = tmp_path / "house.toml"
    path.write_text(text.replace(old, new), encoding="utf-8")
    with pytest.raises(mk.DataError, match=words):
        mk.open().batch(spec=path, pair=False)
    with pytest.raises(mk.SourceError, match="no such file"):
        mk.open().batch(spec=tmp_path / "none.toml", pair=False)


def test_lower_and_upper_limits_of_a_station(tmp_path: Path) -> None:
    """Unequal limits are taken as they are written."""
    text = (shipped("data/demo") / "house.toml").read_text(encoding="utf-8")
    path = tmp_path / "house.toml"
    path.write_text(
        text.replace("stop_mm = 22.40, tol_mm = 0.65", "stop_mm = 22.40, lower_mm = -0.2, upper_mm = 0.9"), encoding="utf-8"
    )
    report = mk.open().batch(spec=path, pair=False)
    judged = next(f for f in report.pieces[0].features if f.feature == "stop_mm" and f.feeler_mm == 0.1)
    assert (judged.low, judged.high) == pytest.approx((22.2, 23.3))


def test_slips_in_the_readings_of_a_batch(tmp_path: Path) -> None:
    """A feeler beyond the facing, readings that cross, a doubled id and a broken scan are named with their row; all other pieces are judged as ever."""
    folder = Path(shutil.copytree(shipped("data/demo-bench/batch"), tmp_path / "batch"))

    def change(table: str, row: int, **cells: str) -> None:
        path = folder / f"{table}.csv"
        with path.open(encoding="utf-8", newline="") as file:
            rows = list(csv.DictReader(file))
        rows[row - 2] |= cells
        with path.open("w", encoding="utf-8", newline="") as file:
            writer = csv.DictWriter(file, list(rows[0]))
            writer.writeheader()
            writer.writerows(rows)

    change("facings", 2, stop_mm="44")
    change("facings", 40, stop_mm="3.0")
    change("mouthpieces", 9, id="TB-25-01")
    change("lay_points", 2, height_mm="0.4")
    report = mk.open().batch(folder, pair=False)
    told = "\n".join(str(problem) for one in report.set_aside for problem in one.problems)
    whole = {piece.mouthpiece_id: piece for piece in mk.open().batch(pair=False).pieces}
    aside = {one.mouthpiece_id for one in report.set_aside}
    assert aside == {"TB-25-01", "TB-25-02", "TB-25-40", None}  # what was read of TB-25-08 is of no piece now
    assert [piece.mouthpiece_id for piece in report.pieces] == [name for name in whole if name not in {*aside, "TB-25-08"}]
    assert all(piece.features == whole[piece.mouthpiece_id].features for piece in report.pieces)
    for words in ("facings.csv, row 2", "facings.csv, row", "row 2 has it already", "as its neighbours"):
        assert words in told
    with pytest.raises(mk.RequestError, match="draws"):
        mk.open().batch(draws=5)


def test_a_scan_is_judged_at_the_leaves_of_the_drawing(house: mk.House) -> None:
    """The scanned piece of the demo batch has a verdict at every station; it knows the rails better than feelers do, the planes of its scans in the doubt."""
    report = house.batch(pair=False)
    scanned = report.pieces[-1]
    assert not [at for at in scanned.missing if at.feeler_mm is not None]
    spec, pieces = house.tables.spec, read_pieces(None)
    piece = next(piece for piece in pieces.mouthpieces if piece.id == scanned.mouthpiece_id)
    drawing = spec.drawing[str(piece.model)]
    rails = rails_at_stations(piece, (), pieces.points[piece.id], drawing=drawing, gauge=spec.gauge)
    level = judge_piece(
        piece, {name: replace(rail, lifts_m=None) for name, rail in rails.items()}, drawing=drawing, gauge=spec.gauge
    )
    u, u_level = (
        next(f.u for f in judged.features if f.feature == "rail_difference_mm" and f.feeler_mm is None)
        for judged in (scanned, level)
    )
    assert u_level < u < 0.1


def test_readings_judged_directly() -> None:
    """Value, limits, uncertainty and probability of one stop are those of the budget (analytic)."""
    spec = spec_with()
    piece, readings = read_piece(Truth(), np.random.default_rng(6))
    drawing = spec.drawing[MODEL]
    rails = rails_at_stations(piece, readings, (), drawing=drawing, gauge=spec.gauge)
    judged = judge_piece(piece, rails, drawing=drawing, gauge=spec.gauge)
    stop = next(f for f in judged.features if f.rail == "left" and f.feeler_mm == 0.9)
    taken = [r.stop_mm for r in readings if r.rail == "left" and r.feeler_mm == 0.9]
    assert stop.value == pytest.approx(np.mean(taken))
    assert (stop.low, stop.high) == pytest.approx((10.70, 11.70))
    slope = 2 * 2.5 / 28 * np.sqrt(0.9 / 2.5)
    u = np.sqrt(0.05**2 / 2 + 0.01**2 / 12 + (0.004 / slope) ** 2)
    assert stop.u == pytest.approx(u, rel=0.02)


def test_two_models_are_named_apart_and_a_convex_table_makes_stops_less_certain() -> None:
    """Features of two models carry the model's name; on a table recorded as convex the same stop has a larger uncertainty."""
    spec = spec_with()
    two = spec.model_copy(update={"drawing": {**spec.drawing, "Q": spec.drawing["TB-25"]}})
    items = [read_piece(Truth(), np.random.default_rng(k), name=f"X{k}", serial=k) for k in range(4)]
    items = [(piece.model_copy(update={"model": "Q" if k > 1 else "TB-25"}), rows) for k, (piece, rows) in enumerate(items)]
    told = {(item.model, item.feature) for item in judge_batch(shop_of(items), spec=two).features}
    assert {("Q", "tip_opening_mm"), ("TB-25", "tip_opening_mm")} <= told
    piece, rows = items[0]
    plain, rocking = (
        judge_batch(shop_of([(piece.model_copy(update={"table_gap_mm": gap}), rows)]), spec=two).pieces[0].features[0]
        for gap in (-0.03, 0.03)
    )
    assert plain.value == rocking.value
    assert rocking.u > 1.3 * plain.u


def test_a_column_of_equal_values_has_no_chart() -> None:
    """Twenty pieces alike in one size to the last digit: no spread, no index, no signal of chance in the arithmetic."""
    items = [read_piece(Truth(), np.random.default_rng(k), name=f"X{k}", serial=k) for k in range(20)]
    rail = next(item for item in judge_batch(shop_of(items), spec=spec_with()).features if item.feature == "tip_rail_mm")
    assert (rail.sd, rail.chart, rail.capability) == (0.0, None, None)


def test_without_serials_there_is_no_order() -> None:
    """Pieces without a serial of their own, or with one twice, are judged and not charted, and the note says why."""
    spec = spec_with()
    rng = np.random.default_rng(26)
    items = [read_piece(Truth(), rng, name=f"P{k:02d}", serial=k) for k in range(12)]
    assert judge_batch(shop_of(items), spec=spec).features[0].chart is not None
    bare = [(piece.model_copy(update={"serial": None}), readings) for piece, readings in items]
    twice = [(piece.model_copy(update={"serial": "1"}), readings) for piece, readings in items]
    for unknown in (bare, twice):
        report = judge_batch(shop_of(unknown), spec=spec)
        assert all(item.chart is None for item in report.features)
        assert not report.order_known


def test_one_model_is_for_one_instrument() -> None:
    """A piece of another instrument than the first of its model is named and not judged; the other is."""
    spec = spec_with()
    one, other = (read_piece(Truth(), np.random.default_rng(k), name=f"P{k}", serial=k) for k in (1, 2))
    alto = (other[0].model_copy(update={"instrument": "alto"}), other[1])
    report = judge_batch(shop_of([one, alto]), spec=spec)
    assert [piece.mouthpiece_id for piece in report.pieces] == ["P1"]
    assert "alto for piece 'P2'; expected tenor" in str(report.set_aside[0].problems[0])


def test_what_is_read_too_coarsely_has_no_chart_and_drift_allows_for_their_number() -> None:
    """Values of which most neighbours read alike have no limits of their own; a level of 5 % is shared among the charts of a batch."""
    rng = np.random.default_rng(3)
    fine = individuals_chart(rng.normal(0, 1, 40))
    shared = individuals_chart(np.array(fine.values), charts=10)
    wider = (shared.slope_high - shared.slope_low) / (fine.slope_high - fine.slope_low)
    assert wider == pytest.approx(student.ppf(1 - 0.0025, 38) / student.ppf(0.975, 38))
    pieces = [read_piece(Truth(), np.random.default_rng(k), name=f"P{k}", serial=k) for k in range(40)]
    coarse = [
        (piece.model_copy(update={"tip_opening_mm": 2.5 + 0.01 * (k == 20)}), read) for k, (piece, read) in enumerate(pieces)
    ]
    report = judge_batch(shop_of(coarse), spec=spec_with())
    tip = next(item for item in report.features if item.feature == "tip_opening_mm")
    assert tip.sd > 0
    assert tip.chart is None


@pytest.mark.parametrize(
    ("serials", "known"),
    [
        (("T-9", "T-10", "T-11"), True),
        (("9", "10", "11"), True),
        (("T-9", "T-9", "T-11"), False),
        (("T-9", None, "T-11"), False),
        (("first", "second", "3rd"), False),
    ],
)
def test_an_order_of_making_is_known_by_serial_numbers(serials: tuple[str | None, ...], known: bool) -> None:  # noqa: FBT001
    """Every piece has a serial number with a digit in it, whatever letters stand around, and no two have the same."""
    pieces = [
        Mouthpiece(id=f"X{place}", instrument="tenor", tip_opening_mm=2.5, serial=serial)
        for place, serial in enumerate(serials)
    ]
    found = gather(pieces[::-1], (), ())
    assert found.order_known is known
    if known:
        assert [piece.serial for piece in found.mouthpieces] == list(serials)


def test_a_short_rail_has_one_size_in_facing_and_batch() -> None:
    """A drawing with three feelers of those that were read: both answers give the mean over all feelers, and the drawing's alone are judged by themselves."""
    spec = spec_with()
    drawing = spec.drawing[MODEL]
    few = drawing.model_copy(update={"station": tuple(one for one in drawing.station if one.feeler_mm in (0.1, 0.4, 0.9))})
    spec = spec.model_copy(update={"drawing": {MODEL: few}})
    piece, readings = read_piece(Truth(), np.random.default_rng(5))
    short = [
        row.model_copy(update={"stop_mm": row.stop_mm - 0.6 * (row.rail == "left") * (1 - row.feeler_mm / 2)})
        for row in readings
    ]
    judged = judge_batch(shop_of([(piece, short)]), spec=spec).pieces[0]
    assert judged.fault is not None
    assert (judged.fault.kind, judged.fault.rail) == ("rail short", "left")
    report = facing_report(piece, short, (), defaults=read_defaults(), spec=spec)
    apart = [row.difference_mm for row in report.stations if row.difference_mm is not None]
    assert len(apart) > 3
    assert judged.fault.mean_mm == pytest.approx(abs(sum(apart) / len(apart)), abs=1e-9)
    assert sum(item.feature == "rail_difference_mm" for item in judged.features) == 4


def test_stops_of_half_a_millimetre_ask_for_a_finer_gauge(tmp_path: Path) -> None:
    """The demo batch with stops rounded to 0.5 mm: the step is named once, nobody is told to read on that scale again, and no rail is outside by its rounding."""

    def rounded(row: dict[str, str]) -> dict[str, str]:
        return {**row, "stop_mm": f"{round(float(row['stop_mm']) * 2) / 2:.1f}"}

    report = mk.open().batch(changed_batch(tmp_path, "facings", rounded), pair=False)
    assert {piece.stop_step_mm for piece in report.pieces if not piece.scanned} == {0.5}
    told = " ".join(lay_out(batch_screen(report)).split())
    assert "Stops are read to 0.5 mm, too coarse to tell 28 pieces" in told
    assert "Read with a finer one (0.1 mm)" in told
    assert "rail twice more" not in told
    assert "feeler twice more" not in told
    assert "not critical" not in told
    assert "Read tip opening twice more: TB-25-35" in told
    plain = {piece.mouthpiece_id: piece.verdict for piece in mk.open().batch(pair=False).pieces}
    assert plain["TB-25-40"] == "pass"  # its scan is not read to any step


def test_a_tolerance_that_no_gauge_of_the_house_tells_is_said(tmp_path: Path) -> None:
    """A bore allowed 0.03 mm that callipers tell to 0.1 mm (19 of 20): no piece is asked to be read again for it; and what else was not measured on a piece near a limit is asked for too."""
    data = tmp_path / "house"
    shutil.copytree(shipped("data/demo"), data)
    drawn = (data / "house.toml").read_text()
    old = "shank_bore_mm = { nominal = 16.0, lower = -0.15, upper = 0.15 }"
    assert old in drawn
    (data / "house.toml").write_text(drawn.replace(old, "shank_bore_mm = { nominal = 16.0, lower = -0.03, upper = 0.03 }"))
    told = " ".join(lay_out(batch_screen(mk.open(str(data)).batch(pair=False))).split())
    assert (
        "The drawing allows 0.03 mm for shank bore, and the gauge tells it to ± 0.098, so reading again does not help." in told
    )
    assert "Take a better gauge, or wider limits: TB-25-0" in told
    assert "Read shank bore twice more" not in told
    folder = changed_batch(
        tmp_path, "mouthpieces", lambda row: {**row, "body_diameter_mm": ""} if row["id"] == "TB-25-17" else row
    )
    plain = " ".join(lay_out(batch_screen(mk.open().batch(folder, pair=False))).split())
    assert "Measure body" not in plain  # not critical
    folder = changed_batch(
        tmp_path / "more", "mouthpieces", lambda row: {**row, "window_width_mm": ""} if row["id"] == "TB-25-17" else row
    )
    told = " ".join(lay_out(batch_screen(mk.open().batch(folder, pair=False))).split())
    assert "Read shank bore twice more: TB-25-17" in told
    assert "Measure window width: TB-25-17." in told


def _with_bump_on_the_left(seed: int, name: str) -> tuple[Mouthpiece, list[FacingReading]]:
    """Read one piece with the same feelers on both rails."""
    (piece, with_bump), (_, without) = (
        read_piece(truth, np.random.default_rng(seed), name=name) for truth in (Truth(bump=0.06), Truth())
    )
    return piece, [row for row in with_bump if row.rail == "left"] + [row for row in without if row.rail == "right"]


def test_a_bump_on_one_rail_is_no_short_rail() -> None:
    """Sixty micrometres over 3 mm on the left rail alone: where that puts a piece out, nobody is told to lengthen a rail."""
    rng = np.random.default_rng(12)
    report = judge_batch(shop_of([_with_bump_on_the_left(k, f"P{k}") for k in range(8)]), spec=spec_with())
    assert any(piece.fault is not None and piece.fault.kind == "rails uneven" for piece in report.pieces)
    told = " ".join(lay_out(batch_screen(report)).split())
    assert "lengthen" not in told
    assert "the rails differ there most of all: read that feeler again, and if it stays see matchkit facing" in told
    short = [read_piece(Truth(left=27.4), rng, name=f"S{k}") for k in range(2)]
    assert "lengthen that rail" in " ".join(lay_out(batch_screen(judge_batch(shop_of(short), spec=spec_with()))).split())


def test_a_drift_is_no_slip_of_the_drawing() -> None:
    """Twenty pieces whose break grows by 0.03 mm each from where it is drawn: no drawing is asked about, and the cutter is; with all of them 1 mm long the drawing is."""
    rng = np.random.default_rng(4)
    for by, drift, slips in ((0.0, 0.03, 0), (1.0, 0.0, 1)):
        items = [
            read_piece(Truth(left=28.0 + by + drift * k, right=28.0 + by + drift * k), rng, name=f"P{k:02d}", serial=k)
            for k in range(20)
        ]
        report = judge_batch(shop_of(items), spec=spec_with())
        told = " ".join(lay_out(batch_screen(report)).split())
        assert len(report.slips) == slips
        assert ("Stops grow from the first piece to the last, by" in told) == (drift > 0)
        assert ("Check the" in told) == bool(slips)


def test_feelers_written_in_inches_are_those_of_the_drawing(tmp_path: Path) -> None:
    """Thicknesses in inches to four places, which round them by a micrometre: judged as if in millimetres."""
    folder = Path(shutil.copytree(shipped("data/demo-bench/batch"), tmp_path / "batch"))
    rows = read_rows(folder / "facings.csv")
    columns = ["feeler_in" if column == "feeler_mm" else column for column in rows[0]]
    inches = [{"feeler_in": f"{float(row.pop('feeler_mm')) / 25.4:.4f}", **row} for row in rows]
    write_rows(folder / "facings.csv", inches, columns)
    report, plain = (mk.open().batch(where, pair=False) for where in (folder, None))
    assert not any(piece.beside_mm for piece in report.pieces)
    assert [piece.verdict for piece in report.pieces] == [piece.verdict for piece in plain.pieces]
