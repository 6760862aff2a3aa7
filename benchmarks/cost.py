"""What a question costs: ``make bench``, or ``make bench AGAINST=COMMIT`` for the figures of an earlier commit in the same run.

Everything is invented. Speeds are ratios to importing numpy, pydantic and click, or of the same question on the earlier commit.
"""

from __future__ import annotations

import sys
import tempfile
from collections.abc import Callable
from pathlib import Path

from measuring import Cost, Tree, show, trees
from million import million_house

IMPORTS = "import numpy, pydantic, click"
RANK = ("-m", "matchkit", "rank", "P02")
WHATIF = ("-m", "matchkit", "whatif", "AM-05", "--player", "P02", "--tip", "-0.2:0.29:0.01")
TRAIN = "import matchkit as mk, sys; mk.open(cache=False).train(sys.argv[1])"
REPEATS = 5
THREADS = ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS")

CONTACT = """
import time
import matchkit as mk
from matchkit.pairs import contacts
house = mk.open()
parts = house.parts
problems = [
    (facing, reed, contacts.ContactKey(facing.key, reed.shape_key, 0.0, lip))
    for lip in (9.0, 9.5, 10.0, 10.5)
    for facing in parts.facings
    for reed in {part.shape_key: part for part in parts.reeds_for(facing.mouthpiece.instrument)}.values()
]
blocks = [problems[start : start + contacts.BLOCK] for start in range(0, len(problems), contacts.BLOCK)]
times = []
for _ in range(7):
    start = time.process_time()
    for block in blocks:
        contacts.solve_block(block)
    times.append(time.process_time() - start)
print(min(times) / len(problems) * 1e6)
"""
"""A new contact problem as a ranking solves it, all in: microseconds."""

MILLION = """
import matchkit as mk, sys
ranking = mk.open(sys.argv[1]).rank("P01", top=50)
print(ranking.combinations, ranking.rows[0].mouthpiece_id, ranking.rows[0].reed_id)
"""


def least(work: Callable[[], Cost], repeats: int = REPEATS) -> Cost:
    """Return the run that took least CPU of a few."""
    return min((work() for _ in range(repeats)), key=lambda cost: cost.cpu)


def of_tree(tree: Tree, house: Path, imports: float) -> dict[str, tuple[float, str]]:
    """Measure one tree: figures with their unit."""
    with tempfile.TemporaryDirectory() as place:
        folder = Path(place)
        count = iter(range(1000))
        ranked = least(lambda: tree.run(*RANK, cache=folder / f"cold{next(count)}"))
        warm = folder / "warm"
        tree.run(*RANK, cache=warm)
        again = least(lambda: tree.run(*RANK, cache=warm))
        contact = float(tree.run("-c", CONTACT, cache=folder / "contact").said)
        many = least(lambda: tree.run("-c", MILLION, str(house), cache=folder / f"many{next(count)}"), 3)
        one = least(
            lambda: tree.run("-c", MILLION, str(house), cache=folder / f"one{next(count)}", **dict.fromkeys(THREADS, "1")), 3
        )
        filled = folder / "filled"
        tree.run("-c", MILLION, str(house), cache=filled)
        kept = least(lambda: tree.run("-c", MILLION, str(house), cache=filled), 3)
    return {
        "rank P02, cold, over the imports": (ranked.cpu / imports, "x"),
        "rank P02, cold": (ranked.cpu, "s CPU"),
        "rank P02, cold, memory": (ranked.memory, "MB"),
        "rank P02, cache filled, over the imports": (again.cpu / imports, "x"),
        "a new contact problem": (contact, "us"),
        "1e6 combinations, cold": (many.cpu, "s CPU"),
        "1e6 combinations, cache filled": (kept.cpu, "s CPU"),
        "1e6 combinations, two threads over one": (many.cpu / one.cpu, "x"),
        "1e6 combinations, memory": (many.memory, "MB"),
    }


def of_this_tree(tree: Tree) -> dict[str, tuple[float, str]]:
    """Measure what earlier trees did not have."""
    with tempfile.TemporaryDirectory() as place:
        folder = Path(place)
        count = iter(range(1000))
        changed = least(lambda: tree.run(*WHATIF, cache=folder / f"cold{next(count)}"))
        trained = least(lambda: tree.run("-c", TRAIN, str(folder / "model.npz"), cache=folder), 3)
    return {"whatif, 50 values, cold": (changed.cpu, "s CPU"), "train on 900 marks": (trained.cpu, "s CPU")}


WANTED = {
    "whatif, 50 values, cold": "under 1.5 s",
    "train on 900 marks": "under 6 s",
    "rank P02, cold, over the imports": "at most 6.5",
    "rank P02, cold, memory": "under 170",
    "rank P02, cache filled, over the imports": "at most 5",
    "a new contact problem": "at most 0.36 of before (110 where 303 was)",
    "1e6 combinations, cold": "at most 0.65 of before",
    "1e6 combinations, cache filled": "at most 0.35 of before, cold",
    "1e6 combinations, two threads over one": "at most 1.3",
}


def main(against: str | None) -> None:
    """Measure and print."""
    with trees(against) as both, tempfile.TemporaryDirectory() as place:
        house = million_house(Path(place) / "million")
        imports = least(lambda: both[-1].run("-c", IMPORTS, cache=Path(place))).cpu
        found = [of_tree(tree, house, imports) for tree in both]
    print(f"importing numpy, pydantic and click: {imports:.3f} s CPU")
    now = found[-1]
    titles = ["figure", *(tree.name for tree in both), "of before", "wanted"]
    rows = [titles if against else [*titles[:2], titles[-1]]]
    for name, (value, unit) in now.items():
        cells = [f"{figures[name][0]:.4g} {unit}" for figures in found]
        if against:
            base = found[0]["1e6 combinations, cold"] if name.startswith("1e6") and unit == "s CPU" else found[0][name]
            cells.append(f"{value / base[0]:.2f}")
        rows.append([name, *cells, WANTED.get(name, "")])
    rows += [
        [name, *[""] * (len(both) - 1), f"{value:.4g} {unit}", *[""] * bool(against), WANTED[name]]
        for name, (value, unit) in of_this_tree(both[-1]).items()
    ]
    show(rows)


if __name__ == "__main__":
    main(sys.argv[1] if len(sys.argv) > 1 and sys.argv[1] else None)
