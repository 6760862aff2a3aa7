"""How many one-token changes of the code its tests notice: ``make mutants``, or this file with ``--count``, ``--seed`` and ``--within``.

A mutant is one token changed (``+`` to ``-``, ``<`` to ``>=``, ``and`` to ``or``, ``not`` left out, a number, ``True``, ``min``) in one line of
a copy of the project. The tests that pass through that line run until one fails; they are known from one run of all quick tests with
coverage. For a line that only runs at import, the tests of its folder run. Killed is a mutant that a test notices, or one that takes
ten times as long as it should. Those judged to change nothing that can be seen stand in ``equivalents.txt``, and are left out.
"""

from __future__ import annotations

import argparse
import ast
import os
import random
import shutil
import sqlite3
import subprocess
import sys
import tempfile
from collections import Counter, defaultdict
from collections.abc import Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path
from queue import Queue
from xml.etree import ElementTree as ET

ROOT = Path(__file__).resolve().parents[1]
WITHIN = ("physics", "pairs", "score", "learn", "tables", "maker", "playtest")
EQUIVALENTS = Path(__file__).with_name("equivalents.txt")
SEED, COUNT, WORKERS = 12, 200, 2
MOST_TESTS = 60
"""Tests that run against one mutant, the quickest of those that pass through its line: so many of its own room's, and so many others."""
SLOWER, AT_LEAST = 10.0, 60.0
"""A mutant's tests may take this many times as long as they do unchanged, and this many seconds in any case."""
QUICK = ("-q", "-x", "-p", "no:cacheprovider", "-p", "no:xdist", "-p", "no:cov", "-m", "not slow", "--no-header", "--tb=no")
_OPERATORS: dict[type[ast.AST], tuple[str, str]] = {
    ast.Add: ("+", "-"),
    ast.Sub: ("-", "+"),
    ast.Mult: ("*", "/"),
    ast.Div: ("/", "*"),
    ast.Pow: ("**", "*"),
    ast.Lt: ("<", ">="),
    ast.LtE: ("<=", ">"),
    ast.Gt: (">", "<="),
    ast.GtE: (">=", "<"),
    ast.Eq: ("==", "!="),
    ast.NotEq: ("!=", "=="),
    ast.And: ("and", "or"),
    ast.Or: ("or", "and"),
}
_NAMES = {
    "min": "max",
    "max": "min",
    "minimum": "maximum",
    "maximum": "minimum",
    "any": "all",
    "all": "any",
    "sin": "cos",
    "cos": "sin",
    "floor": "ceil",
    "ceil": "floor",
    "argmin": "argmax",
    "argmax": "argmin",
}


@dataclass(frozen=True)
class Mutant:
    """One token of a file that is changed, at a line (from 1) and a column (from 0)."""

    file: str
    line: int
    column: int
    old: str
    new: str
    text: str
    """The line as it is, without the spaces around it."""

    @property
    def key(self) -> str:
        """What names it in the list of equivalents, wherever its line moves to."""
        return f"{self.file} | {self.text} | {self.old} > {self.new}"

    def is_told_in(self, line: str) -> bool:
        """Tell whether a line that was printed is of this mutant, wherever its line has moved to."""
        return f"{self.file}:" in line and line.endswith(f"{self.old} > {self.new}   {self.text}")

    def __str__(self) -> str:
        return f"{self.file}:{self.line}:{self.column}  {self.old} > {self.new}   {self.text}"


def mutants_of(path: Path) -> Iterator[Mutant]:
    """Yield every mutant of a file, in the order of its text."""
    source = path.read_text(encoding="utf-8")
    lines = source.splitlines()
    tree = ast.parse(source)
    unread = {id(node) for node in ast.walk(tree) for node in _unread(node)}
    file = path.relative_to(ROOT).as_posix()
    for node in ast.walk(tree):
        if id(node) in unread:
            continue
        for line, column, old, new in _changes(node, lines):
            yield Mutant(file, line, column, old, new, lines[line - 1].strip())


def _unread(node: ast.AST) -> Iterator[ast.AST]:
    """Yield what no test can notice: annotations, messages of errors, and the guards ``strict`` and ``frozen``."""
    if isinstance(node, ast.keyword) and node.arg in {"strict", "frozen", "slots"}:
        yield node.value
    if isinstance(node, ast.arg | ast.AnnAssign) and node.annotation is not None:
        yield from ast.walk(node.annotation)
    if isinstance(node, ast.FunctionDef) and node.returns is not None:
        yield from ast.walk(node.returns)
    if isinstance(node, ast.Raise) and node.exc is not None:
        yield from ast.walk(node.exc)
    if isinstance(node, ast.JoinedStr):
        yield from (each for each in ast.walk(node) if each is not node)
    if isinstance(node, ast.If) and isinstance(node.test, ast.Name) and node.test.id == "TYPE_CHECKING":
        yield from ast.walk(node)


def _changes(node: ast.AST, lines: Sequence[str]) -> Iterator[tuple[int, int, str, str]]:
    """Yield the line, the column, the old and the new token of each change of a node."""
    yield from _of_operators(node, lines)
    if isinstance(node, ast.UnaryOp) and isinstance(node.op, ast.Not):
        yield node.lineno, node.col_offset, "not ", ""
    elif isinstance(node, ast.UnaryOp) and isinstance(node.op, ast.USub) and not isinstance(node.operand, ast.Constant):
        yield node.lineno, node.col_offset, "-", ""
    elif isinstance(node, ast.Constant) and isinstance(node.value, bool):
        yield node.lineno, node.col_offset, str(node.value), str(not node.value)
    elif isinstance(node, ast.Constant) and isinstance(node.value, int | float):
        old = lines[node.lineno - 1].encode()[node.col_offset : node.end_col_offset].decode()
        yield node.lineno, node.col_offset, old, repr(node.value + 1)
    elif isinstance(node, ast.Call) and isinstance(node.func, ast.Name | ast.Attribute):
        name = node.func.id if isinstance(node.func, ast.Name) else node.func.attr
        if name in _NAMES and node.func.end_col_offset is not None and node.func.end_lineno is not None:
            yield node.func.end_lineno, node.func.end_col_offset - len(name), name, _NAMES[name]


def _of_operators(node: ast.AST, lines: Sequence[str]) -> Iterator[tuple[int, int, str, str]]:
    """Yield the changes of the operators between two operands; those of texts and lists stay as they are."""
    if isinstance(node, ast.BinOp) and not _is_sequence(node.left):
        yield from _between(lines, node.left, node.right, node.op)
    elif isinstance(node, ast.AugAssign) and not _is_sequence(node.value):
        yield from _between(lines, node.target, node.value, node.op)
    elif isinstance(node, ast.BoolOp):
        for left, right in zip(node.values, node.values[1:], strict=False):
            yield from _between(lines, left, right, node.op)
    elif isinstance(node, ast.Compare):
        for left, right, operator in zip([node.left, *node.comparators], node.comparators, node.ops, strict=False):
            yield from _between(lines, left, right, operator)


def _is_sequence(node: ast.expr) -> bool:
    written = isinstance(node, ast.JoinedStr | ast.List | ast.Tuple | ast.ListComp)
    return written or (isinstance(node, ast.Constant) and isinstance(node.value, str))


def _between(lines: Sequence[str], left: ast.expr, right: ast.expr, operator: ast.AST) -> Iterator[tuple[int, int, str, str]]:
    """Yield the change of an operator that stands on one line between two operands."""
    found = _OPERATORS.get(type(operator))
    if found is None or left.end_lineno is None or left.end_col_offset is None:
        return
    for number in range(left.end_lineno, right.lineno + 1):
        line = lines[number - 1]
        if not line.isascii():
            return
        start = left.end_col_offset if number == left.end_lineno else 0
        end = right.col_offset if number == right.lineno else len(line)
        place = line.find(found[0], start, end)
        if place >= 0:
            yield number, place, *found
            return


@dataclass(frozen=True)
class Related:
    """Which tests pass through which line of which file, how long each takes, and the tests of a folder."""

    by_line: dict[tuple[str, int], frozenset[str]]
    by_file: dict[str, frozenset[str]]
    seconds: dict[str, float]

    def tests(self, mutant: Mutant) -> list[str]:
        """Return the tests to run against a mutant, the quickest first."""
        at_line = self.by_line.get((mutant.file, mutant.line), frozenset())
        found = sorted(
            at_line or self.by_file.get(mutant.file, frozenset()), key=lambda test: (self.seconds.get(test, 1.0), test)
        )
        room = mutant.file.split("/")[1]
        own = [test for test in found if test.startswith((f"tests/{room}/", f"matchkit/{room}/"))]
        others = [test for test in found if test not in own]
        return own[:MOST_TESTS] + others[:MOST_TESTS]


def related(folder: Path) -> Related:
    """Run the quick tests once with coverage, and read which lines each of them passes through."""
    data, report = folder / "coverage", folder / "junit.xml"
    if not data.exists():
        settings = folder / "coveragerc"
        settings.write_text(f"[run]\nsource = {ROOT / 'matchkit'}\n", encoding="utf-8")
        tests = [str(path.relative_to(ROOT)) for path in sorted((ROOT / "tests").glob("*")) if path.is_dir()]
        command = [
            sys.executable,
            "-m",
            "pytest",
            "-q",
            "-n",
            str(WORKERS),
            "--dist",
            "loadfile",
            "-m",
            "not slow",
            f"--junitxml={report}",
        ]
        command += ["--cov=matchkit", "--cov-context=test", f"--cov-config={settings}", "--cov-report="]
        paths = [
            *(test for test in tests if not test.endswith(("reference", "answers", "__pycache__"))),
            "tests/test_house.py",
            "tests/test_cache.py",
            "tests/test_answers.py",
        ]
        environment = {**os.environ, "COVERAGE_FILE": str(data), "PYTHONPATH": str(ROOT)}
        subprocess.run([*command, *paths, "matchkit"], cwd=ROOT, env=environment, check=False, stdout=subprocess.DEVNULL)
    seconds = _seconds(report)
    by_line, by_file = defaultdict(set), defaultdict(set)
    for file, line, test in _passed(data):
        if test not in seconds:
            continue  # it failed, as a test of speed may beside others
        by_line[file, line].add(test)
        by_file[file].add(test)
    return Related(
        {place: frozenset(tests) for place, tests in by_line.items()},
        {file: frozenset(tests) for file, tests in by_file.items()},
        seconds,
    )


def _passed(data: Path) -> Iterator[tuple[str, int, str]]:
    from coverage.numbits import numbits_to_nums

    with sqlite3.connect(data) as found:
        rows = found.execute(
            "select file.path, context.context, line_bits.numbits from line_bits"
            " join file on file.id = line_bits.file_id join context on context.id = line_bits.context_id"
        ).fetchall()
    for path, context, numbits in rows:
        test = context.split("|")[0]
        if test:
            file = Path(path).relative_to(ROOT).as_posix()
            yield from ((file, line, test) for line in numbits_to_nums(numbits))


def _seconds(report: Path) -> dict[str, float]:
    found: dict[str, float] = {}
    for case in ET.parse(report).iter("testcase"):
        module = case.get("classname", "").replace(".", "/") + ".py"
        if case.find("failure") is not None or case.find("error") is not None:
            continue
        found[f"{module}::{case.get('name')}"] = float(case.get("time", 0.0))
    return found


def killed(mutant: Mutant, tests: Sequence[str], seconds: float, tree: Path) -> str:
    """Return how a mutant ended in a copy of the project: ``killed``, ``timeout``, ``survived``, or ``untested`` where no test passes it."""
    if not tests:
        return "untested"
    path = tree / mutant.file
    before = path.read_text(encoding="utf-8")
    lines = before.splitlines(keepends=True)
    line = lines[mutant.line - 1].encode()
    start, end = mutant.column, mutant.column + len(mutant.old.encode())
    assert line[start:end].decode() == mutant.old, str(mutant)
    lines[mutant.line - 1] = (line[:start] + mutant.new.encode() + line[end:]).decode()
    path.write_text("".join(lines), encoding="utf-8")
    command = [sys.executable, "-B", "-m", "pytest", *QUICK, *tests]
    environment = {**os.environ, "PYTHONPATH": str(tree)}
    try:
        done = subprocess.run(
            command,
            cwd=tree,
            env=environment,
            timeout=max(AT_LEAST, SLOWER * seconds),
            capture_output=True,
            text=True,
            check=False,
        )
    except subprocess.TimeoutExpired:
        return "timeout"
    finally:
        path.write_text(before, encoding="utf-8")
    return "survived" if done.returncode == 0 else "killed"


def check(found: Related, tree: Path) -> None:
    """See that every related test is found in an unchanged copy, so that a mutant alone can be why one is not."""
    tests = sorted({test for tests in found.by_file.values() for test in tests})
    listing = tree / "tests.txt"
    listing.write_text("\n".join(tests), encoding="utf-8")
    command = [sys.executable, "-B", "-m", "pytest", *QUICK, "--collect-only", f"@{listing}"]
    done = subprocess.run(
        command, cwd=tree, capture_output=True, text=True, check=False, env={**os.environ, "PYTHONPATH": str(tree)}
    )
    if done.returncode != 0:
        sys.exit(f"the related tests are not those of this code: {done.stdout[-1000:]}{done.stderr[-1000:]}")


def equivalents() -> frozenset[str]:
    """Return the keys of the mutants that were judged to change nothing that can be seen."""
    lines = EQUIVALENTS.read_text(encoding="utf-8").splitlines()
    return frozenset(line for line in lines if line and not line.startswith("#"))


def chosen(count: int, seed: int, within: Sequence[str]) -> list[Mutant]:
    """Return mutants drawn without replacement from all of some folders; those judged equivalent are drawn, and left out."""
    files = sorted(path for name in within for path in (ROOT / "matchkit" / name).rglob("*.py"))
    every = [mutant for path in files for mutant in mutants_of(path)]
    drawn = random.Random(seed).sample(every, min(count, len(every)))
    known = equivalents()
    print(f"{len(every)} mutants of {len(files)} files; {len(drawn)} drawn with seed {seed}", flush=True)
    kept = [mutant for mutant in drawn if mutant.key not in known]
    print(f"{len(drawn) - len(kept)} of them are judged equivalent and left out", flush=True)
    return kept


def main() -> None:
    """Draw mutants, run their tests, and say how many were killed."""
    asked = argparse.ArgumentParser(description=__doc__)
    asked.add_argument("--count", type=int, default=COUNT)
    asked.add_argument("--seed", type=int, default=SEED)
    asked.add_argument("--within", nargs="+", default=WITHIN)
    asked.add_argument("--work", type=Path, help="a folder to keep the coverage in, for another run on the same code")
    asked.add_argument("--again", type=Path, help="only those that survived in the output of an earlier run, kept in this file")
    given = asked.parse_args()
    drawn = chosen(given.count, given.seed, given.within)
    before = None if given.again is None else given.again.read_text(encoding="utf-8").splitlines()
    kept = [mutant for mutant in drawn if before is None or any(mutant.is_told_in(line) for line in before)]
    with tempfile.TemporaryDirectory() as scratch:
        folder = Path(given.work or scratch)
        folder.mkdir(parents=True, exist_ok=True)
        found = related(folder)
        trees: Queue[Path] = Queue()
        for number in range(WORKERS):
            tree = Path(scratch) / f"tree{number}"
            shutil.copytree(ROOT, tree, ignore=shutil.ignore_patterns(".*", "__pycache__", "dist", "build"))
            trees.put(tree)

        check(found, trees.queue[0])

        done: list[str] = []

        def run(mutant: Mutant) -> tuple[Mutant, str]:
            tests, tree = found.tests(mutant), trees.get()
            try:
                ended = killed(mutant, tests, sum(found.seconds.get(test, 1.0) for test in tests), tree)
            finally:
                trees.put(tree)
            done.append(ended)
            if ended not in {"killed", "timeout"}:
                print(f"{len(done):3} of {len(kept)}  {ended}  {mutant}", flush=True)
            return mutant, ended

        with ThreadPoolExecutor(WORKERS) as pool:
            ends = list(pool.map(run, kept))
    count = Counter(ended for _, ended in ends)
    by_folder = Counter((mutant.file.split("/")[1], ended) for mutant, ended in ends)
    for name in given.within:
        of = {ended: by_folder[name, ended] for ended in count if by_folder[name, ended]}
        print(f"{name:10} {', '.join(f'{number} {ended}' for ended, number in sorted(of.items()))}")
    dead = count["killed"] + count["timeout"]
    print(f"{dead} of {len(ends)} mutants killed ({dead / max(len(ends), 1):.1%}; {count['timeout']} by time): {dict(count)}")


if __name__ == "__main__":
    main()
