"""The one owner of pairs: what belongs to a pair stays with it through selecting and joining."""

from __future__ import annotations

import numpy as np
import pytest

import matchkit as mk
from matchkit.pairs.contacts import Contacts
from matchkit.pairs.table import PairTable, no_pairs, pair_list


@pytest.fixture(scope="module")
def pairs() -> PairTable:
    return mk.open().scorer.fitting("alto")


def described(table: PairTable) -> list[tuple[object, ...]]:
    """Each pair by its ids and its own columns."""
    columns = zip(table.closing_pressure_pa, table.tip_opening_m, table.lip_area_m2, table.rest_area_m2, strict=True)
    return [(*ids, *map(float, row)) for ids, row in zip(table.ids(), columns, strict=True)]


def test_selecting_keeps_what_belongs_to_a_pair(pairs: PairTable) -> None:
    """By rows in any order or by a mask: ids, columns and parts are those of the pairs asked for."""
    whole = described(pairs)
    rows = [7, 2, 11]
    assert described(pairs.select(rows)) == [whole[row] for row in rows]
    mask = pairs.closing_pressure_pa > np.median(pairs.closing_pressure_pa)
    assert described(pairs.select(mask)) == [one for one, kept in zip(whole, mask, strict=True) if kept]
    one = pairs.select([5])
    assert (one.facing(0).id, one.reed(0).id) == whole[5][:2]


def test_joined_tables_keep_their_own_parts(pairs: PairTable) -> None:
    """A table of many facings and reeds and one of few: after joining each pair has the facing and the reed it had."""
    few = mk.open().scorer.fitting("soprano")
    assert len({len(pairs.reeds), len(few.reeds), len(pairs.facings), len(few.facings)}) == 4
    for first, second in ((pairs, few), (few, pairs)):
        joined = first.join(second)
        assert described(joined) == described(first) + described(second)
        tips = joined.of_facings(lambda facing: facing.lay.tip_opening_m)
        assert tips.tolist() == joined.tip_opening_m.tolist()
        strengths = joined.of_reeds(lambda reed: reed.reed.strength)
        assert strengths.tolist() == [joined.reed(pair).reed.strength for pair in range(len(joined))]


def test_each_pair_has_its_own_lip_and_place(pairs: PairTable) -> None:
    """Pairs of several parts, lips and reed places solved together are what each is alone; the same ones share one solution."""
    rows = [0, 0, 9, 9, 40, 40, 40, 0]
    parts = [(pairs.facing(row), pairs.reed(row)) for row in rows]
    lips = [0.009, 0.010, 0.009, 0.011, 0.010, 0.009, 0.011, 0.009]
    places = [0.0, 0.0005, 0.0, -0.0005, 0.0005, 0.0, 0.0, 0.0]
    together = pair_list(Contacts(), parts, lip_m=lips, offset_m=places)
    for row, (part, lip, place) in enumerate(zip(parts, lips, places, strict=True)):
        alone = pair_list(Contacts(), [part], lip_m=lip, offset_m=place)
        assert together.closing_pressure_pa[row] == pytest.approx(alone.closing_pressure_pa[0], rel=1e-9)
        assert together.lip_area_m2[row] == pytest.approx(alone.lip_area_m2[0], rel=1e-9)
    assert together.solution_of[0] == together.solution_of[-1]
    assert len(set(together.solution_of.tolist())) == len(rows) - 1


def test_no_pair_has_no_doubt() -> None:
    """A table without a pair: every column and both parts of its uncertainty are empty."""
    nothing = no_pairs(Contacts())
    found = nothing.uncertainty(u_profile_m=2e-5)
    assert (found.parts.shape, found.place_per_m.shape, found.total.shape, len(nothing)) == ((8, 0), (0,), (0,), 0)


def test_no_two_problems_share_a_solution_by_chance(pairs: PairTable) -> None:
    """Every facing with every lip of three, in one table: as many solutions as there are facings, shapes of reeds and lips together."""
    parts = [(facing, pairs.reeds[0]) for facing in pairs.facings for _ in range(3)]
    lips = [0.009, 0.010, 0.011] * len(pairs.facings)
    together = pair_list(Contacts(), parts, lip_m=lips, offset_m=0.0)
    assert len(set(together.solution_of.tolist())) == len(parts)
    for row in range(0, len(parts), 7):
        alone = pair_list(Contacts(), [parts[row]], lip_m=lips[row], offset_m=0.0)
        assert together.lip_area_m2[row] == pytest.approx(alone.lip_area_m2[0], rel=1e-9)
