"""The model that was named or lies beside the tables: whether it belongs to them as they are now, and what is done about it."""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path

from matchkit.errors import ModelError
from matchkit.facts import ModelUse
from matchkit.learn.blend import Blend
from matchkit.learn.learner import Learner
from matchkit.learn.model.file import Belonging, load_model
from matchkit.learn.model.fingerprint import data_digests, mark_digests

MOST_CHANGED = 0.1
"""Share of a model's marks that may be changed or gone before it is said to train again."""

OF_PLAYERS = "players/"
"""What a model read of its players: what they play moves, and their marks are counted anew then."""


@dataclass(frozen=True)
class FoundModel:
    """A model that was read, by its file's name; None with an ``error`` where there was one that cannot be used."""

    name: str = ""
    blend: Blend | None = None
    belonging: Belonging | None = None
    error: str = ""


def find_model(named: Path | None, beside: Path | None) -> FoundModel:
    """Read the model that was named, or else the one beside the tables; raises ModelError for a named one that cannot be read."""
    if named is not None:
        return FoundModel(named.name, *load_model(named))
    if beside is None or not beside.is_file():
        return FoundModel()
    try:
        return FoundModel(beside.name, *load_model(beside))
    except ModelError as error:
        return FoundModel(beside.name, error=str(error))


def belonging_of(learner: Learner, rules: str) -> Belonging:
    """Return what a model fitted now belongs to, ``rules`` being the hash of those in force."""
    marked = learner.scorer.marked
    return Belonging(rules, data_digests(learner.parts.stock, marked), mark_digests(marked))


def settle_model(found: FoundModel, learner: Learner, rules: str, *, invented: bool) -> ModelUse:
    """Let a learner go by the model that was found, as far as it belongs to its house; return what was done.

    Marks that came later are counted in at the variances of the model, and so are changed ones, which is said, and those of players who play
    another set-up by now; what belongs to other rules or parts is not used. ``invented`` says that the marks are nobody's.
    """
    marked = learner.scorer.marked
    loans = len(marked) - len({test.id for test in marked} & {test.id for test in learner.parts.stock.playtests})
    use = ModelUse(tests=len(marked), loans=loans, invented=invented, name=found.name)
    if not use.tests:
        return replace(use, use="nothing")
    if found.error:
        return replace(use, why="unreadable", error=found.error)
    if found.blend is None or found.belonging is None:
        return use
    return _held_against(found.blend, found.belonging, learner, rules, use)


def _held_against(blend: Blend, its: Belonging, learner: Learner, rules: str, use: ModelUse) -> ModelUse:
    """Hold what a model belongs to against what there is now, and let the learner go by what still holds."""
    ours = belonging_of(learner, rules)
    differ = {name for name, part in its.data.items() if name in ours.data and ours.data[name] != part}
    moved = {name for name in differ if name.startswith(OF_PLAYERS)}
    other_parts = differ != moved
    if its.rules != ours.rules or other_parts:
        return replace(use, why="other parts" if its.rules == ours.rules else "other rules")
    if its.marks == ours.marks and not moved:
        learner.take(blend)
        return replace(use, use="file")
    learner.take(blend, anew=True)
    changed = sum(ours.marks.get(test) != mark for test, mark in its.marks.items())
    since = sum(test not in its.marks for test in ours.marks)
    return replace(
        use, use="file", since=since, changed=changed, why="marks changed" if changed > MOST_CHANGED * len(its.marks) else ""
    )
