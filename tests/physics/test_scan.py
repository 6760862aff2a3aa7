"""A dense profile read at standard heights: against an arc, and its uncertainty against simulated noise."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.interpolate import make_smoothing_spline

from matchkit.errors import PhysicsInputError
from matchkit.physics.lay.facing import mean_lay
from matchkit.physics.lay.level import USUAL_TILT, USUAL_ZERO_M, Levelled, level, noise_of
from matchkit.physics.lay.scan import (
    HEIGHTS_M,
    Scan,
    find_specks,
    readings_from_profile,
    scan_of,
    smooth_profile,
)
from matchkit.physics.lay.scan_flaws import find_scanned_flaws

Array = NDArray[np.float64]

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


def _lay(x: Array, kind: str) -> Array:
    """Return lays by their own formulas: an arc, a power law, and curvature that falls to nothing at the tip (handbook case, m = 1)."""
    run = np.clip(BREAK - x, 0, None)
    if kind == "power 2.3":
        return np.asarray(TIP * (run / BREAK) ** 2.3)
    if kind == "cubic":
        return np.asarray(TIP * (run**2 / 2 - run**3 / 6 / BREAK) / (BREAK**2 / 3))
    return np.asarray(arc(x))


def _scanned(
    kind: str, rng: np.random.Generator, *, spacing: float, bump: float = 0.0, at: float = 0.0
) -> list[tuple[Array, Array]]:
    x = np.arange(0, BREAK + 5e-3, spacing)
    shape = _lay(x, kind) - bump * np.exp(-4 * np.log(2) * ((x - at) / 1.2e-3) ** 2)
    return [(x, shape + rng.normal(0, 3e-6, len(x))) for _ in range(2)]


def _named(rails: list[tuple[Array, Array]]) -> dict[str, Scan]:
    """Return rails as scans on a table that they are on already, by their names."""
    found = {}
    for name, (x, height) in zip(("left", "right"), rails, strict=True):
        on = Levelled(height, 0.0, 0.0, 3e-6, table_seen=True, middle_m=float(x[-1]), u_zero_m=0.0, u_tilt=0.0)
        found[name] = Scan(x, on, float(np.median(np.diff(x))), np.arange(len(x)), np.zeros((0, 2)))
    return found


@pytest.mark.parametrize("kind", ["arc", "power 2.3", "cubic"])
def test_a_bump_of_ten_micrometres_is_found_in_a_scan(kind: str) -> None:
    """Points 0.1 mm apart with 3 µm of noise: a bump of 10 µm, 1.2 mm wide, is found at its place in 40 of 40, its height within 25 % on average; sound ones show none."""
    rng = np.random.default_rng(61)
    exponent = 2.3 if kind.startswith("power") else 2.0
    heights, false = [], 0
    for _ in range(40):
        at = rng.uniform(5e-3, 16e-3)
        rails = _scanned(kind, rng, spacing=1e-4, bump=10e-6, at=at)
        found = find_scanned_flaws(_named(rails), break_m=BREAK, exponent=exponent, noise_m=3e-6)
        here = [flaw for flaw in found if flaw.kind == "bump" and abs(flaw.place_m - at) < 0.6e-3]
        assert here
        heights.append(-here[0].height_m)
        sound = _scanned(kind, rng, spacing=1e-4)
        false += bool(find_scanned_flaws(_named(sound), break_m=BREAK, exponent=exponent, noise_m=3e-6))
    assert np.mean(heights) == pytest.approx(10e-6, rel=0.25)
    assert false <= 1


@pytest.mark.parametrize(("spacing", "least"), [(0.25e-3, 20), (0.5e-3, 19), (1e-3, 14)])
def test_coarser_scans_show_larger_bumps(spacing: float, least: int) -> None:
    """Thirty micrometres, 1.2 mm wide: of 20 so many are named at 0.25, 0.5 and 1 mm between points."""
    rng = np.random.default_rng(62)
    hits = 0
    for _ in range(20):
        at = rng.uniform(5e-3, 16e-3)
        rails = _scanned("arc", rng, spacing=spacing, bump=30e-6, at=at)
        found = find_scanned_flaws(_named(rails), break_m=BREAK, exponent=2.0, noise_m=3e-6)
        hits += any(flaw.kind == "bump" and abs(flaw.place_m - at) < 0.8e-3 for flaw in found)
    assert hits >= least


def test_the_zero_of_the_indicator_is_recognised() -> None:
    """Forty micrometres off, a slope of 3 µm a millimetre, both and neither, over 8 mm of table: told within their noise in nine of ten (tilts in eight of ten), and taken off the lay."""
    rng = np.random.default_rng(63)
    x = np.arange(0, BREAK + 8e-3, 1e-4)
    for zero, tilt in ((0.0, 0.0), (40e-6, 0.0), (-15e-6, 0.0), (0.0, 3e-3), (20e-6, -2e-3)):
        wrong = zero + tilt * (x - BREAK - 4.75e-3)
        told = [level(x, arc(x) + wrong + rng.normal(0, 3e-6, len(x))) for _ in range(20)]
        right = [one.table_seen and abs(one.zero_m - zero) < 3e-6 and abs(one.tilt - tilt) < 0.5e-3 for one in told]
        assert sum(right) >= (16 if tilt else 18), (zero, tilt)
        off = np.mean([one.height_m[:50] - arc(x)[:50] for one, fine in zip(told, right, strict=True) if fine], axis=0)
        assert np.abs(off).max() < 1e-5
    short = x < BREAK - 1e-3
    assert not level(x[short], arc(x)[short] + rng.normal(0, 3e-6, int(short.sum()))).table_seen


def test_the_noise_of_points_is_told_from_themselves() -> None:
    """Three micrometres on a curve, with two specks: within 15 %; too few points cannot be smoothed."""
    rng = np.random.default_rng(64)
    y = arc(X) + rng.normal(0, 3e-6, len(X))
    y[[40, 90]] += 5e-5
    assert noise_of(y) == pytest.approx(3e-6, rel=0.15)
    with pytest.raises(PhysicsInputError, match="expected 12 or more"):
        smooth_profile(X[:8], y[:8])


def test_the_smooth_profile_is_that_of_a_kept_library() -> None:
    """Against scipy's smoothing spline with cross-validation (make_smoothing_spline): the same curve within the noise, between the ends."""
    rng = np.random.default_rng(65)
    y = arc(X) + rng.normal(0, 3e-6, len(X))
    theirs = make_smoothing_spline(X * 1e3, y * 1e6)
    ours = smooth_profile(X, y)
    inside = (X > 1e-3) & (X < BREAK - 1e-3)
    assert ours.height_m(X)[inside] * 1e6 == pytest.approx(theirs(X * 1e3)[inside], abs=3.0)
    assert ours.noise_m == pytest.approx(3e-6, rel=0.15)


def test_a_hole_of_a_scan_is_told() -> None:
    """Points a tenth of a millimetre apart without those from 8 to 9.5 mm: that stretch; points a millimetre apart have no hole for that."""
    x = np.arange(0, BREAK + 8e-3, 1e-4)
    kept = (x < 8e-3 - 1e-9) | (x > 9.5e-3 - 1e-9)
    holes = scan_of(x[kept], arc(x)[kept]).holes_m
    assert holes == pytest.approx(np.array([[7.9e-3, 9.5e-3]]))
    assert len(scan_of(x, arc(x)).holes_m) == 0
    assert len(scan_of(x[::10], arc(x)[::10]).holes_m) == 0


@pytest.mark.parametrize("spacing_mm", [0.1, 0.2, 0.3])
def test_specks_are_left_out_and_bumps_are_not(spacing_mm: float) -> None:
    """3 µm of noise: a point 40 µm off is found at its place in 95 of 100, two side by side in 90; none on sound lays, and none in a bump of 100 µm over 1.2 mm.

    Close to the ends of a scan and beside the break a point has too few neighbours on one side, so some are missed there.
    """
    rng = np.random.default_rng(91)
    x = np.arange(0.3e-3, BREAK + 10e-3, spacing_mm * 1e-3)
    one = two = 0
    for _ in range(100):
        y = arc(x) + rng.normal(0, 3e-6, len(x))
        assert find_specks(x, y) == []
        assert find_specks(x, y - 100e-6 * np.exp(-4 * np.log(2) * ((x - 9e-3) / 1.2e-3) ** 2)) == []
        place = int(rng.integers(5, len(x) - 5))
        y[place] += 40e-6
        found = find_specks(x, y)
        one += [at for at, _ in found] == [place] and abs(found[0][1] - 40e-6) < 20e-6
        y[place + 1] += 40e-6
        two += [at for at, _ in find_specks(x, y)] == [place, place + 1]
    assert one >= 95, one
    assert two >= 90, two


def test_a_scan_without_its_specks_is_the_scan_without_those_points() -> None:
    """What is left is the same as a scan in which nobody read those points, and is told apart from what was kept, whatever the order of the rows."""
    rng = np.random.default_rng(92)
    x = np.arange(0.0, BREAK + 8e-3, 1e-4)
    y = arc(x) + rng.normal(0, 3e-6, len(x))
    sound = scan_of(x[x != x[100]], y[x != x[100]])
    y[100] += 50e-6
    order = rng.permutation(len(x))
    found = scan_of(x[order], y[order])
    assert found.specks_m == pytest.approx(np.array([[x[100], 50e-6]]), abs=10e-6)
    assert np.array_equal(found.x_m, sound.x_m)
    assert np.array_equal(found.levelled.height_m, sound.levelled.height_m)
    assert np.array_equal(x[order][found.kept], found.x_m)


def test_a_scan_that_ends_before_the_table_has_the_doubt_of_its_zero() -> None:
    """Where the table is not seen, zero and tilt are known as far as they usually are, at the last point; where it is, better."""
    rng = np.random.default_rng(93)
    x = np.arange(0.0, BREAK + 8e-3, 1e-4)
    y = arc(x) + rng.normal(0, 3e-6, len(x))
    short = x < BREAK - 1e-3
    unseen, seen = level(x[short], y[short]), level(x, y)
    last = float(x[short][-1])
    assert not unseen.table_seen
    assert unseen.lifts_m(np.array([last, last - 5e-3])) == pytest.approx(
        np.array([[USUAL_ZERO_M] * 2, [0.0, -5e-3 * USUAL_TILT]])
    )
    assert seen.u_zero_m < USUAL_ZERO_M / 5


@pytest.mark.parametrize("spacing", [0.5e-3, 0.75e-3, 1e-3])
def test_coarse_scans_show_one_bump_as_one(spacing: float) -> None:
    """Forty micrometres over 1.2 mm on arcs, powers and cubics: one bump at its place in 23 of 24, its height within 10 % on average and within its own range in nine of ten; none on 24 sound ones but one."""
    rng = np.random.default_rng(64)
    alone, false, inside, heights = 0, 0, 0, []
    for number in range(24):
        kind = ("arc", "power 2.3", "cubic")[number % 3]
        exponent = 2.3 if kind.startswith("power") else 2.0
        at = rng.uniform(5e-3, 16e-3)
        rails = _scanned(kind, rng, spacing=spacing, bump=40e-6, at=at)
        found = find_scanned_flaws(_named(rails), break_m=BREAK, exponent=exponent, noise_m=3e-6)
        alone += len(found) == 1 and abs(found[0].place_m - at) < 0.5e-3
        for flaw in found[:1]:
            heights.append(-flaw.height_m)
            inside += abs(flaw.height_m + 40e-6) < 2 * flaw.u_height_m
        sound = _scanned(kind, rng, spacing=spacing)
        false += bool(find_scanned_flaws(_named(sound), break_m=BREAK, exponent=exponent, noise_m=3e-6))
    assert alone >= 23
    assert float(np.mean(heights)) == pytest.approx(40e-6, rel=0.1)
    assert inside >= 21
    assert false <= 1


def test_points_too_far_apart_to_size_a_bump_say_so() -> None:
    """Two and a half millimetres wide and 15 times the noise, points 1.5 mm apart: where heights that fit differ by most of it, it is not sized; at 0.25 mm every one is."""
    rng = np.random.default_rng(65)
    unsized = {1.5e-3: 0, 0.25e-3: 0}
    for spacing in unsized:
        x = np.arange(0, BREAK + 5e-3, spacing)
        for _ in range(12):
            at = rng.uniform(6e-3, 15e-3)
            shape = _lay(x, "arc") - 45e-6 * np.exp(-4 * np.log(2) * ((x - at) / 2.4e-3) ** 2)
            rails = [(x, shape + rng.normal(0, 3e-6, len(x))) for _ in range(2)]
            found = find_scanned_flaws(_named(rails), break_m=BREAK, exponent=2.0, noise_m=3e-6)
            unsized[spacing] += any(not flaw.sized for flaw in found)
            for flaw in found:
                assert flaw.sized or flaw.u_height_m > 0.15 * abs(flaw.height_m)
    assert unsized[0.25e-3] == 0
    assert unsized[1.5e-3] >= 3


@pytest.mark.parametrize("step_um", [1.0, 2.0, 5.0, 10.0])
def test_the_table_is_found_in_steps_of_the_indicator(step_um: float) -> None:
    """Heights read to 1 to 10 µm: the table is seen in 58 of 60 scans at every spacing, no point is a speck, and the noise is the step's or more."""
    rng = np.random.default_rng(66)
    seen = specks = 0
    for number in range(60):
        end = rng.uniform(20e-3, 27e-3)
        x = np.arange(0, 36e-3, (0.1e-3, 0.25e-3, 0.5e-3, 1e-3)[number % 4])
        height = 2.5e-3 * np.clip(1 - x / end, 0, None) ** 2 + rng.normal(0, 1e-6, len(x))
        step = step_um * 1e-6
        scan = scan_of(x, np.round(height / step) * step)
        seen += scan.levelled.table_seen
        specks += len(scan.specks_m)
        assert scan.levelled.noise_m >= 0.99 * step / np.sqrt(12)
    assert seen >= 58
    assert specks <= 1


def test_a_tilt_that_too_little_table_can_tell_stays_in_the_doubt() -> None:
    """One and eight millimetres of table behind the break: the short one tells no tilt, and its doubt is the usual one; the long one tells it."""
    rng = np.random.default_rng(67)
    for table, told in ((2e-3, False), (9e-3, True)):
        x = np.arange(0, BREAK + table, 0.25e-3)
        found = level(x, arc(x) + 2e-3 * (x - BREAK) + rng.normal(0, 3e-6, len(x)))
        assert found.tilt_seen == told
        if told:
            assert found.tilt == pytest.approx(2e-3, abs=3e-4 + 4 * found.u_tilt)
            assert found.u_tilt < USUAL_TILT / 2
        else:
            assert found.tilt == 0.0
            assert found.u_tilt == pytest.approx(USUAL_TILT)


@pytest.mark.parametrize("kind", ["gaussian 0.6 mm", "raised cosine", "flat top", "one rail"])
def test_bumps_of_other_shapes_are_one_bump_each(kind: str) -> None:
    """Forty micrometres of other shapes than is sought, points 0.25 mm apart: one bump in 12 of 12, its height within its own range in nine; one that is on a rail alone is named there, whole."""
    rng = np.random.default_rng(68)
    x = np.arange(0, BREAK + 6e-3, 0.25e-3)
    inside = 0
    for _ in range(12):
        off = np.abs(x - rng.uniform(6e-3, 15e-3))
        shape = {
            "gaussian 0.6 mm": np.exp(-4 * np.log(2) * (off / 0.6e-3) ** 2),
            "raised cosine": np.where(off < 0.6e-3, 0.5 + 0.5 * np.cos(np.pi * off / 0.6e-3), 0.0),
            "flat top": 1 / (1 + (2 * off / 1.5e-3) ** 12),
            "one rail": np.exp(-4 * np.log(2) * (off / 1.2e-3) ** 2),
        }[kind]
        on = (40e-6, 0.0) if kind == "one rail" else (40e-6, 40e-6)
        rails = [(x, _lay(x, "arc") - size * shape + rng.normal(0, 3e-6, len(x))) for size in on]
        (flaw,) = find_scanned_flaws(_named(rails), break_m=BREAK, exponent=2.0, noise_m=3e-6)
        inside += abs(flaw.height_m + 40e-6) < 2 * flaw.u_height_m
        assert flaw.rail == ("left" if kind == "one rail" else None)
    assert inside >= 9


@pytest.mark.parametrize(("spacing", "shape"), [(0.1e-3, "flat top"), (0.5e-3, "flat top"), (0.5e-3, "bell"), (1e-3, "bell")])
def test_wide_bumps_are_bumps_as_high_as_they_are(spacing: float, shape: str) -> None:
    """Forty micrometres over 3.5 mm, bells and flat tops: one bump in 12 of 12 (11 where points are 1 mm apart) and never a flat beside it, its height within 10 % on average and within its own range in all but one."""
    rng = np.random.default_rng(5)
    x = np.arange(0, BREAK + 6e-3, spacing)
    heights, inside = [], 0
    for number in range(12):
        kind, exponent = (("arc", 2.0), ("power 2.3", 2.3), ("cubic", 2.0))[number % 3]
        off = np.abs(x - rng.uniform(6e-3, 15e-3)) / 3.5e-3
        bump = 1 / (1 + (2 * off) ** 12) if shape == "flat top" else np.exp(-4 * np.log(2) * off**2)
        rails = [(x, _lay(x, kind) - 40e-6 * bump + rng.normal(0, 3e-6, len(x))) for _ in range(2)]
        found = find_scanned_flaws(_named(rails), break_m=BREAK, exponent=exponent, noise_m=3e-6)
        assert len(found) <= 1
        for flaw in found:
            assert flaw.kind == "bump"
            heights.append(-flaw.height_m)
            inside += abs(flaw.height_m + 40e-6) < 2 * flaw.u_height_m
    assert len(heights) >= (12 if spacing < 1e-3 else 11)
    assert float(np.mean(heights)) == pytest.approx(40e-6, rel=0.1)
    assert inside >= len(heights) - 1


def test_bumps_on_one_rail_of_a_scan_are_told_there() -> None:
    """Forty micrometres of four shapes, 1.5 to 3.5 mm wide, on one rail, 4 µm of noise: every one is named on that rail, alone, sure by more than twice its own doubt, and holds the truth in all but three of 24."""
    rng = np.random.default_rng(71)
    inside = 0
    for number in range(24):
        x = np.arange(0, BREAK + 6e-3, (0.1e-3, 0.25e-3, 0.5e-3)[number % 3])
        width, rail = (1.5e-3, 2.5e-3, 3.5e-3)[number // 3 % 3], number % 2
        off = np.abs(x - rng.uniform(6e-3, 15e-3)) / width
        shape = (
            np.exp(-4 * np.log(2) * off**2),
            1 / (1 + (2 * off) ** 12),
            np.clip(1 - off, 0, None),
            (off < 0.5) * 1.0,
        )[number // 6]
        rails = [(x, _lay(x, "arc") - 40e-6 * shape * (side == rail) + rng.normal(0, 4e-6, len(x))) for side in (0, 1)]
        (flaw,) = find_scanned_flaws(_named(rails), break_m=BREAK, exponent=2.0, noise_m=4e-6)
        assert flaw.rail == ("left", "right")[rail]
        assert abs(flaw.height_m) > 2 * flaw.u_height_m
        inside += abs(flaw.height_m + 40e-6) < 2 * flaw.u_height_m
    assert inside >= 21


@pytest.mark.parametrize("spacing", [0.5e-3, 1e-3])
def test_a_large_speck_is_dust_at_any_spacing(spacing: float) -> None:
    """A grain of 0.1 mm on one point, on the lay or on the table, at points too far apart for small ones to be told from bumps; a bump of 40 µm over 1.5 mm stays."""
    x = np.arange(0, BREAK + 15e-3, spacing)
    for at in (12, len(x) - 6):
        y = arc(x)
        y[at] += 0.1e-3
        assert [place for place, _ in find_specks(x, y)] == [at]
    bump = 40e-6 * np.exp(-(((x - 12e-3) / 0.8e-3) ** 2))
    assert find_specks(x, arc(x) - bump) == []


def test_a_level_table_of_coarse_points_is_not_tilted_by_its_end() -> None:
    """Points a millimetre apart, 15 mm of level table, 3 µm of noise: in 400 scans a tilt of more than 1.5 µm a millimetre is taken off in at most 2, and the table is seen in all."""
    rng = np.random.default_rng(67)
    x = np.arange(0, BREAK + 15e-3, 1e-3)
    found = [level(x, arc(x) + rng.normal(0, 3e-6, len(x))) for _ in range(400)]
    assert all(one.table_seen for one in found)
    assert sum(abs(one.tilt) > 1.5e-3 for one in found) <= 2
