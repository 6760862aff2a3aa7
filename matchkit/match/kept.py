"""What is computed of a house and kept for the next question: fitted facings, solved contacts, the fitted model.

Everything is written as JSON or as bare numbers, which can run no code, and comes back to the last bit.
"""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import asdict, astuple, fields, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from matchkit.files import Cache
from matchkit.match.blend import Blend, fit_blend, residuals_by_instrument
from matchkit.match.common_scale import OwnLine
from matchkit.match.contacts import Problem, contact_inputs, solve_block
from matchkit.match.interval import Interval
from matchkit.match.parts import FacingPart, facing_part, of_pieces
from matchkit.match.rated import RatedTests, Settings
from matchkit.physics.closing import LIP_SHARES, Closing
from matchkit.physics.facing import AnyLay, Lay, MeanLay
from matchkit.physics.fair import FairCurve, Shape
from matchkit.records.defaults import Defaults
from matchkit.records.parts import FacingReading, LayPoint, Ligature, Mouthpiece
from matchkit.records.spec import HouseSpec

Array = NDArray[np.float64]


# facings


def kept_facings(
    mouthpieces: Sequence[Mouthpiece],
    readings: Sequence[FacingReading],
    points: Sequence[LayPoint],
    *,
    defaults: Defaults,
    spec: HouseSpec,
    cache: Cache,
) -> tuple[FacingPart, ...]:
    """Return each mouthpiece with its lay, fitted anew only where nothing that it rests on was seen before."""
    by_piece, scans = of_pieces(readings), of_pieces(points)
    keys = [
        _facing_key(piece, by_piece.get(piece.id, []), scans.get(piece.id, []), defaults, spec, cache) for piece in mouthpieces
    ]
    found = cache.get(keys)
    parts, fresh = [], {}
    for piece, key in zip(mouthpieces, keys, strict=True):
        part = _facing_from(piece, found[key]) if key in found else None
        if part is None:
            part = facing_part(piece, by_piece.get(piece.id, []), scans.get(piece.id, []), defaults=defaults, spec=spec)
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
    length = defaults.scalar(piece.instrument, "facing_length_mm")
    own = (piece.tip_opening_mm, piece.facing_length_mm, piece.table_gap_mm, length.value, length.u)
    read = [(r.rail, r.feeler_mm, r.stop_mm, r.u_feeler_mm, r.u_stop_mm, r.leaves) for r in readings]
    scanned = [(p.rail, p.x_mm, p.height_mm, p.u_height_mm) for p in points]
    return cache.key("facing", repr((own, read, scanned, tuple(vars(spec.gauge).values()))))


def _plain_facing(part: FacingPart) -> dict[str, Any]:
    numbers = (part.smoothness_um, part.leak_mm2, part.rail_difference_mm, part.u_rail_difference_mm)
    return {"lay": _plain_lay(part.lay), "numbers": numbers, "assumed": part.assumed}


def _facing_from(piece: Mouthpiece, entry: bytes) -> FacingPart | None:
    """Read a facing back; None for what was written in another form."""
    try:
        plain = json.loads(entry)
        smoothness, leak, difference, u_difference = plain["numbers"]
        return FacingPart(piece, _lay_from(plain["lay"]), smoothness, leak, difference, u_difference, tuple(plain["assumed"]))
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
    shapes = [
        (shape.form, *(_list(array) for array in (shape.parameters, shape.covariance, shape.with_tip)))
        for shape in curve.shapes
    ]
    arrays = [_list(array) for array in (curve.weights, curve.lengths_m, curve.covariance_m2, curve.unknown_shape_m2)]
    return {"shapes": shapes, "arrays": arrays, "widest": curve.widest, "scatter": curve.scatter}


def _curve_from(plain: dict[str, Any]) -> FairCurve:
    shapes = tuple(Shape(form, *(_array(item) for item in arrays)) for form, *arrays in plain["shapes"])  # type: ignore[arg-type]
    weights, lengths, covariance, unknown = (_array(item) for item in plain["arrays"])
    if weights is None or lengths is None or covariance is None:
        raise TypeError("a curve without its numbers")
    return FairCurve(shapes, weights, lengths, covariance, int(plain["widest"]), unknown, float(plain["scatter"]))


def _list(array: Array | None) -> list[Any] | None:
    return None if array is None else array.tolist()


def _array(values: list[Any] | None) -> Array | None:
    return None if values is None else np.array(values, dtype=float)


# contacts

_FIELDS = [field.name for field in fields(Closing)]
_WIDTH = len(_FIELDS) - 1 + len(LIP_SHARES)


def closing_from(entries: Sequence[bytes]) -> Closing:
    """Read solutions back, one row an entry."""
    table = np.frombuffer(b"".join(entries), dtype="<f8").reshape(len(entries), _WIDTH)
    shares = _FIELDS.index("share")
    columns: dict[str, Array] = {name: table[:, place].copy() for place, name in enumerate(_FIELDS[:shares])}
    columns["share"] = table[:, shares : shares + len(LIP_SHARES)].copy()
    columns |= {name: table[:, place - len(_FIELDS)].copy() for place, name in enumerate(_FIELDS) if place > shares}
    return Closing(**columns)


def closing_entries(closing: Closing) -> list[bytes]:
    """Write solutions as bare numbers, one entry a row."""
    table = np.column_stack([getattr(closing, name) for name in _FIELDS]).astype("<f8")
    return [row.tobytes() for row in table]


def solve_or_read(problems: Sequence[Problem], cache: Cache) -> Closing:
    """Return the solutions of a block of problems, those that were solved before from the cache."""
    if not cache.on:
        return solve_block(problems)
    keys = [cache.key("contact", *parts) for parts in contact_inputs(problems)]
    found = {key: entry for key, entry in cache.get(keys).items() if len(entry) == 8 * _WIDTH}
    missing = [place for place, key in enumerate(keys) if key not in found]
    if missing:
        fresh = dict(
            zip((keys[place] for place in missing), closing_entries(solve_block([problems[p] for p in missing])), strict=True)
        )
        cache.put(fresh)
        found |= fresh
    return closing_from([found[key] for key in keys])


# the model


def kept_blend(tests: RatedTests, ligatures: Sequence[Ligature], settings: Settings, cache: Cache) -> Blend:
    """Return the model fitted with these settings; its numbers from the cache where these very marks were fitted before."""
    texts = json.dumps(
        [tests.ids, tests.players, tests.mouthpieces, tests.reeds, tests.sessions, tests.instruments, tests.ligatures]
    )
    contacts = repr(sorted((item.id, item.contact) for item in ligatures))
    numbers = (tests.rating, tests.overall_d, tests.features, tests.weight)
    key = cache.key("model", texts, contacts, repr(astuple(settings)), *(array.tobytes() for array in numbers))
    entry = cache.get([key]).get(key)
    blend = None if entry is None else _blend_from(entry, tests, settings)
    if blend is None:
        blend = fit_blend(tests, ligatures, settings)
        plain = replace(blend, by_instrument={})
        cache.put({key: json.dumps({name: _asdict(getattr(plain, name)) for name in _BLEND}).encode()})
    return blend


_BLEND = ("intercept", "slope", "known_player", "new_player", "own_lines")


def _asdict(value: Any) -> Any:
    if isinstance(value, dict):
        return {name: asdict(item) for name, item in value.items()}
    return asdict(value) if isinstance(value, Interval) else value


def _blend_from(entry: bytes, tests: RatedTests, settings: Settings) -> Blend | None:
    try:
        plain = json.loads(entry)
        line = (float(plain["intercept"]), float(plain["slope"]))
        lines = {player: OwnLine(**own) for player, own in plain["own_lines"].items()}
        intervals = [None if plain[name] is None else Interval(**plain[name]) for name in ("known_player", "new_player")]
    except (ValueError, KeyError, TypeError):
        return None
    return Blend(
        settings=settings,
        intercept=line[0],
        slope=line[1],
        by_instrument=residuals_by_instrument(tests, line, lines),
        players=tuple(sorted(set(tests.players))),
        known_player=intervals[0],
        new_player=intervals[1],
        tests=len(tests),
        own_lines=lines,
    )
