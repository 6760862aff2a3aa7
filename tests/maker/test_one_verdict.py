"""One fault, one verdict: facing and batch say the same of a piece, name the rail that leaves its own line, and what no bench can have made."""

from __future__ import annotations

import datetime as dt
from typing import Any, Literal

import numpy as np
import pytest
from maker_shop import MODEL, Truth, read_piece, replace, shop_of, spec_with
from test_scanned import TIP, X, heights, noisy, on_one_line, points_of, report_of, shop

import matchkit as mk
from matchkit.cli.printing import lay_out
from matchkit.maker.conformity import batch as batches
from matchkit.maker.conformity.batch import judge_batch
from matchkit.maker.facts import Fault
from matchkit.maker.measure.rails import RailsJudged, judge_rails
from matchkit.maker.measure.report import FacingReport, facing_report
from matchkit.maker.measure.stations import moved_evenly, stray_rail
from matchkit.records.parts import FacingReading, Mouthpiece
from matchkit.tables.defaults import read_defaults
from matchkit.words.maker.batch.screen import batch_screen
from matchkit.words.maker.facing import facing_screen

Read = tuple[Mouthpiece, list[FacingReading]]


def moved(piece: Read, by_mm: float, *, rail: str | None = None, feeler: float | None = None) -> Read:
    """Return a piece with some of its stops moved."""
    return piece[0], [
        row.model_copy(update={"stop_mm": round(row.stop_mm + by_mm, 3)})
        if rail in (None, row.rail) and feeler in (None, row.feeler_mm)
        else row
        for row in piece[1]
    ]


def facing_of(piece: Read, **gauge: float) -> FacingReport:
    """Measure one piece that was read with feelers."""
    return facing_report(piece[0], piece[1], (), defaults=read_defaults(), spec=spec_with(**gauge), draws=300)


def test_facing_and_batch_say_the_same_of_every_piece_of_the_demo_batch() -> None:
    """The verdict, the fault, its size and its rail, forty pieces; what facing calls short or level goes with it."""
    house = mk.open()
    pieces = house.batch(pair=False).pieces
    assert len(pieces) == 40
    for piece in pieces:
        told = house.facing(piece.mouthpiece_id)
        assert told.by_drawing is not None
        assert (told.by_drawing.verdict, told.by_drawing.fault) == (piece.verdict, piece.fault)
        assert told.by_drawing.features == piece.features
        fault = piece.fault
        if fault is not None and fault.sure and fault.feature == "rail_difference_mm":
            assert told.rails.verdict == ("at one feeler" if fault.kind == "rails uneven" else "short")
            assert told.rails.rail == fault.rail
        else:
            assert told.rails.verdict not in ("short", "at one feeler")


@pytest.mark.parametrize(("rail", "by_mm", "way"), [("left", 1.0, "long"), ("right", 1.0, "long"), ("left", -1.0, "short")])
@pytest.mark.parametrize("feeler", [0.2, 0.4])
def test_a_slip_is_named_on_the_rail_that_it_is_on(rail: str, by_mm: float, way: str, feeler: float) -> None:
    """One stop 1 mm off its rail's own line: that rail and no other, long or short, in both commands; what to look for is on it."""
    piece = moved(read_piece(Truth(), np.random.default_rng(21)), by_mm, rail=rail, feeler=feeler)
    report = judge_batch(shop_of([piece]), spec=spec_with())
    fault = report.pieces[0].fault
    assert fault is not None
    assert (fault.kind, fault.rail, fault.way, fault.feeler_mm) == ("rails uneven", rail, way, feeler)
    assert f"{rail} rail {fault.size:.2f} mm {way} at the {feeler:g} mm feeler" in on_one_line(batch_screen(report))
    told = facing_of(piece)
    assert (told.rails.verdict, told.rails.rail, told.rails.way, told.rails.stray) == ("at one feeler", rail, way, True)
    first = on_one_line(facing_screen(told))
    assert f"the {rail} rail is {abs(told.rails.size_mm or 0):.2f} mm {way}" in first
    assert "on the other one" not in first


def test_neither_rail_is_named_where_both_leave_their_line() -> None:
    """Half of a difference on either rail: it may be a bump on one or a flat on the other (analytic)."""
    off = {"left": {0.1: 0.0, 0.2: 0.0, 0.4: 0.5}, "right": {0.1: 0.0, 0.2: 0.0, 0.4: -0.5}}
    assert stray_rail(off, 0.4) is None
    assert stray_rail({**off, "right": {0.1: 0.0, 0.2: 0.0, 0.4: -0.2}}, 0.4) == "left"
    assert stray_rail({"left": off["left"]}, 0.4) is None
    piece = moved(
        moved(read_piece(Truth(), np.random.default_rng(22)), 0.5, rail="left", feeler=0.038), -0.5, rail="right", feeler=0.038
    )
    report = facing_of(piece)
    assert (report.rails.verdict, report.rails.stray) == ("at one feeler", False)
    unflawed = replace(report, rails=replace(report.rails, at_flaw=False))
    assert "a flat on it, or a bump on the other one" in on_one_line(facing_screen(unflawed))


def test_every_stop_off_alike_asks_for_the_zero_first() -> None:
    """Both rails 1 mm longer at every feeler: the gauge's zero before the table, in both commands. A facing that is longer in proportion is none such."""
    sound = read_piece(Truth(), np.random.default_rng(23))
    piece = moved(sound, 1.0)
    report = judge_batch(shop_of([piece]), spec=spec_with())
    fault = report.pieces[0].fault
    assert fault is not None
    assert (fault.kind, fault.rail, fault.feeler_mm) == ("all stops long", "both", None)
    assert fault.size == pytest.approx(1.0, abs=0.1)
    for told in (on_one_line(batch_screen(report)), on_one_line(facing_screen(facing_of(piece)))):
        assert "look at the zero of the gauge and at how the piece lay first" in told
        assert "the more the further they are" not in told
    longer = read_piece(replace(Truth(), left=Truth().left * 1.05, right=Truth().right * 1.05), np.random.default_rng(23))
    other = judge_batch(shop_of([longer]), spec=spec_with()).pieces[0].fault
    assert other is not None
    assert other.kind == "stop long"
    assert moved_evenly([1.0, 1.1, 0.9, 1.0, 1.05, 0.95], 0.1)
    assert not moved_evenly([1.0, 1.1, 0.9, 1.0, 1.05], 0.1)
    assert not moved_evenly([0.2, 0.8, 0.9, 1.0, 1.4, 1.6], 0.1)
    assert not moved_evenly([0.1] * 6, 0.1)


def test_facing_names_what_is_out_of_the_drawing() -> None:
    """A tip 0.2 mm too open, with the rails level; a sound piece is within its drawing; without a drawing nothing is said of one."""
    rng = np.random.default_rng(24)
    open_tip = read_piece(replace(Truth(), tip=2.7), rng)
    told = on_one_line(facing_screen(facing_of(open_tip)))
    assert "Out of drawing: tip 0." in told
    assert "mm too open: only facing the table down closes it." in told
    sound = read_piece(Truth(), rng)
    assert "Within its drawing." in on_one_line(facing_screen(facing_of(sound)))
    alone = sound[0].model_copy(update={"model": None}), sound[1]
    assert facing_of(alone).by_drawing is None
    words = on_one_line(facing_screen(facing_of(alone)))
    assert "ithin its drawing" not in words
    assert "ut of drawing" not in words


def test_a_coarse_scale_is_not_read_again() -> None:
    """Stops to half a millimetre: a finer scale is asked for, and not the same one twice more; to a tenth the same one is."""
    told = []
    for step in (0.5, 0.1):
        piece = read_piece(Truth(left=27.6), np.random.default_rng(25), step_mm=step)
        report = facing_of(piece, stop_step_mm=step)
        assert report.rails.verdict in ("near", "level, near", "short")
        told.append(on_one_line(facing_screen(report)))
    assert "again to 0.5 mm would not help" in told[0]
    assert "twice more" not in told[0]
    assert "would not help" not in told[1]


def test_scans_with_points_far_apart_are_asked_for_finer_ones() -> None:
    """Points 1 mm apart and rails near the limit: again at 0.25 mm; points 0.25 mm apart: the same twice more."""
    rng = np.random.default_rng(26)
    told = []
    for x in (X[::4], X):
        rails = {"left": noisy(heights(x, edge=27.83), rng), "right": noisy(heights(x), rng)}
        report = report_of(points_of("S", rails, x))
        assert report.rails.verdict in ("near", "level, near")
        told.append(on_one_line(facing_screen(report)))
    assert "can both rails again at 0.25 mm" in told[0]
    assert "can both rails twice more" in told[1]


def test_a_crooked_tip_is_told_of_its_scans() -> None:
    """The left corner 0.1 mm further open, fading over 4 mm: by how much and on which rail, in both commands; sound tips are not crooked."""
    rng = np.random.default_rng(27)
    fade = 0.1 * np.exp(-X / 4)
    crooked = {"left": noisy(heights(X) + fade, rng), "right": noisy(heights(X), rng)}
    told = on_one_line(facing_screen(report_of(points_of("S", crooked))))
    assert "further open on the left rail" in told
    pieces = shop([crooked, *({rail: noisy(heights(X), rng) for rail in ("left", "right")} for _ in range(8))])
    words = on_one_line(batch_screen(judge_batch(pieces, spec=spec_with())))
    assert "By its scans the tip is crooked, further open on one rail: S0 0." in words
    assert "S1" not in words.partition("crooked")[2].partition(".")[0]


def test_a_batch_names_the_bumps_that_facing_names() -> None:
    """Forty micrometres on one rail of a scanned piece that is within its drawing: its place and size; a piece that is out anyway is not told twice."""
    rng = np.random.default_rng(28)
    bumped = {"left": noisy(heights(X, bump_mm=0.03), rng), "right": noisy(heights(X, bump_mm=0.03), rng)}
    sound = {rail: noisy(heights(X), rng) for rail in ("left", "right")}
    report = judge_batch(shop([bumped, sound]), spec=spec_with())
    assert [bool(piece.flaws) for piece in report.pieces] == [True, False]
    told = on_one_line(batch_screen(report))
    assert "A bump or a flat shows on S0 (" in told
    assert "12 mm from the tip)" in told
    (flaw,) = report.pieces[0].flaws
    (same,) = (one for one in report_of(points_of("S", bumped)).bumps if one.sure)
    assert (flaw.kind, flaw.place_mm, flaw.height_um) == (same.kind, same.place_mm, same.height_um)
    shut = judge_batch(shop([bumped, sound], [TIP - 0.3, TIP]), spec=spec_with())
    assert shut.pieces[0].verdict == "fail"
    assert "A bump or a flat shows" not in on_one_line(batch_screen(shut))


def test_bumps_are_not_looked_for_with_feelers_in_a_huge_batch(monkeypatch: pytest.MonkeyPatch) -> None:
    """Above so many pieces the feelers of each are facing's business, scans are not."""
    read = moved(read_piece(Truth(), np.random.default_rng(29)), 0.9, feeler=0.2)
    assert judge_batch(shop_of([read]), spec=spec_with()).pieces[0].flaws
    monkeypatch.setattr(batches, "MOST_LOOKED", 0)
    assert not judge_batch(shop_of([read]), spec=spec_with()).pieces[0].flaws


def test_a_rail_that_was_read_on_two_days_is_told_in_the_batch() -> None:
    """Two feelers of a later day on both rails: the batch asks for all of them, as facing does."""
    piece, readings = read_piece(Truth(), np.random.default_rng(30))
    newer = [row.model_copy(update={"date": dt.date(2026, 3, 10 if row.feeler_mm < 0.15 else 1)}) for row in readings]
    told = on_one_line(batch_screen(judge_batch(shop_of([(piece, newer)]), spec=spec_with())))
    assert "A rail was read on several days on X" in told
    assert "several days" not in on_one_line(batch_screen(judge_batch(shop_of([(piece, readings)]), spec=spec_with())))


def test_smooth_is_said_of_as_many_feelers_as_were_read() -> None:
    """Feelers between which a bump may hide do not make a facing smooth; a scan is not limited so."""
    piece: Any = read_piece(Truth(), np.random.default_rng(31))
    feelers = len({row.feeler_mm for row in piece[1]})
    assert f"as far as {feelers} feelers show" in on_one_line(facing_screen(facing_of(piece)))
    rng = np.random.default_rng(32)
    rails = {rail: noisy(heights(X), rng) for rail in ("left", "right")}
    assert "feelers show" not in on_one_line(facing_screen(report_of(points_of("S", rails))))
    assert piece[0].model == MODEL


def test_a_fault_elsewhere_does_not_make_a_rail_short() -> None:
    """A tip that is surely too open says nothing of rails that are level; a fault of the rails does."""

    def verdict(fault: Fault) -> str:
        return judge_rails((0.01, 0.05), (), limit_mm=0.3, fault=fault, flaws_mm=(), zero_known=True).verdict

    assert (
        verdict(Fault("tip too open", "tip_opening_mm", 0.2))
        == verdict(Fault("rail short", "rail_difference_mm", 0.2, sure=False))
        == "level"
    )
    assert verdict(Fault("rail short", "rail_difference_mm", 0.4, "left")) == "short"


def test_what_makes_a_feeler_stop_sooner_or_later_is_looked_for_on_the_right_rail() -> None:
    """A bump stops it sooner and a flat later; where it is not known which rail is off, the other one may have the other."""
    report = mk.open().facing("TB-25-02")

    def told(way: Literal["short", "long"], *, stray: bool) -> str:
        rails = RailsJudged("at one feeler", 0.0, 0.05, 0.2, None, 0.4, 15.0, 0.5, rail="right", way=way, stray=stray)
        return " ".join(lay_out(facing_screen(replace(report, rails=rails, by_drawing=None))).split())

    assert "look there for a bump on it, or a flat on the other one" in told("short", stray=False)
    assert "look there for a flat on it, or a bump on the other one" in told("long", stray=False)
    assert "look there for a bump on it." in told("short", stray=True)
    assert "look there for a flat on it." in told("long", stray=True)
