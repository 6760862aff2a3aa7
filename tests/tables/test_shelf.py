"""The shelf of a shop: parts added, priced, counted and retired one at a time, loans, and what somebody plays from now on."""

from __future__ import annotations

import datetime as dt

import pytest
from click.testing import CliRunner, Result

import matchkit as mk
from matchkit import constants
from matchkit.cli import main
from matchkit.records.people import Loan
from matchkit.tables.shelf import add_loan, add_part, change_parts, change_present, history_of, open_loans


def run(*words: str) -> Result:
    return CliRunner().invoke(main, list(words))


def test_parts_are_added_priced_counted_and_retired(demo_book: str) -> None:
    """Each change is there at once, the history keeps what was, and a wrong value changes nothing."""
    added = add_part(demo_book, "mouthpiece", {"id": "AM-20", "instrument": "alto", "tip_opening_thou": "75", "price": "180"})
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
    assert [by for _, by, _ in history_of(demo_book, "AM-20")] == ["stock price", "stock count"]
    assert history_of(demo_book, "AM-20")[0][2] == {"price": 180.0}
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
        add_part(demo_book, "mouthpiece", {"id": "AM-01", "instrument": "alto", "tip_opening_mm": "1.9"})
    with pytest.raises(mk.DataError, match="no such column"):
        add_part(demo_book, "mouthpiece", {"id": "X", "instrument": "alto"})
    with pytest.raises(mk.DataError):
        add_part(demo_book, "mouthpiece", {"id": "X", "instrument": "kazoo", "tip_opening_mm": "1.9"})
    with pytest.raises(mk.RequestError, match="expected mouthpiece, reed, ligature"):
        add_part(demo_book, "neck", {"id": "X"})
    assert run("stock", "add", "reed", "id", "--data", demo_book).exit_code == 2
    assert run("stock", "add", "reed", "id=A", "id=B", "--data", demo_book).exit_code == 2


def test_what_they_play_from_now_on(demo_book: str) -> None:
    """One command, one part or all, with history; parts of another instrument are refused."""
    assert run("log", "--data", demo_book, "--player", "P02", "--reed", "AR-B-2.5", "--now-plays").exit_code == 0
    player = next(item for item in mk.open(demo_book).tables.players if item.id == "P02")
    assert (player.mouthpiece_id, player.reed_id) == ("AM-08", "AR-B-2.5")
    assert history_of(demo_book, "P02")[-1][2] == {"reed_id": "AR-A-3"}
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


@pytest.mark.parametrize(("what", "mark"), [("kept", constants.KEPT_MARK), ("returned", constants.RETURNED_MARK)])
def test_what_became_of_a_loan_counts_as_a_mark_that_says_little(demo_book: str, what: str, mark: constants.Parameter) -> None:
    """Kept speaks for a set-up, brought back against it; with a standard deviation of 2 where a playtest has 0.9."""
    before = mk.open(demo_book, cache=False)
    add_loan(demo_book, loan(1, what))
    after = mk.open(demo_book, cache=False)
    tests = after.learner.rated_tests
    (row,) = [place for place, name in enumerate(tests.ids) if name == "loan H1"]
    assert tests.rating[row] == mark.value
    assert tests.weight[row] == pytest.approx((0.9 / 2.0) ** 2)
    scores = [house.explain("P02", "AM-05", "AR-B-2").setup.score for house in (before, after)]
    assert (scores[1] > scores[0]) == (mark.value * 10 > scores[0])
    assert abs(scores[1] - scores[0]) < 5
