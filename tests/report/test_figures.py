"""Pictures: every answer that has one draws it, the same bytes each time, into given axes too, and nothing is said by colour alone."""

from __future__ import annotations

from functools import cache
from pathlib import Path
from typing import Any

import matplotlib as mpl
import numpy as np
import pytest
from matplotlib.patches import Rectangle

import matchkit as mk
from matchkit.files import shipped
from matchkit.report import draw
from matchkit.report.counter import _target
from matchkit.report.figures import PICTURES, figure_bytes, figure_of, plot, style_of

mpl.use("agg")


@cache
def answers() -> dict[str, Any]:
    """One answer of every kind that has a picture."""
    house = mk.open()
    batch = house.batch()
    evaluation = _evaluation()
    return {
        "Ranking": house.rank("P02", wish=("freer",)),
        "Strengths": house.strengths("AM-08", "P02"),
        "Swap": house.swap("P02", mouthpiece="AM-08"),
        "Comparison": house.compare(("AM-01", "AR-A-3"), ("AM-08", "AR-A-2.5"), player="P02"),
        "ClosingReport": house.closing("AM-08", "AR-A-3", player="P02"),
        "Explanation": house.explain("P02", "AM-08", "AR-A-3"),
        "WhatIf": house.what_if("AM-08", tip=(2.0, 2.1, 2.2), player="P02"),
        "FacingReport": house.facing("TB-25-07"),
        "BatchReport": batch,
        "FeatureSummary": next(item for item in batch.features if item.chart is not None),
        "BatchesBeside": house.batches(shipped("data/demo-bench/batch"), shipped("data/demo-bench/batch")),
        "Pairing": batch.pairings[0],
        "RefacePlan": house.reface("AM-05", tip_by_mm=0.1),
        "GaugeStudy": mk.gauge_study()[0],
        "Analysis": house.analyse(),
        "Evaluation": evaluation,
    }


def _evaluation() -> Any:
    from matchkit.learn.trial.evaluation import Evaluation, Score

    scores = tuple(
        Score(split, method, 0.8, 0.4, error, 0.8 if method == "blend" else None, 2.0, 0.75, 0.85)
        for split in ("new player", "new pair")
        for method, error in (("blend", 1.2), ("physics alone", 1.5))
    )
    return Evaluation(900, 12, 10, scores)


def test_every_picture_has_an_answer_here() -> None:
    """Nothing in the register is left untried."""
    assert set(answers()) == set(PICTURES)


@pytest.mark.parametrize("name", sorted(PICTURES))
def test_a_picture_is_drawn_whole_and_the_same_each_time(name: str) -> None:
    """The svg has a title, letters as text and the same bytes twice; a narrow one is no wider than asked; png and pdf are what they say."""
    answer = answers()[name]
    one = figure_bytes(answer, "svg")
    assert one == figure_bytes(answer, "svg")
    assert b"<text" in one
    assert b"<dc:date>" not in one
    assert figure_bytes(answer, "png").startswith(b"\x89PNG")
    assert figure_bytes(answer, "pdf").startswith(b"%PDF")
    assert figure_of(answer, width=4.4).get_size_inches()[0] <= max(4.4, 0.0) + 1e-9


@pytest.mark.parametrize("name", sorted(PICTURES))
def test_a_picture_goes_into_given_axes(name: str) -> None:
    """``plot`` draws into axes of one's own, and says what the axes mean."""
    axes = draw.new_figure(8, 5).subplots()
    assert plot(answers()[name], axes) is axes
    assert axes.has_data() or len(axes.patches) > 1


def test_answers_plot_themselves() -> None:
    """``.plot()`` on an answer gives axes; an answer without a picture says which have one."""
    assert answers()["Ranking"].plot().get_xlabel().startswith("tip opening, mm")
    with pytest.raises(TypeError, match="has no picture"):
        mk.open().sheet("TB-25-07").plot()


def test_the_map_puts_equal_resistance_on_one_line() -> None:
    """Tip opening times what the reed takes for a millimetre is the closing pressure: the marks lie where the answer's numbers put them."""
    ranking = answers()["Ranking"]
    axes = figure_of(ranking).axes[0]
    points = [np.asarray(line.get_xydata(), dtype=float) for line in axes.lines]
    drawn = {tuple(np.round(xy[0], 6)) for xy in points if len(xy) == 1}
    for row in (*ranking.rows, ranking.present):
        assert tuple(np.round((row.tip_opening_mm, row.closing_pressure_kpa / row.tip_opening_mm), 6)) in drawn


def test_the_map_aims_where_the_house_steps(demo_copy: Path) -> None:
    """At another wish_step every row of a ranking tells the same target, the one that is drawn."""
    path = demo_copy / "house.toml"
    text = path.read_text(encoding="utf-8")
    path.write_text("wish_step = 0.7\n" + "\n".join(line for line in text.splitlines() if not line.startswith("wish_step")))
    ranking = mk.open(str(demo_copy)).rank("P02", wish=("freer",))
    told = [
        row.closing_pressure_kpa * 0.7 ** float(term.value or 0.0)
        for row in ranking.rows
        for term in row.terms
        if term.name == "resistance"
    ]
    assert told == pytest.approx([told[0]] * len(told), rel=1e-6)
    assert _target(ranking) == pytest.approx(told[0])


def test_the_waterfall_adds_up() -> None:
    """Bars from what a perfect fit reaches down and up to the score: the last step ends where the score's bar does."""
    found = answers()["Explanation"]
    bars = figure_of(found).axes[0].patches
    reached = sum(bar.get_width() for bar in bars[:-1] if isinstance(bar, Rectangle))
    assert reached == pytest.approx(found.setup.score, abs=0.05 * len(found.setup.terms + found.setup.groups))


def _luminance(colour: str) -> float:
    """Return relative luminance as WCAG 2 defines it."""
    parts = [int(colour[at : at + 2], 16) / 255 for at in (1, 3, 5)]
    linear = [part / 12.92 if part <= 0.04045 else ((part + 0.055) / 1.055) ** 2.4 for part in parts]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


def test_colours_differ_in_grey_too() -> None:
    """Contrast of any two of the three colours is 1.4 or more in grey, of text on paper 4.5 or more (WCAG 2, contrast ratio)."""
    colours = [draw.FIRST, draw.SECOND, draw.THIRD]
    for at, one in enumerate(colours):
        for other in colours[at + 1 :]:
            light, dark = sorted((_luminance(one), _luminance(other)), reverse=True)
            assert (light + 0.05) / (dark + 0.05) >= 1.4
    assert 1.05 / (_luminance(draw.INK) + 0.05) >= 4.5


def test_colours_differ_for_colour_blind_eyes() -> None:
    """Any two of the three colours stay 20 or more apart in CAM02-UCS as somebody without red, green or blue cones sees them (colorspacious, after Machado 2009).

    What the library calls one is a difference just seen.
    """
    from colorspacious import cspace_convert, deltaE

    colours = [
        [int(colour[at : at + 2], 16) / 255 for at in (1, 3, 5)] for colour in (draw.FIRST, draw.SECOND, draw.THIRD, draw.INK)
    ]
    for kind in ("protanomaly", "deuteranomaly", "tritanomaly"):
        seen = cspace_convert(colours, {"name": "sRGB1+CVD", "cvd_type": kind, "severity": 100}, "sRGB1")
        for at, one in enumerate(seen):
            for other in seen[at + 1 :]:
                assert float(deltaE(one, other, input_space="sRGB1")) >= 20, (kind, at)


def test_people_by_pieces_lie_where_they_read() -> None:
    """Every person's mark is as far from the piece's mean as their readings say (by hand), and the line reaches from their lowest to their highest."""
    study = answers()["GaugeStudy"]
    below = figure_of(study).axes[1]
    marks = [line for line in below.lines if line.get_marker() in {"o", "s", "D"}]
    assert len(marks) == study.pieces * study.people == len(study.cells)
    cell = study.cells[0]
    mine = [other for other in study.cells if other.piece == cell.piece]
    heights = {round(float(np.ravel(line.get_ydata())[0]), 9) for line in marks}
    assert round(cell.mean - sum(other.mean for other in mine) / len(mine), 9) in heights
    assert cell.low <= cell.mean <= cell.high


def test_the_large_circle_is_the_blend() -> None:
    """On every split the mark that stands out lies at the error of the blend."""
    found = answers()["Evaluation"]
    large = [line for line in figure_of(found).axes[0].lines if line.get_markersize() > 8]
    assert [float(np.ravel(line.get_xdata())[0]) for line in large] == [1.2, 1.2]


def test_names_are_no_mathematics() -> None:
    """Dollar signs in a name are printed, not set as a formula."""
    assert draw.plain("a $5$ reed") == r"a \$5\$ reed"


def test_which_file_is_which_format() -> None:
    """By the end of its name, whatever its case; None for another."""
    assert [style_of(name) for name in ("a.svg", "b.PNG", "c.pdf", "d.txt")] == ["svg", "png", "pdf", None]
