"""What cannot be put together, and why; what was not measured is never refused."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from matchkit import constants
from matchkit.match.parts import FacingPart, ReedPart, bench_stiffness_n_per_m
from matchkit.match.target import PlayerView
from matchkit.match.wishes import Wishes
from matchkit.records.parts import Ligature

Reasons = NDArray[np.str_]

WRONG_INSTRUMENT = "wrong instrument"
OUT_OF_STOCK = "out of stock"
REED_TOO_NARROW = "reed narrower than the window and one rail"
VAMP_TOO_SHORT = "vamp ends too near the facing's end"
NOT_SOFTER = "not softer than the present reed"
NOT_HARDER = "not harder than the present reed"
LIGATURE_TOO_SMALL = "ligature too small for the body"
LIGATURE_TOO_LARGE = "ligature too large for the body"

FITS = ""

EQUAL_MM = 1e-6
"""Lengths that differ by no more than this are equal."""


def _empty(*shape: int) -> NDArray[np.object_]:
    return np.full(shape, FITS, dtype=object)


def pair_reasons(
    facings: Sequence[FacingPart],
    reeds: Sequence[ReedPart],
    *,
    instrument: str,
    across: bool,
    in_stock: bool,
    wishes: Wishes,
    view: PlayerView,
) -> NDArray[np.object_]:
    """Give the first reason against each pair (M, R), or an empty text where it fits.

    In this order: instrument, stock, width, vamp, and the order of reeds that a wish for a softer or harder one asks for.
    """
    reasons = _empty(len(facings), len(reeds))

    def add(where: NDArray[np.bool_], reason: str) -> None:
        reasons[(reasons == FITS) & where] = reason

    if not across:
        piece_wrong = np.array([part.mouthpiece.instrument != instrument for part in facings], dtype=bool)
        reed_wrong = np.array([part.reed.instrument != instrument for part in reeds], dtype=bool)
        add(piece_wrong[:, None] | reed_wrong[None, :], WRONG_INSTRUMENT)
    if in_stock:
        piece_gone = np.array([part.mouthpiece.stock == 0 for part in facings], dtype=bool)
        reed_gone = np.array([part.reed.stock == 0 for part in reeds], dtype=bool)
        add(piece_gone[:, None] | reed_gone[None, :], OUT_OF_STOCK)
    need = np.array([_least_width_mm(part) for part in facings])
    width = np.array([part.shape.tip_width_m * 1e3 if part.width_measured else np.inf for part in reeds])
    add(_beyond(need[:, None], width[None, :]), REED_TOO_NARROW)
    clamp = np.array([part.clamp_mm for part in facings])
    vamp = np.array([part.vamp_mm if part.vamp_measured else np.inf for part in reeds])
    add(_beyond(clamp[:, None] + constants.VAMP_ROOM.value, vamp[None, :]), VAMP_TOO_SHORT)
    if wishes.reed and view.present is not None:
        softer = np.array([_is_softer(part, view.present.reed, wishes.reed) for part in reeds], dtype=bool)
        add(~softer[None, :], NOT_SOFTER if wishes.reed < 0 else NOT_HARDER)
    return reasons


def _beyond(one: NDArray[np.float64], other: NDArray[np.float64]) -> NDArray[np.bool_]:
    """Tell where one length is more than another, to a millionth of a millimetre; never where one of them is not known."""
    return np.asarray(one > other + EQUAL_MM)


def _least_width_mm(part: FacingPart) -> float:
    window, rail = part.mouthpiece.window_width_mm, part.mouthpiece.side_rail_mm
    return -np.inf if window is None or rail is None else window + rail


def _is_softer(part: ReedPart, present: ReedPart, direction: int) -> bool:
    """Say whether a reed is softer (direction below 0) or harder; by bench stiffness, or by strength where only labels are known."""
    if part.scale is not None or present.scale is not None:
        if part.scale != present.scale:
            return True  # not comparable: not checked, never refused
        return (part.reed.strength - present.reed.strength) * direction > 0
    step = math.log(bench_stiffness_n_per_m(part) / bench_stiffness_n_per_m(present))
    return step * direction > 1e-9


def ligature_reasons(facings: Sequence[FacingPart], ligatures: Sequence[Ligature], *, in_stock: bool) -> NDArray[np.object_]:
    """Give the first reason against each mouthpiece and ligature (M, L), or an empty text where they fit."""
    reasons = _empty(len(facings), len(ligatures))
    body = np.array(
        [np.nan if part.mouthpiece.body_diameter_mm is None else part.mouthpiece.body_diameter_mm for part in facings]
    )
    smallest = np.array([np.nan if item.min_diameter_mm is None else item.min_diameter_mm for item in ligatures])
    largest = np.array([np.nan if item.max_diameter_mm is None else item.max_diameter_mm for item in ligatures])
    if in_stock:
        gone = np.array([item.stock == 0 for item in ligatures], dtype=bool)
        reasons[:, gone] = OUT_OF_STOCK
    reasons[(reasons == FITS) & _beyond(body[:, None], largest[None, :])] = LIGATURE_TOO_SMALL
    reasons[(reasons == FITS) & _beyond(smallest[None, :], body[:, None])] = LIGATURE_TOO_LARGE
    return reasons


def count_refused(pairs: NDArray[np.object_], ligatures: NDArray[np.object_]) -> dict[str, int]:
    """Count refused combinations by their first reason: pairs (M, R) first, then ligatures (M, L).

    The counts and the combinations that fit add up to M x R x L.
    """
    counts: dict[str, int] = {}
    for reason, number in zip(*np.unique(pairs[pairs != FITS].astype(str), return_counts=True), strict=True):
        counts[str(reason)] = int(number) * max(ligatures.shape[1], 1)
    fitting = (pairs == FITS).sum(axis=1)
    for reason in np.unique(ligatures[ligatures != FITS].astype(str)):
        number = int((fitting * (ligatures == reason).sum(axis=1)).sum())
        if number:
            counts[str(reason)] = counts.get(str(reason), 0) + number
    return counts


def not_checked(facing: FacingPart, reed: ReedPart, ligature: Ligature | None) -> tuple[str, ...]:
    """Name what of the fit could not be checked for want of a measurement."""
    found = []
    if not np.isfinite(_least_width_mm(facing)) or not reed.width_measured:
        found.append("reed width on the rails")
    if not reed.vamp_measured:
        found.append("vamp length")
    if ligature is not None and (
        facing.mouthpiece.body_diameter_mm is None or ligature.min_diameter_mm is None or ligature.max_diameter_mm is None
    ):
        found.append("ligature on the body")
    return tuple(found)
