"""From a batch of clamped reeds to the numbers a player feels, per unit modulus.

Closing pressure, stiffness and lip area hold for every modulus once multiplied by it, the closing share for every modulus
once the lip force is written as the share of the closing pressure that it takes away. So one :class:`Closing` serves every
strength of a profile.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from matchkit.errors import ContactError
from matchkit.physics.beams import Beams
from matchkit.physics.contact import ContactSolution, Load, gap_slope, solve_contact

Array = NDArray[np.float64]

UPPER_GAP, LOWER_GAP = 0.9, 0.5
"""The closing pressure is read off the line through the tip gap at these shares of the tip opening."""

LIP_REACH = 0.65
"""Share of the facing length beyond which no lip is taken to rest: further back it only presses the reed onto the lay."""

LIP_SHARES = np.array([0.0, 0.2, 0.4, 0.6, 0.8])
"""Shares of the closing pressure taken away by the lip at which the closing share is computed; straight between them, held beyond."""

LIP_GAPS = 0.75, 0.40
"""The lip area is read off the lip forces that leave these shares of the tip opening: about a quarter and 0.6 of the closing pressure."""

_REACH = 12.0
_EXACT = 1e-13
_LEAST_SUNK = 1e-9
_MOST_STEPS = 100


@dataclass(frozen=True)
class Closing:
    """How each reed of a batch closes; every array (B,) unless it says otherwise.

    ``pressure_per_modulus``      closing pressure over E.
    ``tip_opening_m``             lay height at the tip.
    ``rest_area_m2``              jet area at rest, without lip.
    ``area_slope_m2``             loss of jet area per unit p/E, from rest to nine tenths of the opening.
    ``lip_area_m2``               S_lip: a lip force F lowers the closing pressure by F / S_lip; the secant over :data:`LIP_GAPS`.
    ``share``                     (B, len(LIP_SHARES)) jet area at the lowered closing pressure over that at rest.
    ``first_contact_m``           where the reed meets the lay next after nine tenths of the opening, from the tip.
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


@dataclass(frozen=True)
class AtGap:
    """The load (B,) that leaves ``share`` of the tip opening, per unit modulus, and the contact solution there."""

    share: float
    load: Array
    solution: ContactSolution


def load_at_gap(beams: Beams, *, share: float, by: Load = "pressure", near: AtGap | None = None) -> AtGap:
    """Return the p/E, or the lip's F/E, at which the tip gap is ``share`` of the tip opening.

    A reed that bent freely would reach it at the least load (a lay can only hold the tip up); the right one lies between that and twelve
    times as much. The gap is a broken line of the load, so Newton's steps along its pieces end on the root itself; one that leaves the
    bracket is replaced by halving it. ``near`` is another gap under the same load, to begin from. A lip so far
    back that it only presses the reed onto the lay never gets there: the last force that was tried stands then. Raises ContactError where
    the gap is not that small at twelve times the pressure.
    """
    opening = beams.lay_m[:, -1]
    free = (beams.deflection_per_pressure_m() if by == "pressure" else beams.deflection_per_force_m())[:, -1]
    least = (1 - share) * opening / free
    load: Array = np.asarray(least.copy())
    low, high = load.copy(), _REACH * load
    gap, force = np.empty_like(beams.lay_m), np.zeros_like(beams.lay_m)
    if near is not None:
        force[:] = near.solution.force_per_modulus_m2
        start = near.load + (share - near.share) * opening / gap_slope(beams, near.solution, by=by)[:, -1]
        load = np.clip(start, least, high)
    rows = np.arange(len(beams))
    for _ in range(_MOST_STEPS):
        if not len(rows):
            return AtGap(share, load, ContactSolution(gap, force, 0))
        part = beams if len(rows) == len(beams) else beams.take(rows)
        trial = load[rows]
        solution = solve_contact(
            part,
            pressure_per_modulus=trial if by == "pressure" else 0.0,
            force_per_modulus_m2=trial if by == "lip" else 0.0,
            near=force[rows] > 0,
        )
        gap[rows], force[rows] = solution.gap_m, solution.force_per_modulus_m2
        miss = solution.tip_gap_m - share * opening[rows]
        low[rows] = np.where(miss > 0, trial, low[rows])
        high[rows] = np.where(miss < 0, trial, high[rows])
        slope = gap_slope(part, solution, by=by)[:, -1]
        step = trial - np.divide(miss, slope, out=np.full_like(miss, np.inf), where=slope < 0)
        inside = (step > low[rows]) & (step < high[rows])
        open_ = (np.abs(miss) > _EXACT * opening[rows]) & (high[rows] - low[rows] > _EXACT * trial)
        load[rows] = np.where(open_, np.where(inside, step, (low[rows] + high[rows]) / 2), trial)
        beyond = load[rows] > _REACH * (1 - 1e-9) * least[rows]
        if beyond.any():
            if by == "pressure":
                break
            load[rows] = np.where(beyond, trial, load[rows])
        rows = rows[open_ & ~beyond]
    raise ContactError(f"the load that leaves a tip gap of {share:g} of the opening was not found")


def _as_lip(beams: Beams, pressed: AtGap) -> AtGap:
    """Return about the lip force that does what a pressure did: as strong at the tip, as long as the same nodes touch."""
    by_pressure, by_lip = (gap_slope(beams, pressed.solution, by=load)[:, -1] for load in ("pressure", "lip"))
    return replace(pressed, load=pressed.load * by_pressure / by_lip)


def closing_pressure_per_modulus(beams: Beams) -> Array:
    """Return PM over E (B,) alone: what :func:`close_reeds` says of it, without the rest."""
    upper = load_at_gap(beams, share=UPPER_GAP)
    return _carried_on(upper.load, load_at_gap(beams, share=LOWER_GAP, near=upper).load)


def _carried_on(upper: Array, lower: Array) -> Array:
    return np.asarray(upper + (lower - upper) * UPPER_GAP / (UPPER_GAP - LOWER_GAP))


def close_reeds(beams: Beams, *, tip_width_m: Array, lip_m: Array) -> Closing:
    """Compute how a batch of reeds closes.

    Closing pressure: the line through the tip gap at 0.9 and 0.5 of the tip opening, from the contact solution, carried on to
    zero (the closing pressure of Gazengel et al. 2025 is likewise read off the linear part).
    """
    upper = load_at_gap(beams, share=UPPER_GAP)
    lower = load_at_gap(beams, share=LOWER_GAP, near=upper)
    closing = _carried_on(upper.load, lower.load)
    weights = area_weights(beams, tip_width_m=tip_width_m, lip_m=lip_m)
    rest = (weights * beams.lay_m).sum(axis=1)
    lip_upper = load_at_gap(beams, share=LIP_GAPS[0], by="lip", near=_as_lip(beams, upper))
    lip_lower = load_at_gap(beams, share=LIP_GAPS[1], by="lip", near=lip_upper)
    sunk = (lip_upper.solution.tip_gap_m - lip_lower.solution.tip_gap_m) / beams.lay_m[:, -1]
    lip_area = (lip_lower.load - lip_upper.load) / (np.maximum(sunk, _LEAST_SUNK) * closing)
    count, shares = len(beams), len(LIP_SHARES)
    rows = np.repeat(np.arange(count), shares)
    taken: Array = np.tile(LIP_SHARES, count)
    force = taken * (closing * lip_area)[rows]

    def area(pressure: Array | float, near: AtGap) -> Array:
        solved = solve_contact(
            beams, pressure_per_modulus=pressure, force_per_modulus_m2=force, rows=rows, near=near.solution.touching[rows]
        )
        return np.asarray(np.einsum("bsn,bn->bs", solved.gap_m.reshape(count, shares, -1), weights))

    share = area(closing[rows] * (1 - taken), lower) / area(0.0, lip_upper)
    falling = gap_slope(beams, upper.solution)
    ahead = np.where((falling < 0) & ~upper.solution.touching, -upper.solution.gap_m / np.minimum(falling, -1e-300), np.inf)
    first = ahead[:, 1:].argmin(axis=1) + 1
    everything = np.arange(count)
    return Closing(
        pressure_per_modulus=closing,
        tip_opening_m=beams.lay_m[:, -1],
        rest_area_m2=rest,
        area_slope_m2=(rest - (weights * upper.solution.gap_m).sum(axis=1)) / upper.load,
        lip_area_m2=lip_area,
        share=share,
        first_contact_m=beams.x_m[everything, first],
        first_contact_per_modulus=upper.load + ahead[everything, first],
    )


def closing_share(closing: Closing, rows: NDArray[np.intp], *, lip_share: Array) -> Array:
    """Return the closing share of ``rows`` at ``lip_share``, the share of the closing pressure that the lip takes away.

    Straight between the computed shares; held at the ends (0 and 0.8).
    """
    place = np.clip(np.asarray(lip_share, dtype=float), LIP_SHARES[0], LIP_SHARES[-1]) / (LIP_SHARES[1] - LIP_SHARES[0])
    left = np.minimum(place.astype(np.intp), len(LIP_SHARES) - 2)
    part = place - left
    return np.asarray(closing.share[rows, left] * (1 - part) + closing.share[rows, left + 1] * part)
