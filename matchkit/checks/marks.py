"""Odd marks: such as are likelier a slip than not, from all other marks together."""

from __future__ import annotations

from matchkit.errors import Problem
from matchkit.learn.blend import Blend


def odd_marks(blend: Blend) -> tuple[Problem, ...]:
    """Return a question for each mark that is taken for a slip; it does not count until the player gives another one like it."""
    found = []
    for known in blend.by_instrument.values():
        rows = known.slips.tolist()
        for row, missed in zip(rows, known.missed_without(rows) if rows else (), strict=True):
            tests = known.tests
            mark = float(tests.rating[row])
            likely = min(max(mark - float(missed), 0.0), 10.0)
            what = f"{mark:g} by {tests.players[row]} for {tests.mouthpieces[row]} with {tests.reeds[row]} ({tests.ids[row]})"
            found.append(
                Problem(
                    "playtests",
                    None,
                    "overall",
                    what,
                    f"about {likely:.1f} by all other marks",
                    f"it does not count yet: correct a slip by matchkit log --corrects {tests.ids[row]}, or play it once more",
                )
            )
    return tuple(sorted(found, key=lambda problem: problem.read))
