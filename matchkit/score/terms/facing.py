"""What the facing itself says: how evenly it closes, how smooth it is, whether the rails are level."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from matchkit.score.asked import Asked
from matchkit.score.desirability import falling_on_average
from matchkit.score.term import Term

Array = NDArray[np.float64]


def _evenly(asked: Asked) -> float:
    """Count double for each step of a wish for more even."""
    return float(2**asked.wishes.even)


def _over_its_doubt(share: Array, term: Term, asked: Asked) -> Array:
    return falling_on_average(share, asked.u_closing_share, good=term.good, poor=term.poor)


TERMS = (
    Term(
        name="closing",
        weight=2,
        good=0.03,
        poor=0.20,
        unit="",
        meaning="share of the opening that is left at the closing pressure",
        measure="the facing, with feelers, and the profile of the reed",
        value=lambda asked: asked.closing_share,
        judge=_over_its_doubt,
        counts=_evenly,
    ),
    Term(
        name="smoothness",
        weight=1,
        good=5,
        poor=60,
        unit="µm",
        meaning="the facing against its fair curve",
        measure="the facing, with feelers",
        part="facing",
        value=lambda asked: asked.pairs.of_facings(lambda facing: facing.smoothness_m),
        counts=_evenly,
    ),
    Term(
        name="rails",
        weight=1,
        good=0.05,
        poor=0.8,
        unit="mm2",
        meaning="gap that two unequal rails leave",
        measure="the facing, with feelers on both rails",
        part="facing",
        value=lambda asked: asked.pairs.of_facings(lambda facing: facing.leak_m2),
        counts=_evenly,
    ),
)
