"""Fitted facings, kept on this machine for the next question.

They are written as JSON, which can run no code, and come back to the last bit.
"""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import asdict
from typing import Any

import numpy as np
from numpy.typing import NDArray

from matchkit.facts import Assumed
from matchkit.files import Cache
from matchkit.parts.facing import FacingPart, facing_part, load_reach_m
from matchkit.physics.lay.facing import AnyLay, Lay, MeanLay
from matchkit.physics.lay.fair import FairCurve
from matchkit.records.defaults import Defaults
from matchkit.records.parts import FacingReading, LayPoint, Mouthpiece
from matchkit.records.sets import latest, sets_of_pieces
from matchkit.records.spec import HouseSpec

Array = NDArray[np.float64]


def kept_facings(
    mouthpieces: Sequence[Mouthpiece],
    readings: Sequence[FacingReading],
    points: Sequence[LayPoint],
    *,
    defaults: Defaults,
    spec: HouseSpec,
    cache: Cache,
) -> tuple[FacingPart, ...]:
    """Return each mouthpiece with its lay by its latest readings, fitted anew only where nothing that it rests on was seen before."""
    today = latest(mouthpieces, sets_of_pieces(readings, points))
    keys = [_facing_key(piece, last.readings, last.points, defaults, spec, cache) for piece, last in today]
    found = cache.get(keys)
    parts, fresh = [], {}
    for (piece, last), key in zip(today, keys, strict=True):
        part = _facing_from(piece, found[key]) if key in found else None
        if part is None:
            part = facing_part(piece, last.readings, last.points, defaults=defaults, spec=spec)
            fresh[key] = json.dumps(_plain_facing(part)).encode()
        parts.append(part)
    cache.put(fresh)
    return tuple(parts)


def _facing_key(
    piece: Mouthpiece,
    readings: Sequence[FacingReading],
    points: Sequence[LayPoint],
    defaults: Defaults,
    spec: HouseSpec,
    cache: Cache,
) -> bytes:
    usual = [defaults.scalar(piece.instrument, name) for name in ("facing_length_mm", "window_width_mm", "side_rail_mm")]
    own = (piece.tip_opening_mm, piece.facing_length_mm, piece.table_gap_mm, piece.window_width_mm, piece.side_rail_mm, usual)
    read = [(r.rail, r.feeler_mm, r.stop_mm, r.u_feeler_mm, r.u_stop_mm, r.feelers) for r in readings]
    scanned = [(p.rail, p.x_mm, p.height_mm, p.u_height_mm) for p in points]
    return cache.key("facing", repr((own, read, scanned, tuple(vars(spec.gauge).values()))))


def _plain_facing(part: FacingPart) -> dict[str, Any]:
    numbers = (
        part.load_width_m,
        part.u_load_width,
        part.smoothness_m,
        part.leak_m2,
        part.rail_difference_m,
        part.u_rail_difference_m,
    )
    return {"lay": _plain_lay(part.lay), "numbers": numbers, "assumed": [asdict(item) for item in part.assumed]}


def _facing_from(piece: Mouthpiece, entry: bytes) -> FacingPart | None:
    """Read a facing back; None for what was written in another form."""
    try:
        plain = json.loads(entry)
        width, u_width, smoothness, leak, difference, u_difference = plain["numbers"]
        assumed = tuple(Assumed(**item) for item in plain["assumed"])
        reach = load_reach_m(piece)
        return FacingPart(
            piece, _lay_from(plain["lay"]), width, u_width, reach, smoothness, leak, difference, u_difference, assumed
        )
    except (ValueError, KeyError, TypeError, IndexError):
        return None


def _plain_lay(lay: AnyLay) -> dict[str, Any]:
    if isinstance(lay, MeanLay):
        return {
            "left": _plain_lay(lay.left),
            "right": _plain_lay(lay.right),
            "fair": _plain_curve(lay.fair),
            "u_tip_m": lay.u_tip_m,
        }
    knots = [lay.knots_x_m.tolist(), lay.knots_y_m.tolist()]
    return {"knots": knots, "fair": _plain_curve(lay.fair), "u_tip_m": lay.u_tip_m, "measured": lay.measured}


def _lay_from(plain: dict[str, Any]) -> AnyLay:
    fair, u_tip_m = _curve_from(plain["fair"]), float(plain["u_tip_m"])
    if "left" in plain:
        left, right = (_lay_from(plain[rail]) for rail in ("left", "right"))
        if not (isinstance(left, Lay) and isinstance(right, Lay)):
            raise TypeError("a rail is no lay")
        return MeanLay(left, right, fair, u_tip_m)
    x, y = (np.array(knots, dtype=float) for knots in plain["knots"])
    return Lay(x, y, fair, u_tip_m, measured=bool(plain["measured"]))


def _plain_curve(curve: FairCurve) -> dict[str, Any]:
    arrays = [array.tolist() for array in (curve.parameters, curve.covariance, curve.with_tip)]
    return {"arrays": arrays, "scatter": curve.scatter}


def _curve_from(plain: dict[str, Any]) -> FairCurve:
    parameters, covariance, with_tip = (np.array(array, dtype=float) for array in plain["arrays"])
    return FairCurve(parameters, covariance, with_tip, float(plain["scatter"]))
