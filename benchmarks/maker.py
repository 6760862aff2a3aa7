"""The figures of the maker's bench, printed as tables: the second half of ``make bench``. Everything on invented pieces."""

from __future__ import annotations

import csv
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np
from joblib import Parallel, delayed
from maker_shop import Truth, read_piece, replace, shop_of, spec_with
from measuring import Cost, cold, run, show
from test_measure import coverage

import matchkit as mk
from matchkit import constants
from matchkit.maker.batch import bench_scorer, measure_facings
from matchkit.maker.conformity.batch import judge_batch
from matchkit.maker.pairing import DRAWS, lots_of, pair_batch, reed_doubts
from matchkit.physics.closing import LIP_REACH, close_reeds, closing_share
from matchkit.physics.share_table import power_beams, share_table
from matchkit.score.player import Visitor
from matchkit.tables.defaults import read_defaults

PIECES, LOTS, MANY = 1000, 12, 10_000
SHAPES = (2.0, 2.05, 2.1, 2.2, 2.3)
EACH = 400


def large_batch() -> tuple[float, float, float, int]:
    """Measure and pair a thousand pieces with twelve lots; gives the seconds of measuring and pairing, and the draws a second."""
    house, spec = mk.open(), spec_with()
    rng = np.random.default_rng(41)
    items = []
    for number in range(PIECES):
        edge = rng.normal(28, 0.2)
        items.append(
            read_piece(Truth(tip=2.5 + rng.normal(0, 0.02), left=edge, right=edge), rng, name=f"P{number:04d}", serial=number)
        )
    pieces = shop_of(items)
    start = time.perf_counter()
    facings = measure_facings(pieces, defaults=read_defaults(), spec=spec, jobs=2)
    measured = time.perf_counter() - start
    bench = bench_scorer(house.scorer, spec)
    lots = lots_of(bench.parts.reeds_for("tenor"))[:LOTS]
    view = bench.view(Visitor(instrument="tenor"))
    start = time.perf_counter()
    pairs = bench.grid(facings, [lot.reed for lot in lots], lip_m=view.lip_m, jobs=2)
    pair_batch(
        facings,
        lots,
        pairs=pairs,
        doubts=reed_doubts(bench, pairs, facings),
        view=view,
        closing_range_kpa=(9.0, 20.0),
        jobs=2,
    )
    paired = time.perf_counter() - start
    return measured, paired, measured + paired, len(pairs) * DRAWS


def ten_thousand(folder: Path) -> tuple[Cost, Cost]:
    """Judge ten thousand pieces, about 320,000 readings, read from csv, and pair them too: what the whole process costs."""
    rng = np.random.default_rng(45)
    items = []
    for number in range(MANY):
        edge, skew = rng.normal(28, 0.12), rng.normal(0, 0.02)
        truth = Truth(tip=2.5 + rng.normal(0, 0.012), left=edge + skew, right=edge - skew)
        items.append(read_piece(truth, rng, name=f"P{number:05d}", serial=number))
    for table, records in (
        ("mouthpieces", [item[0] for item in items]),
        ("facings", [read for item in items for read in item[1]]),
    ):
        with (folder / f"{table}.csv").open("w", encoding="utf-8", newline="") as file:
            writer = csv.writer(file)
            writer.writerow(names := list(type(records[0]).model_fields))
            writer.writerows([[getattr(record, name) for name in names] for record in records])
    command = (sys.executable, "-m", "matchkit", "batch", str(folder), "--no-cache", "--jobs", "2")
    return run((*command, "--no-pairing")), run(command)


def table_errors() -> list[tuple[str, str, str]]:
    """Compare the table of each tenor profile with a thousand exact solutions at the assumed lip load."""
    parts = mk.open().parts
    rng = np.random.default_rng(1)
    bounds = {"tips_m": (2.3e-3, 2.7e-3), "lengths_m": (23e-3, 27e-3), "shapes": (0.30, 0.38)}
    tip, length, form = (rng.uniform(*bound, 1000) for bound in bounds.values())
    lip_m, spread = 12e-3, constants.LIP_SPREAD.value * 1e-3
    rows = []
    for lot in lots_of(parts.reeds_for("tenor")):
        if lot.strength != 3:
            continue
        shape = lot.reed.shape
        table = share_table(
            shape,
            tips_m=bounds["tips_m"],
            lengths_m=bounds["lengths_m"],
            shapes=bounds["shapes"],
            width_m=15e-3,
            lip_m=lip_m,
            lip_spread_m=spread,
        )
        beams = power_beams(shape, tip_m=tip, length_m=length, shape=form, width_m=15e-3, lip_m=lip_m, lip_spread_m=spread)
        exact = close_reeds(beams, tip_width_m=np.full(1000, shape.tip_width_m), lip_m=np.minimum(lip_m, LIP_REACH * length))
        lip_share = np.full(1000, constants.LIP_SHARE.value)
        wanted = closing_share(exact, np.arange(1000), lip_share=lip_share)
        off = table.shares(table.places(tip, length, form), lip_share=lip_share) - wanted
        rms, worst = np.sqrt(np.mean(off**2)) / wanted.mean(), np.abs(off).max()
        rows.append((f"share table, {lot.id}", f"{100 * rms:.2f} % rms of the mean share, worst {worst:.4f}", "below 2 %"))
    return rows


def detection() -> list[tuple[str, str, str]]:
    """Plant faults of one to five uncertainties beyond the limit, a hundred pieces each, and count who fails; then sound pieces."""
    spec = spec_with()
    rows = []
    faults: dict[str, Callable[[int], Truth]] = {
        "one rail short (8 feelers)": lambda k: replace(Truth(), left=28 - 0.15 - k * 0.05),
        "tip too open (1 reading)": lambda k: replace(Truth(), tip=2.58 + k * 0.02),
        "both rails short": lambda k: replace(Truth(), left=28 - 0.65 - k * 0.13, right=28 - 0.65 - k * 0.13),
    }
    for name, fault in faults.items():
        found = []
        for size in (1, 2, 3, 4, 5):
            items = [
                read_piece(fault(size), np.random.default_rng([42, size, seed]), name=f"P{seed}", serial=seed)
                for seed in range(100)
            ]
            found.append(judge_batch(shop_of(items), spec=spec).counts["fail"])
        rows.append(
            (
                f"found of 100, {name}",
                ", ".join(f"{size} u {count}" for size, count in zip(range(1, 6), found, strict=True)),
                "",
            )
        )
    rng = np.random.default_rng(43)
    items = []
    for number in range(1000):
        edge, skew = rng.normal(28, 0.12), rng.normal(0, 0.02)
        truth = Truth(tip=2.5 + rng.normal(0, 0.012), left=edge + skew, right=edge - skew)
        items.append(read_piece(truth, rng, name=f"P{number}", serial=number))
    counts = judge_batch(shop_of(items), spec=spec).counts
    rows.append(
        ("false alarms", f"{counts['fail']} of 1000 sound pieces fail, {counts['inconclusive']} inconclusive", "below 5 %")
    )
    return rows


def planted(batches: int = 100) -> tuple[str, str, str]:
    """Make seeded batches of forty with one fault of three to six uncertainties each, and count in how many that piece is found."""
    spec = spec_with()
    found = alarms = 0
    for seed in range(batches):
        rng = np.random.default_rng([44, seed])
        bad = int(rng.integers(0, 40))
        items = []
        for number in range(40):
            edge, skew = rng.normal(28, 0.12), rng.normal(0, 0.02)
            truth = Truth(tip=2.5 + rng.normal(0, 0.012), left=edge + skew, right=edge - skew)
            if number == bad:
                size = rng.uniform(3, 6)
                truth = [
                    replace(Truth(), left=28 - 0.15 - size * 0.05),
                    replace(Truth(), right=28 - 0.15 - size * 0.05),
                    replace(Truth(), tip=2.58 + size * 0.02),
                    replace(Truth(), left=28 + 0.65 + size * 0.13, right=28 + 0.65 + size * 0.13),
                ][int(rng.integers(0, 4))]
            items.append(read_piece(truth, rng, name=f"P{number}", serial=number))
        verdicts = [piece.verdict for piece in judge_batch(shop_of(items), spec=spec).pieces]
        found += verdicts[bad] == "fail"
        alarms += sum(verdict == "fail" for place, verdict in enumerate(verdicts) if place != bad)
    return (
        f"planted faults of 3 to 6 u, {batches} batches",
        f"found in {found}; {alarms} of {39 * batches} sound pieces fail",
        "at least 95; below 5 %",
    )


def main() -> None:
    """Measure and print."""
    python = sys.executable
    plain, _ = cold(python, "-m", "matchkit", "facing", "TM-04")
    imports, _ = cold(python, "-c", "import numpy, pydantic, click")
    with tempfile.TemporaryDirectory() as folder:
        drawn, _ = cold(python, "-m", "matchkit", "facing", "TM-04", "--figure", f"{folder}/f.svg")
    with tempfile.TemporaryDirectory() as folder:
        many, also = ten_thousand(Path(folder))
    measured, paired, total, draws = large_batch()
    hits = Parallel(n_jobs=2)(delayed(coverage)(power, range(EACH * k, EACH * (k + 1))) for k, power in enumerate(SHAPES))
    names = ("tip opening", "facing length", "half-open place", "left minus right", "stop of the thinnest feeler")
    show(
        [
            ("figure", "found", "wanted"),
            ("matchkit facing, cold", f"{plain:.2f} s CPU, {plain / imports:.1f} times the imports", "at most 5 times"),
            (f"{MANY} pieces judged", f"{many.wall:.0f} s wall, {many.memory:.0f} MB", "under 60 s, 1000 MB"),
            ("the same and paired", f"{also.wall:.0f} s wall, {also.memory:.0f} MB", "under 60 s, 1000 MB"),
            ("the same with a figure", f"{drawn:.2f} s CPU", "under 2.5 s"),
            (f"{PIECES} pieces x {LOTS} lots x {DRAWS} draws", f"{total:.1f} s wall, 2 workers", "under 30 s"),
            ("of which", f"facings {measured:.1f} s, pairing {paired:.1f} s for {draws:,} draws", ""),
            *table_errors(),
            *detection(),
            planted(),
        ]
    )
    print(f"\n95 % intervals that hold the truth, {EACH} seeded facings a shape (power of the lay):")
    show(
        [
            ("of", ", ".join(f"{power:g}" for power in SHAPES), "all"),
            *(
                (
                    name,
                    ", ".join(f"{100 * hit[:, column].mean():.0f}" for hit in hits),
                    f"{100 * np.concatenate(hits)[:, column].mean():.1f} %",
                )
                for column, name in enumerate(names)
            ),
        ]
    )


if __name__ == "__main__":
    main()
