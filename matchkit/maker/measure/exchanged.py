"""Whether the rails of a piece were written for one another since they were read before."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from matchkit.maker.measure.history import Size, are_exchanged
from matchkit.maker.measure.stations import RAILS, mean_apart, rails_apart
from matchkit.parts.facing import lay_of_rails, rails_of
from matchkit.physics.lay.fair import Readings
from matchkit.records.parts import Mouthpiece
from matchkit.records.sets import ReadingSet
from matchkit.records.spec import Gauge
from matchkit.units import MM


def rails_exchanged(piece: Mouthpiece, sets: Sequence[ReadingSet], *, gauge: Gauge) -> bool:
    """Tell whether the rails of a piece are, by the latest of its readings, as they were before that, the other way round."""
    if len(sets) < 2:
        return False
    before, after = (rails_of(piece, one.readings, one.points, gauge=gauge) for one in sets[-2:])
    if len(before) < 2 or len(after) < 2:
        return False
    moved: dict[str, Size] = {name: size for name in RAILS if (size := _moved(before[name], after[name])) is not None}
    return are_exchanged(_apart(piece, before, gauge), _apart(piece, after, gauge), moved)


def _moved(before: Readings, after: Readings) -> Size | None:
    """Return how far the stops of a rail moved on average; None where no feeler was read in both sets."""
    shared, one, other = np.intersect1d(before.height_m, after.height_m, return_indices=True)
    if not len(shared):
        return None
    u = math.hypot(*before.u_place_m[one], *after.u_place_m[other]) / len(shared)
    return Size(float((after.place_m[other] - before.place_m[one]).mean()) / MM, u / MM)


def _apart(piece: Mouthpiece, rails: dict[str, Readings], gauge: Gauge) -> Size | None:
    """Return left minus right on average over the feelers of a set; None where no feeler was read on both rails."""
    fair = lay_of_rails(rails, tip_opening_m=piece.tip_opening_mm * MM, u_tip_m=gauge.u_tip_mm * MM).fair
    heights = sorted({float(height) / MM for rail in rails.values() for height in rail.height_m})
    mean = mean_apart(rails_apart(rails, fair, heights))
    return None if mean is None else Size(*mean)
