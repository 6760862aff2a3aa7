"""Plans, their sheets, what analysis finds in simulated and planted data, and what to play next."""

from __future__ import annotations

import csv
import json
import sys
from collections import Counter
from dataclasses import replace
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from click.testing import CliRunner
from conftest import edit_table
from rich.cells import cell_len

import matchkit as mk
from matchkit.cli import main
from matchkit.cli.printing import lay_out
from matchkit.learn.blend import fit_blend
from matchkit.learn.fitted import Fitted
from matchkit.learn.kriging.fit import Settled
from matchkit.learn.kriging.likelihood import Weighed
from matchkit.learn.kriging.system import Dense
from matchkit.learn.marks import NUMBERS, TEXTS, RatedTests
from matchkit.playtest.design.plan import Design, Plan, plan_rating, plan_test
from matchkit.playtest.next import ALIKE, Field, choose, player_field, scatter
from matchkit.playtest.stats.analyse import analyse
from matchkit.records.people import Playtest
from matchkit.records.trials import LINES, Trial
from matchkit.words.playtest.analyse import analyse_screen
from matchkit.words.playtest.plan import CAUTIONS, design_words, key_sheet, player_sheet

sys.path.insert(0, str(Path(__file__).parents[1]))

SETS = ("AM-05/AR-A-2.5/L-01", "AM-05/AR-A-2.5/L-08")
MANY = tuple(f"AM-0{k}/AR-A-2.5" for k in range(1, 8))


def two(**changed: object) -> Plan:
    """Plan a choice of two."""
    given: dict[str, object] = {"players": ("P02", "P05"), "session": "S", "seed": 3, "attribute": "brightness", **changed}
    return plan_test("two", SETS, **given)  # type: ignore[arg-type]


def test_a_plan_is_its_seed_s_and_balanced() -> None:
    """The same seed gives the same plan; every order comes equally often, players in turn, and no code twice in a session."""
    assert two() == two()
    assert two() != two(seed=4)
    plan = plan_test("triangle", SETS, players=("P02", "P05"), session="S", seed=3, trials=24)
    shown = Counter(row["shown"] for row in plan.rows())
    assert set(shown.values()) == {4}
    assert Counter(turn.player_id for turn in plan.turns) == {"P02": 12, "P05": 12}
    codes = [code for turn in plan.turns for code in turn.codes]
    assert len(set(codes)) == len(codes) == 72
    assert set(Counter(row["shown"] for row in two().rows()).values()) == {12}
    for seed in range(5):
        mine = Counter((row["player_id"], row["shown"]) for row in two(seed=seed).rows())
        assert set(mine.values()) == {6}  # balanced for each player too


def test_the_sheets_tell_each_what_they_may_know() -> None:
    """The key has codes and set-ups, the players' sheet codes alone; the critical count and the cautions stand on both."""
    plan = two(claim=SETS[0])
    key, sheet = key_sheet(plan), player_sheet(plan)
    for turn in plan.turns:
        assert all(f"{code} = {item}" in key for code, item in zip(turn.codes, turn.sets, strict=True))
        assert all(code in sheet for code in turn.codes)
    assert not any(part in sheet for item in SETS for part in item.split("/"))
    assert "17 times of 24" in key  # one-sided, ISO 5495
    assert "17 times of 24" in sheet
    assert all(caution in key and caution in sheet for caution in CAUTIONS)
    assert "rest" in sheet
    assert "either of them is named 18 times of 24" in key_sheet(two())


def test_the_sheet_says_what_the_ends_of_each_line_mean(house: mk.House) -> None:
    """Players who mark see what 0 and 10 stand for, once each; where nothing is marked no line is explained."""
    sheet = player_sheet(house.plan("rate", MANY[:3], players=("P02",)))
    assert all(sheet.count(f"{name}: {ends}") == 1 for name, ends in LINES.items())
    assert "0 dark" not in player_sheet(two())


def test_a_session_that_is_in_the_tables_is_not_planned_again(house: mk.House) -> None:
    """Codes and ids come once in a session: its name is taken as soon as the tables hold an answer of it; others are free."""
    taken = house.tables.trials[0].session
    assert taken is not None
    with pytest.raises(mk.RequestError, match=f"session '{taken}' is in the tables already"):
        house.plan("two", SETS, players=("P02",), attribute="brightness", session=taken)
    assert house.plan("two", SETS, players=("P02",), attribute="brightness", session=f"{taken}-b").session == f"{taken}-b"


def test_the_power_on_the_sheet_is_that_of_the_test() -> None:
    """24 choices at d' = 1, one-sided, find it in 80 of 100 (binomial); a solo plan says that it speaks for one."""
    plan = two(claim=SETS[0])
    assert plan.power is not None
    assert plan.power.power == pytest.approx(0.80, abs=0.005)
    assert plan.power.size <= 0.05


def test_comparing_more_than_a_sitting_holds() -> None:
    """Seven set-ups, three a sitting: every pair in one sitting once for each player (the design of seven blocks); repeats under new codes."""
    plan = plan_rating(MANY, players=("P02", "P05"), session="S", seed=1, most=3, repeats=1)
    sittings: dict[tuple[str, int], list[str]] = {}
    for turn in plan.turns:
        if not turn.hidden_repeat:
            sittings.setdefault((turn.player_id, turn.sitting), []).append(turn.sets[0])
    pairs = Counter(
        (player, *sorted((one, other)))
        for (player, _), items in sittings.items()
        for one in items
        for other in items
        if one < other
    )
    assert len(pairs) == 2 * 21
    assert set(pairs.values()) == {1}
    codes = [turn.codes[0] for turn in plan.turns]
    assert len(set(codes)) == len(codes)  # over the whole session
    follows = [(one, other) for one, other in pairwise(plan.turns) if other.hidden_repeat]
    assert follows
    assert all(one.sets != other.sets for one, other in follows)
    rows = plan.rows()
    assert {row["blind"] for row in rows} == {"yes"}
    assert len({row["id"] for row in rows}) == len(rows)


def test_all_in_one_sitting_follow_williams() -> None:
    """Four set-ups and four players: over the players each set-up follows every other once."""
    plan = plan_rating(MANY[:4], players=("P01", "P02", "P03", "P04"), session="S", seed=2, repeats=0)
    orders = [[turn.sets[0] for turn in plan.turns if turn.player_id == player] for player in plan.players]
    follows = Counter((one, other) for order in orders for one, other in pairwise(order))
    assert len(follows) == 12
    assert set(follows.values()) == {1}


@pytest.mark.parametrize(
    ("kind", "sets", "options", "words"),
    [
        ("two", SETS, {}, "compared on one of ease"),
        ("two", SETS[:1], {"attribute": "ease"}, "1 set-ups; expected 2"),
        ("two", (SETS[0], SETS[0]), {"attribute": "ease"}, "each set-up once"),
        ("two", SETS, {"attribute": "ease", "trials": 4}, "cannot show anything"),
        ("two", SETS, {"attribute": "ease", "trials": 101}, "expected 1 to 100"),
        ("two", SETS, {"attribute": "ease", "seed": -1}, "expected 0 or more"),
        ("two", SETS, {"attribute": "ease", "claim": "x"}, "the claim is about one"),
        ("two", SETS, {"attribute": "ease", "d_prime": 0.0}, "expected more than 0"),
        ("triangle", SETS, {"attribute": "ease"}, "triangle has no attribute"),
        ("rate", SETS, {"most": 1}, "expected 2 to 20"),
        ("rate", SETS, {"repeats": 9}, "hidden repeats"),
        ("tasting", SETS, {}, "a plan is one of rate, two, triangle"),
        ("two", ("AM-05", SETS[0]), {"attribute": "ease"}, "mouthpiece/reed/ligature"),
        ("two", ("AM-05/TR-A-3", SETS[0]), {"attribute": "ease"}, "cannot be played"),
    ],
)
def test_plans_that_cannot_be(
    house: mk.House, kind: str, sets: tuple[str, ...], options: dict[str, object], words: str
) -> None:
    """Each is refused with what was expected."""
    with pytest.raises(mk.RequestError, match=words):
        house.plan(kind, sets, players=("P02",), **options)
    with pytest.raises(mk.UnknownIdError):
        house.plan("triangle", SETS, players=("P99",))


def test_a_plan_by_command(tmp_path: Path) -> None:
    """Printed without the key; the folder holds key, sheet and csv, and is not overwritten."""
    words = ["plan", "two", *SETS, "--player", "P02", "--attribute", "ease", "--out", str(tmp_path / "p")]
    result = CliRunner().invoke(main, words)
    assert result.exit_code == 0, result.output
    assert "speaks for that player only" in result.stdout
    assert " = " + SETS[0] not in result.stdout
    assert max(cell_len(line) for line in result.stdout.splitlines()) <= 80
    with (tmp_path / "p" / "answers.csv").open(newline="") as file:
        assert len(list(csv.DictReader(file))) == 24
    assert "already there" in CliRunner().invoke(main, words).stderr
    found = json.loads(CliRunner().invoke(main, [*words[:-2], "--format", "json"]).stdout)
    assert found["power"]["critical"] == 18
    triangle = CliRunner().invoke(main, ["plan", "triangle", *SETS, "--player", "P02"]).stdout
    assert "80 take more trials than one session holds" in " ".join(triangle.split())
    compare = CliRunner().invoke(main, ["plan", "rate", *MANY, "--player", "P02", "--most", "3"])
    assert "7 sittings of 3" in compare.stdout


# analysis


def test_the_planted_ligature_test(house: mk.House) -> None:
    """A real difference is found in one pair and none in the other, both from 60 invented trials of five players (docs/demo-house.md)."""
    found = house.analyse(session="LIG")
    real, none = found.comparisons
    assert (real.verdict, none.verdict) == ("these players", "inconclusive")  # five of them say nothing of others
    assert "L-05" in real.set_a
    assert real.d_prime == pytest.approx(1.2, abs=0.5)
    assert real.first_named is not None
    assert real.first_named.verdict == "inconclusive"
    assert "Of 2 comparisons 0.1 would come out by chance" in lay_out(analyse_screen(found))


def _trials(rng: np.random.Generator, count: int, bias: float, *, player: str = "P02", first: float = 0.0) -> list[Trial]:
    made = []
    for number in range(count):
        shown = ("AB", "BA")[number % 2]
        a_first = shown[0] == "A"
        chance = 1 / (1 + np.exp(-(bias * (1 if a_first else -1) + first)))
        answer = 1 if rng.random() < chance else 2
        made.append(
            Trial(
                id=f"{player}-{number}",
                player_id=player,
                kind="two",
                attribute="ease",
                set_a=SETS[0],
                set_b=SETS[1],
                shown=shown,
                answer=answer,
            )
        )
    return made


def test_one_player_speaks_for_one_and_order_is_told(house: mk.House) -> None:
    """A solo result says so; where the first is always named, the order effect is found and the set-ups are not."""
    nothing = house.learner.rated_tests.take(np.arange(0))
    found = analyse(_trials(np.random.default_rng(1), 40, 0.0, first=3.0), (), nothing)
    assert "All of this speaks for P02 only." in lay_out(analyse_screen(found))
    (item,) = found.comparisons
    assert item.first_named is not None
    assert item.first_named.verdict == "different"
    assert item.verdict == "inconclusive"
    claimed = analyse(_trials(np.random.default_rng(2), 40, 1.5), (), nothing, claim=SETS[1])
    assert not claimed.comparisons[0].test.two_sided
    assert claimed.comparisons[0].set_a == SETS[1]
    assert claimed.comparisons[0].verdict == "inconclusive"  # the claim was the other way round
    half = [
        trial.model_copy(update={"answer": None}) if k % 2 else trial
        for k, trial in enumerate(_trials(np.random.default_rng(3), 10, 0))
    ]
    assert analyse(half, (), nothing).comparisons[0].unanswered == 5


def test_strengths_of_three_from_choices_of_two(house: mk.House) -> None:
    """Three set-ups compared in pairs get strengths with the order effect; one that won everything is named."""
    nothing = house.learner.rated_tests.take(np.arange(0))
    third = "AM-05/AR-A-2.5/L-03"
    rng = np.random.default_rng(5)
    made = _trials(rng, 40, 1.0)
    made += [t.model_copy(update={"id": f"b{t.id}", "set_b": third}) for t in _trials(rng, 40, 50.0)]
    made += [t.model_copy(update={"id": f"c{t.id}", "set_a": SETS[1], "set_b": third}) for t in _trials(rng, 40, 50.0)]
    (found,) = analyse(made, (), nothing).preferences
    assert [name for name, _, _ in found.strengths] == [SETS[0], SETS[1], third]
    assert found.unbounded == (third,)
    assert not found.told
    apart = [trial.model_copy(update={"answer": 1}) for trial in made]
    (first,) = analyse(apart, (), nothing).preferences
    assert not first.told
    with pytest.raises(mk.RequestError, match="nobody played blind"):
        analyse(made, (), nothing, claim="NOPE")


def test_ratings_of_simulated_players(house: mk.House) -> None:
    """Repeats give each player's own consistency, shared set-ups the panel's, positions the fatigue that was put in (-0.1 a place)."""
    rng = np.random.default_rng(8)
    tests = []
    for player in ("P02", "P05", "P06"):
        level = rng.normal(0, 1)
        for sitting in range(4):
            for position, piece in enumerate([*range(1, 9), *range(1, 4)], start=1):
                tests.append(
                    Playtest(
                        id=f"{player}-{sitting}-{position}",
                        player_id=player,
                        mouthpiece_id=f"AM-0{piece}",
                        reed_id="AR-A-2.5",
                        session=f"{player}-{sitting}",
                        position=position,
                        overall=float(np.clip(5 + level + 0.3 * piece - 0.1 * position + rng.normal(0, 0.3), 0, 10)),
                    )
                )
    found = analyse((), tests, house.learner.rated_tests.take(np.arange(0)))
    assert {item.player_id for item in found.consistency} == {"P02", "P05", "P06"}
    assert all(item.found.value > 0.5 for item in found.consistency)
    (shared,) = found.shared
    assert (shared.players, shared.sets) == (("P02", "P05", "P06"), 8)
    assert shared.concordance.probability < 0.01
    (drift,) = found.drift
    assert drift.low < drift.slope < drift.high
    assert drift.sittings == 12


def test_what_goes_with_what_in_the_demo_house(house: mk.House) -> None:
    """The rule's own links come out, after Holm: a higher closing pressure is marked more resistant, a deeper baffle less bright."""
    found = {(item.feature, item.attribute): item for item in house.analyse().associations}
    assert found["ln_closing_pressure", "resistance"].low > 0.5
    assert found["baffle_height", "brightness"].high < 0
    assert found["baffle_height", "brightness"].adjusted < 0.05
    assert not [
        item for item in found.values() if item.feature in ("embouchure", "ln_from_target")
    ]  # nothing of a part, or the same again


def test_analysis_by_command() -> None:
    """In every format, within 80 columns; a session of nothing is refused."""
    result = CliRunner().invoke(main, ["analyse"])
    assert result.exit_code == 0
    assert max(cell_len(line) for line in result.stdout.splitlines()) <= 80
    for words in ("can tell", "No difference found", "further on in a sitting", "that is no cause", "p < 0.001"):
        assert words in " ".join(result.stdout.split())
    assert json.loads(CliRunner().invoke(main, ["analyse", "--session", "LIG", "--format", "json"]).stdout)["trials"] == 120
    assert "set_a" in CliRunner().invoke(main, ["analyse", "--session", "LIG", "--format", "csv"]).stdout
    assert "neither a trial nor a playtest of session 'X'" in CliRunner().invoke(main, ["analyse", "--session", "X"]).stderr


# what to play next


def _fields(house: mk.House, *players: str) -> list[Field]:
    found = [player_field(house.learner, player) for player in house.tables.players if player.id in players]
    return [field for field in found if field is not None]


def test_worth_is_what_the_first_place_is_expected_to_gain(house: mk.House) -> None:
    """Against a simulation: draw the mark, let the model hear it, and look how much the best of what is expected rises (mean of 400 draws)."""
    blend = house.learner.blend
    (field,) = _fields(house, "P02")
    (first,) = choose(blend, [field], count=1)
    known = blend.by_instrument["alto"]
    row = field.ids.index((first.mouthpiece_id, first.reed_id))
    rng = np.random.default_rng(4)
    tests = known.tests
    reed = house.parts.reed(first.reed_id).reed
    gains = []
    sd = np.hypot(first.u_expected, np.sqrt(blend.variances.new_mark))
    for _ in range(60):
        new = tests.take(np.array([0]))
        new = replace(
            new, ids=("new",), players=("P02",), mouthpieces=(first.mouthpiece_id,), reeds=(reed.id,), lines=(reed.profile_id or reed.id,),
            sessions=(None,), ligatures=(None,), contacts=(None,), rating=np.array([field.rating[row] + sd * rng.normal()]),
            overall_d=field.overall_d[[row]], features=field.setups.features[[row]], weight=np.ones(1),
        )  # fmt: skip
        numbers: dict[str, Any] = {name: np.concatenate([getattr(tests, name), getattr(new, name)]) for name in NUMBERS}
        both: dict[str, Any] = {name: (*getattr(tests, name), *getattr(new, name)) for name in TEXTS}
        more = RatedTests(**both, **numbers)
        weighed = Weighed(
            more.coded(),
            np.append(known.weighed.odd, 1.0),
            np.append(known.weighed.wider, known.weighed.wider[known.marks.codes["player"] == known.code("player", "P02")][0]),
        )
        pull = Dense(weighed, blend.variances).solve((more.rating - weighed.marks.line @ known.line.both)[:, None])[:, 0]
        after = Fitted(more, blend.variances, known.line, Settled(weighed, pull))
        rating = blend.computed(field.overall_d) + after.correction(field.setups, "P02")
        gains.append(float(rating.max() - field.rating.max()))
    assert first.own_worth == pytest.approx(np.mean(gains), abs=4 * np.std(gains) / np.sqrt(60))
    assert first.worth == first.own_worth
    assert first.best == pytest.approx(field.rating.max())


def test_what_is_chosen(house: mk.House) -> None:
    """No two alike of a player, each with a reason, a change of mouthpiece and a further turn cost more; nothing from nothing."""
    blend, fields = house.learner.blend, _fields(house, "P02", "P05", "P09")
    found = choose(blend, fields, count=12)
    assert [test.position for test in found] == list(range(1, 13))
    assert len({(test.player_id, test.mouthpiece_id, test.reed_id) for test in found}) == 12
    assert all(test.reason for test in found)
    assert found[0].cost == 1.3
    assert all(
        test.cost in {round(1 + 0.2 * k + change, 1) for k in range(12) for change in (0, 0.3)}
        for test in [replace(t, cost=round(t.cost, 1)) for t in found]
    )
    by_player = {field.player_id: field for field in fields}
    for one, other in pairwise(sorted(found, key=lambda test: test.player_id)):
        if one.player_id == other.player_id:
            field = by_player[one.player_id]
            rows = [field.ids.index((test.mouthpiece_id, test.reed_id)) for test in (one, other)]
            apart = field.setups.features[rows[0]] - field.setups.features[rows[1]]
            assert float(apart @ apart) >= ALIKE**2
    assert choose(blend, [], count=3) == []


def test_players_who_mark_at_random_are_discounted(house: mk.House) -> None:
    """Marks that the others do not foretell widen a player's noise, and a playtest of theirs is worth less."""
    learner = house.learner
    tests = learner.rated_tests
    mine = np.array([name == "P02" for name in tests.players])
    noisy = replace(tests, rating=np.where(mine, np.random.default_rng(1).uniform(0, 10, len(tests)), tests.rating))
    plain, wild = (fit_blend(item, learner.blend.variances, bounds=False) for item in (tests, noisy))
    assert scatter(wild.by_instrument["alto"])["P02"] > 2 > scatter(plain.by_instrument["alto"])["P02"] >= 1
    assert scatter(None) == {}


@pytest.mark.slow
def test_it_learns_faster_than_chance_in_a_small_simulation() -> None:
    """Two seeded houses to 120 playtests: above random choice after every batch (``make next`` plays twenty houses to 400)."""
    from next_houses import run

    curves = [run(seed, most=120) for seed in (1, 2)]
    off = np.mean([np.subtract(curve["next"], curve["random"]) for curve in curves], axis=0)
    assert off[0] == 0
    assert (off[1:] > -0.01).all()
    assert off[1:].mean() > 0


def test_next_by_command() -> None:
    """A player's list and everybody's, in every format; a count of nothing is refused."""
    result = CliRunner().invoke(main, ["next", "P02", "--count", "3", "--in-stock"])
    assert result.exit_code == 0, result.output
    assert max(cell_len(line) for line in result.stdout.splitlines()) <= 80
    rows = json.loads(CliRunner().invoke(main, ["next", "--count", "4", "--format", "json"]).stdout)["rows"]
    assert [row["position"] for row in rows] == [1, 2, 3, 4]
    assert CliRunner().invoke(main, ["next", "--count", "2", "--format", "csv"]).stdout.startswith("position,player_id")
    assert "expected 1 to 200" in CliRunner().invoke(main, ["next", "--count", "0"]).stderr
    missing = CliRunner().invoke(main, ["next", "P99"])
    assert missing.exit_code == 2
    assert "no player has the id 'P99'" in missing.stderr


def test_a_claim_stands_in_the_trials() -> None:
    """Planned with a claim, analysed one-sided by the count on the sheet without being told; a claim made afterwards is said to be one."""
    plan = two(claim=SETS[1])
    rows = [
        Trial.model_validate({**row, "answer": str(row["shown"].index("B") + 1 if k < 17 else row["shown"].index("A") + 1)})
        for k, row in enumerate(plan.rows())
    ]
    empty = mk.open().learner.rated_tests.take(np.array([], dtype=np.intp))
    (found,) = analyse(rows, (), empty).comparisons
    assert plan.power is not None
    assert (found.test.successes, found.test.two_sided, found.verdict) == (17, False, "these players")
    assert found.test.critical == plan.power.critical == 17
    free = [row.model_copy(update={"claim": None}) for row in rows]
    (open_,) = analyse(free, (), empty).comparisons
    assert (open_.test.two_sided, open_.verdict) == (True, "inconclusive")
    late = analyse(free, (), empty, claim=SETS[1])
    assert late.comparisons[0].verdict == "these players"
    assert late.unplanned_claim == SETS[1]
    with pytest.raises(ValueError, match="a claim about set_a or set_b"):
        Trial.model_validate({**plan.rows()[0], "claim": "other"})


def test_answers_are_told_by_their_codes() -> None:
    """Each row to fill in has its codes, as the player's sheet shows them; the key says what an answer is, a plan cut short that it is."""
    plan = two()
    for turn, row in zip(plan.turns, plan.rows(), strict=True):
        assert row["note"] == f"codes {', '.join(turn.codes)}"
    assert "answer 1 where the first code was named, or 2 for the second" in " ".join(key_sheet(plan).split())
    four = [f"AM-0{k}/AR-A-2.5" for k in (1, 2, 3, 4)]
    alone = plan_rating(four, players=("P02",), session="S", seed=1)
    assert not alone.design.balanced
    assert "of which this plan has 1" in design_words(alone)
    assert plan_rating(four, players=("P02", "P05", "P08", "P11"), session="S", seed=1).design.balanced


def test_who_has_more_is_named_by_its_set_up() -> None:
    """A comparison says which set-up has more of what was asked."""
    said = CliRunner().invoke(main, ["analyse", "--session", "LIG"]).stdout
    assert "can tell: L-05 has more brightness" in " ".join(said.split())


def test_two_without_a_question_says_which_option_names_it() -> None:
    """What is more of is asked for by its option."""
    with pytest.raises(mk.RequestError, match="none was named \\(--attribute\\)"):
        two(attribute=None)


@pytest.mark.parametrize(
    ("orders", "sittings", "balanced"), [(0, 0, True), (6, 12, True), (6, 7, False), (1, 3, True), (2, 3, False)]
)
def test_a_design_is_balanced_where_every_order_comes_equally_often(orders: int, sittings: int, balanced: bool) -> None:  # noqa: FBT001
    """Sittings are a multiple of the orders, or there are none."""
    assert Design(orders=orders, sittings=sittings).balanced is balanced


def test_next_in_stock_leaves_out_what_is_gone(demo_copy: Path) -> None:
    """With --in-stock neither a mouthpiece nor a reed that is counted as 0 is proposed; one that is not counted may be."""
    everything = {part for test in mk.open(demo_copy).next("P02", count=60).rows for part in (test.mouthpiece_id, test.reed_id)}
    gone = [min(name for name in everything if name.startswith(start)) for start in ("AM", "AR")]
    for table in ("mouthpieces", "reeds"):
        edit_table(
            demo_copy,
            table,
            lambda rows: [
                {**row, "stock": "0" if row["id"] in gone else "1" if place % 2 else ""} for place, row in enumerate(rows)
            ],
        )
    house = mk.open(demo_copy)
    stocked = house.next("P02", count=200, in_stock=True).rows
    assert len(stocked) > 20
    assert not [test for test in stocked if test.mouthpiece_id in gone or test.reed_id in gone]
    assert [test for test in house.next("P02", count=200).rows if test.mouthpiece_id in gone]
    counted = {piece.id for piece in house.tables.mouthpieces if piece.stock == 1} & {test.mouthpiece_id for test in stocked}
    assert counted


def test_next_for_an_instrument_that_nobody_marked(demo_copy: Path) -> None:
    """Without a playtest of the clarinets there is no model of them: what to play next is asked all the same, by the measurements."""
    edit_table(demo_copy, "playtests", lambda rows: [row for row in rows if not row["mouthpiece_id"].startswith("CM")])
    house = mk.open(demo_copy)
    player = next(item.id for item in house.tables.players if item.instrument == "clarinet")
    assert [test.position for test in house.next(player, count=3).rows] == [1, 2, 3]
