"""What one crazy mark, and one shill, do to a ranking: part of ``make foreign``.

Twenty draws of 60 and of 300 marks from the invented demo house; a mark of 0, then a second one, on what a player's own ranking has first; and
sixty tens by a player of their own on one mouthpiece, nobody else's first. Medians and worst cases are printed.
"""

from __future__ import annotations

import sys

import numpy as np
from joblib import Parallel, delayed
from numpy.typing import NDArray

import matchkit as mk
from matchkit.learn.blend import Blend, fit_blend
from matchkit.learn.fitted import Setups
from matchkit.learn.learner import Learner
from matchkit.learn.marks import NUMBERS, TEXTS, RatedTests

Array = NDArray[np.float64]
DRAWS = 20
TOP = 5


def added(tests: RatedTests, row: dict[str, object], count: int = 1) -> RatedTests:
    """Return tests with a row added, so many times, under ids of their own."""
    texts = {
        name: (*getattr(tests, name), *(f"{row[name]}{k}" if name in ("ids", "sessions") else row[name] for k in range(count)))
        for name in TEXTS
    }
    numbers = {
        name: np.concatenate([getattr(tests, name), np.repeat(np.asarray(row[name])[None], count, axis=0)]) for name in NUMBERS
    }
    return RatedTests(**texts, **numbers)  # type: ignore[arg-type]


class Fields:
    """Everything that each player of the demo house could play."""

    def __init__(self, learner: Learner) -> None:
        self.found = {}
        scorer = learner.scorer
        for player in learner.parts.stock.players:
            pairs = scorer.fitting(player.instrument)
            scored = scorer.score(scorer.view(player.id), pairs)
            self.found[player.id] = (
                player.instrument,
                pairs.ids(),
                Setups.of_pairs(pairs, scored.features),
                scored.terms.overall,
            )

    def scores(self, blend: Blend, player: str, *, seen_as: str | None = None) -> Array:
        """Return the score of everything for a player (m,), points of 100."""
        instrument, _, setups, overall = self.found[player]
        known = blend.by_instrument.get(instrument)
        correction = 0.0 if known is None else known.correction(setups, seen_as or player)
        return 10 * (blend.computed(overall) + correction)

    def row(
        self, learner: Learner, player: str, place: int, mark: float, *, by: str | None = None, test: str = "crazy"
    ) -> dict[str, object]:
        """Return one set-up of a player's as a playtest with a mark."""
        instrument, ids, setups, overall = self.found[player]
        piece, reed = ids[place]
        part = next(item for item in learner.parts.reeds if item.id == reed).reed
        return {
            "ids": test, "players": by or player, "mouthpieces": piece, "reeds": reed, "lines": part.profile_id or reed, "sessions": test,
            "instruments": instrument, "ligatures": None, "contacts": None, "rating": mark, "overall_d": overall[place],
            "features": setups.features[place], "weight": 1.0, "strength": part.strength,
        }  # fmt: skip


def one_draw(seed: int, size: int) -> tuple[list[tuple[float, ...]], list[float]]:
    """Return, for each alto and tenor player, place and points lost after one 0 and after two; and the share that a shill adds in others' top fives."""
    learner = mk.open(cache=False).learner
    fields = Fields(learner)
    rng = np.random.default_rng([seed, size])
    tests = learner.rated_tests
    tests = tests.take(np.sort(rng.choice(len(tests), size, replace=False)))
    blend = fit_blend(tests, None, bounds=False)
    crazy = []
    for player in sorted(set(tests.players)):
        if fields.found[player][0] not in ("alto", "tenor"):
            continue
        scores = fields.scores(blend, player)
        first = int(scores.argmax())
        found: list[float] = []
        for count in (1, 2):
            worse = fit_blend(added(tests, fields.row(learner, player, first, 0.0), count), None, bounds=False)
            now = fields.scores(worse, player)
            found += [float((now > now[first] + 1e-9).sum() + 1), float(scores[first] - now[first])]
        crazy.append(tuple(found))
    shills = []
    for kind in ("alto", "tenor"):
        players = [name for name in fields.found if fields.found[name][0] == kind]
        _, ids, _, _ = fields.found[players[0]]
        pieces = [piece for piece, _ in ids]
        piece = str(rng.choice(sorted(set(pieces))))
        places = [place for place, name in enumerate(pieces) if name == piece]
        praised = tests
        for k in range(60):
            row = fields.row(learner, players[0], int(rng.choice(places)), 10.0, by="SHILL", test=f"shill{k}-")
            praised = added(praised, {**row, "sessions": f"shill{k // 7}"})
        after = fit_blend(praised, None, bounds=False)
        for player in players:
            share = [
                float(np.mean([pieces[row] == piece for row in np.argsort(-fields.scores(b, player), kind="stable")[:TOP]]))
                for b in (blend, after)
            ]
            shills.append(100 * (share[1] - share[0]))
    return crazy, shills


def main(draws: int = DRAWS) -> None:
    """Try and print."""
    print("\nOn the invented demo house:")
    for size in (60, 300):
        found = Parallel(n_jobs=2)(delayed(one_draw)(seed, size) for seed in range(draws))
        crazy = np.array([row for rows, _ in found for row in rows])
        shill = np.array([value for _, values in found for value in values])
        still = float((crazy[:, 0] == 1).mean())
        print(
            f"{size} marks: after one 0 on a player's first, still first {100 * still:.0f} % of {len(crazy)}, worst place {crazy[:, 0].max():.0f}, "
            f"points lost {np.median(crazy[:, 1]):.1f} (worst {crazy[:, 1].max():.1f}); after a second one place {np.median(crazy[:, 2]):.0f}, "
            f"lost {np.median(crazy[:, 3]):.1f}; sixty tens by one shill add {shill.mean():+.1f} points of 100 to that mouthpiece's share of others' top five"
        )


if __name__ == "__main__":
    main(*(int(argument) for argument in sys.argv[1:2]))
