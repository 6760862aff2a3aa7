"""The physics score: the table of terms, and how each number becomes a desirability.

This is the file to change when the score should change. ``d`` runs from the floor to 1 (Derringer and Suich 1980); the score
of a set-up is the weighted geometric mean ``D = prod d_i^(w_i / sum w)``.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from matchkit import constants

Array = NDArray[np.float64]
Flags = NDArray[np.bool_]

TermName = Literal["effort", "air", "closing", "smoothness", "rails", "box spread", "volume", "tone"]

FLOOR = 0.01
"""Lowest desirability of a term: one that is bad never erases a set-up."""

NEUTRAL = 0.7
"""Desirability of a term that is not known; it keeps its weight, so not measuring never beats a good measurement."""

AIR_STEP = 1.15
"""One step of playing opening, as a factor."""

STEP_POWER = 1.73
"""Makes d = 0.1 at the poor limit where it is 0.5 half way."""

TONE_REACH = 0.3
"""How far the tone term may move from neutral: ordinal and weak."""


@dataclass(frozen=True)
class Term:
    """One line of the score: its weight, and the limits in ``unit`` between which d falls from 1 to the floor.

    For effort and air, which have two sides, d is 0.1 at the poor limit and falls on. Tone has no limits: it is a vote.

    Every number here is assumed: chosen once by judgement, and stated so in the answers.
    """

    name: TermName
    weight: float
    good: float
    poor: float
    unit: str
    meaning: str
    measure: str


TERMS: dict[TermName, Term] = {
    term.name: term
    for term in (
        Term("effort", 4, 0, 2, "steps", "closing pressure against the target", "stiffness of the reed and the facing"),
        Term("air", 2, 0, 2, "steps", "playing opening against the target", "tip opening and stiffness of the reed"),
        Term("closing", 2, 0.03, 0.20, "", "how far the reed is shut at its closing pressure", "facing and reed profile"),
        Term("smoothness", 1, 5, 60, "µm", "facing against its fair arc", "facing, with feelers"),
        Term("rails", 1, 0.05, 0.8, "mm2", "leak between the two rails", "facing, with feelers on both rails"),
        Term("box spread", 1, 1, 0, "", "share of the box within one step of the target", "stiffness of a few reeds of a box"),
        Term("volume", 1, 0.05, 0.30, "", "chamber and reed against the missing cone", "chamber volume, with water"),
        Term("tone", 1, 0, 0, "", "baffle and chamber against the present ones", "baffle height and chamber volume"),
    )
}

EVENNESS: tuple[TermName, ...] = ("closing", "smoothness", "rails")
"""Terms that count double for "more even"."""


def by_steps(steps: Array, *, good: float = 0.0, poor: float = 2.0) -> Array:
    """Give d for a distance from the target in steps: 1 up to ``good``, 0.1 at ``poor``, 0.5 half way between.

    >>> [round(float(d), 3) for d in by_steps(np.array([0.0, 1.0, 2.0, 9.0]))]
    [1.0, 0.5, 0.1, 0.01]
    """
    beyond = np.maximum(np.abs(steps) - good, 0.0) * 2 / (poor - good)
    return np.asarray(np.maximum(np.exp(-np.log(2) * beyond**STEP_POWER), FLOOR))


def falling(value: Array, *, good: float, poor: float) -> Array:
    """Give d that is 1 up to ``good`` and falls straight to the floor at ``poor`` (Derringer and Suich's one-sided form, s = 1).

    >>> [round(float(d), 3) for d in falling(np.array([0.0, 0.115, 0.5]), good=0.03, poor=0.2)]
    [1.0, 0.5, 0.01]
    """
    return np.clip((poor - value) / (poor - good), FLOOR, 1.0)


def falling_on_average(value: Array, u: Array | float, *, good: float, poor: float) -> Array:
    """Give :func:`falling` averaged over a normal uncertainty ``u``, by seven-point Gauss-Hermite."""
    node, weight = np.polynomial.hermite_e.hermegauss(7)
    around = np.asarray(value)[..., None] + np.asarray(u)[..., None] * node
    return np.asarray(falling(around, good=good, poor=poor) @ (weight / weight.sum()))


def geometric_mean(d: Array, weights: Array) -> Array:
    """Give ``prod d_i^(w_i / sum w)`` over the first axis (T, N), as Derringer and Suich's overall desirability with weights.

    >>> float(geometric_mean(np.array([[0.25], [1.0]]), np.array([1.0, 1.0]))[0])
    0.5
    """
    return np.asarray(np.exp(weights @ np.log(d) / weights.sum()))


@dataclass(frozen=True)
class TermInputs:
    """What the terms are computed from, one value a pair (N,); nan where a number is not known.

    ``effort_ln`` and ``air_ln`` are ln(value / target); ``closing_share`` with its uncertainty ``u_closing_share``;
    ``volume_miss`` is relative and signed; ``tone_vote`` runs from -1 (against the wish) to 1.
    """

    effort_ln: Array
    air_ln: Array
    closing_share: Array
    u_closing_share: Array
    smoothness_um: Array
    leak_mm2: Array
    box_share: Array
    volume_miss: Array
    tone_vote: Array

    def take(self, which: NDArray[np.intp]) -> TermInputs:
        """Give some of the pairs."""
        return TermInputs(**{name: value[which] for name, value in vars(self).items()})


@dataclass(frozen=True)
class Desirabilities:
    """Terms of a set of pairs: ``d`` (T, N), whether each was ``known`` (T, N), its ``value`` (T, N) and ``weights`` (T,).

    Effort and air are in steps from the target, signed; the volume's miss is signed too.
    """

    names: tuple[TermName, ...]
    d: Array
    known: Flags
    value: Array
    weights: Array

    def one(self, pair: int) -> Desirabilities:
        """Give the terms of one pair, as a set of one."""
        which = slice(pair, pair + 1)
        return Desirabilities(self.names, self.d[:, which], self.known[:, which], self.value[:, which], self.weights)

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


def terms_for(*, cone: bool, tone: int, even: int) -> dict[TermName, Term]:
    """Give the terms that count in one question, with their weights.

    Volume counts for cones only; tone when it was wished for, ``tone`` times its weight; each of ``even`` steps of "more even"
    doubles what evenness rests on.
    """
    chosen = {name: term for name, term in TERMS.items() if (cone or name != "volume") and (tone or name != "tone")}
    if tone:
        chosen["tone"] = replace(TERMS["tone"], weight=tone * TERMS["tone"].weight)
    if even:
        chosen.update({name: replace(TERMS[name], weight=2**even * TERMS[name].weight) for name in EVENNESS})
    return chosen


def desirabilities(inputs: TermInputs, terms: dict[TermName, Term], *, wish_step: float) -> Desirabilities:
    """Turn numbers into desirabilities, the neutral one where a number is not known."""
    effort_steps = inputs.effort_ln / -np.log(wish_step)
    air_steps = inputs.air_ln / np.log(AIR_STEP)
    limits = TERMS
    table: dict[TermName, tuple[Array, Array]] = {
        "effort": (effort_steps, by_steps(effort_steps, good=limits["effort"].good, poor=limits["effort"].poor)),
        "air": (air_steps, by_steps(air_steps, good=limits["air"].good, poor=limits["air"].poor)),
        "closing": (
            inputs.closing_share,
            falling_on_average(
                inputs.closing_share, inputs.u_closing_share, good=limits["closing"].good, poor=limits["closing"].poor
            ),
        ),
        "smoothness": (inputs.smoothness_um, _falling(inputs.smoothness_um, limits["smoothness"])),
        "rails": (inputs.leak_mm2, _falling(inputs.leak_mm2, limits["rails"])),
        "box spread": (inputs.box_share, _falling(inputs.box_share, limits["box spread"])),
        "volume": (inputs.volume_miss, _falling(np.abs(inputs.volume_miss), limits["volume"])),
        "tone": (inputs.tone_vote, NEUTRAL + TONE_REACH * inputs.tone_vote),
    }
    value = np.stack([table[name][0] for name in terms])
    known = np.isfinite(value)
    d = np.where(known, np.stack([table[name][1] for name in terms]), NEUTRAL)
    return Desirabilities(tuple(terms), d, known, value, np.array([term.weight for term in terms.values()]))


def _falling(value: Array, term: Term) -> Array:
    return falling(value, good=term.good, poor=term.poor)


U_CLOSING_SHARE = constants.SHARE_U.value
