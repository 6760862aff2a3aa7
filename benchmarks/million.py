"""A house of a million combinations: 250 mouthpieces, 400 reeds, 10 ligatures, and 5,000 playtests. Made up of numbers only, seeded.

Half the mouthpieces were read with feelers. ``make bench`` ranks it from csv tables, as a shop would.
"""

from __future__ import annotations

import csv
import sys
from collections.abc import Iterable, Sequence
from pathlib import Path

import numpy as np

MOUTHPIECES, REEDS, PROFILES, LIGATURES, TESTS, PLAYERS = 250, 400, 20, 10, 5000, 40
THICKNESS = ((1, 0.11), (2, 0.15), (5, 0.27), (10, 0.49), (15, 0.74), (20, 1.03), (30, 1.78), (36, 2.3))
FEELERS = (1.2, 0.9, 0.6, 0.4, 0.2, 0.1, 0.038)
CONTACTS = ("rails", "plate", "wrap", "points")


def write_table(folder: Path, table: str, columns: str, rows: Iterable[Sequence[object]]) -> None:
    """Write one table."""
    with (folder / f"{table}.csv").open("w", encoding="utf-8", newline="") as file:
        writer = csv.writer(file)
        writer.writerow(columns.split(", "))
        writer.writerows(rows)


def million_house(
    folder: Path, *, mouthpieces: int = MOUTHPIECES, reeds: int = REEDS, ligatures: int = LIGATURES, tests: int = TESTS
) -> Path:
    """Write the tables into a new folder."""
    folder.mkdir(parents=True)
    rng = np.random.default_rng(20)
    pieces = [
        (
            f"M{k:03d}",
            "alto",
            round(float(rng.uniform(1.5, 2.3)), 3),
            round(float(rng.uniform(19, 24)), 2),
            round(float(rng.uniform(3.5, 7)), 2),
            round(float(rng.uniform(4.8, 6.5)), 2),
            25.0,
        )
        for k in range(mouthpieces)
    ]
    columns = "id, instrument, tip_opening_mm, facing_length_mm, baffle_height_mm, chamber_volume_cm3, body_diameter_mm"
    write_table(folder, "mouthpieces", columns, pieces)
    readings = []
    for name, _, tip, length, *_ in pieces[::2]:
        run = float(length) / (1 - np.sqrt(0.038 / float(tip)))  # a parabola that is as high as the thin feeler there
        for rail in ("left", "right"):
            for feeler in FEELERS:
                if feeler < 0.9 * float(tip):
                    stop = run * (1 - np.sqrt(feeler / float(tip))) + rng.normal(0, 0.03)
                    readings.append((name, rail, feeler, round(float(stop), 2)))
    write_table(folder, "facings", "mouthpiece_id, rail, feeler_mm, stop_mm", readings)
    points, steps, reed_rows = [], [], []
    profiles = min(PROFILES, reeds)
    for profile in range(profiles):
        bulge = 1 + rng.normal(0, 0.02, len(THICKNESS))
        points += [(f"A{profile:02d}", x, round(t * float(b), 4)) for (x, t), b in zip(THICKNESS, bulge, strict=True)]
        for step in range(reeds // profiles):
            strength = round(1.5 + 0.15 * step * 20 * profiles / reeds, 2)
            steps.append((f"A{profile:02d}", strength, round(5.8 * 1.12 ** ((strength - 3) / 0.5), 6), 8))
            cut = "filed" if profile % 2 else "unfiled"
            reed_rows.append((f"R{profile:02d}-{step:02d}", "alto", cut, f"A{profile:02d}", strength))
    write_table(folder, "reed_profiles", "profile_id, x_mm, thickness_mm", points)
    write_table(folder, "strength_scale", "profile_id, strength, modulus_gpa, spread_pct", steps)
    write_table(folder, "reeds", "id, instrument, cut, profile_id, strength", reed_rows)
    kinds = [(f"L{k}", CONTACTS[k % 4], 20, 30) for k in range(ligatures)]
    write_table(folder, "ligatures", "id, contact, min_diameter_mm, max_diameter_mm", kinds)
    present = (pieces[min(10, mouthpieces - 1)][0], reed_rows[min(68, len(reed_rows) - 1)][0])
    write_table(
        folder, "players", "id, instrument, mouthpiece_id, reed_id", [(f"P{k:02d}", "alto", *present) for k in range(PLAYERS)]
    )
    marks = [
        (
            f"T{k:06d}",
            f"P{int(rng.integers(PLAYERS)):02d}",
            pieces[int(rng.integers(mouthpieces))][0],
            reed_rows[int(rng.integers(len(reed_rows)))][0],
            f"L{int(rng.integers(ligatures))}",
            f"S{k // 7}",
            round(float(rng.uniform(0, 10)), 1),
        )
        for k in range(tests)
    ]
    write_table(folder, "playtests", "id, player_id, mouthpiece_id, reed_id, ligature_id, session, overall", marks)
    return folder


if __name__ == "__main__":
    print(million_house(Path(sys.argv[1])))
