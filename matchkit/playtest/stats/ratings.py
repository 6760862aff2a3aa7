"""What marks say: how far players agree with themselves and with one another, order and fatigue, and what goes with what."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from matchkit.learn.marks import RatedTests
from matchkit.playtest.stats.agreement import Agreement, Concordance, agreement, concordance, consistency, page_trend
from matchkit.playtest.stats.discrimination import holm
from matchkit.playtest.stats.over import goes_with, mean_over
from matchkit.records.people import Playtest
from matchkit.records.trials import ATTRIBUTES
from matchkit.score.features import FEATURES

LEAST_REPEATED = 3
LEAST_DRIFTING = 3
"""Players from whom on a drift over players is told."""

FORETOLD = {"resistance": 1, "ease": -1}
"""Which way an attribute goes with closing pressure."""

MOUTHPIECE, LINE, PAIR = ("mouthpieces",), ("lines",), ("mouthpieces", "lines")
BELONGS: Mapping[str, tuple[str, ...]] = {
    **dict.fromkeys(("tip_opening", "facing_length", "smoothness", "rail_leak", "baffle_height", "chamber_volume"), MOUTHPIECE),
    **dict.fromkeys(("cut", "tip_thickness"), LINE),
    **dict.fromkeys(("ln_closing_pressure", "closing_share"), PAIR),
}
"""The parts that a feature belongs to. Within a player the distance from the target is the closing pressure, or the opening, over again."""


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
    ordered: float | None
    """p of Page's test that marks follow the order that the measurements foretell: resistance rises with closing pressure, ease falls. None
    for other attributes, where two set-ups have the same pressure, or where it is not in one order for all of these players."""


@dataclass(frozen=True)
class Drift:
    """What a mark changes with each place further on in a sitting: mean of the players' own slopes, with its 95 % interval and p over players."""

    attribute: str
    players: int
    sittings: int
    slope: float
    low: float
    high: float
    probability: float
    adjusted: float


@dataclass(frozen=True)
class Evening:
    """How high the overall marks of one evening lie: their mean against what the same players give on average, with a 95 % interval.

    The interval (Student's, over marks) is None where there is one mark only.
    """

    name: str
    tests: int
    mean: float
    low: float | None
    high: float | None


@dataclass(frozen=True)
class Association:
    """One measured feature beside one attribute: correlation within players, 95 % interval, p over players and parts, and p after Holm.

    ``units`` is how many of the fewest of its parts there were: mouthpieces, lines of reeds, or reeds.
    """

    feature: str
    attribute: str
    players: int
    units: int
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


def shared_agreement(tests: Sequence[Playtest], rated: RatedTests) -> tuple[Shared, ...]:
    """Return the agreement of players who rated the same set-ups: the largest whole table that a greedy choice finds."""
    found = []
    column = FEATURES.index("ln_closing_pressure")
    pressure: dict[tuple[str, str, str], list[float]] = defaultdict(list)
    for row, what in enumerate(zip(rated.players, rated.mouthpieces, rated.reeds, strict=True)):
        pressure[what].append(float(rated.features[row, column]))
    for attribute in ATTRIBUTES:
        marks = _marks(tests, attribute)
        players = _largest_complete({player: set(sets) for player, sets in marks.items()})
        if len(players) < 2:
            continue
        sets = sorted(set.intersection(*(set(marks[player]) for player in players)), key=str)
        table = np.array([[float(np.mean(marks[player][item])) for player in players] for item in sets])
        agreed = agreement(table)
        if agreed is not None:
            means = [[np.mean(pressure.get((name, piece, reed), [np.nan])) for piece, reed, _ in sets] for name in players]
            foretold = FORETOLD.get(attribute, 0) * np.mean(means, axis=0)
            ordered = page_trend(table, foretold) if len({tuple(np.argsort(own)) for own in means}) == 1 else None
            found.append(Shared(attribute, tuple(players), len(sets), agreed, concordance(table), ordered))
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
    """Return the slope of each attribute with the place in a sitting: each player's own, within sittings, and a test over players."""
    found = []
    for attribute in ATTRIBUTES:
        sittings: dict[tuple[str, str], list[tuple[int, float]]] = defaultdict(list)
        for test in tests:
            value = getattr(test, attribute)
            if value is not None and test.session is not None and test.position is not None:
                sittings[test.player_id, test.session].append((test.position, value))
        pulls: dict[str, list[float]] = defaultdict(lambda: [0.0, 0.0])
        several = 0
        for (player, _), pairs in sittings.items():
            rows = np.array(pairs, dtype=float)
            rows -= rows.mean(axis=0)
            if np.any(rows[:, 0]):
                several += 1
                pulls[player][0] += float(rows[:, 0] @ rows[:, 1])
                pulls[player][1] += float(rows[:, 0] @ rows[:, 0])
        slopes = np.array([both / square for _, (both, square) in sorted(pulls.items())])
        if len(slopes) >= LEAST_DRIFTING and np.ptp(slopes) > 0:
            found.append(Drift(attribute, len(slopes), several, *mean_over(slopes), adjusted=1.0))
    adjusted = holm([item.probability for item in found])
    return tuple(replace(item, adjusted=p) for item, p in zip(found, adjusted, strict=True))


def evenings(tests: Sequence[Playtest]) -> tuple[Evening, ...]:
    """Return how high each evening's marks lie, in the order of their days; an evening is a session, or a day where none was named.

    A player who came to one evening only tells nothing of it, since their average is that evening's.
    """
    by_player: dict[str, list[tuple[str, float]]] = defaultdict(list)
    days: dict[str, str] = {}
    for test in tests:
        name = test.session or (None if test.date is None else test.date.isoformat())
        if name is not None and test.overall is not None:
            by_player[test.player_id].append((name, test.overall))
            days.setdefault(name, "" if test.date is None else test.date.isoformat())
    off: dict[str, list[float]] = defaultdict(list)
    for marks in by_player.values():
        if len({name for name, _ in marks}) > 1:
            usual = sum(mark for _, mark in marks) / len(marks)
            for name, mark in marks:
                off[name].append(mark - usual)
    found = []
    for name in sorted(off, key=lambda item: (days[item], item)):
        values = np.array(off[name])
        ends = mean_over(values)[1:3] if len(values) > 1 and np.ptp(values) > 0 else (None, None)
        found.append(Evening(name, len(values), float(values.mean()), *ends))
    return tuple(found)


def associations(tests: Sequence[Playtest], rated: RatedTests) -> tuple[tuple[Association, ...], int]:
    """Return what goes with what within players, tested over players and over the parts that a feature belongs to."""
    by_id = {test.id: test for test in tests}
    rows = [row for row, name in enumerate(rated.ids) if name in by_id]
    found: list[Association] = []
    codes = {
        part: np.unique(np.array([getattr(rated, part)[row] for row in rows], dtype=np.str_), return_inverse=True)[1]
        for part in ("players", "mouthpieces", "reeds", "lines")
    }
    for attribute in ATTRIBUTES:
        marks = np.array([_mark(by_id[rated.ids[row]], attribute) for row in rows])
        for feature, parts in BELONGS.items():
            values = rated.features[rows, FEATURES.index(feature)] if rows else np.zeros(0)
            one = goes_with(marks, values, codes["players"], [codes[part] for part in parts])
            if one is not None:
                found.append(
                    Association(
                        feature,
                        attribute,
                        players=one.players,
                        units=one.units,
                        tests=one.tests,
                        correlation=one.correlation,
                        low=one.low,
                        high=one.high,
                        probability=one.probability,
                        adjusted=one.probability,
                    )
                )
    adjusted = holm([item.probability for item in found])
    told = [replace(item, adjusted=p) for item, p in zip(found, adjusted, strict=True)]
    return tuple(sorted(told, key=lambda item: (item.adjusted, item.probability, item.feature, item.attribute))), len(found)


def _mark(test: Playtest, attribute: str) -> float:
    value = getattr(test, attribute)
    return float("nan") if value is None else float(value)
