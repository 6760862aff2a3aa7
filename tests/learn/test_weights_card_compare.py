"""What a playtest counts, the card of a model, and two models against one another."""

from __future__ import annotations

import re
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from conftest import Rows, edit_table

import matchkit as mk
from matchkit.learn.blend import fit_blend
from matchkit.learn.kriging.variances import NAMES, PRIOR, Variances
from matchkit.learn.marks import own_weights
from matchkit.learn.model.file import load_model
from matchkit.learn.model.found import belonging_of
from matchkit.learn.trial.evaluation import MOST_ON_CARD, _at_most, compare_models, evaluate_tests, grouped_figures
from matchkit.learn.trial.folds import predict_tests
from matchkit.records.people import Playtest
from matchkit.words.playtest.learned import model_card


def test_blind_marks_count_more() -> None:
    """1 sighted, 1.5 blind (stated in constants); a set-up marked again is the model's own affair."""
    made = [("a", "m", None), ("a", "n", True), ("a", "m", None), ("b", "m", True), ("c", "m", False)]
    tests = [
        Playtest(id=str(k), player_id=player, mouthpiece_id=piece, reed_id="r", overall=5, blind=blind)
        for k, (player, piece, blind) in enumerate(made)
    ]
    assert own_weights(tests).tolist() == [1.0, 1.5, 1.0, 1.5, 1.0]


def test_a_heavier_playtest_moves_the_score_further() -> None:
    """The same marks given blind pull a score further from physics."""
    tests = mk.open().learner.rated_tests
    heavy = replace(tests, weight=tests.weight * 2)
    rows = np.arange(len(tests))
    train, test = rows[rows % 5 != 0], rows[rows % 5 == 0]
    off = []
    for item in (tests, heavy):
        blend = fit_blend(item.take(train), PRIOR, bounds=False)
        off.append(np.abs(predict_tests(blend, tests.take(test))[0] - blend.computed(tests.overall_d[test])).mean())
    assert off[1] > off[0]


def test_a_card_is_written_with_the_model(tmp_path: Path) -> None:
    """Counts, settings, hashes and grouped figures, the same text for the same playtests; invented data are called so."""
    house = mk.open()
    house.train(tmp_path / "m.npz")
    card = (tmp_path / "m.md").read_text(encoding="utf-8")
    for words in (
        "900 rated playtests of 16 players",
        "All of them are invented",
        "**Fingerprint** of the rules and parts it belongs to: `",
        "**Standard deviations** in points",
        "new player 1.",
        "taken for one, and not counted until confirmed",
        "In range by evidence: ",
        "| new mouthpiece | blend |",
        "| new pair | blend |",
    ):
        assert words in card
    figures, _ = grouped_figures(house.learner.rated_tests, house.learner.blend.variances, rescore=house.learner.rated_from)
    blend = next(score for score in figures if (score.split, score.method) == ("new mouthpiece", "blend"))
    assert f"| new mouthpiece | blend | {blend.error:.2f} | {blend.ndcg:.3f} |" in card
    assert f"| {100 * (blend.coverage or 0):.0f} % |" in card
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


def test_two_models_on_the_same_playtests(demo_copy: Path, tmp_path: Path) -> None:
    """A model against itself differs by nothing; one that hears no mark is worse, surely; on marks that neither had seen, where there are enough."""
    edit_table(demo_copy, "playtests", lambda rows: rows[:700])
    mk.open(demo_copy).train(tmp_path / "a.npz")
    learner = mk.open().learner
    tests = learner.rated_tests
    model = load_model(tmp_path / "a.npz")[0]
    held_back, marks, same = compare_models(tests, model, model)
    assert (held_back, marks) == (True, 200)
    assert {item.split for item in same} == {"later marks"}
    assert all(item.difference == item.low == item.high == 0 for item in same)
    nothing = dict.fromkeys(NAMES, 0.001) | {"noise": 2.0, "length": 2.0}
    deaf = replace(model, variances=Variances(**nothing))
    found = compare_models(tests, model, deaf)[2]
    error = next(item for item in found if item.figure == "error")
    assert error.high < 0
    assert error.difference == pytest.approx(error.first - error.second)
    assert found == compare_models(tests, model, deaf)[2]
    with pytest.raises(mk.RequestError, match="not enough playtests"):
        compare_models(tests.take(np.arange(10)), model, deaf)
    seen = compare_models(tests.take(np.arange(700)), model, deaf)
    assert (seen[0], seen[1]) == (False, 700)
    assert {item.split for item in seen[2]} == {"new player", "new mouthpiece", "new pair"}


def test_comparing_by_command(tmp_path: Path) -> None:
    """``evaluate --models`` in every format."""
    from click.testing import CliRunner

    from matchkit.cli import main

    mk.open().train(tmp_path / "a.npz")
    for style, words in (
        ("table", "The two models expect the same marks"),
        ("json", "matchkit.compare/1"),
        ("csv", "split,figure,first"),
    ):
        result = CliRunner().invoke(
            main, ["evaluate", "--models", str(tmp_path / "a.npz"), str(tmp_path / "a.npz"), "--format", style]
        )
        assert result.exit_code == 0
        assert re.search(words, result.stdout)


def test_what_cannot_be_held_out_says_nothing() -> None:
    """All playtests in one sitting: the card says so, and nothing is evaluated or compared."""
    house = mk.open()
    tests = replace(house.learner.rated_tests, sessions=("one",) * len(house.learner.rated_tests))
    assert grouped_figures(tests, PRIOR) == ((), None)
    with pytest.raises(mk.RequestError, match="nothing can be held out"):
        compare_models(tests, house.learner.blend, house.learner.blend)
    with pytest.raises(mk.RequestError, match="nothing can be evaluated"):
        evaluate_tests(tests)


def test_an_average_has_no_order() -> None:
    """One mark for everything: no tau, whatever row was left out of it in its fold."""
    tests = mk.open().learner.rated_tests
    score = evaluate_tests(tests, nested=False, plain=False, splits=("new mouthpiece",)).score("new mouthpiece", "average")
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


def test_a_card_on_very_many_playtests_says_on_how_many_it_was_tried() -> None:
    """The figures of a card take a while in a large house: so many playtests by a fixed seed, and the card says so."""
    house = mk.open()
    learner = house.learner
    many = learner.rated_tests.take(np.tile(np.arange(900), 2))
    few, seen = _at_most(many, None, MOST_ON_CARD)
    assert len(few) == MOST_ON_CARD
    assert few.ids == _at_most(many, None, MOST_ON_CARD)[0].ids
    assert seen(np.arange(10)).ids == few.ids
    belonging = belonging_of(learner, house._rules)
    said = [
        model_card("m", learner.blend, tests, (), coverage=None, belonging=belonging, invented=True)
        for tests in (learner.rated_tests, many)
    ]
    assert ["1,500 playtests by a fixed seed" in card for card in said] == [False, True]
