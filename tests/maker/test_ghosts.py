"""Bumps that are not there are not named, and those that are there are; on pieces of a known truth (invented, seeded)."""

from __future__ import annotations

import numpy as np
import pytest
from ghost_pieces import DENSE, SHAPES, WIDTH_MM, Bench, alarms, found, read

from matchkit.records.spec import HouseSpec, implied_step_mm


@pytest.mark.parametrize("shape", SHAPES)
def test_a_glass_gauge_in_half_millimetres_has_no_ghosts(shape: str) -> None:
    """Ten sound pieces of each shape, read to half a millimetre that nobody stated: nothing is named."""
    assert alarms(shape, Bench(0.5), 10) == 0


@pytest.mark.slow
@pytest.mark.parametrize("shape", SHAPES)
@pytest.mark.parametrize("step", [0.05, 0.2, 0.5])
def test_false_alarms_at_every_step(shape: str, step: float) -> None:
    """A bump or flat is named on at most 3 of 100 sound pieces."""
    assert alarms(shape, Bench(step), 100) <= 3


@pytest.mark.parametrize(("size", "least"), [(30.0, 16), (40.0, 19)])
def test_bumps_that_feelers_see_are_named(size: float, least: int) -> None:
    """A bump of 30 um is named at its place in at least 80 of 100, one of 40 um in 95, about as high as it is; feelers stand closer than it is wide."""
    count, height = found(size, Bench(0.02, feelers=DENSE), 20)
    assert count >= least
    assert height == pytest.approx(size, rel=0.25)


@pytest.mark.parametrize("on", [{"left": 1.0}, {"right": 1.0}, {"left": 1.0, "right": 1.0}, {"left": 1.0, "right": 0.5}])
def test_a_bump_on_one_rail_is_named_there(on: dict[str, float]) -> None:
    """Forty micrometres on one rail of arcs: seen in 16 of 20 and named on that rail in all of them but one, as high as it is there; on both rails none is named on one, and where it is half as high on the other at most three are."""
    rng = np.random.default_rng(3)
    seen, there, heights = 0, 0, []
    for _ in range(20):
        at = float(rng.uniform(6, 18))
        report = read("arc", Bench(0.02, 0.02, DENSE), rng, bump_um=40.0, at_mm=at, on=on)
        bumps = [bump for bump in report.bumps if bump.kind == "bump" and abs(bump.place_mm - at) < WIDTH_MM]
        seen += bool(bumps)
        there += bool(bumps) and bumps[0].rail == (next(iter(on)) if len(on) == 1 else None)
        whole = 40.0 if bumps and bumps[0].rail is not None else 40.0 * sum(on.values()) / len(on)
        heights += [abs(bump.height_um) / whole for bump in bumps[:1]]
    assert seen >= 16
    assert there >= seen - (3 if on.get("right") == 0.5 else 1 if len(on) == 1 else 0)
    assert np.mean(heights) == pytest.approx(1.0, rel=0.25)


@pytest.mark.parametrize("shape", SHAPES)
def test_a_rail_that_is_dug_too_deep_is_no_bump_at_its_end(shape: str) -> None:
    """The left rail 30 um too deep all along: the rails are told apart, and no bump or flat is named; a bump of 40 um beside it still is."""
    rng = np.random.default_rng(7)
    bench, seen = Bench(0.05, 0.03, DENSE), 0
    for _ in range(10):
        report = read(shape, bench, rng, deeper_um=30.0)
        assert report.bumps == ()
        assert report.rail_difference_mm is not None
        assert report.rail_difference_mm > 0.2
        also = read(shape, bench, rng, deeper_um=30.0, bump_um=40.0, at_mm=10.0)
        seen += any(bump.kind == "bump" and abs(bump.place_mm - 10) < WIDTH_MM for bump in also.bumps)
    assert seen >= 8


def test_a_step_is_noticed_and_what_was_stated_stands() -> None:
    """Twelve readings on one grid tell its step; fewer, finer ones and a stated step do not."""
    halves = [3.5, 4.0, 7.5, 9.0, 10.5, 12.0] * 2
    assert implied_step_mm(halves) == 0.5
    assert implied_step_mm(halves[:11]) is None
    assert implied_step_mm([value + 0.01 for value in halves]) is None
    assert HouseSpec().with_step(halves).gauge.stop_step_mm == 0.5
    study = (
        HouseSpec.model_validate({"gauge": {"u_stop_mm": 0.2}}).with_step(halves).gauge
    )  # a study's touch has the step in it
    assert study.u_stop_mm**2 + study.stop_step_mm**2 / 12 == pytest.approx(0.2**2)
    stated = HouseSpec.model_validate({"gauge": {"stop_step_mm": 0.02}})
    assert stated.with_step(halves) is stated
