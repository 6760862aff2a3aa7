"""What training changed of the answers of a house, and where the model was written."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from matchkit.learn.blend import Blend
from matchkit.learn.kriging.variances import NAMES


@dataclass(frozen=True)
class CountsNow:
    """A mark that was taken for a slip before, and counts by what was learned of how far marks scatter."""

    mark: float
    player_id: str
    mouthpiece_id: str
    reed_id: str


@dataclass(frozen=True)
class Moved:
    """What training changed: how far expected marks moved on what was played (mean, points), and the part whose variance moved most.

    ``part`` is one of the model's, ``factor`` what its standard deviation was multiplied by.
    """

    mean: float
    part: str
    factor: float
    counts: tuple[CountsNow, ...] = ()


@dataclass(frozen=True)
class Trained:
    """The file that was written, the playtests behind it, and what training changed."""

    path: Path
    tests: int
    moved: Moved


def moved_by(before: Blend, after: Blend) -> Moved:
    """Return how two models of the same marks differ."""
    off = []
    for name, known in after.by_instrument.items():
        earlier = before.by_instrument.get(name)
        if earlier is None or earlier.tests.ids != known.tests.ids:
            continue
        one, other = (
            found.marks.mark - found.weighed.noise(found.variances) * found.settled.pull for found in (earlier, known)
        )
        off.append(np.abs(one - other))
    ratios = {part: getattr(after.variances, part) / max(getattr(before.variances, part), 1e-9) for part in NAMES}
    part = max(ratios, key=lambda name: abs(np.log(max(ratios[name], 1e-9))))
    return Moved(
        float(np.concatenate(off).mean()) if off else 0.0, part, float(ratios[part]), tuple(_counts_now(before, after))
    )


def _counts_now(before: Blend, after: Blend) -> Iterator[CountsNow]:
    """Yield the marks that one model took for slips, and the other does not."""
    for name, known in after.by_instrument.items():
        earlier = before.by_instrument.get(name)
        if earlier is None or earlier.tests.ids != known.tests.ids:
            continue
        tests = known.tests
        for row in sorted(set(earlier.slips.tolist()) - set(known.slips.tolist())):
            yield CountsNow(float(tests.rating[row]), tests.players[row], tests.mouthpieces[row], tests.reeds[row])
