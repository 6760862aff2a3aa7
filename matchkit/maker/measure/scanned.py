"""What the scan of a rail is worth: what its indicator was off by, what it cannot show, and the tip opening that it leads to."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from matchkit.physics.lay.scan import Scan
from matchkit.units import MM, UM

TIP_OVER_M, TIP_FROM_M, LEAST_AT_TIP = 4e-3, 1.01e-3, 4
"""A tip opening is read from so much of a scan that begins so near the tip, where it has so many points."""
_EDGE_M = 1e-9
"""A point on the edge of a window is in it, whatever the last digits say."""
UNLIKE, LEAST_UNLIKE_MM = 4.0, 0.08
LEAST_CROOKED_MM = 0.03
"""A tip is crooked that stands so much further open on one rail, and surely."""
"""A tip opening that was measured is not that of the scans where they differ by so many standard uncertainties, and by so much."""


@dataclass(frozen=True)
class ScanFound:
    """What the scan of a rail is worth, and what its indicator was off by and is taken off here; ``narrowest_mm`` is the narrowest bump it can show.

    Zero and tilt are None where the scan does not go on over the table, the tilt also where it shows too little of it.
    """

    rail: str
    spacing_mm: float
    noise_um: float
    narrowest_mm: float
    zero_um: float | None
    tilt_um_per_mm: float | None
    holes_mm: tuple[tuple[float, float], ...] = ()
    """Stretches of the lay without a point, from and to."""
    specks_mm: tuple[tuple[float, float], ...] = ()
    """Points that were left out as dust or a slip: where, and how far off their neighbours."""
    tip_mm: float | None = None
    """The tip opening that the scan leads to; None where it begins too far from the tip."""
    u_tip_mm: float | None = None

    @property
    def shows_table(self) -> bool:
        """Whether it goes on over the table, so that the zero of its indicator is known."""
        return self.zero_um is not None


def scan_found(rail: str, scan: Scan, break_m: float) -> ScanFound:
    """Return what the scan of a rail is worth; ``break_m`` is where the lay leaves the table, behind which a hole hides nothing."""
    on = scan.levelled
    zero = on.zero_m / UM if on.table_seen else None
    tilt = on.tilt / UM * MM if on.tilt_seen else None
    holes = tuple((float(start) / MM, float(stop) / MM) for start, stop in scan.holes_m if start < break_m)
    specks = tuple((float(place) / MM, float(off) / MM) for place, off in scan.specks_m)
    tip = _tip_m(scan) if on.table_seen else None
    return ScanFound(
        rail,
        scan.spacing_m / MM,
        on.noise_m / UM,
        scan.narrowest_m / MM,
        zero,
        tilt,
        holes,
        specks,
        None if tip is None else tip[0] / MM,
        None if tip is None else tip[1] / MM,
    )


def _tip_m(scan: Scan) -> tuple[float, float] | None:
    """Return the tip opening that a scan leads to, by the parabola of its first points, with its standard uncertainty."""
    x, height = (part[scan.x_m <= TIP_OVER_M + _EDGE_M] for part in (scan.x_m, scan.levelled.height_m))
    if len(x) < LEAST_AT_TIP or x[0] > TIP_FROM_M:
        return None
    powers = np.vander(x, 3, increasing=True)
    gain = np.linalg.pinv(powers)[0]
    zero, tilt = scan.levelled.lifts_m(np.array([0.0]))[:, 0]
    return float(gain @ height), math.hypot(scan.levelled.noise_m * float(np.sqrt(gain @ gain)), zero, tilt)


def tip_by_scans(scans: Sequence[ScanFound]) -> tuple[float, float] | None:
    """Return the mean tip opening of the scans of a piece that lead to one, with its standard uncertainty, in mm."""
    found = [(one.tip_mm, one.u_tip_mm) for one in scans if one.tip_mm is not None and one.u_tip_mm is not None]
    if not found:
        return None
    return math.fsum(tip for tip, _ in found) / len(found), math.hypot(*(u for _, u in found)) / len(found)


def tip_crooked_mm(scans: Sequence[ScanFound]) -> float | None:
    """Return by how much the tip stands further open on the left rail than on the right one, in mm, where it surely does; else None."""
    tips = {one.rail: (one.tip_mm, one.u_tip_mm) for one in scans if one.tip_mm is not None and one.u_tip_mm is not None}
    if len(tips) < 2:
        return None
    (left, u_left), (right, u_right) = tips["left"], tips["right"]
    off = left - right
    return off if abs(off) > max(UNLIKE * math.hypot(u_left, u_right), LEAST_CROOKED_MM) else None


def tip_unlike_scans(tip_mm: float, u_tip_mm: float, scans: Sequence[ScanFound]) -> float | None:
    """Return the tip opening of the scans where it surely is another than the one that was measured, else None."""
    found = tip_by_scans(scans)
    if found is None:
        return None
    off = abs(tip_mm - found[0])
    return found[0] if off > max(UNLIKE * math.hypot(u_tip_mm, found[1]), LEAST_UNLIKE_MM) else None
