"""The model file, training and evaluation."""

from __future__ import annotations

import ast
import hashlib
import json
import shutil
import zipfile
from dataclasses import replace
from importlib import import_module
from pathlib import Path
from typing import Annotated, Any

import numpy as np
import pytest
from conftest import Rows, edit_table

import matchkit as mk
from matchkit import constants, score
from matchkit.facts import ModelUse
from matchkit.files import shipped
from matchkit.learn.kriging.variances import PRIOR
from matchkit.learn.model.file import Belonging, _tests, load_model, save_model
from matchkit.learn.model.fingerprint import UNREAD, data_digests, mark_digests, rules_digest
from matchkit.learn.trial.evaluation import ALONE, PLAIN, _HeldOut, _score, evaluate_tests
from matchkit.learn.trial.folds import SPLITS
from matchkit.learn.trial.quality import ranking_quality
from matchkit.parts.stock import Parts, Stock
from matchkit.records.parts import Mouthpiece
from matchkit.records.people import Playtest
from matchkit.records.quantity import Quantity
from matchkit.records.schema import TABLES
from matchkit.score.scorer import Scorer
from matchkit.score.terms import aim


def of_stock(stock: Stock) -> Belonging:
    """What a model of these records belongs to."""
    marked = Scorer(Parts(stock)).marked
    return Belonging(rules_digest(), data_digests(stock, marked), mark_digests(marked))


def belonging(house: mk.House) -> Belonging:
    """What a model fitted now belongs to."""
    return Belonging(rules_digest(), data_digests(house.parts.stock, house.scorer.marked), mark_digests(house.scorer.marked))


@pytest.fixture(scope="module")
def saved(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A model of the demo house with default settings, on disk."""
    path = tmp_path_factory.mktemp("model") / "model.npz"
    house = mk.open()
    save_model(house.learner.blend, house.learner.rated_tests, path, belonging=belonging(house))
    return path


def test_shipped_model_is_what_training_gives(tmp_path: Path) -> None:
    """Training the demo house again gives the shipped model: variances, line, intervals and arrays, to 1e-5 (a fit stops within its tolerance)."""
    fresh = mk.open().train(tmp_path / "again.npz").path
    (again, its), (demo, demo_its) = load_model(fresh), load_model(shipped("models/demo.npz"))
    assert its == demo_its == belonging(mk.open())
    assert vars(again.variances) == pytest.approx(vars(demo.variances), rel=1e-4)
    assert again.line.both == pytest.approx(demo.line.both, abs=1e-4)
    for kind, interval in demo.intervals.items():
        assert again.intervals[kind].q == pytest.approx(interval.q, abs=1e-3)
        assert again.intervals[kind].units == interval.units
    for instrument, known in demo.by_instrument.items():
        assert again.by_instrument[instrument].tests.features == pytest.approx(known.tests.features, abs=1e-6)
        assert again.by_instrument[instrument].settled.pull == pytest.approx(known.settled.pull, abs=1e-3)


def test_same_playtests_give_the_same_file(saved: Path, tmp_path: Path) -> None:
    """Saving again gives the same bytes: the header carries no clock."""
    house = mk.open()
    save_model(house.learner.blend, house.learner.rated_tests, tmp_path / "two.npz", belonging=belonging(house))
    assert (tmp_path / "two.npz").read_bytes() == saved.read_bytes()


def test_a_loaded_model_ranks_as_the_fitted_one(tmp_path: Path) -> None:
    """A house with a model from disk gives the same answer as the one that trained it."""
    house = mk.open()
    path = house.train(tmp_path / "m.npz").path
    loaded = mk.open(model=path)
    assert loaded.rank("P01", top=5).to_dict() == house.rank("P01", top=5).to_dict()
    assert (loaded.model.use, loaded.model.name) == ("file", "m.npz")


def rewrite(source: Path, target: Path, change: Any) -> Path:
    """Copy a model with its arrays changed."""
    with np.load(source, allow_pickle=False) as archive:
        arrays = {name: archive[name] for name in archive.files}
    change(arrays)
    with target.open("wb") as file:
        np.savez(file, **arrays)
    return target


def header_of(arrays: dict[str, Any], **changes: Any) -> None:
    header = json.loads(str(arrays["header"]))
    header.update(changes)
    arrays["header"] = np.array(json.dumps(header))
    arrays["seal"] = np.array(hashlib.sha256(str(arrays["header"]).encode()).hexdigest())


def of_model(arrays: dict[str, Any], **changes: Any) -> None:
    header_of(arrays, model={**json.loads(str(arrays["header"]))["model"], **changes})


@pytest.mark.parametrize(
    ("change", "words"),
    [
        (lambda a: header_of(a, version=99), "a model of version 99; this matchkit reads version 6"),
        (lambda a: header_of(a, format="something else"), "not a matchkit model, but 'something else'"),
        (lambda a: a.update(marks=a["marks"][::-1]), "the array marks is not the one that was saved"),
        (lambda a: of_model(a, variances={"noise": 3, "more": 1}), "does not fit its arrays"),
        (lambda a: of_model(a, variances={"noise": 0}), "no standard deviations"),
        (lambda a: of_model(a, line={}), "does not fit its arrays"),
        (lambda a: of_model(a, aims={"alto": {"": {"closing_pressure_pa": "wide"}}}), "does not fit its arrays"),
        (lambda a: of_model(a, intervals={"new pair": {"q": -1.0, "units": 9}}), "does not fit its arrays"),
        (
            lambda a: of_model(a, line={"intercept": float("nan"), "slope": 1.0, "covariance": [[1, 0], [0, 1]]}),
            "a line that is not finite",
        ),
        (
            lambda a: a.update(header=np.array(str(a["header"]).replace('"noise"', '"noise" '))),
            "header is not the one that was saved",
        ),
        (lambda a: a.pop("seal"), "header is not the one that was saved"),
        (lambda a: a.pop("header"), "it has no header"),
        (lambda a: a.pop("rating"), "not a whole model file"),
        (lambda a: a.update(rating=a["rating"] + 1), "the array rating is not the one that was saved"),
        (lambda a: a.update(players=a["players"][::-1]), "the array players is not the one that was saved"),
        (lambda a: a.update(header=np.array("[1]")), "it has no header"),
    ],
)
def test_foreign_newer_and_tampered_models_are_refused(saved: Path, tmp_path: Path, change: Any, words: str) -> None:
    """Each kind of wrong file is a ModelError that says what is wrong."""
    with pytest.raises(mk.ModelError, match=words):
        load_model(rewrite(saved, tmp_path / "bad.npz", change))


def test_truncated_missing_and_oversized_models_are_refused(
    saved: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Half a file, no file, a folder, a file of something else, pickled objects and a huge one are refused, and nothing is run."""
    whole = saved.read_bytes()
    for name, content in (("half.npz", whole[: len(whole) // 2]), ("text.npz", b"hello"), ("empty.npz", b"")):
        (tmp_path / name).write_bytes(content)
        with pytest.raises(mk.ModelError, match="not a whole model file"):
            load_model(tmp_path / name)
    with pytest.raises(mk.ModelError, match="no such model file"):
        load_model(tmp_path / "none.npz")
    with pytest.raises(mk.ModelError, match="cannot be read"):
        load_model(tmp_path)
    pickled = tmp_path / "pickled.npz"
    np.savez(pickled, header=np.array([{"run": "me"}], dtype=object))
    with pytest.raises(mk.ModelError, match="not a whole model file"):
        load_model(pickled)
    flipped = bytearray(whole)
    flipped[len(flipped) // 3] ^= 0xFF
    (tmp_path / "flipped.npz").write_bytes(bytes(flipped))
    with pytest.raises(mk.ModelError):
        load_model(tmp_path / "flipped.npz")
    monkeypatch.setattr("matchkit.learn.model.file.MAX_BYTES", 1000)
    with pytest.raises(mk.ModelError, match="expected at most 1000"):
        load_model(saved)


def test_a_zip_bomb_is_refused_before_it_is_unpacked(tmp_path: Path) -> None:
    """An archive that claims more than the limit is refused by its listing alone."""
    bomb = tmp_path / "bomb.npz"
    with (
        zipfile.ZipFile(bomb, "w", zipfile.ZIP_DEFLATED) as archive,
        archive.open("rating.npy", "w", force_zip64=True) as member,
    ):
        for _ in range(300):
            member.write(b"\0" * 1024 * 1024)
    assert bomb.stat().st_size < 1_000_000
    with pytest.raises(mk.ModelError, match="bytes unpacked"):
        load_model(bomb)


def test_saving_where_nothing_can_be_written(saved: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A missing folder, and a disk that fills, are ModelErrors and leave no half file."""
    house = mk.open()
    with pytest.raises(mk.ModelError, match="cannot be written"):
        save_model(house.learner.blend, house.learner.rated_tests, tmp_path / "no" / "m.npz", belonging=belonging(house))
    target = Path(shutil.copy(saved, tmp_path / "m.npz"))

    def fail(*_: object) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(Path, "replace", fail)
    with pytest.raises(mk.ModelError, match="No space left"):
        save_model(house.learner.blend, house.learner.rated_tests, target, belonging=belonging(house))
    assert target.read_bytes() == saved.read_bytes()
    assert [path.name for path in tmp_path.iterdir()] == ["m.npz"]


def test_a_player_who_plays_another_set_up_leaves_the_model_to_all(demo_copy: Path) -> None:
    """What one alto player plays by now changes: the variances stand, and a clarinettist's scores move by less than 1 of 100, as by the one physics line that all share."""
    mk.open(demo_copy).train()
    before = mk.open(demo_copy)
    clarinet = next(player.id for player in before.tables.players if player.instrument == "clarinet")
    old = {(row.mouthpiece_id, row.reed_id, row.ligature_id): row.score for row in before.rank(clarinet, top=20).rows}

    def moves(rows: Rows) -> Rows:
        return [{**row, "mouthpiece_id": "AM-05", "reed_id": "AR-A-2.5"} if row["id"] == "P02" else row for row in rows]

    edit_table(demo_copy, "players", moves)
    after = mk.open(demo_copy)
    assert (after.model.use, after.model.why) == ("file", "")
    assert after.learner.blend.variances == before.learner.blend.variances
    assert after.learner.blend.tests == before.learner.blend.tests
    now = {(row.mouthpiece_id, row.reed_id, row.ligature_id): row.score for row in after.rank(clarinet, top=20).rows}
    both = set(old) & set(now)
    assert len(both) >= 10
    assert max(abs(old[one] - now[one]) for one in both) < 1.0


def test_model_beside_the_tables_counts_while_it_belongs_to_them(demo_copy: Path) -> None:
    """Stock, labels and parts that nobody marked may change; later marks are counted in, changed ones are said, other parts end it."""
    mk.open(demo_copy).train()
    learned = mk.open(demo_copy).learner.blend.variances
    assert mk.open(demo_copy).model == ModelUse(900, use="file", name="model.npz")

    def sell(rows: Rows) -> Rows:
        rows[0].update(stock="0", label="sold")
        return [*reversed(rows), {**dict.fromkeys(rows[0], ""), "id": "NEW", "instrument": "alto", "tip_opening_mm": "1.9"}]

    edit_table(demo_copy, "mouthpieces", sell)
    edit_table(demo_copy, "reeds", lambda rows: [*rows, {**rows[0], "id": "NEW", "strength": "4.5", "stiffness_n_per_mm": ""}])
    assert mk.open(demo_copy).model == ModelUse(900, use="file", name="model.npz")
    edit_table(demo_copy, "playtests", lambda rows: [*rows, {**rows[-1], "id": "later", "session": "new"}])
    later = mk.open(demo_copy)
    assert later.model == ModelUse(901, use="file", name="model.npz", since=1)
    assert (later.learner.blend.tests, later.learner.blend.variances) == (901, learned)
    edit_table(demo_copy, "playtests", lambda rows: [{**rows[0], "overall": "9.9"}, *rows[2:]])
    changed = mk.open(demo_copy)
    assert (changed.model.use, changed.model.changed, changed.model.why) == ("file", 2, "")
    assert (changed.learner.blend.tests, changed.learner.blend.variances) == (900, learned)
    played = mk.open(demo_copy).tables.playtests[0].mouthpiece_id

    def open_up(rows: Rows) -> Rows:
        return [{**row, "chamber_volume_cm3": "6.6"} if row["id"] == played else row for row in rows]

    edit_table(demo_copy, "mouthpieces", open_up)
    for house in (mk.open(demo_copy), mk.open(demo_copy, model=demo_copy / "model.npz")):
        assert (house.model.use, house.model.why) == ("memory", "other parts")
        assert house.learner.blend.variances == PRIOR
    (demo_copy / "model.npz").write_bytes(b"broken")
    broken = mk.open(demo_copy).model
    assert broken.why == "unreadable"
    assert "not a whole model file" in broken.error
    with pytest.raises(mk.ModelError):
        mk.open(demo_copy, model=demo_copy / "model.npz")


@pytest.mark.parametrize(
    ("module", "name", "value"),
    [
        ("matchkit.score.desirability", "FLOOR", 0.02),
        ("matchkit.score.terms.aim", "TERMS", tuple(replace(term, weight=8) for term in aim.TERMS)),
        ("matchkit.constants", "LIP_SHARE", replace(constants.LIP_SHARE, value=0.4)),
        ("matchkit.physics.closing", "UPPER_GAP", 0.8),
        ("matchkit.score.target", "LIKED", 8.0),
    ],
)
def test_a_model_trained_under_other_rules_is_not_used(
    saved: Path, monkeypatch: pytest.MonkeyPatch, module: str, name: str, value: object
) -> None:
    """Changing a weight, a limit or a constant makes a model stale: it is said, and a model is fitted anew in memory."""
    assert mk.open(model=saved).model.use == "file"
    before = getattr(import_module(module), name)
    monkeypatch.setattr(f"{module}.{name}", {**before, **value} if isinstance(value, dict) else value)
    house = mk.open(model=saved)
    assert (house.model.use, house.model.why) == ("memory", "other rules")
    assert house.rank("P01", top=1).rows


def test_words_about_a_number_make_no_model_stale(saved: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """What a constant is called in words, or where it is from, may change."""
    monkeypatch.setattr("matchkit.constants.LIP_SHARE", replace(constants.LIP_SHARE, meaning="in other words", source="there"))
    assert mk.open(model=saved).model.use == "file"


def test_an_optional_column_that_is_not_filled_in_changes_nothing(demo_copy: Path) -> None:
    """A schema with one more optional column in every table leaves every fingerprint as it is; a filled one that is read does not."""
    house = mk.open(demo_copy)
    before = belonging(house)

    class LaterMouthpiece(Mouthpiece):
        colour_temperature: Annotated[float | None, Quantity("invented for this test")] = None

    class LaterPlaytest(Playtest):
        humidity: Annotated[float | None, Quantity("invented for this test")] = None

    stock = house.parts.stock
    pieces = [LaterMouthpiece(**piece.model_dump()) for piece in stock.mouthpieces]
    tests = [LaterPlaytest(**test.model_dump()) for test in stock.playtests]
    after = of_stock(replace(stock, mouthpieces=pieces, playtests=tests))
    assert after == before
    tests[0] = tests[0].model_copy(update={"humidity": 0.5})
    later = of_stock(replace(stock, mouthpieces=pieces, playtests=tests))
    assert later.fingerprint == before.fingerprint
    assert [name for name, mark in later.marks.items() if before.marks[name] != mark] == [tests[0].id]


def test_every_column_that_models_do_not_read_is_a_column() -> None:
    """The list of unread columns names columns that are there, and no table is forgotten."""
    for table, columns in UNREAD.items():
        assert set(columns) <= set(TABLES[table].model_fields), table
    assert set(UNREAD) == set(TABLES) - {"trials"}


def test_no_term_reads_a_column_that_models_do_not_read() -> None:
    """A column that a term of the score reads makes a model stale when it changes, so it is not among the unread ones.

    The price counts only for a visitor with a level, of whom there are no marks.
    """
    read = {
        node.attr
        for path in [
            *(path for path in Path(score.__file__).parent.glob("terms/*.py") if path.stem != "price"),
            *(Path(score.__file__).with_name(f"{name}.py") for name in ("features", "tone")),
        ]
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8")))
        if isinstance(node, ast.Attribute)
    }
    assert "chamber_volume_cm3" in read
    for table in ("mouthpieces", "reeds", "ligatures", "necks", "players"):
        # an instrument is read of players and mouthpieces, never of a ligature
        assert not read & (
            set(UNREAD[table]) - {"id", "label", "name"} - ({"instrument"} if table == "ligatures" else set())
        ), table


# evaluation


def test_evaluation_of_the_demo_house() -> None:
    """On the invented demo rule the blend beats the average, players' means and both its parts where the player is known; intervals cover."""
    evaluation = mk.open().evaluate(nested=False)
    assert (evaluation.tests, evaluation.players, evaluation.lists) == (900, 16, 16)
    for split in ("new mouthpiece", "new pair"):
        blend = evaluation.score(split, "blend")
        for part in ("average", "player mean", "physics alone", "marks alone"):
            other = evaluation.score(split, part)
            assert blend.ndcg > other.ndcg - 0.005  # of 32 lists: another harmless term moves it by 0.001
            assert not blend.kendall_tau <= other.kendall_tau  # one mark for all puts nothing in order
            assert blend.error < other.error
            assert other.over_blend > 0
    assert evaluation.score("new pair", "player mean").over_blend_low > 0
    for split in SPLITS:
        score = evaluation.score(split, "blend")
        assert score.coverage is not None
        assert 0.74 < score.coverage < 0.88
        assert score.width is not None
        assert 0 < score.width < 8
    assert evaluation.to_dict()["schema"] == "matchkit.evaluate/1"
    json.dumps(evaluation.to_dict(), allow_nan=False)
    assert len(evaluation.to_frame()) == len(SPLITS) * len(ALONE)
    assert evaluation.best_plain("new pair", "raw") is None


def test_plain_methods_are_asked_too() -> None:
    """Ridge, forest, boosting and a Gaussian process, on raw columns and on the same features, each on the training part alone; in processes too."""
    tests = mk.open().learner.rated_tests.take(np.arange(0, 900, 9))
    alone, both = (evaluate_tests(tests, splits=("new pair",), jobs=jobs) for jobs in (1, 2))
    assert {score.method for score in alone.scores} == {*ALONE, *PLAIN}
    assert [score.error for score in alone.scores] == [score.error for score in both.scores]
    best = alone.best_plain("new pair", "raw")
    assert best is not None
    assert best.method.endswith(", raw")
    assert 0.5 < best.error < 3


def test_folds_know_nothing_of_what_is_held_out() -> None:
    """What players without a set-up are scored against comes from training rows: another mark on a held-out row changes no training D."""
    learner = mk.open(model=shipped("models/demo.npz")).learner
    tests = learner.rated_tests
    bare = {player.id for player in learner.parts.stock.players if player.mouthpiece_id is None}
    mine = np.array([name in bare for name in tests.players])
    assert mine.any()
    disliked = np.flatnonzero(tests.rating < 7)
    seen = learner.rated_from(disliked)
    assert np.any(seen.overall_d[mine] != tests.overall_d[mine])  # nothing liked is left: all that fits is aimed at
    assert np.array_equal(seen.overall_d[~mine], tests.overall_d[~mine])
    again = learner.rated_from(np.arange(len(tests)))
    assert again.overall_d == pytest.approx(tests.overall_d, abs=1e-12)


def test_one_rule_for_d_in_training_and_in_ranking() -> None:
    """A player without a set-up has one D for a set-up, whether it is learned from or ranked."""
    house = mk.open()
    learner = house.learner
    tests = learner.rated_tests
    bare = sorted(
        player.id for player in learner.parts.stock.players if player.mouthpiece_id is None and player.neck_id is not None
    )
    for player in bare:
        view = learner.scorer.view(player)
        pairs = learner.scorer.fitting(view.player.instrument)
        overall = dict(zip(pairs.ids(), learner.scorer.score(view, pairs).terms.overall, strict=True))
        offset = {test.id: test.reed_offset_mm for test in learner.scorer.marked}
        rows = [row for row, name in enumerate(tests.players) if name == player and offset[tests.ids[row]] == 0]
        assert rows
        for row in rows:
            assert tests.overall_d[row] == pytest.approx(overall[tests.mouthpieces[row], tests.reeds[row]], abs=1e-9)


def test_too_few_playtests_cannot_be_evaluated(demo_copy: Path) -> None:
    """Below 40 marks the answer is that there are not enough."""
    edit_table(demo_copy, "playtests", lambda rows: rows[:30])
    with pytest.raises(mk.RequestError, match="not enough playtests: 30 with a mark"):
        mk.open(demo_copy).evaluate()


# ranking quality


@pytest.mark.parametrize(
    ("rating", "guess", "ndcg"),
    [
        ([10, 0, 0, 1, 5], [0.1, 0.2, 0.3, 4, 70], 0.6957),
        ([10, 0, 0, 1, 5], [0.05, 1.1, 1.0, 0.5, 0.0], 0.4937),
    ],
)
def test_ndcg_of_published_examples(rating: list[float], guess: list[float], ndcg: float) -> None:
    """scikit-learn's documented examples of ndcg_score (arguments from memory), which have five items, so NDCG@5 is NDCG."""
    assert ranking_quality(np.array(rating), np.array(guess))[0] == pytest.approx(ndcg, abs=5e-5)


def test_ndcg_of_the_encyclopedia_example() -> None:
    """DCG set 3,2,3,0,1,2 (from memory): the first five of its own order over the ideal first five, gain = rating, log2(i + 1)."""
    rating = np.array([3.0, 2.0, 3.0, 0.0, 1.0, 2.0])
    discount = 1 / np.log2(np.arange(2, 7))
    expected = (rating[:5] * discount).sum() / (np.sort(rating)[::-1][:5] * discount).sum()
    assert ranking_quality(rating, np.arange(6, 0, -1.0))[0] == pytest.approx(expected)


def test_kendall_tau_of_the_documented_example() -> None:
    """Scipy's documented example of kendalltau: -0.4714 (inputs from memory); a constant guess has no order."""
    assert ranking_quality(np.array([12.0, 2, 1, 12, 2]), np.array([1.0, 4, 7, 1, 0]))[1] == pytest.approx(-0.4714, abs=5e-5)
    assert np.isnan(ranking_quality(np.array([1.0, 2]), np.array([3.0, 3]))[1])


def test_a_model_with_one_number_that_is_none_is_refused(saved: Path) -> None:
    """Every array of numbers with one entry that is not finite, or a weight of nothing: no marks are made of them."""
    with np.load(saved, allow_pickle=False) as file:
        whole = {name: file[name] for name in file.files if file[name].ndim}
    assert len(_tests(dict(whole)).rating) == len(whole["rating"])
    for name in ("rating", "features", "weight"):
        spoiled = {**whole, name: whole[name].astype(float)}
        spoiled[name].flat[3] = np.nan
        with pytest.raises(ValueError, match="not finite"):
            _tests(spoiled)
    with pytest.raises(ValueError, match="not finite"):
        _tests({**whole, "weight": np.where(np.arange(len(whole["weight"])) == 5, 0.0, whole["weight"])})


def test_the_width_of_an_interval_is_twice_its_half() -> None:
    """Every half width 1.5 marks: a width of 3, and a coverage of those that lie within it."""
    tests = mk.open().learner.rated_tests
    held = _HeldOut.of(len(tests), ("blend",))
    held.guesses["blend"][:] = held.orders["blend"][:] = tests.rating + np.where(np.arange(len(tests)) % 4, 1.0, 2.0)
    held.half[:] = 1.5
    found = _score(tests, "new pair", "blend", held)
    assert found.width == pytest.approx(3.0)
    assert found.coverage == pytest.approx(0.75, abs=0.01)
