"""What a house decides for itself, in ``house.toml``: its gauges, its closing range, and the drawings of its models."""

from __future__ import annotations

import math
from collections.abc import Sequence
from itertools import pairwise
from typing import Annotated, Any, Self

from pydantic import BaseModel, BeforeValidator, ConfigDict, Field, model_validator

from matchkit import constants
from matchkit.constants import Instrument
from matchkit.records.parts import Mouthpiece
from matchkit.records.quantity import quantities
from matchkit.units import MM_PER_INCH


class _Spec(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False)


class Gauge(_Spec):
    """What the house's own gauges are worth; all u_ are standard uncertainties.

    ``u_feeler_mm`` is that of one feeler: feelers stacked from one set err together, so n feelers are n times as uncertain.
    ``u_stop_mm`` is the touch of one stop and ``stop_step_mm`` the step it is read to; ``u_operator_mm`` is what people differ by
    (0 unless a gauge study says otherwise).
    """

    u_feeler_mm: Annotated[float, Field(gt=0, le=0.5)] = constants.U_FEELER.value
    u_stop_mm: Annotated[float, Field(gt=0, le=5)] = constants.U_STOP.value
    stop_step_mm: Annotated[float, Field(ge=0, le=5)] = 0.0
    u_operator_mm: Annotated[float, Field(ge=0, le=5)] = 0.0
    u_tip_mm: Annotated[float, Field(gt=0, le=0.5)] = constants.U_TIP.value
    u_scan_mm: Annotated[float, Field(gt=0, le=0.5)] = constants.U_SCAN.value
    u_size_mm: Annotated[float, Field(gt=0, le=1)] = constants.U_SIZE.value
    u_depth_mm: Annotated[float, Field(gt=0, le=1)] = constants.U_DEPTH.value
    u_table_mm: Annotated[float, Field(gt=0, le=0.5)] = constants.U_TABLE.value
    u_volume_cm3: Annotated[float, Field(gt=0, le=5)] = constants.U_VOLUME.value
    u_stiffness_pct: Annotated[float, Field(gt=0, le=50)] = 100 * constants.U_STIFFNESS.value
    u_profile_mm: Annotated[float, Field(gt=0, le=0.5)] = constants.U_PROFILE.value

    def with_step(self, stops_mm: Sequence[float]) -> Gauge:
        """Return it with the step that these stops were read to, where they tell it and it was not stated.

        A touch that was stated and is no less than the step alone makes has the step in it, as that of a gauge study has. Asked again, of the
        stops of one piece, it is the step of that piece: one batch may be read with two gauges.
        """
        stated = self.model_fields_set
        step = implied_step_mm(stops_mm) or 0.0
        if "stop_step_mm" in stated or len(stops_mm) < ENOUGH_ON_STEP or step == self.stop_step_mm:
            return self
        change, before, rounding = {"stop_step_mm": step}, self.stop_step_mm / math.sqrt(12), step / math.sqrt(12)
        touch = math.hypot(self.u_stop_mm, before)
        if "u_stop_mm" in stated and touch >= rounding:
            change["u_stop_mm"] = max(math.sqrt(touch**2 - rounding**2), LEAST_TOUCH_MM)
        return type(self).model_construct(set(stated), **{**dict(self), **change})  # told by readings, and not stated


def _millimetres(value: Any) -> Any:
    """Turn a number in inches, or each number of a table of them, into millimetres; what else stands there is left for the check."""
    if isinstance(value, dict):
        return {name: _millimetres(part) for name, part in value.items()}
    return round(value * MM_PER_INCH, 9) if isinstance(value, int | float) and not isinstance(value, bool) else value


class _Lengths(_Spec):
    """A table whose lengths may each be in inches instead, as ``stop_in`` for ``stop_mm``."""

    @model_validator(mode="before")
    @classmethod
    def _from_inches(cls, given: Any) -> Any:
        if not isinstance(given, dict):
            return given
        found = dict(given)
        for name in in_inches(cls):
            if name in found:
                metric = f"{name.removesuffix('_in')}_mm"
                if metric in found:
                    raise ValueError(f"either {metric} or {name}")
                found[metric] = _millimetres(found.pop(name))
        return found


def in_inches(kind: type[_Spec]) -> list[str]:
    """Return the keys that may stand in a table of a house.toml in inches, instead of those in millimetres."""
    if not issubclass(kind, _Lengths):
        return []
    return [f"{name.removesuffix('_mm')}_in" for name in kind.model_fields if name.endswith("_mm")]


THINNEST_MM, THICKEST_MM = 0.01, 4.0


def _no_thousandths(given: Any) -> Any:
    """Ask about a feeler in thousandths of a millimetre, or in inches."""
    if isinstance(given, int | float) and not isinstance(given, bool) and THICKEST_MM < given <= 1000 * THICKEST_MM:
        raise ValueError(f"a feeler of {THICKEST_MM:g} mm or less (in thousandths of a mm? that is {given / 1000:g})")
    if isinstance(given, int | float) and not isinstance(given, bool) and 0 < given < THINNEST_MM:
        raise ValueError(f"a feeler of {THINNEST_MM:g} mm or more (in inches? then its key is feeler_in)")
    return given


def _two_ends(given: Any) -> Any:
    if not isinstance(given, list | tuple) or len(given) != 2:
        raise ValueError("the lowest and the highest closing pressure in kPa, as [9.0, 20.0]")
    return given


class Station(_Lengths):
    """Where a feeler shall stop on either rail; ``tol_mm`` is both ways, ``lower_mm`` and ``upper_mm`` instead where they differ.

    Without one of these two there is no limit on that side. Each may be in inches instead, as ``stop_in``.
    """

    feeler_mm: Annotated[float, Field(ge=THINNEST_MM, le=THICKEST_MM), BeforeValidator(_no_thousandths)]
    stop_mm: Annotated[float, Field(gt=0, le=45)]
    tol_mm: Annotated[float, Field(gt=0, le=5)] | None = None
    lower_mm: Annotated[float, Field(le=0, ge=-5)] | None = None
    upper_mm: Annotated[float, Field(ge=0, le=5)] | None = None
    critical: bool = True

    @model_validator(mode="after")
    def _one_tolerance(self) -> Self:
        if (self.tol_mm is None) == (self.lower_mm is None and self.upper_mm is None):
            raise ValueError("either tol_mm, or lower_mm or upper_mm or both")
        if self.lower_mm is not None and self.upper_mm is not None and not self.lower_mm < self.upper_mm:
            raise ValueError("a lower tolerance below the upper one")
        return self

    @property
    def limits_mm(self) -> tuple[float | None, float | None]:
        """Lowest and highest place allowed, None where there is no such limit."""
        if self.tol_mm is not None:
            return self.stop_mm - self.tol_mm, self.stop_mm + self.tol_mm
        return _limits(self.stop_mm, self.lower_mm, self.upper_mm)


def _limits(nominal: float, lower: float | None, upper: float | None) -> tuple[float | None, float | None]:
    return None if lower is None else nominal + lower, None if upper is None else nominal + upper


LIMIT_LIKE, NEAR_NOMINAL = 0.3, 0.25
"""An upper tolerance that is so near its nominal, and no small number, is taken for the limit itself."""


class Feature(_Spec):
    """A nominal value and how far below and above it a piece may be, either of which may be left out; ``critical`` where it fails the piece."""

    nominal: float
    lower: Annotated[float, Field(le=0)] | None = None
    upper: Annotated[float, Field(ge=0)] | None = None
    critical: bool = True

    @model_validator(mode="before")
    @classmethod
    def _is_a_table(cls, given: Any) -> Any:
        if not isinstance(given, dict | cls):
            raise ValueError("a nominal with its tolerances, as { nominal = 2.5, lower = -0.1, upper = 0.1 }")  # noqa: TRY004 - told as any slip
        return given

    @model_validator(mode="after")
    def _has_width(self) -> Self:
        if self.lower is None and self.upper is None:
            raise ValueError("a lower or an upper tolerance, or both")
        if self.upper is not None and self.nominal > LIMIT_LIKE and abs(self.upper / self.nominal - 1) < NEAR_NOMINAL:
            raise ValueError(
                f"upper as a tolerance above the nominal, as {self.upper - self.nominal:.3g}, not the limit itself"
            )
        if self.lower is not None and self.upper is not None and not self.lower < self.upper:
            raise ValueError("a lower tolerance below the upper one")
        return self

    @property
    def limits(self) -> tuple[float | None, float | None]:
        """Lowest and highest value allowed, None where there is no such limit."""
        return _limits(self.nominal, self.lower, self.upper)


ENOUGH_STATIONS = 3
"""With so many stations and a tip opening a drawing gives a curve."""


class Drawing(_Lengths):
    """What a piece of one model shall measure: one size at least.

    Features are named as the columns of ``mouthpieces``; lengths may be in inches, as ``tip_opening_in``. ``rail_difference_mm`` is the most by
    which the stops of one feeler may differ between the rails.
    """

    station: tuple[Station, ...] = ()
    rail_difference_mm: Annotated[float, Field(gt=0, le=5)] | None = None
    tip_opening_mm: Feature | None = None
    table_gap_mm: Feature | None = None
    tip_rail_mm: Feature | None = None
    side_rail_mm: Feature | None = None
    window_width_mm: Feature | None = None
    window_length_mm: Feature | None = None
    baffle_height_mm: Feature | None = None
    baffle_10_mm: Feature | None = None
    baffle_15_mm: Feature | None = None
    chamber_volume_cm3: Feature | None = None
    throat_diameter_mm: Feature | None = None
    shank_bore_mm: Feature | None = None
    body_diameter_mm: Feature | None = None

    @model_validator(mode="after")
    def _gives_something(self) -> Self:
        if not self.station and not self.features and self.rail_difference_mm is None:
            raise ValueError("one size at least")
        return self

    @property
    def has_curve(self) -> bool:
        """Whether it gives a whole facing: a tip opening and three stations."""
        return self.tip_opening_mm is not None and len(self.station) >= ENOUGH_STATIONS

    @model_validator(mode="after")
    def _can_be_measured(self) -> Self:
        columns = quantities(Mouthpiece)
        for name, feature in self.features.items():
            low, high = columns[name].low, columns[name].high
            if low is not None and high is not None and not low <= feature.nominal <= high:
                expected = f"{name} with a nominal from {low:g} to {high:g} {columns[name].unit}, not {feature.nominal:g}"
                raise ValueError(f"{expected}{_other_unit(name, feature.nominal, low, high)}")
        return self

    @model_validator(mode="after")
    def _stations_fall(self) -> Self:
        ordered = sorted(self.station, key=lambda station: station.feeler_mm)
        if len({station.feeler_mm for station in ordered}) < len(ordered):
            raise ValueError("each feeler once")
        for thin, thick in pairwise(ordered):
            if thick.stop_mm >= thin.stop_mm:
                both = f"{thin.feeler_mm:g} mm at {thin.stop_mm:g} and {thick.feeler_mm:g} mm at {thick.stop_mm:g}"
                raise ValueError(f"every thicker feeler nearer the tip, not {both}")
        if ordered and self.tip_opening_mm is not None and ordered[-1].feeler_mm >= self.tip_opening_mm.nominal:
            raise ValueError("every feeler thinner than the tip opening")
        return self

    @property
    def features(self) -> dict[str, Feature]:
        """The features it gives, by column, in the order of the class."""
        found = {name: getattr(self, name) for name in type(self).model_fields}
        return {name: value for name, value in found.items() if isinstance(value, Feature)}


def _other_unit(name: str, value: float, low: float, high: float) -> str:
    """Ask about a length that would be right in another unit."""
    key = name.removesuffix("_mm")
    ways = (
        (MM_PER_INCH, f"in inches? then its key is {key}_in"),
        (0.1, "in tenths, or without its point?"),
        (10.0, "in centimetres?"),
    )
    asked = next((words for factor, words in ways if name.endswith("_mm") and low <= value * factor <= high), "")
    return f" ({asked})" if asked else ""


def keys_at(path: Sequence[str | int]) -> tuple[str, ...]:
    """Return the keys that may stand where a key path of ``house.toml`` ends.

    >>> keys_at(("drawing", "TB-25", "tip_opening_mm", "nominl"))
    ('nominal', 'lower', 'upper', 'critical')
    """
    kind: type[_Spec] = HouseSpec
    if len(path) > 1 and path[0] == "gauge":
        kind = Gauge
    elif len(path) > 2 and path[0] == "drawing":
        kind = Drawing if len(path) == 3 else Station if path[2] == "station" else Feature
    return (*kind.model_fields, *in_inches(kind))


STEPS_MM = (1.0, 0.5, 0.25, 0.2, 0.1)
"""Steps to which gauges are read, coarsest first; finer ones are nothing beside the touch."""
LEAST_TOUCH_MM = 0.005
NEARLY_ALL, ENOUGH_ON_STEP = 0.9, 12
"""This share of readings on a step, of so many or more, tells that they were read to it."""


def implied_step_mm(values_mm: Sequence[float], *, enough: int = ENOUGH_ON_STEP) -> float | None:
    """Return the coarsest usual step that nearly all readings lie on, in mm; None where there are fewer than ``enough``, or they are finer.

    A few that were read finer, or mistyped, say nothing of how the others were read.

    >>> implied_step_mm([3.5, 4.0, 7.5] * 4), implied_step_mm([3.52, 4.0, 7.5] * 4)
    (0.5, None)
    """
    if len(values_mm) < enough:
        return None
    for step in STEPS_MM:
        on_step = sum(abs(value / step - round(value / step)) < 1e-6 for value in values_mm)
        if on_step >= NEARLY_ALL * len(values_mm):
            return step
    return None


class HouseSpec(_Spec):
    """The house's own numbers; each has a default.

    ``closing_range`` is the range of closing pressure, in kPa, that the house calls playable; ``drawing`` holds the drawing of each model.
    """

    name: str = ""
    wish_step: Annotated[float, Field(gt=0.5, lt=1)] = 0.86
    wet_factor: Annotated[float, Field(gt=0.2, le=1)] = constants.WET_FACTOR.value
    gauge: Gauge = Gauge()
    closing_range: dict[Instrument, Annotated[tuple[float, float], BeforeValidator(_two_ends)]] = {}
    drawing: dict[str, Drawing] = {}

    def with_step(self, stops_mm: Sequence[float]) -> HouseSpec:
        """Return it with the gauge as these stops show it, see :meth:`Gauge.with_step`."""
        gauge = self.gauge.with_step(stops_mm)
        return self if gauge is self.gauge else self.model_copy(update={"gauge": gauge})
