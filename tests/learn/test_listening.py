"""A model that listens: what four marks change, what one mark cannot, what is said of it, and what a log says at once. Invented houses."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from click.testing import CliRunner
from conftest import edit_table
from small_house import TIPS, Mark, small_house

import matchkit as mk
from matchkit.cli import main
from matchkit.cli.printing import lay_out
from matchkit.learn.blend import fit_blend
from matchkit.learn.fitted import Setups
from matchkit.learn.marks import NUMBERS, TEXTS, RatedTests
from matchkit.playtest.log import log_playtests, playtest_of
from matchkit.tables.carry import carry_in
from matchkit.words.explain import explain_screen
from matchkit.words.marks import deciding_words
from matchkit.words.rank import rank_screen

PRAISED: tuple[Mark, ...] = tuple(
    ("P1", "A90", reed, mark)
    for reed, mark in (("J-2.5", 9), ("J-2.5", 9), ("S-2.5", 5), ("J-2.5", 8.5), ("S-2.5", 5), ("J-2.5", 9))
)


def others(count: int, *, seed: int = 1) -> tuple[Mark, ...]:
    """Return marks of four other players on anything."""
    rng = np.random.default_rng(seed)
    pieces, reeds = [f"A{round(tip * 50)}" for tip in TIPS], [f"{line}-{s:g}" for line in "JS" for s in (2, 2.5, 3, 3.5)]
    return tuple(
        (
            f"P{(0, 2, 3, 4)[rng.integers(4)]}",
            pieces[rng.integers(5)],
            reeds[rng.integers(8)],
            round(float(rng.normal(6.5, 1.2)), 1),
        )
        for _ in range(count)
    )


@pytest.mark.parametrize("more", [0, 16])
@pytest.mark.parametrize("trained", [False, True])
def test_four_nines_beat_two_fives(tmp_path: Path, more: int, trained: bool) -> None:  # noqa: FBT001
    """In a small house four 9s on one reed and two 5s on another half a strength away put the first first of all, by 10 of 100 or more."""
    folder = small_house(tmp_path / "house", (*PRAISED, *others(more)))
    if trained:
        mk.open(folder, cache=False).train()
    ranking = mk.open(folder, cache=False).rank("P1", top=40)
    score = {(row.mouthpiece_id, row.reed_id): row.score for row in ranking.rows}
    first = ranking.rows[0]
    assert (first.mouthpiece_id, first.reed_id) == ("A90", "J-2.5")
    assert first.score >= score["A90", "S-2.5"] + 10
    assert first.played is not None
    assert (first.played.times, first.played.mean) == (4, 8.875)
    screen = " ".join(lay_out(rank_screen(ranking)).split())
    assert "They marked this pair 4 times, 8.9 on average." in screen
    assert "by the measurements, marks add" in screen


def test_marks_against_what_is_played_are_said(tmp_path: Path) -> None:
    """Who marks their own set-up twice far below the measurements is told so; how much is measured and how much is marks stands in explain."""
    folder = small_house(tmp_path / "house", [("P1", "A90", "S-2.5", 2), ("P1", "A90", "S-2.5", 3), *others(12)])
    house = mk.open(folder, cache=False)
    ranking = house.rank("P1")
    assert "Their own marks speak against what they play now: 2.5 where the measurements say" in " ".join(
        lay_out(rank_screen(ranking)).split()
    )
    explained = house.explain("P1", "A90", "S-2.5")
    told = " ".join(lay_out(explain_screen(explained)).split())
    assert "Marks take" in told
    assert "P1 marked this pair twice, 2.5 on average." in told
    for group in explained.setup.groups:
        assert all(mark.points * group.points > 0 and mark.residual * group.points > 0 for mark in group.playtests)
        assert len(group.playtests) <= 5


def demo_with(mark: float, count: int, player: str = "P02") -> tuple[float, float, int]:
    """Return score before and after some marks on what a player of the demo house has first, and its place afterwards."""
    learner = mk.open().learner
    tests = learner.rated_tests
    tests = tests.take(np.sort(np.random.default_rng(3).choice(len(tests), 60, replace=False)))
    pairs = learner.scorer.fitting("alto")
    scored = learner.scorer.score(learner.scorer.view(player), pairs)
    setups = Setups.of_pairs(pairs, scored.features)
    before = fit_blend(tests, bounds=False)

    def scores(blend: object) -> object:
        known = blend.by_instrument["alto"]  # type: ignore[attr-defined]
        return 10 * (blend.computed(scored.terms.overall) + known.correction(setups, player))  # type: ignore[attr-defined]

    one = np.asarray(scores(before))
    first = int(one.argmax())
    piece, reed = pairs.ids()[first]
    row = next(k for k in range(len(tests)) if tests.instruments[k] == "alto")
    new = replace(
        tests.take(np.full(count, row)), ids=tuple(f"new{k}" for k in range(count)), players=(player,) * count, mouthpieces=(piece,) * count,
        reeds=(reed,) * count, lines=(pairs.reed(first).reed.profile_id or reed,) * count, sessions=(None,) * count, ligatures=(None,) * count,
        contacts=(None,) * count, rating=np.full(count, mark), overall_d=np.full(count, scored.terms.overall[first]),
        features=np.repeat(scored.features[[first]], count, axis=0), weight=np.ones(count),
    )  # fmt: skip
    texts: dict[str, Any] = {name: (*getattr(tests, name), *getattr(new, name)) for name in TEXTS}
    numbers: dict[str, Any] = {name: np.concatenate([getattr(tests, name), getattr(new, name)]) for name in NUMBERS}
    joined = RatedTests(**texts, **numbers)
    other = np.asarray(scores(before.with_marks(joined)))
    return float(one[first]), float(other[first]), int((other > other[first] + 1e-9).sum()) + 1


def test_one_crazy_mark_changes_nothing_and_a_second_counts() -> None:
    """At 60 marks one 0 on a player's own first leaves it first and takes at most 10 points of 100; a second one takes many."""
    before, after, place = demo_with(0.0, 1)
    assert place == 1
    assert before - after <= 10
    before, after, place = demo_with(0.0, 2)
    assert place > 10
    assert before - after > 25


def test_a_slip_is_asked_about(demo_copy: Path, tmp_path: Path) -> None:
    """``log`` says what a mark changes, or asks whether it is a slip; ``tables check`` asks too."""
    book = tmp_path / "shop.sqlite"
    carry_in(demo_copy, book)
    mk.open(book).train()
    arguments = ["log", "--data", str(book), "--player", "P02", "--mouthpiece", "AM-08", "--reed", "AR-D-2", "--no-ask"]
    usual = CliRunner().invoke(main, [*arguments, "--overall", "7.6", "--session", "new"])
    assert usual.exit_code == 0, usual.output
    assert "AM-08 AR-D-2 for P02: expect" in usual.stdout
    assert "instead of" in usual.stdout or "as before" in usual.stdout
    crazy = CliRunner().invoke(main, [*arguments, "--overall", "0", "--session", "new2"])
    assert "0 is far from the 8" in " ".join(crazy.stdout.split())
    assert "If it is a slip, correct it: matchkit log --corrects" in " ".join(crazy.stdout.split())
    checked = " ".join(CliRunner().invoke(main, ["tables", "check", str(book)]).stdout.split())
    assert "0 by P02 for AM-08 with AR-D-2" in checked
    assert "it does not count yet: correct a slip by matchkit log --corrects" in checked
    assert "no problems" in checked
    machine = json.loads(
        CliRunner().invoke(main, [*arguments, "--overall", "7", "--session", "new3", "--format", "json"]).stdout
    )
    assert machine["schema"] == "matchkit.log/1"


def test_what_changed_is_what_the_answers_say(tmp_path: Path) -> None:
    """The mark to expect before and after is that of the rankings before and after."""
    folder = small_house(tmp_path / "house", others(20))
    book = tmp_path / "shop.sqlite"
    carry_in(folder, book)
    before = {(row.mouthpiece_id, row.reed_id): row for row in mk.open(book, cache=False).rank("P1", top=100).rows}
    logged = log_playtests(book, [playtest_of({"player_id": "P1", "mouthpiece_id": "A95", "reed_id": "J-3", "overall": 9.5})])
    house = mk.open(book, cache=False)
    (change,) = house.changed(logged.ids).changes
    after = {(row.mouthpiece_id, row.reed_id): row for row in house.rank("P1", top=100).rows}
    assert 10 * change.after == pytest.approx(after["A95", "J-3"].score, abs=1e-6)
    assert change.after > change.before + 0.3
    assert 10 * change.before == pytest.approx(before["A95", "J-3"].score, abs=0.5)
    assert change.doubted is None
    assert mk.open(book, cache=False).changed(["nothing"]).changes == ()


def test_a_second_mark_confirms_the_first(tmp_path: Path) -> None:
    """The change that a confirming mark makes is told from what answers said before it: both count from then on. A new player's first mark is never doubted."""
    folder = small_house(tmp_path / "house", (*PRAISED, *others(20)))
    book = tmp_path / "shop.sqlite"
    carry_in(folder, book)

    def logged(mark: float, player: str = "P1", day: str = "2026-01-02") -> object:
        test = playtest_of({"player_id": player, "mouthpiece_id": "A90", "reed_id": "J-2.5", "overall": mark, "date": day})
        ids = log_playtests(book, [test]).ids
        (change,) = mk.open(book, cache=False).changed(ids).changes
        return change

    def said() -> float:
        rows = mk.open(book, cache=False).rank("P1", top=100).rows
        return next(row.score for row in rows if (row.mouthpiece_id, row.reed_id) == ("A90", "J-2.5"))

    first: Any = logged(0.0)
    assert first.doubted == 0.0
    before = said()
    second: Any = logged(0.5, day="2026-01-03")
    assert second.doubted is None
    assert second.confirmed
    assert 10 * second.before == pytest.approx(before, abs=0.05)
    assert 10 * second.after == pytest.approx(said(), abs=0.05)
    assert second.after < second.before - 1


def test_the_first_mark_of_a_new_player_keeps_the_model(demo_copy: Path) -> None:
    """A player who had no mark, and a part that had none, add to what a model belongs to and make nothing stale; another facing of a part that was marked does."""
    mk.open(demo_copy).train()
    edit_table(demo_copy, "players", lambda rows: [*rows, {**rows[0], "id": "P99", "neck_id": ""}])
    edit_table(demo_copy, "mouthpieces", lambda rows: [*rows, {**rows[5], "id": "NEW"}])
    new = {"player_id": "P99", "mouthpiece_id": "NEW", "session": "new", "position": ""}
    edit_table(
        demo_copy,
        "playtests",
        lambda rows: [
            *rows,
            {**next(row for row in rows if row["reed_id"].startswith("AR")), "id": "T9999", **new, "overall": "10"},
        ],
    )
    house = mk.open(demo_copy)
    assert (house.model.use, house.model.since, house.model.changed) == ("file", 1, 0)
    assert "T9999" not in {known.tests.ids[row] for known in house.learner.blend.by_instrument.values() for row in known.slips}
    edit_table(
        demo_copy, "facings", lambda rows: [{**rows[0], "stop_mm": f"{float(rows[0]['stop_mm']) + 0.02:.2f}"}, *rows[1:]]
    )
    assert mk.open(demo_copy).model.why == "other parts"


def test_a_mark_that_decides_is_named(tmp_path: Path) -> None:
    """Where another set-up would be first without one mark, it is said which, and without it another is; where none decides nothing is said."""
    marks = [*others(14), ("P1", "A108", "S-3", 9.5)]
    ranking = mk.open(small_house(tmp_path / "house", marks), cache=False).rank("P1", top=3)
    assert ranking.deciding is not None
    assert (ranking.deciding.player, ranking.deciding.rating) == ("P1", 9.5)
    told = deciding_words(ranking.deciding, "A108 + S-3 + L1")
    assert (
        told
        == "A108 + S-3 + L1 is first by one mark only, the 9.5 of P1 for A108 with S-3 (T0014): playing that again would settle it"
    )
    without = mk.open(small_house(tmp_path / "without", marks[:-1]), cache=False).rank("P1", top=3)
    first, other = ((found.rows[0].mouthpiece_id, found.rows[0].reed_id) for found in (ranking, without))
    assert first != other
    sure = [*others(14), *[("P1", "A90", "J-2.5", mark) for mark in (9.5, 9.4, 9.6, 9.3)]]
    assert mk.open(small_house(tmp_path / "sure", sure), cache=False).rank("P1").deciding is None


def test_few_marks_have_the_models_own_range(tmp_path: Path) -> None:
    """With fewer than eight players left out the range is the model's own, and called so."""
    ranking = mk.open(small_house(tmp_path / "house", others(12)), cache=False).rank("P1")
    assert all(row.own_interval for row in ranking.rows)
    assert "as far as so few marks can tell" in " ".join(lay_out(rank_screen(ranking)).split())


def test_a_players_taste_is_told(tmp_path: Path) -> None:
    """Somebody who marks every harder reed lower is told that freer is marked higher, with how many marks say so."""
    fall = {"2": 9.0, "2.5": 7.5, "3": 6.0, "3.5": 4.0}
    marks = [("P1", f"A{round(tip * 50)}", f"{line}-{s}", mark) for tip in TIPS for line in "JS" for s, mark in fall.items()]
    house = mk.open(small_house(tmp_path / "house", (*marks, *others(30))), cache=False)
    ranking = house.rank("P1")
    assert ranking.tastes[0].way == "freer"
    assert ranking.tastes[0].points > 0.3
    assert ranking.tastes[0].marks == 40
    assert "P1 marks half a strength freer" in " ".join(lay_out(rank_screen(ranking)).split())


def test_a_short_rail_is_a_warning_with_a_verdict(demo_copy: Path) -> None:
    """A rail truly 1.1 mm short no longer refuses the house: it is said, with what speaks for it and what to do; one stop alone is likely a slip."""

    def shift(only: str | None) -> object:
        def change(rows: list[dict[str, str]]) -> list[dict[str, str]]:
            return [
                {**row, "stop_mm": f"{float(row['stop_mm']) - 1.4:.2f}"}
                if row["mouthpiece_id"] == "AM-01" and row["rail"] == "left" and (only is None or row["feeler_mm"] == only)
                else row
                for row in rows
            ]

        return change

    edit_table(demo_copy, "facings", shift(None))  # type: ignore[arg-type]
    house = mk.open(demo_copy)
    told = [str(problem) for problem in house.warnings if problem.source == "facings.csv"]
    assert len(told) == 1
    assert "agree that the left rail is short" in told[0]
    assert "matchkit facing AM-01 says what to do" in told[0]
    assert abs(house.facing("AM-01").rail_difference_mm or 0.0) > 0.8
    assert house.rank("P02").rows
