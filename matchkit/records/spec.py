"""What a house decides for itself, in ``house.toml``."""

from __future__ import annotations

from typing import Annotated, Any

from pydantic import BaseModel, ConfigDict, Field

from matchkit import constants
from matchkit.constants import Instrument


class Gauge(BaseModel):
    """Standard uncertainties of the house's own gauges."""

    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False)

    u_feeler_mm: Annotated[float, Field(gt=0, le=0.5)] = constants.U_FEELER.value
    u_stop_mm: Annotated[float, Field(gt=0, le=5)] = constants.U_STOP.value
    u_tip_mm: Annotated[float, Field(gt=0, le=0.5)] = constants.U_TIP.value
    u_stiffness_pct: Annotated[float, Field(gt=0, le=50)] = 100 * constants.U_STIFFNESS.value
    u_profile_mm: Annotated[float, Field(gt=0, le=0.5)] = constants.U_PROFILE.value


class HouseSpec(BaseModel):
    """The house's own numbers; each has a default.

    ``window`` is the range of closing pressure, in kPa, that the house calls playable; ``drawing`` is kept as it stands for
    the maker's checks.
    """

    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False)

    name: str = ""
    wish_step: Annotated[float, Field(gt=0.5, lt=1)] = 0.88
    wet_factor: Annotated[float, Field(gt=0.2, le=1)] = constants.WET_FACTOR.value
    gauge: Gauge = Gauge()
    window: dict[Instrument, tuple[float, float]] = {}
    drawing: dict[str, Any] = {}
