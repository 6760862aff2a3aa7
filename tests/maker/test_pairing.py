"""Pairing with the house reeds: the tables against exact contact solutions, the draws against the pairs themselves."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

import matchkit as mk
import matchkit.maker.batch
import matchkit.maker.pairing
from matchkit import constants
from matchkit.cli.printing import lay_out
from matchkit.files import shipped
from matchkit.maker.batch import bench_scorer, judge_and_pair, measure_facings
from matchkit.maker.facts import NotPaired
from matchkit.maker.files import read_pieces
from matchkit.maker.measure.monte_carlo import monte_carlo
from matchkit.maker.pairing import draw_facing, lots_of, share_within, usual_draws
from matchkit.maker.pieces import gather
from matchkit.maker.strips import Strip, for_the_box
from matchkit.parts.facing import rails_of
from matchkit.parts.stock import Parts
from matchkit.physics.closing import LIP_REACH, LIP_SHARES, close_reeds
from matchkit.physics.lay.fair import THIN
from matchkit.physics.share_table import power_beams, power_exponent, shape_of_power, share_table
from matchkit.records.spec import HouseSpec
from matchkit.score.scorer import Scorer
from matchkit.tables.defaults import read_defaults
from matchkit.tables.store import PIECES_TABLES, read_tables
from matchkit.words.maker.batch.screen import batch_screen

SPAN: dict[str, tuple[float, float]] = {"tips_m": (2.3e-3, 2.7e-3), "lengths_m": (23e-3, 27e-3), "shapes": (0.30, 0.38)}


def test_a_shape_is_that_of_its_power_law() -> None:
    """Half-open place and facing length of ``T (1 - x/L)^m`` (analytic), and the way back."""
    tip, edge, power = 2.4e-3, 27e-3, 2.13
    thin, half = (edge * (1 - (height / tip) ** (1 / power)) for height in (THIN, tip / 2))
    assert float(shape_of_power(tip, power)) == pytest.approx(half / thin, rel=1e-12)
    assert float(power_exponent(np.array(tip), np.array(half / thin))) == pytest.approx(power, rel=1e-9)


@pytest.mark.parametrize("reed", ["TR-A-3", "TR-B-2.5", "TR-D-3"])
def test_tables_against_a_thousand_exact_solutions(reed: str) -> None:
    """Closing share at three lips within 2 % (root mean square over the mean), closing pressure within 0.3 %."""
    shape = mk.open().parts.reed(reed).shape
    lip = {"lip_m": 12e-3, "lip_spread_m": constants.LIP_SPREAD.value * 1e-3}
    table = share_table(
        shape,
        tips_m=SPAN["tips_m"],
        lengths_m=SPAN["lengths_m"],
        shapes=SPAN["shapes"],
        width_m=15e-3,
        lip_m=12e-3,
        lip_spread_m=lip["lip_spread_m"],
    )
    rng = np.random.default_rng(1)
    tip, length, form = (rng.uniform(*SPAN[name], 1000) for name in ("tips_m", "lengths_m", "shapes"))
    beams = power_beams(shape, tip_m=tip, length_m=length, shape=form, width_m=15e-3, **lip)
    exact = close_reeds(beams, tip_width_m=np.full(1000, shape.tip_width_m), lip_m=np.minimum(12e-3, LIP_REACH * length))
    where = table.places(tip, length, form)
    for place in (0, 1, 2):
        wanted = exact.share[:, place]
        found = table.shares(where, lip_share=np.full(1000, LIP_SHARES[place]))
        assert float(np.sqrt(np.mean((found - wanted) ** 2))) < 0.02 * float(wanted.mean())
    assert np.exp(table.ln_pressures(where)) == pytest.approx(exact.pressure_per_modulus, rel=3e-3)


@pytest.fixture(scope="module")
def report() -> mk.BatchReport:
    """Pair the demo batch once."""
    return mk.open().batch()


def test_draws_centre_on_the_exact_pairs(report: mk.BatchReport) -> None:
    """Medians are the exact closing pressure and share, spreads the first-order uncertainty and the spread of the box, within the draws'."""
    pairing = report.pairings[0]
    tables = read_tables(shipped("data/demo-bench/batch"), needed=PIECES_TABLES)
    house = mk.open()
    pieces = gather(tables.mouthpieces, tables.facings, tables.lay_points)
    facings = measure_facings(pieces, defaults=read_defaults(), spec=house.tables.spec, jobs=1)[:3]
    lots = lots_of(house.parts.reeds_for("tenor"))
    bench = bench_scorer(house.scorer, house.tables.spec)
    for row, facing in enumerate(facings):
        for column, lot in enumerate(lots):
            exact = bench.pair(facing, lot.reed, lip_m=12e-3)
            found = pairing.pairs[row * len(lots) + column]
            assert (found.mouthpiece_id, found.lot) == (facing.mouthpiece.id, lot.id)
            wanted = float(exact.closing_pressure_pa[0]) / 1e3
            assert found.closing_pressure_kpa == pytest.approx(wanted, rel=0.03)
            own = lot.spread if lot.reed.basis == "reading" else 0.0  # another reed of the box than the one that was read
            relative = float(np.hypot(bench.uncertainty(exact).own[0], own))
            assert found.u_closing_pressure_kpa == pytest.approx(wanted * relative, rel=0.2)
            assert found.effort_kpa == pytest.approx(found.closing_pressure_kpa - pairing.blow_kpa / 0.45, abs=1e-9)
            assert 0.01 < found.closing_share < 0.15


def test_what_the_pairing_says_of_the_batch(report: mk.BatchReport) -> None:
    """Shares are means over the pieces; softer lots shift the range; the box names two strengths of one profile, best two of it."""
    pairing = report.pairings[0]
    inside = np.array([pair.in_range for pair in pairing.pairs]).reshape(40, -1)
    assert [lot.in_range for lot in pairing.lots] == pytest.approx(inside.mean(axis=0))
    assert pairing.box is not None
    assert pairing.box.also is not None
    assert pairing.box.strip.profile == pairing.box.also.profile
    stiff = next(lot for lot in pairing.lots if lot.lot == "tenor-D 3.5")
    assert stiff.in_range_half_softer > stiff.in_range + 0.2
    assert pairing.alone == ()
    assert [item.what for item in pairing.assumed[:2]] == ["blowing pressure", "lip force"]
    assert [item.value for item in pairing.assumed[:2]] == pytest.approx([pairing.blow_kpa, pairing.lip_load_n])
    by_piece = {pair.mouthpiece_id: pair for pair in pairing.pairs if pair.lot == "tenor-A 3"}
    assert by_piece["TB-25-13"].closing_pressure_kpa > by_piece["TB-25-12"].closing_pressure_kpa  # the wider tip


def test_a_strip_holds_the_spread_and_nothing_else(report: mk.BatchReport) -> None:
    """Nine in ten of drawn pairs lie in a strip whose lot is as thought; off by two deviations their share in range is as told.

    The draws are made here, from the medians of the pieces and the spread of the lot.
    """
    pairing = report.pairings[0]
    lots = {lot.id: lot for lot in lots_of(mk.open().parts.reeds_for("tenor"))}
    rng = np.random.default_rng(11)
    low, high = pairing.closing_range_kpa
    for strip in pairing.lots:
        lot = lots[strip.lot]
        middle = np.log([pair.closing_pressure_kpa for pair in pairing.pairs if pair.lot == strip.lot])
        drawn = middle[:, None] + rng.normal(0, lot.spread, (len(middle), 4000))
        assert np.quantile(np.exp(drawn), (0.05, 0.95)) == pytest.approx((strip.low_kpa, strip.high_kpa), rel=5e-3)
        for shift, told in ((0, strip.in_range_spread), (-2, strip.in_range_softest), (2, strip.in_range_hardest)):
            moved = np.exp(drawn + shift * lot.u_level)
            assert float(((moved >= low) & (moved <= high)).mean()) == pytest.approx(told, abs=0.01)
        assert strip.level_pct == pytest.approx(100 * lot.u_level)


def test_large_batches_draw_less_and_say_the_same(report: mk.BatchReport, monkeypatch: pytest.MonkeyPatch) -> None:
    """With a hundred draws a piece, and doubts worked out on ten pieces only, every share in range is that of whole draws within 0.06, each strip's within 0.01."""
    monkeypatch.setattr(matchkit.maker.pairing, "MOST_DOUBTS", 10)
    few, whole = mk.open().batch(draws=100).pairings[0], report.pairings[0]
    assert (few.draws, whole.draws) == (100, usual_draws(40))
    assert [pair.in_range for pair in few.pairs] == pytest.approx([pair.in_range for pair in whole.pairs], abs=0.06)
    assert [strip.in_range for strip in few.lots] == pytest.approx([strip.in_range for strip in whole.lots], abs=0.01)
    assert few.pairs != whole.pairs


def test_very_large_batches_are_paired_in_part(monkeypatch: pytest.MonkeyPatch) -> None:
    """Of forty pieces ten are paired where more are too many: every fourth, all of them judged, and it is said."""
    monkeypatch.setattr(matchkit.maker.batch, "MOST_PAIRED", 10)
    report = mk.open().batch(draws=100)
    pairing = report.pairings[0]
    paired = list(dict.fromkeys(pair.mouthpiece_id for pair in pairing.pairs))
    assert paired == [piece.mouthpiece_id for piece in report.pieces][::4]
    assert (pairing.made, len(report.pieces)) == (40, 40)
    assert "10 of 40 pieces, evenly through the batch." in lay_out(batch_screen(report))
    assert "evenly through the batch" not in lay_out(batch_screen(mk.open().batch(pair=False)))


def test_shares_in_range_are_those_of_counting() -> None:
    """A normal distribution about each draw, against counting reeds drawn about them (seeded)."""
    rng = np.random.default_rng(4)
    middle, sd = math.log(12e3) + rng.normal(0, 0.05, (2, 200)), np.array([0.12, 0.05])
    drawn = np.exp(middle[:, :, None] + sd[:, None, None] * rng.standard_normal((2, 200, 5000)))
    counted = ((drawn >= 11e3) & (drawn <= 14e3)).mean(axis=(1, 2))
    assert share_within(middle, sd=sd, low_pa=11e3, high_pa=14e3) == pytest.approx(counted, abs=2e-3)


def test_no_unplayable_strength_goes_on_the_box(report: mk.BatchReport) -> None:
    """A range about soft reeds still recommends none that shuts by itself; a range where nothing else closes recommends none at all."""
    house = mk.open()
    tables = read_tables(shipped("data/demo-bench/batch"), needed=PIECES_TABLES)
    pieces = gather(tables.mouthpieces[:3], tables.facings, tables.lay_points)
    shut = report.pairings[0].shuts_below_kpa
    soft = house.tables.spec.model_copy(update={"closing_range": {"tenor": (shut - 1.5, shut + 2.5)}})
    pairing = judge_and_pair(house.scorer, pieces, spec=soft).pairings[0]
    assert any(not strip.playable and strip.in_range > 0.3 for strip in pairing.lots)
    assert pairing.box is not None
    assert pairing.box.strip.playable
    none = house.tables.spec.model_copy(update={"closing_range": {"tenor": (1.0, 2.0)}})
    assert judge_and_pair(house.scorer, pieces, spec=none).pairings[0].box is None


def test_the_answer_does_not_depend_on_the_workers(report: mk.BatchReport) -> None:
    """Two workers give the same pairs, to the last digit."""
    assert mk.open().batch(jobs=2).pairings[0] == report.pairings[0]


def test_no_range_or_no_reed_is_said() -> None:
    """Without a closing range, or without a reed whose stiffness is known, the batch is judged and the answer says why it is not paired."""
    house = mk.open()
    tables = read_tables(shipped("data/demo-bench/batch"), needed=PIECES_TABLES)
    pieces = gather(tables.mouthpieces[:3], tables.facings, tables.lay_points)
    bare = house.tables.spec.model_copy(update={"closing_range": {}})
    told = judge_and_pair(house.scorer, pieces, spec=bare)
    assert told.pairings == ()
    assert told.not_paired == (NotPaired("tenor", "no closing range"),)
    empty = Scorer(Parts(replace(house.parts.stock, reeds=(), players=(), playtests=())))
    assert judge_and_pair(empty, pieces, spec=house.tables.spec).not_paired == (NotPaired("tenor", "no reed known"),)
    narrow = house.tables.spec.model_copy(update={"closing_range": {"tenor": (20.0, 21.0)}})
    alone = judge_and_pair(house.scorer, pieces, spec=narrow).pairings[0].alone
    assert set(alone) == {piece.id for piece in pieces.mouthpieces}
    assert isinstance(narrow, HouseSpec)


def test_a_lot_of_measured_reeds_has_its_own_spread() -> None:
    """Four reeds of one lot read on the bench: the spread is theirs, not the box's."""
    house = mk.open()
    base = next(part for part in house.parts.reeds if part.reed.id == "TR-A-3")
    factors = (0.9, 1.0, 1.05, 1.1)
    parts = [
        replace(
            base,
            reed=base.reed.model_copy(update={"id": f"r{k}", "lot": "9"}),
            modulus_pa=base.modulus_pa * factor,
            basis="reading",
        )
        for k, factor in enumerate(factors)
    ]
    lot = next(lot for lot in lots_of(parts) if "lot 9" in lot.id)
    assert lot.reeds == 4
    assert lot.spread == pytest.approx(float(np.std(np.log(factors), ddof=1)))
    assert np.log(lot.reed.modulus_pa / base.modulus_pa) == pytest.approx(float(np.mean(np.log(factors))))
    assert lot.u_level == pytest.approx(np.hypot(base.u_stiffness, lot.spread / 2))
    unread = replace(
        base, reed=base.reed.model_copy(update={"id": "q", "lot": "9"}), modulus_pa=9 * base.modulus_pa, basis="scale"
    )
    for order in ([unread, *parts[::-1]], [*parts, unread]):
        again = next(lot for lot in lots_of(order) if "lot 9" in lot.id)
        assert again.reeds == 5
        assert again.u_level == pytest.approx(lot.u_level)
        assert again.reed.modulus_pa == pytest.approx(lot.reed.modulus_pa)  # a reed nobody read does not move the level


def test_drawn_facings_are_correlated_as_their_readings_make_them() -> None:
    """Deviations of the draws are the stated ones; their correlations those of the Monte Carlo that fits everything anew."""
    house = mk.open()
    facing = house.parts.facing("TM-02")
    rails = rails_of(
        facing.mouthpiece,
        [reading for reading in house.tables.facings if reading.mouthpiece_id == "TM-02"],
        (),
        gauge=house.tables.spec.gauge,
    )
    anew = monte_carlo(facing, rails, gauge=house.tables.spec.gauge, draws=20_000).covariance_m2
    sd_anew = np.sqrt(np.diag(anew))
    drawn = np.array(draw_facing(facing, draws=40_000, rng=np.random.default_rng(4)))
    covariance = facing.lay.fair.covariance_m2
    sd = np.sqrt(np.diag(covariance))
    assert drawn.std(axis=1)[1:] == pytest.approx(sd[1:], rel=0.02)
    assert drawn.std(axis=1)[0] == pytest.approx(facing.lay.u_tip_m, rel=0.02)
    assert np.atleast_2d(np.corrcoef(drawn)) == pytest.approx(anew / np.outer(sd_anew, sd_anew), abs=0.1)


def _strip(lot: str, whole: int, in_range: float, closing: float) -> Strip:
    return Strip(
        lot=lot, profile="p", strength=2.5, closing_kpa=closing, low_kpa=0.87 * closing, high_kpa=1.15 * closing, level_pct=5.0,
        in_range=in_range, in_range_spread=in_range, in_range_softest=in_range, in_range_hardest=in_range, in_range_half_softer=in_range,
        whole=whole, shuts=0.0, playable=True,
    )  # fmt: skip


def test_of_strengths_that_keep_as_many_pairs_the_one_for_most_pieces_goes_on_the_box() -> None:
    """Shares within 2 of 100 are alike: the pieces decide, then the middle of the range by ratio; more than that decides by itself."""
    near, many, best = _strip("near", 0, 0.83, 12.8), _strip("many", 3, 0.82, 14.0), _strip("best", 0, 0.90, 14.5)
    for strips, wanted in (
        ([near, many], "many"),
        ([near, _strip("far", 0, 0.83, 14.0)], "near"),
        ([near, many, best], "best"),
    ):
        found = for_the_box(strips, (11.0, 15.0))
        assert found is not None
        assert found.strip.lot == wanted
        assert found.middle_kpa == pytest.approx((11 * 15) ** 0.5)


@pytest.mark.parametrize(
    ("closing_range", "words"),
    [
        ((30.0, 40.0), "On none: all close below 30 kPa, the hardest"),
        ((3.0, 5.0), "On none: all close above 5 kPa, the softest"),
        ((12.0, 12.4), "On none: a box spreads too far for that range"),
    ],
)
def test_a_range_that_no_strength_meets_is_asked_about(house: mk.House, closing_range: tuple[float, float], words: str) -> None:
    """Far above, far below and too narrow: why no strength goes, and nothing for the box."""
    pieces = read_pieces(None)
    few = replace(pieces, mouthpieces=pieces.mouthpieces[:3])
    spec = house.tables.spec.model_copy(update={"closing_range": {"tenor": closing_range}})
    told = " ".join(lay_out(batch_screen(judge_and_pair(house.scorer, few, spec=spec, draws=200))).split())
    assert words in told
    assert "No strength can go on the box" in told
    assert "go with no house reed" not in told


def test_a_lot_nobody_read_spreads_as_boxes_usually_do(house: mk.House) -> None:
    """Reeds of a profile whose box spread is not known: that of boxes at large, in ln (analytic)."""
    parts = [replace(part, box_spread=None, basis="scale") for part in house.parts.reeds_for("tenor") if part.scale is None]
    lots = lots_of(parts)
    assert lots
    assert [lot.spread for lot in lots] == pytest.approx([constants.BOX_SPREAD.value / 100] * len(lots))
