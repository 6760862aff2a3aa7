"""Write the demo house: an invented workshop, its parts, its players and what they said.

Run from the checkout: ``python data/make_demo.py [FOLDER]`` (default ``data/demo``). Everything is invented and seeded; no part,
player or shop exists. The rule behind the ratings is described in ``docs/demo-house.md``: it holds things that the score does
not know, so figures on this house prove the machinery and say nothing about the world.
"""

from __future__ import annotations

import csv
import math
import sys
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field
from datetime import date, timedelta
from pathlib import Path
from typing import Any

import numpy as np

from matchkit.constants import BLOW_FRACTION, FEATURE_SCALES, LIP_SHARE
from matchkit.house import open_house
from matchkit.physics.reed import ReedShape, stiffness_from_modulus_n_per_m
from matchkit.records.quantity import quantities
from matchkit.records.schema import TABLES
from matchkit.units import KPA, MM, MM2, UM

SEED = 20260207
PLAYTESTS = 900
FEELERS = {
    "clarinet": (0.038, 0.1, 0.2, 0.35, 0.5, 0.7),
    "soprano": (0.038, 0.1, 0.2, 0.4, 0.6, 0.9),
    "alto": (0.038, 0.1, 0.2, 0.4, 0.6, 0.9, 1.2),
    "tenor": (0.038, 0.1, 0.2, 0.4, 0.6, 0.9, 1.2, 1.6),
    "baritone": (0.038, 0.1, 0.2, 0.4, 0.6, 0.9, 1.2, 1.6),
}
PREFIX = {"soprano": "S", "alto": "A", "tenor": "T", "baritone": "B", "clarinet": "C"}
SIZES = {  # tip width, butt width, length, vamp, thickness at 1, 2, 5, 10, 15, 20, 30 mm and the vamp's end
    "clarinet": (12.9, 11.3, 68.0, 33.0, (0.105, 0.145, 0.265, 0.533, 0.808, 1.122, 1.947, 2.31)),
    "soprano": (14.0, 10.8, 61.0, 31.0, (0.108, 0.148, 0.268, 0.537, 0.812, 1.133, 1.947, 2.035)),
    "alto": (15.7, 11.4, 71.0, 36.0, (0.11, 0.15, 0.27, 0.539, 0.814, 1.133, 1.958, 2.53)),
    "tenor": (17.2, 12.2, 80.0, 40.0, (0.113, 0.155, 0.278, 0.556, 0.836, 1.166, 2.013, 2.97)),
    "baritone": (18.7, 13.0, 89.0, 44.0, (0.115, 0.157, 0.28, 0.558, 0.842, 1.177, 2.035, 3.3)),
}
PLACES = (1.0, 2.0, 5.0, 10.0, 15.0, 20.0, 30.0)


@dataclass
class Piece:
    """What a mouthpiece really is, before anybody measures it."""

    instrument: str
    tip: float
    break_mm: float
    power: float
    style: str
    flaw: str = ""
    nominal: bool = False
    bare: bool = False


PIECES = [
    Piece("soprano", 1.30, 21.0, 2.0, "round"),
    Piece("soprano", 1.50, 21.5, 2.1, "step"),
    Piece("soprano", 1.65, 20.5, 2.0, "round", nominal=True),
    Piece("alto", 1.55, 22.5, 2.0, "round"),
    Piece("alto", 1.70, 23.5, 2.0, "round"),
    Piece("alto", 1.80, 24.0, 2.1, "step"),
    Piece("alto", 1.85, 24.5, 2.0, "round", flaw="flat"),
    Piece("alto", 1.90, 25.0, 2.2, "long"),
    Piece("alto", 1.95, 24.0, 2.0, "step"),
    Piece("alto", 2.00, 25.5, 2.1, "round", flaw="left rail short"),
    Piece("alto", 2.10, 26.0, 2.0, "step"),
    Piece("alto", 2.20, 26.0, 2.2, "long", flaw="tip nick"),
    Piece("alto", 1.75, 23.0, 2.0, "round", nominal=True),
    Piece("alto", 2.05, 25.0, 2.0, "step", nominal=True, bare=True),
    Piece("tenor", 1.95, 25.0, 2.0, "round"),
    Piece("tenor", 2.10, 26.0, 2.0, "round"),
    Piece("tenor", 2.30, 27.0, 2.1, "step"),
    Piece("tenor", 2.40, 27.0, 2.0, "round", flaw="bump"),
    Piece("tenor", 2.50, 28.0, 2.2, "long"),
    Piece("tenor", 2.55, 27.5, 2.0, "step"),
    Piece("tenor", 2.60, 28.5, 2.1, "round", flaw="left rail short"),
    Piece("tenor", 2.70, 29.0, 2.0, "step"),
    Piece("tenor", 2.85, 29.5, 2.2, "long"),
    Piece("tenor", 2.45, 27.0, 2.0, "round", nominal=True),
    Piece("tenor", 2.65, 28.0, 2.0, "step", nominal=True, bare=True),
    Piece("baritone", 2.20, 29.0, 2.0, "round"),
    Piece("baritone", 2.60, 30.5, 2.1, "step", flaw="bump"),
    Piece("baritone", 2.80, 30.5, 2.0, "round", nominal=True),
    Piece("clarinet", 1.00, 20.0, 2.0, "round"),
    Piece("clarinet", 1.08, 20.5, 2.1, "round"),
    Piece("clarinet", 1.15, 21.0, 2.2, "round", flaw="flat"),
    Piece("clarinet", 1.20, 20.0, 2.0, "round", nominal=True),
]


@dataclass
class Line:
    """One profile with its strengths; ``modulus`` is that of strength 3, in GPa, as tested."""

    instrument: str
    letter: str
    cut: str
    material: str
    modulus: float
    strengths: tuple[float, ...]
    bend: float
    edge: float = 0.6
    measured: bool = True
    calibrated: bool = True
    spread: float = 8.0
    skip: tuple[float, ...] = ()

    @property
    def profile(self) -> str:
        """Id of the profile."""
        return f"{self.instrument}-{self.letter}"


FOUR, THREE = (2.0, 2.5, 3.0, 3.5), (2.5, 3.0, 3.5)
LINES = [
    Line("soprano", "A", "filed", "cane", 8.0, FOUR, 0.00),
    Line("soprano", "B", "unfiled", "cane", 8.27, THREE, 0.04),
    Line("alto", "A", "filed", "cane", 7.73, FOUR, -0.02, 0.58),
    Line("alto", "B", "unfiled", "cane", 8.0, FOUR, 0.05, 0.66, skip=(3.0,)),
    Line("alto", "C", "filed", "cane", 8.53, FOUR, 0.00, measured=False),
    Line("alto", "D", "unfiled", "synthetic", 6.27, FOUR, 0.03, 0.7, spread=2.0),
    Line("alto", "E", "filed", "cane", 8.13, THREE, 0.01, measured=False, calibrated=False),
    Line("tenor", "A", "filed", "cane", 7.6, FOUR, -0.02, 0.58),
    Line("tenor", "B", "unfiled", "cane", 8.13, FOUR, 0.05, 0.66, skip=(2.5,)),
    Line("tenor", "C", "filed", "cane", 8.4, FOUR, 0.00, measured=False),
    Line("tenor", "D", "unfiled", "synthetic", 6.13, FOUR, 0.03, 0.7, spread=2.0),
    Line("tenor", "E", "filed", "cane", 8.0, THREE, 0.01, measured=False, calibrated=False),
    Line("baritone", "A", "filed", "cane", 7.87, FOUR, 0.00),
    Line("baritone", "B", "unfiled", "cane", 8.13, THREE, 0.04),
    Line("clarinet", "A", "unfiled", "cane", 8.0, FOUR, 0.03),
    Line("clarinet", "B", "filed", "cane", 8.27, FOUR, 0.00),
]

LIGATURES = [  # contact, material, smallest, largest, length, screws, mass, price
    ("rails", "brass", 19, 25, 22, "under", 24, 28),
    ("rails", "brass", 24, 29, 26, "under", 31, 30),
    ("plate", "brass", 19, 26, 24, "over", 33, 62),
    ("plate", "steel", 24, 30, 28, "over", 40, 66),
    ("wrap", "leather", 18, 27, 25, "under", 12, 44),
    ("wrap", "textile", 22, 32, 28, "under", 11, 46),
    ("points", "brass", 22, 28, 25, "under", 29, 58),
    ("points", "steel", 18, 24, 22, "under", 27, 55),
    ("rails", "bronze", 26, 33, 30, "under", 38, 36),
    ("wrap", "cord", None, None, 24, None, 4, 12),
    ("plate", "silver", 22, 29, 26, "over", 37, 140),
    ("rails", "steel", 15, 20, 20, "under", 18, 26),
    ("wrap", "leather", 26, 36, 30, "under", 15, 48),
    (None, "brass", 19, 29, 26, "under", 30, 24),
]


@dataclass
class Person:
    """A player and the tastes that no table holds."""

    id: str
    instrument: str
    embouchure: str | None
    taste: dict[str, float] = field(default_factory=dict)


def write(folder: Path, table: str, rows: Iterable[dict[str, Any]]) -> None:
    """Write one table with the columns of the schema."""
    columns = list(quantities(TABLES[table]))
    with (folder / f"{table}.csv").open("w", encoding="utf-8", newline="") as file:
        writer = csv.DictWriter(file, columns, lineterminator="\n")
        writer.writeheader()
        writer.writerows(rows)


def true_lay(piece: Piece, rail: str) -> Callable[[float], float]:
    """Return the real height of one rail, in mm over mm from the tip."""
    edge = piece.break_mm - (1.1 if piece.flaw == "left rail short" and rail == "left" else 0.0)
    short = piece.break_mm - edge

    def height(x: float) -> float:
        y = piece.tip * max(1 - x / (edge + short * math.exp(-x / 3)), 0.0) ** piece.power
        middle = 0.45 * piece.break_mm
        if piece.flaw == "flat":
            y += 0.045 * math.exp(-(((x - middle) / 2.5) ** 2))
        if piece.flaw == "bump":
            y -= 0.05 * math.exp(-(((x - middle) / 2.0) ** 2))
        if piece.flaw == "tip nick" and rail == "right":
            y += 0.12 * math.exp(-(((x - 3.5) / 2.0) ** 2))
        return float(y)

    return height


def stop_of(height: Callable[[float], float], feeler: float, far: float) -> float:
    """Find where a feeler stops, by halving."""
    near = 0.0
    for _ in range(50):
        middle = (near + far) / 2
        near, far = (middle, far) if height(middle) > feeler else (near, middle)
    return near


def mouthpieces(rng: np.random.Generator) -> tuple[list[dict[str, Any]], list[dict[str, Any]]]:
    """Return the mouthpieces and their readings."""
    pieces, readings = [], []
    count: dict[str, int] = {}
    styles = {"round": (6.4, 1.10), "step": (4.4, 0.95), "long": (5.4, 1.0)}
    chamber = {"soprano": 3.3, "alto": 5.6, "tenor": 6.6, "baritone": 11.4, "clarinet": 5.0}
    depth = {"soprano": 0.75, "alto": 0.9, "tenor": 1.05, "baritone": 1.2, "clarinet": 0.85}
    body = {"soprano": 21.0, "alto": 25.0, "tenor": 26.5, "baritone": 29.5, "clarinet": 27.0}
    for piece in PIECES:
        kind = piece.instrument
        count[kind] = count.get(kind, 0) + 1
        name = f"{PREFIX[kind]}M-{count[kind]:02d}"
        baffle, volume = styles[piece.style]
        metal = piece.style == "long"
        row: dict[str, Any] = {
            "id": name,
            "label": f"{kind} {piece.tip:.2f}, {piece.style} {'baffle' if piece.style != 'round' else 'chamber'}",
            "model": f"{PREFIX[kind]}-{piece.style}",
            "instrument": kind,
            "material": "brass" if metal else "hard rubber",
            "tip_opening_mm": f"{piece.tip + rng.normal(0, 0.012):.2f}",
            "stock": int(rng.integers(0, 4)),
            "price": int(rng.integers(14, 42)) * 10,
        }
        if not piece.bare:
            row |= {
                "baffle_height_mm": f"{baffle * depth[kind] + rng.normal(0, 0.25):.1f}",
                "chamber_volume_cm3": f"{chamber[kind] * volume * (1 + rng.normal(0, 0.03)):.2f}",
                "insertion_mm": 16,
                "window_width_mm": f"{SIZES[kind][0] - 2.9 + rng.normal(0, 0.1):.1f}",
                "side_rail_mm": "1.0",
                "tip_rail_mm": "0.9",
                "body_diameter_mm": f"{body[kind] - (4.5 if metal else 0) + rng.normal(0, 0.4):.1f}",
            }
        if piece.nominal:
            if not piece.bare:
                row["facing_length_mm"] = f"{piece.break_mm - 2.5:.0f}"
        else:
            for rail in ("left", "right"):
                height = true_lay(piece, rail)
                for feeler in FEELERS[kind]:
                    stop = stop_of(height, feeler, piece.break_mm)
                    readings += [
                        {
                            "mouthpiece_id": name,
                            "rail": rail,
                            "feeler_mm": feeler,
                            "stop_mm": f"{stop + rng.normal(0, 0.04):.2f}",
                            "repeat": repeat,
                        }
                        for repeat in (1, 2)
                    ]
        pieces.append(row)
    return pieces, readings


def true_shape(line: Line) -> ReedShape:
    """Return the real profile of a line."""
    tip, butt, length, vamp, thickness = SIZES[line.instrument]
    x = np.array([*PLACES, vamp])
    bulge = 1 + line.bend * np.exp(-(((x - 12) / 8) ** 2))
    return ReedShape(
        x * 1e-3, np.array(thickness) * bulge * 1e-3, np.full(len(x), 0.72), tip * 1e-3, butt * 1e-3, length * 1e-3
    )


def one_mm_in(edge: float, half_mm: float) -> float:
    """Return thickness over that of the middle, 1 mm in from the edge of a parabolic top."""
    return 1 - (1 - edge) * (1 - 1 / half_mm) ** 2


def reeds(
    rng: np.random.Generator,
) -> tuple[list[dict[str, Any]], list[dict[str, Any]], list[dict[str, Any]], dict[str, float]]:
    """Return reeds, profiles, strength scale, and ln(true modulus) of every reed as tested."""
    rows, points, steps = [], [], []
    truth: dict[str, float] = {}
    clamps = {"clarinet": 21.0, "soprano": 22.0, "alto": 24.0, "tenor": 27.0, "baritone": 29.0}
    for line in LINES:
        tip, butt, length, vamp, _ = SIZES[line.instrument]
        half = tip / 2
        shape = true_shape(line)
        if line.measured:
            points += [
                {
                    "profile_id": line.profile,
                    "x_mm": place,
                    "thickness_mm": f"{thick * 1e3 + rng.normal(0, 0.004):.3f}",
                    "edge_mm": f"{thick * 1e3 * one_mm_in(line.edge, half):.3f}" if 2 <= place <= 20 else "",
                }
                for place, thick in zip((*PLACES, vamp), shape.thickness_m, strict=True)
            ]
        for strength in line.strengths:
            name = f"{PREFIX[line.instrument]}R-{line.letter}-{strength:g}"
            modulus = line.modulus * 1.16 ** ((strength - 3) / 0.5) * math.exp(rng.normal(0, 0.015))
            truth[name] = math.log(modulus)
            row: dict[str, Any] = {
                "id": name,
                "label": f"{line.instrument} {line.letter} {strength:g}, {line.cut}",
                "instrument": line.instrument,
                "cut": line.cut,
                "profile_id": line.profile,
                "strength": f"{strength:g}",
                "material": line.material,
                "stock": int(rng.integers(0, 15)),
                "price": int(rng.integers(22, 48)) / 10,
            }
            if line.calibrated:
                row |= {"tip_width_mm": tip, "butt_width_mm": butt, "length_mm": length, "vamp_length_mm": vamp}
                stiffness = 1e-3 * stiffness_from_modulus_n_per_m(
                    shape, modulus_pa=modulus * 1e9, load_m=5e-3, clamp_m=clamps[line.instrument] * 1e-3
                )
                if line.letter == "A" and strength == 3.0:
                    row["stiffness_n_per_mm"] = f"{stiffness * math.exp(rng.normal(0, 0.02)):.3f}"
                if strength not in line.skip:
                    step: dict[str, Any] = {"profile_id": line.profile, "strength": f"{strength:g}", "spread_pct": line.spread}
                    if line.material == "synthetic":
                        step["modulus_gpa"] = f"{modulus:.2f}"
                    elif line.letter == "C" and strength == 3.5:
                        step |= {"equals_profile_id": f"{line.instrument}-A", "equals_strength": "3.5"}
                    else:
                        step["stiffness_n_per_mm"] = f"{stiffness * math.exp(rng.normal(0, 0.015)):.3f}"
                    steps.append(step)
            rows.append(row)
    return rows, points, steps, truth


def ligatures(rng: np.random.Generator) -> list[dict[str, Any]]:
    """Return the ligatures."""
    return [
        {
            "id": f"L-{place:02d}",
            "label": f"{material} {contact or 'ligature'}",
            "material": material,
            "contact": contact or "",
            "min_diameter_mm": low or "",
            "max_diameter_mm": high or "",
            "length_mm": length,
            "screws": screws or "",
            "mass_g": mass,
            "stock": int(rng.integers(0, 6)),
            "price": price,
        }
        for place, (contact, material, low, high, length, screws, mass, price) in enumerate(LIGATURES, start=1)
    ]


NECKS = [
    {"id": "N-S", "instrument": "soprano", "bore_mm": 11.2, "half_angle_deg": 2.0, "cork_mm": 18, "chamfered": "yes"},
    {"id": "N-A", "instrument": "alto", "bore_mm": 12.0, "half_angle_deg": 1.65, "cork_mm": 22, "chamfered": "yes"},
    {"id": "N-T", "instrument": "tenor", "bore_mm": 12.5, "half_angle_deg": 1.52, "cork_mm": 24, "chamfered": "no"},
    {"id": "N-B", "instrument": "baritone", "bore_mm": 13.6, "half_angle_deg": 1.1, "cork_mm": 26, "chamfered": "no"},
]


def people(rng: np.random.Generator) -> list[Person]:
    """Return sixteen players with their tastes."""
    kinds = ["alto"] * 6 + ["tenor"] * 6 + ["soprano", "baritone", "clarinet", "clarinet"]
    found = []
    for place, kind in enumerate(kinds, start=1):
        embouchure = ("light", "medium", "firm", None)[int(rng.integers(0, 4))]
        lean = {"light": -0.1, "firm": 0.1}.get(embouchure or "", 0.0)
        found.append(
            Person(
                f"P{place:02d}",
                kind,
                embouchure,
                {
                    "pressure": lean + rng.normal(0, 0.12),
                    "opening": rng.normal(0, 0.1),
                    "bright": rng.normal(0, 0.5),
                    "kind": rng.normal(0, 0.5),
                    "cut": rng.normal(0, 0.3),
                    **{contact: rng.normal(0, 0.3) for contact in ("rails", "plate", "wrap", "points")},
                },
            )
        )
    return found


PRESENT = {
    "P01": ("AM-01", "AR-C-3.5", ""),
    "P02": ("AM-08", "AR-A-3", "L-05"),
    "P03": ("AM-10", "AR-C-2.5", "L-02"),
    "P05": ("AM-04", "AR-C-3", "L-06"),
    "P06": ("AM-05", "AR-B-3", "L-07"),
    "P07": ("TM-04", "TR-D-3.5", ""),
    "P09": ("TM-06", "TR-B-3.5", "L-05"),
    "P10": ("TM-01", "TR-B-2", ""),
    "P11": ("TM-09", "TR-D-2.5", "L-06"),
    "P13": ("SM-02", "SR-B-2.5", ""),
    "P14": ("BM-01", "BR-B-2.5", "L-01"),
    "P15": ("CM-01", "CR-A-3", "L-05"),
}
"""What players play now, by the scenario: mouthpiece, reed and, where they told it, ligature."""


def player_rows(persons: list[Person], house: Any, rng: np.random.Generator) -> list[dict[str, Any]]:
    """Return players with what they play now, where they have something, and for some the pressure they blow with."""
    rows = []
    for place, person in enumerate(persons):
        row: dict[str, Any] = {"id": person.id, "instrument": person.instrument, "embouchure": person.embouchure or ""}
        if person.id in PRESENT:
            mouthpiece, reed, ligature = PRESENT[person.id]
            row |= {"mouthpiece_id": mouthpiece, "reed_id": reed, "ligature_id": ligature}
            if place % 5 == 0:
                pair = house.scorer.pair(house.parts.facing(mouthpiece), house.parts.reed(reed), lip_m=10 * MM)
                usual = BLOW_FRACTION.value * (1 - LIP_SHARE.value) * pair.closing_pressure_pa[0] / KPA
                row["blow_kpa"] = f"{usual * math.exp(rng.normal(0, 0.05)):.1f}"
        neck = f"N-{PREFIX[person.instrument]}"
        row["neck_id"] = neck if place % 5 and person.instrument != "clarinet" else ""
        rows.append(row)
    return rows


def playtests(persons: list[Person], house: Any, truth: dict[str, float], rng: np.random.Generator) -> list[dict[str, Any]]:
    """Let the players play: sessions of six to eight set-ups, rated by the hidden rule."""
    parts = house.parts
    facing_by = {part.mouthpiece.id: part for part in parts.facings}
    busy = [person for person in persons for _ in range(6 if person.instrument in ("alto", "tenor") else 4)]
    middle: dict[str, tuple[float, float]] = {}
    for kind in PREFIX:
        fitting = house.scorer.fitting(kind)
        middle[kind] = (
            float(np.median(np.log(fitting.closing_pressure_pa / KPA))),
            float(np.median(fitting.tip_opening_m / MM)),
        )
    rows: list[dict[str, Any]] = []
    day, session = date(2025, 2, 3), 0
    while len(rows) < PLAYTESTS:
        session += 1
        day += timedelta(days=int(rng.integers(1, 5)))
        person = busy[int(rng.integers(0, len(busy)))]
        kind = person.instrument
        pieces = [part for part in parts.facings if part.mouthpiece.instrument == kind]
        sheets = list(parts.reeds_for(kind))
        chosen = [pieces[i] for i in rng.choice(len(pieces), size=min(3, len(pieces)), replace=False)]
        boxes = [sheets[i] for i in rng.choice(len(sheets), size=min(4, len(sheets)), replace=False)]
        mood = rng.normal(0, 0.35)
        for position in range(1, int(rng.integers(6, 9)) + 1):
            if len(rows) == PLAYTESTS:
                break
            facing, reed = chosen[int(rng.integers(0, len(chosen)))], boxes[int(rng.integers(0, len(boxes)))]
            place = int(rng.choice([0, 0, 0, 0, -1, 1])) * 0.3
            ligature = int(rng.integers(1, len(LIGATURES) + 1))
            age = str(rng.choice(["new", "broken in", "broken in", "old"]))
            pair = house.scorer.pair(facing, reed, lip_m=10 * MM, offset_m=place * MM)
            modulus = math.exp(truth[reed.reed.id]) * 1e9 * (0.75 if reed.reed.material == "cane" else 1.0)
            box = (2.0 if reed.reed.material == "synthetic" else 8.0) / 100
            ln_pressure = math.log(pair.closing_pressure_pa[0] / KPA * modulus / reed.modulus_pa) + rng.normal(0, box)
            ln_pressure += {"new": 0.04, "old": -0.08}.get(age, 0.0)
            row = rate(
                person,
                facing_by[facing.mouthpiece.id],
                reed,
                LIGATURES[ligature - 1][0],
                ln_pressure,
                middle[kind],
                age,
                position,
                mood,
                rng,
            )
            rows.append(
                {
                    "id": f"T{len(rows) + 1:04d}",
                    "date": day.isoformat(),
                    "player_id": person.id,
                    "mouthpiece_id": facing.mouthpiece.id,
                    "reed_id": reed.reed.id,
                    "ligature_id": f"L-{ligature:02d}",
                    "session": f"S{session:03d}",
                    "position": position,
                    "blind": "no",
                    "reed_offset_mm": place,
                    "reed_age": age,
                    **row,
                }
            )
    return rows


def rate(
    person: Person,
    facing: Any,
    reed: Any,
    contact: str | None,
    ln_pressure: float,
    middle: tuple[float, float],
    age: str,
    position: int,
    mood: float,
    rng: np.random.Generator,
) -> dict[str, str]:
    """Rate one set-up by the hidden rule of ``docs/demo-house.md``, with what chance adds to it."""
    off, high, rough, uneven, liking = liked(person, facing, reed, contact, ln_pressure, middle)
    liking += mood + {"new": -0.15, "old": -0.4}.get(age, 0.0) - 0.06 * (position - 1)
    liking += rng.normal(0, 0.6)

    def mark(value: float) -> str:
        return f"{min(max(value, 0.0), 10.0):.1f}"

    return {
        "ease": mark(6 - 8 * off - 0.5 * uneven + rng.normal(0, 0.8)),
        "resistance": mark(5 + 10 * off + rng.normal(0, 0.8)),
        "brightness": mark(5 + 0.8 * high + rng.normal(0, 1.5)),
        "evenness": mark(8 - 1.2 * rough - 1.2 * uneven + rng.normal(0, 1.0)),
        "overall": mark(liking),
    }


def liked(
    person: Person, facing: Any, reed: Any, contact: str | None, ln_pressure: float, middle: tuple[float, float]
) -> tuple[float, float, float, float, float]:
    """Return what a rating rests on (pressure off, baffle, roughness, rails) and the liking itself, free of chance, mood and age."""
    taste = person.taste
    off = ln_pressure - middle[0] - taste["pressure"]
    wide = math.log(facing.mouthpiece.tip_opening_mm / middle[1]) - taste["opening"]
    scale = FEATURE_SCALES["baffle_height"]
    usual = scale.typical[person.instrument]
    high = -((facing.mouthpiece.baffle_height_mm or usual) - usual) / 1.0
    rough = 0.0 if facing.smoothness_m is None else max(facing.smoothness_m / UM - 8, 0) / 20
    uneven = 0.0 if facing.leak_m2 is None else facing.leak_m2 / MM2 / 0.6
    liking = 8.4 + taste["kind"]
    liking -= 1.7 * (abs(off) / 0.2) ** 1.5
    liking -= 0.7 * (abs(wide) / 0.2) ** 1.5
    liking -= 0.8 * rough + 0.7 * uneven
    liking += 0.35 * taste["bright"] * high
    liking += taste["cut"] * (1 if reed.reed.cut == "filed" else -1)
    liking += taste.get(contact or "", 0.0)
    return off, high, rough, uneven, liking


SPEC = """# The demo house. Invented: no such workshop, part or player exists.
name = "demo house (invented)"

[gauge]
u_feeler_mm = 0.004
u_stop_mm = 0.05
u_tip_mm = 0.02

[closing_range]
soprano = [7.0, 16.0]
alto = [7.0, 16.0]
tenor = [9.0, 20.0]
baritone = [9.0, 20.0]
clarinet = [5.5, 12.0]

[drawing.TB-25]                     # a tenor model; limits are invented
rail_difference_mm = 0.15
tip_opening_mm = { nominal = 2.50, lower = -0.08, upper = 0.08 }
table_gap_mm = { nominal = -0.010, lower = -0.020, upper = 0.020 }
baffle_height_mm = { nominal = 6.5, lower = -0.4, upper = 0.4 }
shank_bore_mm = { nominal = 16.0, lower = -0.15, upper = 0.15 }
window_width_mm = { nominal = 14.3, lower = -0.2, upper = 0.2 }
tip_rail_mm = { nominal = 0.9, lower = -0.2, upper = 0.2, critical = false }
side_rail_mm = { nominal = 1.0, lower = -0.2, upper = 0.2, critical = false }
body_diameter_mm = { nominal = 26.5, lower = -0.4, upper = 0.4, critical = false }
station = [
    { feeler_mm = 0.038, stop_mm = 24.55, tol_mm = 0.80 },
    { feeler_mm = 0.1, stop_mm = 22.40, tol_mm = 0.65 },
    { feeler_mm = 0.2, stop_mm = 20.08, tol_mm = 0.55 },
    { feeler_mm = 0.4, stop_mm = 16.80, tol_mm = 0.50 },
    { feeler_mm = 0.6, stop_mm = 14.28, tol_mm = 0.50 },
    { feeler_mm = 0.9, stop_mm = 11.20, tol_mm = 0.50 },
    { feeler_mm = 1.2, stop_mm = 8.60, tol_mm = 0.50 },
    { feeler_mm = 1.6, stop_mm = 5.60, tol_mm = 0.50 },
]
"""


def make(folder: Path, seed: int = SEED) -> None:
    """Write every table."""
    persons, house, truth, rng = furnish(folder, seed)
    write(folder, "playtests", playtests(persons, house, truth, rng))


def furnish(folder: Path, seed: int) -> tuple[list[Person], Any, dict[str, float], np.random.Generator]:
    """Write everything but the playtests, which need the closing pressures of the parts; gives what they are made from."""
    folder.mkdir(parents=True, exist_ok=True)
    (folder / "trials.csv").unlink(missing_ok=True)  # make_trials.py writes them, with these players
    streams = [np.random.default_rng(seed) for seed in np.random.SeedSequence(seed).spawn(6)]
    pieces, readings = mouthpieces(streams[0])
    reed_rows, points, steps, truth = reeds(streams[1])
    write(folder, "mouthpieces", pieces)
    write(folder, "facings", readings)
    write(folder, "reeds", reed_rows)
    write(folder, "reed_profiles", points)
    write(folder, "strength_scale", steps)
    write(folder, "ligatures", ligatures(streams[2]))
    write(folder, "necks", NECKS)
    (folder / "house.toml").write_text(SPEC, encoding="utf-8")
    write(folder, "players", [])
    write(folder, "playtests", [])
    house = open_house(folder)
    persons = people(streams[3])
    write(folder, "players", player_rows(persons, house, streams[4]))
    return persons, house, truth, streams[5]


if __name__ == "__main__":
    make(Path(sys.argv[1]) if len(sys.argv) > 1 else Path(__file__).parent / "demo")
