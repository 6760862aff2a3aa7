"""Whether the rails of a piece were written for one another since they were read before."""

from __future__ import annotations

from collections.abc import Sequence

from matchkit.maker.measure.history import Size, are_exchanged
from matchkit.maker.measure.stations import mean_apart, rails_apart
from matchkit.parts.facing import lay_of_rails, rails_of
from matchkit.records.parts import Mouthpiece
from matchkit.records.sets import ReadingSet
from matchkit.records.spec import Gauge
from matchkit.units import MM


def rails_exchanged(piece: Mouthpiece, sets: Sequence[ReadingSet], *, gauge: Gauge) -> bool:
    """Tell whether the rails of a piece are, by the latest of its readings, as they were before that, the other way round."""
    if len(sets) < 2:
        return False
    was, now = (_apart(piece, one, gauge) for one in sets[-2:])
    return are_exchanged(was, now)


def _apart(piece: Mouthpiece, read: ReadingSet, gauge: Gauge) -> Size | None:
    """Return left minus right on average over the feelers of a set; None where both rails were not read."""
    rails = rails_of(piece, read.readings, read.points, gauge=gauge)
    if len(rails) < 2:
        return None
    fair = lay_of_rails(rails, tip_opening_m=piece.tip_opening_mm * MM, u_tip_m=gauge.u_tip_mm * MM).fair
    heights = sorted({float(height) / MM for rail in rails.values() for height in rail.height_m})
    mean = mean_apart(rails_apart(rails, fair, heights))
    return None if mean is None else Size(*mean)
