"""What conventions of the physics are worth on real parts: the ranges that ``docs/physics.md`` and the answers quote."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

import matchkit as mk
from matchkit.advise.closing import closing_report
from matchkit.constants import LIP_PLACE
from matchkit.pairs.contacts import ContactKey, beams_for, lip_places_m
from matchkit.parts.facing import FacingPart
from matchkit.parts.reed import ReedPart
from matchkit.physics.closing import area_weights, close_reeds, closing_pressure_per_modulus
from matchkit.physics.contact import solve_contact
from matchkit.score.scorer import Scorer

KINDS = ("alto", "tenor", "clarinet")


@pytest.fixture(scope="module")
def scorer() -> Scorer:
    """Open the demo house."""
    return mk.open().scorer


def measured_pairs(scorer: Scorer) -> list[tuple[FacingPart, ReedPart]]:
    """Return every measured facing with one reed of every measured profile."""
    found = []
    for kind in KINDS:
        shapes = {reed.shape_key: reed for reed in scorer.parts.reeds_for(kind) if reed.profile_measured}
        facings = [f for f in scorer.parts.facings if f.mouthpiece.instrument == kind and f.lay.shape_known]
        found += [(facing, reed) for facing in facings for reed in shapes.values()]
    return found


def test_lip_area_moves_about_a_quarter_a_millimetre(scorer: Scorer) -> None:
    """Why a lip load is an illustration: 18 to 33 % per mm of lip place on every measured pair of the demo house."""
    ratios = []
    for facing, reed in measured_pairs(scorer):
        lip_m = LIP_PLACE[facing.mouthpiece.instrument] * 1e-3
        near, far = (float(scorer.pair(facing, reed, lip_m=lip_m + off).lip_area_m2[0]) for off in (-0.5e-3, 0.5e-3))
        ratios.append(far / near - 1)
    assert len(ratios) > 30
    assert min(ratios) > 0.18
    assert max(ratios) < 0.34


def test_pressure_ahead_of_the_lip_only_would_close_later(scorer: Scorer) -> None:
    """Blown against drawn, each solved with contact: 7 to 19 % later, and much alike (2 %) within an instrument."""
    later: dict[str, list[float]] = {}
    for facing, reed in measured_pairs(scorer):
        kind = facing.mouthpiece.instrument
        problem = (facing, reed, ContactKey(facing.id, reed.shape_key, 0.0, LIP_PLACE[kind] * 1e-3))
        drawn, blown = (closing_pressure_per_modulus(beams_for([problem], ahead_of_lip=only))[0] for only in (False, True))
        later.setdefault(kind, []).append(float(blown / drawn) - 1)
    for found in later.values():
        assert 0.07 < min(found) < max(found) < 0.19
        assert np.std(found) < 0.02


@pytest.mark.parametrize("height_m", [20e-6, 40e-6, -20e-6, -40e-6])
def test_a_small_bump_hardly_moves_the_closing_share(scorer: Scorer, height_m: float) -> None:
    """A bump or flat of 20 to 40 µm in mid facing moves the free closing share by 0.001 a 20 µm in the middle, 0.0045 at most: a craft term."""
    moved = []
    for facing, reed in measured_pairs(scorer):
        key = ContactKey(facing.mouthpiece.id, reed.shape_key, 0.0, LIP_PLACE[facing.mouthpiece.instrument] * 1e-3)
        beams = beams_for([(facing, reed, key)])
        x = beams.x_m
        bump = height_m * np.exp(-(((x - 0.45 * facing.lay.fair.clamp_m) / 2e-3) ** 2))
        bumped = replace(beams, lay_m=np.maximum(beams.lay_m + bump, 0.0))
        width = reed.shape.width_at_m(np.array([0.0]))
        lip = lip_places_m([(facing, reed, key)])
        before, after = (close_reeds(some, tip_width_m=width, lip_m=lip).share[0, 0] for some in (beams, bumped))
        moved.append(abs(float(after - before)))
    assert np.median(moved) < 0.0013 * abs(height_m) / 20e-6
    assert max(moved) < 0.0045 * abs(height_m) / 20e-6


def test_the_lip_is_said_to_close_the_reed_only_when_it_does(scorer: Scorer) -> None:
    """The warning comes with a lip load of nine tenths of ``S_lip PM`` and more, and not before."""
    facing, reed = measured_pairs(scorer)[0]
    view = scorer.view(mk.open().visitor("alto"))
    plain = closing_report(scorer, facing, reed, view=view, reed_offset_m=0.0)
    closes_n = plain.closing_pressure_kpa * plain.lip_area_mm2 * 1e-3
    for part, warned in ((0.5, False), (0.89, False), (0.91, True), (2.0, True)):
        held = replace(view, lip_force_n=part * closes_n)
        report = closing_report(scorer, facing, reed, view=held, reed_offset_m=0.0)
        assert report.lip_closes_reed is warned
        assert report.closing_pressure_kpa == plain.closing_pressure_kpa


def test_the_share_that_the_lip_leaves_is_the_contact_solution(scorer: Scorer) -> None:
    """Under nine tenths of the closing force hardly any area is left before a breath: the warning is about something real."""
    facing, reed = measured_pairs(scorer)[0]
    key = ContactKey(facing.mouthpiece.id, reed.shape_key, 0.0, 10e-3)
    beams = beams_for([(facing, reed, key)])
    lip = lip_places_m([(facing, reed, key)])
    width = reed.shape.width_at_m(np.array([0.0]))
    closing = close_reeds(beams, tip_width_m=width, lip_m=lip)
    weights = area_weights(beams, tip_width_m=width, lip_m=lip)
    force = 0.9 * float(closing.pressure_per_modulus[0] * closing.lip_area_m2[0])
    left = float((weights * solve_contact(beams, pressure_per_modulus=0.0, force_per_modulus_m2=force).gap_m).sum())
    assert left < 0.25 * float(closing.rest_area_m2[0])
