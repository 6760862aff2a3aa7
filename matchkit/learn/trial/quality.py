"""How good an order of set-ups is."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from matchkit.constants import DECIMALS

Array = NDArray[np.float64]

TOP = 5
LEAST_LIST = 6
"""A player's list counts from so many set-ups on."""


def ranking_quality(rating: Array, guess: Array) -> tuple[float, float]:
    """Return NDCG@5 (gain = rating, discount log2(i + 1), ties averaged) and Kendall's tau-b of one list."""
    from scipy.stats import kendalltau
    from sklearn.metrics import ndcg_score

    rating, guess = rating.round(DECIMALS), guess.round(DECIMALS)
    constant = np.ptp(guess) == 0
    tau = float("nan") if constant or np.ptp(rating) == 0 else float(kendalltau(rating, guess).statistic)
    ndcg = float(ndcg_score(rating[None], guess[None], k=TOP)) if rating.any() else float("nan")
    return ndcg, tau
