"""The shelf of a shop: parts added, priced, counted and retired one at a time, loans, and what somebody plays from now on."""

from __future__ import annotations

import datetime as dt
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import pytest
from click.testing import CliRunner, Result
from conftest import edit_table

import matchkit as mk
from matchkit import constants
from matchkit.cli import main
from matchkit.records.people import Loan, open_loans
from matchkit.tables.shelf import add_loan, add_row, change_parts, change_present, named_parts, steps_of


def run(*words: str) -> Result:
    return CliRunner().invoke(main, list(words))


def test_parts_are_added_priced_counted_and_retired(demo_book: str) -> None:
    """Each change is there at once, the history keeps what was, and a wrong value changes nothing."""
    added = add_row(demo_book, "mouthpiece", {"id": "AM-20", "instrument": "alto", "tip_opening_thou": "75", "price": "180"})
    assert added.written == 1
    change_parts(demo_book, "AM-20", "stock price", price=195.0)
    change_parts(demo_book, "AM-20", "stock count", stock=3)
    line = change_parts(demo_book, "alto-A", "stock count", stock=0)
    assert {part.profile_id for part in line.parts} == {"alto-A"}
    house = mk.open(demo_book, cache=False)
    piece = house.parts.facing("AM-20").mouthpiece
    assert piece.tip_opening_mm == pytest.approx(1.905)
    assert (piece.price, piece.stock) == (195.0, 3)
    assert all(reed.stock == 0 for reed in house.tables.reeds if reed.profile_id == "alto-A")
    steps = steps_of(demo_book, named_parts(demo_book, "AM-20")[1][0])
    assert [(step.command, step.columns) for step in steps] == [
        ("stock price", {"price": (180.0, 195.0)}),
        ("stock count", {"stock": (None, 3)}),
    ]
    assert "price 180 → 195" in run("stock", "show", "AM-20", "--data", demo_book).output
    assert run("stock", "show", "AM-2O", "--data", demo_book).exit_code == 2
    change_parts(demo_book, "AM-20", "stock retire", retired=True)
    retired = mk.open(demo_book, cache=False)
    assert "AM-20" not in {row.mouthpiece_id for row in retired.rank("P02", top=2000, alike=True).rows}
    for value in (-5.0, float("nan")):
        with pytest.raises(mk.DataError):
            change_parts(demo_book, "AM-20", "stock price", price=value)
    assert change_parts(demo_book, "AM-20", "stock price", price=195.0).written == 0


def test_slips_on_the_shelf(demo_book: str) -> None:
    """Every one is named, and nothing is written."""
    with pytest.raises(mk.UnknownIdError, match="did you mean"):
        change_parts(demo_book, "AM-0", "stock price", price=3.0)
    with pytest.raises(mk.DataError, match="an id that no mouthpiece has yet"):
        add_row(demo_book, "mouthpiece", {"id": "AM-01", "instrument": "alto", "tip_opening_mm": "1.9"})
    with pytest.raises(mk.DataError, match="no such column"):
        add_row(demo_book, "mouthpiece", {"id": "X", "instrument": "alto"})
    with pytest.raises(mk.DataError):
        add_row(demo_book, "mouthpiece", {"id": "X", "instrument": "kazoo", "tip_opening_mm": "1.9"})
    with pytest.raises(mk.RequestError, match="expected mouthpiece, reed, ligature"):
        add_row(demo_book, "sitting", {"id": "X"})
    assert run("stock", "add", "reed", "id", "--data", demo_book).exit_code == 2
    assert run("stock", "add", "reed", "id=A", "id=B", "--data", demo_book).exit_code == 2


def test_what_they_play_from_now_on(demo_book: str) -> None:
    """One command, one part or all, with history; parts of another instrument are refused."""
    assert run("log", "--data", demo_book, "--player", "P02", "--reed", "AR-B-2.5", "--now-plays").exit_code == 0
    player = next(item for item in mk.open(demo_book).tables.players if item.id == "P02")
    assert (player.mouthpiece_id, player.reed_id) == ("AM-08", "AR-B-2.5")
    assert steps_of(demo_book, player)[-1].columns == {"reed_id": ("AR-A-3", "AR-B-2.5")}
    with pytest.raises(mk.DataError, match="a part for alto"):
        change_present(demo_book, "P02", {"reed_id": "TR-A-3"})
    with pytest.raises(mk.UnknownIdError):
        change_present(demo_book, "P02", {"reed_id": "AR-X-3"})
    with pytest.raises(mk.UnknownIdError):
        change_present(demo_book, "P99", {"reed_id": "AR-A-3"})
    refused = run("log", "--data", demo_book, "--player", "P02", "--reed", "AR-B-2.5", "--overall", "8", "--now-plays")
    assert refused.exit_code == 2


def loan(number: int, what: str) -> Loan:
    return Loan.model_validate(
        {
            "id": f"H{number}",
            "date": dt.date(2026, 1, number),
            "player_id": "P02",
            "mouthpiece_id": "AM-05",
            "reed_id": "AR-B-2",
            "what": what,
        }
    )


def test_loans_are_listed_until_they_come_back(demo_book: str) -> None:
    """Taken, brought back, taken again and kept; what is out is shown."""
    for number, (what, out) in enumerate((("taken", 1), ("returned", 0), ("taken", 1), ("kept", 0)), start=1):
        add_loan(demo_book, loan(number, what))
        assert len(open_loans(mk.open(demo_book).tables.loans)) == out
    assert "Nothing is out" in run("stock", "loans", "--data", demo_book).output
    with pytest.raises(mk.UnknownIdError):
        add_loan(demo_book, loan(9, "taken").model_copy(update={"player_id": "P99"}))
    with pytest.raises(mk.DataError, match="what P02 took: nothing"):
        add_loan(demo_book, loan(9, "returned"))
    with pytest.raises(mk.DataError, match="or a day before"):
        add_loan(demo_book, loan(9, "taken").model_copy(update={"date": dt.date(2199, 1, 1)}))
    assert run("log", "--data", demo_book, "--player", "P02", "--reed", "AR-A-3", "--taken", "--kept").exit_code == 2


def test_what_is_out_is_not_in_stock(demo_book: str) -> None:
    """The only piece that somebody has at home is not offered from stock, and kept it is one less."""
    change_parts(demo_book, "AM-05", "stock count", stock=1)
    add_loan(demo_book, loan(1, "taken"))

    def offered() -> list[str]:
        either = {"mouthpiece": ["AM-04", "AM-05"]}
        rows = mk.open(demo_book, cache=False).rank("P01", in_stock=True, fixed=either, alike=True, top=1000).rows
        return sorted({row.mouthpiece_id for row in rows})

    assert offered() == ["AM-04"]
    add_loan(demo_book, loan(2, "returned"))
    assert offered() == ["AM-04", "AM-05"]
    add_loan(demo_book, loan(3, "kept"))
    assert offered() == ["AM-04"]
    # who bought it has it, at no price and though none is left; the reed is played out, and another costs again
    change_parts(demo_book, "AR-B-2", "stock count", stock=5)
    fixed = {"mouthpiece": "AM-05", "reed": "AR-B-2"}
    house = mk.open(demo_book, cache=False)
    (row,) = house.rank("P02", in_stock=True, fixed=fixed, top=1).rows
    assert {part.part for part in row.new_parts} == {"reed", "ligature"}
    assert row.price == sum(part.price or 0.0 for part in row.new_parts)
    assert "mouthpiece" not in row.gone
    assert house.rank("P02", in_stock=True, budget=row.price, fixed=fixed).rows
    assert not house.rank("P01", in_stock=True, fixed=fixed).rows
    (piece,) = named_parts(demo_book, "AM-05")[1]
    assert getattr(piece, "stock", None) == 0


def test_two_who_write_at_once_lose_nothing(demo_book: str) -> None:
    """Each change looks and writes in one go: what another wrote in between stands."""
    change_parts(demo_book, "AM-05", "stock price", price=100.0)
    with ThreadPoolExecutor(4) as pool:
        done = [
            pool.submit(lambda values: change_parts(demo_book, "AM-05", "stock", **values), values)
            for values in ({"price": 111.0}, {"stock": 7}, {"label": "x"}, {"price": 111.0}, {"stock": 7})
        ]
        assert all(found.result().written <= 1 for found in done)
    (piece,) = named_parts(demo_book, "AM-05")[1]
    assert (getattr(piece, "price", 0), getattr(piece, "stock", 0), getattr(piece, "label", "")) == (111.0, 7, "x")


@pytest.mark.parametrize(("what", "mark"), [("kept", constants.KEPT_MARK), ("returned", constants.RETURNED_MARK)])
def test_what_became_of_a_loan_counts_as_a_mark_that_says_little(demo_book: str, what: str, mark: constants.Parameter) -> None:
    """Kept speaks for a set-up, brought back against it; with a standard deviation of 2 where a playtest has 0.9."""
    before = mk.open(demo_book, cache=False)
    add_loan(demo_book, loan(1, "taken"))
    add_loan(demo_book, loan(2, what))
    after = mk.open(demo_book, cache=False)
    tests = after.learner.rated_tests
    (row,) = [place for place, name in enumerate(tests.ids) if name == "loan H2"]
    assert tests.rating[row] == mark.value
    assert tests.weight[row] == pytest.approx((0.9 / 2.0) ** 2)
    assert row not in tests.given
    assert after.explain("P02", "AM-05", "AR-B-2").setup.played is None
    scores = [house.explain("P02", "AM-05", "AR-B-2").setup.score for house in (before, after)]
    assert (scores[1] > scores[0]) == (mark.value * 10 > scores[0])
    assert abs(scores[1] - scores[0]) < 5


def test_a_loan_that_ended_counts_as_a_mark(demo_book: str) -> None:
    """A set-up that was kept is one more mark of that player, a good one; one that is still out is none."""
    before = len(mk.open(demo_book).scorer.marked)
    add_loan(demo_book, loan(1, "taken"))
    assert len(mk.open(demo_book).scorer.marked) == before
    add_loan(demo_book, loan(2, "kept"))
    marked = mk.open(demo_book).scorer.marked
    assert len(marked) == before + 1
    (mark,) = [test for test in marked if test.id == "loan H2"]
    assert (mark.player_id, mark.mouthpiece_id, mark.reed_id) == ("P02", "AM-05", "AR-B-2")


def test_a_new_player_is_added_by_one_command(demo_book: str) -> None:
    """What is counted stays as it is; an id that is there, or a part that is not, adds nobody; a log of nobody says how to add them."""
    added = run(
        "tables", "add", "player", "id=eve", "instrument=alto", "mouthpiece_id=AM-08", "reed_id=AR-A-3", "--data", demo_book
    )
    assert added.exit_code == 0, added.output
    (eve,) = [item for item in mk.open(demo_book).tables.players if item.id == "eve"]
    assert (eve.mouthpiece_id, eve.reed_id) == ("AM-08", "AR-A-3")
    with pytest.raises(mk.DataError, match="an id that no player has yet"):
        add_row(demo_book, "player", {"id": "eve", "instrument": "alto"})
    with pytest.raises(mk.DataError, match="an id of"):
        add_row(demo_book, "player", {"id": "bea", "instrument": "alto", "mouthpiece_id": "AM-0X"})
    logged = run(
        "log", "--data", demo_book, "--no-ask", "--player", "Zoe", "--mouthpiece", "AM-08", "--reed", "AR-A-3", "--overall", "8"
    )
    assert "matchkit tables add player" in logged.output
    assert "bea" not in {item.id for item in mk.open(demo_book).tables.players}


def test_an_import_says_what_it_changes(demo_book: str, demo_copy: Path) -> None:
    """Each cell, from what to what; more than ten rows are counted, and stand in the history."""
    change_parts(demo_book, "AM-08", "stock count", stock=7)
    told = run("tables", "import", str(demo_copy), demo_book)
    assert "mouthpieces: 1 changed" in told.output
    assert "AM-08: stock 7 → 1" in told.output
    change_parts(demo_book, "alto-A", "stock count", stock=77)
    edit_table(demo_copy, "reeds", lambda rows: [{**row, "stock": "5"} for row in rows])
    many = run("tables", "import", str(demo_copy), demo_book)
    assert many.output.count("→") == 10
    assert "more: matchkit tables history" in many.output
