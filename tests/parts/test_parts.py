"""Records become parts: wet and dry, scales and labels, short profiles, few feelers, typed set-ups."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any

import numpy as np
import pytest

import matchkit as mk
from matchkit.advise.requests import wrong_order
from matchkit.facts import Aimed, Assumed, Refusal
from matchkit.learn.learner import Learner
from matchkit.parts.facing import FacingPart, facing_part
from matchkit.parts.reed import ReedPart, bench_stiffness_n_per_m
from matchkit.parts.said import read_tip_mm
from matchkit.parts.scale import ReedScale
from matchkit.parts.stock import Parts, Stock
from matchkit.records.parts import FacingReading, Ligature, Mouthpiece, Neck, ProfilePoint, Reed, StrengthStep
from matchkit.records.people import Player, Playtest
from matchkit.records.spec import HouseSpec
from matchkit.score.player import Visitor
from matchkit.score.scorer import Scorer
from matchkit.score.tone import tone_vote
from matchkit.score.wishes import NO_WISH, WISHES, understand
from matchkit.tables.defaults import read_defaults

DEFAULTS = read_defaults()
PROFILE = [(1, 0.11), (2, 0.15), (5, 0.27), (10, 0.49), (15, 0.74), (20, 1.03), (30, 1.78), (36, 2.3)]


def points(profile: str, rows: Sequence[tuple[float, float]] | None = None) -> list[ProfilePoint]:
    return [ProfilePoint(profile_id=profile, x_mm=x, thickness_mm=t) for x, t in rows or PROFILE]


def step(profile: str, strength: float, **said: Any) -> StrengthStep:
    return StrengthStep(profile_id=profile, strength=strength, **said)


def reed(strength: float, profile: str | None = "A", **said: Any) -> Reed:
    values = {"id": f"{profile}{strength}", "instrument": "alto", "cut": "filed", **said}
    return Reed.model_validate({**values, "profile_id": profile, "strength": strength})


def learner(**tables: Any) -> Learner:
    empty: dict[str, Any] = dict.fromkeys(Stock.__dataclass_fields__, ())
    return Learner(Scorer(Parts(Stock(**{**empty, "spec": HouseSpec(), "defaults": DEFAULTS, **tables}))))


def bench(reeds: list[Reed], steps: list[StrengthStep], rows: list[ProfilePoint] | None = None) -> ReedScale:
    return ReedScale(reeds, points("A") + points("B") if rows is None else rows, steps, defaults=DEFAULTS, spec=HouseSpec())


def wet_stiffness(part: ReedPart) -> float:
    return bench_stiffness_n_per_m(part) * 1e-3


def test_own_reading_comes_before_the_scale_and_the_scale_before_the_label() -> None:
    """A reading fixes the reed, a scale step its box, a label only its place in a row; doubt grows in that order."""
    reeds = [reed(2.5, stiffness_n_per_mm=1.3), reed(2.5, id="by scale"), reed(2.5, "Z")]
    parts = [bench(reeds, [step("A", 2.5, stiffness_n_per_mm=1.2, spread_pct=8)]).part(item) for item in reeds]
    assert [part.basis for part in parts] == ["reading", "scale", "label"]
    assert [part.scale for part in parts] == [None, None, "Z"]
    assert parts[0].u_stiffness < parts[1].u_stiffness < parts[2].u_stiffness
    assert wet_stiffness(parts[0]) == pytest.approx(0.75 * 1.3)
    assert wet_stiffness(parts[1]) == pytest.approx(0.75 * 1.2)


def test_wet_tests_and_synthetics_are_not_softened_again() -> None:
    """The wet factor acts on dry-tested cane only."""
    cases = {("cane", "dry"): 0.75, ("cane", "wet"): 1.0, ("synthetic", "dry"): 1.0}
    for (material, state), factor in cases.items():
        item = reed(2.5, material=material, state=state, stiffness_n_per_mm=1.0)
        part = bench([item], []).part(item)
        assert wet_stiffness(part) == pytest.approx(factor)
        assert (part.u_wet > 0) == (factor < 1)


@pytest.mark.parametrize("twin_state", ["dry", "wet"])
@pytest.mark.parametrize("material", ["cane", "synthetic"])
def test_plays_like_means_equally_stiff_as_played(twin_state: str, material: str) -> None:
    """A reed said to play like another is as stiff wet, whatever either is made of and however the other was tested."""
    reeds = [reed(2, "A"), reed(3, "B", material=material)]
    stiff = {"dry": 1.0, "wet": 0.75}[twin_state]
    steps = [step("A", 2, stiffness_n_per_mm=stiff, state=twin_state), step("B", 3, equals_profile_id="A", equals_strength=2)]
    parts = [bench(reeds, steps).part(item) for item in reeds]
    assert wet_stiffness(parts[0]) == pytest.approx(0.75)
    assert wet_stiffness(parts[1]) == pytest.approx(0.75)


def test_between_strengths_is_interpolated_in_ln_e_and_marked() -> None:
    """A strength between two calibrated ones is their geometric mean as played, even if one was tested wet; and says so."""
    for state, stiff in (("dry", 1.25), ("wet", 0.75 * 1.25)):
        item = reed(2.5)
        part = bench([item], [step("A", 2, stiffness_n_per_mm=1.0), step("A", 3, stiffness_n_per_mm=stiff, state=state)]).part(
            item
        )
        assert wet_stiffness(part) == pytest.approx(0.75 * math.sqrt(1.25))
        assert Assumed("stiffness between strengths") in part.assumed
    beyond = bench([item], [step("A", 2, modulus_gpa=5.0)]).part(item)
    assert beyond.modulus_pa == pytest.approx(0.75 * 5e9 * 1.16)


def test_labels_alone_keep_their_order() -> None:
    """Within one scale of numbers a higher strength is stiffer, whatever material or state was typed."""
    made = [reed(2, None), reed(2.5, None, material="synthetic"), reed(3, None, state="wet"), reed(3.5, None)]
    parts = [bench(made, []).part(item) for item in made]
    stiff = [part.modulus_pa for part in parts]
    assert stiff == sorted(stiff)
    assert len({part.scale for part in parts}) == 1
    assert stiff[3] / stiff[0] == pytest.approx(1.16**3)


def test_an_unknown_box_spread_is_doubt_and_not_a_term() -> None:
    """Without a measured spread the usual one enters the uncertainty, and the box term stays not known."""
    item = reed(2.5)
    blank = bench([item], [step("A", 2.5, stiffness_n_per_mm=1.2)]).part(item)
    given = bench([item], [step("A", 2.5, stiffness_n_per_mm=1.2, spread_pct=8)]).part(item)
    assert blank.box_spread is None
    assert given.box_spread == pytest.approx(0.08)
    assert blank.u_stiffness == pytest.approx(given.u_stiffness)


@pytest.mark.parametrize("kept", [3, 4, 7])
def test_short_profiles_are_completed_and_not_called_measured(kept: int) -> None:
    """A profile cut short gives the closing pressure of the whole one within a few per cent, and says what is assumed."""
    item = reed(2.5, stiffness_n_per_mm=1.2)
    whole = bench([item], []).part(item)
    short = bench([item], [], points("A", PROFILE[:kept])).part(item)
    assert whole.profile_measured
    assert short.profile_measured == (kept == 7)
    assert (Assumed("part of the profile") in short.assumed) == (kept < 7)
    assert short.modulus_pa == pytest.approx(whole.modulus_pa, rel=0.25)


def test_crown_follows_from_the_edges() -> None:
    """An edge of 0.6 of the centre gives 0.72 of the full rectangle, one of 0.8 gives 0.832 (see crown.json); it is read 1 mm in, on a parabola."""
    item = reed(2.5)
    plan = bench([item], []).part(item).shape
    for ratio, factor in ((0.6, 0.72), (0.8, 0.832)):
        halves = plan.width_at_m(np.array([x for x, _ in PROFILE]) * 1e-3) * 1e3 / 2
        read = [1 - (1 - ratio) * (1 - 1 / half) ** 2 for half in halves]
        rows = [
            ProfilePoint(profile_id="A", x_mm=x, thickness_mm=t, edge_mm=round(one * t, 6))
            for (x, t), one in zip(PROFILE, read, strict=True)
        ]
        assert bench([item], [], rows).part(item).shape.crown == pytest.approx(np.full(8, factor), abs=5e-4)


def readings(feelers: list[tuple[float, float]], rails: tuple[str, ...] = ("left", "right")) -> list[FacingReading]:
    return [
        FacingReading.model_validate({"mouthpiece_id": "M", "rail": rail, "feeler_mm": feeler, "stop_mm": stop})
        for rail in rails
        for feeler, stop in feelers
    ]


def facing(feelers: list[tuple[float, float]], rails: tuple[str, ...] = ("left", "right")) -> FacingPart:
    piece = Mouthpiece(id="M", instrument="alto", tip_opening_mm=1.9)
    return facing_part(piece, readings(feelers, rails), defaults=DEFAULTS, spec=HouseSpec())


ROUGH = [(0.038, 20.6), (0.1, 18.2), (0.2, 16.9), (0.4, 12.4), (0.6, 11.0), (0.9, 7.1)]


def test_few_feelers_are_not_rewarded() -> None:
    """One feeler fixes an arc and no smoothness: a rough facing read with one feeler is not known, never smooth."""
    assert (facing(ROUGH).smoothness_m or 0) > 10e-6
    for count in (1, 2, 3):
        part = facing(ROUGH[:count])
        assert (part.smoothness_m, part.leak_m2) == (None, None)
        assert Assumed("facing shape, few feelers", 4) in part.assumed
        assert not part.lay.shape_known
        assert part.lay.measured


def test_one_rail_stands_for_both_and_says_so() -> None:
    """With one rail read the facing is known and the rails are not."""
    part = facing(ROUGH, ("left",))
    assert part.smoothness_m is not None
    assert part.leak_m2 is None
    assert Assumed("other rail", like="left") in part.assumed


def test_repeats_are_averaged_and_own_uncertainties_count() -> None:
    """Two readings of a feeler count as their mean, better known; a row's own uncertainty replaces the gauge's."""
    once = facing(ROUGH).lay.fair
    twice = facing_part(
        Mouthpiece(id="M", instrument="alto", tip_opening_mm=1.9),
        readings(ROUGH) + readings(ROUGH),
        defaults=DEFAULTS,
        spec=HouseSpec(),
    ).lay.fair
    assert twice.break_m == pytest.approx(once.break_m, abs=2e-4)
    sharp = [r.model_copy(update={"u_stop_mm": 0.01, "u_feeler_mm": 0.001}) for r in readings(ROUGH)]
    piece = Mouthpiece(id="M", instrument="alto", tip_opening_mm=1.9)
    smooth = [(feeler, 22.9 - math.sqrt(2 * 138.95 * feeler - feeler**2)) for feeler, _ in ROUGH]
    exact = [r.model_copy(update={"stop_mm": stop}) for r, (_, stop) in zip(sharp, smooth * 2, strict=True)]
    known = facing_part(piece, exact, defaults=DEFAULTS, spec=HouseSpec()).lay.fair
    assert known.u_facing_length_m < facing(smooth).lay.fair.u_facing_length_m / 3


# typed set-ups


@pytest.mark.parametrize(
    ("typed", "mm"),
    [("1.9", 1.9), ("1,9mm", 1.9), ("75thou", 1.905), ("75 thou", 1.905), ("75", 1.905), (".075in", 1.905), ('0.075"', 1.905)],
)
def test_tip_openings_as_people_say_them(typed: str, mm: float) -> None:
    """Millimetres, thousandths and inches are told apart."""
    assert read_tip_mm(typed) == pytest.approx(mm)


@pytest.mark.parametrize("typed", ["7", "7*", "B", "0.2", "5mm", "", "?"])
def test_other_tips_are_refused(typed: str) -> None:
    """A maker's own number, or a size no mouthpiece has, is refused with what was expected."""
    with pytest.raises(mk.RequestError, match="expected a tip opening"):
        read_tip_mm(typed)


def test_two_customers_do_not_share_a_mouthpiece(house: mk.House) -> None:
    """In one open house, two typed tip openings give the closing pressures of two mouthpieces, on any instrument."""
    found = {}
    for instrument, tip in (("alto", 1.5), ("alto", 2.3), ("tenor", 2.3)):
        kind: Any = instrument
        present = house.scorer.view(Visitor(instrument=kind, tip_opening_mm=tip, strength=2.5)).present
        assert present is not None
        found[instrument, tip] = float(present.pair.closing_pressure_pa[0])
        assert present.pair.tip_opening_m[0] == pytest.approx(tip * 1e-3)
    fresh = mk.open().scorer.view(Visitor(instrument="alto", tip_opening_mm=2.3, strength=2.5)).present
    assert fresh is not None
    assert found["alto", 2.3] == pytest.approx(float(fresh.pair.closing_pressure_pa[0]))
    assert found["alto", 2.3] > 1.3 * found["alto", 1.5]
    assert len(set(found.values())) == 3


def test_typed_strengths_rise_and_doubt_grows_outside_the_house() -> None:
    """A typed strength is stiffer the higher it is, even where the house's own makes run the other way; outside them less sure."""
    reeds = [reed(2, "A"), reed(2.5, "B")]
    steps = [step("A", 2, stiffness_n_per_mm=1.3), step("B", 2.5, stiffness_n_per_mm=1.0)]
    shop = learner(reeds=reeds, reed_profiles=points("A") + points("B"), strength_scale=steps)
    typed = [shop.parts.typed_reed(s, "alto", cut=None, profile_id=None) for s in (1, 2, 2.5, 4)]
    stiff = [part.modulus_pa for part in typed]
    assert stiff == sorted(stiff)
    assert typed[0].u_stiffness > typed[1].u_stiffness >= 0.12
    assert typed[3].u_stiffness > typed[2].u_stiffness
    assert all(part.scale is None for part in typed)


def test_a_typed_reed_of_an_uncalibrated_profile_stays_on_its_scale() -> None:
    """Naming a profile of the house keeps that profile's own order, calibrated or not; without any calibration the label stands."""
    reeds = [reed(2, "A"), reed(2.5, "C"), reed(3, "C")]
    shop = learner(reeds=reeds, reed_profiles=points("A"), strength_scale=[step("A", 2, stiffness_n_per_mm=1.2)])
    mine = shop.parts.typed_reed(2.5, "alto", cut="filed", profile_id="C")
    assert mine.scale == "C"
    assert shop.parts.typed_reed(2.0, "alto", cut="filed", profile_id="A").scale is None
    bare = learner(reeds=[reed(2, None)])
    assert bare.parts.typed_reed(2.5, "alto", cut=None, profile_id=None).scale == "filed alto reeds of unknown make"


def test_softer_reed_compares_at_the_same_test(house: mk.House) -> None:
    """How a reed was tested does not make it softer: three equal reeds tested at three places are none softer than another."""
    del house
    base = bench([reed(2.5, stiffness_n_per_mm=1.2)], []).part(reed(2.5, stiffness_n_per_mm=1.2))
    from matchkit.physics.reed import stiffness_from_modulus_n_per_m

    made = [reed(2.5, id="one", stiffness_n_per_mm=1.2)]
    for name, load, clamp in (("two", 5.0, 20.0), ("three", 8.0, 24.0)):
        k = stiffness_from_modulus_n_per_m(
            base.shape, modulus_pa=base.modulus_pa / 0.75, load_m=load * 1e-3, clamp_m=clamp * 1e-3
        )
        made.append(reed(2.5, id=name, stiffness_n_per_mm=k * 1e-3, stiffness_load_mm=load, stiffness_clamp_mm=clamp))
    shop = learner(
        reeds=made,
        reed_profiles=points("A"),
        mouthpieces=[Mouthpiece(id="M", instrument="alto", tip_opening_mm=1.9)],
        players=[Player(id="P", instrument="alto", mouthpiece_id="M", reed_id="one")],
    )
    for wish, expected in (("softer reed", Refusal.NOT_SOFTER), ("harder reed", Refusal.NOT_HARDER)):
        ruled_out, reason = wrong_order(shop.parts.reeds, shop.scorer.view("P"), understand([wish]))
        assert ruled_out.all()
        assert reason == expected


# corners of a house


SMALL: dict[str, Any] = {
    "mouthpieces": [Mouthpiece(id="M", instrument="tenor", tip_opening_mm=2.4)],
    "reeds": [reed(2.5, None)],
    "ligatures": [Ligature(id="L")],
}


def as_house(**tables: Any) -> mk.House:
    from matchkit.tables.source import Tables

    empty: dict[str, Any] = dict.fromkeys(Tables.__dataclass_fields__, ())
    return mk.House(Tables(**{**empty, "source": "test", "spec": HouseSpec(), **tables}))


@pytest.mark.parametrize("gone", ["mouthpieces", "reeds", "ligatures", None])
def test_empty_tables_are_an_answer_and_no_crash(gone: str | None) -> None:
    """Without a pair that fits the ranking is empty; without ligatures pairs are ranked alone. Counts still add up."""
    tables = {**SMALL, "mouthpieces": [Mouthpiece(id="M", instrument="alto", tip_opening_mm=1.9)]}
    if gone is not None:
        tables[gone] = []
    ranking = as_house(**tables).rank(Visitor(instrument="alto"))
    assert len(ranking.rows) == (0 if gone in ("mouthpieces", "reeds") else 1)
    assert sum(max(len(row.ligature_ids), 1) for row in ranking.rows) + sum(ranking.refused.values()) == ranking.combinations
    nothing = as_house(**SMALL).rank(Visitor(instrument="tenor"))
    assert not nothing.rows
    assert nothing.refused == {"wrong instrument": 1}
    assert nothing.aimed == Aimed("nothing")


def test_lip_far_back_is_kept_on_the_free_reed(house: mk.House) -> None:
    """The furthest lip that a table may hold gives finite numbers on the shortest facing."""
    report = house.closing("CM-01", "CR-A-2.5", player=Visitor(instrument="clarinet", lip_mm=18.0))
    assert math.isfinite(report.lip_load_n)
    assert math.isfinite(report.lip_area_mm2)


def test_clarinet_with_a_slight_cone_has_no_volume_term() -> None:
    """A clarinet neck row with a half angle is no reason for a volume term, nor for an error."""
    shop = as_house(
        mouthpieces=[Mouthpiece(id="M", instrument="clarinet", tip_opening_mm=1.1, chamber_volume_cm3=5)],
        reeds=[reed(2.5, None, instrument="clarinet")],
        ligatures=[Ligature(id="L")],
        necks=[
            Neck(id="N", instrument="clarinet", bore_mm=15, half_angle_deg=0.4),
            Neck(id="A", instrument="alto", bore_mm=12, half_angle_deg=1.6),
        ],
    )
    row = shop.rank(Visitor(instrument="clarinet"), neck="N").rows[0]
    assert "volume" not in {term.name for term in row.terms}
    with pytest.raises(mk.RequestError, match="is for alto"):
        shop.rank(Visitor(instrument="clarinet"), neck="A")


def test_scores_are_ranked_before_they_are_clipped() -> None:
    """Where every mark is 0 the scores shown stay within 0 to 100, inside their own interval, in the order of the marks."""
    players = [Player(id=f"P{k}", instrument="alto") for k in range(9)]
    pieces = [Mouthpiece(id=f"M{k}", instrument="alto", tip_opening_mm=1.5 + 0.1 * k) for k in range(9)]
    tests = [
        Playtest(id=f"T{k}", player_id=f"P{k % 9}", mouthpiece_id=f"M{k % 8}", reed_id="r", overall=0.0, session=f"S{k}")
        for k in range(72)
    ]
    shop = as_house(
        mouthpieces=pieces, reeds=[reed(2.5, None, id="r")], ligatures=[Ligature(id="L")], players=players, playtests=tests
    )
    rows = shop.rank("P1", top=9).rows
    assert all(0 <= row.score <= 100 for row in rows)
    raw = [row.computed + row.correction for row in rows]
    assert raw == sorted(raw, reverse=True)
    assert all(row.score_low is not None and row.score_high is not None for row in rows)
    assert all((row.score_low or 0) <= row.score <= (row.score_high or 0) for row in rows)


def test_tests_on_another_instrument_teach_nothing() -> None:
    """A tenor player's mark for an alto mouthpiece is left out of what is learned."""
    shop = learner(
        mouthpieces=[Mouthpiece(id="M", instrument="alto", tip_opening_mm=1.9)],
        reeds=[reed(2.5, None, id="r")],
        players=[Player(id="P", instrument="tenor"), Player(id="Q", instrument="alto")],
        playtests=[Playtest(id=f"T{p}", player_id=p, mouthpiece_id="M", reed_id="r", overall=5.0) for p in "PQ"],
    )
    assert [test.id for test in shop.scorer.marked] == ["TQ"]
    assert len(shop.rated_tests) == 1


def test_liked_set_ups_of_label_only_reeds_are_aimed_at() -> None:
    """Twenty liked playtests set the target even where reeds are known by their numbers only."""
    shop = as_house(
        mouthpieces=[Mouthpiece(id=f"M{k}", instrument="alto", tip_opening_mm=1.5 + 0.1 * k) for k in range(5)],
        reeds=[reed(2.5, None, id="r")],
        ligatures=[Ligature(id="L")],
        players=[Player(id="P", instrument="alto")],
        playtests=[Playtest(id=f"T{k:02d}", player_id="P", mouthpiece_id="M0", reed_id="r", overall=9.0) for k in range(25)],
    )
    ranking = shop.rank("P", top=5)
    assert ranking.aimed == Aimed("liked", 25)
    assert ranking.rows[0].mouthpiece_id == "M0"


@pytest.mark.parametrize(
    ("here", "there", "vote"),
    [
        ({"baffle_height_mm": 4}, {"baffle_height_mm": 6}, 1.0),
        ({"baffle_height_mm": 6}, {"baffle_height_mm": 4, "chamber_volume_cm3": 5}, -1.0),
        ({"baffle_class": "high", "chamber_volume_cm3": 5}, {"baffle_class": "low", "chamber_volume_cm3": 5}, 0.5),
        ({"baffle_class": "high"}, {"baffle_class": "low"}, 1.0),
        ({"chamber_volume_cm3": 6}, {"chamber_volume_cm3": 5}, -1.0),
        ({"baffle_height_mm": 4}, {"chamber_volume_cm3": 5}, None),
        ({"baffle_class": "high"}, {}, None),
        ({}, {"baffle_class": "low"}, None),
    ],
)
def test_tone_votes(here: dict[str, Any], there: dict[str, Any], vote: float | None) -> None:
    """A higher baffle and a smaller chamber each vote for brighter (common practice, no source)."""
    pieces = [
        Mouthpiece.model_validate({"id": "M", "instrument": "alto", "tip_opening_mm": 1.9, **said}) for said in (here, there)
    ]
    assert tone_vote(*pieces) == vote


def test_wishes_on_one_axis_count_once_and_opposites_are_refused() -> None:
    """Wishes "freer" and "softer reed" are one step; "much" is two, on tone and evenness as well; opposites raise RequestError."""
    assert understand(["freer", "softer-reed"]).resistance == -1
    assert understand(["much freer", "softer reed"]).resistance == -2
    assert (understand(["much brighter"]).tone, understand(["much more even"]).even) == (2, 2)
    assert understand([]) == NO_WISH
    with pytest.raises(mk.RequestError, match="'less air' and 'bigger sound' are opposites"):
        understand(["bigger sound", "less air"])


def test_elbow_differs_between_set_ups_and_scales_with_the_reed(house: mk.House) -> None:
    """The elbow is found, not a constant of the search; every pressure of a stiffer reed of one profile grows alike."""
    shares = {}
    for mouthpiece, name in (("TM-01", "TR-A-2.5"), ("AM-05", "AR-B-2"), ("SM-01", "SR-A-3")):
        report = house.closing(mouthpiece, name)
        assert report.elbow_pressure_kpa is not None
        shares[mouthpiece] = report.elbow_pressure_kpa / report.closing_pressure_kpa
    assert len({round(share, 3) for share in shares.values()}) == 3
    assert all(0.05 < share < 0.9 for share in shares.values())
    soft, hard = (house.closing("TM-01", f"TR-A-{s}") for s in ("2", "3.5"))
    for name in ("closing_pressure_kpa", "elbow_pressure_kpa", "stiffness_mpa_per_m"):
        assert getattr(hard, name) / getattr(soft, name) == pytest.approx(
            hard.closing_pressure_kpa / soft.closing_pressure_kpa, rel=1e-3
        )


def test_present_set_up_is_scored_without_a_borrowed_ligature(house: mk.House) -> None:
    """Where the present ligature is not known no ligature is lent to it, least of all one that does not fit."""
    for player in ("P01", "P07", "P13"):
        present = house.rank(player).present
        assert present is not None
        assert present.ligature_ids == ()
    assert house.explain("P05", "AM-03", "AR-A-3").setup.ligature_id is None


def test_every_wish_is_one_step() -> None:
    """A word moves what it is about by one step, "much" by two, and moves nothing else."""
    for word, wish in WISHES.items():
        sizes = [getattr(wish, name) for name in ("resistance", "opening", "tone", "reed", "even")]
        assert max(map(abs, sizes)) == 1, word
        much = understand([f"much {word}"])
        told = [getattr(much, name) for name in ("resistance", "opening", "tone")]
        assert told == [2 * size for size in sizes[:3]], word
