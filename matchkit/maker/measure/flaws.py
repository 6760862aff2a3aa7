"""The bumps and flats that readings or scans of a piece show, in the units of the bench."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from matchkit.physics.lay.facing import Lay, MeanLay
from matchkit.physics.lay.fair import Readings
from matchkit.physics.lay.flaws import Flaw, find_flaws, one_deeper_m
from matchkit.physics.lay.scan import Scan
from matchkit.physics.lay.scan_flaws import find_scanned_flaws
from matchkit.units import MM, UM

STEP_REACH = 4.0
"""Where a rail is lower than so many times what one is dug too deep, its end is looked at, and not a bump."""
SURE = 2.0
"""A bump or flat is surely there from so many standard uncertainties of its height on."""


@dataclass(frozen=True)
class FlawFound:
    """A bump (the lay stands proud of its fair curve) or a flat (it lies under it), with the uncertainty of its height."""

    kind: str
    place_mm: float
    height_um: float
    u_height_um: float
    length_mm: float
    sized: bool
    """False where readings lie too far apart to tell how wide it is, and so how high."""
    rail: str | None = None
    """The rail that it surely is on alone; its height is then that rail's, else that of both."""

    @property
    def sure(self) -> bool:
        """Whether it is surely there, and so told."""
        return not self.sized or abs(self.height_um) > SURE * self.u_height_um


def flaws_found(lay: Lay | MeanLay, rails: dict[str, Readings], scans: dict[str, Scan]) -> tuple[FlawFound, ...]:
    """Return what the scans of a piece show, or its feelers where there are none; none of a piece whose shape is not known."""
    found: tuple[Flaw, ...] = ()
    if scans:
        noise = max(scan.levelled.noise_m for scan in scans.values())
        found = find_scanned_flaws(scans, break_m=lay.fair.break_m, exponent=lay.fair.exponent[0], noise_m=noise)
    elif lay.shape_known and isinstance(lay, MeanLay) and (deeper := one_deeper_m(rails["left"], rails["right"], lay.fair)):
        found = _of_each(lay, rails, abs(deeper))
    elif lay.shape_known:
        found = find_flaws(rails, lay.fair, tip_opening_m=lay.tip_opening_m, u_tip_m=lay.u_tip_m)
    end_m = lay.fair.facing_length_m
    return tuple(_in_bench_units(flaw) for flaw in found if flaw.sized or _can_be(flaw, end_m))


def _can_be(flaw: Flaw, end_m: float) -> bool:
    """Tell what is too narrow to be sized from what cannot be: behind the facing, or a bump that would lie lower than the lay beside it."""
    return flaw.place_m <= end_m and (flaw.height_m > 0) == (flaw.kind == "bump")


def _of_each(lay: MeanLay, rails: dict[str, Readings], deeper_m: float) -> tuple[Flaw, ...]:
    """Return what each rail shows by itself where one is dug too deep: the curve between the two is no fair one, and the deep one ends at a step."""
    found: list[Flaw] = []
    for rail, side in (("left", lay.left), ("right", lay.right)):
        mine = find_flaws({rail: rails[rail]}, side.fair, tip_opening_m=lay.tip_opening_m, u_tip_m=lay.u_tip_m)
        found += [
            replace(flaw, rail=rail) for flaw in mine if side.height_m(np.array([flaw.place_m]))[0] > STEP_REACH * deeper_m
        ]
    return tuple(sorted(found, key=lambda flaw: flaw.place_m))


def _in_bench_units(flaw: Flaw) -> FlawFound:
    size = flaw.height_m / UM, flaw.u_height_m / UM
    return FlawFound(flaw.kind, flaw.place_m / MM, *size, flaw.length_m / MM, flaw.sized, flaw.rail)
