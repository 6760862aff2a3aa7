"""What blind trials and playtests say, with intervals, and with "inconclusive" where they do not say it.

Ratings are taken as they were given. Where many things are looked at, it is said how many would come out by chance, and p is adjusted after
Holm.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict, dataclass
from typing import Any, ClassVar

from matchkit.errors import RequestError
from matchkit.learn.marks import RatedTests
from matchkit.playtest.stats.ratings import (
    Association,
    Drift,
    Evening,
    OwnConsistency,
    Shared,
    associations,
    drifts,
    evenings,
    own_consistency,
    shared_agreement,
)
from matchkit.playtest.stats.trials import Comparison, Preference, comparisons, preferences
from matchkit.records.people import Playtest
from matchkit.records.trials import Trial
from matchkit.results import Answer, flat


@dataclass(frozen=True)
class Analysis(Answer):
    """Everything that trials and playtests of a house, or of one session of it, say."""

    schema: ClassVar[str] = "analysis"

    trials: int
    playtests: int
    players: tuple[str, ...]
    comparisons: tuple[Comparison, ...]
    preferences: tuple[Preference, ...]
    consistency: tuple[OwnConsistency, ...]
    shared: tuple[Shared, ...]
    drift: tuple[Drift, ...]
    evenings: tuple[Evening, ...]
    associations: tuple[Association, ...]
    looked_at: int
    """Pairs of a feature and an attribute that were looked at."""
    unanswered: int
    unplanned_claim: str | None
    """A claim that is not in the plan: it counts only if it was made before anybody played."""

    def flat_rows(self) -> list[dict[str, Any]]:
        """Return one flat row a comparison."""
        return [
            {**flat(item), **{f"test_{name}": value for name, value in asdict(item.test).items() if name != "kind"}}
            for item in self.comparisons
        ]


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
    compared = comparisons(trials, claim)
    own = own_consistency(tests)
    found, looked_at = associations(tests, rated)
    unplanned = any(trial.claim != claim for trial in trials if claim in (trial.set_a, trial.set_b))
    return Analysis(
        trials=len(trials),
        playtests=len(tests),
        players=tuple(sorted({trial.player_id for trial in trials} | {test.player_id for test in tests})),
        comparisons=compared,
        preferences=preferences(trials),
        consistency=own,
        shared=shared_agreement(tests, rated),
        drift=drifts(tests),
        evenings=evenings(tests),
        associations=found,
        looked_at=looked_at,
        unanswered=sum(trial.answer is None for trial in trials),
        unplanned_claim=claim if claim is not None and unplanned else None,
    )
