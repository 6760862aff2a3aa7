"""How often the 95 % intervals of a facing hold the truth, by shape: a part of ``make bench``. Pieces are invented, their truth is computed here.

Arguments: how many pieces a shape (default 200; 2,000 take a quarter of an hour on two workers).
"""

from __future__ import annotations

import sys
from collections.abc import Callable
from functools import partial

import numpy as np
from joblib import Parallel, delayed
from measuring import show
from numpy.typing import NDArray
from scipy.optimize import brentq

from matchkit.maker.measure.report import facing_report
from matchkit.records.parts import FacingReading, Mouthpiece
from matchkit.records.spec import Gauge, HouseSpec
from matchkit.tables.defaults import read_defaults

Array = NDArray[np.float64]

FEELERS = (0.038, 0.064, 0.1, 0.15, 0.2, 0.3, 0.4, 0.6, 0.9, 1.2, 1.5)
U_FEELER, U_TOUCH, U_TIP = 0.002, 0.05, 0.02
TIP, BREAK = 2.0, 25.0
Rise = Callable[[float], float]
"""Height over the run from the break, both over those of the tip: 0 at 0 and 1 at 1."""


def _arc(s: float) -> float:
    radius = (BREAK**2 + TIP**2) / (2 * TIP)
    return float(radius - (radius**2 - (s * BREAK) ** 2) ** 0.5) / TIP


def _ellipse(s: float) -> float:
    half, tall = 1.25 * BREAK, 5.0  # a quarter of an ellipse, more than as long as the facing
    whole = tall * (1 - (1 - (BREAK / half) ** 2) ** 0.5)
    return float(tall * (1 - (1 - (s * BREAK / half) ** 2) ** 0.5) / whole)


def _power(power: float, s: float) -> float:
    return float(s**power)


SHAPES: dict[str, Rise] = {
    "arc": _arc,
    "ellipse": _ellipse,
    **{f"power {power}": partial(_power, power) for power in (1.8, 2.0, 2.2, 2.5)},
    "cubic (A4, m = 1)": lambda s: (s**2 / 2 - s**3 / 6) * 3,
}


def piece(rise: Rise, rng: np.random.Generator) -> tuple[Mouthpiece, list[FacingReading], dict[str, float]]:
    """Return a piece with its readings and what is true of it, mm."""
    edges = {rail: BREAK + rng.normal(0, 0.3) for rail in ("left", "right")}
    feeler_off = rng.normal(0, U_FEELER, len(FEELERS))

    def stop(edge: float, height: float) -> float:
        return edge * (1 - brentq(lambda s: rise(s) - height / TIP, 0.0, 1.0, xtol=1e-14))

    readings = [
        FacingReading(mouthpiece_id="M", rail=rail, feeler_mm=feeler, stop_mm=stop(edge, feeler + off) + rng.normal(0, U_TOUCH))
        for rail, edge in edges.items()
        for feeler, off in zip(FEELERS, feeler_off, strict=True)
    ]
    left, right = (stop(edges[rail], 0.038) for rail in ("left", "right"))
    truth = {"tip": TIP, "length": (left + right) / 2, "break": (edges["left"] + edges["right"]) / 2, "rails": left - right}
    known = Mouthpiece(id="M", instrument="alto", tip_opening_mm=round(TIP + rng.normal(0, U_TIP), 4))
    return known, readings, truth


def held(name: str, count: int) -> dict[str, float]:
    """Return the share of pieces of one shape whose intervals hold the truth."""
    rng = np.random.default_rng(sum(map(ord, name)))
    spec = HouseSpec(gauge=Gauge(u_feeler_mm=U_FEELER, u_stop_mm=U_TOUCH, u_tip_mm=U_TIP))
    hits = dict.fromkeys(("tip", "length", "break", "rails"), 0)
    for _ in range(count):
        mouthpiece, readings, truth = piece(SHAPES[name], rng)
        found = facing_report(mouthpiece, readings, (), defaults=read_defaults(), spec=spec, draws=500)
        told = {
            "tip": (found.tip_opening_mm, found.u_tip_opening_mm),
            "length": (found.facing_length_mm, found.u_facing_length_mm),
            "break": (found.break_mm, found.u_break_mm or 0.0),
            "rails": (found.rail_difference_mm or 0.0, found.u_rail_difference_mm or 0.0),
        }
        for what, (value, u) in told.items():
            hits[what] += abs(value - truth[what]) <= 1.96 * u
    return {what: 100 * hit / count for what, hit in hits.items()}


def main() -> None:
    """Print the table."""
    count = int(sys.argv[1]) if len(sys.argv) > 1 else 200
    rows: list[tuple[str, ...]] = [("shape", "tip", "length", "break", "rails")]
    told = Parallel(n_jobs=2)(delayed(held)(name, count) for name in SHAPES)
    for name, found in zip(SHAPES, told, strict=True):
        rows.append((name, *(f"{found[what]:.1f}" for what in ("tip", "length", "break", "rails"))))
    print(f"95 % intervals that hold, of {count} pieces a shape (wanted 93 to 97, break 90 to 98), %:")
    show(rows)


if __name__ == "__main__":
    main()
