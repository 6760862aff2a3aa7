"""The figures of the book, printed as a table: the third part of ``make bench``. Everything on invented playtests."""

from __future__ import annotations

import csv
import shutil
import sys
import tempfile
import time
from pathlib import Path

import numpy as np
from book_writers import kill_writers
from measuring import REPEATS, run, show
from postgres_server import server

import matchkit as mk
from matchkit.files import shipped
from matchkit.tables.carry import carry_in

MANY = 100_000
KILLS = 300


def large_house(folder: Path) -> None:
    """Write the demo house with a hundred thousand playtests: those of the demo house, marked anew by chance about their marks."""
    shutil.copytree(shipped("data/demo"), folder)
    path = folder / "playtests.csv"
    with path.open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    rng = np.random.default_rng(1)
    with path.open("w", encoding="utf-8", newline="") as file:
        writer = csv.DictWriter(file, list(rows[0]))
        writer.writeheader()
        for number in range(MANY):
            row = rows[number % len(rows)]
            mark = float(np.clip(float(row["overall"]) + rng.normal(0, 0.5), 0, 10))
            writer.writerow(
                {**row, "id": f"B{number:06d}", "session": f"{row['session']}-{number // len(rows)}", "overall": f"{mark:.1f}"}
            )


def main() -> None:
    """Measure and print."""
    rows = [("figure", "found", "wanted")]
    with tempfile.TemporaryDirectory() as place:
        folder = Path(place)
        large_house(folder / "large")
        start = time.perf_counter()
        carry_in(folder / "large", folder / "large.sqlite")
        rows.append((f"import of {MANY:,} playtests into SQLite", f"{time.perf_counter() - start:.1f} s", "under 15 s"))
        house = mk.open(folder / "large.sqlite")
        start = time.perf_counter()
        house.train(folder / "large.npz")
        rows.append((f"training on {MANY:,} playtests", f"{time.perf_counter() - start:.1f} s", "under 60 s"))
        carry_in(shipped("data/demo"), folder / "shop.sqlite")
        words = ["log", "--data", str(folder / "shop.sqlite"), "--player", "P02", "--mouthpiece", "AM-05", "--reed", "AR-A-2.5"]
        marks = (run([sys.executable, "-m", "matchkit", *words, "--overall", str(mark)]) for mark in range(REPEATS))
        cpu = min(cost.cpu for cost in marks)  # another mark each time: one typed twice would be refused
        rows.append(("matchkit log of one, cold", f"{cpu:.2f} s CPU", "under 0.7 s"))
        carry_in(shipped("data/demo"), folder / "killed.sqlite")
        told, there = kill_writers(str(folder / "killed.sqlite"), KILLS, seed=6)
        rows.append(
            (
                f"{KILLS} kills of a writer, SQLite",
                f"{told} rows told as written, {there} there, none lost or half written",
                "none lost",
            )
        )
        with server() as postgres:
            target = f"{postgres}/postgres"
            start = time.perf_counter()
            carry_in(folder / "large", target)
            rows.append((f"import of {MANY:,} playtests into PostgreSQL", f"{time.perf_counter() - start:.1f} s", "under 15 s"))
        with server() as postgres:
            target = f"{postgres}/postgres"
            carry_in(shipped("data/demo"), target)
            told, there = kill_writers(target, KILLS, seed=7)
            rows.append(
                (
                    f"{KILLS} kills of a writer, PostgreSQL",
                    f"{told} rows told as written, {there} there, none lost or half written",
                    "none lost",
                )
            )
    show(rows)


if __name__ == "__main__":
    main()
