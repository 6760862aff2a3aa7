"""One million combinations against five thousand playtests: ``make million``. The house is made up of numbers only."""

from __future__ import annotations

import resource
import time
from typing import Any

import numpy as np

import matchkit as mk
from matchkit.records.parts import Ligature, Mouthpiece, ProfilePoint, Reed, StrengthStep
from matchkit.records.people import Player, Playtest
from matchkit.records.spec import HouseSpec
from matchkit.tables.store import Tables

MOUTHPIECES, REEDS, PROFILES, LIGATURES, TESTS, PLAYERS = 250, 400, 20, 10, 5000, 40
THICKNESS = ((1, 0.11), (2, 0.15), (5, 0.27), (10, 0.49), (15, 0.74), (20, 1.03), (30, 1.78), (36, 2.3))


def million_house() -> mk.House:
    """A house of 250 x 400 x 10 alto combinations and 5,000 playtests; seeded."""
    rng = np.random.default_rng(20)
    pieces = [
        Mouthpiece(
            id=f"M{k:03d}",
            instrument="alto",
            tip_opening_mm=round(float(rng.uniform(1.5, 2.3)), 3),
            facing_length_mm=round(float(rng.uniform(19, 24)), 2),
            baffle_height_mm=round(float(rng.uniform(3.5, 7)), 2),
            chamber_volume_cm3=round(float(rng.uniform(4.8, 6.5)), 2),
            body_diameter_mm=25.0,
        )
        for k in range(MOUTHPIECES)
    ]
    points, steps, reeds = [], [], []
    for profile in range(PROFILES):
        bulge = 1 + rng.normal(0, 0.02, len(THICKNESS))
        points += [
            ProfilePoint(profile_id=f"A{profile:02d}", x_mm=x, thickness_mm=round(t * float(b), 4))
            for (x, t), b in zip(THICKNESS, bulge, strict=True)
        ]
        for step in range(REEDS // PROFILES):
            strength = 1.5 + 0.15 * step
            modulus = 5.8 * 1.12 ** ((strength - 3) / 0.5)
            steps.append(
                StrengthStep(profile_id=f"A{profile:02d}", strength=round(strength, 2), modulus_gpa=modulus, spread_pct=8)
            )
            reeds.append(
                Reed.model_validate(
                    {
                        "id": f"R{profile:02d}-{step:02d}",
                        "instrument": "alto",
                        "cut": "filed" if profile % 2 else "unfiled",
                        "profile_id": f"A{profile:02d}",
                        "strength": round(strength, 2),
                    }
                )
            )
    kinds = ("rails", "plate", "wrap", "points")
    ligatures = [
        Ligature.model_validate({"id": f"L{k}", "contact": kinds[k % 4], "min_diameter_mm": 20, "max_diameter_mm": 30})
        for k in range(LIGATURES)
    ]
    players = [Player(id=f"P{k:02d}", instrument="alto", mouthpiece_id="M010", reed_id="R03-08") for k in range(PLAYERS)]
    tests = [
        Playtest(
            id=f"T{k:04d}",
            player_id=f"P{int(rng.integers(PLAYERS)):02d}",
            mouthpiece_id=f"M{int(rng.integers(MOUTHPIECES)):03d}",
            reed_id=reeds[int(rng.integers(REEDS))].id,
            ligature_id=f"L{int(rng.integers(LIGATURES))}",
            session=f"S{k // 7}",
            overall=round(float(rng.uniform(0, 10)), 1),
        )
        for k in range(TESTS)
    ]
    tables: dict[str, Any] = dict.fromkeys(Tables.__dataclass_fields__, ())
    tables |= {
        "source": "million",
        "mouthpieces": tuple(pieces),
        "reeds": tuple(reeds),
        "reed_profiles": tuple(points),
        "strength_scale": tuple(steps),
        "ligatures": tuple(ligatures),
        "players": tuple(players),
        "playtests": tuple(tests),
        "spec": HouseSpec(),
    }
    return mk.House(Tables(**tables))


def main() -> None:
    """Measure and print."""
    house = million_house()
    start = time.perf_counter()
    workshop = house.workshop
    view = workshop.view("P01")
    m, r = np.divmod(np.arange(MOUTHPIECES * REEDS), REEDS)
    workshop.pairs(workshop.facings, workshop.reeds, m, r, lip_mm=view.lip_mm)
    solved = time.perf_counter()
    print(f"parts and contact: {solved - start:.1f} s for {len(workshop.book)} distinct problems, each solved once")
    _ = workshop.blend
    fitted = time.perf_counter()
    print(f"model fitted: {fitted - solved:.1f} s for {TESTS} playtests")
    ranking = house.rank("P01", top=50)
    warm = time.perf_counter() - fitted
    memory = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    print(f"rank: {warm:.1f} s for {ranking.combinations} combinations, top {len(ranking.rows)} (wanted: under 5 s)")
    print(f"peak memory: {memory:.0f} MB (wanted: under 1000 MB)")


if __name__ == "__main__":
    main()
