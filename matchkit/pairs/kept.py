"""Solved contacts, kept on this machine for the next question: bare numbers, which come back to the last bit."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import fields

import numpy as np
from numpy.typing import NDArray

from matchkit.files import Cache
from matchkit.pairs.contacts import Problem, contact_inputs, solve_block
from matchkit.physics.closing import LIP_SHARES, Closing

Array = NDArray[np.float64]

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
