"""What must hold of a whole house: rankings, reasons, refusals, facts of the trade."""

from __future__ import annotations

import itertools
import random
import shutil
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from conftest import Rows, drop_playtests, edit_table, read_rows, reference
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

import matchkit as mk
from matchkit.advise.answers import Ranking, Setup
from matchkit.files import shipped
from matchkit.records.parts import Ligature

EVERYTHING = 10_000
Line = tuple[str, str, tuple[str, ...]]


def lines(ranking: Ranking) -> list[Line]:
    return [(row.mouthpiece_id, row.reed_id, row.ligature_ids) for row in ranking.rows]


def pairs_in_order(ranking: Ranking, without: str = "") -> list[tuple[str, str]]:
    """Mouthpiece and reed of each line once, best first, leaving out parts of one name."""
    found = dict.fromkeys((row.mouthpiece_id, row.reed_id) for row in ranking.rows)
    return [pair for pair in found if without not in pair]


# exactness


@pytest.mark.parametrize("player", ["P01", "P04", "P13", "P15"])
def test_top_is_the_top_of_everything(house: mk.House, player: str) -> None:
    """The best five of a short ranking are the first five of the full one, and the full one falls."""
    everything = house.rank(player, top=EVERYTHING, alike=True)
    assert lines(house.rank(player, top=5, alike=True)) == lines(everything)[:5]
    scores = [row.score for row in everything.rows]
    assert all(a >= b - 1e-6 for a, b in itertools.pairwise(scores))


def test_blocks_do_not_change_the_answer(house: mk.House, monkeypatch: pytest.MonkeyPatch) -> None:
    """Scoring in blocks of seven pairs gives the same lines and scores as in one block."""
    whole = house.rank("P01", top=30)
    monkeypatch.setattr("matchkit.advise.search.BLOCK", 7)
    split = house.rank("P01", top=30)
    assert lines(whole) == lines(split)
    assert [row.score for row in whole.rows] == pytest.approx([row.score for row in split.rows], abs=1e-9)


def test_every_combination_is_ranked_or_refused(house: mk.House) -> None:
    """Combinations add up: ranked ones, ligatures that tie included, and refused ones, each counted once."""
    for player, wish, in_stock in (("P01", (), False), ("P05", ("softer reed",), True), ("P15", (), False)):
        ranking = house.rank(player, wish=wish, in_stock=in_stock, top=EVERYTHING, alike=True)
        ranked = sum(len(row.ligature_ids) or 1 for row in ranking.rows)  # theirs, that nobody told, has no id
        assert ranked + sum(ranking.refused.values()) == ranking.combinations
        assert all(ranking.refused)


def test_every_refused_combination_has_a_reason(house: mk.House) -> None:
    """What is ranked is what fits by the columns of the tables, and explain names a reason for each of the rest."""
    tables = house.tables
    ranked = {
        (row.mouthpiece_id, row.reed_id, ligature)
        for row in house.rank("P02", top=EVERYTHING).rows
        for ligature in row.ligature_ids
    }
    pieces = [piece for piece in tables.mouthpieces if piece.instrument == "alto"]
    reeds = [reed for reed in tables.reeds if reed.instrument == "alto"]
    played = {
        (test.mouthpiece_id, test.reed_id) for test in tables.playtests if test.player_id == "P02" and test.overall is not None
    }
    expected = {
        (piece.id, reed.id, item.id)
        for piece, reed, item in itertools.product(pieces, reeds, tables.ligatures)
        if (reed.profile_id != "alto-E" or (piece.id, reed.id) in played)  # nobody measured that line
        and (
            piece.body_diameter_mm is None
            or item.min_diameter_mm is None
            or item.max_diameter_mm is None
            or item.min_diameter_mm <= piece.body_diameter_mm <= item.max_diameter_mm
        )
    }
    assert ranked == expected
    some = random.Random(1).sample(list(itertools.product(tables.mouthpieces, tables.reeds, tables.ligatures)), 60)
    for piece, reed, item in some:
        refused = house.explain("P02", piece.id, reed.id, item.id).refused
        assert bool(refused) == ((piece.id, reed.id, item.id) not in expected)


def test_reasons_add_up(house: mk.House) -> None:
    """Terms cost exactly what is missing to perfect terms; playtests give exactly the correction (both to 1e-9)."""
    for player, wish in (("P01", ()), ("P04", ("bigger sound",)), ("P10", ("much freer", "more even")), ("P16", ())):
        line = house.learner.blend.line
        for row in house.rank(player, wish=wish, top=40).rows:
            perfect = 10 * (line.intercept + line.slope)
            assert perfect - sum(term.cost for term in row.terms) == pytest.approx(10 * row.computed, abs=1e-9)
            playtests = sum(near.points for near in row.playtests) + row.other_playtests
            assert playtests == pytest.approx(10 * row.correction, abs=1e-9)
            assert sum(group.points for group in row.groups) == pytest.approx(10 * row.correction, abs=1e-9)
            assert row.score == pytest.approx(min(max(10 * (row.computed + row.correction), 0.0), 100.0), abs=1e-9)


def test_a_wish_moves_the_target_away_from_the_present_set_up(house: mk.House) -> None:
    """With a wish the present set-up costs effort points it did not cost before, and is not the best."""
    for player in ("P01", "P03", "P09"):
        plain, freer = house.rank(player), house.rank(player, wish=["freer"], top=20)
        assert plain.present is not None
        assert freer.present is not None
        assert cost(freer.present, "resistance") > cost(plain.present, "resistance") + 1
        middle = [np.median([row.closing_pressure_kpa for row in found.rows]) for found in (freer, plain)]
        assert middle[0] < 0.99 * middle[1]
        assert freer.rows[0].score > freer.present.score


def cost(row: Setup, term: str) -> float:
    return next(reason.cost for reason in row.terms if reason.name == term)


def test_same_bytes_for_any_number_of_workers() -> None:
    """One worker and two give the same JSON."""
    one, two = (mk.open().rank("P07", top=10, jobs=jobs).to_dict() for jobs in (1, 2))
    assert one == two


# invariance


def test_order_of_rows_does_not_matter(demo_copy: Path) -> None:
    """Shuffled tables give the same ranking, to the last digit shown."""
    before = mk.open(demo_copy).rank("P01", top=25).to_dict()
    rng = random.Random(3)

    def shuffle(rows: Rows) -> Rows:
        rng.shuffle(rows)
        return rows

    for table in ("mouthpieces", "facings", "reeds", "reed_profiles", "strength_scale", "ligatures", "players", "playtests"):
        edit_table(demo_copy, table, shuffle)
    after = mk.open(demo_copy).rank("P01", top=25).to_dict()
    assert near(before, after)


def near(one: Any, two: Any) -> bool:
    if isinstance(one, dict):
        return one.keys() == two.keys() and all(near(one[key], two[key]) for key in one)
    if isinstance(one, list | tuple):
        return len(one) == len(two) and all(near(a, b) for a, b in zip(one, two, strict=True))
    return one == pytest.approx(two, abs=1e-6) if isinstance(one, float) else one == two


@settings(max_examples=8, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(factor=st.floats(0.6, 1.6))
def test_scaling_every_modulus_changes_no_rank(tmp_path: Path, factor: float) -> None:
    """With a present set-up and no playtests only ratios of stiffness count."""
    folder = tmp_path / f"{factor!r}"
    shutil.copytree(mk.open().tables.source, folder)
    drop_playtests(folder)
    before = {player: mk.open(folder).rank(player, top=400) for player in ("P02", "P03")}

    def scale(rows: Rows) -> Rows:
        for row in rows:
            for name in ("stiffness_n_per_mm", "modulus_gpa"):
                if row.get(name):
                    row[name] = repr(float(row[name]) * factor)
        return rows

    edit_table(folder, "reeds", scale)
    edit_table(folder, "strength_scale", scale)
    scaled = mk.open(folder)
    for player, ranking in before.items():
        assert lines(scaled.rank(player, top=400)) == lines(ranking)
        assert [row.score for row in scaled.rank(player, top=400).rows] == pytest.approx(
            [row.score for row in ranking.rows], abs=1e-5
        )


def test_lip_place_does_not_change_the_order_of_reeds(house: mk.House) -> None:
    """Where the lip rests moves lip loads by much, and neither the order of reeds on one mouthpiece nor the one equal to the present.

    The closing term, a matter of shape, may change near ties of the score.
    """
    orders, equal, loads = [], [], []
    for lip in (7.0, 10.0, 14.0):
        person = mk.Visitor(instrument="alto", lip_mm=lip, mouthpiece_id="AM-05", reed_id="AR-B-2.5")
        found = house.strengths("AM-02", person)
        orders.append([(row.reed_id, row.steps) for row in found.rows])
        equal.append([row.reed_id for row in found.rows if row.equal])
        loads.append(house.closing("AM-02", "AR-B-3.5", player=person).lip_load_n)
    assert orders[0] == orders[1] == orders[2]
    assert equal[0] == equal[1] == equal[2]
    assert abs(loads[2] / loads[0]) > 1.5 or abs(loads[0] / loads[2]) > 1.5


@pytest.fixture(scope="module")
def before(tmp_path_factory: pytest.TempPathFactory) -> Ranking:
    """Everything of a copied house that nobody changed."""
    copied = shutil.copytree(shipped("data/demo"), tmp_path_factory.mktemp("before") / "house")
    return mk.open(copied).rank("P01", top=EVERYTHING)


@pytest.mark.parametrize(
    ("table", "row"),
    [
        ("mouthpieces", {"id": "ZZ", "instrument": "baritone", "tip_opening_mm": "2.4"}),
        ("reeds", {"id": "ZZ", "instrument": "soprano", "cut": "filed", "strength": "2.5", "profile_id": "soprano-A"}),
        ("mouthpieces", {"id": "ZZ", "instrument": "alto", "tip_opening_mm": "1.72"}),
        ("reeds", {"id": "ZZ", "instrument": "alto", "cut": "filed", "strength": "2.25", "profile_id": "alto-A"}),
        ("ligatures", {"id": "ZZ", "contact": "wrap", "min_diameter_mm": "15", "max_diameter_mm": "40"}),
    ],
)
def test_an_unrelated_part_never_reorders_the_rest(before: Ranking, demo_copy: Path, table: str, row: dict[str, str]) -> None:
    """Adding a part changes no score of the others, for a player with a present set-up.

    The playtests stay: what is learned does not depend on which other parts there are.
    """
    edit_table(demo_copy, table, lambda rows: [*rows, {**dict.fromkeys(rows[0], ""), **row}])
    after = mk.open(demo_copy).rank("P01", top=EVERYTHING)
    assert pairs_in_order(after, without="ZZ") == pairs_in_order(before)
    scores = {(r.mouthpiece_id, r.reed_id): r.score for r in reversed(before.rows)}
    for found in reversed(after.rows):
        if (found.mouthpiece_id, found.reed_id) in scores and "ZZ" not in found.ligature_ids:
            assert found.score <= scores[found.mouthpiece_id, found.reed_id] + 1e-6


def test_parts_of_other_instruments_change_nothing_for_players_without_a_present_set_up(demo_copy: Path) -> None:
    """A new baritone mouthpiece leaves a tenor player's ranking as it is, medians included."""
    before = mk.open(demo_copy).rank("P08", top=50)
    extra = {"id": "ZZ", "instrument": "baritone", "tip_opening_mm": "2.4"}
    edit_table(demo_copy, "mouthpieces", lambda rows: [*rows, {**dict.fromkeys(rows[0], ""), **extra}])
    assert near([row.to_dict() for row in before.rows], [row.to_dict() for row in mk.open(demo_copy).rank("P08", top=50).rows])


def test_equal_resistance_and_different_opening_give_different_reasons(house: mk.House) -> None:
    """A wide tip with a soft reed and a close tip with a hard one: effort costs the same, air does not."""
    ranking = house.rank("P01", top=EVERYTHING)
    rows = {(row.mouthpiece_id, row.reed_id): row for row in ranking.rows}.values()
    found = 0
    for one, two in itertools.combinations(rows, 2):
        openings = [next(term for term in row.terms if term.name == "opening") for row in (one, two)]
        same = abs(one.closing_pressure_kpa / two.closing_pressure_kpa - 1) < 0.003
        apart = abs(one.playing_opening_mm / two.playing_opening_mm - 1) > 0.15
        if same and apart and all(term.known for term in openings):
            found += 1
            assert openings[0].value != openings[1].value
            assert one.feel != two.feel
    assert found > 5


def test_physics_alone_without_playtests(demo_copy: Path) -> None:
    """No playtests: the score is the prior line, there is no interval, and ligatures tie in one line."""
    drop_playtests(demo_copy)
    house = mk.open(demo_copy)
    ranking = house.rank("P01", top=20)
    for row in ranking.rows:
        assert row.score == pytest.approx(35 + 45 * row.overall_d, abs=1e-9)
        assert row.score_low is None
        assert not row.playtests
    assert len({(row.mouthpiece_id, row.reed_id) for row in ranking.rows}) == len(ranking.rows)
    assert any(len(row.ligature_ids) > 3 for row in ranking.rows)
    assert ranking.model.use == "nothing"
    assert not ranking.interval


def test_first_ligature_of_a_tie_is_in_stock_and_cheapest(demo_copy: Path) -> None:
    """Where ligatures tie, the one named first is known to go on, in stock, then the cheapest."""
    drop_playtests(demo_copy)
    house = mk.open(demo_copy)
    items = {item.id: item for item in house.tables.ligatures}
    for row in house.rank(house.visitor("alto"), top=20).rows:
        assert row.ligature_id is not None
        tied = [items[name] for name in row.ligature_ids]
        body = next(piece.body_diameter_mm for piece in house.tables.mouthpieces if piece.id == row.mouthpiece_id)

        def order(item: Ligature, body: float | None = body) -> tuple[bool, bool, float, str]:
            unsure = None in (body, item.min_diameter_mm, item.max_diameter_mm)
            return unsure, item.stock == 0, item.price or 0, item.id

        assert items[row.ligature_id] == min(tied, key=order)


def test_changing_only_the_ligature_never_changes_the_physics(house: mk.House) -> None:
    """The computed score is the same for every ligature (no study of ligatures was found: they have no physical term)."""
    computed: dict[tuple[str, str], set[float]] = {}
    for row in house.rank("P01", top=EVERYTHING).rows:
        computed.setdefault((row.mouthpiece_id, row.reed_id), set()).add(row.computed)
    assert all(len(values) == 1 for values in computed.values())


def test_different_rows_share_no_mouthpiece_and_no_profile(house: mk.House) -> None:
    """Each row is the best that shares neither mouthpiece nor reed profile with those before it."""
    everything = house.rank("P01", top=EVERYTHING, alike=True)
    rows = house.rank("P01", top=3).rows
    profile = {reed.id: reed.profile_id for reed in house.tables.reeds}
    used: set[tuple[str, str | None]] = set()
    expected = []
    for row in everything.rows:
        if all(row.mouthpiece_id != m and profile[row.reed_id] != p for m, p in used):
            used.add((row.mouthpiece_id, profile[row.reed_id]))
            expected.append((row.mouthpiece_id, row.reed_id))
    assert [(row.mouthpiece_id, row.reed_id) for row in rows] == expected[:3]


# facts of the trade (common practice, no source)


def test_wider_tip_takes_a_softer_reed(house: mk.House) -> None:
    """Aimed at one resistance, the best strength of one profile falls as the tip opens (common practice, no source)."""
    best = []
    for mouthpiece in ("TM-01", "TM-03", "TM-06", "TM-08"):
        efforts = {
            strength: house.closing(mouthpiece, f"TR-A-{strength:g}").closing_pressure_kpa for strength in (2.0, 2.5, 3.0, 3.5)
        }
        best.append(min(efforts, key=lambda strength: abs(efforts[strength] - 12.0)))
    assert best == sorted(best, reverse=True)
    assert best[0] > best[-1]


def test_longer_facing_is_freer(demo_copy: Path) -> None:
    """At one tip opening a longer facing has the lower closing pressure (common practice, no source)."""
    blank = dict.fromkeys(read_rows(demo_copy / "mouthpieces.csv")[0], "")
    new = [
        {**blank, "id": f"X{length}", "instrument": "alto", "tip_opening_mm": "1.9", "facing_length_mm": str(length)}
        for length in (19, 21, 23)
    ]
    edit_table(demo_copy, "mouthpieces", lambda rows: rows + new)
    house = mk.open(demo_copy)
    pressures = [house.closing(f"X{length}", "AR-A-2.5").closing_pressure_kpa for length in (19, 21, 23)]
    assert pressures == sorted(pressures, reverse=True)


def test_harder_reed_and_reed_moved_forward_resist_more(house: mk.House) -> None:
    """Each half strength adds resistance; half a millimetre forward adds about half a strength (common practice, no source)."""
    by_strength = [house.closing("AM-05", f"AR-A-{s:g}").closing_pressure_kpa for s in (2.0, 2.5, 3.0, 3.5)]
    assert by_strength == sorted(by_strength)
    forward = house.closing("AM-05", "AR-A-2.5", reed_offset_mm=0.5).closing_pressure_kpa
    assert 1.06 < forward / by_strength[1] < 1.2


def test_flawed_facings_lose_points_where_a_maker_would_look(house: mk.House) -> None:
    """A flat and a bump cost smoothness, a short rail and a tip nick cost rails, against sound pieces (common practice, no source)."""
    parts = house.parts
    smooth = {part.id: part.smoothness_m or 0.0 for part in parts.facings}
    leak = {part.id: part.leak_m2 or 0.0 for part in parts.facings}
    sound = ("AM-01", "AM-02", "AM-06", "AM-08")
    assert smooth["AM-04"] > 2 * max(smooth[name] for name in sound)
    assert smooth["TM-04"] > 2 * max(smooth[name] for name in ("TM-01", "TM-02", "TM-06"))
    assert leak["AM-07"] > 4 * max(leak[name] for name in sound)
    assert leak["AM-09"] > 1.5 * max(leak[name] for name in sound)
    short = parts.facing("AM-07")
    assert short.rail_difference_m is not None
    assert short.u_rail_difference_m is not None
    assert -1.3e-3 < short.rail_difference_m < -0.7e-3
    assert abs(short.rail_difference_m) > 3 * short.u_rail_difference_m


def test_high_baffle_is_the_brighter_way(house: mk.House) -> None:
    """A wish for brighter favours higher baffles and smaller chambers, weakly: it never decides alone (common practice)."""
    rows = {
        wish: {(r.mouthpiece_id, r.reed_id): r for r in house.rank("P03", wish=[wish], top=EVERYTHING).rows}
        for wish in ("brighter", "darker")
    }
    pieces = {piece.id: piece for piece in house.tables.mouthpieces}
    present = pieces["AM-04"]
    for pair, row in rows["brighter"].items():
        piece = pieces[pair[0]]
        if piece.baffle_height_mm is None or piece.chamber_volume_cm3 is None:
            continue
        assert present.baffle_height_mm is not None
        assert present.chamber_volume_cm3 is not None
        tone = next(term for term in row.terms if term.name == "tone")
        if (
            piece.baffle_height_mm < present.baffle_height_mm - 1
            and piece.chamber_volume_cm3 < 0.9 * present.chamber_volume_cm3
        ):
            assert tone.value == 1.0
            assert next(term for term in rows["darker"][pair].terms if term.name == "tone").value == -1.0
            assert row.feel.tone == 1.0


def test_chamber_too_large_is_told(demo_copy: Path) -> None:
    """A chamber far over the missing cone costs the volume term (common practice: it flattens high notes)."""

    def enlarge(rows: Rows) -> Rows:
        for row in rows:
            if row["id"] == "AM-02":
                row["chamber_volume_cm3"] = "9.5"
        return rows

    edit_table(demo_copy, "mouthpieces", enlarge)
    setup = mk.open(demo_copy).explain("P03", "AM-02", "AR-A-3").setup
    volume = next(term for term in setup.terms if term.name == "volume")
    assert volume.value is not None
    assert volume.value > 0.3
    assert volume.desirability < 0.4


# published orders of magnitude


def test_every_demo_set_up_is_of_the_published_order(house: mk.House) -> None:
    """Onset pressures lie within the published span of blowing; loud clarinet levels lie about the closing pressure."""
    blowing, loud = reference("orders_of_magnitude")
    for instrument in ("soprano", "alto", "tenor", "baritone", "clarinet"):
        pairs = house.scorer.fitting(instrument)
        onset = pairs.closing_pressure_pa / 1e3 / 3
        assert np.all((onset > blowing.expected["low_kpa"]) & (onset < blowing.expected["high_kpa"]))
    level = 20e-6 * 10 ** (loud.inputs["level_db"] / 20) * 1e-3
    loud.check("pressure_kpa", level)
    clarinet = np.median(house.scorer.fitting("clarinet").closing_pressure_pa) / 1e3
    assert clarinet / 2 < loud.expected["pressure_kpa"] < 2 * clarinet


def test_a_stiffer_reed_adds_less_volume(house: mk.House) -> None:
    """On one mouthpiece the reed's equivalent volume goes with 1 / K0, so chamber and reed are the smaller the harder the pair closes."""
    rows = house.rank("P02", fixed={"mouthpiece": "AM-07"}, top=EVERYTHING).rows
    found = {row.reed_id: (row.closing_pressure_kpa, next(t.value for t in row.terms if t.name == "volume")) for row in rows}
    pairs = sorted((pressure, value) for pressure, value in found.values() if value is not None)
    known = [pair for name, pair in found.items() if not name.startswith("AR-E")]
    assert len(known) > 8
    pressure, value = np.array(sorted(pair for pair in known if pair[1] is not None), dtype=float).T
    slope, level = np.polyfit(1 / pressure, value, 1)
    assert slope > 0
    assert value == pytest.approx(level + slope / pressure, abs=1e-6)
    assert pairs
