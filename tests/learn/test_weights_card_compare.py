"""What a playtest counts, the card of a model, and two models against one another."""

from __future__ import annotations

import re
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from conftest import Rows, edit_table

import matchkit as mk
from matchkit.learn.blend import MOST_CHOSEN_FROM, sampled
from matchkit.learn.marks import DEFAULT_SETTINGS, Settings, own_weights
from matchkit.learn.trial.choosing import choose_settings
from matchkit.learn.trial.evaluation import compare_settings, evaluate_tests, grouped_figures
from matchkit.learn.trial.folds import FoldTable
from matchkit.records.people import Playtest


def test_blind_and_repeated_marks_count_more() -> None:
    """1 sighted and single, 1.5 blind, 1.25 where the player marked the set-up again, both together their product (stated in constants)."""
    made = [("a", "m", None), ("a", "n", True), ("a", "m", None), ("b", "m", True), ("b", "m", True), ("c", "m", False)]
    tests = [
        Playtest(id=str(k), player_id=player, mouthpiece_id=piece, reed_id="r", overall=5, blind=blind)
        for k, (player, piece, blind) in enumerate(made)
    ]
    assert own_weights(tests).tolist() == [1.25, 1.5, 1.25, 1.875, 1.875, 1.0]


def test_a_heavier_playtest_moves_the_score_further() -> None:
    """The same marks given blind pull a score further from physics, in the fitted neighbours and in the folds alike."""
    house = mk.open()
    tests = house.learner.rated_tests
    heavy = replace(tests, weight=tests.weight * 2)
    rows = np.arange(len(tests))
    folds = [(rows[rows % 5 != 0], rows[rows % 5 == 0])]
    light, pulled = (FoldTable(item, house.parts.ligatures) for item in (tests, heavy))
    one, other = (table.predict(table.questions(folds), DEFAULT_SETTINGS) for table in (light, pulled))
    seen = folds[0][1]
    assert other.evidence[seen] == pytest.approx(2 * one.evidence[seen])
    off = [np.abs(found.blended - found.computed)[seen] for found in (one, other)]
    assert (off[1] >= off[0] - 1e-9).all()
    assert off[1].mean() > off[0].mean()


def test_a_card_is_written_with_the_model(tmp_path: Path) -> None:
    """Counts, settings, hashes and grouped figures, the same text for the same playtests; invented data are called so."""
    house = mk.open()
    house.train(tmp_path / "m.npz")
    card = (tmp_path / "m.md").read_text(encoding="utf-8")
    for words in (
        "900 rated playtests of 16 players",
        "All of them are invented",
        "**Fingerprint** of the rules and parts it belongs to: `",
        "16 players have a line of their own, offset",
        "| new mouthpiece | blend |",
    ):
        assert words in card
    figures = grouped_figures(house.learner.rated_tests, house.parts.ligatures, house.learner.blend.settings)
    blend = next(score for score in figures if (score.split, score.method) == ("new mouthpiece", "blend"))
    assert f"| new mouthpiece | blend | {blend.error:.2f} | {blend.ndcg:.3f} |" in card
    assert card == (tmp_path / "m.md").read_text(encoding="utf-8")
    house.train(tmp_path / "again.npz")
    assert (tmp_path / "again.md").read_text(encoding="utf-8") == card.replace("# m.npz", "# again.npz")


def test_a_model_older_than_the_tables_says_by_how_many_playtests(demo_copy: Path) -> None:
    """Three playtests later the model beside the tables, or one that is named, counts them in, and says so."""
    mk.open(demo_copy).train()
    edit_table(demo_copy, "playtests", lambda rows: [*rows, *({**rows[0], "id": f"new{k}"} for k in range(3))])
    for later in (mk.open(demo_copy), mk.open(demo_copy, model=demo_copy / "model.npz")):
        assert (later.model.use, later.model.name, later.model.since) == ("file", "model.npz", 3)
        assert later.learner.blend.tests == 903


def test_two_models_on_the_same_playtests(tmp_path: Path) -> None:
    """A model against itself differs by nothing; one that hears no neighbour is worse in error on new mouthpieces, surely; seeded."""
    house = mk.open()
    tests, ligatures = house.learner.rated_tests, house.parts.ligatures
    same = compare_settings(tests, ligatures, DEFAULT_SETTINGS, DEFAULT_SETTINGS)
    assert all(item.difference == item.low == item.high == 0 for item in same)
    deaf = replace(DEFAULT_SETTINGS, kappa=1e9)
    found = compare_settings(tests, ligatures, DEFAULT_SETTINGS, deaf)
    error = next(item for item in found if (item.split, item.figure) == ("new mouthpiece", "error"))
    assert error.high < 0
    assert error.difference == pytest.approx(error.first - error.second)
    assert found == compare_settings(tests, ligatures, DEFAULT_SETTINGS, deaf)
    house.train(tmp_path / "a.npz")
    assert all(item.difference == 0 for item in house.compare(tmp_path / "a.npz", tmp_path / "a.npz").differences)
    with pytest.raises(mk.RequestError, match="not enough playtests"):
        compare_settings(tests.take(np.arange(10)), ligatures, DEFAULT_SETTINGS, Settings())


def test_settings_are_chosen_on_a_sample_of_many() -> None:
    """Of ten thousand playtests three thousand, by a fixed seed and in order; of few all."""
    tests = mk.open().learner.rated_tests
    many = tests.take(np.arange(10_000) % len(tests))
    assert len(sampled(many)) == MOST_CHOSEN_FROM
    assert sampled(many).ids == sampled(many).ids
    assert sampled(tests) is tests


def test_comparing_by_command(tmp_path: Path) -> None:
    """``evaluate --models`` in every format."""
    from click.testing import CliRunner

    from matchkit.cli import main

    mk.open().train(tmp_path / "a.npz")
    for style, words in (
        ("table", "leaves open which is better"),
        ("json", "matchkit.compare/1"),
        ("csv", "split,figure,first"),
    ):
        result = CliRunner().invoke(
            main, ["evaluate", "--models", str(tmp_path / "a.npz"), str(tmp_path / "a.npz"), "--format", style]
        )
        assert result.exit_code == 0
        assert re.search(words, result.stdout)


def test_what_cannot_be_held_out_chooses_nothing() -> None:
    """All playtests in one sitting: settings stay as they are, the card says so, and two models are not compared."""
    house = mk.open()
    tests = replace(house.learner.rated_tests, sessions=("one",) * len(house.learner.rated_tests))
    assert choose_settings(tests, house.parts.ligatures) == DEFAULT_SETTINGS
    assert grouped_figures(tests, house.parts.ligatures, DEFAULT_SETTINGS) == ()
    with pytest.raises(mk.RequestError, match="nothing can be held out"):
        compare_settings(tests, house.parts.ligatures, DEFAULT_SETTINGS, Settings(neighbours=5))
    with pytest.raises(mk.RequestError, match="nothing can be evaluated"):
        evaluate_tests(tests, house.parts.ligatures)


def test_an_average_has_no_order() -> None:
    """One mark for everything: no tau, whatever row was left out of it in its fold."""
    tests = mk.open().learner.rated_tests
    score = evaluate_tests(tests, (), nested=False, splits=("new mouthpiece",)).score("new mouthpiece", "average")
    assert score.kendall_tau != score.kendall_tau
    assert score.error > 0


def test_a_player_is_not_called_as_one_in_no_table(demo_copy: Path) -> None:
    """A player of the id visitor is refused: what is known of them would be said of every walk-in."""

    def named(rows: Rows) -> Rows:
        rows.append({**rows[0], "id": "visitor"})
        return rows

    edit_table(demo_copy, "players", named)
    with pytest.raises(mk.DataError, match="column id: read 'visitor'; expected another id"):
        mk.open(demo_copy)


def test_nothing_is_learned_from_nothing(demo_copy: Path) -> None:
    """A house without playtests is not trained: a model of nothing would only look like one."""
    (demo_copy / "playtests.csv").unlink()
    (demo_copy / "trials.csv").unlink()
    with pytest.raises(mk.RequestError, match="no rated playtest to learn from"):
        mk.open(demo_copy).train()
    assert not (demo_copy / "model.npz").exists()
