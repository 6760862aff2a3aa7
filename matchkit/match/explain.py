"""Reasons: exact numbers for the score, and words for the counter."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from matchkit import constants
from matchkit.match.answers import NeighbourReason, TermReason
from matchkit.match.blend import Blend
from matchkit.match.common_scale import OwnLine
from matchkit.match.desirability import TERMS, Desirabilities, TermName
from matchkit.match.rank import Placed
from matchkit.match.rated import RatedTests

Array = NDArray[np.float64]

SURELY, PROBABLY = 0.95, 0.80
WORTH_SAYING = 0.05
"""An offset in points, or a spread beyond one, that rounds to something."""
DECIMALS = 6
"""What decides between words, or comes first, is rounded to this."""
POINTS = 10.0
"""Points of the score (0-100) in one point of a rating (0-10)."""

CLOSES_UP = "closes up: at this blowing pressure the reed shuts before the lip does anything"


def term_reasons(found: Desirabilities, pair: int, *, slope: float) -> tuple[TermReason, ...]:
    """Give each term's exact cost: ``10 b (1 - D) s_i`` points of what perfect terms would reach."""
    found, pair = found.one(pair), 0
    shares = found.shares
    lost = POINTS * slope * (1 - float(found.overall[0]))
    reasons = []
    for place, name in enumerate(found.names):
        known = bool(found.known[place, pair])
        value = float(found.value[place, pair]) if known else None
        share = float(shares[place, pair]) + 0.0  # no minus before a zero
        d = float(found.d[place, pair])
        term = TERMS[name]
        reasons.append(
            TermReason(
                name=name,
                desirability=d,
                weight=float(found.weights[place]),
                share=share,
                cost=lost * share + 0.0,
                value=value,
                unit=term.unit,
                good=term.good,
                poor=term.poor,
                known=known,
                words=term_words(name, value, round(d, DECIMALS)),
            )
        )
    return tuple(reasons)


def neighbour_reasons(
    placed: Placed, tests: RatedTests | None, residual: Array | None, blend: Blend
) -> tuple[NeighbourReason, ...]:
    """Give what each playtest added: ``10 w_j r_j / (sum w + kappa)`` points, the largest first."""
    if tests is None or residual is None:
        return ()
    total = placed.evidence + blend.settings.kappa
    found = [
        NeighbourReason(
            playtest=tests.ids[row],
            player=tests.players[row],
            distance=float(distance),
            weight=float(weight),
            rating=float(tests.rating[row]),
            residual=float(residual[row]),
            points=POINTS * float(weight) * float(residual[row]) / total if total > 0 else 0.0,
        )
        for row, distance, weight in zip(placed.neighbours, placed.distance, placed.weight, strict=True)
    ]
    return tuple(sorted(found, key=lambda reason: (-round(abs(reason.points), DECIMALS), reason.playtest)))


def _rating_word(d: float) -> str:
    return "good" if d >= 0.8 else "fair" if d >= 0.5 else "weak" if d >= 0.2 else "poor"


def term_words(name: TermName, value: float | None, d: float) -> str:
    """Say what a term found, in a few words a shop assistant can repeat."""
    if value is None:
        return f"not known: {TERMS[name].measure}"
    if name == "tone":
        return "tone about the same" if value == 0 else f"should go the {'way you want' if value > 0 else 'other way'} in tone"
    found = {
        "effort": f"resistance {_steps_off(value)} the target",
        "air": f"air {_steps_off(value)} the target",
        "closing": f"{100 * value:.0f} % still open when the reed closes",
        "smoothness": f"facing within {value:.0f} µm of a fair curve",
        "rails": f"rails leak {value:.2f} mm2",
        "box spread": f"{10 * value:.0f} of 10 reeds of the box come within a step",
        "volume": f"chamber {abs(value) * 100:.0f} % {'over' if value > 0 else 'under'} the missing cone",
    }
    return f"{found[name]} ({_rating_word(d)})"


def _steps_off(steps: float) -> str:
    if round(abs(steps), DECIMALS) < constants.NOTICE.value:
        return "right on"
    return f"{abs(steps):.1f} steps {'over' if steps > 0 else 'under'}"


def certainty(size: float, u: float) -> str:
    """Say how sure the direction of a difference is: surely (95 %), probably (80 %), or may.

    >>> certainty(0.3, 0.1), certainty(0.1, 0.1), certainty(0.05, 0.1)
    ('surely', 'probably', 'may')
    """
    chance = 0.5 * (1 + math.erf(abs(size) / (u * math.sqrt(2)))) if u > 0 else 1.0
    return "surely" if chance >= SURELY else "probably" if chance >= PROBABLY else "may"


def _amount(steps: float) -> str:
    return "a little " if steps < 0.75 else "" if steps < 1.75 else "much "


def _strengths(steps: float) -> str:
    if steps < 0.75:
        return "less than half a strength"
    if steps < 1.5:
        return "about half a strength"
    return "about one strength" if steps < 2.5 else "more than one strength"


def feel_words(effort_ln: float, air_ln: float, u: float, *, wish_step: float, air_step: float) -> tuple[str, str]:
    """Say what will feel different from the present set-up in effort and in air.

    ``effort_ln`` and ``air_ln`` are ln(new / present), ``u`` their standard uncertainty.
    """
    steps = round(abs(effort_ln) / -math.log(wish_step), DECIMALS)
    effort = "about the same resistance"
    if steps >= constants.NOTICE.value:
        direction = "more resistant" if effort_ln > 0 else "freer"
        effort = f"{_so(effort_ln, u)} {_amount(steps)}{direction} ({_strengths(steps)})"
    steps = round(abs(air_ln) / math.log(air_step), DECIMALS)
    air = "about the same air"
    if steps >= constants.NOTICE.value:
        direction = "bigger, takes more air" if air_ln > 0 else "smaller, takes less air"
        air = f"{_so(air_ln, u)} {_amount(steps)}{direction}"
    return effort, air


def _so(size: float, u: float) -> str:
    sure = certainty(size, u)
    return "may be" if sure == "may" else sure


def tone_words(vote: float | None) -> str:
    """Say which way the tone should go, from a vote of -1 (darker) to 1 (brighter): never more than "may"."""
    if vote is None:
        return "tone not known"
    return "tone about the same" if vote == 0 else f"may be {'brighter' if vote > 0 else 'darker'}"


def own_line_words(player: str, own: OwnLine) -> str | None:
    """Say how a player's marks differ from what other players would give; None where they do not, or too few are known.

    >>> own_line_words("P1", OwnLine(offset=-0.42, spread=1.2, middle=6.0, tests=31))
    "P1 marks 0.4 of 10 lower than others would and spreads marks 1.2 times as far (31 playtests): scores are on P1's own line."
    """
    words = []
    if abs(own.offset) >= WORTH_SAYING:
        words.append(f"marks {abs(own.offset):.1f} of 10 {'higher' if own.offset > 0 else 'lower'} than others would")
    if abs(own.spread - 1) >= WORTH_SAYING:
        words.append(f"spreads marks {own.spread:.1f} times as far")
    if not words:
        return None
    return f"{player} {' and '.join(words)} ({own.tests} playtests): scores are on {player}'s own line."


def why_words(terms: tuple[TermReason, ...], correction_points: float, tests: int) -> tuple[str, ...]:
    """Give the reasons worth saying first: what is good, what costs most, what playtests said."""
    known = [term for term in terms if term.known]
    good = [term for term in known if round(term.desirability, DECIMALS) >= 0.8 and term.name in ("effort", "air")]
    cost = {term.name: round(term.cost, DECIMALS) for term in known}
    costly = sorted((term for term in known if cost[term.name] >= 3.0), key=lambda term: -cost[term.name])[:2]
    words = [term.words for term in good] + [
        f"{term.words}, costs {term.cost:.0f} points" for term in costly if term not in good
    ]
    if tests and abs(correction_points) >= 0.5:
        direction = "added" if correction_points > 0 else "took"
        plural = "" if tests == 1 else "s"
        words.append(f"{tests} similar playtest{plural} {direction} {abs(correction_points):.1f} points")
    return tuple(words) or ("no term stands out",)
