"""The figures of the project, printed as tables: the first part of ``make bench``.

Errors on the demo house are on invented data.
"""

from __future__ import annotations

import sys

import numpy as np
from measuring import best_of, cold, show
from solver import closed_form_miss, solver_speed

import matchkit as mk
from matchkit.learn.marks import DEFAULT_SETTINGS
from matchkit.learn.trial.choosing import folds_of
from matchkit.learn.trial.folds import FoldTable


def errors(house: mk.House) -> list[tuple[str, float, float, float]]:
    """Mean absolute error of the average, physics alone and the blend, out of fold, on both splits."""
    tests = house.learner.rated_tests
    table = FoldTable(tests, house.parts.ligatures)
    rows = []
    for split in ("new player", "new mouthpiece"):
        found = table.predict(table.questions(folds_of(tests, split)), DEFAULT_SETTINGS)
        computed, blended = found.computed, found.blended
        seen = np.isfinite(blended)
        rating = tests.rating[seen]
        average = float(np.abs(rating - rating.mean()).mean())
        physics, blend = (float(np.abs(rating - guess[seen]).mean()) for guess in (computed, blended))
        rows.append((split, average, physics, blend))
    return rows


def main() -> None:
    """Measure and print."""
    house = mk.open()
    house.rank("P01")
    mine, theirs, count = solver_speed(house)
    python = sys.executable
    own, _ = cold(python, "-c", "")
    imported, _ = cold(python, "-c", "import matchkit")
    helped, _ = cold(python, "-m", "matchkit", "--help")
    warm = best_of(lambda: house.rank("P02"))
    show(
        [
            ("figure", "found", "wanted"),
            ("contact: off the closed forms", f"{100 * closed_form_miss():.4f} % of opening", "at most 0.1 %"),
            ("contact: times faster than nnls", f"{theirs / mine:.1f} over {count} solutions", "at least 1"),
            ("contact: one solution", f"{mine * 1e6:.0f} µs, nnls {theirs * 1e6:.0f} µs", ""),
            ("import matchkit", f"{1e3 * (imported - own):.0f} ms CPU over the interpreter's {1e3 * own:.0f}", "under 50 ms"),
            ("matchkit --help", f"{1e3 * helped:.0f} ms CPU", "under 150 ms"),
            ("House.rank, warm", f"{1e3 * warm:.0f} ms", ""),
        ]
    )
    print("\nMean absolute error of an overall mark, out of fold, on the demo house (invented data):")
    show(
        [
            ("split", "average, physics, blend"),
            *((split, f"{average:.3f}  {physics:.3f}  {blend:.3f}") for split, average, physics, blend in errors(house)),
        ]
    )


if __name__ == "__main__":
    main()
