"""Scanned pieces as a maker meets them: tilted tables, a tip that was typed wrong, one size for one fault, and what a batch says of its scans."""

from __future__ import annotations

import csv
import shutil
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from click.testing import CliRunner
from maker_shop import DRAWN, MODEL, spec_with
from numpy.typing import NDArray

import matchkit as mk
from matchkit.cli import main
from matchkit.cli.printing import lay_out
from matchkit.files import shipped
from matchkit.maker.conformity.batch import judge_batch
from matchkit.maker.conformity.judged import Judged, fault_of
from matchkit.maker.measure.report import FacingReport, facing_report
from matchkit.maker.measure.scanned import tip_by_scans, tip_unlike_scans
from matchkit.maker.measure.stations import Apart, mean_apart
from matchkit.maker.pieces import Pieces, gather
from matchkit.physics.lay.level import _bend, _is_straight, level
from matchkit.physics.lay.scan import _off_line, find_specks
from matchkit.records.parts import LayPoint, Mouthpiece
from matchkit.tables.defaults import read_defaults
from matchkit.words.maker.batch.screen import batch_screen
from matchkit.words.maker.facing import facing_screen

Array = NDArray[np.float64]

TIP, BREAK = 2.5, 28.0
X = np.arange(0.0, 36.01, 0.25)


def heights(x: Array, *, edge: float = BREAK, bump_mm: float = 0.0) -> Array:
    """Return an arc's parabola that leaves the table at ``edge``, with a bump 3 mm wide at 12 mm where there is one."""
    return np.asarray(
        TIP * np.clip(1 - x / (edge + (BREAK - edge) * np.exp(-x / 2)), 0, None) ** 2
        - bump_mm * np.exp(-(((x - 12) / 1.3) ** 2))
    )


def points_of(name: str, rails: dict[str, Array], x: Array = X) -> list[LayPoint]:
    """Return the scans of a piece."""
    return [
        LayPoint(mouthpiece_id=name, rail=rail, x_mm=float(a), height_mm=round(float(b), 4))
        for rail, scan in rails.items()
        for a, b in zip(x, scan, strict=True)
    ]


def piece_of(name: str, serial: int = 1, tip: float = TIP) -> Mouthpiece:
    """Return a piece with the sizes of the drawing."""
    sizes: dict[str, Any] = {column: feature.nominal for column, feature in DRAWN.items() if column != "tip_opening_mm"}
    return Mouthpiece(id=name, model=MODEL, serial=f"{serial:03d}", instrument="tenor", tip_opening_mm=tip, **sizes)


def noisy(shape: Array, rng: np.random.Generator, noise: float = 3e-3) -> Array:
    """Add noise in mm."""
    return np.asarray(shape + rng.normal(0, noise, len(shape)))


def report_of(points: list[LayPoint], *, tip: float = TIP) -> FacingReport:
    """Measure one scanned piece."""
    return facing_report(piece_of("S", tip=tip), (), points, defaults=read_defaults(), spec=spec_with(), draws=300)


def shop(scans: list[dict[str, Array]], tips: list[float] | None = None) -> Pieces:
    """Put scanned pieces together as a batch."""
    names = [f"S{number}" for number in range(len(scans))]
    pieces = [piece_of(name, k + 1, TIP if tips is None else tips[k]) for k, name in enumerate(names)]
    return gather(pieces, (), [point for name, rails in zip(names, scans, strict=True) for point in points_of(name, rails)])


def on_one_line(answer: Any) -> str:
    """Return a screen as one line."""
    return " ".join(lay_out(answer).split())


@pytest.mark.parametrize("tilt", [-15.0, -8.0, -5.0, 5.0, 8.0, 15.0])
def test_a_table_far_out_of_level_is_still_the_table(tilt: float) -> None:
    """A line over 8 mm with 3 µm of noise: its slope is told to 4 standard errors, and the facing ends where it does (the truth was put in)."""
    rng = np.random.default_rng([81, int(tilt) + 50])
    for _ in range(5):
        shape = heights(X) + tilt / 1000 * (X - 20)
        found = level(X / 1000, noisy(shape, rng) / 1000)
        assert found.table_seen
        assert found.tilt_seen
        assert found.tilt * 1000 == pytest.approx(tilt, abs=1.6)
    rails = {rail: noisy(heights(X) + tilt / 1000 * (X - 20), rng) for rail in ("left", "right")}
    report = report_of(points_of("S", rails))
    assert report.facing_length_mm == pytest.approx(BREAK * (1 - (0.038 / TIP) ** 0.5), abs=3.5 * report.u_facing_length_mm)
    assert "indicator runs off by" in on_one_line(facing_screen(report))
    assert "zero it there" not in on_one_line(facing_screen(report))


@pytest.mark.parametrize("end", [21.0, 24.0, 26.0])
def test_the_end_of_a_lay_is_no_tilted_table(end: float) -> None:
    """A scan that stops before the break bends to its end; nothing of it is taken for a table, whatever its slope there."""
    rng = np.random.default_rng(82)
    for spacing, noise in ((0.1, 3e-3), (0.25, 3e-3), (0.25, 10e-3), (0.5, 3e-3)):
        x = np.arange(0.0, end + 1e-9, spacing)
        for _ in range(10):
            found = level(x / 1000, noisy(heights(x), rng, noise) / 1000)
            assert not found.table_seen or abs(found.tilt) < 5e-3


def test_noise_is_no_dust() -> None:
    """In 300 sound scans, 0.1 and 0.25 mm, no point is left out; one of 40 µm is found in all of 20."""
    rng = np.random.default_rng(83)
    for spacing in (0.1, 0.25):
        x = np.arange(0.0, 36.01, spacing)
        assert sum(len(find_specks(x / 1000, noisy(heights(x), rng) / 1000)) for _ in range(150)) == 0
        for _ in range(20):
            y = noisy(heights(x), rng)
            place = int(rng.integers(10, len(x) - 10))
            y[place] += 0.04
            assert place in [at for at, _ in find_specks(x / 1000, y / 1000)]


def test_a_loose_indicator_is_told_as_such() -> None:
    """Twenty µm of scatter: the table is still seen, and the scatter told within a quarter."""
    rng = np.random.default_rng(84)
    rails = {rail: noisy(heights(X), rng, 0.02) for rail in ("left", "right")}
    report = report_of(points_of("S", rails))
    assert [scan.noise_um for scan in report.scans] == pytest.approx([20, 20], rel=0.25)
    text = on_one_line(facing_screen(report))
    assert "Points scatter by" in text
    assert "too little of the table" not in text


def test_a_tip_that_was_typed_wrong_is_held_against_the_scan() -> None:
    """A scan that leads to 2.5 mm (the height that was put in at the tip) asks about 2.7; right ones, 40 of them, are not asked about."""
    rng = np.random.default_rng(85)
    for _ in range(40):
        rails = {rail: noisy(heights(X) + rng.normal(0, 1e-3) * X, rng) for rail in ("left", "right")}
        scans = report_of(points_of("S", rails)).scans if _ == 0 else ()
        found = judge_batch(shop([rails]), spec=spec_with()).pieces[0].scans
        assert tip_unlike_scans(TIP + rng.normal(0, 0.02), 0.02, found) is None
        if scans:
            assert found == scans or [one.tip_mm for one in found] == pytest.approx([one.tip_mm for one in scans])
    tip = tip_by_scans(found)
    assert tip is not None
    assert tip[0] == pytest.approx(TIP, abs=4 * tip[1])
    words = f"{tip[0]:.2f} mm, not 2.70"
    assert words in on_one_line(facing_screen(report_of(points_of("S", rails), tip=2.7)))
    assert words in on_one_line(batch_screen(judge_batch(shop([rails], [2.7]), spec=spec_with())))
    later = points_of("S", {"left": heights(X)[8:]}, X[8:])
    assert report_of(later).scans[0].tip_mm is None


def test_one_fault_has_one_size() -> None:
    """Facing and batch read a scan at the feelers of the drawing: the mean difference of the rails, its doubt and each stop are the same numbers."""
    rng = np.random.default_rng(86)
    rails = {"left": noisy(heights(X, edge=BREAK - 0.8), rng), "right": noisy(heights(X), rng)}
    report = report_of(points_of("S", rails))
    piece = judge_batch(shop([rails]), spec=spec_with()).pieces[0]
    mean = next(one for one in piece.features if one.feature == "rail_difference_mm" and one.feeler_mm is None)
    assert (report.rails.mean_mm, report.rails.u_mean_mm) == pytest.approx((mean.value, mean.u), rel=0.02)
    assert report.rails.mean_mm == pytest.approx(mean.value, abs=1e-9)
    drawn = {one.feeler_mm: one.value for one in piece.features if one.feature == "stop_mm" and one.rail == "left"}
    assert {round(row.feeler_mm, 4): row.left_mm for row in report.stations} == pytest.approx(drawn)
    told = on_one_line(batch_screen(judge_batch(shop([rails]), spec=spec_with())))
    words = f"left rail {abs(mean.value):.2f} mm short on average"
    assert words in told
    assert words.replace("rail", "rail is") in on_one_line(facing_screen(report))


def test_a_bump_on_one_scanned_rail_lengthens_none() -> None:
    """Sixty µm on the left rail alone, 20 seeded pieces: of those that fail at most one is told that a rail is short all along."""
    rng = np.random.default_rng(87)
    scans = [{"left": noisy(heights(X, bump_mm=0.06), rng), "right": noisy(heights(X), rng)} for _ in range(20)]
    report = judge_batch(shop(scans), spec=spec_with())
    kinds = [piece.fault.kind for piece in report.pieces if piece.fault is not None and piece.verdict == "fail"]
    assert len(kinds) >= 3
    assert set(kinds) <= {"rails uneven", "rail short"}
    assert kinds.count("rail short") <= 1


def test_a_batch_says_once_what_its_scans_were_off() -> None:
    """Zero and tilt are told with how far they go and on how many pieces; a scan that shows no table is to go on, and is not asked for again."""
    rng = np.random.default_rng(88)
    scans = [{rail: noisy(heights(X) + 0.05, rng) for rail in ("left", "right")} for _ in range(6)]
    scans += [{rail: noisy(heights(X) + 0.008 * X, rng) for rail in ("left", "right")} for _ in range(2)]
    text = on_one_line(batch_screen(judge_batch(shop(scans), spec=spec_with())))
    assert text.count("On the table the indicator reads") == 1
    assert "mm off on 6 scanned pieces: zero it there" in text
    assert "µm a millimetre on 2 scanned pieces: level the piece" in text
    x = X[X <= 26]
    names = ["A", "B"]
    short = gather(
        [piece_of(name, k + 1) for k, name in enumerate(names)],
        (),
        [p for name in names for p in points_of(name, {rail: noisy(heights(x), rng) for rail in ("left", "right")}, x)],
    )
    text = on_one_line(batch_screen(judge_batch(short, spec=spec_with())))
    assert "Too little of the table was scanned on A, B" in text
    assert "twice more" not in text


def test_a_hole_on_both_rails_is_one_line() -> None:
    """One and a half millimetres without a point, of both rails: where, once."""
    rng = np.random.default_rng(89)
    kept = (X < 12) | (X > 13.5)
    rails = {rail: noisy(heights(X), rng)[kept] for rail in ("left", "right")}
    text = on_one_line(facing_screen(report_of(points_of("S", rails, X[kept]))))
    assert text.count("No point from") == 1
    assert "on both rails" in text


def test_a_house_toml_beside_the_pieces_is_taken(tmp_path: Path) -> None:
    """Its drawing is that of facing, batch, history, reface and record, the closing range of the reeds stays that of the house, and it is told which was taken."""
    folder = Path(shutil.copytree(shipped("data/demo-bench/batch"), tmp_path / "batch"))
    drawn = (shipped("data/demo") / "house.toml").read_text(encoding="utf-8")
    head, tail = drawn.split("[closing_range]")
    text = head + tail[tail.index("[drawing") :].replace("rail_difference_mm = 0.15", "rail_difference_mm = 0.9")
    (folder / "house.toml").write_text(text, encoding="utf-8")
    house = mk.open()
    assert house.facing("TB-25-07").rails.limit_mm == 0.15
    assert house.facing("TB-25-07", pieces=folder).rails.limit_mm == 0.9
    report = house.batch(folder, draws=200)
    limits = {one.high for piece in report.pieces for one in piece.features if one.feature == "rail_difference_mm"}
    assert limits == {0.9}
    assert report.pairings
    own = tmp_path / "other.toml"
    own.write_text(text.replace("rail_difference_mm = 0.9", "rail_difference_mm = 0.7"), encoding="utf-8")
    assert house.facing("TB-25-07", pieces=folder, spec=own).rails.limit_mm == 0.7
    for words in (
        ("facing", "TB-25-07", "--pieces", str(folder)),
        ("batch", str(folder), "--no-pairing"),
        ("batch", str(folder), str(folder)),
    ):
        done = CliRunner().invoke(main, words)
        assert f"house.toml beside the pieces: {folder / 'house.toml'}" in done.stderr
    assert (
        CliRunner()
        .invoke(main, ["reface", "TB-25-07", "--pieces", str(folder), "--to", str(own), "--house", str(own)])
        .exit_code
        == 2
    )
    other = Path(shutil.copytree(folder, tmp_path / "second"))
    (other / "house.toml").write_text(
        text.replace("rail_difference_mm = 0.15", "rail_difference_mm = 0.01").replace(
            "rail_difference_mm = 0.9", "rail_difference_mm = 0.01"
        ),
        encoding="utf-8",
    )
    both = CliRunner().invoke(main, ["batch", str(folder), str(other)])  # each by its own
    out = [house.batch(place, pair=False).counts["fail"] for place in (folder, other)]
    assert out[0] < out[1]
    assert f"second (40 pieces, {out[1]} out of drawing) against batch (40 pieces, {out[0]} out)" in " ".join(
        both.stdout.split()
    )
    assert both.stderr.count("house.toml beside the pieces") == 2


def _scan_rows(name: str, rails: dict[str, Array], x: Array = X) -> list[dict[str, str]]:
    return [
        {"mouthpiece_id": name, "rail": rail, "x_mm": f"{a:.4f}", "height_mm": f"{b:.4f}"}
        for rail, scan in rails.items()
        for a, b in zip(x, scan, strict=True)
    ]


def _folder(tmp_path: Path, rows: list[dict[str, str]]) -> Path:
    """Write scans of pieces S0, S1 and so on, with their mouthpieces."""
    folder = tmp_path / "scans"
    folder.mkdir()
    names = list(dict.fromkeys(row["mouthpiece_id"] for row in rows))
    about = [
        {key: str(value) for key, value in piece_of(name, k + 1).model_dump(exclude_none=True).items()}
        for k, name in enumerate(names)
    ]
    for table, written in (("mouthpieces", about), ("lay_points", rows)):
        with (folder / f"{table}.csv").open("w", encoding="utf-8", newline="") as file:
            writer = csv.DictWriter(file, list(written[0]))
            writer.writeheader()
            writer.writerows(written)
    return folder


def _told(tmp_path: Path, rows: list[dict[str, str]]) -> list[Any]:
    rng = np.random.default_rng(90)
    sound = _scan_rows("good", {rail: noisy(heights(X), rng) for rail in ("left", "right")})
    report = mk.open().batch(_folder(tmp_path, [*sound, *rows]), pair=False)
    assert [piece.mouthpiece_id for piece in report.pieces] == ["good"]
    return [problem for one in report.set_aside for problem in one.problems]


@pytest.mark.parametrize(("factor", "hint"), [(25.4, "inches"), (10.0, "centimetres")])
def test_places_of_a_scan_in_another_unit(tmp_path: Path, factor: float, hint: str) -> None:
    """A tenor facing that ends an inch's number of millimetres from the tip is asked about, rail by rail; the sound piece is judged."""
    rails = {rail: heights(X) for rail in ("left", "right")}
    problems = _told(tmp_path, _scan_rows("bad", rails, X / factor))
    assert {(problem.column, problem.source) for problem in problems} == {("x_mm", "lay_points.csv")}
    assert all(hint in problem.hint for problem in problems)
    assert len(problems) == 2


@pytest.mark.parametrize(("place", "row"), [(0, 0), (len(X) - 1, len(X) - 1)])
def test_a_speck_at_either_end_is_named_itself(tmp_path: Path, place: int, row: int) -> None:
    """Two tenths too high on the first or the last point: that row is named, and none beside it."""
    left = heights(X)
    left[place] += 0.2
    rows = _scan_rows("bad", {"left": left, "right": heights(X)})
    (problem,) = _told(tmp_path, rows)
    assert problem.row == 2 + 2 * len(X) + row
    assert "as its neighbours" in problem.expected


def test_two_heights_at_one_place(tmp_path: Path) -> None:
    """The second one is told as a double, and the first, which is right, is not called dust."""
    rows = _scan_rows("bad", {"left": heights(X), "right": heights(X)})
    rows.insert(41, {**rows[40], "height_mm": f"{float(rows[40]['height_mm']) + 0.15:.4f}"})
    (problem,) = _told(tmp_path, rows)
    assert problem.row == 2 + 2 * len(X) + 41
    assert "each one once" in problem.expected


def test_what_follows_from_rows_that_cannot_be_read_is_not_told(tmp_path: Path) -> None:
    """Heights with their sign turned: asked about as such, and the scan that they leave short is not told as well."""
    problems = _told(tmp_path, _scan_rows("bad", {"left": -heights(X), "right": heights(X)}))
    assert {problem.hint for problem in problems} == {"all 62 of bad would be right as numbers with their sign turned"}


def test_a_scan_that_ends_on_a_table_far_off_is_asked_about(tmp_path: Path) -> None:
    """Three quarters of a millimetre high on a straight line at the end: whether table and zero are right."""
    rails = {rail: heights(X) + 0.75 for rail in ("left", "right")}
    problems = _told(tmp_path, _scan_rows("bad", rails))
    assert all("level, and its zero set there?" in problem.hint for problem in problems)
    assert problems


def test_the_bend_of_a_lay_tells_its_end_from_a_table() -> None:
    """Six millimetres of a parabola bend by ``tip / length^2`` (analytic) and are no line; a line tilted by 12 µm a millimetre is one."""
    rng = np.random.default_rng(91)
    for end in (24.0, 26.0, 27.5):
        x = np.arange(end - 6, end, 0.25) / 1000
        for _ in range(20):
            assert not _is_straight(x, noisy(heights(x * 1000), rng) / 1000, 3e-6)
            assert _is_straight(x, noisy(0.012 * x * 1000, rng) / 1000, 3e-6)
    bend, gain = _bend(x, TIP / 1000 * (x / (BREAK / 1000)) ** 2)
    assert bend == pytest.approx(TIP / BREAK**2 * 1000)
    assert gain > 0


def test_a_point_between_its_neighbours_swing_is_no_dust() -> None:
    """Heights of -9, 9, -10, 9, -9 µm: the cubic through the outer four is 25 µm off the middle one, the line beside it only 19, 5.2 standard deviations of 3 µm (arithmetic)."""
    x = np.arange(5.0)[None, :] * 0.25e-3
    y = np.array([-9, 9, -10, 9, -9]) * 1e-6
    beside, places = np.array([[1, 3]]), np.array([[2]])
    off = y[places] - y[[1, 3]].mean()
    found = _off_line(x[0], y, beside, places, off)
    assert found[0, 0] == pytest.approx(19e-6 / 1.5**0.5)
    assert _off_line(x[0], y, beside, places, -off)[0, 0] == 0
    rng = np.random.default_rng(94)
    scan = rng.permutation(np.tile([-3e-6, -1e-6, 1e-6, 3e-6, 4e-6, -4e-6], 24))
    scan[70:75] = y
    assert 72 not in [place for place, _ in find_specks(0.25e-3 * np.arange(float(len(scan))), scan)]


def test_a_scan_without_a_table_fails_nothing() -> None:
    """A zero 0.2 mm off on one rail, which nothing shows: no verdict of rails or stops, and no tip that is held against the one measured."""
    rng = np.random.default_rng(93)
    x = X[X <= 26]
    rails = {"left": noisy(heights(x) + 0.1, rng), "right": noisy(heights(x), rng)}
    pieces = gather([piece_of("S")], (), points_of("S", rails, x))
    (piece,) = judge_batch(pieces, spec=spec_with()).pieces
    assert [scan.zero_um for scan in piece.scans] == [None, None]
    assert [scan.tip_mm for scan in piece.scans] == [None, None]
    assert piece.verdict == "inconclusive"
    assert not [one for one in piece.features if one.verdict == "fail"]
    assert "cannot be told from scans that show so little of the table" in on_one_line(
        facing_screen(report_of(points_of("S", rails, x)))
    )


def test_the_planes_of_two_scans_do_not_average_out() -> None:
    """Own doubts go with 1 over the root of their number, a plane moves all feelers together (first order, analytic)."""
    apart = [Apart(feeler, 0.1, 0.04, np.array([0.03, 0.02])) for feeler in (0.1, 0.2, 0.4, 0.6)]
    assert mean_apart(apart) == pytest.approx((0.1, (0.02**2 + 0.03**2 + 0.02**2) ** 0.5))
    assert apart[0].u_mm == pytest.approx((0.04**2 + 0.03**2 + 0.02**2) ** 0.5)
    assert mean_apart([]) is None


def test_a_mean_that_one_feeler_makes_is_named_there() -> None:
    """A mean of 0.18 that is 0.8 at one feeler and little elsewhere is no short rail; one that falls with the feeler is, as on a shorter arc."""

    def fault(values: list[float]) -> Any:
        feelers = (0.038, 0.1, 0.2, 0.4, 0.6, 0.9)

        def judged(value: float, feeler: float | None) -> Judged:
            return Judged("rail_difference_mm", None, feeler, -value, 0.03, 0.0, -0.1, 0.1, 0.0, "fail", critical=True)

        mean = judged(sum(values) / len(values), None)
        return fault_of(mean, [mean, *(judged(value, feeler) for value, feeler in zip(values, feelers, strict=True))])

    bump = fault([0.05, 0.05, 0.06, 0.05, 0.8, 0.07])
    assert (bump.kind, bump.feeler_mm, bump.size, bump.rail) == ("rails uneven", 0.6, pytest.approx(0.8), "left")
    short = fault([0.5, 0.45, 0.4, 0.33, 0.28, 0.22])
    assert (short.kind, short.feeler_mm) == ("rail short", None)
