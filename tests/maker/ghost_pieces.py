"""Pieces of a known truth, read as a bench would: for false alarms and for bumps that are there. The truth is computed here, not by the package."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from matchkit.maker.measure.report import FacingReport, facing_report
from matchkit.records.parts import FacingReading, Mouthpiece
from matchkit.records.spec import HouseSpec
from matchkit.tables.defaults import read_defaults

SHAPES = ("arc", "ellipse", "power")
TIP_MM, BREAK_MM = 2.0, 24.5
FEELERS = (1.5, 1.2, 0.9, 0.6, 0.45, 0.3, 0.2, 0.1, 0.05, 0.038)
DENSE = tuple(float(h) for h in np.round(np.geomspace(0.038, 1.6, 22), 3)[::-1])
WIDTH_MM = 1.2
DRAWS = 100
"""Uncertainties are not what is looked at here."""


def heights_mm(shape: str, x_mm: np.ndarray) -> np.ndarray:
    """Return a lay's height over places from the tip."""
    run = np.maximum(BREAK_MM - x_mm, 0.0)
    if shape == "power":
        return np.asarray(TIP_MM * (run / BREAK_MM) ** 2.2)
    flat = 1.0 if shape == "arc" else 4.0
    radius = (BREAK_MM**2 + flat * TIP_MM**2) / (2 * TIP_MM)
    return np.asarray((radius - np.sqrt(radius**2 - flat * run**2)) / flat)


@dataclass(frozen=True)
class Bench:
    """How a piece is read: to which step, with what touch (mm), with which feelers."""

    step_mm: float
    touch_mm: float = 0.03
    feelers: tuple[float, ...] = FEELERS


RAILS = ("left", "right")
ALL_OVER = dict.fromkeys(RAILS, 1.0)
"""How high a bump is on each rail, in parts of its height."""


def read(
    shape: str,
    bench: Bench,
    rng: np.random.Generator,
    *,
    bump_um: float = 0.0,
    at_mm: float = 12.0,
    on: Mapping[str, float] = ALL_OVER,
    deeper_um: float = 0.0,
) -> FacingReport:
    """Return what the package says of one piece with a bump that stands proud on some rails, or none of them; the left one is ``deeper`` all along."""
    x = np.linspace(0, BREAK_MM, 6001)
    bump = 1e-3 * bump_um * np.exp(-4 * np.log(2) * ((x - at_mm) / WIDTH_MM) ** 2)
    rows = []
    for rail in RAILS:
        y = heights_mm(shape, x) - on.get(rail, 0.0) * bump + 1e-3 * deeper_um * (rail == "left") * (x < BREAK_MM)
        for feeler in bench.feelers:
            stop = float(np.interp(-feeler, -y, x)) + rng.normal(0, bench.touch_mm)
            stop = round(round(stop / bench.step_mm) * bench.step_mm, 4)
            rows.append(
                FacingReading.model_validate({"mouthpiece_id": "M", "rail": rail, "feeler_mm": feeler, "stop_mm": stop})
            )
    spec = HouseSpec.model_validate({"gauge": {"u_stop_mm": bench.touch_mm, "u_feeler_mm": 0.002, "u_tip_mm": 0.01}})
    piece = Mouthpiece(id="M", instrument="alto", tip_opening_mm=TIP_MM)
    spec = spec.with_step([row.stop_mm for row in rows])
    return facing_report(piece, rows, (), defaults=read_defaults(), spec=spec, draws=DRAWS)


def alarms(shape: str, bench: Bench, count: int, *, seed: int = 1) -> int:
    """Return on how many of so many sound pieces a bump or a flat is named."""
    rng = np.random.default_rng(seed)
    return sum(bool(read(shape, bench, rng).bumps) for _ in range(count))


def found(bump_um: float, bench: Bench, count: int, *, seed: int = 1) -> tuple[int, float]:
    """Return how many of so many bumps on arcs are named at their place, and the mean of their heights, in um."""
    rng = np.random.default_rng(seed)
    heights = []
    for _ in range(count):
        at = float(rng.uniform(6, 18))
        named = [item for item in read("arc", bench, rng, bump_um=bump_um, at_mm=at).bumps if item.kind == "bump"]
        heights += [abs(item.height_um) for item in named if abs(item.place_mm - at) < WIDTH_MM][:1]
    return len(heights), float(np.mean(heights)) if heights else float("nan")
