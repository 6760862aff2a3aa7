"""The feature builder: what neighbours are compared by, scaled so that a clear difference is 1."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from matchkit import constants
from matchkit.records.parts import Mouthpiece
from matchkit.score.asked import Asked
from matchkit.score.tone import BAFFLE_CLASS
from matchkit.units import KPA, MM, MM2, UM

Array = NDArray[np.float64]

FEATURES = tuple(constants.FEATURE_SCALES)
_EMBOUCHURE = {"light": -1.0, "medium": 0.0, "firm": 1.0}


def _baffle_mm(piece: Mouthpiece) -> float | None:
    if piece.baffle_height_mm is not None or piece.baffle_class is None:
        return piece.baffle_height_mm
    scale = constants.FEATURE_SCALES["baffle_height"]
    return scale.typical[piece.instrument] + BAFFLE_CLASS[piece.baffle_class] * scale.one[piece.instrument]


def feature_matrix(asked: Asked) -> Array:
    """Return the scaled features (N, 13) of pairs for one player; the order is :data:`FEATURES`.

    Scales stand in :mod:`matchkit.constants`, one set an instrument, so another part in the tables moves no distance. What was
    not measured is given the typical value. ``asked`` must be without a wish.
    """
    pairs, player = asked.pairs, asked.view.player
    columns = {
        "tip_opening": pairs.tip_opening_m / MM,
        "facing_length": pairs.of_facings(lambda facing: facing.facing_length_m) / MM,
        "smoothness": pairs.of_facings(lambda facing: facing.smoothness_m) / UM,
        "rail_leak": pairs.of_facings(lambda facing: facing.leak_m2) / MM2,
        "baffle_height": pairs.of_facings(lambda facing: _baffle_mm(facing.mouthpiece)),
        "chamber_volume": pairs.of_facings(lambda facing: facing.mouthpiece.chamber_volume_cm3),
        "cut": pairs.of_reeds(lambda reed: reed.reed.cut == "filed"),
        "tip_thickness": pairs.of_reeds(lambda reed: reed.shape.tip_thickness_m if reed.profile_measured else None) / MM,
        "ln_closing_pressure": np.log(pairs.closing_pressure_pa / KPA),
        "closing_share": asked.closing_share,
        "ln_from_target": asked.resistance_ln,
        "ln_tip_from_target": asked.opening_ln,
        "embouchure": np.full(len(pairs), _EMBOUCHURE.get(player.embouchure or "", 0.0)),
    }
    scaled = []
    for name in FEATURES:
        scale = constants.FEATURE_SCALES[name]
        values = (columns[name] - scale.typical[player.instrument]) / scale.one[player.instrument]
        scaled.append(np.where(np.isfinite(values), values, 0.0))
    return np.column_stack(scaled)
