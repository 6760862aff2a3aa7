"""What to play next, in simulation: the rule against random choice and against playing the top. ``make next``.

Twenty seeded houses of the demo rule start with 60 playtests and add 20 at a time. After each batch every player's set-ups are ranked, and the
ranking is held against the noise-free liking of the rule (NDCG@5). Everything is invented: the figures prove the machinery.
"""

from __future__ import annotations

import sys
import tempfile
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from joblib import Parallel, delayed
from make_demo import furnish, liked
from numpy.typing import NDArray
from scipy.stats import t as student
from sklearn.metrics import ndcg_score

import matchkit as mk
from matchkit.constants import INSTRUMENTS
from matchkit.learn.blend import Blend, fit_blend
from matchkit.learn.fitted import Setups
from matchkit.learn.marks import RatedTests
from matchkit.playtest.next import Field, choose, field_of
from matchkit.units import KPA, MM

Array = NDArray[np.float64]

HOUSES = 20
START, BATCH, MOST = 60, 20, 400
STRATEGIES = ("random", "top", "next")
NOISE = 0.7
"""Standard deviation of one mark about the liking: chance, mood and age of the rule together, in points."""


@dataclass(frozen=True)
class Everything:
    """All that one player could play, and what the rule makes them like."""

    player: str
    instrument: str
    ids: tuple[tuple[str, str], ...]
    overall_d: Array
    setups: Setups
    liking: Array


def world(seed: int) -> list[Everything]:
    """Make a house without playtests, and ask the rule about every set-up of every player."""
    with tempfile.TemporaryDirectory() as folder:
        persons, _, truth, _ = furnish(Path(folder), seed)
        scorer = mk.open(folder).scorer
        _ = scorer.parts.facings
    middle = {}
    for name in INSTRUMENTS:
        every = scorer.fitting(name)
        middle[name] = float(np.median(np.log(every.closing_pressure_pa / KPA))), float(np.median(every.tip_opening_m / MM))
    found = []
    for person in persons:
        kind = person.instrument
        pairs = scorer.fitting(kind)
        scored = scorer.score(scorer.view(person.id), pairs)
        pressure = np.log(pairs.closing_pressure_pa / KPA)
        liking = []
        for row in range(len(pairs)):
            facing, reed = pairs.facing(row), pairs.reed(row)
            modulus = np.exp(truth[reed.reed.id]) * 1e9 * (0.75 if reed.reed.material == "cane" else 1.0)
            real = float(pressure[row] + np.log(modulus / reed.modulus_pa))
            liking.append(liked(person, facing, reed, None, real, middle[kind])[-1])
        found.append(
            Everything(
                person.id,
                kind,
                tuple(pairs.ids()),
                scored.terms.overall,
                Setups.of_pairs(pairs, scored.features),
                np.clip(np.array(liking), 0, 10),
            )
        )
    return found


def learned(players: Sequence[Everything], played: Sequence[tuple[int, int, float]]) -> Blend:
    """Fit the model to what was played (player, row, mark) at the prior variances; no intervals are needed here."""
    order = range(len(played))

    def reed(who: int, row: int) -> int:
        return int(players[who].setups.reed_of[row])

    tests = RatedTests(
        ids=tuple(f"{k:04d}" for k in order),
        players=tuple(players[who].player for who, _, _ in played),
        mouthpieces=tuple(players[who].ids[row][0] for who, row, _ in played),
        reeds=tuple(players[who].ids[row][1] for who, row, _ in played),
        lines=tuple(players[who].setups.lines[reed(who, row)] for who, row, _ in played),
        sessions=(None,) * len(played),
        instruments=tuple(players[who].instrument for who, _, _ in played),
        ligatures=(None,) * len(played),
        contacts=(None,) * len(played),
        rating=np.array([mark for _, _, mark in played]),
        overall_d=np.array([players[who].overall_d[row] for who, row, _ in played]),
        features=np.array([players[who].setups.features[row] for who, row, _ in played]),
        weight=np.ones(len(played)),
        strength=np.zeros(len(played)),
    )
    return fit_blend(tests, bounds=False)


def fields(players: Sequence[Everything], blend: Blend) -> list[Field]:
    """Ask the model about everything."""
    return [
        field_of(
            blend,
            item.player,
            item.instrument,
            ids=item.ids,
            setups=item.setups,
            overall_d=item.overall_d,
        )
        for item in players
    ]


def quality(players: Sequence[Everything], asked: Sequence[Field]) -> float:
    """Return NDCG@5 of every player's ranking against the noise-free liking, averaged over players."""
    return float(
        np.mean([ndcg_score(item.liking[None], field.rating[None], k=5) for item, field in zip(players, asked, strict=True)])
    )


def run(seed: int, most: int = MOST) -> dict[str, list[float]]:
    """Play one house by each strategy; gives NDCG@5 after 60, 80, ... playtests."""
    players = world(seed)
    places = {item.player: who for who, item in enumerate(players)}
    curves: dict[str, list[float]] = {}
    for strategy in STRATEGIES:
        rng = np.random.default_rng([seed, 7])
        noise = np.random.default_rng([seed, 8])

        def mark(who: int, row: int, noise: np.random.Generator = noise) -> float:
            return float(np.clip(players[who].liking[row] + noise.normal(0, NOISE), 0, 10))

        def anything(rng: np.random.Generator = rng) -> tuple[int, int]:
            who = int(rng.integers(len(players)))
            return who, int(rng.integers(len(players[who].liking)))

        played = [(who, row, mark(who, row)) for who, row in (anything() for _ in range(START))]
        curve = []
        while True:
            blend = learned(players, played)
            asked = fields(players, blend)
            curve.append(quality(players, asked))
            if len(played) >= most:
                break
            if strategy == "random":
                chosen = [anything() for _ in range(BATCH)]
            elif strategy == "top":
                chosen = _top(asked, played, rng)
            else:
                tests = choose(blend, asked, count=BATCH)
                rows = {who: {ids: row for row, ids in enumerate(item.ids)} for who, item in enumerate(players)}
                chosen = [(places[t.player_id], rows[places[t.player_id]][t.mouthpiece_id, t.reed_id]) for t in tests]
            played += [(who, row, mark(who, row)) for who, row in chosen]
        curves[strategy] = curve
    return curves


def _top(asked: Sequence[Field], played: Sequence[tuple[int, int, float]], rng: np.random.Generator) -> list[tuple[int, int]]:
    """Play the best that was not played yet, players in turn."""
    done = {(who, row) for who, row, _ in played}
    chosen: list[tuple[int, int]] = []
    turns = [int(who) for _ in range(BATCH) for who in rng.permutation(len(asked))]
    for who in turns:
        row = next((int(row) for row in np.argsort(-asked[who].rating) if (who, int(row)) not in done), None)
        if row is not None:
            done.add((who, row))
            chosen.append((who, row))
        if len(chosen) == BATCH:
            break
    return chosen


def main(houses: int = HOUSES) -> None:
    """Simulate and print the three curves."""
    found = Parallel(n_jobs=2)(delayed(run)(seed) for seed in range(1, houses + 1))
    mean = {name: np.mean([curves[name] for curves in found], axis=0) for name in STRATEGIES}
    counts = range(START, MOST + 1, BATCH)
    print(f"{houses} houses of the demo rule, invented; NDCG@5 against the noise-free rule, mean over players and houses:")
    print(f"{'playtests':>10}" + "".join(f"{name:>9}" for name in STRATEGIES) + f"{'next - random':>16}{'next - top':>13}")
    for place, count in enumerate(counts):
        values = [mean[name][place] for name in STRATEGIES]
        print(
            f"{count:>10}"
            + "".join(f"{value:9.4f}" for value in values)
            + f"{values[2] - values[0]:>+16.4f}{values[2] - values[1]:>+13.4f}"
        )
    goal = mean["random"][-1]
    for name in STRATEGIES[1:]:
        reached = next((count for place, count in enumerate(counts) if mean[name][place] >= goal), None)
        print(f"{name} reaches what random choice reaches with {MOST} ({goal:.4f}) with {reached or f'more than {MOST}'}")
    worst = float((mean["next"] - mean["random"]).min())
    print(f"next is below random by {abs(min(worst, 0)):.4f} at most")
    off = np.array([np.subtract(curves["next"], curves["top"])[1:].mean() for curves in found])
    half = float(student.ppf(0.975, len(off) - 1) * off.std(ddof=1) / np.sqrt(len(off))) if len(off) > 1 else float("nan")
    said = (
        "playing the top is as good"
        if abs(off.mean()) <= half
        else ("next is better" if off.mean() > 0 else "playing the top is better")
    )
    print(
        f"next minus top, mean over the batches, paired by house: {off.mean():+.4f} ({off.mean() - half:+.4f} to {off.mean() + half:+.4f}): {said}"
    )


if __name__ == "__main__":
    main(*(int(argument) for argument in sys.argv[1:2]))
