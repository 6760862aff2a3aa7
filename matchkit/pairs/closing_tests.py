"""The house's absolute scale, from reeds pressed shut with a kitchen scale.

A narrow bar presses on the mounted reed at a known place until a feeler of known thickness is just held at the tip. The contact solution
says what force that takes; what was measured over that is the scale of the whole house, with what else may be wrong:
``ln(measured/predicted) = scale + method + mouthpiece + reed + reading``. Scale, method and, for reeds tested dry, the wetting are common
to all tests, mouthpiece and reed to those of one piece or one reed. They are combined by generalised least squares (Aitken 1935), a
set-up that lies far off counting less (Student's t with four degrees, by repeated weighting: Lange, Little and Taylor 1989, from memory).
"""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass
from typing import ClassVar, Literal

import numpy as np
from numpy.typing import NDArray

from matchkit import constants
from matchkit.pairs.contacts import Contacts, nodes_of
from matchkit.pairs.table import pair_list
from matchkit.parts.stock import Parts
from matchkit.physics.beams import build_beams, quadrature_places_m
from matchkit.physics.closing import load_at_gap
from matchkit.records.calibration import ClosingTest
from matchkit.results import Answer
from matchkit.units import MM, N_PER_GRAM, PERCENT

Array = NDArray[np.float64]

BAR_M = 0.5 * MM
"""Width of the bar that presses; a narrow one."""

DEGREES = 4.0
"""Degrees of freedom of the t distribution of a set-up's error (assumed)."""

ODD = 3.0
"""A set-up further off than so many standard deviations is named."""

MOST_GAP = 0.6
"""A feeler may take up this share of the tip opening; a thicker one hangs too much on how well the tip is known."""

FAR = 4.0
"""A test so many times from what is predicted is a slip and no scale."""

_REACHED_M = 1e-7
_ROUNDS = 500


@dataclass(frozen=True)
class TestedSetUp:
    """One set-up that was pressed shut: mean of its readings over what is predicted, and how much it counts.

    ``off`` is how far it lies from what the others say, in standard deviations; ``odd`` where that is more than three.
    """

    mouthpiece_id: str
    reed_id: str
    readings: int
    measured_g: float
    predicted_g: float
    ratio: float
    u_ratio: float
    weight: float
    off: float
    odd: bool


Why = Literal["another instrument", "feeler too thick", "pressed too far back", "far from any scale"]
"""Why a closing test is not used."""


@dataclass(frozen=True)
class Unused:
    """A closing test that is not used, and why."""

    mouthpiece_id: str
    reed_id: str
    place_mm: float
    gap_mm: float
    mass_g: float
    why: Why


@dataclass(frozen=True)
class ScaleReport(Answer):
    """What the closing tests of a house say of its absolute scale; ``before_pct`` is the doubt without them."""

    schema: ClassVar[str] = "scale"
    table_of: ClassVar[str] = "setups"
    row_type: ClassVar[type] = TestedSetUp

    factor: float
    u_pct: float
    before_pct: float
    wet: bool
    """Whether any cane reed was tested wet; otherwise wetting stays in doubt."""
    of_labels: bool
    """Whether all the reeds are known by their strength number only, so that the scale stands for the cane too."""
    setups: tuple[TestedSetUp, ...]
    unused: tuple[Unused, ...]
    """Tests that cannot be used, such as one with a feeler nearly as thick as the tip opening."""


def predicted_force_n(parts: Parts, test: ClosingTest) -> float | Why:
    """Return the force in N a test should take, in the state the reed was tested in and at no scale of the house's own, or why it cannot be."""
    facing, reed = parts.facing(test.mouthpiece_id), parts.reed(test.reed_id)
    if facing.mouthpiece.instrument != reed.reed.instrument:
        return "another instrument"
    tip, gap_m = facing.lay.tip_opening_m, test.gap_mm * MM
    if gap_m > MOST_GAP * tip:
        return "feeler too thick"
    if test.place_mm * MM + BAR_M > facing.facing_length_m:
        return "pressed too far back"
    nodes = nodes_of([facing])
    beams = build_beams(
        nodes_m=nodes,
        lay_m=facing.lay.height_m(nodes),
        second_moment_m4=reed.shape.second_moment_m4(quadrature_places_m(nodes)),
        width_m=np.array([facing.load_width_m]),
        lip_m=np.array([test.place_mm * MM]),
        lip_spread_m=BAR_M,
    )
    pressed = load_at_gap(beams, share=gap_m / tip, by="lip")
    if abs(pressed.solution.tip_gap_m[0] - gap_m) > _REACHED_M:
        return "pressed too far back"  # the reed lies on the facing before the tip comes down to the feeler
    wetted = parts.stock.spec.wet_factor if reed.reed.material == "cane" and test.state == "dry" else 1.0
    return float(pressed.load[0]) * reed.modulus_pa / reed.scale_factor / wetted


def sorted_out(parts: Parts, tests: Sequence[ClosingTest]) -> tuple[list[tuple[ClosingTest, float]], tuple[Unused, ...]]:
    """Return the tests that can be used with what each is predicted to take, and those that cannot, each with its reason."""
    used, unused = [], []
    for test in tests:
        found = predicted_force_n(parts, test)
        if isinstance(found, float) and abs(math.log(test.mass_g * N_PER_GRAM / found)) > math.log(FAR):
            found = "far from any scale"
        if isinstance(found, float):
            used.append((test, found))
        else:
            unused.append(Unused(test.mouthpiece_id, test.reed_id, test.place_mm, test.gap_mm, test.mass_g, found))
    return used, tuple(unused)


def house_scale(parts: Parts, tests: Sequence[ClosingTest]) -> ScaleReport | None:
    """Return what closing tests say of the scale; None where there are none that can be used."""
    used, unused = sorted_out(parts, tests)
    if not used:
        return None
    tests, predicted = [test for test, _ in used], np.array([force for _, force in used])
    setups: dict[tuple[str, str], list[int]] = defaultdict(list)
    for row, test in enumerate(tests):
        setups[test.mouthpiece_id, test.reed_id].append(row)
    names = sorted(setups)
    measured = np.array([test.mass_g * N_PER_GRAM for test in tests])
    ratio = np.log(measured / predicted)
    mean = np.array([ratio[setups[name]].mean() for name in names])
    count = np.array([len(setups[name]) for name in names])
    pairs = pair_list(Contacts(), [(parts.facing(piece), parts.reed(reed)) for piece, reed in names], lip_m=10 * MM)
    doubt = pairs.uncertainty(u_profile_m=parts.stock.spec.gauge.u_profile_mm * MM).by_name
    # a force brings the tip down to the feeler: what is not known of either is a larger part of that than of the tip opening
    tips = np.array([parts.facing(piece).lay.tip_opening_m for piece, _ in names])
    gaps = np.array([np.mean([tests[row].gap_mm for row in setups[name]]) * MM for name in names])
    doubt["tip"] = doubt["tip"] * tips / (tips - gaps)
    by_feeler = parts.stock.spec.gauge.u_feeler_mm * MM / (tips - gaps)
    by_piece = np.sqrt(doubt["tip"] ** 2 + doubt["facing"] ** 2)
    by_reed = np.sqrt(doubt["stiffness"] ** 2 + doubt["profile"] ** 2)
    # a reed tested dry says nothing of wetting, nor does one whose modulus rests on no wet factor: synthetic, or read wet
    dry = np.array(
        [
            all(tests[row].state == "dry" for row in setups[name]) or parts.reed(name[1]).reed.material != "cane"
            for name in names
        ]
    )
    pieces, reeds = (np.array([name[place] for name in names]) for place in (0, 1))
    label = np.array([parts.reed(reed).basis == "label" for _, reed in names])
    wet_u = constants.WET_FACTOR.u / constants.WET_FACTOR.value
    # what the scale is made of: how reeds are held, how they soften, and the cane itself where no reading of this house fixes it
    cane = constants.U_MODULUS.value if label.all() else 0.0
    prior = math.sqrt(constants.U_HELD.value**2 + wet_u**2 + cane**2)
    common = constants.U_TEST_METHOD.value**2 + _alike(pieces, by_piece) + _alike(reeds, by_reed)
    if not label.all():
        common = common + _alike(label, constants.U_MODULUS.value)
    seen = _alike(~dry, wet_u) + constants.U_HELD.value**2 + cane**2
    told = np.where(dry, prior**2 - wet_u**2, prior**2)
    # mounting the reed again is part of each reading, where it stands on the tip rail is not
    own = doubt["reed place"] ** 2 + by_feeler**2 + constants.U_TEST_READING.value**2 / count
    weight = np.ones(len(names))
    for _ in range(_ROUNDS):
        centre, variance, off = _combine(mean, common + seen + np.diag(own / weight), told, prior)
        # half a step in the logarithm settles where a whole one swings
        fresh = np.sqrt(weight * (DEGREES + 1) / (DEGREES + off**2))
        if np.allclose(fresh, weight, rtol=1e-10):
            break
        weight = fresh
    u = math.sqrt(variance)
    stated = np.diag(common + seen) + own
    off = np.array([_off(mean, common + seen + np.diag(own / weight), row, stated[row]) for row in range(len(names))])
    return ScaleReport(
        factor=math.exp(centre),
        u_pct=u / PERCENT,
        before_pct=prior / PERCENT,
        wet=not dry.all(),
        of_labels=bool(label.all()),
        unused=unused,
        setups=tuple(
            TestedSetUp(
                *name,
                readings=int(count[row]),
                measured_g=float(np.exp(np.log(measured[setups[name]]).mean()) / N_PER_GRAM),
                predicted_g=float(np.exp(np.log(predicted[setups[name]]).mean()) / N_PER_GRAM),
                ratio=float(np.exp(mean[row])),
                u_ratio=float(np.sqrt(common[row, row] + own[row])),
                weight=float(min(weight[row], 1.0)),
                off=float(off[row]),
                odd=bool(abs(round(off[row], constants.DECIMALS)) > ODD),
            )
            for row, name in enumerate(names)
        ),
    )


def _alike(names: NDArray, sd: Array | float) -> Array:  # type: ignore[type-arg]
    """Return the covariance of an error that all share whose name is the same; a flag counts where it is true."""
    same = names[:, None] & names[None, :] if names.dtype == bool else names[:, None] == names[None, :]
    each = np.broadcast_to(np.asarray(sd, dtype=float), len(names))
    return np.asarray(same * np.outer(each, each))


def _combine(mean: Array, whole: Array, told: Array, prior: float) -> tuple[float, float, Array]:
    """Return the scale, its variance, and how far each set-up lies from what the rest says, in standard deviations.

    ``whole`` (n, n) is the covariance of the means, ``told`` (n,) theirs with the scale, ``prior`` the scale's own standard deviation.
    """
    inverse = np.linalg.inv(whole)
    gain = told @ inverse
    return float(gain @ mean), float(prior**2 - gain @ told), (inverse @ mean) / np.sqrt(np.diag(inverse))


def _off(mean: Array, whole: Array, row: int, stated: float) -> float:
    """Return how far one set-up lies from what the rest says, with the variance that is ``stated`` of it and not the one that forgave it."""
    rest = np.delete(np.arange(len(mean)), row)
    if not len(rest):
        return float(mean[row] / math.sqrt(stated))
    gain = np.linalg.solve(whole[np.ix_(rest, rest)], whole[rest, row])
    return float((mean[row] - gain @ mean[rest]) / math.sqrt(stated - gain @ whole[rest, row]))
