"""What a term of the score is, and the one registry of them.

Each module of :mod:`matchkit.score.terms` holds terms in a tuple ``TERMS``; what stands there is scored, explained, listed in the docs and kept
in the tables of answers. So a new term is one new file in that folder, and its tests.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from functools import cache
from importlib import import_module
from pkgutil import iter_modules

import numpy as np
from numpy.typing import NDArray

from matchkit.score.asked import Asked
from matchkit.score.desirability import NEUTRAL, falling, geometric_mean
from matchkit.units import SIZES

Array = NDArray[np.float64]
Flags = NDArray[np.bool_]


def _always(asked: Asked) -> float:
    del asked
    return 1.0


@dataclass(frozen=True)
class Term:
    """One line of the score.

    Every number in it is assumed: chosen once by judgement, and stated so in the answers.

    Parameters
    ----------
    name
        what it is called in answers and in the docs
    weight
        its weight in the geometric mean
    good, poor
        limits in ``unit``: d is 1 up to the first and falls to the floor at the second, unless ``judge`` says otherwise
    unit
        unit of limits and values in answers, a key of :data:`matchkit.units.SIZES`
    meaning
        what it looks at, in a few words
    measure
        the measurement that would tell it, as a noun phrase
    value
        the number it looks at, from what is asked: SI, one a pair (N,), nan where it is not known
    judge
        d (N,) from values in ``unit``, the term and what is asked; by default ``falling`` on their size
    part
        what was not measured where the value is not known, in a word or two; empty where that is said of the parts already
    counts
        how many times its weight it counts in a question; 0 leaves it out
    """

    name: str
    weight: float
    good: float
    poor: float
    unit: str
    meaning: str
    measure: str
    value: Callable[[Asked], Array]
    judge: Callable[[Array, Term, Asked], Array] | None = None
    part: str = ""
    counts: Callable[[Asked], float] = _always

    def values(self, asked: Asked) -> Array:
        """Return the values (N,) in this term's unit."""
        return np.asarray(self.value(asked) / SIZES[self.unit])

    def desirability(self, values: Array, asked: Asked) -> Array:
        """Return d (N,) of values in this term's unit, the neutral one where a value is nan."""
        if self.judge is None:
            found = falling(np.abs(values), good=self.good, poor=self.poor)
        else:
            found = self.judge(values, self, asked)
        return np.where(np.isfinite(values), found, NEUTRAL)


@cache
def all_terms() -> dict[str, Term]:
    """Return every term by name, the weightiest first, then by name."""
    package = import_module("matchkit.score.terms")
    modules = (import_module(f"{package.__name__}.{found.name}") for found in iter_modules(package.__path__))
    every = (term for module in modules for term in module.TERMS)
    return {term.name: term for term in sorted(every, key=lambda term: (-term.weight, term.name))}


@dataclass(frozen=True)
class Desirabilities:
    """Terms of N pairs: ``d`` (T, N), whether each is ``known`` (T, N), its ``value`` (T, N) in the term's unit, and ``weights`` (T,)."""

    terms: tuple[Term, ...]
    d: Array
    known: Flags
    value: Array
    weights: Array

    def one(self, pair: int) -> Desirabilities:
        """Return the terms of one pair, as a set of one."""
        which = slice(pair, pair + 1)
        return Desirabilities(self.terms, self.d[:, which], self.known[:, which], self.value[:, which], self.weights)

    @property
    def overall(self) -> Array:
        """D, what the measurements say, 0 to 1 (N,)."""
        return geometric_mean(self.d, self.weights)

    @property
    def shares(self) -> Array:
        """How the loss ``-ln D`` is shared among the terms (T, N); sums to 1, or all 0 where D = 1."""
        loss = self.weights[:, None] * np.log(self.d)
        total = loss.sum(axis=0)
        return np.asarray(np.abs(np.divide(loss, total, out=np.zeros_like(loss), where=total < 0)))


def terms_for(asked: Asked) -> dict[str, tuple[Term, float]]:
    """Return the terms that count in a question, each with how many times its weight it counts."""
    return {name: (term, times) for name, term in all_terms().items() if (times := term.counts(asked)) > 0}


def judge_values(values: Mapping[str, Array], asked: Asked) -> Desirabilities:
    """Return the desirability of values (N,) by term, each in its term's unit; all terms that count must be among them."""
    counted = terms_for(asked)
    table = [np.asarray(values[name], dtype=float) for name in counted]
    return Desirabilities(
        terms=tuple(term for term, _ in counted.values()),
        d=np.stack([term.desirability(value, asked) for (term, _), value in zip(counted.values(), table, strict=True)]),
        known=np.isfinite(table),
        value=np.stack(table),
        weights=np.array([times * term.weight for term, times in counted.values()]),
    )


def judge_terms(asked: Asked) -> Desirabilities:
    """Return the desirability of each term that counts in a question."""
    return judge_values({name: term.values(asked) for name, (term, _) in terms_for(asked).items()}, asked)
