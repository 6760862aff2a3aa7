"""What a player marked highest, what measurements alone would say, and what has no price or is not there: told where it is not shown."""

from __future__ import annotations

import datetime as dt
import shutil
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import pytest
from click.testing import CliRunner
from conftest import read_rows, write_rows

import matchkit as mk
from matchkit.cli import main
from matchkit.cli.printing import lay_out
from matchkit.facts import ModelUse, PartIds
from matchkit.files import shipped
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
    assert "Of what they marked twice or more AM-05 + AR-B-3 + L-05 is highest: 9.0 on average, 4 times; expect" in told(
        rank_screen(ranking)
    )
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
    assert f"to be ordered: {first.mouthpiece_id} and {first.reed_id}" in told(rank_screen(gone))
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
    """The only piece is with P02: taken by P01 too, that is said with who has it, and again when P01 takes another; of four pieces it is not."""

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
    assert add_loan(demo_book, taken(3, "P01")) == (OutAlready("AM-05", ("P02", "P01")),)
    change_parts(demo_book, "AM-05", "stock count", stock=0)
    assert (
        add_loan(
            demo_book,
            Loan(id="O8", date=dt.date(2026, 1, 8), player_id="P02", mouthpiece_id="AM-05", reed_id="AR-B-2", what="returned"),
        )
        == ()
    )
    kept = Loan(id="O9", date=dt.date(2026, 1, 9), player_id="P01", mouthpiece_id="AM-05", reed_id="AR-B-2", what="kept")
    assert [one.part_id for one in add_loan(demo_book, kept)] == ["AM-05"]
    change_parts(demo_book, "AM-05", "stock count", stock=4)
    assert add_loan(demo_book, taken(10, "P01")) == ()
    change_parts(demo_book, "AM-05", "stock count", stock=1)
    words = ["log", "--data", demo_book, "--player", "P03", "--mouthpiece", "AM-05", "--reed", "AR-B-2", "--taken"]
    done = " ".join(CliRunner().invoke(main, words).output.split())
    assert "By the record no AM-05 was left: P01 has it. Count it" in done


def test_what_they_have_at_home_is_said(demo_book: str) -> None:
    """The only piece, at home with P02 to try: offered from stock to them and to nobody else, at its price, with a word; brought back it is as before."""
    change_parts(demo_book, "AM-05", "stock count", stock=1)
    fixed = {"mouthpiece": "AM-05"}

    def loan(number: int, what: str) -> Loan:
        return Loan(
            id=f"L{number}", date=dt.date(2026, 1, number), player_id="P02", mouthpiece_id="AM-05", reed_id="AR-B-2", what=what
        )

    add_loan(demo_book, loan(1, "taken"))
    house = mk.open(demo_book, cache=False)
    ranking = house.rank("P02", fixed=fixed, in_stock=True)
    (part,) = (one for one in ranking.rows[0].new_parts if one.part == "mouthpiece")
    assert (part.at_home, part.in_stock) == (True, True)
    assert part.price
    assert "they have the mouthpiece at home to try" in told(rank_screen(ranking))
    assert not house.rank("P01", fixed=fixed, in_stock=True).rows
    add_loan(demo_book, loan(2, "returned"))
    ranking = mk.open(demo_book, cache=False).rank("P02", fixed=fixed, in_stock=True)
    assert not any(one.at_home for row in ranking.rows for one in row.new_parts)
    assert "at home to try" not in told(rank_screen(ranking))


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


def small_shop(folder: Path, change: Callable[[str, list[dict[str, str]]], list[dict[str, str]]]) -> mk.House:
    """Open a copy of the demo house whose tables were changed, without its model."""
    source = Path(shutil.copytree(shipped("data/demo"), folder / "shop"))
    for table in ("mouthpieces", "reeds", "ligatures", "playtests", "players"):
        rows = read_rows(source / f"{table}.csv")
        write_rows(source / f"{table}.csv", change(table, rows), list(rows[0]))
    return mk.open(str(source), cache=False)


def test_a_shop_without_ligatures_offers_other_mouthpieces(tmp_path: Path) -> None:
    """No row in ligatures, and none on any player or playtest: other mouthpieces than their own are offered, and asked for alone they are found."""

    def bare(table: str, rows: list[dict[str, str]]) -> list[dict[str, str]]:
        return [] if table == "ligatures" else [{**row, "ligature_id": ""} if "ligature_id" in row else row for row in rows]

    house = small_shop(tmp_path, bare)
    assert {row.mouthpiece_id for row in house.rank("P02", top=20, alike=True).rows} > {"AM-08"}
    assert house.rank("P02", fixed={"mouthpiece": "AM-05"}).rows


def test_their_own_ligature_stays_on_what_they_play(house: mk.House) -> None:
    """P06 plays a ligature that is measured too large for their mouthpiece: with another reed alone it stays, and what they play is a row; others are refused it."""
    ranking = house.rank("P06", change="reed", top=20)
    assert any(row.is_present for row in ranking.rows)
    assert {row.ligature_id for row in ranking.rows} == {"L-07"}
    own = next(item for item in house.tables.players if item.id == "P06").mouthpiece_id
    everything = house.rank("P06", top=4000, alike=True, fixed={"ligature": "L-07"}).rows
    facings = {item.id: item for item in house.tables.mouthpieces}
    band = next(item for item in house.tables.ligatures if item.id == "L-07")
    for row in everything:
        body = facings[row.mouthpiece_id].body_diameter_mm
        fits = body is None or band.min_diameter_mm is None or body >= band.min_diameter_mm
        assert fits or row.mouthpiece_id == own


@pytest.mark.parametrize("player", ["P01", "P03", "P05", "P08", "P11"])
def test_first_by_one_mark_only_is_so_without_it(house: mk.House, tmp_path: Path, player: str) -> None:
    """Where one mark is told to decide who is first, a house without that mark, at the same variances, puts another pair first."""
    ranking = house.rank(player, top=1)
    if ranking.deciding is None:
        return
    gone = ranking.deciding.playtest
    without = small_shop(tmp_path, lambda table, rows: [row for row in rows if table != "playtests" or row["id"] != gone])
    learner = without.learner
    learner.take(learner.fitted(house.learner.blend.variances))
    (first,) = without.rank(player, top=1).rows
    assert (first.mouthpiece_id, first.reed_id) != (ranking.rows[0].mouthpiece_id, ranking.rows[0].reed_id)


def test_a_price_that_is_not_known_is_no_bargain(tmp_path: Path) -> None:
    """The best mouthpiece for P02 without a price: within a budget it is left out, as it may cost anything; where no mouthpiece has a price all are offered, and that is said."""
    best = mk.open().rank("P02").rows[0]
    dear = "AM-06"

    def one(table: str, rows: list[dict[str, str]]) -> list[dict[str, str]]:
        return [{**row, "price": ""} if table == "mouthpieces" and row["id"] == dear else row for row in rows]

    def every(table: str, rows: list[dict[str, str]]) -> list[dict[str, str]]:
        return [{**row, "price": ""} if table == "mouthpieces" else row for row in rows]

    assert best.mouthpiece_id == "AM-08"
    some = small_shop(tmp_path / "one", one)
    assert dear in {row.mouthpiece_id for row in some.rank("P02", top=200, alike=True).rows}
    ranking = some.rank("P02", top=200, alike=True, budget=80)
    assert dear not in {row.mouthpiece_id for row in ranking.rows}
    assert all(row.price is not None and row.price <= 80 for row in ranking.rows)
    none = small_shop(tmp_path / "every", every).rank("P02", top=200, alike=True, budget=80)
    assert dear in {row.mouthpiece_id for row in none.rows}
    text = told(rank_screen(replace(none, rows=tuple(row for row in none.rows if row.mouthpiece_id == dear)[:1])))
    assert "a price is not known" in text
    assert "mouthpiece (price not known)" in text


def test_nobody_is_sent_to_play_what_is_no_longer_offered(tmp_path: Path) -> None:
    """A retired mouthpiece and reed are not among what to play next, but for who plays them now."""
    asked = mk.open().next("P02", count=20)
    piece, reed = asked.rows[0].mouthpiece_id, asked.rows[0].reed_id

    def ended(table: str, rows: list[dict[str, str]]) -> list[dict[str, str]]:
        gone = {"mouthpieces": piece, "reeds": reed}
        return [{**row, "retired": "yes"} if row.get("id") == gone.get(table) else row for row in rows]

    later = small_shop(tmp_path, ended).next("P02", count=20)
    assert later.rows
    assert all(row.mouthpiece_id != piece or piece == "AM-08" for row in later.rows)
    assert all(row.reed_id != reed or reed == "AR-A-3" for row in later.rows)


def test_what_is_marked_alike_beats_nothing(house: mk.House) -> None:
    """A first set-up that would be told as the same mark as now is none that beats it; one mark of ten more is."""
    ranking = house.rank("P02")
    assert ranking.present is not None
    now = ranking.present.score
    for score, words in ((now + 0.4, "Nothing here beats what they have"), (now + 1.0, "little is to be gained by it")):
        rows = (replace(ranking.rows[0], score=score), *ranking.rows[1:])
        assert words in told(rank_screen(replace(ranking, rows=rows)))


@pytest.mark.parametrize("wish", [(), ("freer",)])
def test_what_they_marked_stands_on_every_row(house: mk.House, wish: tuple[str, ...]) -> None:
    """Over all players of the demo house: as many rows say how often they marked the pair as there are such rows, whatever else gives way for want of lines."""
    seen = 0
    for player in house.tables.players:
        ranking = house.rank(player.id, wish=wish)
        marked_rows = [row for row in ranking.rows if row.played is not None and row.played.times]
        assert told(rank_screen(ranking)).count("They marked this pair") == len(marked_rows)
        seen += len(marked_rows)
    assert seen > 3
