"""A small house for tests of what is learned: five mouthpieces, eight reeds, five players. Invented."""

from __future__ import annotations

import csv
from collections.abc import Iterable, Sequence
from pathlib import Path

TABLES = {
    "mouthpieces": "id, instrument, tip_opening_mm, facing_length_mm, baffle_height_mm, chamber_volume_cm3",
    "reeds": "id, instrument, cut, profile_id, strength",
    "ligatures": "id, contact",
    "reed_profiles": "profile_id, x_mm, thickness_mm",
    "strength_scale": "profile_id, strength, modulus_gpa",
    "players": "id, instrument, mouthpiece_id, reed_id",
    "playtests": "id, player_id, mouthpiece_id, reed_id, ligature_id, session, overall",
    "facings": "mouthpiece_id, rail, feeler_mm, stop_mm",
}
TIPS = (1.7, 1.8, 1.9, 2.0, 2.15)
THICKNESS = ((1, 0.11), (2, 0.15), (5, 0.27), (10, 0.54), (15, 0.81), (20, 1.13), (30, 1.96), (36, 2.5))
Mark = tuple[str, str, str, float]
"""Player, mouthpiece, reed, mark."""


def write(folder: Path, table: str, rows: Iterable[Sequence[object]]) -> None:
    """Write one table."""
    with (folder / f"{table}.csv").open("w", encoding="utf-8", newline="") as file:
        writer = csv.writer(file)
        writer.writerow(TABLES[table].split(", "))
        writer.writerows(rows)


def small_house(folder: Path, marks: Sequence[Mark]) -> Path:
    """Write the tables, with these marks each in a session of its own."""
    folder.mkdir(parents=True, exist_ok=True)
    pieces = [(f"A{round(tip * 50)}", "alto", tip, 21.5 + k % 2, 4.5 + 0.5 * k, 5.4 + 0.1 * k) for k, tip in enumerate(TIPS)]
    write(folder, "mouthpieces", pieces)
    write(folder, "facings", [])
    write(folder, "reed_profiles", [(line, x, t) for line in ("J", "S") for x, t in THICKNESS])
    steps = [
        (line, strength, base * 1.16 ** ((strength - 3) / 0.5))
        for line, base in (("J", 8.0), ("S", 8.4))
        for strength in (2, 2.5, 3, 3.5)
    ]
    write(folder, "strength_scale", [(line, strength, round(gpa, 4)) for line, strength, gpa in steps])
    write(folder, "reeds", [(f"{line}-{s:g}", "alto", "filed" if line == "J" else "unfiled", line, s) for line, s, _ in steps])
    write(folder, "ligatures", [("L1", "plate")])
    write(folder, "players", [(f"P{k}", "alto", "A90", "S-2.5" if k else "S-3") for k in range(5)])
    rows = [(f"T{k:04d}", player, piece, reed, "", f"E{k:04d}", mark) for k, (player, piece, reed, mark) in enumerate(marks)]
    write(folder, "playtests", rows)
    return folder
