"""The marks of a house, and the model learned from them."""

from __future__ import annotations

from collections import defaultdict
from dataclasses import replace
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from matchkit.learn.blend import Blend
from matchkit.learn.kept import kept_blend
from matchkit.learn.kriging.variances import PRIOR, Variances
from matchkit.learn.marks import RatedTests, own_weights
from matchkit.score.features import FEATURES
from matchkit.score.scorer import Scorer
from matchkit.score.target import Aims

Index = NDArray[np.intp]


class Learner:
    """Learns from the playtests of one house; computed when first asked for.

    ``scorer`` goes by what the model aims at for players without a set-up.
    """

    def __init__(self, scorer: Scorer) -> None:
        self._plain = scorer
        self.parts = scorer.parts
        self._model: Blend | None = None
        self._stale: Blend | None = None

    @cached_property
    def scorer(self) -> Scorer:
        """The scorer of the house, going by what the model aims at."""
        model = self._model or self._stale
        return self._plain.aiming(self.aims if model is None else model.aims)

    @cached_property
    def aims(self) -> Aims:
        """What players without a set-up are scored against, as all marks of now would have it."""
        return self._plain.aims_of(sorted({player.instrument for player in self.parts.stock.players}))

    @cached_property
    def rated_tests(self) -> RatedTests:
        """The rated playtests as the model learns from them: D and features of each for its own player, without a wish."""
        return self._rated(self.scorer)

    def rated_from(self, rows: Index) -> RatedTests:
        """Return the rated playtests where only ``rows`` of them say what players without a set-up are scored against: for folds."""
        known = np.zeros(len(self._plain.marked), dtype=bool)
        known[rows] = True
        return self._rated(self._plain.aiming(self._plain.aims_of(sorted(self.aims), known)), start=self.rated_tests)

    def _rated(self, scorer: Scorer, *, start: RatedTests | None = None) -> RatedTests:
        tests, pairs = scorer.marked, scorer.marked_pairs
        by_player: dict[str, list[int]] = defaultdict(list)
        for row, test in enumerate(tests):
            by_player[test.player_id].append(row)
        overall = np.zeros(len(tests)) if start is None else start.overall_d.copy()
        features = np.zeros((len(tests), len(FEATURES))) if start is None else start.features.copy()
        for player_id, rows in by_player.items():
            view = scorer.view(player_id)
            if start is not None and view.present is not None:
                continue  # nothing about them hangs on what others liked
            scored = scorer.score(view, pairs.select(rows))
            overall[rows] = scored.terms.overall
            features[rows] = scored.features
        if start is not None:
            return replace(start, overall_d=overall, features=features)
        contact = {item.id: item.contact for item in self.parts.ligatures}
        reeds = [pairs.reed(row).reed for row in range(len(tests))]
        return RatedTests(
            ids=tuple(test.id for test in tests),
            players=tuple(test.player_id for test in tests),
            mouthpieces=tuple(test.mouthpiece_id for test in tests),
            reeds=tuple(test.reed_id for test in tests),
            lines=tuple(reed.profile_id or reed.id for reed in reeds),
            sessions=tuple(test.session for test in tests),
            instruments=tuple(pairs.facing(row).mouthpiece.instrument for row in range(len(tests))),
            ligatures=tuple(test.ligature_id for test in tests),
            contacts=tuple(contact.get(test.ligature_id or "") for test in tests),
            rating=np.array([float(test.overall or 0.0) for test in tests]),
            overall_d=overall,
            features=features,
            weight=own_weights(tests),
            strength=np.array([float(reed.strength) for reed in reeds]),
        )

    @cached_property
    def blend(self) -> Blend:
        """The model that was given, with the marks of now; else one at the prior variances, or those of a model whose marks were changed."""
        if self._model is not None:
            return self._model
        if self._stale is not None:
            return self._stale.with_marks(self.rated_tests)
        return self.fitted(PRIOR)

    def marked_pairs(self, player: str) -> set[tuple[str, str]]:
        """Return the ids of the mouthpieces and reeds that a player has marked together."""
        return {(test.mouthpiece_id, test.reed_id) for test in self.scorer.marked if test.player_id == player}

    def take(self, model: Blend, *, anew: bool = False) -> None:
        """Go by a model from elsewhere from now on; where marks changed, solve them ``anew`` at its variances."""
        self._model, self._stale = (None, model) if anew else (model, None)
        for name in ("blend", "scorer", "rated_tests"):
            self.__dict__.pop(name, None)

    def fitted(self, variances: Variances | None) -> Blend:
        """Return a model of this house's playtests at these variances, or those that the marks tell where they are None."""
        return kept_blend(self.rated_tests, variances, aims=self.scorer_aims, cache=self.parts.cache)

    @property
    def scorer_aims(self) -> Aims:
        """What the scorer goes by."""
        model = self._model or self._stale
        return self.aims if model is None else model.aims

    def train(self) -> Blend:
        """Fit a model with variances learned from this house's playtests."""
        self._model = self._stale = None
        for name in ("blend", "scorer", "rated_tests"):
            self.__dict__.pop(name, None)
        blend = self.fitted(None)
        self.take(blend)
        return blend
