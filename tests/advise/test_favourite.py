"""What a player marked highest, what measurements alone would say, and what has no price or is not there: told where it is not shown."""

from __future__ import annotations

import datetime as dt
from dataclasses import replace
from pathlib import Path

import pytest
from click.testing import CliRunner

import matchkit as mk
from matchkit.cli import main
from matchkit.cli.printing import lay_out
from matchkit.facts import ModelUse, PartIds
from matchkit.learn.trained import CountsNow, Moved, Trained, moved_by
from matchkit.playtest.log import log_playtests
from matchkit.records.people import Loan, Playtest
from matchkit.score.player import Visitor
from matchkit.tables.shelf import OutAlready, add_loan, change_parts
from matchkit.words.facts import model_words
from matchkit.words.playtest.learned import trained_screen
from matchkit.words.rank import rank_screen
from matchkit.words.side_by_side import swap_screen

ALTO_E = "AR-E-2.5"
"""A reed of the demo house on no strength scale."""


def told(screen: object) -> str:
    """Return a screen on one line."""
    return " ".join(lay_out(screen).split())  # type: ignore[arg-type]


def marked(book: str, reed: str, marks: list[float], *, mouthpiece: str = "AM-05") -> mk.House:
    """Let P02 mark a mouthpiece of theirs with a reed on several days, and open the record."""
    log_playtests(
        book,
        [
            Playtest(
                id=f"f{reed}{day}",
                date=dt.date(2026, 3, day),
                player_id="P02",
                mouthpiece_id=mouthpiece,
                reed_id=reed,
                ligature_id="L-05",
                overall=mark,
            )
            for day, mark in enumerate(marks, start=1)
        ],
    )
    return mk.open(book, cache=False)


def test_what_was_marked_highest_is_named_where_it_is_not_shown(demo_book: str) -> None:
    """Four nines on a pair that is 8th by all marks together: named with its marks and what to expect; shown among twenty, and after two more marks of 3, it is not."""
    house = marked(demo_book, "AR-B-3", [9, 9, 9, 9])
    ranking = house.rank("P02")
    liked = ranking.favourite
    assert liked is not None
    assert liked.played is not None
    assert (liked.mouthpiece_id, liked.reed_id, liked.ligature_id) == ("AM-05", "AR-B-3", "L-05")
    assert (liked.played.times, liked.played.mean) == (4, 9.0)
    assert not ranking.favourite_apart
    assert "Marked highest by them: AM-05 + AR-B-3 + L-05, 9.0 on average, 4 times; expect" in told(rank_screen(ranking))
    assert liked.score == pytest.approx(house.explain("P02", "AM-05", "AR-B-3", "L-05").setup.score)
    every = house.rank("P02", top=60, alike=True)
    assert any((row.mouthpiece_id, row.reed_id) == ("AM-05", "AR-B-3") for row in every.rows)
    assert every.favourite is None
    assert house.rank(Visitor(instrument="alto")).favourite is None


def test_a_favourite_that_a_wish_leaves_out_is_told(demo_book: str) -> None:
    """A reed on no scale marked 10 on eight days: under a wish it cannot be placed, and that is said; compare and explain are as sure of it as one another."""
    house = marked(demo_book, ALTO_E, [10] * 8)
    ranking = house.rank("P02", wish=["freer"])
    assert ranking.favourite is not None
    assert ranking.favourite.reed_id == ALTO_E
    assert ranking.favourite_apart
    assert "its reed cannot be held against theirs, so a wish leaves it out" in told(rank_screen(ranking))
    explained = house.explain("P02", "AM-05", ALTO_E, "L-05")
    compared = house.compare(["now"], ["AM-05", ALTO_E, "L-05"], player="P02")
    assert compared.sure == explained.sure
    assert compared.sure != "perhaps"
    assert house.compare(["now"], ["AM-05", ALTO_E, "L-05"], player="P02", wish=["freer"]).sure == "perhaps"
    assert house.compare(["now"], ["AM-04", ALTO_E, "L-05"], player="P02").sure == "perhaps"


@pytest.mark.parametrize("instrument", ["alto", "tenor", "clarinet"])
def test_what_the_measurements_alone_would_put_first_is_named_for_a_level(house: mk.House, instrument: str) -> None:
    """Of everything that fits the one with the highest measured score, where marks put another mouthpiece before it; nothing for somebody with a set-up."""
    visitor = Visitor(instrument=instrument, level="beginner")
    ranking = house.rank(visitor)
    best = max(house.rank(visitor, top=5000, alike=True).rows, key=lambda row: round(row.computed, 9))
    if best.mouthpiece_id == ranking.rows[0].mouthpiece_id:
        assert ranking.measured_first is None
    else:
        assert ranking.measured_first is not None
        assert ranking.measured_first.mouthpiece == best.mouthpiece_id
        assert "By the measurements alone" in told(rank_screen(ranking))
    assert house.rank("P02").measured_first is None
    named = replace(ranking, measured_first=PartIds("M", "R", None))
    assert "By the measurements alone M + R would be first; marks of players here put others before it." in told(
        rank_screen(named)
    )


def test_what_is_to_be_ordered_and_what_has_no_price_is_said(house: mk.House) -> None:
    """In the first sentence: parts of the first set-up of which none is in stock, and a budget that cannot be checked."""
    ranking = house.rank("P02")
    first, *rest = ranking.rows
    assert first.new_parts
    gone = replace(ranking, rows=(replace(first, gone=("mouthpiece", "reed")), *rest))
    assert "to be ordered, there is no mouthpiece and no reed in stock" in told(rank_screen(gone))
    assert "to be ordered" not in told(rank_screen(replace(ranking, rows=(replace(first, gone=()), *rest))))
    parts = tuple(
        replace(part, price=None if number == 0 else 5.0) for number, part in enumerate([*first.new_parts, *first.new_parts])
    )
    unpriced = replace(ranking, budget=200.0, rows=(replace(first, price=None, new_parts=parts), *rest))
    assert "a price is not known, so see that it keeps to 200.00" in told(rank_screen(unpriced))
    assert f"{parts[0].part} (price not known)" in told(rank_screen(unpriced))
    assert "a price is not known" not in told(rank_screen(ranking))


def test_a_swap_does_not_charge_for_what_they_have(house: mk.House) -> None:
    """Their own reed on another mouthpiece costs nothing; another reed has its price."""
    found = house.swap("P02", mouthpiece="AM-05")
    prices = {row.reed_id: row.price for row in found.rows}
    assert prices["AR-A-3"] == 0
    assert all(price for reed, price in prices.items() if reed != "AR-A-3")
    lines = lay_out(swap_screen(found)).splitlines()
    assert all("0.00" not in line for line in lines if "  AR-A-3 " in line)
    assert sum("  AR-A-3" in line for line in lines) == 1


def test_what_is_out_already_is_asked_about(demo_book: str) -> None:
    """The only piece is with P02: taken by P01 too, that is said with who has it; of two pieces, or what nobody counts, it is not."""

    def taken(number: int, player: str) -> Loan:
        return Loan(
            id=f"O{number}",
            date=dt.date(2026, 1, number),
            player_id=player,
            mouthpiece_id="AM-05",
            reed_id="AR-B-2",
            what="taken",
        )

    change_parts(demo_book, "AM-05", "stock count", stock=1)
    change_parts(demo_book, "AR-B-2", "stock count", stock=9)
    assert add_loan(demo_book, taken(1, "P02")) == ()
    assert add_loan(demo_book, taken(2, "P01")) == (OutAlready("AM-05", ("P02",)),)
    change_parts(demo_book, "AM-05", "stock count", stock=4)
    assert add_loan(demo_book, taken(3, "P01")) == ()
    change_parts(demo_book, "AM-05", "stock count", stock=1)
    words = ["log", "--data", demo_book, "--player", "P03", "--mouthpiece", "AM-05", "--reed", "AR-B-2", "--taken"]
    done = " ".join(CliRunner().invoke(main, words).output.split())
    assert (
        "By the record no AM-05 was left: P02 and P01 have it." in done
        or "By the record no AM-05 was left: P01 and P02 have it." in done
    )


def test_a_slip_that_counts_by_now_is_told(demo_book: str) -> None:
    """A 0 on what is marked 9 four times is taken for a slip; at a noise of 5 points it is none, and training says which mark counts."""
    house = marked(demo_book, "AR-B-3", [9, 9, 9, 9, 0])
    before = house.learner.blend
    assert any(len(known.slips) for known in before.by_instrument.values())
    after = house.learner.fitted(replace(before.variances, noise=5.0))
    counts = moved_by(before, after).counts
    assert CountsNow(0.0, "P02", "AM-05", "AR-B-3") in counts
    assert moved_by(before, before).counts == ()
    shown = told(
        trained_screen(
            Trained(Path("m.npz"), 905, Moved(0.1, "noise", 2.5, tuple(one for one in counts if one.player_id == "P02")))
        )
    )
    assert "The 0 by P02 for AM-05 with AR-B-3, taken for a slip until now, counts" in shown


def test_loans_are_no_playtests_in_words() -> None:
    """What was kept or brought back is counted by itself."""
    assert (
        model_words(ModelUse(tests=5, loans=2, use="file", name="m.npz"))
        == "from measurements, 3 playtests and 2 loans; model m.npz"
    )
    assert model_words(ModelUse(tests=1, use="file", name="m.npz")) == "from measurements and 1 playtest; model m.npz"
    assert model_words(ModelUse(tests=2, loans=2, use="file", name="m.npz")).startswith("from measurements and 2 loans;")
