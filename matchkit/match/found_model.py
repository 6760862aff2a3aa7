"""The model that was named or lies beside the tables: whether it belongs to them as they are now, and what is done about it."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from matchkit.errors import ModelError
from matchkit.match.blend import Blend
from matchkit.match.fingerprint import data_digest, mark_digests
from matchkit.match.model_file import Belonging, load_model
from matchkit.match.workshop import Workshop


@dataclass(frozen=True)
class FoundModel:
    """A model that was read, by its file's name; None with a ``note`` where there was one that cannot be used."""

    name: str = ""
    blend: Blend | None = None
    belonging: Belonging | None = None
    note: str = ""


def find_model(named: Path | None, beside: Path | None) -> FoundModel:
    """Read the model that was named, or else the one beside the tables; raises ModelError for a named one that cannot be read."""
    if named is not None:
        return FoundModel(named.name, *load_model(named))
    if beside is None or not beside.is_file():
        return FoundModel()
    try:
        return FoundModel(beside.name, *load_model(beside))
    except ModelError as error:
        return FoundModel(note=f"model fitted in memory ({error})")


def belonging_of(workshop: Workshop, rules: str) -> Belonging:
    """Return what a model fitted now belongs to, ``rules`` being the hash of those in force."""
    rated = workshop.rated
    return Belonging(rules, data_digest(workshop.stock, rated), mark_digests(rated))


def settle_model(found: FoundModel, workshop: Workshop, rules: str) -> str:
    """Let a workshop go by the model that was found, as far as it belongs to its house; return what was done, in words.

    Marks that came later are counted in with the settings of the model, and so are changed ones, which is said; what belongs to other rules
    or parts is not used.
    """
    name, blend, its = found.name, found.blend, found.belonging
    if blend is None or its is None:
        return found.note
    ours = belonging_of(workshop, rules)
    if its.rules != ours.rules:
        return f"model fitted in memory ({name} was trained under other weights or constants: train it again)"
    if its.data != ours.data:
        return f"model fitted in memory ({name} was trained on other parts than these: train it again)"
    if its.marks == ours.marks:
        workshop.take(blend)
        return f"model {name}"
    workshop.take(blend.settings)
    changed = sum(ours.marks.get(test) != mark for test, mark in its.marks.items())
    since = sum(test not in its.marks for test in ours.marks)
    if changed:
        had = "playtest has" if changed == 1 else "playtests have"
        return f"model fitted in memory ({changed} of {name}'s {had} changed or gone: train it again)"
    return f"model {name}, and {since} playtest{'s' * (since > 1)} since"
