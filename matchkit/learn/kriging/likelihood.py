"""Variances fitted to the marks themselves: marginal likelihood with weak priors (empirical Bayes).

For marks ``y`` with covariance ``K(theta)`` the logarithm of the likelihood is ``-(r' K^-1 r + ln det K)/2`` with its gradient
``tr((a a' - K^-1) dK/dtheta)/2``, ``a = K^-1 r`` (Rasmussen and Williams 2006, eq. 5.9, from memory). The line from D to a mark counts as one
more part with a wide prior, each instrument with its own.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from matchkit.learn.kriging.covariance import Coded, alike
from matchkit.learn.kriging.variances import (
    GROUPED,
    LINE_SLOPE,
    LINE_START,
    NAMES,
    PRIOR,
    U_LINE_SLOPE,
    U_LINE_START,
    Variances,
    from_logarithms,
    logarithms,
    widths,
)

Array = NDArray[np.float64]

ROUNDS = 60
"""Steps that a fit takes at most."""
STOP = 1e-5
"""A fit has ended where no slope of the logarithm of the likelihood is steeper."""
FARTHEST = 3.0
"""Standard deviations of its prior that the logarithm of a variance may be away."""


@dataclass(frozen=True)
class Weighed:
    """Marks of one instrument with what they count: ``odd`` (n,) multiplies the variance of a mark's noise, ``wider`` (n,) that of its player's level."""

    marks: Coded
    odd: Array
    wider: Array

    @classmethod
    def plain(cls, marks: Coded) -> Weighed:
        """Return marks of which none is odd."""
        return cls(marks, np.ones(len(marks)), np.ones(len(marks)))

    def noise(self, variances: Variances) -> Array:
        """Return the variance of each mark's noise (n,)."""
        return np.asarray(variances.noise**2 * self.odd / self.marks.trust)


class Parts:
    """The matrices of one instrument that no variance changes."""

    def __init__(self, weighed: Weighed) -> None:
        marks = weighed.marks
        own = marks.same("player")
        self.linear = {part: marks.same(part) for part in GROUPED if part != "player"}
        self.linear["player"] = own * weighed.wider[:, None]
        self.linear["slope"] = own * (marks.slopes @ marks.slopes.T)
        self.own, self.squared = own, marks.squared
        self.noise = weighed.odd / marks.trust
        wide = np.array([U_LINE_START, U_LINE_SLOPE])
        self.fixed = (marks.line * wide**2) @ marks.line.T
        self.below = np.asfortranarray(np.tri(len(marks), k=-1))
        self.rest = marks.mark - marks.line @ np.array([LINE_START, LINE_SLOPE])

    def value(self, ln: Array) -> tuple[float, Array]:
        """Return the logarithm of the likelihood and its gradient over logarithms (13,)."""
        from scipy.linalg.lapack import dpotrf, dpotri

        sd = dict(zip(NAMES, np.exp(ln), strict=True))
        near = alike(self.squared, length=sd["length"])
        whole = self.fixed.copy()
        for name, matrix in self.linear.items():
            whole += sd[name] ** 2 * matrix
        both = sd["smooth"] ** 2 + sd["own"] ** 2 * self.own
        whole += both * near
        rows = np.arange(len(whole))
        whole[rows, rows] += sd["noise"] ** 2 * self.noise
        factor, failed = dpotrf(whole.T, lower=1, overwrite_a=1)
        if failed:
            return -np.inf, np.zeros(len(ln))
        log_det = 2 * float(np.log(np.diag(factor)).sum())
        lower, _ = dpotri(factor, lower=1, overwrite_c=1)
        below = lower * self.below
        inverse = below + below.T
        inverse[rows, rows] = np.diag(lower)
        pull = inverse @ self.rest
        slope = np.outer(pull, pull) - inverse
        found = {name: sd[name] ** 2 * float(np.vdot(slope, matrix)) for name, matrix in self.linear.items()}
        shared = slope * near
        found["smooth"] = sd["smooth"] ** 2 * float(shared.sum())
        found["own"] = sd["own"] ** 2 * float(np.vdot(shared, self.own))
        found["length"] = 0.5 * float(np.vdot(shared * both, self.squared)) / sd["length"] ** 2
        found["noise"] = sd["noise"] ** 2 * float(np.diag(slope) @ self.noise)
        return -0.5 * (float(self.rest @ pull) + log_det), np.array([found[name] for name in NAMES])


def log_posterior(parts: Sequence[Parts], ln: Array) -> tuple[float, Array]:
    """Return the logarithm of likelihood times prior, and its gradient."""
    off = (ln - logarithms(PRIOR)) / widths()
    value, slope = -0.5 * float(off @ off), -off / widths()
    for part in parts:
        one, its = part.value(ln)
        value, slope = value + one, slope + its
    return value, slope


def fit_variances(weighed: Sequence[Weighed], start: Variances = PRIOR) -> Variances:
    """Return the likeliest variances for marks of several instruments together; the priors where there are no marks."""
    from scipy.optimize import minimize

    parts = [Parts(one) for one in weighed if len(one.marks)]
    if not parts:
        return PRIOR
    middle, width = logarithms(PRIOR), FARTHEST * widths()

    def downhill(ln: Array) -> tuple[float, Array]:
        value, slope = log_posterior(parts, ln)
        return -value, -slope

    found = minimize(
        downhill,
        logarithms(start),
        jac=True,
        method="L-BFGS-B",
        bounds=list(zip(middle - width, middle + width, strict=True)),
        options={"maxiter": ROUNDS, "gtol": STOP, "ftol": 1e-13},
    )
    return from_logarithms(np.asarray(found.x))
