"""How sure a closing share is: by the lip, by the profile of the reed, by the facing.

The lip's part is each pair's own, from the shares solved at other lips. Profile and facing move the share much alike on every facing of an
instrument, so their slopes are solved once a shape of reed, on the usual facing: an arc of the instrument's usual tip opening and length.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache

import numpy as np
from numpy.typing import NDArray

from matchkit import constants
from matchkit.parts.reed import ReedPart, ShapeKey
from matchkit.physics.beams import (
    Beams,
    build_beams,
    joined,
    node_places_m,
    quadrature_places_m,
)
from matchkit.physics.closing import close_reeds, closing_share
from matchkit.physics.lay.facing import Lay, nominal_lay
from matchkit.units import MM

Array = NDArray[np.float64]

STEP_THICK_M, STEP_STOP_M = 5e-6, 1e-4
"""Steps of the differences: a hundredth of a millimetre of reed or so, a tenth of where a feeler stops."""

STATIONS = (0.08, 0.25, 0.45, 0.65, 0.85)
"""Where feelers are taken to stop, in facing lengths."""

WIDTH_M = 12 * MM
"""Any width of the load: it moves no share."""


@dataclass(frozen=True)
class ShareDoubt:
    """What the closing share rests on, as standard uncertainties: lip (a share of the closing pressure), thickness, a feeler's stop (m)."""

    u_lip_share: float
    u_thickness_m: float
    u_stop_m: float


@dataclass(frozen=True)
class ShareSlopes:
    """How far the closing share moves, each point by itself, per metre of thickness and of a feeler's stop (root sum of squares)."""

    by_thickness_per_m: float
    by_stop_per_m: float


no_slopes = ShareSlopes(0.0, 0.0)

_known: dict[tuple[str, bytes], ShareSlopes] = {}
"""By instrument and what the shape is made of, since two houses may call different profiles alike."""


def share_slopes(reeds: Sequence[ReedPart]) -> dict[tuple[str, ShapeKey], ShareSlopes]:
    """Return the slopes for each shape of reed on the usual facing of its instrument, with the lip at its usual share."""
    wanted = {(part.reed.instrument, part.shape_key): part for part in reeds}
    made_of = {key: (part.reed.instrument, _made_of(part)) for key, part in wanted.items()}
    new = {made_of[key]: part for key, part in wanted.items() if made_of[key] not in _known}
    if new:
        _known.update(zip(new, _slopes(list(new.values())), strict=True))
    return {key: _known[known] for key, known in made_of.items()}


def _made_of(part: ReedPart) -> bytes:
    shape = part.shape
    sizes = np.array([shape.tip_width_m, shape.butt_width_m, shape.length_m])
    return b"".join(one.tobytes() for one in (shape.x_m, shape.thickness_m, shape.crown, sizes))


def _slopes(parts: Sequence[ReedPart]) -> list[ShareSlopes]:
    """Solve each shape as it is, with each of its points thicker, and with each feeler stopping further back: all at once."""
    bent = [_moved(part) for part in parts]
    lip = np.concatenate(
        [np.full(len(beams), constants.LIP_PLACE[part.reed.instrument] * MM) for part, beams in zip(parts, bent, strict=True)]
    )
    width = np.concatenate([np.full(len(beams), part.shape.tip_width_m) for part, beams in zip(parts, bent, strict=True)])
    closing = close_reeds(joined(bent), tip_width_m=width, lip_m=lip)
    shares = closing_share(closing, np.arange(len(lip)), lip_share=np.full(len(lip), constants.LIP_SHARE.value))
    found, start = [], 0
    for beams in bent:
        moved = shares[start + 1 : start + len(beams)] - shares[start]
        start += len(beams)
        thick, stop = moved[: -len(STATIONS)] / STEP_THICK_M, moved[-len(STATIONS) :] / STEP_STOP_M
        found.append(ShareSlopes(float(np.sqrt((thick**2).sum())), float(np.sqrt((stop**2).sum()))))
    return found


@cache
def _usual_lay(instrument: str) -> Lay:
    tip, length = (constants.FEATURE_SCALES[name].typical[instrument] * MM for name in ("tip_opening", "facing_length"))
    return nominal_lay(tip_opening_m=tip, facing_length_m=length, u_tip_m=0.0, u_facing_m=0.0)


def _moved(part: ReedPart) -> Beams:
    instrument, shape = part.reed.instrument, part.shape
    lay = _usual_lay(instrument)
    length = constants.FEATURE_SCALES["facing_length"].typical[instrument] * MM
    nodes = node_places_m(np.array([lay.fair.clamp_m]), np.array([lay.fair.break_m]))
    inner = quadrature_places_m(nodes)[0]
    thickness, moment = shape.thickness_at_m(inner), shape.second_moment_m4(inner)
    near = [place for place in shape.x_m if place < nodes[0, 0]]
    hats = [np.interp(inner, shape.x_m, hat) for hat in np.eye(len(shape.x_m))[: len(near)]]
    height = lay.height_m(nodes[0])
    stations = np.append(np.array(STATIONS) * length, lay.fair.break_m)
    steep = -np.gradient(height, nodes[0])
    bumps = [np.interp(nodes[0], stations, hat) for hat in np.eye(len(stations))[:-1]]
    lays = np.stack([height] * (1 + len(hats)) + [height + STEP_STOP_M * steep * bump for bump in bumps])
    moments = np.stack([moment, *(moment * (1 + STEP_THICK_M * hat / thickness) ** 3 for hat in hats), *[moment] * len(bumps)])
    count = len(lays)
    return build_beams(
        nodes_m=np.repeat(nodes, count, axis=0),
        lay_m=lays,
        second_moment_m4=moments,
        width_m=np.full(count, WIDTH_M),
        lip_m=np.full(count, constants.LIP_PLACE[instrument] * MM),
        lip_spread_m=constants.LIP_SPREAD.value * MM,
    )
