"""Write the blind trials of the demo house: ``python data/make_trials.py``. Everything in them is invented.

Five tenor players choose between ligatures on one mouthpiece and reed, by the plans that ``matchkit plan`` makes. Planted: L-05 is brighter
than L-11 by 1.2 standard deviations of what a player perceives; between L-02 and L-07 there is no difference at all. Each player names the
one that seems brighter: the planted difference plus what is perceived by chance (Thurstone's model).
"""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np

from matchkit.cli.printing import to_csv
from matchkit.playtest.design.plan import plan_test
from matchkit.records.trials import Trial

PLAYERS = ("P07", "P08", "P09", "P10", "P12")
BASE = "TM-04/TR-A-3"
PLANTED = (("LIG-1", "L-05", "L-11", 1.2), ("LIG-2", "L-02", "L-07", 0.0))
"""Session, the two ligatures, and by how much the first is brighter."""
TRIALS = 60
SEED = 20261126


def make(folder: Path) -> None:
    """Plan both tests, let the invented players answer, and write them."""
    rng = np.random.default_rng(SEED)
    rows = []
    for place, (session, one, other, brighter) in enumerate(PLANTED):
        sets = (f"{BASE}/{one}", f"{BASE}/{other}")
        plan = plan_test(
            "two", sets, players=PLAYERS, session=session, seed=SEED + place, attribute="brightness", trials=TRIALS
        )
        for row in plan.rows():
            seems = [(brighter if letter == "A" else 0.0) + rng.normal() for letter in row["shown"]]
            rows.append({**row, "date": f"2025-11-{3 + place:02d}", "answer": 1 if seems[0] > seems[1] else 2})
    (folder / "trials.csv").write_text(to_csv(rows, list(Trial.model_fields)), encoding="utf-8")


if __name__ == "__main__":
    make(Path(sys.argv[1]) if len(sys.argv) > 1 else Path(__file__).parent / "demo")
