"""A record becomes a physical part: what was measured, what is assumed, and how sure each is."""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from matchkit import constants
from matchkit.physics.facing import AnyLay, MeanLay, Readings, mean_lay, measured_lay, nominal_lay
from matchkit.physics.reed import ReedShape, crown_factor, modulus_from_stiffness_pa, stiffness_weights_per_m
from matchkit.records.defaults import Defaults
from matchkit.records.parts import FacingReading, Mouthpiece, ProfilePoint, Reed, StrengthStep
from matchkit.records.spec import HouseSpec
from matchkit.units import mm_to_m

Array = NDArray[np.float64]

Basis = Literal["reading", "scale", "between steps", "label"]

_EDGE_TO_RATIO_SPAN = (0.3, 1.0)


@dataclass(frozen=True)
class FacingPart:
    """A mouthpiece with its lay.

    ``smoothness_um``, ``leak_mm2`` and ``rail_difference_mm`` are None where the readings do not give them; ``assumed`` names
    what was not measured.
    """

    mouthpiece: Mouthpiece
    lay: AnyLay
    smoothness_um: float | None
    leak_mm2: float | None
    rail_difference_mm: float | None
    u_rail_difference_mm: float | None
    assumed: tuple[str, ...]

    @property
    def clamp_mm(self) -> float:
        """Where the reed is taken as clamped, from the tip."""
        return self.lay.fair.clamp_m * 1e3

    @property
    def facing_length_mm(self) -> float:
        """Where the 0.038 mm leaf stops, on the fair arc."""
        return self.lay.fair.facing_length_m * 1e3


@dataclass(frozen=True)
class ReedPart:
    """A reed with its shape and its modulus as played (wet).

    ``shape_key`` is the same for reeds of one shape, so that contact is solved once for them. ``scale`` is None where the
    modulus is known in the house's own units; otherwise it names the only family within which strengths compare.
    ``u_stiffness``, ``u_wet`` are relative; ``box_spread`` is that of ln E within a box, or None. ``stiffness_held`` says that
    the bench stiffness is what is known, not the modulus; ``test_weights`` is where that test bends the reed.
    """

    reed: Reed
    shape: ReedShape
    shape_key: tuple[str, float, float, float]
    profile_measured: bool
    modulus_pa: float
    basis: Basis
    scale: str | None
    u_stiffness: float
    u_wet: float
    box_spread: float | None
    vamp_mm: float
    vamp_measured: bool
    width_measured: bool
    stiffness_held: bool
    test_weights: tuple[Array, Array]
    assumed: tuple[str, ...]


def facing_parts(
    mouthpieces: Iterable[Mouthpiece], readings: Iterable[FacingReading], *, defaults: Defaults, spec: HouseSpec
) -> tuple[FacingPart, ...]:
    """Give each mouthpiece its lay, from its readings or from its nominal numbers."""
    by_piece: dict[str, list[FacingReading]] = defaultdict(list)
    for reading in readings:
        by_piece[reading.mouthpiece_id].append(reading)
    return tuple(facing_part(piece, by_piece[piece.id], defaults=defaults, spec=spec) for piece in mouthpieces)


def facing_part(
    mouthpiece: Mouthpiece, readings: Sequence[FacingReading], *, defaults: Defaults, spec: HouseSpec
) -> FacingPart:
    """Give one mouthpiece its lay.

    Both rails read: their mean. One rail read: that rail stands for both, and the rails are not known. None: an arc through
    the tip opening and the facing length, the instrument's default where the length was not given either.
    """
    tip_m = mm_to_m(mouthpiece.tip_opening_mm)
    rails = {rail: _rail(readings, rail, spec) for rail in ("left", "right") if any(r.rail == rail for r in readings)}
    assumed: list[str] = []
    lay: AnyLay
    if len(rails) == 2:
        lay = mean_lay(rails["left"], rails["right"], tip_opening_m=tip_m, u_tip_m=mm_to_m(spec.gauge.u_tip_mm))
    elif rails:
        (name, rail), *_ = rails.items()
        lay = measured_lay(rail, tip_opening_m=tip_m, u_tip_m=mm_to_m(spec.gauge.u_tip_mm))
        assumed.append(f"the other rail, as the {name} one")
    else:
        length, u_length = mouthpiece.facing_length_mm, constants.U_FACING_NOMINAL.value
        if length is None:
            default = defaults.scalar(mouthpiece.instrument, "facing_length_mm")
            length, u_length = default.value, default.u
            assumed.append("facing length")
        assumed.append("shape of the facing")
        lay = nominal_lay(
            tip_opening_m=tip_m,
            facing_length_m=mm_to_m(length),
            u_tip_m=mm_to_m(constants.U_TIP_NOMINAL.value),
            u_facing_m=mm_to_m(u_length),
        )
    both = lay if isinstance(lay, MeanLay) else None
    smoothness = lay.smoothness_m
    return FacingPart(
        mouthpiece=mouthpiece,
        lay=lay,
        smoothness_um=None if smoothness is None else smoothness * 1e6,
        leak_mm2=None if both is None else both.leak_m2 * 1e6,
        rail_difference_mm=None if both is None else both.rail_difference_m * 1e3,
        u_rail_difference_mm=None if both is None else both.u_rail_difference_m * 1e3,
        assumed=tuple(assumed),
    )


def _rail(readings: Sequence[FacingReading], rail: str, spec: HouseSpec) -> Readings:
    """Average the repeats of one rail, thickest leaf first."""
    by_leaf: dict[float, list[FacingReading]] = defaultdict(list)
    for reading in readings:
        if reading.rail == rail:
            by_leaf[reading.feeler_mm].append(reading)
    heights, places, u_heights, u_places = [], [], [], []
    for feeler, taken in sorted(by_leaf.items(), reverse=True):
        heights.append(feeler)
        places.append(math.fsum(reading.stop_mm for reading in taken) / len(taken))
        u_heights.append(max(spec.gauge.u_feeler_mm if r.u_feeler_mm is None else r.u_feeler_mm for r in taken))
        u_stop = max(spec.gauge.u_stop_mm if r.u_stop_mm is None else r.u_stop_mm for r in taken)
        u_places.append(u_stop / math.sqrt(len(taken)))
    return Readings(*(np.array(column) * 1e-3 for column in (heights, places, u_heights, u_places)))


class ReedBench:
    """Turns reeds into parts with the house's profiles and strength scale."""

    def __init__(
        self, points: Iterable[ProfilePoint], steps: Iterable[StrengthStep], *, defaults: Defaults, spec: HouseSpec
    ) -> None:
        self._points: dict[str, list[ProfilePoint]] = defaultdict(list)
        for point in points:
            self._points[point.profile_id].append(point)
        self._steps: dict[str, dict[float, StrengthStep]] = defaultdict(dict)
        for step in steps:
            self._steps[step.profile_id][step.strength] = step
        self._defaults = defaults
        self._spec = spec

    def part(self, reed: Reed) -> ReedPart:
        """Give one reed its shape and its modulus."""
        assumed: list[str] = []
        shape, key, measured = self._shape(reed, assumed)
        dry, basis, u_stiffness, held = self._modulus(reed, shape)
        load, clamp = self._test_places_m(reed)
        scale = None
        if basis == "label":
            scale = reed.profile_id or f"{reed.cut} {reed.instrument} of unknown make"
            assumed.append("stiffness, from the strength number alone")
        wet, u_wet = self._wet(reed, basis)
        if u_wet:
            assumed.append("loss of stiffness when wet")
        spread = self._spread(reed)
        vamp = reed.vamp_length_mm
        return ReedPart(
            reed=reed,
            shape=shape,
            shape_key=key,
            profile_measured=measured,
            modulus_pa=dry * wet,
            basis=basis,
            scale=scale,
            u_stiffness=u_stiffness if basis == "reading" else math.hypot(u_stiffness, spread or 0.0),
            u_wet=u_wet,
            box_spread=spread,
            vamp_mm=self._defaults.scalar(reed.instrument, "vamp_length_mm").value if vamp is None else vamp,
            vamp_measured=vamp is not None,
            width_measured=reed.tip_width_mm is not None,
            stiffness_held=held,
            test_weights=stiffness_weights_per_m(shape, load_m=load, clamp_m=clamp),
            assumed=tuple(assumed),
        )

    def _shape(self, reed: Reed, assumed: list[str]) -> tuple[ReedShape, tuple[str, float, float, float], bool]:
        sizes = []
        for name in ("tip_width_mm", "butt_width_mm", "length_mm"):
            value = getattr(reed, name)
            sizes.append(self._defaults.scalar(reed.instrument, name).value if value is None else float(value))
        tip, butt, length = sizes
        points = sorted(self._points.get(reed.profile_id or "", []), key=lambda point: point.x_mm)
        if points:
            name, x = str(reed.profile_id), [point.x_mm for point in points]
            thickness = [point.thickness_mm for point in points]
            crown = self._crown(points, tip)
        else:
            generic = self._defaults.profile(reed.instrument, reed.cut)
            name = f"{reed.profile_id or 'generic'} {reed.cut} {reed.instrument}"
            x, thickness = [place for place, _ in generic], [value for _, value in generic]
            crown = [constants.CROWN.value] * len(x)
            assumed.append("profile")
        shape = ReedShape(
            np.array(x) * 1e-3, np.array(thickness) * 1e-3, np.array(crown), tip * 1e-3, butt * 1e-3, length * 1e-3
        )
        return shape, (name, tip, butt, length), bool(points)

    @staticmethod
    def _crown(points: Sequence[ProfilePoint], tip_width_mm: float) -> list[float]:
        """Give the crown factor at each point; the parabola is carried from 1 mm in to the edge itself."""
        known = [point for point in points if point.edge_mm is not None]
        if not known:
            return [constants.CROWN.value] * len(points)
        inner = 1 - 2 / tip_width_mm
        factors = []
        for point in known:
            drop = (1 - min((point.edge_mm or 0.0) / point.thickness_mm, 1.0)) / inner**2
            factors.append(float(crown_factor(np.clip(1 - drop, *_EDGE_TO_RATIO_SPAN))))
        return [float(f) for f in np.interp([p.x_mm for p in points], [p.x_mm for p in known], factors)]

    def _test_places_m(self, reed: Reed) -> tuple[float, float]:
        load = constants.STIFFNESS_LOAD.value if reed.stiffness_load_mm is None else reed.stiffness_load_mm
        clamp = constants.STIFFNESS_CLAMP[reed.instrument] if reed.stiffness_clamp_mm is None else reed.stiffness_clamp_mm
        return load * 1e-3, clamp * 1e-3

    def _modulus(self, reed: Reed, shape: ReedShape) -> tuple[float, Basis, float, bool]:
        """Give modulus as tested, what it rests on, its relative uncertainty, and whether a bench stiffness is held."""
        if reed.stiffness_n_per_mm is not None:
            load, clamp = self._test_places_m(reed)
            modulus = modulus_from_stiffness_pa(
                shape, stiffness_n_per_m=reed.stiffness_n_per_mm * 1e3, load_m=load, clamp_m=clamp
            )
            return modulus, "reading", self._spec.gauge.u_stiffness_pct / 100, True
        steps = self._steps.get(reed.profile_id or "", {})
        if reed.strength in steps:
            step = steps[reed.strength]
            return self._step_modulus(step, reed, shape), "scale", constants.U_SCALE.value, step.modulus_gpa is None
        if steps:
            held = all(step.modulus_gpa is None for step in steps.values())
            return self._between(steps, reed, shape), "between steps", 1.5 * constants.U_SCALE.value, held
        halves = (reed.strength - constants.LABEL_STRENGTH.value) / 0.5
        modulus = constants.LABEL_MODULUS.value * (1 + constants.HALF_STRENGTH.value) ** halves
        return modulus, "label", constants.U_LABEL.value, False

    def _step_modulus(self, step: StrengthStep, reed: Reed, shape: ReedShape) -> float:
        if step.modulus_gpa is not None:
            return step.modulus_gpa * 1e9
        if step.stiffness_n_per_mm is not None:
            load, clamp = self._test_places_m(reed)
            return modulus_from_stiffness_pa(shape, stiffness_n_per_m=step.stiffness_n_per_mm * 1e3, load_m=load, clamp_m=clamp)
        return self._like(step, reed, shape)

    def _like(self, step: StrengthStep, reed: Reed, shape: ReedShape) -> float:
        """Give the modulus at which this reed tests as stiff as the one it is said to play like."""
        other = self._steps[str(step.equals_profile_id)][float(step.equals_strength or 0.0)]
        twin = reed.model_copy(update={"profile_id": step.equals_profile_id, "strength": step.equals_strength})
        twin_shape, _, _ = self._shape(twin, [])
        load, clamp = self._test_places_m(reed)
        twin_modulus = self._step_modulus(other, twin, twin_shape)
        unit = modulus_from_stiffness_pa(twin_shape, stiffness_n_per_m=1.0, load_m=load, clamp_m=clamp)
        return modulus_from_stiffness_pa(shape, stiffness_n_per_m=twin_modulus / unit, load_m=load, clamp_m=clamp)

    def _between(self, steps: dict[float, StrengthStep], reed: Reed, shape: ReedShape) -> float:
        """Interpolate ln E between the strengths the house has calibrated; beyond them by 12 % a half strength."""
        strengths = sorted(steps)
        logs = [math.log(self._step_modulus(steps[strength], reed, shape)) for strength in strengths]
        slope = math.log(1 + constants.HALF_STRENGTH.value) / 0.5
        beyond = slope * (max(reed.strength - strengths[-1], 0.0) - max(strengths[0] - reed.strength, 0.0))
        return math.exp(float(np.interp(reed.strength, strengths, logs)) + beyond)

    def _wet(self, reed: Reed, basis: Basis) -> tuple[float, float]:
        """Give the factor from tested to wet and its relative uncertainty."""
        steps = self._steps.get(reed.profile_id or "", {})
        state = reed.state
        if basis in ("scale", "between steps") and steps:
            nearest = min(steps.values(), key=lambda step: (abs(step.strength - reed.strength), step.strength))
            state = nearest.state
        if reed.material == "synthetic" or state == "wet":
            return 1.0, 0.0
        return self._spec.wet_factor, constants.WET_FACTOR.u / constants.WET_FACTOR.value

    def _spread(self, reed: Reed) -> float | None:
        steps = self._steps.get(reed.profile_id or "", {})
        known = [step for step in steps.values() if step.spread_pct is not None]
        if not known:
            return None
        nearest = min(known, key=lambda step: (abs(step.strength - reed.strength), step.strength))
        return (nearest.spread_pct or 0.0) / 100
