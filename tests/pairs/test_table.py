"""The one owner of pairs: what belongs to a pair stays with it through selecting and joining."""

from __future__ import annotations

import numpy as np
import pytest

import matchkit as mk
from matchkit.pairs.table import PairTable


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
