"""The fitted model, kept on this machine for the next question, as JSON, which can run no code."""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import asdict, astuple, replace
from typing import Any

from matchkit.files import Cache
from matchkit.learn.blend import Blend, fit_blend, residuals_by_instrument
from matchkit.learn.interval import Interval
from matchkit.learn.marks import RatedTests, Settings
from matchkit.learn.rater import RaterCalibration
from matchkit.records.parts import Ligature


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


_BLEND = ("intercept", "slope", "known_player", "new_player", "raters")


def _asdict(value: Any) -> Any:
    if isinstance(value, dict):
        return {name: asdict(item) for name, item in value.items()}
    return asdict(value) if isinstance(value, Interval) else value


def _blend_from(entry: bytes, tests: RatedTests, settings: Settings) -> Blend | None:
    try:
        plain = json.loads(entry)
        line = (float(plain["intercept"]), float(plain["slope"]))
        lines = {player: RaterCalibration(**own) for player, own in plain["raters"].items()}
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
        raters=lines,
    )
