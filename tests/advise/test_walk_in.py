"""A player of whom nothing is known: effort, measured parts first, levels; resistance and opening charged once each."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

import matchkit as mk
from matchkit import constants
from matchkit.house import House
from matchkit.score.player import Visitor

KINDS = tuple(constants.INSTRUMENTS)


@pytest.fixture(scope="module")
def house() -> House:
    """Open the demo house."""
    return mk.open()


@pytest.mark.parametrize("kind", KINDS)
def test_nothing_closes_up_for_a_walk_in(house: House, kind: str) -> None:
    """Of the twenty rows that are shown none has an effort of zero or less, and none is said to close up.

    By the measurements a measured piece leads; the invented marks of this house may put another first.
    """
    rows = house.rank(Visitor(instrument=kind), top=20).rows
    assert len(rows) == 20
    assert min(row.effort_kpa for row in rows) > 0
    assert not any(row.feel.closes_up for row in rows)
    best = max(house.rank(Visitor(instrument=kind), top=500).rows, key=lambda row: row.computed)
    assert house.parts.facing(best.mouthpiece_id).lay.shape_known


def test_blow_and_lip_are_shares_of_what_is_aimed_at(house: House) -> None:
    """The lip takes a third of the target's closing pressure at the target's lip area, the breath is 0.45 of the rest."""
    view = house.scorer.view(Visitor(instrument="alto"))
    aim = house.scorer.targets(view, house.parts.reeds_for("alto")).main
    assert aim is not None
    assert view.blow_pa == pytest.approx(0.45 * 2 / 3 * aim.closing_pressure_pa)
    assert view.lip_force_n == pytest.approx(aim.closing_pressure_pa / 3 * aim.lip_area_m2)
    measured = house.scorer.view(Visitor(instrument="alto", blow_kpa=4.0))
    assert measured.blow_pa == 4000.0


def test_a_well_measured_pair_outranks_itself_unmeasured(house: House) -> None:
    """Where every measured term exceeds 0.7, taking the readings away costs."""
    facings = {part.id: part for part in house.parts.facings}
    seen = 0
    for kind in KINDS:
        view = house.scorer.view(Visitor(instrument=kind))
        for row in house.rank(Visitor(instrument=kind), top=20).rows:
            if any(term.desirability <= 0.7 for term in row.terms) or not all(term.known for term in row.terms):
                continue
            facing, reed = facings[row.mouthpiece_id], house.parts.reed(row.reed_id)
            bare = replace(facing, smoothness_m=None, leak_m2=None)
            one, other = (house.scorer.score(view, house.scorer.pair(part, reed, lip_m=view.lip_m)) for part in (facing, bare))
            assert one.terms.overall[0] > other.terms.overall[0]
            seen += 1
    assert seen > 10


@pytest.mark.parametrize("kind", ["clarinet", "alto", "tenor"])
def test_levels_move_the_target(house: House, kind: str) -> None:
    """A beginner's target is softer and closer, an advanced player's harder and wider; the price counts (common practice, no source)."""
    aims = {}
    for level in ("beginner", "intermediate", "advanced"):
        view = house.scorer.view(house.visitor(kind, level=level))
        aims[level] = house.scorer.targets(view, house.parts.reeds_for(kind)).main
        assert any(term.name == "price" for term in house.rank(house.visitor(kind, level=level), top=1).rows[0].terms)
    middle = house.scorer.targets(house.scorer.view(Visitor(instrument=kind)), house.parts.reeds_for(kind)).main
    beginner, intermediate, advanced = aims.values()
    assert beginner is not None
    assert intermediate is not None
    assert advanced is not None
    assert middle is not None
    assert beginner.closing_pressure_pa < intermediate.closing_pressure_pa < advanced.closing_pressure_pa
    assert beginner.tip_opening_m < intermediate.tip_opening_m < advanced.tip_opening_m
    assert intermediate.tip_opening_m == middle.tip_opening_m
    assert not any(term.name == "price" for term in house.rank(Visitor(instrument=kind), top=1).rows[0].terms)


def test_a_level_beside_a_set_up_is_a_question(house: House) -> None:
    """Who has a set-up is known better than by a level; a level that is none is refused."""
    with pytest.raises(mk.RequestError, match="somebody without a set-up"):
        house.visitor("alto", mouthpiece="75thou", reed="2.5", level="beginner")
    with pytest.raises(mk.RequestError, match="expected beginner"):
        house.visitor("alto", level="master")


def test_only_the_reed_changes_and_the_opening_costs_nothing(house: House) -> None:
    """On one mouthpiece its own opening is aimed at, whatever was wished: a reed off target is charged for resistance, once."""
    for row in house.rank("P02", wish=["freer", "bigger sound"], change="reed", top=30).rows:
        cost = {term.name: term.cost for term in row.terms}
        assert cost["opening"] == 0.0
    free = house.rank("P02", wish=["freer"], top=30).rows
    assert any(term.cost > 0 for row in free for term in row.terms if term.name == "opening")


def test_the_box_is_held_against_its_own_middle(house: House) -> None:
    """Reeds of one spread cost the same however far off target they are."""
    rows = house.rank("P02", change="reed", top=30).rows
    shares: dict[str, set[float]] = {}
    for row in rows:
        term = next(term for term in row.terms if term.name == "box spread")
        if term.known:
            shares.setdefault(house.parts.reed(row.reed_id).line, set()).add(round(term.value or 0.0, 9))
    assert shares
    assert all(len(found) == 1 for found in shares.values())


def test_the_shared_scale_cancels_in_every_difference(house: House) -> None:
    """The doubt of a difference holds no part of the scale: it is less than that of either pressure alone."""
    from matchkit.advise.reasons import AgainstPresent

    view = house.scorer.view("P02")
    against = AgainstPresent(house.scorer, view)
    pairs = house.scorer.pair(house.parts.facing("AM-02"), house.parts.reed("AR-B-3"), lip_m=view.lip_m)
    doubt = house.scorer.uncertainty(pairs)
    assert view.present is not None
    theirs = house.scorer.uncertainty(view.present.pair)
    both = float(np.hypot(doubt.own[0], theirs.own[0]))
    assert against.difference_u(pairs, doubt) <= both * (1 + 1e-9)
    assert doubt.total[0] > doubt.own[0] > 0


def test_the_chamber_says_little_where_little_is_known(house: House) -> None:
    """The volume term is averaged over a cone known to 30 % and what the cork can make up: it runs from 1 at most to no less than 0.2."""
    found = []
    for kind in ("soprano", "alto", "tenor", "baritone"):
        rows = house.rank(Visitor(instrument=kind), top=60).rows
        found += [term.desirability for row in rows for term in row.terms if term.name == "volume" and term.known]
    assert len(found) > 40
    assert min(found) > 0.2
    assert max(found) <= 1.0
