"""The figures of the project, printed as tables: the first part of ``make bench``.

Errors on the demo house are on invented data.
"""

from __future__ import annotations

import sys

import numpy as np
from measuring import best_of, cold, show
from solver import closed_form_miss, solver_speed

import matchkit as mk
from matchkit.learn.blend import fit_blend
from matchkit.learn.trial.folds import folds_of, predict_tests


def errors(house: mk.House) -> list[tuple[str, float, float, float]]:
    """Mean absolute error of the average, physics alone and the blend, out of fold, by what is held out, at the prior variances."""
    tests = house.learner.rated_tests
    rows = []
    for split in ("new player", "new mouthpiece", "new pair"):
        missed = []
        for train, test in folds_of(tests, split):
            blend, asked = fit_blend(tests.take(train), bounds=False), tests.take(test)
            guesses = (
                np.full(len(test), tests.rating[train].mean()),
                blend.computed(asked.overall_d),
                predict_tests(blend, asked)[0],
            )
            missed.append(np.array([np.abs(asked.rating - guess) for guess in guesses]))
        average, physics, both = (float(value) for value in np.concatenate(missed, axis=1).mean(axis=1))
        rows.append((split, average, physics, both))
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
