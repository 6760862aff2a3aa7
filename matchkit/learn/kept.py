"""The fitted model, kept on this machine for the next question, as JSON, which can run no code."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import asdict, astuple
from typing import Any

import numpy as np

from matchkit.files import Cache
from matchkit.learn.blend import Blend, fit_blend, from_numbers
from matchkit.learn.interval import Interval
from matchkit.learn.kriging.variances import Variances
from matchkit.learn.marks import NUMBERS, TEXTS, RatedTests
from matchkit.score.target import Aim, Aims


def kept_blend(tests: RatedTests, variances: Variances | None, *, aims: Aims, cache: Cache) -> Blend:
    """Return the model at these variances, or learned ones; its numbers from the cache where these very marks were fitted before."""
    texts = json.dumps([getattr(tests, name) for name in TEXTS])
    numbers = (getattr(tests, name).tobytes() for name in NUMBERS)
    key = cache.key("model", texts, "learned" if variances is None else repr(astuple(variances)), repr(aims), *numbers)
    entry = cache.get([key]).get(key)
    blend = None if entry is None else _blend_from(entry, tests, aims)
    if blend is None:
        blend = fit_blend(tests, variances, aims=aims)
        cache.put({key: json.dumps(plain(blend)).encode()})
    return blend


def plain(blend: Blend) -> dict[str, Any]:
    """Return the numbers of a model as plain values; the marks themselves are not among them."""
    return {
        "variances": asdict(blend.variances),
        "line": {
            "intercept": blend.line.intercept,
            "slope": blend.line.slope,
            "covariance": blend.line.covariance.tolist(),
        },
        "learned": blend.learned,
        "intervals": {kind: asdict(interval) for kind, interval in blend.intervals.items()},
        "aims": {name: {scale: asdict(aim) for scale, aim in found.items()} for name, found in blend.aims.items()},
        "marks": {
            name: {
                "pull": known.settled.pull.tolist(),
                "odd": known.weighed.odd.tolist(),
                "wider": known.weighed.wider.tolist(),
            }
            for name, known in blend.by_instrument.items()
        },
    }


def blend_of(values: Mapping[str, Any], tests: RatedTests) -> Blend:
    """Return a model from its numbers and its marks; raises KeyError, TypeError or ValueError for what is none."""
    aims = {
        str(name): {str(scale): Aim(**_finite(aim)) for scale, aim in found.items()} for name, found in values["aims"].items()
    }
    intervals = {kind: Interval(**_finite(found)) for kind, found in values["intervals"].items()}
    line = values["line"]
    arrays = {
        str(name): {key: np.array(found[key], dtype=float) for key in ("pull", "odd", "wider")}
        for name, found in values["marks"].items()
    }
    return from_numbers(
        tests,
        Variances(**values["variances"]),
        line=(float(line["intercept"]), float(line["slope"]), np.array(line["covariance"], dtype=float)),
        marks=arrays,
        intervals=intervals,
        aims=aims,
        learned=bool(values["learned"]),
    )


def _finite(values: Mapping[str, Any]) -> dict[str, Any]:
    for name, value in values.items():
        if not isinstance(value, int | float) or not np.isfinite(value) or value < 0:
            raise ValueError(f"{name} {value!r}")
    return dict(values)


def _blend_from(entry: bytes, tests: RatedTests, aims: Aims) -> Blend | None:
    try:
        values = json.loads(entry)
        return blend_of(
            values | {"aims": {name: {s: asdict(aim) for s, aim in one.items()} for name, one in aims.items()}}, tests
        )
    except (ValueError, KeyError, TypeError, AttributeError):
        return None
