"""The same answer on every machine, shown by nudging: inputs, and the matrices inside the fits, disturbed in their last digits.

Kernels of linear algebra differ from processor to processor in their last bits, about a part in 1e16 an operation. Here everything is disturbed
by a few parts in 1e13, and answers must not notice: the same rows in the same order, the same settings chosen, printed numbers within one
unit of their last digit, all numbers to 1e-8. Nothing is set about a machine's own kernels.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import replace
from functools import partial
from importlib import import_module
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import scipy.optimize
from click.testing import CliRunner
from printed import hold_printed

import matchkit as mk
from matchkit.cli import PLACES, main
from matchkit.cli.printing import show
from matchkit.files import shipped
from matchkit.learn.blend import fit_blend
from matchkit.records.parts import FacingReading
from matchkit.records.quantity import Record
from matchkit.tables.rest import Rest
from matchkit.tables.source import Tables
from matchkit.tables.store import read_tables

NUDGE = 3e-13
RELATIVE = 1e-8
"""Numbers agree to this, of themselves or, where they are differences about nothing, of a hundredth of their unit."""
NOTHING = 1e-2

COMMANDS: dict[str, tuple[str, ...]] = {
    "rank": ("rank", "P02", "--top", "20"),
    "rank, alike": ("rank", "P05", "--wish", "freer", "--alike"),
    "rank, a stranger": ("rank", "--instrument", "tenor", "--now-mouthpiece", "2.5mm", "--now-reed", "2.5", "--top", "10"),
    "explain": ("explain", "AM-06", "AR-D-2", "L-07", "--player", "P02"),
    "strengths": ("strengths", "AM-05", "--player", "P02"),
    "swap": ("swap", "P02", "--mouthpiece", "AM-08"),
    "closing": ("closing", "TM-01", "TR-A-2.5"),
    "facing, an ellipse at its limit": ("facing", "CM-03"),
    "facing, a short rail": ("facing", "AM-07"),
    "gauge": ("gauge",),
    "analyse": ("analyse",),
    "next": ("next", "P02"),
    "reface, the drawing": ("reface", "TB-25-07", "--to", "drawing"),
    "reface, a tip": ("reface", "AM-07", "--tip", "2.1"),
    "batch": ("batch",),
    "evaluate": ("evaluate", "--quick"),
}
QUICK = ("rank", "rank, alike", "closing", "facing, an ellipse at its limit", "facing, a short rail", "swap", "analyse")


def _nudged_record(record: Record, rng: np.random.Generator, feelers: dict[float, float]) -> Record:
    moved = {name: value * (1 + NUDGE * rng.standard_normal()) for name, value in record if isinstance(value, float)}
    if isinstance(record, FacingReading):  # one feeler is as thick wherever it is used
        moved["feeler_mm"] = feelers.setdefault(record.feeler_mm, moved["feeler_mm"])
    return record.model_copy(update=moved)


def _nudged_tables(tables: Tables, rng: np.random.Generator) -> Tables:
    """Move every number that somebody measured; strengths and marks, which are read off a scale, stay."""
    measured = ("mouthpieces", "facings", "lay_points", "reed_profiles")
    feelers: dict[float, float] = {}
    moved: dict[str, Any] = {
        name: tuple(_nudged_record(record, rng, feelers) for record in getattr(tables, name)) for name in measured
    }
    return replace(tables, **moved)


INSIDE = ("qr", "solve", "inv", "pinv", "eigh", "lstsq")


@contextmanager
def nudged(seed: int | None) -> Iterator[Callable[[Tables], Tables]]:
    """Disturb the matrices that are given to the solvers of numpy and scipy; give what disturbs tables. Nothing for no seed."""
    if seed is None:
        yield lambda tables: tables
        return
    rng = np.random.default_rng(seed)

    def moved(array: Any) -> Any:
        found = np.asarray(array)
        return found * (1 + NUDGE * rng.standard_normal(found.shape)) if found.dtype.kind == "f" else array

    def around(function: Callable[..., Any], count: int) -> Callable[..., Any]:
        return lambda *given, **options: function(*(moved(item) for item in given[:count]), *given[count:], **options)

    def even(function: Callable[..., Any]) -> Callable[..., Any]:
        def call(matrix: Any, *given: Any, **options: Any) -> Any:
            found = moved(matrix)
            return function((found + np.swapaxes(found, -1, -2)) / 2, *given, **options)

        return call

    with pytest.MonkeyPatch.context() as patch:
        for name in INSIDE:
            function = getattr(np.linalg, name)
            patch.setattr(
                np.linalg, name, even(function) if name == "eigh" else around(function, 2 if name in ("solve", "lstsq") else 1)
            )
        for name in ("nnls", "lsq_linear"):
            patch.setattr(scipy.optimize, name, around(getattr(scipy.optimize, name), 2))
        yield lambda tables: _nudged_tables(tables, rng)


def _several(screen: Callable[..., Any], kept: list[Any], answers: Any, **options: Any) -> Any:
    kept.append({"studies": [answer.to_dict() for answer in answers]})
    return screen(answers, **options)


def answers(seed: int | None, names: tuple[str, ...]) -> tuple[dict[str, Any], dict[str, str], Any]:
    """Ask everything of the demo house, or of one that was disturbed: what answers hold, what they print, and the settings chosen."""
    found: dict[str, Any] = {}
    printed: dict[str, str] = {}
    with nudged(seed) as disturb, pytest.MonkeyPatch.context() as patch:
        tables = disturb(read_tables(shipped("data/demo")))
        house = mk.House(tables, demo=True)
        batch = disturb(read_tables(shipped("data/demo-bench/batch"), needed=("mouthpieces",)))
        patch.setattr("matchkit.maker.files.read_rest", lambda *_, **__: Rest(batch, {}, ()))
        patch.setattr("matchkit.house.opening.open_house", lambda *_, **__: house)
        patch.setattr("matchkit.open", lambda *_, **__: house)
        patch.setattr("matchkit.cli.options.open_data", lambda *_, **__: house)
        for name in names:
            kept: list[Any] = []

            def shown(answer: Any, *given: Any, kept: list[Any] = kept) -> None:
                kept.append(answer.to_dict())
                show(answer, *given)

            words = list(COMMANDS[name])
            folder = next(name for name, commands in PLACES.items() if words[0] in commands)
            module = import_module(f"matchkit.cli.{folder}.{words[0]}")
            with pytest.MonkeyPatch.context() as inner:
                if words[0] == "gauge":  # several answers on one screen
                    inner.setattr(module, "gauge_screen", partial(_several, module.gauge_screen, kept))
                else:
                    inner.setattr(module, "show", shown)
                if hasattr(module, "open_data"):
                    inner.setattr(module, "open_data", lambda *_, **__: house)
                result = CliRunner().invoke(main, words)
                assert result.exit_code in (0, 5), result.output
                (found[name],) = kept
                printed[name] = result.stdout
        chosen = vars(fit_blend(house.learner.rated_tests, None, bounds=False).variances)
        blend = house.learner.blend
        intervals = {kind: vars(interval) for kind, interval in blend.intervals.items()}
        found["model"] = {"intercept": blend.line.intercept, "slope": blend.line.slope, "intervals": intervals}
    return found, printed, chosen


def hold(one: Any, other: Any, place: str) -> None:
    """Hold two answers against each other: everything alike, numbers to 1e-8."""
    assert type(one) is type(other), place
    if isinstance(one, dict):
        assert list(one) == list(other), place
        for name in one:
            hold(one[name], other[name], f"{place}.{name}")
    elif isinstance(one, list | tuple):
        assert len(one) == len(other), place
        for number, (left, right) in enumerate(zip(one, other, strict=True)):
            hold(left, right, f"{place}[{number}]")
    elif isinstance(one, float):
        if np.isfinite(one) or np.isfinite(other):
            assert abs(one - other) <= RELATIVE * max(abs(one), abs(other), NOTHING), f"{place}: {one!r} and {other!r}"
    elif isinstance(one, str):
        hold_printed(one, other, place)
    else:
        assert one == other, place


@pytest.fixture(scope="module")
def undisturbed() -> tuple[dict[str, Any], dict[str, str], Any]:
    return answers(None, tuple(COMMANDS))


@pytest.fixture(scope="module")
def undisturbed_counter() -> tuple[dict[str, Any], dict[str, str], Any]:
    return answers(None, QUICK)


def check(seed: int, names: tuple[str, ...], still: tuple[dict[str, Any], dict[str, str], Any]) -> None:
    """Hold the answers of a disturbed house against those of the undisturbed one."""
    found, printed, chosen = answers(seed, names)
    assert chosen == pytest.approx(still[2], rel=1e-3)
    for name, answer in found.items():
        hold(still[0][name], answer, name)
    for name, text in printed.items():
        hold_printed(still[1][name], text, name)


@pytest.mark.parametrize("seed", [1, 2])
def test_answers_do_not_notice_the_last_digits(
    seed: int, undisturbed_counter: tuple[dict[str, Any], dict[str, str], Any]
) -> None:
    """Two times: what a counter asks, and the settings that training chooses; ``make slow`` does it twenty times with everything."""
    check(seed, QUICK, undisturbed_counter)


@pytest.mark.slow
@pytest.mark.parametrize("seed", range(1, 21))
def test_no_answer_notices_the_last_digits(seed: int, undisturbed: tuple[dict[str, Any], dict[str, str], Any]) -> None:
    """Twenty seeded times: every command."""
    check(seed, tuple(COMMANDS), undisturbed)


def test_what_is_printed_is_held_to_its_last_digit() -> None:
    """The comparison itself: a unit in the last digit passes, two do not, other words do not."""
    hold_printed("8.6 of 10", "8.7 of 10", "x")
    for other in ("8.8 of 10", "8.6 of 11 and", "8.6 off 10"):
        with pytest.raises(AssertionError):
            hold_printed("8.6 of 10", other, "x")
    with pytest.raises(AssertionError):
        hold({"a": 1.0}, {"a": 1.0 + 1e-7}, "x")


def test_pages_and_models_do_not_hang_on_the_machine() -> None:
    """Tests and CI set nothing about the kernels of linear algebra."""
    root = Path(__file__).parent.parent
    for path in (root / "Makefile", root / ".ci" / "run", root / "pyproject.toml", *sorted((root / "tests").rglob("*.py"))):
        assert "CORE" + "TYPE" not in path.read_text(encoding="utf-8"), path.name
