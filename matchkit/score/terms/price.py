"""What a mouthpiece costs, for somebody of whom only a level is known."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from matchkit.score.asked import Asked
from matchkit.score.term import Term

Array = NDArray[np.float64]


def _over_the_middle(asked: Asked) -> Array:
    """Return each mouthpiece's price over the middle of the house's on that instrument; nan where it has none."""
    return asked.pairs.of_facings(lambda facing: facing.mouthpiece.price) / asked.usual_price


TERMS = (
    Term(
        name="price",
        weight=1,
        good=0.5,
        poor=2.5,
        unit="",
        meaning="price of the mouthpiece over the middle of those of the instrument, with a level only",
        measure="the price of the mouthpiece",
        part="price",
        value=_over_the_middle,
        counts=lambda asked: float(asked.view.level is not None and asked.view.present is None),
    ),
)
