"""What a model belongs to: the rules it was fitted under, the parts it was fitted on, and the marks themselves.

The first two make one fingerprint. Marks are listed apart, so that later ones can be told from changed ones. Price, stock and words do
not count, nor does a column that is not filled in, nor a part that nobody marked.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterable, Mapping, Sequence
from collections.abc import Set as AbstractSet
from dataclasses import fields, is_dataclass
from importlib import import_module
from pkgutil import iter_modules
from typing import TYPE_CHECKING, Any

import numpy as np

from matchkit.records.people import Playtest
from matchkit.records.quantity import Record

if TYPE_CHECKING:
    from matchkit.parts.stock import Stock

RULES = (
    "constants",
    "learn.blend",
    "learn.fitted",
    "learn.interval",
    "learn.kriging.centred",
    "learn.kriging.fit",
    "learn.kriging.influence",
    "learn.kriging.likelihood",
    "learn.kriging.local",
    "learn.kriging.system",
    "learn.kriging.variances",
    "learn.marks",
    "learn.nearest",
    "pairs.contacts",
    "pairs.share_doubt",
    "pairs.table",
    "parts.scale",
    "parts.typed",
    "physics.beams",
    "physics.closing",
    "physics.contact",
    "physics.lay.facing",
    "physics.lay.fair",
    "physics.lay.level",
    "physics.lay.scan",
    "physics.reed",
    "score.asked",
    "score.desirability",
    "score.target",
    "score.tone",
)
"""Modules whose numbers a model rests on: terms with limits and weights, constants, scales, limits of the computation."""

UNREAD: Mapping[str, AbstractSet[str]] = {
    "mouthpieces": {
        *("label", "model", "serial", "batch", "material", "stock", "price", "retired", "wall_mm", "throat_diameter_mm"),
        *("baffle_10_mm", "baffle_15_mm", "baffle_length_mm", "body_diameter_mm"),
    },
    "facings": {"operator", "gauge_id", "repeat"},
    "lay_points": {"operator", "gauge_id"},
    "reeds": {"label", "lot", "vamp_length_mm", "stock", "price", "retired"},
    "reed_profiles": set(),
    "strength_scale": set(),
    "ligatures": {
        *("label", "material", "instrument", "min_diameter_mm", "max_diameter_mm", "length_mm", "screws", "mass_g"),
        *("stock", "price", "retired"),
    },
    "necks": {"chamfered"},
    "closing_tests": {"date", "note"},
    "players": {"ligature_id"},
    "playtests": {
        *("position", "reed_age", "ease", "resistance", "brightness", "evenness", "note", "corrects"),
    },
    "loans": {"date", "note"},
}
"""Columns that a model does not read, by table: changing one leaves it as it is."""


def rules_digest() -> str:
    """Return the hash of every number a model rests on besides the house's own data, as they are now."""
    lines = []
    terms = (f"score.terms.{found.name}" for found in iter_modules(import_module("matchkit.score.terms").__path__))
    for name in (*RULES, *terms):
        module = import_module(f"matchkit.{name}")
        for constant, value in sorted(vars(module).items()):
            plain = _numbers(value) if constant.lstrip("_").isupper() else None
            if plain is not None:
                lines.append(f"{name}.{constant} {json.dumps(plain, sort_keys=True)}")
    return _digest("\n".join(lines))


def _numbers(value: Any) -> Any:
    """Return the numbers in a constant as plain values; None where there are none. Words about a number do not count."""
    if isinstance(value, bool | int | float):
        return value
    if isinstance(value, np.ndarray) and value.dtype.kind in "fiu":
        return value.tolist()
    if is_dataclass(value) and not isinstance(value, type):
        value = {field.name: getattr(value, field.name) for field in fields(value)}
    if isinstance(value, Mapping):
        found = {str(name): plain for name, item in value.items() if (plain := _numbers(item)) is not None}
        return found or None
    if isinstance(value, tuple | list):
        every = [_numbers(item) for item in value]
        return None if any(item is None for item in every) or not every else every
    return None


def data_digests(stock: Stock, rated: Sequence[Playtest]) -> dict[str, str]:
    """Return the hash of each thing that a model reads of a house besides the marks, by table and id: parts that were marked or are played now.

    One by one, so that the first mark of another player or part adds to them and changes none.
    """
    players = {test.player_id for test in rated}
    known = [player for player in stock.players if player.id in players]
    pieces = {test.mouthpiece_id for test in rated} | {player.mouthpiece_id for player in known}
    reeds = {test.reed_id for test in rated} | {player.reed_id for player in known}
    ligatures = {test.ligature_id for test in rated}
    profiles = {reed.profile_id for reed in stock.reeds if reed.id in reeds} - {None}
    profiles |= {step.equals_profile_id for step in stock.strength_scale} - {None}
    used: dict[str, Iterable[tuple[str | None, Record]]] = {
        "mouthpieces": ((item.id, item) for item in stock.mouthpieces if item.id in pieces),
        "facings": ((item.mouthpiece_id, item) for item in stock.facings if item.mouthpiece_id in pieces),
        "lay_points": ((item.mouthpiece_id, item) for item in stock.lay_points if item.mouthpiece_id in pieces),
        "reeds": ((item.id, item) for item in stock.reeds if item.id in reeds),
        "reed_profiles": ((item.profile_id, item) for item in stock.reed_profiles if item.profile_id in profiles),
        "strength_scale": ((item.profile_id, item) for item in stock.strength_scale if item.profile_id in profiles),
        "ligatures": ((item.id, item) for item in stock.ligatures if item.id in ligatures),
        "necks": ((item.id, item) for item in stock.necks if item.id in {player.neck_id for player in known}),
        "players": ((player.id, player) for player in known),
        "closing_tests": (("", item) for item in stock.closing_tests),
    }
    lines: dict[str, list[str]] = {}
    for table, rows in used.items():
        for name, row in rows:
            lines.setdefault(f"{table}/{name}", []).append(_line(row, UNREAD[table]))
    # what a profile is made of, and its cut, are told by its first reed, marked or not
    made_of = {
        reed.profile_id: f"{reed.material} {reed.cut}" for reed in sorted(stock.reeds, key=lambda reed: reed.id, reverse=True)
    }
    for profile in sorted(profile for profile in profiles if profile):
        lines.setdefault(f"made of/{profile}", []).append(str(made_of.get(profile)))
    # no closing tests, and no facings of a piece, are something too
    for name in ("closing_tests/", *(f"{table}/{piece}" for table in ("facings", "lay_points") for piece in pieces if piece)):
        lines.setdefault(name, [])
    lines["house.toml/"] = [stock.spec.model_dump_json(exclude={"name", "closing_range", "drawing"}, exclude_defaults=True)]
    lines["defaults/"] = [repr(stock.defaults.numbers)]
    return {name: _digest("\n".join(sorted(rows)))[:16] for name, rows in sorted(lines.items())}


def mark_digests(rated: Sequence[Playtest]) -> dict[str, str]:
    """Return the hash of each mark and of what was played, by the playtest's id."""
    return {test.id: _digest(_line(test, UNREAD["playtests"]))[:16] for test in rated}


def fingerprint(rules: str, data: Mapping[str, str]) -> str:
    """Return the one fingerprint of rules and data."""
    return _digest(f"{rules} {json.dumps(dict(data), sort_keys=True)}")


def _line(row: Record, unread: AbstractSet[str]) -> str:
    return row.model_dump_json(exclude=set(unread), exclude_defaults=True)


def _digest(text: str) -> str:
    return hashlib.sha256(text.encode()).hexdigest()
