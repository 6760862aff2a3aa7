"""The uncertainties of a facing: against the guide's examples, against simulation, and the table that readings rest on."""

from __future__ import annotations

import math
import shutil
from functools import partial
from pathlib import Path

import numpy as np
import pytest
import scipy.stats
from conftest import edit_table
from maker_shop import FEELERS_MM, Truth, measured, read_piece, replace, spec_with, stop_of

import matchkit as mk
from matchkit.facts import Assumed
from matchkit.files import shipped
from matchkit.maker.batch import gauge_from
from matchkit.maker.facts import TableFound
from matchkit.maker.measure.monte_carlo import chance_limit, disturb, monte_carlo, scatter_between, table_test
from matchkit.maker.measure.report import facing_report, gauge_assumed
from matchkit.maker.measure.stations import drawn_curve, u_stop_m
from matchkit.parts.facing import rails_of
from matchkit.physics.lay.fair import THIN, Readings, fair_curve, same_shape
from matchkit.physics.lay.refit import _Drawn, redraw, redraw_same_shape
from matchkit.records.parts import FacingReading, LayPoint, Mouthpiece
from matchkit.records.spec import Gauge, HouseSpec
from matchkit.tables.defaults import read_defaults


def test_the_budget_of_one_stop() -> None:
    """Rectangular step q / sqrt(12) (GUM 4.3.7), touch over sqrt(n), stacked feelers n times one (correlated), person in common."""
    gauge = Gauge(u_feeler_mm=0.004, u_stop_mm=0.06, stop_step_mm=0.5, u_operator_mm=0.03)
    piece = Mouthpiece(id="A", instrument="tenor", tip_opening_mm=2.5)
    readings = [
        FacingReading(mouthpiece_id="A", rail="left", feeler_mm=0.4, stop_mm=16.5 + 0.5 * (k == 1), repeat=k, feelers=3)
        for k in (1, 2, 3, 4)
    ]
    rail = rails_of(piece, readings, (), gauge=gauge)["left"]
    assert rail.u_place_m[0] * 1e3 == pytest.approx(np.hypot(0.06 / 2, 0.5 / np.sqrt(12)), rel=1e-12)
    assert rail.u_height_m[0] * 1e3 == pytest.approx(3 * 0.004, rel=1e-12)
    assert rail.u_common_m * 1e3 == pytest.approx(0.03)
    assert rail.place_m[0] * 1e3 == pytest.approx(16.625)


def test_fewer_leaves_never_make_a_facing_better_known() -> None:
    """Two of eight feelers kept: facing length and half-open place are less certain in the draws too, as to first order (the shape is not known)."""
    spec = spec_with()
    piece, readings = read_piece(Truth(), np.random.default_rng(4))
    feelers = sorted({reading.feeler_mm for reading in readings})
    for kept in ((feelers[1], feelers[3]), (feelers[3], feelers[5])):
        few = measured(piece, [reading for reading in readings if reading.feeler_mm in kept], spec)
        many, two = (monte_carlo(*found, gauge=spec.gauge).covariance_m2 for found in (measured(piece, readings, spec), few))
        assert two[1, 1] > many[1, 1]
        assert two[2, 2] > many[2, 2]
        assert np.sqrt(two[1, 1]) == pytest.approx(few[0].lay.fair.u_facing_length_m, rel=0.15)


def test_stacks_from_one_set_err_together() -> None:
    """Feelers of one set: stacks of two and three err as one does, two and three times as much; single feelers each for themselves."""
    gauge = Gauge(u_feeler_mm=0.004)
    piece = Mouthpiece(id="A", instrument="tenor", tip_opening_mm=2.5)
    feelers = ((1.2, 3, 8.0), (0.8, 2, 11.0), (0.4, 1, 16.0), (0.1, 1, 22.0))
    readings = [
        FacingReading(mouthpiece_id="A", rail="left", feeler_mm=height, stop_mm=stop, repeat=1, feelers=many)
        for height, many, stop in feelers
    ]
    rail = rails_of(piece, readings, (), gauge=gauge)["left"]
    drawn = (
        disturb(
            {"left": rail},
            tip_m=2.5e-3,
            u_tip_m=2e-5,
            step_m=0.0,
            break_m=26e-3,
            scatter=1.0,
            draws=4000,
            rng=np.random.default_rng(1),
        ).height_m["left"]
        - rail.height_m
    )
    assert drawn[:, 0] == pytest.approx(1.5 * drawn[:, 1])
    assert abs(np.atleast_2d(np.corrcoef(drawn.T))[0, 2]) < 0.05
    apart = Readings(rail.height_m, rail.place_m, rail.u_height_m, rail.u_place_m)
    together, by_itself = (fair_curve(r, tip_opening_m=2.5e-3, u_tip_m=2e-5) for r in (rail, apart))
    assert together.u_facing_length_m != pytest.approx(by_itself.u_facing_length_m, rel=1e-3)


def test_the_contributions_of_a_stop_combine() -> None:
    """Root sum of squares of touch, person, and feeler through the slope (law of propagation, JCGM 100:2008 5.1.2)."""
    curve = fair_curve(
        Readings(np.array([1e-3, 0.5e-3, 0.1e-3]), np.array([8e-3, 12e-3, 18e-3]), np.full(3, 4e-6), np.full(3, 50e-6)),
        tip_opening_m=2.5e-3,
        u_tip_m=2e-5,
    )
    rail = Readings(curve.height_m(np.array([12e-3])), np.array([12e-3]), np.array([4e-6]), np.array([50e-6]), 30e-6)
    fall = float(curve.height_m(np.array(12e-3 - 1e-6)) - curve.height_m(np.array(12e-3 + 1e-6))) / 2e-6
    assert u_stop_m(rail, 0, curve) == pytest.approx(np.sqrt((50e-6) ** 2 + (30e-6) ** 2 + (4e-6 / fall) ** 2))


def test_draws_have_the_stated_spread() -> None:
    """Additive models of JCGM 101:2008, 9.2 (from memory): touch normal, step rectangular, one feeler and one person shared by both rails."""
    rng = np.random.default_rng(1)
    u_touch, step = 40e-6, 500e-6
    rail = Readings(
        np.array([0.4e-3, 0.1e-3]),
        np.array([16e-3, 22e-3]),
        np.full(2, 4e-6),
        np.full(2, np.hypot(u_touch, step / np.sqrt(12))),
        30e-6,
    )
    drawn = disturb(
        {"left": rail, "right": rail},
        tip_m=2.5e-3,
        u_tip_m=2e-5,
        step_m=step,
        break_m=28e-3,
        scatter=1.0,
        draws=200_000,
        rng=rng,
    )
    off = drawn.place_m["left"][:, 0] - 16e-3
    assert off.std() == pytest.approx(np.sqrt(u_touch**2 + step**2 / 12 + (30e-6) ** 2), rel=0.01)
    covariance = np.mean(off * (drawn.place_m["right"][:, 1] - 22e-3))
    assert covariance == pytest.approx((30e-6) ** 2, rel=0.15)
    feeler = [drawn.height_m[name][:, 0] - 0.4e-3 for name in ("left", "right")]
    assert np.array_equal(feeler[0], feeler[1])
    assert feeler[0].std() == pytest.approx(4e-6, rel=0.01)
    assert drawn.tip_m.std() == pytest.approx(2e-5, rel=0.01)


def _shortest(values: np.ndarray) -> float:
    """Return half the shortest interval that holds 95 % of the values."""
    ordered = np.sort(values)
    held = int(0.95 * len(ordered))
    return float((ordered[held:] - ordered[:-held]).min()) / 2


def test_draws_add_up_as_the_supplement_has_it() -> None:
    """JCGM 101:2008 9.2 (from memory): four normal +-3.92; four rectangular +-3.88; one of them ten times as wide +-17.0.

    The first-order interval of the last would be +-19.9.
    """
    for touch, step, weights, wanted in (
        (1.0, 1e-9, np.ones(4), 3.92),
        (0.0, math.sqrt(12), np.ones(4), 3.88),
        (0.0, math.sqrt(12), np.array([1, 1, 1, 10]), 17.0),
    ):
        u_place = np.full(4, math.hypot(touch, step / math.sqrt(12)))
        rail = Readings(np.array([4, 3, 2, 1]) * 1e-4, np.zeros(4), np.zeros(4), u_place)
        drawn = disturb(
            {"left": rail},
            tip_m=2.5e-3,
            u_tip_m=0.0,
            step_m=step,
            break_m=28e-3,
            scatter=1.0,
            draws=400_000,
            rng=np.random.default_rng(2),
        )
        total = drawn.place_m["left"] @ weights
        assert total.std() == pytest.approx(math.sqrt(float(weights @ weights)), rel=0.005)
        assert _shortest(total) == pytest.approx(wanted, abs=0.05)


def test_a_refit_is_the_fit() -> None:
    """A curve fitted again to the readings themselves, and to shifted ones, gives the parameters that the fit gives; of a rail as well."""
    piece, readings = read_piece(Truth(power=2.15), np.random.default_rng(3))
    part, rails = measured(piece, readings, spec_with())
    rail, tip, u_tip_m = rails["left"], part.lay.tip_opening_m, part.lay.u_tip_m
    first = fair_curve(rail, tip_opening_m=tip, u_tip_m=u_tip_m)
    for by in (1.0, 1.01):
        moved = replace(rail, place_m=rail.place_m * by)
        place, height, tips = moved.place_m[None], rail.height_m[None], np.array([tip])
        again = fair_curve(moved, tip_opening_m=tip, u_tip_m=u_tip_m)
        assert redraw(first, rail, place_m=place, height_m=height, tip_m=tips, u_tip_m=u_tip_m).parameters[
            :, 0
        ] == pytest.approx(again.parameters, rel=1e-9)
        side = same_shape(moved, first, tip_opening_m=tip, u_tip_m=u_tip_m)
        held = redraw_same_shape(first, rail, place_m=place, height_m=height, tip_m=tips, u_tip_m=u_tip_m)
        assert held.parameters[:, 0] == pytest.approx(side.parameters, rel=1e-9)


def test_slopes_of_the_draws_are_those_of_the_complex_step() -> None:
    """Written-out slopes of the residuals against Im f(x + ih) / h (Squire and Trapp 1998, from memory)."""
    rng = np.random.default_rng(1)
    heights = np.sort(rng.uniform(0.04e-3, 2e-3, (3, 6)))
    places = rng.uniform(0, 25e-3, (3, 6))
    drawn = _Drawn(places, heights, np.full(6, 5e-5), np.full(6, 4e-6), np.zeros((2, 3)))
    parameters = np.array([[0.025, 0.026, 0.024], [0.017, 0.018, 0.019], [0.5, 0.45, 0.55], [0.01, -0.02, 0.1]])
    for column in range(4):
        moved = parameters.astype(complex)
        moved[column] += 1e-40j
        wanted = np.imag(drawn.miss(moved)) / 1e-40
        assert drawn.slopes(parameters)[:, :, column] == pytest.approx(wanted, rel=1e-12)


def test_what_chance_allows() -> None:
    """The limit of chi-squared against scipy's for 2 to 60 degrees of freedom, within 1 %."""
    for degrees in range(2, 61):
        assert chance_limit(degrees) == pytest.approx(float(scipy.stats.chi2.isf(0.05, degrees)), rel=0.01)


def test_monte_carlo_beside_first_order() -> None:
    """Both ways agree on the facing length and the half-open place within a tenth; the same seed gives the same answer."""
    for seed in range(5):
        piece, readings = read_piece(Truth(power=2.0 + 0.05 * seed), np.random.default_rng(seed))
        part, rails = measured(piece, readings, spec_with())
        found = monte_carlo(part, rails, gauge=spec_with().gauge)
        fair = part.lay.fair
        for place, first in ((1, fair.u_facing_length_m), (2, float(np.sqrt(fair.covariance_m2[2, 2])))):
            assert np.sqrt(found.covariance_m2[place, place]) == pytest.approx(first, rel=0.1)
        again = monte_carlo(part, rails, gauge=spec_with().gauge)
        assert np.array_equal(found.covariance_m2, again.covariance_m2)


def coverage(power: float, seeds: range) -> np.ndarray:
    """Say how often 95 % intervals hold the truth: tip, facing length, half-open place, rail difference, stop of the thinnest feeler."""
    spec = spec_with()
    hits = []
    for seed in seeds:
        rng = np.random.default_rng([7, seed])
        edge = 28 + rng.normal(0, 0.4)
        truth = Truth(tip=2.5 + rng.normal(0, 0.03), left=edge, right=edge, power=power)
        piece, readings = read_piece(truth, rng)
        part, rails = measured(piece, readings, spec)
        found = monte_carlo(part, rails, gauge=spec_with().gauge, draws=300)
        u = np.sqrt(np.diag(found.covariance_m2)) * 1e3
        thin, half = (stop_of(partial(truth.height, "left"), height, 34.0) for height in (THIN * 1e3, truth.tip / 2))
        fair, left = part.lay.fair, rails["left"]
        off = [
            (piece.tip_opening_mm - truth.tip) / u[0],
            (fair.facing_length_m * 1e3 - thin) / u[1],
            (fair.half_open_m * 1e3 - half) / u[2],
            ((part.rail_difference_m or 0.0) * 1e3) / ((found.rail_difference_m or 0.0) * 1e3),
            (left.place_m[-1] * 1e3 - thin) / (u_stop_m(left, len(left.place_m) - 1, fair) * 1e3),
        ]
        hits.append(np.abs(off) < 1.96)
    return np.array(hits)


@pytest.mark.slow
def test_the_stated_uncertainties_cover() -> None:
    """Over 240 seeded facings of four shapes 95 % intervals hold the truth in 93 to 99 of 100; ``make bench`` takes 2,000 of them."""
    hits = np.concatenate([coverage(2.0 + 0.1 * k, range(60 * k, 60 * k + 60)) for k in range(4)])
    assert (hits.mean(axis=0) > 0.92).all()
    assert hits.mean() < 0.985


def test_a_convex_table_widens_and_a_hollow_one_is_not_seen() -> None:
    """A recorded convex table makes the facing less certain; without a record the report says that a hollow is unchecked."""
    piece, readings = read_piece(Truth(), np.random.default_rng(5))
    spec = spec_with()
    flat, convex = (measured(piece.model_copy(update={"table_gap_mm": gap}), readings, spec) for gap in (-0.04, 0.04))
    plain, wide = (monte_carlo(*found, gauge=spec.gauge) for found in (flat, convex))
    assert wide.covariance_m2[1, 1] > 1.5 * plain.covariance_m2[1, 1]
    fair = convex[0].lay.fair
    assert np.sqrt(np.diag(wide.covariance_m2)) == pytest.approx(
        [convex[0].lay.u_tip_m, fair.u_facing_length_m, float(np.sqrt(fair.covariance_m2[2, 2]))], rel=0.1
    )
    assert wide.covariance_m2[0, 1] == pytest.approx(fair.with_tip_m2[1], rel=0.25)
    assert wide.rail_difference_m == pytest.approx(plain.rail_difference_m, rel=0.1)
    house = mk.open()
    assert house.facing("TM-01").table == TableFound(None, "no drawing")


def test_a_rocking_plate_is_seen_against_the_drawing() -> None:
    """Heights off by a line in x are told as rocking beside a tip that is merely open; sound pieces are told so in 5 % at most."""
    spec = spec_with()
    drawn = drawn_curve(spec.drawing["TB-25"])
    rng = np.random.default_rng(8)
    alarms = 0
    for _ in range(60):
        part, rails = measured(*read_piece(Truth(tip=2.5 + rng.normal(0, 0.03)), rng), spec)
        alarms += table_test(part, rails, drawn=drawn).rocks
        assert table_test(part, rails).rocking_m is None
    assert alarms <= 7  # 5 % of 60, and chance
    rocked = Truth()
    tilt = 0.09
    feelers = np.array(FEELERS_MM)
    places = [stop_of(lambda x: rocked.height("left", x) + tilt * max(1 - x / 28, 0), feeler, 34.0) for feeler in feelers]
    readings = [
        FacingReading(mouthpiece_id="X", rail=rail, feeler_mm=feeler, stop_mm=round(place, 3), repeat=1)
        for rail in ("left", "right")
        for feeler, place in zip(feelers, places, strict=True)
    ]
    piece = Mouthpiece(id="X", model="TB-25", instrument="tenor", tip_opening_mm=2.59)
    found = table_test(*measured(piece, readings, spec), drawn=drawn)
    assert found.rocks
    assert found.rocking_m == pytest.approx(tilt * 1e-3, rel=0.15)


def test_a_short_rail_and_a_twisted_table_look_alike() -> None:
    """A rail 0.4 mm short shows as a difference linear in x, with its size; a sound piece shows none."""
    spec = spec_with()
    rng = np.random.default_rng(9)
    short = table_test(*measured(*read_piece(replace(Truth(), left=27.6), rng), spec))
    assert short.twisted
    assert short.twist_m is not None
    assert short.twist_m < 0
    sound = [table_test(*measured(*read_piece(Truth(), rng), spec)).twisted for _ in range(40)]
    assert sum(sound) <= 6
    part, rails = measured(*read_piece(Truth(), rng), spec)
    few = {
        name: Readings(*(getattr(r, n)[:2] for n in ("height_m", "place_m", "u_height_m", "u_place_m")))
        for name, r in rails.items()
    }
    assert scatter_between(few) == 1.0
    assert table_test(part, few).twist_m is None


def test_one_rail_and_nominal_pieces() -> None:
    """A piece with one rail read has no rail difference and says which is assumed; a nominal one has no draws and no figure."""
    house = mk.open()
    nominal = house.facing("TM-10")
    assert nominal.draws == 0
    assert nominal.outline is None
    assert nominal.stations == ()
    spec = spec_with()
    piece, readings = read_piece(Truth(), np.random.default_rng(2))
    part, rails = measured(piece, [r for r in readings if r.rail == "left"], spec)
    found = monte_carlo(part, rails, gauge=spec_with().gauge, draws=200)
    assert found.rail_difference_m is None
    assert part.assumed == (Assumed("other rail", like="left"),)


@pytest.mark.parametrize("gap", [None, 0.03, -0.02, 0.0])
def test_what_is_known_of_the_table(gap: float | None) -> None:
    """A recorded gap is repeated as what it is; without a drawing rocking cannot be told, with one it is told where found."""
    piece, readings = read_piece(Truth(), np.random.default_rng(2))
    piece = piece.model_copy(update={"table_gap_mm": gap})
    drawn = facing_report(piece, readings, (), defaults=read_defaults(), spec=spec_with())
    assert drawn.table == TableFound(gap, "no")
    free = facing_report(piece, readings, (), defaults=read_defaults(), spec=HouseSpec())
    assert free.table == TableFound(gap, "no drawing")


def test_a_piece_read_on_one_rail_has_half_its_stations() -> None:
    """A report of one rail leaves the other's columns empty, and its difference too."""
    piece, readings = read_piece(Truth(), np.random.default_rng(2))
    left = [r for r in readings if r.rail == "left"]
    report = facing_report(piece, left, (), defaults=read_defaults(), spec=spec_with())
    assert all(station.right_mm is None and station.difference_mm is None for station in report.stations)
    assert all(station.left_off_um is not None for station in report.stations)
    assert report.rocking_um is not None


def test_gauges_nobody_stated_are_called_assumed() -> None:
    """Defaults of the budget are named as assumed; what house.toml states, or a study found, is not."""
    feeler = Assumed("gauge", 0.005, "mm", "u_feeler_mm")
    others = (Assumed("gauge", 0.1, "mm", "u_stop_mm"), Assumed("gauge", 0.02, "mm", "u_tip_mm"))
    assert gauge_assumed(HouseSpec()) == (feeler, *others)
    studied = HouseSpec().model_copy(update={"gauge": gauge_from(Gauge(), mk.gauge_study())})
    assert gauge_assumed(studied) == (feeler,)
    assert gauge_assumed(mk.open().tables.spec) == ()


def test_a_report_holds_every_feeler_in_its_own_unit() -> None:
    """Stops in mm and heights off the fair curve in µm, each of a feeler and a rail, as the readings and the curve give them."""
    piece, readings = read_piece(Truth(), np.random.default_rng(6))
    spec = spec_with()
    report = facing_report(piece, readings, (), defaults=read_defaults(), spec=spec)
    part, rails = measured(piece, readings, spec)
    assert len(report.stations) == len(FEELERS_MM)
    for station in report.stations:
        for rail, stop, off in (
            ("left", station.left_mm, station.left_off_um),
            ("right", station.right_mm, station.right_off_um),
        ):
            at = int(np.argmin(np.abs(rails[rail].height_m - station.feeler_mm * 1e-3)))
            place = float(rails[rail].place_m[at])
            assert stop == pytest.approx(place * 1e3, rel=1e-12)
            assert off is not None
            wanted = station.feeler_mm * 1e-3 - float(part.lay.fair.height_m(np.array(place)))
            assert off == pytest.approx(wanted * 1e6, abs=1e-6)
            assert abs(wanted) < 60e-6
    assert report.u_smoothness_um is not None
    drawn = monte_carlo(part, rails, gauge=spec.gauge)
    assert report.u_smoothness_um == pytest.approx((drawn.smoothness_m or 0.0) * 1e6, rel=1e-9)
    assert 0.1 < report.u_smoothness_um < 30


def test_a_tilted_plate_makes_the_tip_less_sure() -> None:
    """``hypot(u_tip, tilt times break)``: the doubt of a plate that rocks by an angle goes into the tip opening (first order)."""
    piece, readings = read_piece(Truth(), np.random.default_rng(6))
    spec = spec_with()
    for kept in (readings, [reading for reading in readings if reading.rail == "left"]):
        level = measured(piece, kept, spec)[0].lay
        convex = measured(piece.model_copy(update={"table_gap_mm": 0.03}), kept, spec)[0].lay
        more = math.sqrt(convex.u_tip_m**2 - level.u_tip_m**2)
        assert more == pytest.approx(0.03 / 15 / math.sqrt(3) * convex.fair.break_m, rel=0.5)


def test_a_tilted_indicator_puts_no_rail_out_of_level() -> None:
    """Arcs scanned on both rails, each with a tilt and a zero of its own, 5 mm over the table: the 95 % intervals of rails and length hold in 36 of 40 or more.

    Points 0.25 mm apart with 3 µm of noise, tilts of 1 µm a millimetre as is assumed, zeros of 20 µm (standard deviations; seeded). Both rails are alike.
    """
    rng = np.random.default_rng(71)
    x = np.arange(0, 30.01, 0.25)
    held = {"rails": 0, "length": 0}
    for _ in range(40):
        points = []
        for rail in ("left", "right"):
            tilt, zero = rng.normal(0, 1e-3), rng.normal(0, 0.02)
            height = 2.5 * np.clip(1 - x / 25, 0, None) ** 2 + zero + tilt * (x - 25) + rng.normal(0, 3e-3, len(x))
            points += [LayPoint(mouthpiece_id="M", rail=rail, x_mm=a, height_mm=b) for a, b in zip(x, height, strict=True)]
        known = Mouthpiece(id="M", instrument="alto", tip_opening_mm=2.5)
        found = facing_report(known, (), points, defaults=read_defaults(), spec=spec_with(), draws=300)
        assert found.rail_difference_mm is not None
        assert found.u_rail_difference_mm is not None
        held["rails"] += abs(found.rail_difference_mm) <= 1.96 * found.u_rail_difference_mm
        truth = 25 * (1 - (0.038 / 2.5) ** 0.5)
        held["length"] += abs(found.facing_length_mm - truth) <= 1.96 * found.u_facing_length_mm
    assert min(held.values()) >= 36, held


def test_the_line_of_what_a_lay_is_off_is_lay_less_fair_curve() -> None:
    """Of the figure: the mean of the rails less the fair curve, in µm, at every place."""
    piece, readings = read_piece(Truth(), np.random.default_rng(8))
    outline = facing_report(piece, readings, (), defaults=read_defaults(), spec=spec_with()).outline
    assert outline is not None
    part, _ = measured(piece, readings, spec_with())
    x = np.array(outline.x_mm) * 1e-3
    assert outline.off_um == pytest.approx((part.lay.height_m(x) - part.lay.fair.height_m(x)) * 1e6, abs=1e-6)
    assert np.ptp(outline.off_um) > 1


def test_a_hole_of_a_scan_is_told_where_it_is(tmp_path: Path) -> None:
    """The scanned piece of the demo batch without its points from 9 to 11 mm on the left rail: told there, in millimetres."""
    folder = Path(shutil.copytree(shipped("data/demo-bench/batch"), tmp_path / "batch"))
    edit_table(
        folder,
        "lay_points",
        lambda rows: [row for row in rows if row["rail"] != "left" or not 9 < float(row["x_mm"]) < 11],
    )
    report = mk.open().facing("TB-25-40", pieces=folder)
    (left,) = (scan for scan in report.scans if scan.rail == "left")
    ((start, stop),) = left.holes_mm
    assert (start, stop) == pytest.approx((9.0, 11.0), abs=0.3)


def test_scatter_between_rails_is_chi_squared_a_degree_of_freedom() -> None:
    """Of left minus right about a weighted line, by numpy's own least squares; 1 where chance allows as much."""
    rng = np.random.default_rng(11)
    height = np.geomspace(0.04, 1.6, 9)[::-1] * 1e-3
    place = np.linspace(4, 22, 9) * 1e-3
    u = np.linspace(2e-5, 4e-5, 9)
    wild = place + rng.normal(0, 3e-4, 9)
    rails = {
        "left": Readings(height, place, np.full(9, 2e-6), u),
        "right": Readings(height, wild, np.full(9, 2e-6), u),
    }
    weight = 1 / np.hypot(u, u)
    line = np.polynomial.Polynomial.fit(place, place - wild, 1, w=weight)
    expected = float((((place - wild - line(place)) * weight) ** 2).sum()) / (9 - 2)
    assert expected > 2
    assert scatter_between(rails) == pytest.approx(expected, rel=1e-9)
    assert scatter_between({**rails, "right": Readings(height, place + 1e-5, np.full(9, 2e-6), u)}) == 1.0
