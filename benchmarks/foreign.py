"""Rules that the model has never seen: how far is it from the best plain method? ``make foreign``.

Every world is invented: parts, players and the rule behind the marks; the figures prove the machinery and say nothing about real players. The
rules below, their seeds and the sizes were written before the model was tuned, and are never changed for a figure; what is tuned is tuned by
``foreign_tuning.py`` on other rules and other seeds. A rule sees columns of its own: physical quantities, and hidden tastes that no table holds.
"""

from __future__ import annotations

import sys
import tempfile
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
from joblib import Parallel, delayed
from million import write_table
from numpy.typing import NDArray
from scipy.stats import t as student

import matchkit as mk
from matchkit.learn.blend import fit_blend
from matchkit.learn.marks import RatedTests
from matchkit.learn.trial.folds import predict_tests
from matchkit.learn.trial.plain import plain_methods
from matchkit.learn.trial.quality import LEAST_LIST, ranking_quality
from matchkit.score.features import FEATURES

Array = NDArray[np.float64]
Index = NDArray[np.intp]
Rng = np.random.Generator

SEEDS = (101, 102, 103)
SIZES = (40, 60, 100, 300, 900)
FRESH = 400
"""Marks that a split is judged by."""
HELD_PIECES, HELD_PLAYERS = 8, 10
SPLITS = ("new pair", "new mouthpiece", "new player")
PLAYERS = {"alto": 24, "tenor": 16}
PIECES = {"alto": 24, "tenor": 16}
TIPS = {"alto": (1.5, 2.3), "tenor": (2.0, 2.9)}
LENGTHS = {"alto": (19.0, 24.5), "tenor": (22.0, 28.0)}
CHAMBERS = {"alto": 5.6, "tenor": 6.6}
SIZES_MM = {"alto": (15.7, 11.4, 71.0, 36.0), "tenor": (17.2, 12.2, 80.0, 40.0)}
THICKNESS = {
    "alto": (0.11, 0.15, 0.27, 0.54, 0.81, 1.13, 1.96, 2.5),
    "tenor": (0.113, 0.155, 0.278, 0.556, 0.836, 1.166, 2.013, 2.97),
}
FEELERS = (1.2, 0.9, 0.6, 0.4, 0.2, 0.1, 0.038)


@dataclass(frozen=True)
class Seen:
    """What a rule sees of n marks: standardised columns (n,), and numbers of player, mouthpiece, line and pair (n,)."""

    tip: Array
    length: Array
    baffle: Array
    chamber: Array
    pressure: Array
    share: Array
    filed: Array
    player: Index
    piece: Index
    line: Index
    pair: Index

    def tastes(self, rng: Rng, sd: float, middle: float = 0.0) -> Array:
        """Draw one taste a player, and give each mark that of its player (n,)."""
        return np.asarray(rng.normal(middle, sd, int(self.player.max()) + 1)[self.player])

    def of(self, which: Index, rng: Rng, sd: float) -> Array:
        """Draw one number for each of something, and give each mark that of its own (n,)."""
        return np.asarray(rng.normal(0, sd, int(which.max()) + 1)[which])


Rule = Callable[[Seen, Rng], Array]


def too_hard_is_worse(s: Seen, rng: Rng) -> Array:
    """Mark by an ideal resistance of one's own, which is missed worse on the hard side."""
    off = s.pressure - s.tastes(rng, 0.7)
    return 8.2 + s.tastes(rng, 0.4) - np.where(off > 0, 1.6, 0.5) * np.abs(off) ** 1.3 + rng.normal(0, 0.7, len(off))


def open_and_low(s: Seen, rng: Rng) -> Array:
    """Let wide tips please with a low baffle only, by as much as each likes them."""
    return (
        6.0
        + s.tastes(rng, 0.5)
        + (0.6 + s.tastes(rng, 0.3)) * s.tip * s.baffle
        + 0.4 * s.pressure
        + rng.normal(0, 0.8, len(s.tip))
    )


def two_camps(s: Seen, rng: Rng) -> Array:
    """Let two kinds of players want the opposite."""
    camp = np.sign(s.tastes(rng, 1.0))
    return (
        6.2 + s.tastes(rng, 0.4) + camp * (0.7 * s.pressure - 0.7 * s.baffle) - 0.3 * s.tip**2 + rng.normal(0, 0.8, len(s.tip))
    )


def heavy_tails(s: Seen, rng: Rng) -> Array:
    """Mark a plain wish for a middle opening, and noise with far outliers."""
    return 7.0 + s.tastes(rng, 0.5) - 0.7 * (s.tip - s.tastes(rng, 0.5)) ** 2 + 0.6 * rng.standard_t(2, len(s.tip))


def three_to_seven(s: Seen, rng: Rng) -> Array:
    """Keep marks to the middle of the line."""
    well = np.tanh(0.8 * s.tastes(rng, 0.6) - 0.6 * np.abs(s.pressure - s.tastes(rng, 0.6)) + 0.4 * s.of(s.line, rng, 1.0))
    return np.clip(5.2 + 1.6 * well + rng.normal(0, 0.4, len(s.tip)), 3, 7)


def noise_only(s: Seen, rng: Rng) -> Array:
    """Mark nothing but noise."""
    return 6.0 + rng.normal(0, 1.5, len(s.tip))


def mouthpieces_only(s: Seen, rng: Rng) -> Array:
    """Mark a good mouthpiece high whatever is on it."""
    return 6.3 + s.of(s.piece, rng, 1.0) + rng.normal(0, 0.9, len(s.tip))


def by_baffle(s: Seen, rng: Rng) -> Array:
    """Let each like bright or dark, by as much as they do."""
    return 6.4 + s.tastes(rng, 0.5) + s.tastes(rng, 0.8) * s.baffle + 0.3 * s.chamber + rng.normal(0, 0.8, len(s.tip))


def lines_and_cuts(s: Seen, rng: Rng) -> Array:
    """Mark by a line of reeds that all like, a cut that each likes or not, and a facing that must be long enough."""
    return (
        6.0
        + s.of(s.line, rng, 0.7)
        + s.tastes(rng, 0.7) * s.filed
        + 0.9 * np.tanh(2 * s.length)
        + rng.normal(0, 0.8, len(s.tip))
    )


def not_beyond(s: Seen, rng: Rng) -> Array:
    """Let everything be fine up to a resistance of one's own, and nothing beyond."""
    beyond = 1 / (1 + np.exp(-4 * (s.pressure - 0.6 - s.tastes(rng, 0.5))))
    return 7.6 + s.tastes(rng, 0.5) - 3.5 * beyond - 2 * s.share + rng.normal(0, 0.7, len(s.tip))


RULES: Mapping[str, Rule] = {
    rule.__name__: rule
    for rule in (
        too_hard_is_worse,
        open_and_low,
        two_camps,
        heavy_tails,
        three_to_seven,
        noise_only,
        mouthpieces_only,
        by_baffle,
        lines_and_cuts,
        not_beyond,
    )
}


def write_parts(folder: Path, rng: Rng) -> Path:  # noqa: C901 - one table after another
    """Write the parts and players of a world, with no marks yet."""
    folder.mkdir(parents=True)
    pieces, readings, profiles, steps, reeds, players = [], [], [], [], [], []
    for kind in ("alto", "tenor"):
        for number in range(PIECES[kind]):
            name = f"{kind[0].upper()}M{number:02d}"
            tip, length = rng.uniform(*TIPS[kind]), rng.uniform(*LENGTHS[kind])
            chamber = CHAMBERS[kind] * float(np.exp(rng.normal(0, 0.1)))
            pieces.append((name, kind, round(tip, 3), round(float(rng.uniform(3.2, 7.2)), 2), round(chamber, 2)))
            run = length / (1 - (0.038 / tip) ** 0.5)
            for rail in ("left", "right"):
                for feeler in FEELERS:
                    if feeler < 0.9 * tip:
                        stop = run * (1 - (feeler / tip) ** 0.5) + rng.normal(0, 0.05)
                        readings.append((name, rail, feeler, round(float(stop), 2)))
        tip_width, butt, long, vamp = SIZES_MM[kind]
        for line in range(5):
            profile = f"{kind}-{line}"
            bulge = 1 + rng.normal(0, 0.03, 8)
            places = (1, 2, 5, 10, 15, 20, 30, vamp)
            profiles += [(profile, x, round(float(t * b), 4)) for x, t, b in zip(places, THICKNESS[kind], bulge, strict=True)]
            level = 8 * float(np.exp(rng.normal(0, 0.06)))
            for strength in (2.0, 2.5, 3.0, 3.5):
                steps.append((profile, strength, round(level * 1.16 ** ((strength - 3) / 0.5), 4), 8))
                cut = "filed" if line % 2 else "unfiled"
                reeds.append(
                    (f"{kind[0].upper()}R{line}-{strength:g}", kind, cut, profile, strength, tip_width, butt, long, vamp)
                )
    for kind in ("alto", "tenor"):
        mine = [row[0] for row in pieces if row[1] == kind], [row[0] for row in reeds if row[1] == kind]
        for number in range(PLAYERS[kind]):
            name = f"{kind[0].upper()}P{number:02d}"
            now = ("", "") if number % 4 == 3 else tuple(str(rng.choice(names)) for names in mine)
            players.append((name, kind, ("light", "medium", "firm", "")[int(rng.integers(4))], *now))
    write_table(folder, "mouthpieces", "id, instrument, tip_opening_mm, baffle_height_mm, chamber_volume_cm3", pieces)
    write_table(folder, "facings", "mouthpiece_id, rail, feeler_mm, stop_mm", readings)
    write_table(folder, "reed_profiles", "profile_id, x_mm, thickness_mm", profiles)
    write_table(folder, "strength_scale", "profile_id, strength, modulus_gpa, spread_pct", steps)
    columns = "id, instrument, cut, profile_id, strength, tip_width_mm, butt_width_mm, length_mm, vamp_length_mm"
    write_table(folder, "reeds", columns, reeds)
    write_table(folder, "players", "id, instrument, embouchure, mouthpiece_id, reed_id", players)
    rows = []
    for player, kind, *_ in players:
        mine = [row[0] for row in pieces if row[1] == kind], [row[0] for row in reeds if row[1] == kind]
        for number in range(110):
            piece, reed = (str(rng.choice(names)) for names in mine)
            rows.append((f"{player}-{number:03d}", player, piece, reed, f"{player}-S{number // 7}", 5))
    write_table(folder, "ligatures", "id", [])
    write_table(folder, "playtests", "id, player_id, mouthpiece_id, reed_id, session, overall", rows)
    return folder


def unmarked(seed: int) -> RatedTests:
    """Make the parts of a world and 4,400 playtests without a true mark yet, as the model sees them."""
    with tempfile.TemporaryDirectory() as folder:
        house = mk.open(write_parts(Path(folder) / "world", np.random.default_rng(seed)), cache=False)
        return house.learner.rated_tests


def seen(tests: RatedTests) -> Seen:
    """Return what a rule sees, standardised on each instrument."""

    def column(name: str) -> Array:
        values = tests.features[:, FEATURES.index(name)].copy()
        for rows in tests.by_instrument().values():
            values[rows] = (values[rows] - values[rows].mean()) / values[rows].std()
        return values

    def number(names: tuple[str, ...]) -> Index:
        return np.unique(np.array(names), return_inverse=True)[1]

    pairs = tuple(f"{piece} {reed}" for piece, reed in zip(tests.mouthpieces, tests.reeds, strict=True))
    return Seen(
        tip=column("tip_opening"),
        length=column("facing_length"),
        baffle=column("baffle_height"),
        chamber=column("chamber_volume"),
        pressure=column("ln_closing_pressure"),
        share=np.clip(column("closing_share") / 4, -1, 1),
        filed=np.sign(column("cut")),
        player=number(tests.players),
        piece=number(tests.mouthpieces),
        line=number(tests.lines),
        pair=number(pairs),
    )


@dataclass(frozen=True)
class World:
    """One world: its marks, the order in which they come, and what is held back for each split."""

    tests: RatedTests
    train: Index
    held: Mapping[str, Index]


def make_world(tests: RatedTests, rule: Rule, seed: int) -> World:
    """Mark the playtests by a rule, and hold back players, mouthpieces and pairs."""
    rng = np.random.default_rng([seed, 7])
    marks = np.clip(rule(seen(tests), rng), 0, 10).round(1)
    marked = replace(tests, rating=marks)
    players = set(rng.choice(sorted(set(tests.players)), HELD_PLAYERS, replace=False))
    pieces = set(rng.choice(sorted(set(tests.mouthpieces)), HELD_PIECES, replace=False))
    stranger = np.array([name in players for name in tests.players])
    strange = np.array([name in pieces for name in tests.mouthpieces])
    order = rng.permutation(len(tests))
    usual = order[~stranger[order] & ~strange[order]]
    train, rest = usual[: max(SIZES)], usual[max(SIZES) :]
    return World(
        marked,
        train,
        {
            "new pair": rest[:FRESH],
            "new mouthpiece": order[~stranger[order] & strange[order]][:FRESH],
            "new player": order[stranger[order]][:FRESH],
        },
    )


def quality(tests: RatedTests, guess: Array) -> float:
    """Return NDCG@5, a list a player."""
    found = []
    for player in sorted(set(tests.players)):
        mine = np.array([name == player for name in tests.players])
        if mine.sum() >= LEAST_LIST:
            found.append(ranking_quality(tests.rating[mine], guess[mine])[0])
    return float(np.nanmean(found))


def try_world(
    rule: str, seed: int, tests: RatedTests, sizes: tuple[int, ...], rules: Mapping[str, Rule]
) -> list[tuple[object, ...]]:
    """Return a row for each size, split and method: error, NDCG@5 and coverage."""
    world = make_world(tests, rules[rule], seed)
    rows: list[tuple[object, ...]] = []
    for size in sizes:
        train = world.tests.take(np.sort(world.train[:size]))
        blend = fit_blend(train, None)
        for split, held in world.held.items():
            asked = world.tests.take(np.sort(held))
            guess, half = predict_tests(blend, asked)
            inside = float((np.abs(asked.rating - guess) <= half).mean())
            rows.append(
                (rule, seed, size, split, "matchkit", float(np.abs(asked.rating - guess).mean()), quality(asked, guess), inside)
            )
            for columns in ("raw", "same"):
                for name, method in plain_methods(raw=columns == "raw").items():
                    said = method(train, asked)
                    error = float(np.abs(asked.rating - said).mean())
                    rows.append((rule, seed, size, split, f"{name}, {columns}", error, quality(asked, said), np.nan))
    return rows


def interval(values: Array) -> tuple[float, float, float]:
    """Mean and its 95 % interval over worlds (Student)."""
    half = float(student.ppf(0.975, len(values) - 1) * values.std(ddof=1) / np.sqrt(len(values)))
    return float(values.mean()), float(values.mean()) - half, float(values.mean()) + half


def report(rows: list[tuple[object, ...]], sizes: tuple[int, ...]) -> None:
    """Print error over the best plain method, by size and split, with intervals over worlds."""
    table: dict[tuple[Any, ...], tuple[Any, ...]] = {
        (r, s, n, split, m): (error, ndcg, inside) for r, s, n, split, m, error, ndcg, inside in rows
    }
    worlds: list[tuple[Any, ...]] = sorted({(r, s) for r, s, *_ in rows}, key=str)
    methods = sorted({str(m) for *_, m, _, _, _ in rows} - {"matchkit"})
    for kind in ("raw", "same"):
        mine = [name for name in methods if name.endswith(kind)]
        print(
            f"\nerror over that of the best plain method on {kind} columns (the best one for each size and split over all worlds):"
        )
        print(
            f"{'marks':>6} {'split':16}{'best':24}{'ratio of means':>15}{'mean of ratios, 95 %':>26}{'NDCG@5 minus its':>26}{'inside':>8}{'worst tenth':>12}"
        )
        for size in sizes:
            for split in SPLITS:
                means = {m: float(np.mean([table[*w, size, split, m][0] for w in worlds])) for m in mine}
                best = min(means, key=lambda m: means[m])
                own = np.array([table[*w, size, split, "matchkit"] for w in worlds])
                its = np.array([table[*w, size, split, best] for w in worlds])
                ratio, low, high = interval(own[:, 0] / its[:, 0])
                gain, worse, better = interval(own[:, 1] - its[:, 1])
                tenth = float(np.quantile(own[:, 2], 0.1))
                print(
                    f"{size:6} {split:16}{best:24}{own[:, 0].mean() / its[:, 0].mean():15.3f}{ratio:10.3f} ({low:.3f} to {high:.3f})"
                    f"{gain:+10.4f} ({worse:+.4f} to {better:+.4f}){own[:, 2].mean():8.3f}{tenth:12.3f}"
                )
    print(
        "\nby rule, from 300 marks, known players (new pair, new mouthpiece): error of matchkit, of the best plain method on each kind of columns"
    )
    for rule in sorted({str(r) for r, _ in worlds}):
        cells = []
        for size in (100, 300):
            if size not in sizes:
                continue
            same_rule = [w for w in worlds if w[0] == rule]
            error = {
                m: np.mean([table[*w, size, s, m][0] for w in same_rule for s in SPLITS[:2]]) for m in ("matchkit", *methods)
            }
            raw, same = (min(error[m] for m in methods if m.endswith(kind)) for kind in ("raw", "same"))
            cells.append(f"{size:5}: {error['matchkit']:.3f} {raw:.3f} {same:.3f}")
        print(f"  {rule:20}" + "   ".join(cells))


def main(rules: Mapping[str, Rule] = RULES, seeds: tuple[int, ...] = SEEDS, sizes: tuple[int, ...] = SIZES) -> None:
    """Try every world and print."""
    print(
        f"{len(rules)} rules, seeds {', '.join(map(str, seeds))}: {len(rules) * len(seeds)} invented worlds; all figures stand on invented rules."
    )
    made = dict(zip(seeds, Parallel(n_jobs=2)(delayed(unmarked)(seed) for seed in seeds), strict=True))
    jobs = (delayed(try_world)(rule, seed, made[seed], sizes, rules) for rule in rules for seed in seeds)
    report([row for rows in Parallel(n_jobs=2)(jobs) for row in rows], sizes)


if __name__ == "__main__":
    main(seeds=SEEDS[: int(sys.argv[1])] if sys.argv[1:] else SEEDS)
