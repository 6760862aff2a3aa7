"""Very many marks of one instrument together: ``(K + noise) a = r`` without writing the covariance out.

The smooth part goes through 256 centres (a sparse approximation that keeps every variance: Quinonero-Candela and Rasmussen 2005, from
memory). What is left is noise, blocks of set-ups played again, and a few columns (centres and levels), whose inverse is known in closed form
(Woodbury; Golub and Van Loan, from memory). Conjugate gradients, led by it, solve what does not fit into those columns.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from matchkit.learn.kriging.covariance import Coded, alike, squared_between
from matchkit.learn.kriging.likelihood import Weighed
from matchkit.learn.kriging.variances import GROUPED, Variances

Array = NDArray[np.float64]

CENTRES = 256
MOST_COLUMNS = 2500
"""Levels that are solved in closed form; parts with more of them (sittings of years) are left to the conjugate gradients, largest first."""
SOLVED = 1e-11
"""Conjugate gradients stop where what is left is so small a part of what was asked."""
MOST_STEPS = 500


class Centred:
    """A system whose smooth part goes through centres, chosen by a fixed seed."""

    def __init__(self, weighed: Weighed, variances: Variances, *, centres: int = CENTRES) -> None:
        from scipy.linalg import cholesky, solve_triangular
        from scipy.sparse import hstack

        marks = weighed.marks
        self.marks, self.variances = marks, variances
        self.noise = weighed.noise(variances)
        self.wider = weighed.wider
        chosen = np.sort(np.random.default_rng(0).choice(len(marks), min(centres, len(marks)), replace=False))
        middle = marks.take(chosen)
        between = self._near(middle, middle) + 1e-9 * np.eye(len(middle))
        corner = cholesky(between, lower=True)
        self._root = np.ascontiguousarray(solve_triangular(corner, self._near(middle, marks), lower=True).T)
        total = variances.smooth**2 + variances.own**2
        self._diagonal = self.noise + np.maximum(total - (self._root**2).sum(axis=1), 0.0)
        self._parts = self._level_columns()
        self._levels: Any = hstack(self._parts, format="csr")
        self._setups = self._columns("setup", np.full(len(marks), variances.setup))
        self._lead = _Lead(self._diagonal, self._root, self._parts, self._setups)

    def _near(self, one: Coded, other: Coded) -> Array:
        own = one.codes["player"][:, None] == other.codes["player"][None, :]
        squared = squared_between(one.features, other.features)
        v = self.variances
        return np.asarray(alike(squared, length=v.length) * (v.smooth**2 + v.own**2 * own))

    def _columns(self, part: str, value: Array) -> Any:
        """Return a column for each level of a part (n, levels), sparse, with the values (n,) of the marks that have it."""
        from scipy.sparse import csr_matrix

        code = self.marks.codes[part]
        return csr_matrix((value, code, np.arange(len(code) + 1)), shape=(len(code), int(code.max()) + 1))

    def _level_columns(self) -> list[Any]:
        v = self.variances
        found = [self._columns("player", v.player * np.sqrt(self.wider))]
        found += [self._columns("player", v.slope * column) for column in self.marks.slopes.T]
        for part in GROUPED:
            if part not in ("player", "setup"):
                found.append(self._columns(part, np.full(len(self.marks), getattr(v, part))))
        return found

    def levels(self, pull: Array) -> Array:
        """Return ``K_levels pull`` for columns (n, c)."""
        return np.asarray(self._levels @ (self._levels.T @ pull))

    @property
    def precision(self) -> Array:
        """The diagonal of the inverse (n,), as if levels and centres were known; what is known of them makes it a little smaller."""
        return self._lead.precision

    def _times(self, pull: Array) -> Array:
        found = self._diagonal[:, None] * pull + self._root @ (self._root.T @ pull) + self.levels(pull)
        return np.asarray(found + self._setups @ (self._setups.T @ pull))

    def solve(self, right: Array) -> Array:
        """Return ``(K + noise)^-1 right`` for columns (n, c), each by its own conjugate gradients, all side by side."""
        found, left = np.zeros(right.shape), right.astype(float)
        scaled = self._lead.solve(left)
        step, inner = scaled, (left * scaled).sum(axis=0)
        goal = SOLVED**2 * np.maximum(inner, 1e-300)
        for _ in range(MOST_STEPS):
            if np.all(inner <= goal):
                break
            ahead = self._times(step)
            bent = (step * ahead).sum(axis=0)
            share = np.divide(inner, bent, out=np.zeros_like(inner), where=bent > 0)
            found += share * step
            left -= share * ahead
            scaled = self._lead.solve(left)
            new = (left * scaled).sum(axis=0)
            step = scaled + np.divide(new, inner, out=np.zeros_like(inner), where=inner > 0) * step
            inner = new
        return found


class _Lead:
    """The closed-form inverse of ``diagonal + set-ups + V V'``: ``V`` holds the centres and as many levels as there is room for."""

    def __init__(self, diagonal: Array, root: Array, parts: list[Any], setups: Any) -> None:
        from scipy.linalg import cho_factor
        from scipy.sparse import diags, hstack

        kept, diagonal = [], diagonal.copy()
        room = MOST_COLUMNS
        for part in sorted(parts, key=lambda part: int(part.shape[1])):
            shared = np.diff(part.tocsc().indptr) > 1
            if shared.sum() > room:
                shared[:] = False
            room -= int(shared.sum())
            kept.append(part[:, shared])
            diagonal += np.asarray(part[:, ~shared].power(2).sum(axis=1))[:, 0]  # alone, a level is noise
        self._inverse, self._setups, self._root = 1 / diagonal, setups, root
        self._levels: Any = hstack(kept, format="csr")
        weight = np.asarray(setups.power(2).multiply(self._inverse[:, None]).sum(axis=0))[0]
        self._weight = 1 / (1 + weight)
        near = self._block(root)
        scaled = diags(self._inverse) @ self._levels
        again = setups.T @ scaled
        corner = (self._levels.T @ scaled - again.T @ (diags(self._weight) @ again)).toarray()
        across = self._levels.T @ near
        whole = np.block([[root.T @ near, across.T], [across, corner]])
        rows = np.arange(len(whole))
        whole[rows, rows] += 1
        self._factor = cho_factor(whole, lower=True, overwrite_a=True)

    @property
    def precision(self) -> Array:
        """The diagonal of the inverse of noise and set-ups (n,)."""
        again = np.asarray(self._setups.power(2) @ self._weight)
        return np.asarray(self._inverse - self._inverse**2 * again)

    def _block(self, right: Array) -> Array:
        """Divide by noise and set-ups played again."""
        found = self._inverse[:, None] * right
        again = self._weight[:, None] * (self._setups.T @ found)
        return np.asarray(found - self._inverse[:, None] * (self._setups @ again))

    def solve(self, right: Array) -> Array:
        """Return the closed form times columns (n, c)."""
        from scipy.linalg import cho_solve

        found = self._block(right)
        share = cho_solve(self._factor, np.vstack([self._root.T @ found, self._levels.T @ found]))
        centres = self._root.shape[1]
        return np.asarray(found - self._block(self._root @ share[:centres] + self._levels @ share[centres:]))
