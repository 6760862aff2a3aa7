"""What marks say: how far players agree with themselves and with one another, order and fatigue, and what goes with what."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from matchkit.learn.marks import RatedTests
from matchkit.playtest.stats.agreement import Agreement, Concordance, agreement, concordance, consistency
from matchkit.playtest.stats.discrimination import holm
from matchkit.playtest.stats.within import LEAST_TESTS, mean_correlation, within_slope
from matchkit.records.people import Playtest
from matchkit.records.trials import ATTRIBUTES
from matchkit.score.features import FEATURES

LEAST_REPEATED = 3
LEAST_SITTINGS = 2


@dataclass(frozen=True)
class OwnConsistency:
    """How far one player agrees with themselves over set-ups played twice."""

    player_id: str
    attribute: str
    found: Agreement


@dataclass(frozen=True)
class Shared:
    """How far players agree who rated the same set-ups."""

    attribute: str
    players: tuple[str, ...]
    sets: int
    found: Agreement
    concordance: Concordance


@dataclass(frozen=True)
class Drift:
    """What a mark changes with each place further on in a sitting, within sittings, with its 95 % interval."""

    attribute: str
    sittings: int
    tests: int
    slope: float
    low: float
    high: float
    probability: float
    adjusted: float


@dataclass(frozen=True)
class Association:
    """One measured feature beside one attribute: mean correlation within players, 95 % interval over players, p and p after Holm."""

    feature: str
    attribute: str
    players: int
    tests: int
    correlation: float
    low: float
    high: float
    probability: float
    adjusted: float


def _set_of(test: Playtest) -> tuple[str, str, str | None]:
    return test.mouthpiece_id, test.reed_id, test.ligature_id


def _marks(tests: Sequence[Playtest], attribute: str) -> dict[str, dict[tuple[str, str, str | None], list[float]]]:
    """Return what each player marked on each set-up, in order."""
    found: dict[str, dict[tuple[str, str, str | None], list[float]]] = defaultdict(lambda: defaultdict(list))
    for test in tests:
        value = getattr(test, attribute)
        if value is not None:
            found[test.player_id][_set_of(test)].append(value)
    return found


def own_consistency(tests: Sequence[Playtest]) -> tuple[OwnConsistency, ...]:
    """Return each player's agreement with themselves, over the first two times they rated a set-up."""
    found = []
    for attribute in ATTRIBUTES:
        marks = _marks(tests, attribute)
        for player, sets in sorted(marks.items()):
            twice = [values[:2] for values in sets.values() if len(values) > 1]
            if len(twice) >= LEAST_REPEATED:
                agreed = consistency(np.array(twice))
                if agreed is not None:
                    found.append(OwnConsistency(player, attribute, agreed))
    return tuple(found)


def shared_agreement(tests: Sequence[Playtest]) -> tuple[Shared, ...]:
    """Return the agreement of players who rated the same set-ups: the largest whole table that a greedy choice finds."""
    found = []
    for attribute in ATTRIBUTES:
        marks = _marks(tests, attribute)
        players = _largest_complete({player: set(sets) for player, sets in marks.items()})
        if len(players) < 2:
            continue
        sets = sorted(set.intersection(*(set(marks[player]) for player in players)), key=str)
        table = np.array([[float(np.mean(marks[player][item])) for player in players] for item in sets])
        agreed = agreement(table)
        if agreed is not None:
            found.append(Shared(attribute, tuple(players), len(sets), agreed, concordance(table)))
    return tuple(found)


def _largest_complete(rated: dict[str, set[tuple[str, str, str | None]]]) -> list[str]:
    """Choose players so that players times set-ups that all of them rated is large; three set-ups or more, or nobody."""
    best: list[str] = []
    size = 0
    for start in sorted(rated, key=lambda player: (-len(rated[player]), player)):
        chosen, common = [start], set(rated[start])
        others = sorted(set(rated) - {start}, key=lambda player: (-len(rated[player] & common), player))
        for player in others:
            left = common & rated[player]
            if len(left) >= LEAST_REPEATED and len(left) * (len(chosen) + 1) >= len(common) * len(chosen):
                chosen, common = [*chosen, player], left
        if len(chosen) > 1 and len(chosen) * len(common) > size:
            best, size = sorted(chosen), len(chosen) * len(common)
    return best


def drifts(tests: Sequence[Playtest]) -> tuple[Drift, ...]:
    """Return the slope of each attribute with the place in a sitting, all sittings together."""
    found = []
    for attribute in ATTRIBUTES:
        sittings: dict[tuple[str, str], list[tuple[int, float]]] = defaultdict(list)
        for test in tests:
            value = getattr(test, attribute)
            if value is not None and test.session is not None and test.position is not None:
                sittings[test.player_id, test.session].append((test.position, value))
        several = [np.array(rows, dtype=float) for rows in sittings.values() if len({place for place, _ in rows}) > 1]
        if len(several) >= LEAST_SITTINGS:
            slope = within_slope([rows[:, 0] for rows in several], [rows[:, 1] for rows in several])
            if slope is not None:
                found.append(Drift(attribute, len(several), sum(len(rows) for rows in several), *slope, adjusted=slope[-1]))
    adjusted = holm([item.probability for item in found])
    return tuple(replace(item, adjusted=p) for item, p in zip(found, adjusted, strict=True))


def associations(tests: Sequence[Playtest], rated: RatedTests) -> tuple[tuple[Association, ...], int]:
    """Return what goes with what: correlations within players, averaged over players (Fisher's z), with a t interval over players."""
    by_id = {test.id: test for test in tests}
    rows = [row for row, name in enumerate(rated.ids) if name in by_id]
    found: list[Association] = []
    for attribute in ATTRIBUTES:
        marks = np.array([_mark(by_id[rated.ids[row]], attribute) for row in rows])
        by_player: dict[str, list[int]] = defaultdict(list)
        for place, row in enumerate(rows):
            if np.isfinite(marks[place]):
                by_player[rated.players[row]].append(place)
        groups = [np.array(mine) for mine in by_player.values() if len(mine) >= LEAST_TESTS]
        for column, feature in enumerate(FEATURES):
            values = rated.features[rows, column] if rows else np.zeros(0)
            one = mean_correlation([values[mine] for mine in groups], [marks[mine] for mine in groups])
            if one is not None:
                found.append(Association(feature, attribute, *one, adjusted=one[-1]))
    adjusted = holm([item.probability for item in found])
    told = [replace(item, adjusted=p) for item, p in zip(found, adjusted, strict=True)]
    return tuple(sorted(told, key=lambda item: (item.adjusted, item.probability, item.feature, item.attribute))), len(found)


def _mark(test: Playtest, attribute: str) -> float:
    value = getattr(test, attribute)
    return float("nan") if value is None else float(value)
