"""An invented bench for the tests: pieces as they really are, readings of them, and the house that judges them."""

from __future__ import annotations

import shutil
import sys
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
from conftest import edit_table

sys.path.insert(0, str(Path(__file__).parents[2] / "data"))
from make_bench import FEELERS_MM, MODEL, Truth, read_stops
from make_demo import stop_of

import matchkit as mk
from matchkit.files import shipped
from matchkit.maker.pieces import Pieces, gather
from matchkit.parts.facing import FacingPart, facing_part, rails_of
from matchkit.physics.lay.fair import Readings
from matchkit.records.parts import FacingReading, Mouthpiece
from matchkit.records.spec import Gauge, HouseSpec

__all__ = [
    "FEELERS_MM",
    "MODEL",
    "Truth",
    "changed_batch",
    "measured",
    "read_piece",
    "replace",
    "shop_of",
    "spec_with",
    "stop_of",
]

DRAWN = mk.open().tables.spec.drawing[MODEL].features
"""What the drawing asks for besides the facing; pieces of the bench have it at its nominal."""

U_FEELER, U_STOP, U_TIP = 0.004, 0.05, 0.02


def changed_batch(folder: Path, table: str, change: Callable[[dict[str, str]], dict[str, str]]) -> Path:
    """Copy the demo batch into ``folder``, with every row of a table changed."""
    target = folder / "batch"
    shutil.copytree(shipped("data/demo-bench/batch"), target)
    edit_table(target, table, lambda rows: [change(row) for row in rows])
    return target


def spec_with(**gauge: float) -> HouseSpec:
    """Return the demo house's spec with the bench's own uncertainties, or others."""
    stated: dict[str, Any] = {"u_feeler_mm": U_FEELER, "u_stop_mm": U_STOP, "stop_step_mm": 0.01, "u_tip_mm": U_TIP, **gauge}
    return mk.open().tables.spec.model_copy(update={"gauge": Gauge(**stated)})


def read_piece(
    truth: Truth, rng: np.random.Generator, *, name: str = "X", serial: int = 1, step_mm: float = 0.01, **known: Any
) -> tuple[Mouthpiece, list[FacingReading]]:
    """Measure one piece with feelers drawn for it alone, so that pieces are independent; its sizes are those of the drawing."""
    rows = read_stops(
        truth, rng, feeler_errors_mm=rng.normal(0, U_FEELER, len(FEELERS_MM)).tolist(), u_stop_mm=U_STOP, step_mm=step_mm
    )
    sizes = {column: feature.nominal for column, feature in DRAWN.items() if column != "tip_opening_mm"}
    piece = Mouthpiece(
        id=name,
        model=MODEL,
        serial=f"{serial:03d}",
        instrument="tenor",
        tip_opening_mm=round(truth.tip + rng.normal(0, U_TIP), 3),
        **{**sizes, **known},
    )
    return piece, [FacingReading(mouthpiece_id=name, **row) for row in rows]


def measured(piece: Mouthpiece, readings: list[FacingReading], spec: HouseSpec) -> tuple[FacingPart, dict[str, Readings]]:
    """Return a piece its lay, and its rails as they were read."""
    from matchkit.tables.defaults import read_defaults

    part = facing_part(piece, readings, defaults=read_defaults(), spec=spec)
    return part, rails_of(piece, readings, (), gauge=spec.gauge)


def shop_of(items: list[tuple[Mouthpiece, list[FacingReading]]]) -> Pieces:
    """Put measured pieces together as a batch."""
    return gather([piece for piece, _ in items], [reading for _, readings in items for reading in readings], ())
