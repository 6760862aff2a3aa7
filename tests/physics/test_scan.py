"""A dense profile read at standard heights: against an arc, and its uncertainty against simulated noise."""

from __future__ import annotations

import numpy as np
import pytest

from matchkit.errors import PhysicsInputError
from matchkit.physics.lay.facing import mean_lay
from matchkit.physics.lay.scan import HEIGHTS_M, readings_from_profile

RADIUS, BREAK, TIP = 0.121, 22e-3, 2.009e-3
X = np.arange(0.0, 24e-3, 0.1e-3)


def arc(x: np.ndarray) -> np.ndarray:
    """Height of the arc, 0 behind the break."""
    run = np.clip(BREAK - x, 0, None)
    return np.asarray(RADIUS - np.sqrt(RADIUS**2 - run**2))


def test_an_arc_is_read_where_it_is() -> None:
    """Places agree with ``x = L - sqrt(2 R y - y^2)`` within 2 µm; the thickest heights above nine tenths of the tip are left out."""
    found = readings_from_profile(X, arc(X), np.full(len(X), 5e-6), tip_opening_m=TIP)
    wanted = BREAK - np.sqrt(2 * RADIUS * found.height_m - found.height_m**2)
    assert np.abs(found.place_m - wanted).max() < 2e-6
    assert found.height_m.max() < 0.9 * TIP
    assert set(found.height_m) <= set(HEIGHTS_M)


def test_the_uncertainty_of_a_place_is_that_of_repeated_scans() -> None:
    """Over 400 noisy scans (5 µm a point) the scatter of every place is its stated uncertainty within 15 %, and none is biased."""
    rng = np.random.default_rng(11)
    u = np.full(len(X), 5e-6)
    scans = [readings_from_profile(X, arc(X) + rng.normal(0, 5e-6, len(X)), u, tip_opening_m=TIP) for _ in range(400)]
    places = np.array([scan.place_m for scan in scans])
    stated = np.mean([scan.u_place_m for scan in scans], axis=0)
    assert places.std(axis=0) == pytest.approx(stated, rel=0.2)
    wanted = BREAK - np.sqrt(2 * RADIUS * scans[0].height_m - scans[0].height_m ** 2)
    assert (np.abs(places.mean(axis=0) - wanted) < 4 * stated / np.sqrt(400) + 5e-6).all()


def test_a_scan_gives_a_better_known_facing_than_feelers() -> None:
    """Two scanned rails: facing length within 0.02 mm of the arc's own, with an uncertainty below 0.05 mm."""
    rng = np.random.default_rng(12)
    u = np.full(len(X), 5e-6)
    rails = [readings_from_profile(X, arc(X) + rng.normal(0, 5e-6, len(X)), u, tip_opening_m=TIP) for _ in range(2)]
    lay = mean_lay(*rails, tip_opening_m=TIP, u_tip_m=10e-6)
    true = BREAK - np.sqrt(2 * RADIUS * 38e-6 - 38e-6**2)
    assert lay.fair.facing_length_m == pytest.approx(true, abs=0.04e-3)
    assert lay.fair.u_facing_length_m < 0.05e-3


def test_a_profile_that_ends_too_early_is_refused() -> None:
    """Points that stop on the way to the table do not make a facing."""
    near = X[X < 6e-3]
    with pytest.raises(PhysicsInputError, match="three heights"):
        readings_from_profile(near, arc(near), np.full(len(near), 5e-6), tip_opening_m=TIP)
