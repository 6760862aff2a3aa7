"""Targets that a reed decides, a tip opening or a closing pressure, and the house reeds on a piece before and after."""

from __future__ import annotations

import math
import zlib
from dataclasses import dataclass, replace

import numpy as np

from matchkit import constants
from matchkit.errors import RequestError
from matchkit.maker.facts import RefaceTarget
from matchkit.maker.pairing import lots_of
from matchkit.maker.reface.match import A_TOUCH, Mounted, match_reed, match_tip
from matchkit.maker.reface.plan import BeforeAfter
from matchkit.maker.reface.target import Worn, fair_with_tip, more_m
from matchkit.parts.facing import FacingPart
from matchkit.parts.reed import ReedPart
from matchkit.physics.lay.facing import Lay, MeanLay
from matchkit.physics.lay.fair import FairCurve
from matchkit.records.spec import HouseSpec
from matchkit.score.player import PlayerView, playing_openings_m
from matchkit.score.scorer import Scorer
from matchkit.units import KPA, MM, UM

ROUNDS, NEAR_TOUCH = 4, 0.003
"""A pressure that is kept is sought in so many rounds, to so much beyond a touch (in ln)."""


@dataclass(frozen=True)
class OnPiece:
    """A piece with the reeds of a house and who plays them: what a target needs to know how a reed closes on it."""

    house: Scorer
    view: PlayerView
    spec: HouseSpec
    facing: FacingPart

    def mounted(self, reed: ReedPart) -> Mounted:
        """Lay a reed on the piece."""
        lip_n, spread_m = self.view.lip_force_n, constants.LIP_SPREAD.value * MM
        return Mounted(reed, self.facing.load_width_m, self.view.lip_m, lip_n, spread_m)

    def closing_pa(self, reed: ReedPart, lay: Lay | MeanLay | None = None) -> float:
        """Return the closing pressure of a reed on the piece as it is, or on another lay."""
        facing = self.facing if lay is None else _with_lay(self.facing, lay)
        return float(self.house.grid((facing,), [reed], lip_m=self.view.lip_m).closing_pressure_pa[0])

    def reed(self, name: str) -> ReedPart:
        """Find a reed by its name; RequestError where it is for another instrument."""
        reed, instrument = self.house.parts.reed(name), self.facing.mouthpiece.instrument
        if reed.reed.instrument != instrument:
            raise RequestError(f"{reed.reed.id} is for {reed.reed.instrument}, the mouthpiece for {instrument}")
        return reed

    def usual_reed(self) -> ReedPart | None:
        """Return the house reed that closes nearest the middle of the house's range on the piece as it is; None where none is known."""
        instrument = self.facing.mouthpiece.instrument
        lots = lots_of(self.house.parts.reeds_for(instrument))
        if not lots:
            return None
        grid = self.house.grid((self.facing,), [lot.reed for lot in lots], lip_m=self.view.lip_m)
        logs = np.log(grid.closing_pressure_pa / KPA)
        window = self.spec.closing_range.get(instrument)
        middle = float(np.median(logs)) if window is None else math.log(window[0] * window[1]) / 2
        return lots[int(np.abs(logs - middle).round(9).argmin())].reed


def tip_target(piece: OnPiece, worn: Worn, tip_mm: float, *, reed: str | None, keep: bool) -> tuple[FairCurve, RefaceTarget]:
    """Return the facing of a tip opening that takes off least, and what the most even one would take.

    With ``keep`` a reed (``reed``, or a usual one of the house) closes on it within a touch of what it does now: by what was read of the piece, and
    by what would be left of it.
    """
    tip_m = tip_mm * MM
    plain = RefaceTarget("tip", tip_opening_mm=tip_mm)
    part = piece.usual_reed() if reed is None else piece.reed(reed)
    if part is None:
        if keep:
            raise RequestError(
                f"the house has no {piece.facing.mouthpiece.instrument} reed whose stiffness is known, to keep its resistance"
            )
        return fair_with_tip(worn, tip_m), plain
    mounted, kept_pa = piece.mounted(part), None
    least = match_tip(worn, mounted, tip_m=tip_m, even=False)
    before_pa = piece.closing_pa(part) if keep else 0.0
    for _ in range(ROUNDS if keep else 0):  # a curve is not quite the lay that is left, and the pressure goes by the lay
        then_pa = piece.closing_pa(part, lay_of(worn, least.curve, piece.facing.lay.u_tip_m))
        kept_pa = before_pa * mounted.closing_on(least.curve) / then_pa
        if abs(math.log(then_pa / before_pa)) <= A_TOUCH + NEAR_TOUCH:
            break
        least = match_tip(worn, mounted, tip_m=tip_m, even=False, kept_pa=kept_pa)
    most_even = match_tip(worn.within(None), mounted, tip_m=tip_m, even=True, kept_pa=kept_pa)
    return least.curve, replace(
        plain,
        reed_id=part.reed.id if keep else "",
        reed_named=reed is not None,
        keeps_resistance=keep,
        closing_share=least.share,
        even_share=most_even.share,
        more_um=more_m(worn, least.curve, most_even.curve) / UM,
    )


def reed_target(piece: OnPiece, worn: Worn, name: str, closing_kpa: float | None) -> tuple[FairCurve, RefaceTarget]:
    """Return the facing that a reed closes at a pressure (default: the middle of the house's range), within a touch and with the least off.

    Where it closes at that as the piece is, the target is ``met`` and nothing comes off.
    """
    reed, instrument = piece.reed(name), piece.facing.mouthpiece.instrument
    window = piece.spec.closing_range.get(instrument)
    if closing_kpa is None and window is None:
        raise RequestError(f"at which closing pressure? the house has no closing range for {instrument}")
    closing = sum(window) / 2 if closing_kpa is None and window is not None else float(closing_kpa or 0.0)
    if not closing > 0:
        raise RequestError(f"a closing pressure of {closing:g} kPa; expected more than 0")
    target = RefaceTarget("reed", reed_id=reed.reed.id, reed_named=True, closing_kpa=closing, middle=closing_kpa is None)
    if abs(math.log(piece.closing_pa(reed) / (closing * KPA))) <= A_TOUCH:
        return piece.facing.lay.fair, replace(target, met=True)
    mounted, bare = piece.mounted(reed), worn.within(None)
    least, most_even = (match_reed(bare, mounted, even=even, closing_pa=closing * KPA) for even in (False, True))
    more_um = more_m(bare, least.curve, most_even.curve) / UM
    return least.curve, replace(target, closing_share=least.share, even_share=most_even.share, more_um=more_um)


def lay_of(worn: Worn, target: FairCurve, u_tip_m: float, fair: FairCurve | None = None) -> Lay:
    """Make a lay of what is left where a piece was worked to a target, knots every millimetre up to the break; ``fair`` where it is another curve."""
    fair, height_m = target if fair is None else fair, np.maximum(target.height_m(worn.x_m), worn.height_m)
    end = max(fair.break_m, float(worn.x_m[height_m > 0].max()))
    at = np.arange(0.0, end - 0.2 * MM, 1 * MM)
    level = np.interp(at, worn.x_m, height_m)
    kept = level > 0
    return Lay(np.append(at[kept], end), np.append(level[kept], 0.0), fair, u_tip_m, measured=True)


def _with_lay(facing: FacingPart, lay: Lay | MeanLay) -> FacingPart:
    """Return a piece as it would be with another lay, by a name of its own for each: what is solved is kept by name."""
    heights = lay.height_m(np.arange(0.0, lay.fair.break_m, 0.1 * MM))
    name = f"{facing.mouthpiece.id} refaced {zlib.crc32(heights.tobytes()):08x}"
    return replace(facing, mouthpiece=facing.mouthpiece.model_copy(update={"id": name}), lay=lay)


def before_and_after(piece: OnPiece, after: Lay | MeanLay) -> tuple[BeforeAfter, ...]:
    """Solve every house reed of the instrument on the piece as it is and as it would be."""
    house, view, facing = piece.house, piece.view, piece.facing
    lots = lots_of(house.parts.reeds_for(facing.mouthpiece.instrument))
    if not lots:
        return ()
    reeds = [lot.reed for lot in lots]
    before, after_it = (house.grid((part,), reeds, lip_m=view.lip_m) for part in (facing, _with_lay(facing, after)))
    both = before.join(after_it)
    pressure = both.closing_pressure_pa / KPA
    opening = playing_openings_m(both, blow_pa=view.blow_pa) / MM
    share = both.closing_share(lip_force_n=view.lip_force_n)
    doubt = house.uncertainty(before).total
    return tuple(
        BeforeAfter(
            reed=lot.id,
            closing_pressure_before_kpa=float(pressure[row]),
            closing_pressure_after_kpa=float(pressure[row + len(lots)]),
            u_closing_pressure_kpa=float(pressure[row + len(lots)] * doubt[row]),
            playing_opening_before_mm=float(opening[row]),
            playing_opening_after_mm=float(opening[row + len(lots)]),
            closing_share_before=float(share[row]),
            closing_share_after=float(share[row + len(lots)]),
        )
        for row, lot in enumerate(lots)
    )
