"""The same contact problem by an independent way, to check the production solver against.

Dense flexibility matrix C over the same nodes, and the dual problem ``min 1/2 f'Cf + f'g`` over forces ``f >= 0`` as
non-negative least squares (Lawson and Hanson 1974, as scipy's ``nnls``) through a Cholesky factor of C. It shares with the
production solver the sampled second moment, and nothing of the method.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from matchkit.errors import ContactError
from matchkit.physics.beams import pressure_moment, quadrature_places_m, spread_force_moment

Array = NDArray[np.float64]

_GAUSS_X, _GAUSS_W = np.polynomial.legendre.leggauss(3)


class DenseBeam:
    """One clamped reed over its lay, per unit modulus, as a dense flexibility matrix (tip first, the clamp left out)."""

    def __init__(
        self,
        *,
        nodes_m: Array,
        lay_m: Array,
        second_moment_m4: Array,
        width_m: float,
        lip_m: float,
        lip_spread_m: float,
    ) -> None:
        from scipy.linalg import cholesky

        places = np.asarray(nodes_m)
        inner = quadrature_places_m(places[None])
        s = inner.ravel()
        weight = np.repeat(-np.diff(places) / 2, len(_GAUSS_W)) * np.tile(_GAUSS_W, len(places) - 1) / second_moment_m4.ravel()
        self.x_m = places[:0:-1]
        self.lay_m = np.asarray(lay_m)[:0:-1]
        arm = np.maximum(s - self.x_m[:, None], 0.0)
        self.flexibility = (arm * weight) @ arm.T
        self.root = cholesky(self.flexibility, lower=True)
        self.by_pressure = arm @ (weight * pressure_moment(inner, width_m=np.array([width_m])).ravel())
        lip = spread_force_moment(inner, centre_m=np.array([lip_m]), spread_m=lip_spread_m).ravel()
        self.by_force = arm @ (weight * lip)

    def solve(self, *, pressure_per_modulus: float, force_per_modulus_m2: float = 0.0) -> tuple[Array, Array]:
        """Return gap and contact force at the nodes, tip first; raises ContactError where they miss their conditions."""
        from scipy.linalg import solve_triangular
        from scipy.optimize import nnls

        free = self.lay_m - pressure_per_modulus * self.by_pressure - force_per_modulus_m2 * self.by_force
        force, _ = nnls(self.root.T, -solve_triangular(self.root, free, lower=True))
        gap = free + self.flexibility @ force
        limit = 1e-6 * max(float(self.lay_m.max()), float(np.abs(free).max()))
        if gap.min() < -limit or np.abs(gap[force > 0]).max(initial=0.0) > limit:
            raise ContactError("the non-negative least squares solution misses its conditions")
        return gap, np.asarray(force)
