"""Small things that everything rests on, each seen to fail when it is broken."""

from __future__ import annotations

import math
from itertools import pairwise
from typing import Any

import numpy as np
import pytest
from test_counter import present

import matchkit as mk
from matchkit.advise.reasons import REDUCIBLE, certainty, gains
from matchkit.advise.search import Candidates, rank_candidates
from matchkit.constants import AIR_DENSITY
from matchkit.facts import FITS, UNCERTAINTIES, Refusal
from matchkit.learn.blend import Blend, fit_blend
from matchkit.learn.interval import KINDS
from matchkit.learn.kriging.fit import Line
from matchkit.learn.trial.folds import folds_of, predict_tests
from matchkit.pairs.contacts import Contacts
from matchkit.pairs.table import pair_list
from matchkit.parts.fits import pair_refusals
from matchkit.physics.lay.facing import mean_lay
from matchkit.physics.lay.fair import Readings
from matchkit.score.asked import share_within
from matchkit.score.features import FEATURES
from matchkit.score.scorer import Scored
from matchkit.score.wishes import NO_WISH, understand


@pytest.mark.parametrize(
    ("piece", "reed", "reason"),
    [
        ({"window_width_mm": 14.8, "side_rail_mm": 1.0}, {}, Refusal.REED_TOO_NARROW),
        ({"window_width_mm": 14.6, "side_rail_mm": 1.0}, {}, FITS),
        ({"window_width_mm": None}, {}, FITS),
        ({}, {"vamp_length_mm": 23.0}, Refusal.VAMP_TOO_SHORT),
        ({}, {"vamp_length_mm": None}, FITS),
    ],
)
def test_reeds_that_cannot_sit_are_refused(house: mk.House, piece: dict[str, Any], reed: dict[str, Any], reason: str) -> None:
    """Narrower than window and rail, or a vamp that ends before the clamp and 2 mm, is refused; unmeasured never is."""
    from dataclasses import replace

    facing, part = house.parts.facing("AM-02"), house.parts.reed("AR-A-2.5")
    facing = replace(facing, mouthpiece=facing.mouthpiece.model_copy(update=piece))
    vamp = reed.get("vamp_length_mm", part.vamp_m * 1e3)
    part = replace(part, vamp_m=(vamp or 0.0) * 1e-3, vamp_measured=vamp is not None)
    assert pair_refusals((facing,), (part,), instrument="alto")[0, 0] == reason


def test_softer_and_harder_reed_refuse_the_others(house: mk.House) -> None:
    """A wish for a softer reed leaves only reeds that are softer on the bench than the present one."""
    ranking = house.rank("P02", wish=["softer reed"], top=500)
    mine = {row.reed_id: row for row in house.strengths("AM-02", "P02").rows}
    here = mine[present(house, "P02")[1]].closing_pressure_kpa
    on_scale = {row.reed_id for row in ranking.rows if not row.reed_id.startswith("AR-E")}
    assert all(mine[name].closing_pressure_kpa < 1.1 * here for name in on_scale)
    assert Refusal.NOT_SOFTER in ranking.refused


@pytest.mark.parametrize(("wish", "factor"), [("bigger sound", 1.1), ("less air", 1 / 1.1), ("much bigger sound", 1.1**2)])
def test_air_wishes_move_the_air_target(house: mk.House, wish: str, factor: float) -> None:
    """A step of sound is 10 % of tip opening; the target of resistance stays."""
    view = house.scorer.view("P02")
    plain, moved = (house.scorer.targets(view, house.parts.reeds, understand(words)).by_scale[None] for words in ([], [wish]))
    assert plain is not None
    assert moved is not None
    assert moved.tip_opening_m / plain.tip_opening_m == pytest.approx(factor)
    assert moved.closing_pressure_pa == plain.closing_pressure_pa


@pytest.mark.parametrize(("wish", "factor"), [("freer", 0.86), ("more resistance", 1 / 0.86), ("much freer", 0.86**2)])
def test_effort_wishes_move_the_effort_target(house: mk.House, wish: str, factor: float) -> None:
    """A step of effort is a factor 0.86 in closing pressure, about half a strength."""
    view = house.scorer.view("P02")
    plain, moved = (house.scorer.targets(view, house.parts.reeds, understand(words)).by_scale[None] for words in ([], [wish]))
    assert plain is not None
    assert moved is not None
    assert moved.closing_pressure_pa / plain.closing_pressure_pa == pytest.approx(factor)


def test_light_and_firm_shift_the_middle_of_the_house(house: mk.House) -> None:
    """Light aims at 0.88 and firm at 1.12 of the middle; the present set-up, where known, is not shifted."""
    aims = {}
    for held in ("light", "medium", "firm"):
        aim = house.scorer.targets(
            house.scorer.view(mk.Visitor(instrument="alto", embouchure=held)), house.parts.reeds
        ).by_scale[None]
        assert aim is not None
        aims[held] = aim.closing_pressure_pa
    assert aims["light"] / aims["medium"] == pytest.approx(0.88)
    assert aims["firm"] / aims["medium"] == pytest.approx(1.12)


def test_the_middle_is_of_liked_set_ups(house: mk.House) -> None:
    """The target without a present set-up is the median over playtests rated 7 or more of the instrument (numpy's median)."""
    aim = house.scorer.targets(house.scorer.view(mk.Visitor(instrument="alto")), house.parts.reeds).by_scale[None]
    assert aim is not None
    liked = []
    for test in house.tables.playtests:
        reed = house.parts.reed(test.reed_id)
        if (test.overall or 0) >= 7 and reed.reed.instrument == "alto" and reed.scale is None:
            liked.append(
                house.closing(test.mouthpiece_id, test.reed_id, reed_offset_mm=test.reed_offset_mm).closing_pressure_kpa
            )
    assert aim.closing_pressure_pa == pytest.approx(float(np.median(liked)) * 1e3, rel=1e-9)


def test_scores_are_rounded_before_they_are_compared(house: mk.House) -> None:
    """Of two pairs whose scores differ by less than a millionth the cheaper stands first, whichever is larger."""
    blend = Blend(line=Line(0.0, 10.0, np.zeros((2, 2))))
    reed = house.parts.reed("AR-A-3")
    pairs = pair_list(Contacts(), [(house.parts.facing(name), reed) for name in ("AM-02", "AM-01")], lip_m=10e-3)
    candidates = Candidates(
        Scored(pairs, house.scorer.score(house.scorer.view("P02"), pairs).terms, np.zeros((2, len(FEATURES)))),
        np.ones((2, 0), dtype=bool),
    )
    candidates.__dict__["overall_d"] = np.array([0.5 + 1e-9, 0.5])
    placed = rank_candidates(candidates, blend, (), instrument="alto", player=None, top=2).lines
    prices = [house.parts.facing(name).mouthpiece.price or 0.0 for name in ("AM-01", "AM-02")]
    assert prices[1] < prices[0]
    assert [candidates.ids[line.pair][0] for line in placed] == ["AM-02", "AM-01"]


def test_features_are_scaled_by_the_table_and_not_by_the_parts(house: mk.House) -> None:
    """A pair has the same features alone and among all others, with a wish and without; they are what the constants say."""
    view = house.scorer.view("P02")
    facing, reed = house.parts.facing("AM-02"), house.parts.reed("AR-A-2.5")
    alone = house.scorer.score(view, house.scorer.pair(facing, reed, lip_m=view.lip_m)).features[0]
    others = [part for part in house.parts.reeds if part.id != reed.id]
    many = house.scorer.grid((facing,), (reed, *others), lip_m=view.lip_m)
    for wishes in (NO_WISH, understand(["much freer"])):
        among = house.scorer.score(view, many, wishes=wishes).features[0]
        assert among == pytest.approx(alone)
    assert alone[0] == pytest.approx((facing.mouthpiece.tip_opening_mm - 1.9) / 0.25)


def test_a_tests_own_mark_never_predicts_it(house: mk.House) -> None:
    """Changing the marks of a fold changes no prediction of that fold."""
    from dataclasses import replace

    tests = house.learner.rated_tests
    train, test = folds_of(tests, "new mouthpiece")[0]
    changed = tests.rating.copy()
    changed[test] = 0.0
    found = [
        predict_tests(fit_blend(item.take(train), bounds=False), item.take(test))[0]
        for item in (tests, replace(tests, rating=changed))
    ]
    assert found[0] == pytest.approx(found[1])


def test_each_kind_of_question_has_its_own_interval(house: mk.House) -> None:
    """A stranger, a mouthpiece that nobody marked and a new pair are told apart, and each has the interval of what was left out for it."""
    blend = house.learner.blend
    assert blend.kind("alto", None, "AM-01") == blend.kind("alto", "P99", "AM-01") == "new player"
    assert blend.kind("alto", "P02", "never") == "new mouthpiece"
    assert blend.kind("alto", "P02", "AM-01") == "new pair"
    assert [blend.interval(kind).units for kind in KINDS] == [16, 32, 127]
    assert len({blend.interval(kind).q for kind in KINDS}) == 3


def test_reed_offset_of_a_playtest_counts(house: mk.House) -> None:
    """A reed that stood forward in a playtest is learned from as the stiffer set-up it was."""
    moved = next(k for k, test in enumerate(house.scorer.marked) if test.reed_offset_mm > 0)
    test = house.scorer.marked[moved]
    stood = house.closing(test.mouthpiece_id, test.reed_id, reed_offset_mm=test.reed_offset_mm).closing_pressure_kpa
    assert house.scorer.marked_pairs.closing_pressure_pa[moved] == pytest.approx(stood * 1e3)
    assert stood > 1.03 * house.closing(test.mouthpiece_id, test.reed_id).closing_pressure_kpa


def test_reed_place_is_part_of_the_uncertainty(house: mk.House) -> None:
    """0.2 mm of reed place, at some 28 % a millimetre, is in every pair's uncertainty."""
    report = house.closing("AM-02", "AR-A-2.5")
    expected = report.closing_pressure_kpa * report.pressure_per_mm_forward_pct / 100 * 0.2
    assert report.u_parts["reed place"] == pytest.approx(expected)
    moved = [house.closing("AM-02", "AR-A-2.5", reed_offset_mm=step).closing_pressure_kpa for step in (-0.01, 0.01)]
    slope = (math.log(moved[1]) - math.log(moved[0])) / 0.02
    assert report.pressure_per_mm_forward_pct / 100 == pytest.approx(slope, rel=0.01)


@pytest.mark.parametrize(
    ("size", "u", "expected"), [(-0.13, 0.01, "surely"), (0.13, 0.1, "probably"), (-0.05, 0.2, "perhaps"), (0.3, 0.1, "surely")]
)
def test_the_direction_of_a_difference_is_as_sure_as_its_doubt_allows(size: float, u: float, expected: str) -> None:
    """Surely from 95 %, probably from 80 % on, whichever way it goes (normal tables: 1.645 and 0.842 standard uncertainties)."""
    assert certainty(size, u) == expected
    assert certainty(-size, u) == expected


def test_box_share_has_two_sides() -> None:
    """The share of a normal box within a step of the target: both tails are out (normal tables: one sd holds 68.27 %)."""
    step = -math.log(0.88)
    assert float(share_within(np.array([0.0]), np.array([step]), step=step)[0]) == pytest.approx(0.6827, abs=1e-4)
    assert float(share_within(np.array([step]), np.array([step]), step=step)[0]) == pytest.approx(0.4772, abs=1e-4)


def test_crossing_rails_leak_on_both_sides() -> None:
    """Rails that cross leak before and after the crossing: the areas add, they do not cancel; the mean lay stays between."""
    feelers = np.array([1.2, 0.9, 0.6, 0.4, 0.2, 0.1, 0.038]) * 1e-3
    places = 24e-3 - np.sqrt(2 * 145e-3 * feelers - feelers**2)
    tilt = np.linspace(-3e-4, 3e-4, 7)
    u = np.full(7, 5e-5)
    left, right = (Readings(feelers, places + sign * tilt, u / 10, u) for sign in (1, -1))
    lay = mean_lay(left, right, tip_opening_m=2e-3, u_tip_m=2e-5)
    x = np.linspace(0, 26e-3, 800)
    off = lay.left.height_m(x) - lay.right.height_m(x)
    assert off.min() < 0 < off.max()
    assert lay.leak_m2 > 1.3 * abs(float(np.trapezoid(off, x)))
    assert lay.smoothness_m is not None
    assert lay.smoothness_m < 0.5 * (lay.left.smoothness_m or 0.0)


def test_lip_rests_where_the_instrument_has_it(house: mk.House) -> None:
    """Without a lip place of their own players rest 9 to 13 mm from the tip, by instrument."""
    found = {
        kind: house.scorer.view(mk.Visitor(instrument=kind)).lip_m * 1e3
        for kind in ("clarinet", "soprano", "alto", "tenor", "baritone")
    }
    assert found == pytest.approx({"clarinet": 9.0, "soprano": 9.0, "alto": 10.0, "tenor": 12.0, "baritone": 13.0})


def test_measuring_what_is_usually_unmeasured_gains_three_quarters(house: mk.House) -> None:
    """The reed place can be narrowed though never removed; what was measured already, or all set-ups share, gains nothing."""
    facing, reed = house.parts.facing("AM-02"), house.parts.reed("AR-A-3")
    pairs = house.scorer.pair(facing, reed, lip_m=10e-3)
    doubt = house.scorer.uncertainty(pairs)
    found = dict(zip(UNCERTAINTIES, gains(pairs, doubt), strict=True))
    assert found["tip"] == found["facing"] == found["stiffness"] == found["profile"] == found["window"] == 0.0
    assert found["wet factor"] == found["scale"] == 0.0
    place = UNCERTAINTIES.index("reed place")
    assert found["reed place"] == pytest.approx(REDUCIBLE * doubt.parts[place, 0] ** 2)
    assert REDUCIBLE == 0.75


def test_peak_flow_of_a_report_is_that_of_the_playing_area(house: mk.House) -> None:
    """Peak flow is (2/3) S sqrt(2 p / (3 rho)) at the closing pressure the lip leaves (see reed_flow.json)."""
    report = house.closing("AM-02", "AR-B-3", player="P02")
    left = (report.closing_pressure_kpa - max(report.effort_kpa, 0.0)) * 1e3
    expected = 2 / 3 * report.playing_area_mm2 * 1e-6 * math.sqrt(2 * left / (3 * AIR_DENSITY.value)) * 1e3
    assert report.peak_flow_l_s == pytest.approx(expected, rel=1e-9)
    curve = report.curve
    assert curve[0].area_mm2 == pytest.approx(report.rest_area_mm2)
    assert max(point.flow_l_s for point in curve) > 0
    assert all(a.area_mm2 >= b.area_mm2 for a, b in pairwise(curve))


def test_a_walk_in_is_told_to_measure_their_own_parts(house: mk.House) -> None:
    """Where the typed present set-up is the larger doubt, the measurement named is of what they play now."""
    visitor = house.visitor("alto", mouthpiece="75thou", reed="3")
    assert any(row.measure_next.of_present for row in house.rank(visitor, top=3).rows)


def test_facing_report_of_a_short_rail(house: mk.House) -> None:
    """The short left rail is found with its uncertainty, the covariance is that of the lengths, nominal pieces have no bumps."""
    report = house.facing("AM-07")
    assert report.rail_difference_mm is not None
    assert report.u_rail_difference_mm is not None
    assert report.rail_difference_mm < -3 * report.u_rail_difference_mm
    assert report.covariance_monte_carlo_mm2 is not None
    assert math.sqrt(report.covariance_monte_carlo_mm2[1][1]) == pytest.approx(report.u_facing_length_mm)
    assert math.sqrt(report.covariance_mm2[1][1]) == pytest.approx(report.u_facing_length_mm, rel=0.1)
    assert report.exponent == pytest.approx(2.0, abs=0.3)
    assert 0.02 < report.u_exponent < 0.3
    assert house.facing("AM-10").bumps == ()
    assert not house.facing("AM-10").measured
    assert any(flaw.kind == "bump" for flaw in house.facing("TM-04").bumps)
    assert report.to_dict()["schema"] == "matchkit.facing/1"
    assert len(report.to_frame()) == 1


def test_neighbours_of_one_instrument_only(house: mk.House) -> None:
    """No playtest of another instrument stands behind a correction."""
    instrument = {piece.id: piece.instrument for piece in house.tables.mouthpieces}
    tests = {test.id: test for test in house.tables.playtests}
    for row in house.rank("P09", top=5).rows:
        assert {instrument[tests[near.playtest].mouthpiece_id] for near in row.playtests} == {"tenor"}
