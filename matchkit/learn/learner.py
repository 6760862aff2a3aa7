"""The marks of a house, and the model learned from them."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from matchkit.learn.blend import Blend
from matchkit.learn.kept import kept_blend
from matchkit.learn.marks import DEFAULT_SETTINGS, RatedTests, Settings, own_weights
from matchkit.score.features import FEATURES
from matchkit.score.scorer import Scorer

Index = NDArray[np.intp]


class Learner:
    """Learns from the playtests of one house; computed when first asked for."""

    def __init__(self, scorer: Scorer) -> None:
        self.scorer = scorer
        self.parts = scorer.parts
        self._model: Blend | Settings = DEFAULT_SETTINGS

    @cached_property
    def rated_tests(self) -> RatedTests:
        """The rated playtests as the model learns from them: D and features of each for its own player, without a wish."""
        tests, pairs = self.scorer.marked, self.scorer.marked_pairs
        by_player: dict[str, list[int]] = defaultdict(list)
        for row, test in enumerate(tests):
            by_player[test.player_id].append(row)
        overall = np.zeros(len(tests))
        features = np.zeros((len(tests), len(FEATURES)))
        for player_id, rows in by_player.items():
            scored = self.scorer.score(self.scorer.view(player_id), pairs.select(rows), training=True)
            overall[rows] = scored.terms.overall
            features[rows] = scored.features
        return RatedTests(
            ids=tuple(test.id for test in tests),
            players=tuple(test.player_id for test in tests),
            mouthpieces=tuple(test.mouthpiece_id for test in tests),
            reeds=tuple(test.reed_id for test in tests),
            sessions=tuple(test.session for test in tests),
            instruments=tuple(pairs.facing(row).mouthpiece.instrument for row in range(len(tests))),
            ligatures=tuple(test.ligature_id for test in tests),
            rating=np.array([float(test.overall or 0.0) for test in tests]),
            overall_d=overall,
            features=features,
            weight=own_weights(tests),
        )

    @cached_property
    def blend(self) -> Blend:
        """The model that was given, or else one fitted to this house's playtests with the settings that were, or the default ones."""
        return self._model if isinstance(self._model, Blend) else self.fitted(self._model)

    def take(self, model: Blend | Settings) -> None:
        """Go by a model from elsewhere, or by its settings, from now on."""
        self._model = model
        self.__dict__.pop("blend", None)

    def fitted(self, settings: Settings) -> Blend:
        """Return a model fitted to this house's playtests with these settings."""
        return kept_blend(self.rated_tests, self.parts.ligatures, settings, self.parts.cache)

    def train(self, *, jobs: int = 1, progress: Callable[[int, int], None] | None = None) -> Blend:
        """Fit a model with settings chosen on this house's playtests."""
        from matchkit.learn.trial.choosing import choose_settings

        return self.fitted(choose_settings(self.rated_tests, self.parts.ligatures, jobs=jobs, progress=progress))
