"""Physics and playtests together: the mark to expect from the measurements, and what the marks add to it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from matchkit.learn.fitted import Fitted
from matchkit.learn.interval import KINDS, NORMAL, Interval, Kind, fit_interval
from matchkit.learn.kriging.covariance import Coded
from matchkit.learn.kriging.fit import Line, Settled, held_out, learn_variances, settle, solve_all
from matchkit.learn.kriging.likelihood import Weighed
from matchkit.learn.kriging.variances import LINE_SLOPE, LINE_START, PRIOR, U_LINE_SLOPE, U_LINE_START, Variances
from matchkit.learn.marks import RatedTests
from matchkit.learn.threads import one_thread
from matchkit.score.target import Aims

Array = NDArray[np.float64]
Index = NDArray[np.intp]

PRIOR_LINE = Line(LINE_START, LINE_SLOPE, np.diag([U_LINE_START**2, U_LINE_SLOPE**2]))


@dataclass(frozen=True)
class Blend:
    """A fitted model: the line, the marks of each instrument solved, how wide its intervals are, and what was aimed at.

    ``aims`` are the middles that players without a set-up are scored against, by instrument; the same in training and in ranking.
    """

    variances: Variances = PRIOR
    line: Line = PRIOR_LINE
    by_instrument: Mapping[str, Fitted] = field(default_factory=dict)
    intervals: Mapping[Kind, Interval] = field(default_factory=dict)
    aims: Aims = field(default_factory=dict)
    learned: bool = False
    """Whether variances were learned from marks; otherwise they are the priors."""

    @property
    def tests(self) -> int:
        """How many playtests it was fitted to."""
        return sum(len(known.tests) for known in self.by_instrument.values())

    def computed(self, overall_d: Array) -> Array:
        """Return the mark that the measurements alone let expect (N,)."""
        return np.asarray(self.line.intercept + self.line.slope * overall_d)

    def kind(self, instrument: str, player: str | None, mouthpiece: str) -> Kind:
        """Return what kind of question a set-up is for a player."""
        known = self.by_instrument.get(instrument)
        if known is None or known.code("player", player) < 0:
            return "new player"
        return "new mouthpiece" if known.code("mouthpiece", mouthpiece) < 0 else "new pair"

    def interval(self, kind: Kind) -> Interval:
        """Return the interval for a kind of question; the model's own where nothing was left out."""
        return self.intervals.get(kind, Interval(NORMAL, 0))

    def with_marks(self, tests: RatedTests) -> Blend:
        """Return the model with these marks in the place of its own, at its variances; what it found of a mark it knows stays as it was.

        Equal to solving anew with the same variances and the same trust in each mark. Intervals stay.
        """
        marks_of = dict(zip(tests.ids, zip(tests.setups, tests.rating.tolist(), strict=True), strict=True))
        known: dict[str, float] = {}
        players: dict[str, float] = {}
        for fitted in self.by_instrument.values():
            its = fitted.tests
            players.update(zip(its.players, fitted.weighed.wider.tolist(), strict=True))
            rows = list(zip(its.ids, its.setups, its.rating.tolist(), fitted.weighed.odd.tolist(), strict=True))
            gone = {setup for name, setup, mark, _ in rows if marks_of.get(name) != (setup, mark)}
            known |= {name: odd for name, setup, _, odd in rows if setup not in gone}  # what stood by another is judged anew
        parts = {name: tests.take(mine) for name, mine in tests.by_instrument().items()}
        marks = {name: part.coded() for name, part in parts.items()}
        weighed, fresh = [], False
        for name, part in parts.items():
            odd = np.array([known.get(test, 1.0) for test in part.ids])
            fresh = fresh or any(test not in known for test in part.ids)
            wider = np.array([players.get(player, 1.0) for player in part.players])
            weighed.append(Weighed(marks[name], odd, wider))
        if fresh:
            weighed = _judge_new(weighed, list(parts.values()), set(known), self.variances)
        with one_thread():
            line, settled = solve_all(weighed, self.variances)
        return replace(self, line=line, by_instrument=_fitted(parts, self.variances, line, settled))


def _judge_new(weighed: Sequence[Weighed], tests: Sequence[RatedTests], known: set[str], variances: Variances) -> list[Weighed]:
    """Judge the marks that a model does not know yet, and those of the same player on the same set-up."""
    from matchkit.learn.kriging.fit import judge

    found = []
    for one, other, part in zip(weighed, judge(weighed, variances), tests, strict=True):
        again = {setup for setup, test in zip(part.setups, part.ids, strict=True) if test not in known}
        fresh = np.array([setup in again for setup in part.setups], dtype=bool)
        players = {player for player, test in zip(part.players, part.ids, strict=True) if test not in known}
        moved = np.array([player in players for player in part.players], dtype=bool)
        new_player = moved & (one.wider == 1.0)
        found.append(replace(one, odd=np.where(fresh, other.odd, one.odd), wider=np.where(new_player, other.wider, one.wider)))
    return found


def _fitted(parts: Mapping[str, RatedTests], variances: Variances, line: Line, settled: Sequence[Settled]) -> dict[str, Fitted]:
    pairs = zip(parts.items(), settled, strict=True)
    return {name: Fitted(tests, variances, line, one) for (name, tests), one in pairs}


def fit_blend(
    tests: RatedTests, variances: Variances | None = PRIOR, *, aims: Aims | None = None, bounds: bool = True
) -> Blend:
    """Fit the whole model at given variances, or at those that the marks themselves tell where they are None.

    With no playtests it is what the measurements say, on the prior line. ``bounds`` says whether intervals are fitted too.
    """
    parts = {name: tests.take(rows) for name, rows in tests.by_instrument().items()}
    marks: list[Coded] = [part.coded() for part in parts.values()]
    learned = variances is None
    with one_thread(with_scipy=variances is None):
        found = learn_variances(marks) if variances is None else variances
        line, settled = settle(marks, found) if marks else (PRIOR_LINE, [])
        blend = Blend(found, line, _fitted(parts, found, line, settled), {}, aims or {}, learned)
        return replace(blend, intervals=fit_intervals(blend)) if bounds else blend


def from_numbers(
    tests: RatedTests,
    variances: Variances,
    *,
    line: tuple[float, float, Array],
    marks: Mapping[str, Mapping[str, Array]],
    intervals: Mapping[Kind, Interval],
    aims: Aims,
    learned: bool,
) -> Blend:
    """Return a model from what was kept of it: line and its covariance, and ``pull``, ``odd`` and ``wider`` of each instrument's marks (n,).

    Raises ValueError where these do not fit the tests, or are not finite.
    """
    parts = {name: tests.take(rows) for name, rows in tests.by_instrument().items()}
    start, slope, covariance = line
    if covariance.shape != (2, 2) or not np.all(np.isfinite([start, slope, *covariance.ravel()])):
        raise ValueError("a line that is not finite")
    kept_line = Line(start, slope, covariance)
    fitted = {}
    for name, part in parts.items():
        pull, odd, wider = (np.asarray(marks[name][key], dtype=float) for key in ("pull", "odd", "wider"))
        if any(array.shape != (len(part),) or not np.all(np.isfinite(array)) for array in (pull, odd, wider)):
            raise ValueError(f"the marks on {name} are not those of the tests")
        if np.any(odd < 1) or np.any(wider <= 0):
            raise ValueError(f"marks on {name} that count more than one")
        fitted[name] = Fitted(part, variances, kept_line, Settled(Weighed(part.coded(), odd, wider), pull))
    return Blend(variances, kept_line, fitted, dict(intervals), aims, learned)


def fit_intervals(blend: Blend) -> dict[Kind, Interval]:
    """Fit the intervals: players, mouthpieces and sittings left out one at a time, over what the model expects to miss."""
    scaled: dict[Kind, list[float]] = {kind: [] for kind in KINDS}
    units: dict[Kind, list[str]] = {kind: [] for kind in KINDS}
    for known in blend.by_instrument.values():
        some, system = known.sample, known.dense
        for kind in KINDS:
            for unit, rows, out in _units(some.tests, kind):
                missed, covariance = held_out(system, blend.line, out)
                mine = np.isin(out, rows)
                marks = out[mine]
                variance = np.diag(covariance)[mine] - system.noise[marks] + blend.variances.noise**2 / some.marks.trust[marks]
                if kind == "new player":
                    variance = variance + blend.variances.player**2 * (1 - some.weighed.wider[marks])
                scaled[kind] += (missed[mine] / np.sqrt(np.maximum(variance, 1e-9))).tolist()
                units[kind] += [unit] * len(marks)
    return {kind: fit_interval(np.array(scaled[kind]), units[kind]) for kind in KINDS}


def _units(tests: RatedTests, kind: Kind) -> list[tuple[str, Index, Index]]:
    """Return what is left out for a kind of question: its name, its marks, and these with all that share a session with them."""
    names = {"new player": tests.players, "new mouthpiece": tests.mouthpieces, "new pair": tests.sittings}[kind]
    sessions = np.array([session or f"\t{row}" for row, session in enumerate(tests.sessions)], dtype=np.str_)
    keys = np.array([name or f"\t{row}" for row, name in enumerate(names)], dtype=np.str_)
    found = []
    for name in np.unique(keys):
        rows = np.flatnonzero(keys == name)
        out = np.flatnonzero(np.isin(sessions, sessions[rows]) | (keys == name))
        found.append((f"{tests.instruments[0]}\t{name}", rows, out))
    return found
