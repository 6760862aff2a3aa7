"""How figures are measured: CPU time and memory of whole processes, on this tree or beside it on an earlier commit.

Times are noisy, so speed is given as a ratio within one run; each figure is the least of a few.
"""

from __future__ import annotations

import os
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

ROOT = Path(__file__).parent.parent

REPEATS = 5


def best_of(work: Callable[[], object], repeats: int = REPEATS) -> float:
    """Shortest of a few runs, in seconds."""
    times = []
    for _ in range(repeats):
        start = time.perf_counter()
        work()
        times.append(time.perf_counter() - start)
    return min(times)


@dataclass(frozen=True)
class Cost:
    """CPU seconds, seconds by the clock and peak memory in MB of a process, and the last line it printed."""

    cpu: float
    wall: float
    memory: float
    said: str


def run(command: Sequence[str], *, env: Mapping[str, str] | None = None) -> Cost:
    """Run one command and say what it cost; raises RuntimeError with what it said where it fails."""
    with tempfile.TemporaryFile() as out, tempfile.TemporaryFile() as err:
        start = time.perf_counter()
        child = subprocess.Popen(
            command, stdout=out, stderr=err, cwd=tempfile.gettempdir(), env=None if env is None else {**env}
        )
        _, status, usage = os.wait4(child.pid, 0)
        wall = time.perf_counter() - start
        child.returncode = os.waitstatus_to_exitcode(status)
        out.seek(0)
        err.seek(0)
        said, complained = out.read().decode(errors="replace"), err.read().decode(errors="replace")
    if child.returncode:
        raise RuntimeError(f"{' '.join(command)}: {complained[-2000:]}")
    return Cost(usage.ru_utime + usage.ru_stime, wall, usage.ru_maxrss / 1024, (said.strip().splitlines() or [""])[-1])


def cold(*command: str, repeats: int = REPEATS) -> tuple[float, float]:
    """CPU seconds and peak memory in MB of a command, best of a few."""
    found = [run(command) for _ in range(repeats)]
    return min(cost.cpu for cost in found), max(cost.memory for cost in found)


@dataclass(frozen=True)
class Tree:
    """A checkout whose code can be run: its name in the table, and its folder."""

    name: str
    folder: Path

    def run(self, *words: str, cache: Path, **env: str) -> Cost:
        """Run this tree's code by the python that runs us, with a cache folder of its own."""
        inside = {**os.environ, "PYTHONPATH": str(self.folder), "XDG_CACHE_HOME": str(cache), **env}
        return run([sys.executable, *words], env=inside)


@contextmanager
def trees(against: str | None) -> Iterator[list[Tree]]:
    """Return this tree, and before it that of an earlier commit where one is named, in a work tree of its own."""
    if not against:
        yield [Tree("now", ROOT)]
        return
    with tempfile.TemporaryDirectory() as place:
        folder = Path(place) / "before"
        git = ["git", "-C", str(ROOT), "worktree"]
        subprocess.run([*git, "add", "--quiet", "--detach", str(folder), against], check=True)
        try:
            yield [Tree(against[:10], folder), Tree("now", ROOT)]
        finally:
            subprocess.run([*git, "remove", "--force", str(folder)], check=True)


def show(rows: Sequence[Sequence[str]]) -> None:
    """Print a table."""
    widths = [max(len(row[column]) for row in rows) for column in range(len(rows[0]))]
    for row in rows:
        print("  ".join(cell.ljust(width) for cell, width in zip(row, widths, strict=True)).rstrip())
