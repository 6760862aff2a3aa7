"""Writing playtests down: asked for, checked against the book, all or none."""

from __future__ import annotations

import datetime as dt
import subprocess
import sys
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

import matchkit as mk
from matchkit.cli import main
from matchkit.cli.printing import to_csv
from matchkit.facts import FITS, Refusal
from matchkit.files import shipped
from matchkit.parts.fits import ligature_refusals, misfit, pair_refusals
from matchkit.playtest.log import log_file, log_playtests, playtest_of
from matchkit.records.people import Playtest
from matchkit.records.trials import Trial
from matchkit.tables.book.book import Book
from matchkit.tables.carry import carry_in

PLAYED = {"player_id": "P02", "mouthpiece_id": "AM-05", "reed_id": "AR-A-2.5", "overall": 7.0}


@pytest.fixture
def book(tmp_path: Path) -> str:
    """The demo house in a book of its own."""
    target = str(tmp_path / "shop.sqlite")
    carry_in(shipped("data/demo"), target)
    return target


def run(*arguments: str, answers: str = "") -> Result:
    return CliRunner().invoke(main, list(arguments), input=answers)


def test_one_playtest_by_its_options(book: str) -> None:
    """What was given is in the book, with an id and today's date; nothing is asked without somebody to answer."""
    result = run(
        *("log", "--data", book, "--player", "P02", "--mouthpiece", "AM-05", "--reed", "AR-A-2.5"),
        *("--overall", "7", "--reed-age", "broken in", "--reed-place", "0.3", "--blind", "--note", "=1+1 <b>"),
    )
    assert result.exit_code == 0, result.output
    (test,) = Book(book).find("playtests", note="=1+1 <b>")
    assert isinstance(test, Playtest)
    assert (test.overall, test.reed_age, test.reed_offset_mm, test.blind) == (7.0, "broken in", 0.3, True)
    assert test.date == dt.date.today()  # noqa: DTZ011 - the shop's own day
    assert test.id in result.stdout
    assert "--reed is needed" in run("log", "--data", book, "--player", "P02", "--mouthpiece", "AM-05").stderr


def test_asking_for_what_is_missing(book: str) -> None:
    """Only what the options leave out is asked; the line of each attribute is shown, a slip is asked again, skip is an answer."""
    answers = "AR-A-2.5\nskip\nfar\n0,3\nolder\nold\n11\n6.5\nskip\nskip\n7\n8\n"
    result = run("log", "--data", book, "--player", "P02", "--mouthpiece", "AM-05", "--ask", answers=answers)
    assert result.exit_code == 0, result.output
    assert "Mouthpiece:" not in result.output
    for words in (
        "0 dark ... 10 bright",
        "a number from 0 to 10, or skip",
        "one of new, broken in, old",
        "a number of millimetres",
    ):
        assert words in result.output
    test = Book(book).find("playtests", reed_age="old", overall=8.0)[-1]
    assert isinstance(test, Playtest)
    assert (test.ligature_id, test.reed_offset_mm, test.ease, test.resistance, test.evenness) == (None, 0.3, 6.5, None, 7.0)


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"player_id": "P99"}, "player_id: read 'P99'; expected an id of players"),
        ({"mouthpiece_id": "AM-5"}, "did you mean AM-05"),
        ({"reed_id": "TR-A-3"}, "the mouthpiece is for alto, the reed for tenor"),
        ({"ligature_id": "L-13"}, "ligature too"),
        ({"corrects": "nothing"}, "corrects: read 'nothing'; expected an id of playtests"),
        (
            {"session": "S001", "position": 1, "player_id": "P08"},
            "position 1 of session 'S001'.*'T0001' is; does this correct it",
        ),
        ({"id": "T0001"}, "T0001' with .* expected the row as it stands"),
    ],
)
def test_what_speaks_against_a_playtest(book: str, change: dict[str, str], words: str) -> None:
    """Unknown ids with the nearest one, parts that do not fit, a row that is there in other words: nothing is written."""
    before = Book(book).history()
    with pytest.raises(mk.DataError, match=words):
        log_playtests(book, [playtest_of({**PLAYED, **change})])
    assert Book(book).history() == before


def test_a_slip_of_a_value_is_told() -> None:
    """A mark of 17 is refused with its field."""
    with pytest.raises(mk.DataError, match=r"overall: read '17\.0'; expected a number of 10 or less"):
        playtest_of({**PLAYED, "overall": 17.0})


def test_a_correction_is_corrected_by_correcting_it(book: str) -> None:
    """A second correction of one row is refused, one of the correction is taken; what stands is the last."""
    first = playtest_of({**PLAYED, "id": "c1", "corrects": "T0001"})
    log_playtests(book, [first])
    with pytest.raises(mk.DataError, match="a row that nothing corrects yet"):
        log_playtests(book, [playtest_of({**PLAYED, "id": "c2", "corrects": "T0001"})])
    log_playtests(book, [playtest_of({**PLAYED, "id": "c3", "corrects": "c1", "overall": 3.0})])
    standing = {test.id for test in mk.open(book).tables.playtests}
    assert {"T0001", "c1"} & standing == set()
    assert "c3" in standing


def test_rows_that_no_reader_would_take_are_not_written(book: str, tmp_path: Path) -> None:
    """A row that corrects itself or a later one, two of one turn, one without a mark, set-ups that are the same: nothing is written."""
    before = Book(book).history()
    head = "id,player_id,mouthpiece_id,reed_id,overall,session,position,corrects\n"
    for rows, words in (
        ("Z1,P02,AM-05,AR-A-2.5,6,,,Z1\n", "corrects: read 'Z1'; expected an id of playtests"),
        ("Z1,P02,AM-05,AR-A-2.5,6,,,Z2\nZ2,P02,AM-05,AR-A-2.5,6,,,\n", "corrects: read 'Z2'"),
        ("Z1,P02,AM-05,AR-A-2.5,6,X,1,\nZ2,P02,AM-05,AR-A-2.5,7,X,1,\n", "each turn of a sitting once"),
        ("Z1,P02,AM-05,AR-A-2.5,,,,\n", "no mark at all"),
    ):
        path = tmp_path / "bad.csv"
        path.write_text(head + rows)
        with pytest.raises(mk.DataError, match=words):
            log_file(book, path)
    assert Book(book).history() == before


def test_nothing_is_written_over_a_book(book: str) -> None:
    """An answer or a model aimed at the book itself is refused, and the book stays."""
    for words in (("analyse", "--session", "LIG"), ("tables", "history", book), ("train",)):
        given = [*words, *([] if "history" in words else ["--data", book]), "--out", book]
        result = run(*given)
        assert result.exit_code == 4, given
        assert "a shop's record stands there" in result.stderr
    assert len(Book(book).history()) == 1


def test_a_day_and_a_decimal_comma_by_option(book: str) -> None:
    """A day as given, a mark with a decimal comma; a day the other way round is told."""
    options = ["--data", book, "--player", "P02", "--mouthpiece", "AM-05", "--reed", "AR-A-2.5", "--overall", "7,5"]
    assert run("log", *options, "--date", "2026-01-31").exit_code == 0
    (test,) = Book(book).find("playtests", overall=7.5, date=dt.date(2026, 1, 31))
    assert str(getattr(test, "id", "")).startswith("260131-")
    assert "expected a day as 2026-01-31" in run("log", *options, "--date", "31.1.2026").stderr


def test_many_from_a_file_all_or_none(book: str, tmp_path: Path) -> None:
    """A csv of playtests is written whole; one bad row and nothing is; the same file again adds nothing."""
    good = "id,player_id,mouthpiece_id,reed_id,overall\nF1,P02,AM-05,AR-A-2.5,6\nF2,P02,AM-08,AR-A-2.5,7\n"
    path = tmp_path / "more.csv"
    path.write_text(good + "F3,P02,nowhere,AR-A-2.5,7\n")
    with pytest.raises(mk.DataError, match=r"more\.csv, row 4, column mouthpiece_id: read 'nowhere'"):
        log_file(book, path)
    path.write_text(good)
    assert log_file(book, path).ids == ("F1", "F2")
    assert log_file(book, path).there_already == 2
    assert "2 were there already" in run("log", "--data", book, "--from", str(path)).stdout
    assert "not both" in run("log", "--data", book, "--from", str(path), "--overall", "3").stderr
    assert '"ids": [' in run("log", "--data", book, "--from", str(path), "--format", "json").stdout
    assert run("log", "--data", book, "--from", str(path), "--format", "csv").stdout == "table,id\nplaytests,F1\nplaytests,F2\n"


def test_the_answers_of_a_plan_are_logged(book: str, tmp_path: Path) -> None:
    """The csv that a plan writes, filled in, goes into the book as it is; a set-up of no parts is refused."""
    plan = mk.open(book).plan(
        "two", ("AM-05/AR-A-2.5/L-01", "AM-05/AR-A-2.5/L-08"), players=("P02",), attribute="ease", trials=6, session="try"
    )
    rows = [{**row, "answer": 1} for row in plan.rows()]
    from matchkit.cli.printing import to_csv

    path = tmp_path / "answers.csv"
    path.write_text(to_csv([{**row, "answer": None, "id": f"e{k}"} for k, row in enumerate(rows)], list(rows[0])))
    with pytest.raises(mk.DataError, match="answer: read nothing; expected 1, 2 or 3"):
        log_file(book, path)
    path.write_text(to_csv(rows, list(rows[0])))
    assert log_file(book, path).table == "trials"
    assert len(mk.open(book).analyse(session="try").comparisons[0].by_player) == 1
    path.write_text(
        to_csv(
            [{**rows[0], "id": "x", "set_b": "AM-05"}, {**rows[1], "id": "y", "set_a": "AM-05/AR-A-2.5/L-99"}], list(rows[0])
        )
    )
    with pytest.raises(mk.DataError, match=r"set_b: read 'AM-05'(?s:.*)set_a: read 'L-99'"):
        log_file(book, path)


def test_misfits_are_those_that_a_ranking_refuses(house: mk.House) -> None:
    """Over every pair and ligature of the demo house: what a ranking refuses, vamps apart, cannot have been played, and the other way round."""
    parts = house.parts
    for instrument in ("alto", "tenor", "clarinet"):
        pairs = pair_refusals(parts.facings, parts.reeds, instrument=instrument)
        for row, facing in enumerate(parts.facings):
            for column, reed in enumerate(parts.reeds):
                if facing.mouthpiece.instrument == instrument and pairs[row, column] != Refusal.VAMP_TOO_SHORT:
                    assert (misfit(facing.mouthpiece, reed.reed, None) is None) == (pairs[row, column] == FITS)
    by_ligature = ligature_refusals(parts.facings, parts.ligatures)
    for row, facing in enumerate(parts.facings):
        sheet = next(part.reed for part in parts.reeds if part.reed.instrument == facing.mouthpiece.instrument)
        for column, ligature in enumerate(parts.ligatures):
            alone = misfit(facing.mouthpiece, sheet, None)
            both = misfit(facing.mouthpiece, sheet, ligature)
            assert (both == alone) == (by_ligature[row, column] == FITS)


@pytest.mark.parametrize(("style", "most"), [("json", 0.7), ("table", 1.5)])
def test_writing_one_is_quick(book: str, style: str, most: float) -> None:
    """``log`` of one takes under 0.7 s of CPU from cold, 1.5 s where it says what the mark changed; CI fails at twice that."""
    import resource

    before = resource.getrusage(resource.RUSAGE_CHILDREN)
    words = [*("log", "--data", book, "--player", "P02", "--mouthpiece", "AM-05", "--reed", "AR-A-2.5", "--overall", "7")]
    subprocess.run([sys.executable, "-m", "matchkit", *words, "--format", style], check=True, capture_output=True)
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    assert (after.ru_utime + after.ru_stime) - (before.ru_utime + before.ru_stime) < 2 * most


def test_an_id_is_looked_up_when_it_is_asked_for(book: str) -> None:
    """A slip in an id is told at its own question, with what is near; an empty answer is told what to do; a slip in an option is asked for."""
    answers = "\nAR-A-25\nAR-A-2.5\nL-99\nL-05\n\nskip\nskip\n7\nskip\nskip\nskip\nskip\n"
    result = run("log", "--data", book, "--player", "P2", "--mouthpiece", "AM-05", "--ask", answers="P02\n" + answers)
    assert result.exit_code == 0, result.output
    assert "Player P2: no such id in the shop's record; did you mean" in result.stderr
    assert "an answer is needed" in result.stderr
    assert "no such id in the shop's record; did you mean AR-A-2.5" in result.stderr
    assert "an answer, or skip where it is not known" in result.stderr
    assert result.stderr.count("no such id in the shop's record") == 3


def test_the_same_playtest_typed_twice_is_one(book: str, tmp_path: Path) -> None:
    """The same parts, marks and day under another id are refused, in the book and within a file; another mark, or a turn of a sitting, is not."""
    first = log_playtests(book, [playtest_of({**PLAYED, "date": "2026-03-01"})]).ids[0]
    with pytest.raises(mk.DataError, match=f"as '{first}', which is written down; expected another playtest"):
        log_playtests(book, [playtest_of({**PLAYED, "date": "2026-03-01"})])
    log_playtests(book, [playtest_of({**PLAYED, "date": "2026-03-01", "overall": 7.5})])
    for position in (1, 2):
        log_playtests(book, [playtest_of({**PLAYED, "date": "2026-03-01", "session": "S9", "position": position})])
    path = tmp_path / "two.csv"
    row = "P02,AM-05,AR-A-2.5,5,2026-03-02"
    path.write_text(f"id,player_id,mouthpiece_id,reed_id,overall,date\nX1,{row}\nX2,{row}\n")
    with pytest.raises(mk.DataError, match=r"two.csv, row 3.*as 'X1', in the same file"):
        log_file(book, path)
    path.write_text(f"id,player_id,mouthpiece_id,reed_id,overall,date\nX1,{row}\n")
    assert log_file(book, path).there_already == 0
    assert log_file(book, path).there_already == 1


def test_what_is_odd_is_written_and_said(book: str, tmp_path: Path) -> None:
    """A mouthpiece of another instrument than the player's, and a correction that names another player: written, with a note."""
    result = run("log", "--data", book, "--player", "P02", "--mouthpiece", "TM-04", "--reed", "TR-A-2.5", "--overall", "6")
    assert result.exit_code == 0
    assert (
        " ".join(result.stdout.split()).count(
            "P02 plays alto, the mouthpiece is for tenor; it is kept, and teaches the ranking nothing"
        )
        == 1
    )
    old = Book(book).find("playtests", mouthpiece_id="TM-04", player_id="P02")[0]
    logged = log_playtests(book, [playtest_of({**PLAYED, "corrects": getattr(old, "id", None)})])
    assert len(logged.notes) == 1
    assert "names another mouthpiece_id and another reed_id" in logged.notes[0]
    assert logged.to_dict()["notes"] == logged.notes
    empty = tmp_path / "empty.csv"
    empty.write_text("id,player_id,mouthpiece_id,reed_id,overall\n")
    assert "0 playtests written: there was no row." in run("log", "--data", book, "--from", str(empty)).stdout


def test_a_trial_is_written_once_and_a_column_is_never_lost(book: str, tmp_path: Path) -> None:
    """A second answer to one turn is refused, and so is a file with a column that no table has: what stands in it would be gone."""
    trial = Book(book).find("trials")[0]
    again = trial.model_copy(update={"id": "again", "answer": 1})
    path = tmp_path / "again.csv"
    rows = [{name: "" if value is None else str(value) for name, value in item.model_dump().items()} for item in (again,)]
    path.write_text(to_csv(rows, list(rows[0])), encoding="utf-8")
    with pytest.raises(mk.DataError, match="a turn that is not written down yet"):
        log_file(book, path)
    path.write_text("id,player_id,mouthpiece_id,reed_id,ligature,overall\nX1,P02,AM-05,AR-A-2.5,L-05,7\n")
    with pytest.raises(mk.DataError, match=r"again.csv, row 1, column ligature"):
        log_file(book, path)
    assert not Book(book).find("playtests", id="X1")


def test_parts_that_do_not_fit_are_told_before_anybody_marks(book: str) -> None:
    """Asked for a reed of another instrument the command stops at the ligature; a playtest without any mark is asked for one."""
    result = run("log", "--data", book, "--player", "P02", "--ask", answers="AM-05\nTR-A-3\nskip\n")
    assert result.exit_code == 3
    assert "the mouthpiece is for alto, the reed for tenor" in result.stderr
    assert "Overall" not in result.stderr
    answers = "skip\nskip\nnew\nskip\nskip\nskip\nskip\nskip\nskip\n6\n"
    given = ("--player", "P02", "--mouthpiece", "AM-05", "--reed", "AR-A-2.5")
    result = run("log", "--data", book, *given, "--ask", answers=answers)
    assert result.exit_code == 0, result.output
    assert "One mark or more is needed." in result.stderr
    assert Book(book).find("playtests", overall=6.0, reed_age="new", player_id="P02")


def test_a_place_for_the_answer_is_looked_at_first(book: str, tmp_path: Path) -> None:
    """An --out in no folder is refused before anything is written."""
    before = Book(book).history()
    result = run(
        *("log", "--data", book, "--player", "P02", "--mouthpiece", "AM-05", "--reed", "AR-A-2.5", "--overall", "7"),
        *("--out", str(tmp_path / "no" / "o.csv")),
    )
    assert result.exit_code == 2
    assert "nothing was written" in result.stderr
    assert Book(book).history() == before


def test_a_day_to_come_is_said(book: str) -> None:
    """A playtest of the future is written, and its day is said to be one."""
    logged = log_playtests(book, [playtest_of({**PLAYED, "date": "2999-01-01"})])
    assert logged.notes == ("playtest: 2999-01-01 is in the future",)


@pytest.mark.parametrize(
    ("column", "value", "words"),
    [
        ("set_b", "AM-05/AR-A-2.5", "read 'AM-05/AR-A-2.5'; expected another set-up than set_a"),
        ("set_b", "AM-05", "column set_b: read 'AM-05'; expected mouthpiece/reed/ligature, by their ids"),
        (
            "set_a",
            "AM-05/AR-A-2.5/L-05/L-06",
            "column set_a: read 'AM-05/AR-A-2.5/L-05/L-06'; expected mouthpiece/reed/ligature",
        ),
        ("set_b", "nowhere/AR-A-2.5", "read 'nowhere'; expected an id of mouthpieces"),
        ("set_b", "AM-08/nothing/L-05", "read 'nothing'; expected an id of reeds"),
        ("set_b", "AM-08/AR-A-2.5/L-77", "read 'L-77'; expected an id of ligatures"),
        ("set_b", "AM-08/TR-A-3", "expected parts that fit one another"),
    ],
)
def test_the_parts_of_a_blind_trial_are_looked_at(book: str, tmp_path: Path, column: str, value: str, words: str) -> None:
    """Each set-up of a trial is two or three ids that are there and fit, and the two differ; anything else is refused by its column."""
    trial = Trial(
        id="B1", player_id="P02", kind="triangle", set_a="AM-05/AR-A-2.5", set_b="AM-08/AR-A-2.5/L-05", shown="AAB", answer=3
    )
    path = tmp_path / "trials.csv"
    for given, refused in ((trial.model_copy(update={column: value}), True), (trial, False)):
        row = {name: "" if item is None else str(item) for name, item in given.model_dump().items()}
        path.write_text(to_csv([row], list(row)), encoding="utf-8")
        if refused:
            with pytest.raises(mk.DataError) as error:
                log_file(book, path)
            assert words in str(error.value)
            assert not Book(book).find("trials", id="B1")
        else:
            assert log_file(book, path).ids == ("B1",)


def test_of_several_playtests_the_one_with_the_slip_is_named(book: str) -> None:
    """One by itself is the playtest; of two it is the first or the second."""
    good, bad = playtest_of({**PLAYED, "id": "N1"}), playtest_of({**PLAYED, "id": "N2", "player_id": "P99"})
    for tests, place in (([bad], "playtest"), ([good, bad], "playtest 2"), ([bad, good], "playtest 1")):
        with pytest.raises(mk.DataError) as told:
            log_playtests(book, tests)
        assert {problem.source for problem in told.value.problems} == {place}
