"""From a batch of clamped reeds to the numbers a player feels, per unit modulus.

Closing pressure, stiffness and lip area hold for every modulus once multiplied by it, the closing share for every modulus
once the lip force is written as the share of the closing pressure that it takes away. So one :class:`Closing` serves every
strength of a profile.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from matchkit.errors import ContactError
from matchkit.physics.contact import Beams, solve_contact, tip_slope

Array = NDArray[np.float64]

UPPER_GAP, LOWER_GAP = 0.9, 0.5
"""The closing pressure is read off the line through the tip gap at these shares of the tip opening."""

LIP_SHARES = np.linspace(0.0, 0.9, 10)
"""Shares of the closing pressure taken away by the lip at which the closing share is computed; straight between them."""

_REACH = 12.0
_EXACT = 1e-13
_MOST_STEPS = 100


@dataclass(frozen=True)
class Closing:
    """How each reed of a batch closes; every array (B,) unless it says otherwise.

    ``pressure_per_modulus``      closing pressure over E.
    ``tip_opening_m``             lay height at the tip.
    ``rest_area_m2``              jet area at rest, without lip.
    ``area_slope_m2``             loss of jet area per unit p/E before anything touches.
    ``lip_area_m2``               S_lip: a lip force F lowers the closing pressure by F / S_lip.
    ``share``                     (B, len(LIP_SHARES)) jet area at the lowered closing pressure over that at rest.
    ``first_contact_m``           where the reed first meets the lay, from the tip.
    ``first_contact_per_modulus`` the p/E at which it does.
    """

    pressure_per_modulus: Array
    tip_opening_m: Array
    rest_area_m2: Array
    area_slope_m2: Array
    lip_area_m2: Array
    share: Array
    first_contact_m: Array
    first_contact_per_modulus: Array


def area_weights(beams: Beams, *, tip_width_m: Array, lip_m: Array) -> Array:
    """Return the weights (B, CELLS+1) that turn nodal gaps into the jet area.

    ``S = w_tip gap(0) + 2 * integral of gap dx`` from the tip to the lip's place (``lip_m``, (B,)), contraction 1, the gap taken as
    straight between nodes; the reed's two sides leak as well as its tip.
    """
    x = beams.x_m
    start, stop = x[:, 1:], x[:, :-1]
    reach = np.clip((np.asarray(lip_m)[:, None] - start) / (stop - start), 0.0, 1.0)
    length = (stop - start) * reach
    weights = np.zeros_like(x)
    weights[:, 1:] += 2 * length * (1 - reach / 2)
    weights[:, :-1] += 2 * length * reach / 2
    weights[:, -1] += tip_width_m
    return weights


def pressure_at_gap(beams: Beams, *, share: float) -> Array:
    """Return the p/E (B,) at which the tip gap is ``share`` of the tip opening.

    Before contact the gap is linear in the pressure. Where something touches earlier, that pressure is too low (a lay can only
    hold the tip up), and the right one lies between it and twelve times as much. The gap is a broken line of the pressure, so Newton's
    steps along its pieces end on the root itself; one that leaves the bracket is replaced by halving it. Raises ContactError where
    the gap is not that small at twelve times the pressure.
    """
    opening = beams.lay_m[:, -1]
    by_pressure = beams.deflection_per_pressure_m()
    pressure = np.asarray((1 - share) * opening / by_pressure[:, -1])
    rows = np.flatnonzero((beams.lay_m - pressure[:, None] * by_pressure).min(axis=1) < 0)
    low, high = pressure.copy(), _REACH * pressure
    for _ in range(_MOST_STEPS):
        if not len(rows):
            return pressure
        part = beams.take(rows)
        trial = pressure[rows]
        solution = solve_contact(part, pressure_per_modulus=trial)
        miss = solution.tip_gap_m - share * opening[rows]
        low[rows] = np.where(miss > 0, trial, low[rows])
        high[rows] = np.where(miss < 0, trial, high[rows])
        slope = tip_slope(part, solution)
        step = trial - np.divide(miss, slope, out=np.full_like(miss, np.inf), where=slope < 0)
        inside = (step > low[rows]) & (step < high[rows])
        open_ = (np.abs(miss) > _EXACT * opening[rows]) & (high[rows] - low[rows] > _EXACT * trial)
        pressure[rows] = np.where(open_, np.where(inside, step, (low[rows] + high[rows]) / 2), trial)
        if np.any(pressure[rows] > _REACH * (1 - 1e-9) * (1 - share) * opening[rows] / by_pressure[rows, -1]):
            break
        rows = rows[open_]
    raise ContactError(f"the pressure that leaves a tip gap of {share:g} of the opening was not found")


def close_reeds(beams: Beams, *, tip_width_m: Array, lip_m: Array) -> Closing:
    """Compute how a batch of reeds closes.

    Closing pressure: the line through the tip gap at 0.9 and 0.5 of the tip opening, from the contact solution, carried on to
    zero (the closing pressure of Gazengel et al. 2025 is likewise read off the linear part).
    """
    opening = beams.lay_m[:, -1]
    by_pressure = beams.deflection_per_pressure_m()
    by_force = beams.deflection_per_force_m()
    upper = pressure_at_gap(beams, share=UPPER_GAP)
    lower = pressure_at_gap(beams, share=LOWER_GAP)
    closing = upper + (lower - upper) * UPPER_GAP / (UPPER_GAP - LOWER_GAP)
    weights = area_weights(beams, tip_width_m=tip_width_m, lip_m=lip_m)
    rest = (weights * beams.lay_m).sum(axis=1)
    lip_area = by_pressure[:, -1] / by_force[:, -1]
    count, shares = len(beams), len(LIP_SHARES)
    rows = np.repeat(np.arange(count), shares)
    taken: Array = np.tile(LIP_SHARES, count)
    force = taken * (closing * lip_area)[rows]

    def area(pressure: Array | float) -> Array:
        solved = solve_contact(beams, pressure_per_modulus=pressure, force_per_modulus_m2=force, rows=rows)
        return np.asarray(np.einsum("bsn,bn->bs", solved.gap_m.reshape(count, shares, -1), weights))

    share = area(closing[rows] * (1 - taken)) / area(0.0)
    room = beams.lay_m[:, 1:] / by_pressure[:, 1:]
    first = room.argmin(axis=1)
    everything = np.arange(count)
    return Closing(
        pressure_per_modulus=closing,
        tip_opening_m=opening,
        rest_area_m2=rest,
        area_slope_m2=(weights * by_pressure).sum(axis=1),
        lip_area_m2=lip_area,
        share=share,
        first_contact_m=beams.x_m[everything, first + 1],
        first_contact_per_modulus=room[everything, first],
    )


def closing_share(closing: Closing, rows: NDArray[np.intp], *, lip_share: Array) -> Array:
    """Return the closing share of ``rows`` at ``lip_share``, the share of the closing pressure that the lip takes away.

    Straight between the computed shares; held at the ends (0 and 0.9).
    """
    place = np.clip(np.asarray(lip_share, dtype=float), LIP_SHARES[0], LIP_SHARES[-1]) / (LIP_SHARES[1] - LIP_SHARES[0])
    left = np.minimum(place.astype(np.intp), len(LIP_SHARES) - 2)
    part = place - left
    return np.asarray(closing.share[rows, left] * (1 - part) + closing.share[rows, left + 1] * part)


def sensitivity_to_clamp_per_m(*, clamp_m: Array, second_moment_m4: Array, moment_m3: Array, tip_deflection_m: Array) -> Array:
    """Return d ln(PM) / d(clamp place): ``-x_c M(x_c) / (I(x_c) y_p(0))``, exact before contact, in 1/m.

    ``second_moment_m4`` and ``moment_m3`` (unit pressure) are those at the clamp, ``tip_deflection_m`` is per unit p/E.
    """
    return -clamp_m * moment_m3 / (second_moment_m4 * tip_deflection_m)
