"""A gauge study in which cells are missing or read unequally often: the same components of variance by restricted maximum likelihood.

Model: reading = piece + person + piece:person + touch, all but the mean random (Patterson and Thompson 1971, from memory; statsmodels'
mixed model is what the tests hold it to, as its search can stop early). The interaction is pooled with the touch where its likelihood ratio is not significant at 0.25. Intervals: the
variances of pieces, people and their interaction by turning round the test on the sums over their levels (:func:`_by_levels`); the touch by the degrees of
freedom of its expected information (Satterthwaite 1946), ``tr(P V_i P V_j) / 2`` at the estimate.
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
        shape=(int(pieces.max()) + 1, int(people.max()) + 1, int(np.bincount(cells).max())),
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


DRAWN = 20_000
SEED = 20265


def _ranges(y: Array, parts: dict[str, NDArray[np.intp]], variances: dict[str, float]) -> dict[str, Range]:
    """Return the 95 % interval of each standard deviation, and of the gauge's and of the people's, which are sums of variances."""
    ends = {name: _by_levels(y, parts, variances, name) for name in parts}
    ends["touch"] = _of_touch(y, parts, variances)
    ends["gauge"] = _of_sum([name for name in variances if name != "piece"], variances, ends)
    if "person" in parts:
        of_people = [name for name in ("person", "cross") if name in parts]
        least = sum(ends[name][0] for name in of_people)  # 0 where neither is surely above it
        ends["people"] = least, _of_sum(of_people, variances, ends)[1]
    return {
        name: Range(*(float(np.sqrt(end)) for end in both)) for name, both in ends.items() if name not in ("person", "cross")
    }


def _covariance(parts: dict[str, NDArray[np.intp]], variances: dict[str, float], count: int) -> Array:
    """Return the covariance of readings (n, n) that their parts and the touch make."""
    whole = variances["touch"] * np.eye(count)
    for name, codes in parts.items():
        whole += variances[name] * (codes[:, None] == codes[None, :])
    return np.asarray(whole)


def _whitened(y: Array, parts: dict[str, NDArray[np.intp]], variances: dict[str, float]) -> Array:
    """Return the inverse of the covariance of readings without their mean (n, n), the P of REML."""
    inverse = np.linalg.inv(_covariance(parts, variances, len(y)))
    ones = inverse.sum(axis=1, keepdims=True)
    return np.asarray(inverse - ones @ ones.T / ones.sum())


def _by_levels(y: Array, parts: dict[str, NDArray[np.intp]], variances: dict[str, float], name: str) -> tuple[float, float]:
    """Return the ends between which a variance lies, the others being what they are estimated at.

    The sums over its levels of what is left, ``Z' P y``, have a covariance that grows with the variance; their sum of squares is a sum of chi-squared
    variables with its eigenvalues as weights. The ends are where the sum that was read would be as small, or as large, in 2.5 of 100 studies; the lower
    one is 0 where a variance of nothing would do. For the upper end levels count as no more alike than those of nothing are in the middle.
    """
    from scipy.optimize import brentq

    project = _whitened(y, parts, variances)
    levels = np.eye(int(parts[name].max()) + 1)[parts[name]]
    sums = levels.T @ project @ y
    read = float(sums @ sums)
    own = levels.T @ project @ levels
    rest = _covariance(parts, {**variances, name: 0.0}, len(y))
    beside = levels.T @ project @ rest @ project @ levels
    squares = np.random.default_rng(SEED).standard_normal((DRAWN, len(own))) ** 2

    def drawn(variance: float) -> Array:
        return np.asarray(squares @ np.maximum(np.linalg.eigvalsh(beside + variance * own @ own), 0.0))

    most = 1e8 * (float(y.var()) + variances["touch"])

    def end(share: float, sum_of_squares: float) -> float:
        def above(log: float) -> float:
            return float(np.mean(drawn(float(np.exp(log))) <= sum_of_squares)) - share

        least = float(np.log(1e-9 * variances["touch"]))
        return float(np.exp(brentq(above, least, np.log(most), xtol=1e-4))) if above(least) > 0 else 0.0

    # levels more alike than chance makes them say no more than usual ones do
    return end(0.975, read), end(0.025, max(read, float(np.median(drawn(0.0)))))


def _of_touch(y: Array, parts: dict[str, NDArray[np.intp]], variances: dict[str, float]) -> tuple[float, float]:
    """Return the ends between which the variance of a touch lies, with the degrees of freedom of its expected information."""
    from scipy.stats import chi2

    kept = [name for name in parts if variances[name] > 1e-9 * max(variances.values())]
    kernels = [(parts[name][:, None] == parts[name][None, :]).astype(float) for name in kept]
    project = _whitened(y, parts, variances)
    moved = [project @ kernel for kernel in (*kernels, np.eye(len(y)))]
    information = 0.5 * np.array([[float((one * other.T).sum()) for other in moved] for one in moved])
    value = variances["touch"]
    degrees = 2 * value**2 / float(np.linalg.pinv(information)[-1, -1])
    return value * degrees / float(chi2.ppf(0.975, degrees)), value * degrees / float(chi2.ppf(0.025, degrees))


def _of_sum(names: Sequence[str], variances: dict[str, float], ends: dict[str, tuple[float, float]]) -> tuple[float, float]:
    """Return the ends of a sum of variances from those of each (Graybill and Wang 1980, from memory): distances from the estimates add as squares."""
    total = sum(variances[name] for name in names)
    down = float(np.sqrt(sum(max(variances[name] - ends[name][0], 0.0) ** 2 for name in names)))
    up = float(np.sqrt(sum(max(ends[name][1] - variances[name], 0.0) ** 2 for name in names)))
    return max(total - down, 0.0), total + up
