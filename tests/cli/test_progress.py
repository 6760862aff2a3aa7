"""A bar at a terminal for work over a second, that moves; nothing anywhere else."""

from __future__ import annotations

import os
import pty
import re
import subprocess
import sys
import time
from pathlib import Path

import pytest

import matchkit as mk
from matchkit.cli import progress as module
from matchkit.cli.progress import bar
from matchkit.files import shipped
from matchkit.results import Progress
from matchkit.tables.carry import carry_in


def at_terminal(*words: str, cwd: Path) -> tuple[str, str]:
    """Run a command whose stderr is a terminal; give what it printed, and what the terminal saw."""
    ours, theirs = pty.openpty()
    child = subprocess.Popen(
        [sys.executable, "-m", "matchkit", *words],
        cwd=cwd,
        env={**os.environ, "TERM": "xterm", "COLUMNS": "100"},
        stdout=subprocess.PIPE,
        stderr=theirs,
    )
    os.close(theirs)
    seen = b""
    while True:
        try:
            piece = os.read(ours, 65536)
        except OSError:
            break
        if not piece:
            break
        seen += piece
    assert child.stdout is not None
    with child.stdout:
        printed = child.stdout.read().decode()
    assert child.wait() == 0, seen.decode()
    os.close(ours)
    return printed, seen.decode()


def test_long_work_shows_a_bar_that_moves(tmp_path: Path) -> None:
    """Evaluating takes seconds: the bar passes through several shares, on stderr only, and is taken away."""
    printed, seen = at_terminal("evaluate", "--quick", "--no-cache", cwd=tmp_path)
    shares = {int(share) for share in re.findall(r"(\d+)%", seen)}
    assert "holding players and mouthpieces back" in seen
    assert len(shares) >= 3
    assert "%\x1b" not in printed
    assert "holding players" not in printed


def test_short_work_shows_none(tmp_path: Path) -> None:
    """What is done within a second leaves the terminal alone."""
    _, seen = at_terminal("tables", "import", str(shipped("data/demo-bench/batch")), "a.sqlite", cwd=tmp_path)
    assert "\x1b" not in seen


def test_a_bar_by_itself(monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> None:
    """Off a terminal there is no callback; at one it is called before and after the bar is drawn, and nothing is left running."""
    with bar("waiting") as tell:
        assert tell is None
    monkeypatch.setattr("sys.stderr.isatty", lambda: True, raising=False)
    monkeypatch.setattr(module, "AFTER_SECONDS", 0.05)
    with bar("waiting") as tell:
        assert tell is not None
        tell(1, 4)
        time.sleep(0.6)
        tell(4, 4)
    with bar("never seen") as tell:
        assert tell is not None
    assert "never seen" not in capsys.readouterr().err


def test_every_long_work_tells_how_far_it_is(tmp_path: Path) -> None:
    """Training, evaluating, ranking, what to play next, batches and imports call with steps done and in all, and end with all done."""
    house = mk.open(cache=False)
    calls: dict[str, list[tuple[int, int]]] = {}

    def told(name: str) -> Progress:
        return lambda done, total: calls.setdefault(name, []).append((done, total))

    house.rank("P02", progress=told("rank"))
    house.train(tmp_path / "m.npz", progress=told("train"))
    house.evaluate(nested=False, progress=told("evaluate"))
    house.next("P02", count=3, progress=told("next"))
    house.batch(draws=100, progress=told("batch"))
    carry_in(shipped("data/demo"), tmp_path / "b.sqlite", progress=told("import"))
    assert set(calls) == {"rank", "train", "evaluate", "next", "batch", "import"}
    for name, steps in calls.items():
        assert steps[-1][0] == steps[-1][1], name
        assert all(0 < done <= total for done, total in steps), name
    assert len(calls["train"]) > 5
    assert len(calls["evaluate"]) > 20
    assert len(calls["import"]) > 5


def test_several_processes_give_the_same() -> None:
    """One or two processes: the same figures; none is refused."""
    house = mk.open()
    first, second = (house.evaluate(nested=False, jobs=jobs).to_dict() for jobs in (1, 2))
    assert first == second
    with pytest.raises(mk.RequestError, match="jobs"):
        house.evaluate(jobs=0)
