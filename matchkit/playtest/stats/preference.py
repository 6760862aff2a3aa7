"""Strength from preferences: the model of Bradley and Terry 1952, with an effect of being played first."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

ROUNDS = 200


@dataclass(frozen=True)
class Strengths:
    """Logarithmic strengths (n,), the last 0, with their covariance (n, n); ``first`` is the effect of being played first.

    ``deviance`` has ``degrees`` of freedom. ``unbounded`` names the items that won or lost everything: no strength of theirs is the
    likeliest, and what is given for them is only a bound.
    """

    items: tuple[str, ...]
    worth: Array
    covariance: Array
    first: float | None
    u_first: float | None
    deviance: float
    degrees: int
    unbounded: tuple[str, ...]
    told: bool
    """Whether the answers have a likeliest strength for everything and a likeliest effect of order; otherwise what is given are bounds."""

    @property
    def shares(self) -> Array:
        """The same as shares that add up to 1: strength over the sum of all."""
        raw = np.exp(self.worth)
        return np.asarray(raw / raw.sum())


def bradley_terry(items: tuple[str, ...], wins: Array) -> Strengths:
    """Fit strengths to ``wins`` (n, n): how often row was preferred to column, whoever came first.

    Maximum likelihood by Newton's way; the likelihood is concave. Raises ValueError where the comparisons fall into parts that were never
    compared with one another.

    >>> found = bradley_terry(("a", "b"), np.array([[0.0, 3.0], [1.0, 0.0]]))
    >>> round(float(found.worth[0]), 4)
    1.0986
    """
    wins = np.asarray(wins, dtype=float)
    upper = np.triu(np.ones_like(wins), 1)
    return _solve(items, wins * upper, (wins + wins.T) * upper, order=False)


def counted_by_order(items: tuple[str, ...], won_first: Array, lost_first: Array) -> Strengths:
    """Fit strengths and an effect of being played first to counts (n, n): row came before column, and was preferred, or was not."""
    won = np.asarray(won_first, dtype=float)
    return _solve(items, won, won + np.asarray(lost_first, dtype=float), order=True)


def _solve(items: tuple[str, ...], preferred: Array, shown: Array, *, order: bool) -> Strengths:
    count = len(items)
    if count < 2 or shown.shape != (count, count):
        raise ValueError(f"expected a square table of two items or more, read {shown.shape} for {count}")
    if not _connected(shown + shown.T):
        raise ValueError("these items fall into groups that were never compared with one another")
    one, other = np.nonzero(shown)
    trials, chosen = shown[one, other], preferred[one, other]
    design = np.zeros((len(one), count - 1 + order))
    rows = np.arange(len(one))
    design[rows[one < count - 1], one[one < count - 1]] += 1
    design[rows[other < count - 1], other[other < count - 1]] -= 1
    if order:
        design[:, -1] = 1
    values = np.zeros(design.shape[1])
    information = np.eye(design.shape[1])
    for _ in range(ROUNDS):
        share = 1 / (1 + np.exp(-np.clip(design @ values, -30, 30)))
        information = design.T @ (design * (trials * share * (1 - share))[:, None]) + 1e-10 * np.eye(design.shape[1])
        step = np.linalg.solve(information, design.T @ (chosen - trials * share))
        values = np.clip(values + np.clip(step, -2, 2), -FARTHEST, FARTHEST)
        if float(np.abs(step).max()) < 1e-10:
            break
    share = 1 / (1 + np.exp(-np.clip(design @ values, -30, 30)))
    covariance = np.zeros((count, count))
    inverse = np.linalg.inv(information)
    covariance[:-1, :-1] = inverse[: count - 1, : count - 1]
    return Strengths(
        items=items,
        worth=np.append(values[: count - 1], 0.0),
        covariance=covariance,
        first=float(values[-1]) if order else None,
        u_first=float(np.sqrt(inverse[-1, -1])) if order else None,
        deviance=_deviance(trials, chosen, share),
        degrees=len(one) - design.shape[1],
        unbounded=_unbounded(items, preferred, shown),
        told=bool(np.all(np.abs(values) < FARTHEST - 1e-6)),
    )


FARTHEST = 10.0
"""No strength is let further from the last item's than this (one in 22,000): beyond it the answers do not tell."""


def _deviance(trials: Array, chosen: Array, share: Array) -> float:
    lost = trials - chosen
    with np.errstate(divide="ignore", invalid="ignore"):
        parts = np.where(chosen > 0, chosen * np.log(chosen / (trials * share)), 0.0)
        parts = parts + np.where(lost > 0, lost * np.log(lost / (trials * (1 - share))), 0.0)
    return float(2 * parts.sum())


def _unbounded(items: tuple[str, ...], preferred: Array, shown: Array) -> tuple[str, ...]:
    won = preferred.sum(axis=1) + (shown - preferred).sum(axis=0)
    lost = preferred.sum(axis=0) + (shown - preferred).sum(axis=1)
    return tuple(name for name, up, down in zip(items, won, lost, strict=True) if up == 0 or down == 0)


def _connected(compared: Array) -> bool:
    seen, edge = {0}, [0]
    while edge:
        near = set(np.flatnonzero(compared[edge.pop()] > 0).tolist()) - seen
        seen |= near
        edge += near
    return len(seen) == len(compared)
