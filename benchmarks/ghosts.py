"""Bumps that are not there, and those that are: part of ``make bench``. Pieces of a known truth, invented and seeded."""

from __future__ import annotations

from ghost_pieces import DENSE, SHAPES, Bench, alarms, found
from measuring import show

COUNT = 100


def main() -> None:
    """Measure and print."""
    rows: list[tuple[str, ...]] = [("sound pieces, step mm", *SHAPES, "wanted")]
    for step in (0.02, 0.05, 0.1, 0.2, 0.25, 0.5):
        counts = [f"{alarms(shape, Bench(step), COUNT)} of {COUNT}" for shape in SHAPES]
        rows.append((f"{step:g}", *counts, "at most 3"))
    show(rows)
    rows = [("bump, touch mm, feelers", "named at its place", "mean height", "wanted")]
    for size, wanted in ((20.0, ""), (30.0, "at least 80, within 25 %"), (40.0, "at least 95, within 25 %")):
        for touch in (0.02, 0.05):
            for name, feelers in (("10 feelers", Bench(0.02).feelers), ("22 feelers", DENSE)):
                count, height = found(size, Bench(0.02, touch, feelers), COUNT)
                rows.append((f"{size:g} um, {touch:g}, {name}", f"{count} of {COUNT}", f"{height:.0f} um", wanted))
    print()
    show(rows)


if __name__ == "__main__":
    main()
