"""A gauge study in which cells are missing or read unequally often: the same components of variance by restricted maximum likelihood.

Model: reading = piece + person + piece:person + touch, all but the mean random (Patterson and Thompson 1971, from memory; statsmodels'
mixed model fits it). The interaction is pooled with the touch where its likelihood ratio is not significant at 0.25. Intervals: each
variance has the degrees of freedom that its expected information gives it (Satterthwaite 1946), from the REML information
``tr(P V_i P V_j) / 2`` at the estimate.
"""

from __future__ import annotations

import warnings
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
    ranges = _ranges(y, parts, variances)
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


def _codes(names: Sequence[str]) -> NDArray[np.intp]:
    places = {name: place for place, name in enumerate(dict.fromkeys(names))}
    return np.array([places[name] for name in names])


def _fit(y: Array, parts: dict[str, NDArray[np.intp]]) -> tuple[dict[str, float], float]:
    """Return the variances by REML, the touch among them, and the restricted log-likelihood."""
    from statsmodels.regression.mixed_linear_model import MixedLM, VCSpec

    names = list(parts)
    designs = [np.eye(int(codes.max()) + 1)[codes] for codes in parts.values()]
    spec = VCSpec(
        names,
        [[[f"{name}{column}" for column in range(design.shape[1])]] for name, design in zip(names, designs, strict=True)],
        [[design] for design in designs],
    )
    scale = float(y.std()) or 1.0
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # a variance at 0 is told as a warning; it is an answer here
        model = MixedLM((y - y.mean()) / scale, np.ones((len(y), 1)), groups=np.zeros(len(y)), exog_vc=spec)
        found = model.fit(reml=True, method=["lbfgs", "powell"])
    variances = {name: float(value) * scale**2 for name, value in zip(names, found.vcomp, strict=True)}
    return {**variances, "touch": float(found.scale) * scale**2}, float(found.llf)


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
