"""Write the demo batch and the demo gauge study: forty invented tenor pieces with faults planted on purpose, read at an invented bench.

Run from the checkout: ``python data/make_bench.py [FOLDER]`` (default ``data/demo-bench``). ``docs/demo-house.md`` lists the faults. Everything is
invented and seeded, so what is found proves the machinery and says nothing about the world.
"""

from __future__ import annotations

import csv
import math
import sys
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
from make_demo import stop_of

from matchkit.records.quantity import quantities
from matchkit.records.schema import TABLES
from matchkit.records.study import StudyReading

SEED = 20261125
MODEL = "TB-25"
COUNT = 40
FEELERS_MM = (0.038, 0.1, 0.2, 0.4, 0.6, 0.9, 1.2, 1.6)
TIP_MM, BREAK_MM, POWER = 2.50, 28.0, 2.0
U_FEELER_MM, U_STOP_MM, U_TIP_MM = 0.004, 0.05, 0.02


@dataclass(frozen=True)
class Truth:
    """What a piece really is: tip opening, break of either rail, power of the lay, and what is measured beside the facing, in mm."""

    tip: float = TIP_MM
    left: float = BREAK_MM
    right: float = BREAK_MM
    power: float = POWER
    table: float = -0.010
    baffle: float = 6.5
    bore: float = 16.0
    bump: float = 0.0

    def height(self, rail: str, x: float) -> float:
        """Return the real height of one rail."""
        edge = self.left if rail == "left" else self.right
        y = self.tip * max(1 - x / (edge + (BREAK_MM - edge) * math.exp(-x / 2)), 0.0) ** self.power
        return float(y - self.bump * math.exp(-(((x - 12.0) / 2.0) ** 2)))


FAULTS: dict[int, tuple[str, dict[str, float]]] = {
    7: ("left rail 0.3 mm short", {"left": BREAK_MM - 0.3}),
    13: ("tip 0.16 mm too open", {"tip": TIP_MM + 0.16}),
    18: ("both rails 1.4 mm long", {"left": BREAK_MM + 1.4, "right": BREAK_MM + 1.4}),
    21: ("table convex by 0.03 mm", {"table": 0.030}),
    29: ("baffle 0.8 mm too high", {"baffle": 5.7}),
    34: ("right rail 0.4 mm short", {"right": BREAK_MM - 0.4}),
}
"""By serial number: what was planted, in words, and what it does to the piece."""

DRIFT_MM = 0.0015
"""The tip opens by so much a piece over the batch, as a cutter wears."""


def make_truth(number: int, rng: np.random.Generator, *, faults: bool = True) -> Truth:
    """Return one piece as it really is: the drawing, a little scatter, the drift, and its fault where it has one."""
    edge = rng.normal(0, 0.12)
    skew = rng.normal(0, 0.02)
    piece = Truth(
        tip=TIP_MM + rng.normal(0, 0.010) + (number - COUNT / 2) * DRIFT_MM,
        left=BREAK_MM + edge + skew,
        right=BREAK_MM + edge - skew,
        table=-0.010 + rng.normal(0, 0.002),
        baffle=6.5 + rng.normal(0, 0.05),
        bore=16.0 + rng.normal(0, 0.02),
    )
    if faults and number in FAULTS:
        piece = replace(piece, **FAULTS[number][1])
    return piece


def read_stops(
    truth: Truth,
    rng: np.random.Generator,
    *,
    feeler_errors_mm: Sequence[float],
    u_stop_mm: float = U_STOP_MM,
    step_mm: float = 0.01,
    repeats: int = 2,
) -> list[dict[str, Any]]:
    """Read both rails with every feeler: the real height that a feeler marked so really has, the touch, the step."""
    rows = []
    for rail in ("left", "right"):
        for feeler, error in zip(FEELERS_MM, feeler_errors_mm, strict=True):
            place = stop_of(lambda x, rail=rail: truth.height(rail, x), feeler + error, 34.0)  # type: ignore[misc]
            for repeat in range(1, repeats + 1):
                stop = round((place + rng.normal(0, u_stop_mm)) / step_mm) * step_mm
                rows.append({"rail": rail, "feeler_mm": feeler, "stop_mm": round(stop, 3), "repeat": repeat})
    return rows


def write(path: Path, columns: Sequence[str], rows: Iterable[dict[str, Any]]) -> None:
    """Write one csv."""
    with path.open("w", encoding="utf-8", newline="") as file:
        writer = csv.DictWriter(file, columns, lineterminator="\n")
        writer.writeheader()
        writer.writerows(rows)


def make_batch(folder: Path, rng: np.random.Generator) -> None:
    """Write the pieces, their readings, and the scan of the last one."""
    folder.mkdir(parents=True, exist_ok=True)
    feelers = rng.normal(0, 0.5 * U_FEELER_MM, len(FEELERS_MM)).tolist()
    pieces, readings, scan = [], [], []
    for number in range(1, COUNT + 1):
        truth = make_truth(number, rng)
        name = f"{MODEL}-{number:02d}"
        pieces.append(
            {
                "id": name,
                "model": MODEL,
                "serial": f"{number:03d}",
                "batch": "07",
                "instrument": "tenor",
                "material": "hard rubber",
                "tip_opening_mm": f"{truth.tip + rng.normal(0, U_TIP_MM):.2f}",
                "baffle_height_mm": f"{truth.baffle + rng.normal(0, 0.05):.2f}",
                "shank_bore_mm": f"{truth.bore + rng.normal(0, 0.03):.2f}",
                "window_width_mm": f"{14.3 + rng.normal(0, 0.03):.2f}",
                "side_rail_mm": "1.0",
                "tip_rail_mm": "0.9",
                "table_gap_mm": f"{truth.table + rng.normal(0, 0.003):.3f}",
                "wall_mm": "3.5" if number % 5 else "",
                "body_diameter_mm": f"{26.5 + rng.normal(0, 0.05):.1f}",
            }
        )
        if number < COUNT:
            who = "B1" if number % 2 else "B2"
            stops = read_stops(truth, rng, feeler_errors_mm=feelers)
            readings += [
                {"mouthpiece_id": name, **row, "operator": who, "gauge_id": "G1", "date": "2026-02-03"} for row in stops
            ]
            continue
        for rail in ("left", "right"):
            for x in np.arange(0.5, 38.0, 0.25):
                height = truth.height(rail, float(x)) + rng.normal(0, 0.004)
                scan.append(
                    {"mouthpiece_id": name, "rail": rail, "x_mm": f"{x:.2f}", "height_mm": f"{height:.4f}", "gauge_id": "G2"}
                )
    for table, rows in (("mouthpieces", pieces), ("facings", readings), ("lay_points", scan)):
        write(folder / f"{table}.csv", list(quantities(TABLES[table])), rows)


def make_study(path: Path, rng: np.random.Generator) -> None:
    """Write the study: ten pieces, three people, three repeats; stops of the 0.1 mm feeler and tip openings."""
    rows: list[dict[str, Any]] = []
    people = {"B1": (0.00, 0.000), "B2": (0.04, 0.004), "B3": (-0.03, -0.006)}
    for number in range(1, 11):
        stop, tip = 22.4 + rng.normal(0, 0.35), TIP_MM + rng.normal(0, 0.05)
        for person, (far, wide) in people.items():
            for repeat in (1, 2, 3):
                for quantity, value in (
                    ("stop", stop + far + rng.normal(0, 0.05)),
                    ("tip_opening", tip + wide + rng.normal(0, 0.012)),
                ):
                    rows.append(
                        {
                            "quantity": quantity,
                            "piece": f"{number}",
                            "operator": person,
                            "repeat": repeat,
                            "reading_mm": f"{value:.3f}",
                        }
                    )
    write(path, list(quantities(StudyReading)), rows)


def make(folder: Path, seed: int = SEED) -> None:
    """Write the batch and the study into a folder."""
    streams = [np.random.default_rng(part) for part in np.random.SeedSequence(seed).spawn(2)]
    make_batch(folder / "batch", streams[0])
    make_study(folder / "study.csv", streams[1])


if __name__ == "__main__":
    make(Path(sys.argv[1]) if len(sys.argv) > 1 else Path(__file__).parent / "demo-bench")
