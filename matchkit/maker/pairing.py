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
from matchkit.parts.facing import FacingPart
from matchkit.parts.reed import ReedPart, ShapeKey
from matchkit.physics.share_table import ShareTable, share_table
from matchkit.score.player import PlayerView
from matchkit.score.scorer import Scorer
from matchkit.units import KPA, MM, PERCENT

Array = NDArray[np.float64]

DRAWS = 1000
MOST_PIECES = 1000
"""Pieces beyond which each takes fewer draws: a range of ten thousand pieces is as sure by a hundred each."""
MOST_DOUBTS = 500
"""Pieces on which the doubt of a reed's profile and place is worked out; each of a larger batch has that of the nearest in length."""
LEAST_DRAWS, MOST_DRAWS = 100, 100_000
"""Fewer draws say too little of an uncertainty."""
SEED = 20262
BLOCK = 50
"""Pieces drawn by one worker at a time; fixed, so that the answer does not depend on the number of workers."""

PAIRS_WITH = 0.5
"""A piece pairs with a lot where at least this share of the reeds falls into the window."""

_PROFILE = UNCERTAINTIES.index("profile")
_REACH = 4.0

LEAST_READ = 3
"""From so many reeds of a lot read on the bench their own spread is the lot's."""


@dataclass(frozen=True)
class Pairing:
    """Every piece with every lot, the strengths for the box, and the pieces that pair with none."""

    instrument: str
    model: str | None
    made: int
    """Pieces of the batch; of a very large one only some were paired."""
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


def checked_draws(draws: int | None) -> int | None:
    """Return how many draws were asked for; RequestError for too few or too many."""
    if draws is not None and not LEAST_DRAWS <= draws <= MOST_DRAWS:
        raise RequestError(f"{draws} draws; expected {LEAST_DRAWS} to {MOST_DRAWS}")
    return draws


def usual_draws(pieces: int) -> int:
    """Return how many draws a pair takes where no number was named.

    >>> usual_draws(40), usual_draws(10_000)
    (1000, 100)
    """
    return max(LEAST_DRAWS, DRAWS * MOST_PIECES // max(pieces, MOST_PIECES))


class ReedDoubts(NamedTuple):
    """What is not known of the reed in every pair (P * L): u(ln PM) from its profile, and d ln PM with its place, 1/m."""

    profile: Array
    place_per_m: Array


def reed_doubts(scorer: Scorer, pairs: PairTable, facings: Sequence[FacingPart]) -> ReedDoubts:
    """Return what is not known of the reed in every pair of ``facings`` with each lot."""
    if len(facings) <= MOST_DOUBTS:
        doubt = scorer.uncertainty(pairs)
        return ReedDoubts(doubt.parts[_PROFILE], doubt.place_per_m)
    length = np.array([facing.facing_length_m for facing in facings])
    chosen = np.argsort(length, kind="stable")[np.linspace(0, len(facings) - 1, MOST_DOUBTS).round().astype(np.intp)]
    known = length[chosen]
    nearest = np.searchsorted((known[1:] + known[:-1]) / 2, length)
    lots = np.arange(len(pairs) // len(facings))
    doubt = scorer.uncertainty(pairs.select((chosen[:, None] * len(lots) + lots).ravel()))
    rows = (nearest[:, None] * len(lots) + lots).ravel()
    return ReedDoubts(doubt.parts[_PROFILE, rows], doubt.place_per_m[rows])


def pair_batch(
    facings: Sequence[FacingPart],
    lots: Sequence[Lot],
    *,
    pairs: PairTable,
    doubts: ReedDoubts,
    view: PlayerView,
    closing_range_kpa: tuple[float, float],
    made: int | None = None,
    draws: int | None = None,
    seed: int = SEED,
    jobs: int = 1,
    progress: Callable[[int, int], None] | None = None,
) -> Pairing:
    """Pair every facing with every lot; ``pairs`` (P * L) are exact, piece by piece, ``doubts`` those of :func:`reed_doubts`."""
    from joblib import Parallel, delayed

    draws = usual_draws(len(facings)) if draws is None else draws
    bench = benches(facings, lots, lip_m=view.lip_m)
    blocks = [range(start, min(start + BLOCK, len(facings))) for start in range(0, len(facings), BLOCK)]
    seeds = np.random.SeedSequence(seed).spawn(len(facings))
    solved = (
        pairs.closing_pressure_pa.reshape(len(facings), -1),
        pairs.lip_area_m2.reshape(len(facings), -1),
        pairs.closing_share(lip_force_n=view.lip_force_n).reshape(len(facings), -1),
        np.hypot(pairs.of_facings(lambda facing: facing.u_load_width), doubts.profile).reshape(len(facings), -1),
        doubts.place_per_m.reshape(len(facings), -1),
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
    return _summed_up(facings, lots, results, view=view, closing_range_kpa=closing_range_kpa, made=made, draws=draws, seed=seed)


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
    found: list[PairResult] = []
    for place, (facing, seed) in enumerate(zip(facings, seeds, strict=True)):
        found += _draw_piece(facing, bench, [part[place] for part in solved], np.random.default_rng(seed), setting)
    return found


def _draw_piece(
    facing: FacingPart, bench: Sequence[Bench], solved: Sequence[Array], rng: np.random.Generator, setting: _Setting
) -> list[PairResult]:
    """Draw one piece with all L lots; ``solved`` are closing pressure, lip area, share, u of the profile and slope with the place, (L,) each."""
    pressure, lip_area, share, u_shape, by_place = solved
    tip, length, half = draw_facing(facing, draws=setting.draws, rng=rng)
    offset = rng.normal(0, constants.U_REED_PLACE.value * MM, setting.draws)
    fair = facing.lay.fair
    lays = (
        np.append(tip, facing.lay.tip_opening_m),
        np.append(length, fair.facing_length_m),
        np.append(half / length, fair.half_open_m / fair.facing_length_m),
    )  # the piece itself stands last
    tables = list({id(item.table): item.table for item in bench}.values())  # one serves all strengths of a profile
    columns = [[column for column, item in enumerate(bench) if item.table is table] for table in tables]
    places = [table.places(*lays) for table in tables]
    looked_up = np.empty((len(bench), setting.draws + 1))
    for table, where, mine in zip(tables, places, columns, strict=True):
        looked_up[mine] = table.ln_pressures(where)
    unseen = constants.UNSEEN[facing.mouthpiece.instrument] * PERCENT
    level, box = (np.array([getattr(item.lot, name) for item in bench]) for name in ("u_level", "spread"))
    sd = np.sqrt(box**2 + level**2 + u_shape**2 + unseen**2)
    middle = np.log(pressure)[:, None] + looked_up[:, :-1] - looked_up[:, -1:] + by_place[:, None] * offset
    drawn = np.exp(middle + sd[:, None] * rng.standard_normal(middle.shape))
    blown_pa = setting.blow_pa / constants.BLOW_FRACTION.value
    lip_pa = setting.lip_force_n / lip_area
    lip_share = np.concatenate([lip_pa[:, None] / drawn, (lip_pa / pressure)[:, None]], axis=1).clip(0.0, 0.9)
    for table, where, mine in zip(tables, places, columns, strict=True):
        everywhere = np.tile(where, len(mine))
        looked_up[mine] = table.shares(everywhere, lip_share=lip_share[mine].ravel()).reshape(len(mine), -1)
    shares = np.maximum(share[:, None] + looked_up[:, :-1] - looked_up[:, -1:], 0.0)
    every = np.stack([drawn / KPA, np.minimum(blown_pa * tip / drawn, tip) / MM, shares])
    median, spread = np.median(every, axis=2), every.std(axis=2, ddof=1)
    half_step = math.log(1 + constants.HALF_STRENGTH.value)
    ends = {"low_pa": setting.low_pa, "high_pa": setting.high_pa}
    told = np.stack(
        [
            median[0],
            spread[0],
            median[0] - blown_pa / KPA,
            median[1],
            spread[1],
            median[2],
            spread[2],
            share_within(middle, sd=sd, **ends),
            share_within(middle - half_step, sd=sd, **ends),
        ],
        axis=1,
    )
    return [PairResult(facing.mouthpiece.id, item.lot.id, *row) for item, row in zip(bench, told.tolist(), strict=True)]


def share_within(middle: Array, *, sd: Array, low_pa: float, high_pa: float) -> Array:
    """Return the share of reeds of each lot within a range of closing pressure (L,), exact but for the draws.

    ``ln PM`` is normal about the middle of each draw (L, D), with the standard deviation of the lot (L,).
    """
    from scipy.special import ndtr

    low, high = ((math.log(end) - middle) / sd[:, None] for end in (low_pa, high_pa))
    return np.asarray((ndtr(high) - ndtr(low)).mean(axis=1))


def _summed_up(
    facings: Sequence[FacingPart],
    lots: Sequence[Lot],
    results: Sequence[PairResult],
    *,
    view: PlayerView,
    closing_range_kpa: tuple[float, float],
    made: int | None,
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
        made=len(facings) if made is None else made,
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
