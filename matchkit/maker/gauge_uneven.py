"""A gauge study in which cells are missing or read unequally often: the same components of variance by restricted maximum likelihood.

Model: reading = piece + person + piece:person + touch, all but the mean random (Patterson and Thompson 1971, from memory; statsmodels'
mixed model is what the tests hold it to, as its search can stop early). The interaction is pooled with the touch where its likelihood ratio is not significant at 0.25. Intervals: each
variance has the degrees of freedom that its expected information gives it (Satterthwaite 1946), from the REML information
``tr(P V_i P V_j) / 2`` at the estimate.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from matchkit.errors import DataError, Problem
from matchkit.maker.gauge import POOLING_LEVEL, GaugeStudy, Range, assembled
from matchkit.records.study import StudyReading

Array = NDArray[np.float64]


def uneven_study(readings: Sequence[StudyReading], *, source: str, unit: str, tolerance: float | None = None) -> GaugeStudy:
    """Analyse readings of one quantity that are not balanced.

    Raises DataError where there are fewer than two pieces, or nothing was read twice.
    """
    y = np.array([reading.reading_mm for reading in readings])
    pieces = _codes([reading.piece for reading in readings])
    people = _codes([reading.operator for reading in readings])
    cells = _codes([f"{reading.piece}\t{reading.operator}" for reading in readings])
    if pieces.max() < 1 or cells.max() + 1 == len(y):
        read = f"{pieces.max() + 1} pieces, {cells.max() + 1} cells, {len(y)} readings"
        raise DataError([Problem(source, None, None, read, "two pieces or more, some of them read twice by one person")])
    exact = not any(np.ptp(y[cells == cell]) > 0 for cell in range(int(cells.max()) + 1))
    if exact:  # every repeat the same: a touch of nothing has no likelihood
        y = y + _nothing(y, cells)
    parts = {"piece": pieces, **({"person": people, "cross": cells} if people.max() else {})}
    variances, likelihood = _fit(y, parts)
    pooled = "cross" in parts
    if pooled:
        from scipy.stats import chi2

        plain = {name: codes for name, codes in parts.items() if name != "cross"}
        without, less = _fit(y, plain)
        chance = 0.5 * float(chi2.sf(max(2 * (likelihood - less), 0.0), 1))  # 0 is the edge of what a variance may be
        pooled = chance > POOLING_LEVEL
        if pooled:
            variances, parts = without, plain
    ranges = {} if exact else _ranges(y, parts, variances)
    if exact:
        variances["touch"] = 0.0
    return assembled(
        readings=y,
        shape=(int(pieces.max()) + 1, int(people.max()) + 1, round(len(y) / (int(cells.max()) + 1))),
        quantity=readings[0].quantity,
        unit=unit,
        method="restricted maximum likelihood",
        pooled=pooled,
        table=(),
        variances=variances,
        degrees=len(y) - int(cells.max()) - 1,
        ranges=ranges,
        tolerance=tolerance,
        one_person=people.max() == 0,
    )


def _nothing(y: Array, cells: NDArray[np.intp]) -> Array:
    """Return a spread within cells far below any that matters (n,), for a study whose repeats are all the same."""
    size = 1e-5 * (float(y.std()) or 1.0)
    turns = np.zeros(len(y))
    for cell in range(int(cells.max()) + 1):
        mine = np.flatnonzero(cells == cell)
        turns[mine] = np.arange(len(mine)) - (len(mine) - 1) / 2
    return np.asarray(size * turns)


def _codes(names: Sequence[str]) -> NDArray[np.intp]:
    places = {name: place for place, name in enumerate(dict.fromkeys(names))}
    return np.array([places[name] for name in names])


_FLOOR, _CEILING = -18.0, 26.0
"""Bounds of the logarithm of a variance over that of the touch; at the lower one it is 0."""
_STARTS = (-4.0, 0.0, 4.0, 12.0, 20.0)


def _fit(y: Array, parts: dict[str, NDArray[np.intp]]) -> tuple[dict[str, float], float]:
    """Return the variances by REML, the touch among them, and the restricted log-likelihood, maximised from several starts.

    The touch is profiled out, so what is sought are the variances over it, in logarithms; one that ends at the lower bound is 0.
    """
    from scipy.optimize import minimize

    count = len(y)
    kernels = [(codes[:, None] == codes[None, :]).astype(float) for codes in parts.values()]
    scale = float(y.std()) or 1.0
    z = (y - y.mean()) / scale
    identity = np.eye(count)

    def parted(logs: Array) -> tuple[float, float]:
        """Return minus twice the restricted log-likelihood, and the touch's variance."""
        whole = identity + sum(np.exp(log) * kernel for log, kernel in zip(logs, kernels, strict=True))
        factor = np.linalg.cholesky(whole)
        both = np.linalg.solve(factor, np.column_stack([np.ones(count), z]))
        ones, data = both.T
        left = data - ones * (ones @ data) / (ones @ ones)
        touch = max(float(left @ left) / (count - 1), 1e-300)
        logdet = 2 * float(np.log(np.diag(factor)).sum())
        return (count - 1) * np.log(touch) + logdet + float(np.log(ones @ ones)) + count - 1, touch

    bounds = [(_FLOOR, _CEILING)] * len(parts)

    def sought(logs: Array) -> float:
        return parted(logs)[0]

    found = [
        minimize(
            sought,
            np.full(len(parts), start),
            bounds=bounds,
            method="L-BFGS-B",
            options={"ftol": 1e-13, "gtol": 1e-9, "maxiter": 500},
        )
        for start in _STARTS
    ]
    best = min(found, key=lambda one: float(one.fun))
    best = minimize(
        sought,
        best.x,
        bounds=bounds,
        method="Nelder-Mead",
        options={"xatol": 1e-7, "fatol": 1e-10, "maxiter": 4000},
    )
    deviance, touch = parted(best.x)
    ratios = [0.0 if log < _FLOOR + 1 else float(np.exp(log)) for log in best.x]
    variances = {name: ratio * touch * scale**2 for name, ratio in zip(parts, ratios, strict=True)}
    return {**variances, "touch": touch * scale**2}, -deviance / 2


def _ranges(y: Array, parts: dict[str, NDArray[np.intp]], variances: dict[str, float]) -> dict[str, Range]:
    """Return the 95 % interval of each standard deviation, and of the gauge's."""
    from scipy.stats import chi2

    kept = [name for name, value in variances.items() if value > 1e-9 * max(variances.values()) or name == "touch"]
    kernels = []
    for name in kept:
        codes = np.arange(len(y)) if name == "touch" else parts[name]
        kernels.append((codes[:, None] == codes[None, :]).astype(float))
    whole = sum(variances[name] * kernel for name, kernel in zip(kept, kernels, strict=True))
    inverse = np.linalg.inv(whole)
    ones = inverse.sum(axis=1, keepdims=True)
    project = inverse - ones @ ones.T / ones.sum()
    moved = [project @ kernel for kernel in kernels]
    information = 0.5 * np.array([[float((one * other.T).sum()) for other in moved] for one in moved])
    covariance = np.linalg.pinv(information)

    def interval(weights: Array) -> Range:
        value = float(weights @ [variances[name] for name in kept])
        spread = float(weights @ covariance @ weights)
        degrees = max(2 * value**2 / spread, 0.5) if spread > 0 else 1e6
        low, high = (float(np.sqrt(value * degrees / chi2.ppf(share, degrees))) for share in (0.975, 0.025))
        return Range(low, high)

    found = {name: interval(np.eye(len(kept))[place]) for place, name in enumerate(kept)}
    of_gauge = np.array([float(name != "piece") for name in kept])
    of_people = np.array([float(name in ("person", "cross")) for name in kept])
    found["gauge"] = interval(of_gauge)
    if of_people.any():
        found["people"] = interval(of_people)
    return found
