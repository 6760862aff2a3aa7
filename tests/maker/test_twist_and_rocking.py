"""Tests of the table: a twist and a rocking plate are recovered at the size that was put in."""

from __future__ import annotations

from functools import partial

import numpy as np
import pytest
from maker_shop import FEELERS_MM, MODEL, Truth, measured, read_piece, spec_with, stop_of

from matchkit.maker.measure.monte_carlo import table_test
from matchkit.maker.measure.report import facing_report
from matchkit.maker.measure.stations import drawn_curve
from matchkit.parts.facing import rails_of
from matchkit.records.parts import FacingReading, Mouthpiece
from matchkit.tables.defaults import read_defaults
from matchkit.units import MM, UM


def _lifted(truth: Truth, rail: str, lift_mm: float, x_mm: float) -> float:
    return float(truth.height(rail, x_mm) + lift_mm * max(1 - x_mm / 28, 0))


def twisted(lift_um: float) -> tuple[Mouthpiece, list[FacingReading]]:
    """Exact stops of level rails on a table that lifts the left one by so much at the tip, linearly from the break."""
    truth, piece = Truth(), Mouthpiece(id="A", instrument="tenor", tip_opening_mm=2.5)
    readings = []
    for rail, way in (("left", 0.5), ("right", -0.5)):
        lifted = partial(_lifted, truth, rail, way * lift_um * UM / MM)
        readings += [
            FacingReading(mouthpiece_id="A", rail=rail, feeler_mm=feeler, stop_mm=stop_of(lifted, feeler, 34.0))
            for feeler in FEELERS_MM
        ]
    return piece, readings


@pytest.mark.parametrize("lift_um", [-60.0, 25.0, 60.0])
def test_a_twist_is_found_at_its_size(lift_um: float) -> None:
    """A difference of the rails that is linear in x comes back at the tip's size, weighted by 1 - x over the break (analytic)."""
    piece, readings = twisted(lift_um)
    spec = spec_with()
    facing, _ = measured(piece, readings, spec)
    rails = rails_of(piece, readings, (), gauge=spec.gauge)
    found = table_test(facing, rails)
    assert found.twist_m is not None
    assert found.twist_m / UM == pytest.approx(lift_um, rel=0.04)


def test_the_doubt_of_a_twist_is_that_of_the_weighted_stops() -> None:
    """``1 / sqrt(sum(w^2))`` with w = (1 - x / break) over the doubt of the lift, scaled by the readings' own scatter where that is larger."""
    piece, readings = twisted(40.0)
    spec = spec_with()
    facing, _ = measured(piece, readings, spec)
    rails = rails_of(piece, readings, (), gauge=spec.gauge)
    found = table_test(facing, rails)
    lay = facing.lay
    x = (rails["left"].place_m + rails["right"].place_m) / 2
    step = 1e-6
    fall = (lay.fair.height_m(x - step) - lay.fair.height_m(x + step)) / (2 * step)
    u = fall * np.hypot(rails["left"].u_place_m, rails["right"].u_place_m)
    weights = np.maximum(1 - x / lay.fair.break_m, 0) / u
    assert found.u_twist_m == pytest.approx(1 / np.sqrt(weights @ weights), rel=1e-6)


def test_rocking_is_told_in_micrometres() -> None:
    """What the report calls rocking_um, and its doubt, are the metres of the test of the table, in µm."""
    spec = spec_with()
    piece, readings = read_piece(Truth(), np.random.default_rng(2))
    report = facing_report(piece, readings, (), defaults=read_defaults(), spec=spec)
    found = table_test(*measured(piece, readings, spec), drawing=spec.drawing[MODEL], drawn=drawn_curve(spec.drawing[MODEL]))
    assert found.rocking_m is not None
    assert found.u_rocking_m is not None
    assert report.rocking_um == pytest.approx(found.rocking_m / UM, rel=1e-9)
    assert report.u_rocking_um == pytest.approx(found.u_rocking_m / UM, rel=1e-9)
