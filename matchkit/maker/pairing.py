"""How a batch pairs with the house reeds: closing pressure, effort, opening and share of every piece with every lot, with their doubts.

A pair is one reed of a lot on one piece. Every draw takes a piece within its own uncertainty (tip opening, facing length and
shape together, as its readings correlate them), a reed of the lot, a reed place, and the doubt of the bench. What all pieces share, the scale of the house and wetting, is left out: the closing
range is on the same scale. How closing
pressure and closing share of a draw differ from those of the piece comes from a table of exact contact solutions.
"""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Callable, Sequence
from dataclasses import asdict, dataclass, replace
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from matchkit import constants
from matchkit.errors import RequestError
from matchkit.facts import UNCERTAINTIES, Assumed
from matchkit.maker.strips import ForTheBox, Lot, PairResult, Strip, for_the_box, strip_of
from matchkit.pairs.table import PairTable
from matchkit.pairs.uncertainty import Uncertainty
from matchkit.parts.facing import FacingPart
from matchkit.parts.reed import ReedPart, ShapeKey
from matchkit.physics.share_table import ShareTable, share_table
from matchkit.score.player import PlayerView
from matchkit.units import KPA, MM, PERCENT

Array = NDArray[np.float64]

DRAWS = 1000
LEAST_DRAWS, MOST_DRAWS = 100, 100_000
"""Fewer draws say too little of an uncertainty."""
SEED = 20262
BLOCK = 50
"""Pieces drawn by one worker at a time; fixed, so that the answer does not depend on the number of workers."""

PAIRS_WITH = 0.5
"""A piece pairs with a lot where at least this share of the reeds falls into the window."""

_BY_REED = tuple(UNCERTAINTIES.index(name) for name in ("window", "profile"))
_REACH = 4.0

LEAST_READ = 3
"""From so many reeds of a lot read on the bench their own spread is the lot's."""


@dataclass(frozen=True)
class Pairing:
    """Every piece with every lot, the strengths for the box, and the pieces that pair with none."""

    instrument: str
    model: str | None
    closing_range_kpa: tuple[float, float]
    blow_kpa: float
    lip_load_n: float
    draws: int
    seed: int
    shuts_below_kpa: float
    """Closing pressure below which the reed shuts before the lip does anything, at the blowing pressure that is assumed."""
    lots: tuple[Strip, ...]
    box: ForTheBox | None
    """None where no strength is playable and has a pair within the range."""
    alone: tuple[str, ...]
    pairs: tuple[PairResult, ...]
    assumed: tuple[Assumed, ...]
    """What is assumed of the player, and of some of the pieces."""

    @property
    def wide(self) -> int:
        """How many strengths lie within the house's range on every piece; where that is most of them the range tells little."""
        pieces = len({pair.mouthpiece_id for pair in self.pairs})
        return sum(strip.whole == pieces for strip in self.lots)

    def rows(self) -> list[dict[str, object]]:
        """Return one flat row a piece and lot."""
        return [asdict(pair) for pair in self.pairs]


def lots_of(reeds: Sequence[ReedPart]) -> tuple[Lot, ...]:
    """Group the reeds of a house: those of one profile, strength and lot are one lot.

    Where reeds of a lot were read on the bench, they alone give its level, and from three on its spread; otherwise the spread is that of the
    box, or the assumed one. The bench's own error moves all reeds alike, so it stays in the level whole; the spread there is less with
    the number read. The scatter of single readings is part of the spread. Reeds on no strength scale are left out: their stiffness is a guess.
    """
    groups: dict[tuple[str, float, str], list[ReedPart]] = defaultdict(list)
    for part in reeds:
        if part.scale is None:
            groups[part.reed.profile_id or part.shape_key.profile, part.reed.strength, part.reed.lot or ""].append(part)
    found = []
    for (profile, strength, lot), parts in sorted(groups.items()):
        read = [part for part in parts if part.basis == "reading"]
        known = read or parts
        logs = np.array([math.log(part.modulus_pa) for part in known])
        box = next((part.box_spread for part in known if part.box_spread is not None), constants.BOX_SPREAD.value * PERCENT)
        spread = float(logs.std(ddof=1)) if len(read) >= LEAST_READ else box
        common = max(part.u_stiffness for part in known)
        level = math.hypot(common, spread / math.sqrt(len(read))) if read else math.sqrt(max(common**2 - box**2, 0.0))
        found.append(
            Lot(
                id=" ".join(filter(None, (profile, f"{strength:g}", lot and f"lot {lot}"))),
                profile=profile,
                strength=strength,
                reeds=len(parts),
                reed=replace(known[0], modulus_pa=math.exp(float(logs.mean())), u_stiffness=math.hypot(level, spread)),
                spread=spread,
                u_level=level,
            )
        )
    return tuple(found)


@dataclass(frozen=True)
class Bench:
    """What the draws need of one lot on any piece."""

    lot: Lot
    table: ShareTable
    lip_m: float


def checked_draws(draws: int | None) -> int:
    """Return how many draws were asked for, the usual number where none was named; RequestError for too few or too many."""
    if draws is None:
        return DRAWS
    if not LEAST_DRAWS <= draws <= MOST_DRAWS:
        raise RequestError(f"{draws} draws; expected {LEAST_DRAWS} to {MOST_DRAWS}")
    return draws


def pair_batch(
    facings: Sequence[FacingPart],
    lots: Sequence[Lot],
    *,
    pairs: PairTable,
    doubt: Uncertainty,
    view: PlayerView,
    closing_range_kpa: tuple[float, float],
    draws: int = DRAWS,
    seed: int = SEED,
    jobs: int = 1,
    progress: Callable[[int, int], None] | None = None,
) -> Pairing:
    """Pair every facing with every lot; ``pairs`` (P * L) and their ``doubt`` are exact, piece by piece."""
    from joblib import Parallel, delayed

    bench = benches(facings, lots, lip_m=view.lip_m)
    blocks = [range(start, min(start + BLOCK, len(facings))) for start in range(0, len(facings), BLOCK)]
    seeds = np.random.SeedSequence(seed).spawn(len(facings))
    solved = (
        pairs.closing_pressure_pa.reshape(len(facings), -1),
        pairs.lip_area_m2.reshape(len(facings), -1),
        pairs.closing_share(lip_force_n=view.lip_force_n).reshape(len(facings), -1),
        np.sqrt((doubt.parts[list(_BY_REED)] ** 2).sum(axis=0)).reshape(len(facings), -1),
        doubt.place_per_m.reshape(len(facings), -1),
    )
    work = (
        delayed(_draw_block)(
            [facings[place] for place in block],
            bench,
            tuple(part[block.start : block.stop] for part in solved),
            [seeds[place] for place in block],
            _Setting(draws, view.blow_pa, view.lip_force_n, *(end * KPA for end in closing_range_kpa)),
        )
        for block in blocks
    )
    results: list[PairResult] = []
    for done, found in enumerate(Parallel(n_jobs=jobs, return_as="generator")(work), start=1):
        results += found
        if progress is not None:
            progress(done, len(blocks))
    return _summed_up(facings, lots, results, view=view, closing_range_kpa=closing_range_kpa, draws=draws, seed=seed)


def benches(facings: Sequence[FacingPart], lots: Sequence[Lot], *, lip_m: float) -> list[Bench]:
    """Build the tables of each distinct reed shape over the range of the facings and their uncertainties."""
    fairs = [facing.lay.fair for facing in facings]
    tip = np.array([facing.lay.tip_opening_m for facing in facings])
    u_tip = np.array([facing.lay.u_tip_m for facing in facings])
    length = np.array([fair.facing_length_m for fair in fairs])
    u_length = np.array([fair.u_facing_length_m for fair in fairs])
    shape = np.array([fair.half_open_m / fair.facing_length_m for fair in fairs])
    tips, lengths = (
        (float((value - _REACH * u).min()), float((value + _REACH * u).max()))
        for value, u in ((tip, u_tip), (length, u_length))
    )
    shapes = (float(shape.min()) - 0.02, float(shape.max()) + 0.02)
    width_m = float(np.median([facing.load_width_m for facing in facings]))
    made: dict[ShapeKey, ShareTable] = {}
    for lot in lots:
        if lot.reed.shape_key not in made:
            made[lot.reed.shape_key] = share_table(
                lot.reed.shape,
                tips_m=tips,
                lengths_m=lengths,
                shapes=shapes,
                width_m=width_m,
                lip_m=lip_m,
                lip_spread_m=constants.LIP_SPREAD.value * MM,
            )
    return [Bench(lot, made[lot.reed.shape_key], lip_m) for lot in lots]


def draw_facing(facing: FacingPart, *, draws: int, rng: np.random.Generator) -> tuple[Array, Array, Array]:
    """Draw tip opening, facing length and half-open place (D,) of one facing, correlated as its readings make them."""
    fair = facing.lay.fair
    covariance = fair.covariance_m2.copy()
    covariance[0] = covariance[:, 0] = fair.with_tip_m2
    covariance[0, 0] = facing.lay.u_tip_m**2
    sd = np.sqrt(np.diag(covariance))
    values, vectors = np.linalg.eigh(covariance / np.outer(sd, sd))
    # the symmetric root: one matrix whatever signs or order the eigenvectors come in
    unit = rng.standard_normal((draws, 3)) @ ((vectors * np.sqrt(np.maximum(values, 0.0))) @ vectors.T)
    centre = np.array([facing.lay.tip_opening_m, *fair.lengths_m[1:]])
    tip, length, half = (centre + unit * sd).T
    return tip, length, half


class _Setting(NamedTuple):
    """What every pair is drawn under, in SI."""

    draws: int
    blow_pa: float
    lip_force_n: float
    low_pa: float
    high_pa: float


def _draw_block(
    facings: Sequence[FacingPart],
    bench: Sequence[Bench],
    solved: tuple[Array, ...],
    seeds: Sequence[np.random.SeedSequence],
    setting: _Setting,
) -> list[PairResult]:
    draws, low, high = setting.draws, setting.low_pa, setting.high_pa
    blown_pa = setting.blow_pa / constants.BLOW_FRACTION.value
    half_step = math.log(1 + constants.HALF_STRENGTH.value)
    found = []
    for place, (facing, seed) in enumerate(zip(facings, seeds, strict=True)):
        rng = np.random.default_rng(seed)
        tip, length, half = draw_facing(facing, draws=draws, rng=rng)
        offset = rng.normal(0, constants.U_REED_PLACE.value * MM, draws)
        fair = facing.lay.fair
        shape = half / length
        for column, item in enumerate(bench):
            pressure, lip_area, share, u_shape, by_place = (float(part[place, column]) for part in solved)
            where = item.table.places(
                np.append(tip, facing.lay.tip_opening_m),
                np.append(length, fair.facing_length_m),
                np.append(shape, fair.half_open_m / fair.facing_length_m),
            )
            solved_ln = item.table.ln_pressures(where)
            of_facing = solved_ln[:-1] - solved_ln[-1] + by_place * offset
            unseen = constants.UNSEEN[facing.mouthpiece.instrument] * PERCENT
            u_reed = math.sqrt(item.lot.u_level**2 + u_shape**2 + unseen**2)
            ln_pressure = math.log(pressure) + of_facing + rng.normal(0, item.lot.spread, draws) + rng.normal(0, u_reed, draws)
            drawn = np.exp(ln_pressure)
            opening = np.minimum(blown_pa * tip / drawn, tip) / MM
            lip_pa = setting.lip_force_n / lip_area
            table = item.table.shares(
                where,
                lip_share=np.append(np.clip(lip_pa / drawn, 0, 0.9), min(lip_pa / pressure, 0.9)),
            )
            shares = np.maximum(share + table[:-1] - table[-1], 0.0)
            found.append(
                PairResult(
                    mouthpiece_id=facing.mouthpiece.id,
                    lot=item.lot.id,
                    closing_pressure_kpa=float(np.median(drawn)) / KPA,
                    u_closing_pressure_kpa=float(drawn.std(ddof=1)) / KPA,
                    effort_kpa=(float(np.median(drawn)) - blown_pa) / KPA,
                    playing_opening_mm=float(np.median(opening)),
                    u_playing_opening_mm=float(opening.std(ddof=1)),
                    closing_share=float(np.median(shares)),
                    u_closing_share=float(shares.std(ddof=1)),
                    in_range=float(((drawn >= low) & (drawn <= high)).mean()),
                    in_range_half_softer=float(
                        ((drawn >= low * math.exp(half_step)) & (drawn <= high * math.exp(half_step))).mean()
                    ),
                )
            )
    return found


def _summed_up(
    facings: Sequence[FacingPart],
    lots: Sequence[Lot],
    results: Sequence[PairResult],
    *,
    view: PlayerView,
    closing_range_kpa: tuple[float, float],
    draws: int,
    seed: int,
) -> Pairing:
    inside = np.array([pair.in_range for pair in results]).reshape(len(facings), len(lots))
    shuts_below_kpa = view.blow_pa / constants.BLOW_FRACTION.value / KPA
    strips = tuple(
        strip_of(lot, results[column :: len(lots)], range_kpa=closing_range_kpa, shuts_below_kpa=shuts_below_kpa)
        for column, lot in enumerate(lots)
    )
    player = (
        (Assumed("blowing pressure", view.blow_pa / KPA, "kPa"), Assumed("lip force", view.lip_force_n, "N"))
        if view.blow_source == "assumed"
        else ()
    )
    assumed = (*player, *dict.fromkeys(part for facing in facings for part in facing.assumed))
    return Pairing(
        instrument=facings[0].mouthpiece.instrument,
        model=facings[0].mouthpiece.model,
        closing_range_kpa=closing_range_kpa,
        blow_kpa=view.blow_pa / KPA,
        lip_load_n=view.lip_force_n,
        draws=draws,
        seed=seed,
        shuts_below_kpa=shuts_below_kpa,
        lots=strips,
        box=for_the_box(strips, closing_range_kpa),
        alone=tuple(facing.mouthpiece.id for facing, row in zip(facings, inside, strict=True) if row.max() < PAIRS_WITH),
        pairs=tuple(results),
        assumed=assumed,
    )
