"""The drawing is asked first: slips of the drawing and of the gauge's zero, one-sided limits, and drawings of one size."""

from __future__ import annotations

import re
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from conftest import edit_table
from maker_shop import MODEL, Truth, changed_batch, read_piece, shop_of, spec_with

import matchkit as mk
from matchkit.cli.printing import lay_out
from matchkit.files import shipped
from matchkit.maker.conformity.batch import BatchReport, judge_batch
from matchkit.maker.conformity.judged import Judged
from matchkit.maker.conformity.slip import _off, in_another_unit
from matchkit.maker.measure.report import facing_report
from matchkit.records.parts import FacingReading
from matchkit.records.spec import Drawing, Feature, HouseSpec, Station
from matchkit.tables.defaults import read_defaults
from matchkit.words.maker.batch.screen import batch_screen
from matchkit.words.maker.facing import facing_screen


def _batch(seed: int, *, spec: HouseSpec, count: int = 25, zero_mm: float = 0.0) -> BatchReport:
    rng = np.random.default_rng(seed)
    items = []
    for number in range(count):
        edge, skew = rng.normal(28, 0.12), rng.normal(0, 0.02)
        truth = Truth(tip=2.5 + rng.normal(0, 0.012), left=edge + skew, right=edge - skew)
        piece, readings = read_piece(truth, rng, name=f"P{number}", serial=number)
        items.append((piece, [row.model_copy(update={"stop_mm": row.stop_mm + zero_mm}) for row in readings]))
    return judge_batch(shop_of(items), spec=spec)


def _redrawn(feeler: float, by_mm: float) -> HouseSpec:
    spec = spec_with()
    drawing = spec.drawing[MODEL]
    moved = tuple(
        station.model_copy(update={"stop_mm": station.stop_mm + by_mm}) if station.feeler_mm == feeler else station
        for station in drawing.station
    )
    return spec.model_copy(update={"drawing": {MODEL: drawing.model_copy(update={"station": moved})}})


def _text(report: BatchReport) -> str:
    return " ".join(str(getattr(block, "text", block)) for block in batch_screen(report).blocks)


def test_one_slip_of_the_drawing_is_not_blamed_on_the_pieces() -> None:
    """One stop drawn 0.58 mm low: the slip is found there, of that size, and told before any piece; the rest of the drawing says so too."""
    report = _batch(31, spec=_redrawn(0.4, -0.58))
    (slip,) = report.slips
    assert (slip.kind, slip.at.feeler_mm) == ("one stop", 0.4)
    assert slip.nominal == pytest.approx(16.22)
    assert slip.off_mm == pytest.approx(0.58, abs=0.1)
    assert slip.drawing_bent
    assert slip.by_others_mm == pytest.approx(16.8, abs=0.1)
    bad = {piece.mouthpiece_id for piece in report.pieces if piece.verdict != "pass"}
    assert len(bad) > 8
    assert bad == set(slip.alone)
    told = _text(report)
    assert told.index("Check the drawing first") < told.index("would be good without it")
    assert "Out of drawing" not in told


def test_a_zero_of_the_gauge_moves_every_stop() -> None:
    """Every stop read 0.45 mm long: one slip, of that size, and the gauge's zero comes first."""
    (slip,) = _batch(32, spec=spec_with(), zero_mm=0.45).slips
    assert slip.kind == "every stop"
    assert slip.off_mm == pytest.approx(0.45, abs=0.08)
    assert "Check the zero of the gauge first" in _text(_batch(32, spec=spec_with(), zero_mm=0.45))


def test_a_longer_drawing_is_no_zero_of_the_gauge() -> None:
    """A drawing 4 % longer all along: stops are off by the more the farther from the tip, so the drawing is asked about and the zero is spoken for."""
    spec = spec_with()
    drawing = spec.drawing[MODEL]
    longer = [station.model_copy(update={"stop_mm": 1.04 * station.stop_mm}) for station in drawing.station]
    report = _batch(
        34, spec=spec.model_copy(update={"drawing": {MODEL: drawing.model_copy(update={"station": tuple(longer)})}})
    )
    slip = report.slips[0]
    assert slip.kind == "every stop"
    assert not slip.even
    told = " ".join(_text(report).split())
    assert "Check the drawing first, then the zero of the gauge. Feelers stop" in told
    assert "a wrong zero would be the same for all of them" in told
    assert slip.least_mm is not None
    assert slip.least_mm == pytest.approx(-0.04 * max(station.stop_mm for station in drawing.station), abs=0.1)


def test_a_size_that_all_pieces_miss() -> None:
    """A bore drawn 0.2 mm small on a limit of 0.15 is asked about; the demo batch, whose faults are single pieces, has no slip."""
    spec = spec_with()
    drawing = spec.drawing[MODEL].model_copy(update={"shank_bore_mm": Feature(nominal=15.8, lower=-0.15, upper=0.15)})
    (slip,) = _batch(33, spec=spec.model_copy(update={"drawing": {MODEL: drawing}})).slips
    assert (slip.kind, slip.at.feature) == ("size", "shank_bore_mm")
    assert slip.off_mm == pytest.approx(0.2, abs=1e-9)
    assert mk.open().batch(pair=False).slips == ()


def test_sound_batches_raise_no_question() -> None:
    """Of 40 seeded batches of 25 made as drawn none is asked about."""
    assert not [seed for seed in range(40) if _batch(1000 + seed, spec=spec_with()).slips]


def test_one_limit_is_enough() -> None:
    """A tip of at most 2.45 fails at 2.50 and says so; one of at least 2.40 passes; words name the one limit."""
    for tolerance, verdict in (({"nominal": 2.4, "upper": 0.05}, "fail"), ({"nominal": 2.45, "lower": -0.05}, "pass")):
        drawing = Drawing(tip_opening_mm=Feature(**tolerance))
        spec = spec_with().model_copy(update={"drawing": {MODEL: drawing}})
        piece, readings = read_piece(Truth(), np.random.default_rng(3))
        judged = judge_batch(shop_of([(piece, readings)]), spec=spec).pieces[0]
        assert judged.verdict == verdict
        assert judged.worst is not None
        assert (judged.worst.low is None) == ("lower" not in tolerance)
        assert judged.beside_mm == tuple(sorted({row.feeler_mm for row in readings}))


def test_a_drawing_of_a_few_stops() -> None:
    """One station and no tip opening judges that stop alone, as the whole drawing does."""
    whole = spec_with()
    one = next(s for s in whole.drawing[MODEL].station if s.feeler_mm == 0.1)
    spec = whole.model_copy(update={"drawing": {MODEL: Drawing(station=(one,))}})
    piece, readings = read_piece(replace(Truth(), left=26.5, right=26.5), np.random.default_rng(4))
    few = judge_batch(shop_of([(piece, readings)]), spec=spec).pieces[0]
    assert few.verdict == "fail"
    full = judge_batch(shop_of([(piece, readings)]), spec=whole).pieces[0]
    mine = next(judged for judged in full.features if judged.at == few.features[0].at)
    assert few.features[0].value == mine.value
    assert few.features[0].u == pytest.approx(mine.u, rel=0.1)  # the slope is that of an arc through it
    with pytest.raises(mk.RequestError, match="gives no whole facing"):
        mk.open().reface("TB-25-07", drawing=True, spec=_written(spec))


def _written(spec: HouseSpec) -> Path:
    import tempfile

    path = Path(tempfile.mkdtemp()) / "house.toml"
    station = spec.drawing[MODEL].station[0]
    path.write_text(
        f"[drawing.{MODEL}]\nstation = [{{feeler_mm = {station.feeler_mm}, stop_mm = {station.stop_mm}, tol_mm = 0.6}}]\n"
    )
    return path


@pytest.mark.parametrize(
    ("given", "words"),
    [
        ({"station": []}, "one size at least"),
        ({"tip_opening_mm": {"nominal": 2.0}}, "a lower or an upper tolerance"),
        ({"station": [{"feeler_mm": 0.1, "feeler_in": 0.004, "stop_mm": 20, "tol_mm": 1}]}, "either feeler_mm or feeler_in"),
    ],
)
def test_a_drawing_that_says_nothing_is_refused(given: dict[str, Any], words: str) -> None:
    """No size, no limit, or one size twice."""
    with pytest.raises(ValueError, match=words):
        Drawing(**given)


def test_inches() -> None:
    """A stop in inches is 25.4 mm an inch (exact by definition, 1959), in a drawing and in a table."""
    station = Station(feeler_in=0.004, stop_in=0.85, tol_in=0.02)  # type: ignore[call-arg]
    assert (station.feeler_mm, station.stop_mm, station.tol_mm) == pytest.approx((0.1016, 21.59, 0.508))


def test_inches_in_a_table(tmp_path: Path) -> None:
    """A column stop_in beside feeler_in is read as millimetres."""
    from matchkit.tables.read.csv import read_csv
    from matchkit.tables.source import SourceReading

    path = tmp_path / "facings.csv"
    path.write_text("mouthpiece_id,rail,feeler_in,stop_in\nM,left,0.0015,0.85\n")
    reading = SourceReading(str(path), {"facings": read_csv(path, FacingReading)})
    ((_, row),) = list(reading.rows("facings", FacingReading))
    assert row.stop_mm == pytest.approx(21.59)


def test_a_scan_in_inches(tmp_path: Path) -> None:
    """Columns x_in and height_in are read as millimetres."""
    from matchkit.records.parts import LayPoint
    from matchkit.tables.read.csv import read_csv
    from matchkit.tables.source import SourceReading

    path = tmp_path / "lay_points.csv"
    path.write_text("mouthpiece_id,rail,x_in,height_in\nM,left,0.5,0.01\n")
    ((_, row),) = list(SourceReading(str(path), {"lay_points": read_csv(path, LayPoint)}).rows("lay_points", LayPoint))
    assert (row.x_mm, row.height_mm) == pytest.approx((12.7, 0.254))


@pytest.mark.parametrize(
    ("feature", "limits"),
    [
        ("shank_bore_mm", Feature(nominal=15.8, lower=-0.1)),
        ("tip_opening_mm", Feature(nominal=2.55, lower=-0.1, upper=0.0)),
    ],
)
def test_limits_that_are_not_about_the_nominal(feature: str, limits: Feature) -> None:
    """Pieces in the middle of what is allowed, or beyond the nominal away from the one limit, raise no question."""
    spec = spec_with()
    drawing = spec.drawing[MODEL].model_copy(update={feature: limits})
    assert _batch(34, spec=spec.model_copy(update={"drawing": {MODEL: drawing}})).slips == ()


def test_how_far_off_in_parts_of_what_is_allowed() -> None:
    """By hand: two limits about their middle, one limit from the nominal on, a limit at the nominal."""
    base = {"feature": "x", "rail": None, "feeler_mm": None, "u": 0.1, "probability": 1.0, "verdict": "pass", "critical": True}
    cases = [
        (2.5, 2.55, 2.45, 2.55, 0.0),
        (2.55, 2.55, 2.45, 2.55, 1.0),
        (5.0, 4.0, 3.0, None, 0.0),
        (3.5, 4.0, 3.0, None, -0.5),
    ]
    for value, nominal, low, high, share in cases:
        judged = Judged(**base, value=value, nominal=nominal, low=low, high=high)  # type: ignore[arg-type]
        assert judged.share == pytest.approx(share)


def test_a_drawing_of_the_rails_alone() -> None:
    """Only how far the rails may differ: judged over the feelers that both have."""
    spec = spec_with().model_copy(update={"drawing": {MODEL: Drawing(rail_difference_mm=0.15)}})
    good = judge_batch(shop_of([read_piece(Truth(), np.random.default_rng(5))]), spec=spec).pieces[0]
    assert good.verdict == "pass"
    bad = judge_batch(shop_of([read_piece(replace(Truth(), left=27.0), np.random.default_rng(6))]), spec=spec).pieces[0]
    assert bad.verdict == "fail"
    assert bad.fault is not None
    assert bad.fault.rail == "left"


def test_a_slip_does_not_hide_what_is_wrong_with_a_piece(tmp_path: Path) -> None:
    """The demo batch under a drawing with one slip: the faults of the sound drawing are named as before, and near ones are to be read again, not worked on."""
    text = (shipped("data/demo") / "house.toml").read_text(encoding="utf-8")
    path = tmp_path / "house.toml"
    path.write_text(text.replace("feeler_mm = 0.4, stop_mm = 16.80", "feeler_mm = 0.4, stop_mm = 17.80"), encoding="utf-8")
    house = mk.open()
    sound, slipped = house.batch(pair=False), house.batch(pair=False, spec=path)
    for before, after in zip(sound.pieces, slipped.pieces, strict=True):
        if before.fault is not None:
            assert after.fault is not None
            assert (after.fault.kind, after.fault.sure) == (before.fault.kind, before.fault.sure)
    told = _text(slipped)
    assert "take material off there" not in told.replace("baffle 0.82 mm too high at 5 mm: take material off there", "")
    assert told.index("Read tip opening twice more") > told.index("Out of drawing")


def test_two_pieces_have_a_mean_and_its_doubt() -> None:
    """Standard error of a mean of two (analytic); of one alone nothing is known."""
    two = _off([(1.0, 0.1), (1.2, 0.1)])
    assert two.u == pytest.approx(0.1)
    assert _off([(1.0, 0.1)]).u == np.inf


def test_a_shift_of_all_hides_neither_a_fault_nor_a_drift(tmp_path: Path) -> None:
    """All tips of the demo batch 0.15 mm more open: the shift is asked about, the one that was out for its tip still is, and the drift is what it was."""

    def open_it(row: dict[str, str]) -> dict[str, str]:
        return {**row, "tip_opening_mm": f"{float(row['tip_opening_mm']) + 0.15:.3f}"}

    before, folder = mk.open().batch(pair=False), changed_batch(tmp_path, "mouthpieces", open_it)
    after = mk.open().batch(folder, pair=False)
    (slip,) = after.slips
    assert slip.at.feature == "tip_opening_mm"
    assert slip.off_mm == pytest.approx(0.15, abs=0.01)
    assert "TB-25-13" not in slip.alone
    faults = {piece.mouthpiece_id: piece.fault for piece in after.pieces}
    fault = faults["TB-25-13"]
    assert fault is not None
    assert (fault.kind, round(fault.size, 2)) == ("tip too open", 0.34)  # as it was read against the drawing
    assert "which changes these sizes" in _text(after)
    assert "which changes these sizes" not in _text(before)
    slopes = [
        next(item.chart.slope for item in report.features if item.feature == "tip_opening_mm" and item.chart is not None)
        for report in (before, after)
    ]
    assert slopes[0] == pytest.approx(slopes[1], rel=1e-6)
    assert slopes[0] != 0


def test_one_bad_piece_hides_no_slip_and_three_stations_are_enough() -> None:
    """Mean and standard error are those without a piece far off; a drawing of three stations, all stops 0.6 mm long, has one slip of every stop."""
    rng = np.random.default_rng(6)
    offs = rng.normal(-0.4, 0.05, 20)
    column = [(value, value) for value in (*offs, 3.0)]
    found = _off(column)
    assert found.mean == pytest.approx(float(offs.mean()), abs=0.02)
    assert found.u == pytest.approx(float(offs.std(ddof=1)) / np.sqrt(20), rel=0.2)
    spec = spec_with()
    drawing = spec.drawing[MODEL]
    few = drawing.model_copy(update={"station": drawing.station[1:6:2]})
    assert len(few.station) == 3
    (slip,) = _batch(41, spec=spec.model_copy(update={"drawing": {MODEL: few}}), zero_mm=0.6).slips
    assert slip.kind == "every stop"
    assert slip.off_mm == pytest.approx(0.6, abs=0.1)


def test_rails_that_are_all_short_ask_about_the_gauge_first(tmp_path: Path) -> None:
    """The left rail of every piece read 0.3 mm shorter: how pieces lie in the gauge, and the jig, come before any of them."""

    def shorten(row: dict[str, str]) -> dict[str, str]:
        return {**row, "stop_mm": f"{float(row['stop_mm']) - (0.3 if row['rail'] == 'left' else 0.0):.2f}"}

    report = mk.open().batch(changed_batch(tmp_path, "facings", shorten), pair=False)
    slip = next(slip for slip in report.slips if slip.at.feature == "rail_difference_mm")
    assert slip.off_mm == pytest.approx(-0.3, abs=0.03)
    sound = {piece.mouthpiece_id for piece in mk.open().batch(pair=False).pieces if piece.verdict == "pass"}
    short = [piece for piece in report.pieces if piece.fault is not None and piece.fault.kind == "rail short"]
    assert not {piece.mouthpiece_id for piece in short} & sound
    told = _text(report)
    assert "Check how a piece lies in the gauge, and the jig it was made on. The left rail is 0.3" in told
    assert told.index("jig") < told.index("Out of drawing")


def test_a_slip_of_the_drawing_turns_no_fault_round(tmp_path: Path) -> None:
    """One stop typed 18.6 for 16.8: the piece that is long everywhere is told as long, whatever that station says, and nothing is to be taken off there."""
    text = (shipped("data/demo") / "house.toml").read_text(encoding="utf-8")
    assert "stop_mm = 16.80" in text
    path = tmp_path / "house.toml"
    path.write_text(text.replace("stop_mm = 16.80", "stop_mm = 18.60"), encoding="utf-8")
    report = mk.open().batch(spec=path, pair=False)
    fault = next(piece.fault for piece in report.pieces if piece.mouthpiece_id == "TB-25-18")
    assert fault is not None
    assert fault.kind == "stop long"
    assert 0.5 < fault.size < 1.3


def test_a_limit_typed_for_a_tolerance_is_asked_about(tmp_path: Path) -> None:
    """``upper = 2.58`` of a nominal of 2.50: refused with the tolerance that was perhaps meant; a small nominal may have a tolerance of its own size."""
    text = (shipped("data/demo") / "house.toml").read_text(encoding="utf-8")
    path = tmp_path / "house.toml"
    path.write_text(
        text.replace("nominal = 2.50, lower = -0.08, upper = 0.08", "nominal = 2.50, upper = 2.58"), encoding="utf-8"
    )
    with pytest.raises(mk.DataError, match=r"upper as a tolerance above the nominal, as 0\.08"):
        mk.open().batch(spec=path, pair=False)
    assert Feature(nominal=0.01, upper=0.01).upper == 0.01


def test_a_batch_off_in_many_sizes_is_one_paragraph(tmp_path: Path) -> None:
    """Three stops 0.7 mm long on every piece, the tip 0.09 mm open: one question, all sizes under it; pieces out only for that are counted by themselves, and what passes as read stays good."""
    folder = changed_batch(
        tmp_path,
        "facings",
        lambda row: (
            {**row, "stop_mm": f"{float(row['stop_mm']) + 0.7:.2f}"} if row["feeler_mm"] in ("0.1", "0.2", "0.4") else row
        ),
    )
    edit_table(
        folder,
        "mouthpieces",
        lambda rows: [{**row, "tip_opening_mm": f"{float(row['tip_opening_mm']) + 0.09:.2f}"} for row in rows],
    )
    report = mk.open().batch(folder, pair=False)
    told = _text(report)
    assert told.count("Check the drawing first") == 1
    assert "The whole batch is off, on average over 40 pieces: the 0.1, 0.2 and 0.4 mm feelers stop 0.7" in told
    assert "tip opening is 0.09 ± 0.01 mm larger than drawn (2.5)" in told
    sound = mk.open().batch(pair=False)
    counted = re.search(r"(\d+) out of drawing, (\d+) out only by what the whole batch is off", told)
    assert counted is not None
    out, only = map(int, counted.groups())
    assert out + only == report.counts["fail"]
    assert abs(out - sound.counts["fail"]) <= 1
    good = {piece.mouthpiece_id for piece in sound.pieces if piece.verdict == "pass"} - {"TB-25-40"}
    assert {name for slip in report.slips for name in slip.alone} >= good
    (scanned,) = (piece for piece in report.pieces if piece.mouthpiece_id == "TB-25-40")
    assert scanned.fault is None or scanned.fault.feature != "stop_mm"


def test_a_coarse_scale_makes_no_slip_of_nothing() -> None:
    """Five pieces alike on a scale of half a millimetre, 0.1 mm off with 0.05 mm of doubt each: their scatter of nothing makes no batch that is off."""
    column = [(0.1, 0.67)] * 5
    assert _off(column).sure
    assert not _off(column, 0.06).sure
    assert _off([(0.1, 0.67)] * 25, 0.06).sure


@pytest.mark.parametrize(("factor", "hint"), [(1 / 25.4, "inches"), (0.1, "centimetres"), (10.0, "tenths")])
def test_a_drawing_whose_stops_are_in_another_unit_is_asked_about(factor: float, hint: str) -> None:
    """Every stop so many times what was read: nothing is judged by it. A facing half as long, or off by 1 mm, is no other unit."""
    spec = spec_with()
    drawing = spec.drawing[MODEL]
    _, readings = read_piece(Truth(), np.random.default_rng(7))

    def drawn(by: float, off: float = 0.0) -> Drawing:
        stations = tuple(station.model_copy(update={"stop_mm": station.stop_mm * by + off}) for station in drawing.station)
        return drawing.model_copy(update={"station": stations})

    problem = in_another_unit(MODEL, readings, drawn(factor))
    assert problem is not None
    assert hint in problem.hint
    assert problem.column == f"drawing.{MODEL}.station"
    for by, off in ((1.0, 0.0), (1.0, 1.0), (0.5, 0.0), (2.0, 0.0)):
        assert in_another_unit(MODEL, readings, drawn(by, off)) is None
    piece, _ = read_piece(Truth(), np.random.default_rng(7))
    wrong = spec.model_copy(update={"drawing": {MODEL: drawn(factor), "X": drawing}})
    other = piece.model_copy(update={"id": "Y", "model": "X"})
    both = [(piece, readings), (other, [reading.model_copy(update={"mouthpiece_id": "Y"}) for reading in readings])]
    report = judge_batch(shop_of(both), spec=wrong)
    assert [one.mouthpiece_id for one in report.pieces] == ["Y"]
    assert [one.mouthpiece_id for one in report.set_aside] == ["X"]
    with pytest.raises(mk.DataError):
        judge_batch(shop_of(both[:1]), spec=wrong)


def test_one_stop_that_stands_out_is_read_again_first() -> None:
    """A stop misread by 1.2 mm, at the thinnest feeler or within: no rail is to be lengthened for it, in batch or facing; a rail short all along is."""
    spec = spec_with()
    for feeler in (0.038, 0.2):
        piece, readings = read_piece(Truth(), np.random.default_rng(8))
        slipped = [
            row.model_copy(update={"stop_mm": row.stop_mm - 1.2}) if (row.rail, row.feeler_mm) == ("left", feeler) else row
            for row in readings
        ]
        report = judge_batch(shop_of([(piece, slipped)]), spec=spec)
        fault = report.pieces[0].fault
        assert fault is not None
        assert (fault.kind, fault.feeler_mm, fault.rail) == ("rails uneven", feeler, "left")
        assert "read that feeler again" in " ".join(lay_out(batch_screen(report)).split())
        told = facing_report(piece, slipped, (), defaults=read_defaults(), spec=spec)
        text = " ".join(lay_out(facing_screen(told)).split())
        assert "lengthen" not in text
        assert "again" in text
    piece, readings = read_piece(replace(Truth(), left=27.3), np.random.default_rng(8))
    fault = judge_batch(shop_of([(piece, readings)]), spec=spec).pieces[0].fault
    assert fault is not None
    assert fault.kind == "rail short"
