"""How near a pair comes to what is aimed at: resistance, opening, and how many reeds of a box do."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from matchkit.score.asked import Asked, share_within
from matchkit.score.desirability import by_steps
from matchkit.score.term import Term

Array = NDArray[np.float64]


def _two_sided(steps: Array, term: Term, asked: Asked) -> Array:
    del asked
    return by_steps(steps, good=term.good, poor=term.poor)


def _box_share(asked: Asked) -> Array:
    """Return the share of a reed's box within one step of the box's own middle: how far off that is, resistance says."""
    spread = asked.pairs.of_reeds(lambda reed: reed.box_spread)
    return share_within(np.zeros(len(spread)), spread, step=asked.step_ln)


TERMS = (
    Term(
        name="resistance",
        weight=4,
        good=0,
        poor=2,
        unit="half strengths",
        meaning="closing pressure against the target",
        measure="the stiffness of the reed, and the facing",
        value=lambda asked: asked.resistance_ln / asked.step_ln,
        judge=_two_sided,
    ),
    Term(
        name="opening",
        weight=2,
        good=0,
        poor=2,
        unit="steps of opening",
        meaning="tip opening against the target",
        measure="the tip opening",
        value=lambda asked: asked.opening_steps,
        judge=_two_sided,
    ),
    Term(
        name="box spread",
        weight=1,
        good=1,
        poor=0,
        unit="",
        meaning="share of the box within half a strength of its own middle",
        measure="the stiffness of a few reeds of the box",
        part="spread of the box",
        value=_box_share,
    ),
)
