"""What blind trials and playtests say, with intervals, and with "inconclusive" where they do not say it.

Ratings are taken as they were given. Where many things are looked at, it is said how many would come out by chance, and p is adjusted after
Holm.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import asdict, dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from matchkit.errors import RequestError
from matchkit.match.features import FEATURES
from matchkit.match.rated import RatedTests
from matchkit.playtest.agreement import Agreement, Concordance, agreement, concordance, consistency
from matchkit.playtest.discrimination import LEVEL, Binomial, binomial_test, d_prime_of, holm, wilson_interval
from matchkit.playtest.preference import Strengths, counted_by_order
from matchkit.playtest.within import LEAST_TESTS, mean_correlation, within_slope
from matchkit.records.people import Playtest
from matchkit.records.trials import ATTRIBUTES, Trial

Array = NDArray[np.float64]

FEW_PLAYERS = 5
"""What rests on fewer players than this is said to."""
LEAST_REPEATED = 3
LEAST_SITTINGS = 2


@dataclass(frozen=True)
class PlayerShare:
    """What one player answered: hits of trials, with the interval of the share (Wilson)."""

    player_id: str
    hits: int
    trials: int
    share_low: float
    share_high: float


@dataclass(frozen=True)
class Comparison:
    """All trials of one pair of set-ups, one kind and attribute: the test, by player, and the effect of coming first (two only).

    ``adjusted`` is p after Holm over all comparisons of this analysis. ``d_prime`` is the difference the answers stand for.
    """

    kind: str
    attribute: str | None
    set_a: str
    set_b: str
    players: int
    unanswered: int
    test: Binomial
    adjusted: float
    verdict: str
    d_prime: float
    by_player: tuple[PlayerShare, ...]
    first_named: Binomial | None


@dataclass(frozen=True)
class Preference:
    """Strengths of three set-ups or more on one attribute, from all choices of two: logarithms, the last 0, and standard errors."""

    attribute: str
    strengths: tuple[tuple[str, float, float], ...]
    first: float | None
    u_first: float | None
    unbounded: tuple[str, ...]
    told: bool


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


@dataclass(frozen=True)
class Analysis:
    """Everything that trials and playtests of a house, or of one session of it, say."""

    trials: int
    playtests: int
    players: tuple[str, ...]
    comparisons: tuple[Comparison, ...]
    preferences: tuple[Preference, ...]
    consistency: tuple[OwnConsistency, ...]
    shared: tuple[Shared, ...]
    drift: tuple[Drift, ...]
    associations: tuple[Association, ...]
    notes: tuple[str, ...]

    def to_dict(self) -> dict[str, Any]:
        """Give the JSON form."""
        return {"schema": "matchkit.analysis/1", **asdict(self)}

    def rows(self) -> list[dict[str, Any]]:
        """Give one flat row a comparison."""
        found = []
        for item in self.comparisons:
            plain = {name: value for name, value in asdict(item).items() if not isinstance(value, dict | tuple | list)}
            found.append({**plain, **{f"test_{name}": value for name, value in asdict(item.test).items() if name != "kind"}})
        return found


def analyse(trials: Sequence[Trial], tests: Sequence[Playtest], rated: RatedTests, *, claim: str | None = None) -> Analysis:
    """Analyse trials and playtests; ``rated`` has the features of those playtests that the model learns from.

    A claim that was planned stands in the trials, and makes their comparison one-sided. ``claim`` names a set-up that was said beforehand to have
    more of what was asked where the trials do not tell.
    """
    sets = {item for trial in trials for item in (trial.set_a, trial.set_b)}
    if claim is not None and claim not in sets:
        raise RequestError(
            f"the claim is about {claim}, which nobody played blind; played were {', '.join(sorted(sets)) or 'none'}"
        )
    compared = _comparisons(trials, claim)
    players = sorted({trial.player_id for trial in trials} | {test.player_id for test in tests})
    notes = []
    if claim is not None and not all(trial.claim == claim for trial in trials if claim in (trial.set_a, trial.set_b)):
        notes.append(f"the claim about {claim} is not in the plan: it counts only if it was made before anybody played")
    silent = sum(trial.answer is None for trial in trials)
    if silent:
        notes.append(f"{silent} trials have no answer and were left out")
    own = _own(tests)
    if tests and not own:
        notes.append(f"nobody marked {LEAST_REPEATED} set-ups twice, so how far a player agrees with themselves is not told")
    if len(players) == 1:
        notes.append(f"one player: all of this speaks for {players[0]} only, and not for players in general")
    if len(compared) > 1:
        notes.append(
            f"{len(compared)} comparisons: by chance alone {len(compared) * LEVEL:.1f} would come out; the verdicts allow for that (Holm)"
        )
    associations, looked_at = _associations(tests, rated)
    if associations:
        notes.append(
            f"{looked_at} pairs of a feature and an attribute were looked at: by chance alone {looked_at * LEVEL:.1f} would come out; p is after Holm"
        )
    return Analysis(
        trials=len(trials),
        playtests=len(tests),
        players=tuple(players),
        comparisons=compared,
        preferences=_preferences(trials),
        consistency=own,
        shared=_shared(tests),
        drift=_drift(tests),
        associations=associations,
        notes=tuple(notes),
    )


# trials


def _comparisons(trials: Sequence[Trial], claim: str | None) -> tuple[Comparison, ...]:
    groups: dict[tuple[str, str | None, str, str], list[Trial]] = defaultdict(list)
    for trial in trials:
        one, other = sorted((trial.set_a, trial.set_b))
        groups[trial.kind, trial.attribute, one, other].append(trial)
    found = []
    for (kind, attribute, one, other), mine in groups.items():
        answered = [trial for trial in mine if trial.answer is not None]
        if not answered:
            continue
        planned = {trial.claim for trial in mine}
        about = next(iter(planned)) if len(planned) == 1 and None not in planned else None
        if planned == {None} and kind == "two" and claim in (one, other):
            about = claim
        counted = about or one
        hits = [bool(trial.right) if kind == "triangle" else _named(trial) == counted for trial in answered]
        test = binomial_test(
            "triangle" if kind == "triangle" else "two",
            trials=len(hits),
            successes=sum(hits),
            two_sided=kind == "two" and about is None,
        )
        by_player: dict[str, list[bool]] = defaultdict(list)
        for trial, hit in zip(answered, hits, strict=True):
            by_player[trial.player_id].append(hit)
        share = max(test.share, 1 - test.share) if test.two_sided else test.share
        found.append(
            Comparison(
                kind=kind,
                attribute=attribute,
                set_a=counted,
                set_b=other if counted == one else one,
                players=len(by_player),
                unanswered=len(mine) - len(answered),
                test=test,
                adjusted=test.probability,
                verdict=test.verdict,
                d_prime=d_prime_of(test.kind, share),
                by_player=tuple(
                    PlayerShare(player, sum(own), len(own), *wilson_interval(sum(own), len(own)))
                    for player, own in sorted(by_player.items())
                ),
                first_named=None if kind == "triangle" else _first(answered),
            )
        )
    adjusted = holm([item.test.probability for item in found])
    return tuple(_with(item, p) for item, p in zip(found, adjusted, strict=True))


def _with(item: Comparison, adjusted: float) -> Comparison:
    return replace(item, adjusted=adjusted, verdict="different" if adjusted <= LEVEL else "inconclusive")


def _named(trial: Trial) -> str:
    return trial.set_a if trial.named == "A" else trial.set_b


def _first(answered: Sequence[Trial]) -> Binomial:
    """Test whether the one that came first is named more or less often than the other."""
    return binomial_test("two", trials=len(answered), successes=sum(trial.answer == 1 for trial in answered), two_sided=True)


def _preferences(trials: Sequence[Trial]) -> tuple[Preference, ...]:
    found = []
    for attribute in ATTRIBUTES:
        mine = [trial for trial in trials if trial.attribute == attribute and trial.answer is not None]
        items = tuple(sorted({item for trial in mine for item in (trial.set_a, trial.set_b)}))
        if len(items) < 3:
            continue
        won, lost = (np.zeros((len(items), len(items))) for _ in range(2))
        for trial in mine:
            shown = [trial.set_a if letter == "A" else trial.set_b for letter in trial.shown]
            place = items.index(shown[0]), items.index(shown[1])
            (won if trial.answer == 1 else lost)[place] += 1
        try:
            strengths = counted_by_order(items, won, lost)
        except ValueError:
            continue  # groups that were never compared with one another
        found.append(_preference(attribute, strengths))
    return tuple(found)


def _preference(attribute: str, strengths: Strengths) -> Preference:
    error = np.sqrt(np.diag(strengths.covariance))
    order = np.argsort(-strengths.worth)
    return Preference(
        attribute,
        tuple((strengths.items[place], float(strengths.worth[place]), float(error[place])) for place in order),
        strengths.first,
        strengths.u_first,
        strengths.unbounded,
        strengths.told,
    )


# ratings


def _set_of(test: Playtest) -> tuple[str, str, str | None]:
    return test.mouthpiece_id, test.reed_id, test.ligature_id


def _marks(tests: Sequence[Playtest], attribute: str) -> dict[str, dict[tuple[str, str, str | None], list[float]]]:
    """Give what each player marked on each set-up, in order."""
    found: dict[str, dict[tuple[str, str, str | None], list[float]]] = defaultdict(lambda: defaultdict(list))
    for test in tests:
        value = getattr(test, attribute)
        if value is not None:
            found[test.player_id][_set_of(test)].append(value)
    return found


def _own(tests: Sequence[Playtest]) -> tuple[OwnConsistency, ...]:
    """Give each player's agreement with themselves, over the first two times they rated a set-up."""
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


def _shared(tests: Sequence[Playtest]) -> tuple[Shared, ...]:
    """Give the agreement of players who rated the same set-ups: the largest whole table that a greedy choice finds."""
    found = []
    for attribute in ATTRIBUTES:
        marks = _marks(tests, attribute)
        players = _together({player: set(sets) for player, sets in marks.items()})
        if len(players) < 2:
            continue
        sets = sorted(set.intersection(*(set(marks[player]) for player in players)), key=str)
        table = np.array([[float(np.mean(marks[player][item])) for player in players] for item in sets])
        agreed = agreement(table)
        if agreed is not None:
            found.append(Shared(attribute, tuple(players), len(sets), agreed, concordance(table)))
    return tuple(found)


def _together(rated: dict[str, set[tuple[str, str, str | None]]]) -> list[str]:
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


def _drift(tests: Sequence[Playtest]) -> tuple[Drift, ...]:
    """Give the slope of each attribute with the place in a sitting, all sittings together."""
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


def _associations(tests: Sequence[Playtest], rated: RatedTests) -> tuple[tuple[Association, ...], int]:
    """Give what goes with what: correlations within players, averaged over players (Fisher's z), with a t interval over players."""
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
