"""The house's own scale from closing tests: simulated houses with a known scale, outliers, repeats, and what may not stand in the table."""

from __future__ import annotations

import csv
import math
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

import matchkit as mk
from matchkit import constants
from matchkit.house import House
from matchkit.pairs.closing_tests import house_scale, predicted_force_n
from matchkit.records.calibration import ClosingTest
from matchkit.units import N_PER_GRAM

SETS = [
    ("AM-01", "AR-A-3"),
    ("AM-05", "AR-B-2.5"),
    ("TM-03", "TR-A-3"),
    ("TM-05", "TR-B-3"),
    ("CM-02", "CR-A-3"),
]


@pytest.fixture(scope="module")
def house() -> House:
    """Open the demo house."""
    return mk.open()


def pressed(
    house: House,
    factor: float,
    *,
    sets: Sequence[tuple[str, str]] = SETS,
    repeats: int = 3,
    noise: float = 0.0,
    state: str = "wet",
    off: dict[int, float] | None = None,
    seed: int = 1,
) -> list[ClosingTest]:
    """Make readings of a house whose pressures are ``factor`` times the usual, ``off`` that of single set-ups."""
    rng = np.random.default_rng(seed)
    blank = [
        ClosingTest.model_validate(
            {"mouthpiece_id": m, "reed_id": r, "repeat": k + 1, "place_mm": 4, "gap_mm": 0.1, "mass_g": 100, "state": state}
        )
        for m, r in sets
        for k in range(repeats)
    ]
    force = [float(predicted_force_n(house.parts, test)) / N_PER_GRAM for test in blank]
    size = [(off or {}).get(row // repeats, 1.0) * factor * math.exp(rng.normal(0, noise)) for row in range(len(blank))]
    return [test.model_copy(update={"mass_g": g * s}) for test, g, s in zip(blank, force, size, strict=True)]


def test_a_handful_finds_the_scale_to_a_tenth(house: House) -> None:
    """Five set-ups pressed shut three times: the planted factor within the stated doubt, which is about 10 % or less."""
    for factor in (0.8, 1.0, 1.3):
        found = house_scale(house.parts, pressed(house, factor, noise=0.04))
        assert found is not None
        assert abs(math.log(found.factor / factor)) < 2 * found.u_pct / 100
        assert 6 < found.u_pct < 11
        assert found.before_pct == pytest.approx(16.7, abs=0.1)  # these reeds were read: the cane is known


def test_the_combination_is_that_of_a_gaussian(house: House) -> None:
    """Where nothing is odd: the factor of ratios of one is one, and two set-ups leave less doubt than either, more than the method (analytic)."""
    both = house_scale(house.parts, pressed(house, 1.0, sets=SETS[:3:2], repeats=1))
    each = [house_scale(house.parts, pressed(house, 1.0, sets=[one], repeats=1)) for one in SETS[:3:2]]
    assert both is not None
    assert both.factor == pytest.approx(1.0)
    doubts = [one.u_pct for one in each if one is not None]
    assert constants.U_TEST_METHOD.value * 50 < both.u_pct < min(doubts)
    prior = math.hypot(constants.U_HELD.value, constants.WET_FACTOR.u / constants.WET_FACTOR.value)
    assert both.before_pct == pytest.approx(100 * prior)
    for one, found in zip(SETS[:3:2], each, strict=True):
        assert found is not None
        (setup,) = found.setups
        # a normal prior and one reading of a normal error, the set-up's own part forgiven by 5/4 at most (t with four degrees)
        error = setup.u_ratio**2
        assert (prior**-2 + 1 / error) ** -0.5 * 100 == pytest.approx(found.u_pct, rel=0.06), one


def test_repeats_are_not_new_set_ups(house: House) -> None:
    """Thirty readings of one set-up say hardly more than three; three other set-ups say much more."""
    three = house_scale(house.parts, pressed(house, 1.2, sets=SETS[:1], repeats=3))
    thirty = house_scale(house.parts, pressed(house, 1.2, sets=SETS[:1], repeats=30))
    others = house_scale(house.parts, pressed(house, 1.2, sets=SETS[:4], repeats=1))
    assert three is not None
    assert thirty is not None
    assert others is not None
    assert thirty.u_pct > 0.97 * three.u_pct
    assert others.u_pct < 0.9 * three.u_pct


def test_an_outlier_is_named_and_counts_little(house: House) -> None:
    """One set-up at twice the others is named; the scale moves by less than its doubt."""
    clean = house_scale(house.parts, pressed(house, 1.2))
    spoilt = house_scale(house.parts, pressed(house, 1.2, off={4: 2.2}))
    assert clean is not None
    assert spoilt is not None
    assert [item.mouthpiece_id for item in spoilt.setups if item.odd] == ["CM-02"]
    assert not any(item.odd for item in clean.setups)
    assert abs(math.log(spoilt.factor / clean.factor)) < clean.u_pct / 100


def test_reeds_tested_dry_leave_the_wetting_in_doubt(house: House) -> None:
    """The same ratios from dry reeds say less of playing pressures."""
    wet, dry = (house_scale(house.parts, pressed(house, 1.1, state=state)) for state in ("wet", "dry"))
    assert wet is not None
    assert dry is not None
    assert (wet.wet, dry.wet) == (True, False)
    assert dry.u_pct > 1.2 * wet.u_pct


def test_every_pressure_follows_the_scale_and_no_order_does(house: House) -> None:
    """On the measured scale every closing pressure is the factor times what it was, its shared doubt is what the tests left, and a ranking is the same."""
    shifted = House(replace(house.tables, closing_tests=tuple(pressed(house, 1.25))), demo=True)
    assert shifted.scale is not None
    before, after = house.closing("AM-02", "AR-B-3"), shifted.closing("AM-02", "AR-B-3")
    assert after.closing_pressure_kpa / before.closing_pressure_kpa == pytest.approx(shifted.scale.factor, rel=1e-9)
    assert after.u_parts["scale"] == pytest.approx(after.closing_pressure_kpa * shifted.scale.u_pct / 100)
    assert after.u_parts["wet factor"] == 0.0
    assert after.closing_share == pytest.approx(before.closing_share, abs=0.02)
    one, two = (each.strengths("AM-02", "P03").rows for each in (house, shifted))
    assert [row.reed_id for row in one] == [row.reed_id for row in two]
    assert [row.steps for row in one] == pytest.approx([row.steps for row in two], abs=1e-9)


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"mass_g": 30_000}, "from 5 to 5000 g"),
        ({"place_mm": 40}, "from 1 to 25 mm"),
        ({"gap_mm": 0.001}, "from 0.03 to 3 mm"),
        ({"reed_id": "nobody"}, "an id of reeds.csv"),
    ],
)
def test_tests_that_cannot_be_are_told(demo_copy: Path, change: dict[str, object], words: str) -> None:
    """A test of 30 kg, at 40 mm from the tip or with a reed that is not there: file, row, column, what was read and expected."""
    row = {"mouthpiece_id": "AM-01", "reed_id": "AR-A-3", "place_mm": 4, "gap_mm": 0.1, "mass_g": 150} | change
    lines = [",".join(row), ",".join(str(value) for value in row.values())]
    (demo_copy / "closing_tests.csv").write_text("\n".join(lines) + "\n", encoding="utf-8")
    with pytest.raises(mk.DataError) as told:
        mk.open(demo_copy)
    text = str(told.value)
    assert "closing_tests.csv, row 2" in text
    assert next(iter(change)) in text
    assert words in text


@pytest.mark.parametrize(
    ("change", "why"),
    [
        ({"gap_mm": 1.3}, "feeler too thick"),
        ({"reed_id": "TR-A-3"}, "another instrument"),
        ({"place_mm": 24}, "pressed too far back"),
        ({"place_mm": 9}, "pressed too far back"),
        ({"mass_g": 3000}, "far from any scale"),
    ],
)
def test_a_test_that_cannot_be_used_is_left_out_and_said(house: House, change: dict[str, object], why: str) -> None:
    """A thick feeler, a reed of another instrument, a bar where the reed lies on the facing, a slip of ten: not used; the others are."""
    good = pressed(house, 1.1)
    bad = good[0].model_copy(update=change | {"repeat": 9})
    alone, found = (house_scale(house.parts, tests) for tests in ([bad], [*good, bad]))
    clean = house_scale(house.parts, good)
    assert alone is None
    assert found is not None
    assert clean is not None
    assert found.factor == clean.factor
    assert [item.why for item in found.unused] == [why]
    (told,) = House(replace(house.tables, closing_tests=(*good, bad))).slips
    assert (told.source, told.hint) == ("closing_tests.csv", "it was left out")


def test_labels_alone_learn_the_cane_too(demo_copy: Path) -> None:
    """Where no reed was read the scale stands for the cane as well: a quarter or so before, and no part of it left beside."""
    (demo_copy / "strength_scale.csv").unlink()
    with (demo_copy / "reeds.csv").open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    with (demo_copy / "reeds.csv").open("w", encoding="utf-8", newline="") as file:
        writer = csv.DictWriter(file, list(rows[0]))
        writer.writeheader()
        writer.writerows(row | {"stiffness_n_per_mm": ""} for row in rows)
    house = mk.open(demo_copy)
    tested = pressed(house, 0.8, sets=SETS[:4])
    found = house_scale(house.parts, tested)
    assert found is not None
    assert found.of_labels
    assert found.before_pct == pytest.approx(23.1, abs=0.2)
    scaled = House(replace(house.tables, closing_tests=tuple(tested)))
    report = scaled.closing("AM-02", "AR-A-3")
    assert report.u_parts["scale"] == pytest.approx(report.closing_pressure_kpa * found.u_pct / 100)


def test_a_dry_reed_of_cane_takes_more_force(house: House) -> None:
    """By what wetting softens it, and not otherwise: the prediction for a dry test over that for a wet one, of cane and of plastic."""
    wet = ClosingTest.model_validate(
        {
            "mouthpiece_id": "AM-01",
            "reed_id": "AR-A-3",
            "repeat": 1,
            "place_mm": 4,
            "gap_mm": 0.1,
            "mass_g": 100,
            "state": "wet",
        }
    )
    both = [float(predicted_force_n(house.parts, test)) for test in (wet, wet.model_copy(update={"state": "dry"}))]
    assert house.parts.reed("AR-A-3").reed.material == "cane"
    assert both[1] == pytest.approx(both[0] / house.tables.spec.wet_factor)
    assert both[1] > both[0]
