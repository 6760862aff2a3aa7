"""A reed becomes a physical part: its shape, and its modulus as played, from the best that is known of it."""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np

from matchkit import constants
from matchkit.facts import Assumed
from matchkit.parts.reed import Basis, HouseScale, ReedPart, ShapeKey, usual_test_m
from matchkit.physics.reed import (
    ReedShape,
    crown_factor,
    modulus_from_stiffness_pa,
    stiffness_from_modulus_n_per_m,
    stiffness_weights_per_m,
)
from matchkit.records.defaults import Defaults
from matchkit.records.parts import ProfilePoint, Reed, StrengthStep
from matchkit.records.spec import HouseSpec
from matchkit.units import GPA, MM, N_PER_MM, PERCENT

FIRST_POINT_MM = 3.0
"""A measured profile begins within this of the tip."""

EDGE_IN_MM = 1.0
"""The thickness of a reed's edge is read this far in."""

_CROWN_SPAN = (0.3, 1.0)


@dataclass(frozen=True)
class _Modulus:
    """A modulus as played, what it rests on, and its relative uncertainties; ``held`` where a bench stiffness is what is known."""

    wet_pa: float
    basis: Basis
    u_stiffness: float
    u_wet: float
    held: bool
    reference: str | None = None
    """The line that nobody measured and that this reed is compared with."""


class ReedScale:
    """Turns reeds into parts with the house's profiles and strength scale."""

    def __init__(
        self,
        reeds: Sequence[Reed],
        points: Iterable[ProfilePoint],
        steps: Iterable[StrengthStep],
        *,
        defaults: Defaults,
        spec: HouseSpec,
        own: HouseScale | None = None,
    ) -> None:
        self._points: dict[str, list[ProfilePoint]] = defaultdict(list)
        for point in points:
            self._points[point.profile_id].append(point)
        self._steps: dict[str, dict[float, StrengthStep]] = defaultdict(dict)
        for step in steps:
            self._steps[step.profile_id][step.strength] = step
        self._cane = {
            reed.profile_id: reed.material == "cane" for reed in sorted(reeds, key=lambda reed: reed.id, reverse=True)
        }
        self._cuts = {reed.profile_id: reed.cut for reed in sorted(reeds, key=lambda reed: reed.id, reverse=True)}
        self._shapes: dict[ShapeKey, ReedShape] = {}
        self._defaults = defaults
        self._spec = spec
        self._own = own

    def part(self, reed: Reed) -> ReedPart:
        """Return one reed its shape and its modulus."""
        assumed: list[Assumed] = []
        shape, key, measured = self._shape(reed, assumed)
        modulus = self._modulus(reed, shape)
        scale = None
        if modulus.reference is not None:
            scale = modulus.reference
            assumed.append(Assumed("stiffness by comparison", like=scale))
        elif modulus.basis == "label":
            scale = reed.profile_id or f"{reed.cut} {reed.instrument} reeds of unknown make"
            assumed.append(Assumed("stiffness by strength number"))
        elif modulus.basis == "between steps":
            assumed.append(Assumed("stiffness between strengths"))
        unread = modulus.basis == "label" and not (self._own is not None and self._own.of_labels)
        of_cane = constants.U_MODULUS.value if unread else 0.0
        if modulus.u_wet and self._own is None:
            assumed.append(Assumed("wetting"))
        spread = self._spread(reed)
        unit_spread = constants.BOX_SPREAD.value * PERCENT if spread is None else spread
        vamp = reed.vamp_length_mm
        return ReedPart(
            reed=reed,
            shape=shape,
            shape_key=key,
            profile_measured=measured,
            modulus_pa=modulus.wet_pa * (1.0 if self._own is None else self._own.factor),
            basis=modulus.basis,
            scale=scale,
            u_stiffness=modulus.u_stiffness if modulus.basis == "reading" else math.hypot(modulus.u_stiffness, unit_spread),
            u_wet=modulus.u_wet if self._own is None else 0.0 if modulus.u_wet else self._wet(cane=True, state="dry")[1],
            u_scale=math.hypot(constants.U_HELD.value if self._own is None else self._own.u, of_cane),
            scale_factor=1.0 if self._own is None else self._own.factor,
            box_spread=spread,
            vamp_m=(self._defaults.scalar(reed.instrument, "vamp_length_mm").value if vamp is None else vamp) * MM,
            vamp_measured=vamp is not None,
            width_measured=reed.tip_width_mm is not None,
            stiffness_held=modulus.held,
            test_weights=stiffness_weights_per_m(shape, **usual_test_m(reed.instrument)),
            assumed=tuple(assumed),
        )

    # shape

    def _shape(self, reed: Reed, assumed: list[Assumed]) -> tuple[ReedShape, ShapeKey, bool]:
        """Return the shape, its key, and whether the profile was measured as far as the reed bends."""
        sizes = []
        for name in ("tip_width_mm", "butt_width_mm", "length_mm"):
            value = getattr(reed, name)
            sizes.append(self._defaults.scalar(reed.instrument, name).value if value is None else float(value))
        tip, butt, length = sizes
        points = sorted(self._points.get(reed.profile_id or "", []), key=lambda point: point.x_mm)
        generic = self._defaults.profile(reed.instrument, reed.cut)
        reach = constants.STIFFNESS_CLAMP[reed.instrument]
        whole = bool(points) and points[0].x_mm <= FIRST_POINT_MM and points[-1].x_mm >= reach
        line = [(point.x_mm, point.thickness_mm) for point in points]
        if not whole:
            line = completed(line, generic)
            assumed.append(Assumed("part of the profile" if points else "profile"))
        name = str(reed.profile_id) if whole else f"{reed.profile_id or 'generic'}, {reed.cut} {reed.instrument}"
        key = ShapeKey(name, tip, butt, length)
        if key not in self._shapes:
            x, thickness = (np.array(column) for column in zip(*line, strict=True))
            crown = np.array(_crown(points, x, tip + (butt - tip) * x / length))
            self._shapes[key] = ReedShape(x * MM, thickness * MM, crown, tip * MM, butt * MM, length * MM)
        return self._shapes[key], key, whole

    # modulus

    def _modulus(self, reed: Reed, shape: ReedShape) -> _Modulus:
        """Return the modulus as played: from the reed's own reading, the house's scale, the strengths beside it, or the label."""
        cane = reed.material == "cane"
        if reed.stiffness_n_per_mm is not None:
            wet, u_wet = self._wet(cane=cane, state=reed.state)
            tested = modulus_from_stiffness_pa(
                shape, stiffness_n_per_m=reed.stiffness_n_per_mm * N_PER_MM, **self._own_test_m(reed)
            )
            return _Modulus(tested * wet, "reading", self._spec.gauge.u_stiffness_pct * PERCENT, u_wet, held=True)
        steps = self._steps.get(reed.profile_id or "", {})
        if steps:
            used, reference = self._comparable(reed.profile_id or "", reed.strength)
            if reference is not None:
                found = self._step(used[reed.strength], reed, shape, cane=cane) if reed.strength in used else None
                wet_pa, u_wet = found or self._between(used, reed, shape, cane=cane)
                return _Modulus(wet_pa, "label", constants.U_SCALE.value, u_wet, held=True, reference=reference)
            steps = used
        if reed.strength in steps:
            step = steps[reed.strength]
            wet_pa, u_wet = self._step(step, reed, shape, cane=cane)
            return _Modulus(wet_pa, "scale", constants.U_SCALE.value, u_wet, held=step.modulus_gpa is None)
        if steps:
            wet_pa, u_wet = self._between(steps, reed, shape, cane=cane)
            held = all(step.modulus_gpa is None for step in steps.values())
            return _Modulus(wet_pa, "between steps", 1.5 * constants.U_SCALE.value, u_wet, held=held)
        label_pa, u_wet = self._by_label(reed.strength)
        return _Modulus(label_pa, "label", constants.U_LABEL.value, u_wet, held=False)

    def _by_label(self, strength: float) -> tuple[float, float]:
        """Return the wet modulus that a strength number alone stands for, and its relative uncertainty from wetting."""
        dry = constants.LABEL_MODULUS.value * (1 + constants.HALF_STRENGTH.value) ** (
            (strength - constants.LABEL_STRENGTH.value) / 0.5
        )
        wet, u_wet = self._wet(cane=True, state="dry")  # nothing was tested: one scale of numbers, whatever the material
        return dry * wet, u_wet

    def _comparable(self, profile: str, strength: float) -> tuple[dict[float, StrengthStep], str | None]:
        """Return the steps of a line that tell of a strength, and the line nobody measured that they follow; None where they were measured.

        The strength's own step where there is one; else those that were measured, or that follow one line.
        """
        steps = self._steps[profile]
        roots = {number: self._root(profile, number) for number in sorted(steps)}
        chosen = roots[strength] if strength in roots else min(roots.values(), key=lambda root: (root is not None, root or ""))
        return {number: steps[number] for number, root in roots.items() if root == chosen}, chosen

    def _root(self, profile: str, strength: float) -> str | None:
        """Return the line nobody measured that a step follows by comparison alone, the house's assumed reference; None where it ends at a measurement."""
        seen: set[tuple[str, float]] = set()
        while (profile, strength) not in seen:
            seen.add((profile, strength))
            step = self._steps.get(profile, {}).get(strength)
            if step is None:
                return profile
            if step.equals_profile_id is None:
                return None
            profile, strength = step.equals_profile_id, float(step.equals_strength or 0.0)
        return None

    def _own_test_m(self, reed: Reed) -> dict[str, float]:
        places = usual_test_m(reed.instrument)
        if reed.stiffness_load_mm is not None:
            places["load_m"] = reed.stiffness_load_mm * MM
        if reed.stiffness_clamp_mm is not None:
            places["clamp_m"] = reed.stiffness_clamp_mm * MM
        return places

    def _wet(self, *, cane: bool, state: str) -> tuple[float, float]:
        """Return the factor from tested to wet, and its relative uncertainty."""
        if not cane or state == "wet":
            return 1.0, 0.0
        return self._spec.wet_factor, constants.WET_FACTOR.u / constants.WET_FACTOR.value

    def _step(self, step: StrengthStep, reed: Reed, shape: ReedShape, *, cane: bool) -> tuple[float, float]:
        """Return the wet modulus of a step of the scale for this reed's shape, and its relative uncertainty from wetting."""
        if step.equals_profile_id is not None:
            return self._like(step, reed, shape)
        wet, u_wet = self._wet(cane=cane, state=step.state)
        if step.modulus_gpa is not None:
            return step.modulus_gpa * GPA * wet, u_wet
        stiffness = float(step.stiffness_n_per_mm or 0.0) * N_PER_MM
        return modulus_from_stiffness_pa(shape, stiffness_n_per_m=stiffness, **usual_test_m(reed.instrument)) * wet, u_wet

    def _like(self, step: StrengthStep, reed: Reed, shape: ReedShape) -> tuple[float, float]:
        """Return the wet modulus at which this reed is as stiff on the bench, wet, as the one it is said to play like."""
        line, strength = str(step.equals_profile_id), float(step.equals_strength or 0.0)
        twin = reed.model_copy(update={"profile_id": line, "strength": strength, "cut": self._cuts.get(line, reed.cut)})
        twin_shape, _, _ = self._shape(twin, [])
        if strength in self._steps.get(line, {}):
            twin_pa, u_wet = self._step(self._steps[line][strength], twin, twin_shape, cane=self._cane.get(line, True))
        else:
            twin_pa, u_wet = self._by_label(strength)
        places = usual_test_m(reed.instrument)
        stiffness = stiffness_from_modulus_n_per_m(twin_shape, modulus_pa=twin_pa, **places)
        return modulus_from_stiffness_pa(shape, stiffness_n_per_m=stiffness, **places), u_wet

    def _between(self, steps: dict[float, StrengthStep], reed: Reed, shape: ReedShape, *, cane: bool) -> tuple[float, float]:
        """Interpolate the logarithm of the wet modulus between calibrated strengths; beyond them by 16 % a half strength."""
        strengths = sorted(steps)
        found = [self._step(steps[strength], reed, shape, cane=cane) for strength in strengths]
        logs = [math.log(modulus) for modulus, _ in found]
        slope = math.log(1 + constants.HALF_STRENGTH.value) / 0.5
        beyond = slope * (max(reed.strength - strengths[-1], 0.0) - max(strengths[0] - reed.strength, 0.0))
        return math.exp(float(np.interp(reed.strength, strengths, logs)) + beyond), max(u_wet for _, u_wet in found)

    def _spread(self, reed: Reed) -> float | None:
        """Return the spread of ln E within a box, from the nearest strength that has one; None where none was measured."""
        steps = self._steps.get(reed.profile_id or "", {})
        known = [step for step in steps.values() if step.spread_pct is not None]
        if not known:
            return None
        nearest = min(known, key=lambda step: (abs(step.strength - reed.strength), step.strength))
        return (nearest.spread_pct or 0.0) * PERCENT


def completed(line: Sequence[tuple[float, float]], generic: Sequence[tuple[float, float]]) -> list[tuple[float, float]]:
    """Complete a short profile with a generic one, scaled to meet it at either end; the generic one where there is none.

    >>> completed([(5.0, 0.3), (10.0, 0.5)], [(1.0, 0.1), (10.0, 0.4), (30.0, 1.6)])
    [(1.0, 0.1), (5.0, 0.3), (10.0, 0.5), (30.0, 2.0)]
    """
    if not line:
        return list(generic)
    x, thickness = zip(*generic, strict=True)
    (first, thin), (last, thick) = line[0], line[-1]
    before = min(thin / float(np.interp(first, x, thickness)), 1.0)
    behind = thick / float(np.interp(last, x, thickness))
    ahead = [(place, round(value * before, 6)) for place, value in generic if place < first]
    rest = [(place, round(value * behind, 6)) for place, value in generic if place > last]
    return [*ahead, *line, *rest]


def _crown(points: Sequence[ProfilePoint], x_mm: np.ndarray, width_mm: np.ndarray) -> list[float]:
    """Return the crown factor at places where the reed is ``width_mm`` wide: from the edges that were read, the usual one otherwise.

    ``edge_mm`` is read 1 mm in; the top is taken as a parabola, which is carried on to the edge itself.
    """
    known = [point for point in points if point.edge_mm is not None]
    if not known:
        return [constants.CROWN.value] * len(x_mm)
    place = [point.x_mm for point in known]
    half = np.interp(place, x_mm, width_mm) / 2
    read = np.array([(point.edge_mm or 0.0) / point.thickness_mm for point in known])
    edge = 1 - (1 - read) / (1 - EDGE_IN_MM / half) ** 2
    return [float(f) for f in np.interp(x_mm, place, crown_factor(np.clip(edge, *_CROWN_SPAN)))]
