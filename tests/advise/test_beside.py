"""Two set-ups held side by side, a mouthpiece and itself changed, and answers against what is played."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from numpy.typing import NDArray
from sklearn.gaussian_process import GaussianProcessRegressor
from sklearn.gaussian_process.kernels import ConstantKernel, Kernel

import matchkit as mk
from matchkit.advise.search import preferred
from matchkit.facts import PartIds, Refusal
from matchkit.learn.fitted import Band, Fitted, Setups
from matchkit.learn.kriging.fit import Line, Settled
from matchkit.learn.kriging.likelihood import Weighed
from matchkit.learn.kriging.system import Dense
from matchkit.learn.kriging.variances import PRIOR
from matchkit.parts.changed import changed_facing
from matchkit.parts.fits import ligature_refusals

Array = NDArray[np.float64]


class _Whole(Kernel):  # type: ignore[misc]  # sklearn ships no types
    """The model's covariance but for slopes, sittings and ligatures, on features and codes, for scikit-learn's Gaussian process."""

    def __init__(self, scale: float = 1.0) -> None:
        self.scale = scale

    def __call__(self, X: Array, Y: Array | None = None, eval_gradient: bool = False) -> Array:  # noqa: ARG002, FBT001, FBT002, N803
        """Return the covariance of rows that hold features, and then player, mouthpiece, line and set-up."""
        other = X if Y is None else Y
        v = PRIOR
        apart = ((X[:, None, :-4] - other[None, :, :-4]) ** 2).sum(axis=2)
        player, piece, line, setup = (X[:, None, place] == other[None, :, place] for place in (-4, -3, -2, -1))
        found = np.exp(-apart / (2 * v.length**2)) * (v.smooth**2 + v.own**2 * player)
        return np.asarray(found + v.mouthpiece**2 * piece + v.line**2 * line + v.setup**2 * setup + v.player**2 * player)

    def diag(self, X: Array) -> Array:  # noqa: N803
        """Return the variances."""
        return np.diag(self(X))

    def is_stationary(self) -> bool:
        """Say that it is not."""
        return False


def test_the_doubt_of_a_difference_is_that_of_a_gaussian_process(house: mk.House) -> None:
    """The variance of the difference of two set-ups equals that from GaussianProcessRegressor's joint covariance (scikit-learn)."""
    tests = house.learner.rated_tests
    rows = np.array([row for row, kind in enumerate(tests.instruments) if kind == "alto"])[::4][:70]
    some = tests.take(rows)
    v = PRIOR.__class__(**{**vars(PRIOR), "slope": 0.0, "sitting": 0.0, "contact": 0.0, "ligature": 0.0, "own_contact": 0.0})
    plain = Weighed.plain(some.coded())
    line = Line(3.5, 4.5, np.zeros((2, 2)))
    rest = plain.marks.mark - plain.marks.line @ line.both
    known = Fitted(some, v, line, Settled(plain, Dense(plain, v).solve(rest[:, None])[:, 0]))
    codes = [plain.marks.codes[part] for part in ("player", "mouthpiece", "line", "setup")]
    theirs = GaussianProcessRegressor(
        ConstantKernel(1.0, "fixed") * _Whole(), alpha=v.noise**2 / plain.marks.trust, optimizer=None
    ).fit(np.column_stack([plain.marks.features, *codes]), rest)
    who = some.players[0]
    own = [row for row, player in enumerate(some.players) if player == who]
    one = own[0]
    other = next(row for row in own if some.mouthpieces[row] != some.mouthpieces[one])
    setups = Setups(
        some.features[[one, other]],
        [some.mouthpieces[one], some.mouthpieces[other]],
        np.array([0, 1]),
        [some.reeds[one], some.reeds[other]],
        [some.lines[one], some.lines[other]],
        np.array([0, 1]),
    )
    asked = np.column_stack([some.features[[one, other]], *([code[one], code[other]] for code in codes)])
    _, both = theirs.predict(asked, return_cov=True)
    expected = math.sqrt(both[0, 0] + both[1, 1] - 2 * both[0, 1])
    assert known.u_difference(setups, who, (Band(), Band()), overall_d=np.array([0.5, 0.5])) == pytest.approx(
        expected, abs=1e-6
    )


def test_a_comparison_holds_what_the_answers_say(house: mk.House) -> None:
    """The difference is that of the two scores, turned round it changes its sign, and of one thing with itself nothing differs."""
    a, b = ("AM-08", "AR-A-3", "L-05"), ("AM-05", "AR-B-2.5", "L-03")
    found, turned = house.compare(a, b, "P02"), house.compare(b, a, "P02")
    assert found.difference == pytest.approx((found.second.score - found.first.score) / 10, abs=1e-9)
    assert turned.difference == pytest.approx(-found.difference, abs=1e-9)
    assert turned.u_difference == pytest.approx(found.u_difference or 0.0, abs=1e-9)
    assert found.first.is_present
    assert house.compare(("now",), b, "P02").first.score == pytest.approx(found.first.score)
    same = house.compare(a, a, "P02")
    assert same.difference == 0
    assert same.u_difference == pytest.approx(0.0, abs=1e-5)
    reed = house.compare(("AM-08", "AR-A-3"), ("AM-08", "AR-A-2.5"), "P02")
    assert reed.feel.resistance is not None
    assert reed.feel.opening is not None
    assert reed.feel.resistance.steps < -0.5
    assert reed.feel.opening.steps == 0
    assert (reed.u_difference or 0) < (found.u_difference or 0)  # what they share cancels


def test_what_cannot_be_compared_is_asked_about(house: mk.House) -> None:
    """Sizes without an instrument, parts of another one, one part alone, and "now" of nobody."""
    with pytest.raises(mk.RequestError, match="for which instrument"):
        house.compare(("75thou", "2.5"), ("1.9mm", "3"))
    with pytest.raises(mk.RequestError, match="expected parts for alto"):
        house.compare(("AM-08", "AR-A-3"), ("TM-04", "TR-A-3"), "P02")
    with pytest.raises(mk.RequestError, match="expected a mouthpiece, a reed"):
        house.compare(("AM-08",), ("AM-08", "AR-A-3"), "P02")
    with pytest.raises(mk.RequestError, match="'now' is what they play now"):
        house.compare(("now",), ("AM-08", "AR-A-3"), house.visitor("alto"))


def test_a_change_goes_the_way_of_the_physics(house: mk.House) -> None:
    """With one reed a wider tip is harder to blow and a longer facing freer; baffle and chamber leave closing as it is (order of beams, analytic)."""
    tips = [row.closing_pressure_kpa for row in house.what_if("AM-05", tip="-0.2:0.2:0.1", player="P02").rows]
    assert tips == sorted(tips)
    lengths = [row.closing_pressure_kpa for row in house.what_if("AM-05", facing="-2:2:1", player="P02").rows]
    assert lengths == sorted(lengths, reverse=True)
    inside = house.what_if("AM-05", baffle="+1mm", chamber="+0.5", player="P02")
    (row,) = inside.rows
    assert row.closing_pressure_kpa == pytest.approx(inside.unchanged.closing_pressure_kpa)
    assert row.baffle_height_mm == pytest.approx((inside.unchanged.baffle_height_mm or 0) + 1)
    assert row.same_reed_id == inside.reed_id


def test_what_if_begins_with_the_piece_as_it_is(house: mk.House) -> None:
    """The unchanged line is the mouthpiece itself, and the reed that plays as before is the nearest of the house."""
    found = house.what_if("AM-08", tip=["+0.1mm", "+0.2mm"], player="P02")
    closing = house.closing("AM-08", "AR-A-3", player="P02")
    assert found.unchanged.closing_pressure_kpa == pytest.approx(closing.closing_pressure_kpa)
    assert found.unchanged.same_reed_id == "AR-A-3"
    wider = found.rows[-1]
    assert wider.same_reed_id is not None
    changed = changed_facing(house.parts.facing("AM-08"), {"tip": wider.tip_opening_mm})
    near = house.closing(changed, wider.same_reed_id, player="P02").closing_pressure_kpa
    assert abs(math.log(near / closing.closing_pressure_kpa)) <= abs(
        math.log(wider.closing_pressure_kpa / closing.closing_pressure_kpa)
    )
    with pytest.raises(mk.RequestError, match="nothing to change"):
        house.what_if("AM-08", player="P02")
    with pytest.raises(mk.RequestError, match="the player plays alto"):
        house.what_if("TM-04", tip="+0.1", player="P02")


# against what they play


def test_a_reed_alone_stands_first_where_it_does_most(house: mk.House) -> None:
    """A wish for resistance that a reed meets within half a step: the cheapest such reed, on what they have, before dearer set-ups."""
    ranking = house.rank("P02", wish=["freer"], top=5)
    assert ranking.reed_alone
    first = ranking.rows[0]
    now = ranking.present
    assert now is not None
    assert first.changes == ("reed",)
    (resistance,) = [term.value for term in first.terms if term.name == "resistance"]
    assert abs(resistance or 9) <= 0.5
    assert 2 * (first.score - now.score) >= max(row.score for row in ranking.rows) - now.score
    for reed in house.parts.reeds_for("alto"):
        other = house.explain("P02", "AM-08", reed.id, "L-05", wish=["freer"]).setup
        (found,) = [term.value for term in other.terms if term.name == "resistance"]
        if reed.scale is None and other.changes == ("reed",) and abs(found or 9) <= 0.5:
            assert (first.price or 0) <= (other.price or math.inf)
    assert not house.rank("P02", wish=["freer"], alike=True).reed_alone
    assert not house.rank("P02", wish=["bigger sound"]).reed_alone


def test_new_parts_are_what_costs(house: mk.House) -> None:
    """Prices of the new parts add up to the price of the row; the row that is played is called so; of strangers nothing is said."""
    rows = house.rank("P02", top=60, alike=True).rows
    for row in rows:
        prices = [part.price for part in row.new_parts]
        assert row.price == (None if None in prices else pytest.approx(sum(price or 0.0 for price in prices)))
        assert {part.part for part in row.new_parts} == set(row.changes or ())
    assert not any(row.new_parts for row in house.rank(house.visitor("alto"), top=5).rows)
    unknown = house.rank("P07", top=3)  # whose ligature nobody told
    assert all(row.ligature_id is None for row in unknown.rows if row.mouthpiece_id == "TM-04")
    here = [row for row in house.rank("P02", change="ligature", top=20).rows if row.is_present]
    assert here
    assert here[0].price == 0


def test_equals_go_by_what_is_owned_then_stock_then_price(house: mk.House) -> None:
    """Two reeds alike in all but price and stock tie, and are ordered by these; what is owned goes first."""
    reed = house.parts.reed("AR-A-3")
    twins = [
        replace(reed, reed=reed.reed.model_copy(update={"id": name, "price": price, "stock": stock}))
        for name, price, stock in (("a", 3.0, 0), ("b", 4.0, 5), ("c", 2.0, 5), ("d", None, 5), ("e", 9.0, 0))
    ]
    pairs = house.scorer.grid([house.parts.facing("AM-08")], twins, lip_m=10e-3)
    order = [pairs.reed(int(row)).id for row in np.argsort(preferred(pairs, PartIds("AM-08", "e")))]
    assert order == ["e", "c", "b", "d", "a"]


def test_a_typed_set_up_is_a_set_up(house: mk.House) -> None:
    """A 75-thou mouthpiece and a 2.5: only the reed, within a budget; the mouthpiece stays theirs and costs nothing."""
    visitor = house.visitor("alto", mouthpiece="75thou", reed="2.5")
    rows = house.rank(visitor, change="reed", budget=60, top=20).rows
    assert len(rows) > 5
    assert {row.mouthpiece_id for row in rows} == {"1.905mm"}
    assert {row.ligature_id for row in rows} == {None}
    assert all(row.price is None or row.price <= 60 for row in rows)
    assert sum(row.is_present for row in rows) == 1
    assert house.rank(visitor, change="reed", budget=0, top=5).rows[0].is_present
    several = house.rank("P02", fixed={"mouthpiece": ["75thou", "AM-05"], "ligature": "plate"}, top=20).rows
    assert {row.mouthpiece_id for row in several} == {"1.905mm", "AM-05"}
    plates = {item.id for item in house.parts.ligatures if item.contact == "plate"}
    assert {name for row in several for name in row.ligature_ids} <= plates


def test_a_blind_plan_takes_sizes_where_no_marks_are_written(house: mk.House) -> None:
    """A customer's own set-up against one of the house: which is it? Marks need parts of the house."""
    plan = house.plan("triangle", ("75thou/2.5/plate", "AM-08/AR-A-2.5/L-05"), players=("P02",))
    assert {row["set_a"] for row in plan.rows()} == {"75thou/2.5/plate"}
    with pytest.raises(mk.RequestError, match="has no id"):
        house.plan("rate", ("75thou/2.5", "AM-08/AR-A-2.5", "AM-05/AR-A-2.5"), players=("P02",))
    with pytest.raises(mk.UnknownIdError):
        house.plan("triangle", ("AM-99/2.5", "AM-08/AR-A-2.5"), players=("P02",))


def test_a_strength_without_a_cut_is_taken_as_filed_and_said(house: mk.House) -> None:
    """How far unfiled reeds of the house are from filed ones of one number stands beside it."""
    ranking = house.rank(house.visitor("alto", mouthpiece="75thou", reed="2.5"), top=1)
    (typed,) = [item for item in ranking.typed if item.part == "reed"]
    assert typed.cut == ""
    assert typed.other_cut is not None
    (said,) = [
        item
        for item in house.rank(house.visitor("alto", mouthpiece="75thou", reed="unfiled 2.5"), top=1).typed
        if item.part == "reed"
    ]
    assert said.cut == "unfiled"
    assert said.other_cut is None


def test_ligatures_of_another_instrument(house: mk.House) -> None:
    """One that is said to be for another instrument is never offered; one of unknown size stands after those that fit."""
    piece = house.parts.facing("AM-08")
    item = house.parts.ligature("L-05")
    other = item.model_copy(update={"id": "T", "instrument": "tenor"})
    mine = item.model_copy(update={"id": "A", "instrument": "alto"})
    assert list(ligature_refusals([piece], [other, mine, item])[0]) == [Refusal.WRONG_INSTRUMENT, "", ""]


def test_what_is_retired_is_not_offered(house: mk.House) -> None:
    """But whoever owns it keeps it."""
    item = house.parts.ligature("L-05").model_copy(update={"retired": True})
    piece = house.parts.facing("AM-08")
    assert ligature_refusals([piece], [item])[0, 0] == Refusal.RETIRED
    assert ligature_refusals([piece], [item], owned=("L-05",))[0, 0] == ""


def test_a_mouthpiece_as_it_is_is_expected_as_everywhere_else(house: mk.House) -> None:
    """What a what-if says of the unchanged one is what ``explain`` says of it, with the ligature that is on it now; no change changes nothing."""
    player = next(item for item in house.tables.players if item.id == "P02")
    mine, reed, band = player.mouthpiece_id, player.reed_id, player.ligature_id
    assert mine is not None
    assert reed is not None
    now = house.what_if(mine, player="P02", tip="+0.1mm")
    assert now.unchanged.score == pytest.approx(house.explain("P02", mine, reed, band).setup.score, abs=1e-9)
    other = house.what_if("AM-05", player="P02", tip="+0.1mm")
    assert other.unchanged.score == pytest.approx(house.explain("P02", "AM-05", reed).setup.score, abs=1e-9)
    hardly = house.what_if(mine, player="P02", tip="+0.001mm")
    assert hardly.rows[0].score == pytest.approx(hardly.unchanged.score, abs=0.5)
