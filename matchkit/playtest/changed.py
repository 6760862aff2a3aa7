"""What newly written playtests change of what is expected, at once and without training."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import ClassVar

import numpy as np

from matchkit.learn.blend import Blend
from matchkit.learn.learner import Learner
from matchkit.learn.trial.folds import predict_tests
from matchkit.results import Answer


@dataclass(frozen=True)
class Change:
    """What is expected of one set-up for one player, before and with the new marks, in points of a mark.

    ``doubted`` is the new mark where it is taken for a slip, and does not count until a second one says the same; else None. ``confirmed`` says
    that an earlier mark that was taken for a slip counts now.
    """

    player_id: str
    mouthpiece_id: str
    reed_id: str
    before: float
    after: float
    doubted: float | None
    playtest: str
    confirmed: bool


@dataclass(frozen=True)
class Changed(Answer):
    """What new playtests changed, a row a set-up and player."""

    schema: ClassVar[str] = "changed"
    table_of: ClassVar[str] = "changes"
    row_type: ClassVar[type] = Change

    changes: tuple[Change, ...]


def what_changed(learner: Learner, ids: Sequence[str]) -> Changed:
    """Return what these playtests changed; those without an overall mark, or unknown to the model, change nothing."""
    new, tests, after = set(ids), learner.rated_tests, learner.blend
    rows = [row for row, name in enumerate(tests.ids) if name in new]
    if not rows:
        return Changed(())
    kept = tests.take(np.array([row for row, name in enumerate(tests.ids) if name not in new], dtype=np.intp))
    before = after.with_marks(kept)
    found: dict[tuple[str, str, str], Change] = {}
    slips, earlier_slips = _slips(after), _slips(before)
    settled = {tests.setups[row] for row, name in enumerate(tests.ids) if name in earlier_slips - slips}
    for row in rows:
        one = tests.take(np.array([row]))
        what = one.players[0], one.mouthpieces[0], one.reeds[0]
        earlier, later = (float(predict_tests(model, one)[0][0]) for model in (before, after))
        doubted = float(one.rating[0]) if one.ids[0] in slips else None
        found[what] = Change(*what, _mark(earlier), _mark(later), doubted, one.ids[0], one.setups[0] in settled)
    return Changed(tuple(found.values()))


def _mark(value: float) -> float:
    return min(max(value, 0.0), 10.0)


def _slips(blend: Blend) -> set[str]:
    return {known.tests.ids[row] for known in blend.by_instrument.values() for row in known.slips}
