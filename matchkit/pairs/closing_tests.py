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
from typing import ClassVar

import numpy as np
from numpy.typing import NDArray

from matchkit import constants
from matchkit.errors import RequestError
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

_ROUNDS = 50


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
    """Whether any reed was tested wet; otherwise wetting stays in doubt."""
    setups: tuple[TestedSetUp, ...]


def predicted_force_n(parts: Parts, tests: Sequence[ClosingTest]) -> Array:
    """Return the force (N,) each test should take, in the state the reed was tested in and at no scale of the house's own.

    Raises UnknownIdError, and RequestError for a feeler as thick as the tip opening or a place behind the clamp.
    """
    found = np.zeros(len(tests))
    for row, test in enumerate(tests):
        facing, reed = parts.facing(test.mouthpiece_id), parts.reed(test.reed_id)
        if facing.mouthpiece.instrument != reed.reed.instrument:
            raise RequestError(f"closing test of {facing.id} with {reed.id}: they are for different instruments")
        tip = facing.lay.tip_opening_m
        if test.gap_mm * MM >= tip:
            raise RequestError(
                f"closing test of {facing.id} with {reed.id}: a feeler of {test.gap_mm:g} mm at a tip of {tip / MM:.2f} mm; expected a thinner one"
            )
        if test.place_mm * MM + BAR_M > facing.facing_length_m:
            raise RequestError(
                f"closing test of {facing.id} with {reed.id}: pressed {test.place_mm:g} mm from the tip, behind the end of the facing"
            )
        nodes = nodes_of([facing])
        beams = build_beams(
            nodes_m=nodes,
            lay_m=facing.lay.height_m(nodes),
            second_moment_m4=reed.shape.second_moment_m4(quadrature_places_m(nodes)),
            width_m=np.array([facing.load_width_m]),
            lip_m=np.array([test.place_mm * MM]),
            lip_spread_m=BAR_M,
        )
        per_modulus = float(load_at_gap(beams, share=test.gap_mm * MM / tip, by="lip").load[0])
        wetted = parts.stock.spec.wet_factor if reed.reed.material == "cane" and test.state == "dry" else 1.0
        found[row] = per_modulus * reed.modulus_pa / reed.scale_factor / wetted
    return found


def house_scale(parts: Parts, tests: Sequence[ClosingTest]) -> ScaleReport | None:
    """Return what closing tests say of the scale; None where there are none."""
    if not tests:
        return None
    predicted = predicted_force_n(parts, tests)
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
    by_piece = np.sqrt(doubt["tip"] ** 2 + doubt["facing"] ** 2)
    by_reed = np.sqrt(doubt["stiffness"] ** 2 + doubt["profile"] ** 2)
    dry = np.array(
        [
            all(tests[row].state == "dry" for row in setups[name]) and parts.reed(name[1]).reed.material == "cane"
            for name in names
        ]
    )
    pieces, reeds = (np.array([name[place] for name in names]) for place in (0, 1))
    common = constants.U_TEST_METHOD.value**2 + _alike(dry, constants.WET_FACTOR.u / constants.WET_FACTOR.value)
    common = common + _alike(pieces, by_piece) + _alike(reeds, by_reed)
    # mounting the reed again is part of each reading, where it stands on the tip rail is not
    own = doubt["reed place"] ** 2 + constants.U_TEST_READING.value**2 / count
    prior = constants.U_SCALE_WHOLE.value
    weight = np.ones(len(names))
    for _ in range(_ROUNDS):
        centre, variance, off = _combine(mean, common + np.diag(own / weight), prior)
        fresh = (DEGREES + 1) / (DEGREES + off**2)
        if np.allclose(fresh, weight, rtol=1e-10):
            break
        weight = fresh
    u = math.sqrt(variance)
    return ScaleReport(
        factor=math.exp(centre),
        u_pct=u / PERCENT,
        before_pct=prior / PERCENT,
        wet=not dry.all(),
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


def _combine(mean: Array, covariance: Array, prior: float) -> tuple[float, float, Array]:
    """Return the scale, its variance, and how far each set-up lies from what the rest says, in standard deviations."""
    whole = covariance + prior**2
    inverse = np.linalg.inv(whole)
    gain = prior**2 * inverse.sum(axis=0)
    centre = float(gain @ mean)
    variance = prior**2 - float(gain.sum()) * prior**2
    return centre, variance, (inverse @ mean) / np.sqrt(np.diag(inverse))  # leave-one-out residuals of a Gaussian
