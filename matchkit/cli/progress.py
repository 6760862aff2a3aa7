"""A bar for work that takes more than a second, on stderr, at a terminal only."""

from __future__ import annotations

import sys
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

from matchkit.results import Progress

AFTER_SECONDS = 1.0
"""Work that is done before this shows no bar."""


@contextmanager
def bar(words: str) -> Iterator[Progress | None]:
    """Return what long work calls with steps done and steps in all; None where nobody sits at a terminal.

    Until the first call, and after the last, the bar moves to and fro.
    """
    if not sys.stderr.isatty():
        yield None
        return
    shown = _Shown(words)
    timer = threading.Timer(AFTER_SECONDS, shown.begin)
    timer.daemon = True
    timer.start()
    try:
        yield shown.tell
    finally:
        timer.cancel()
        shown.end()


class _Shown:
    """One bar: begun by a timer, told by the work, ended by whoever began the work."""

    def __init__(self, words: str) -> None:
        self._words = words
        self._lock = threading.Lock()
        self._steps: tuple[int, int] | None = None
        self._drawn: Any = None
        self._over = False

    def begin(self) -> None:
        """Draw it, unless the work is over."""
        from rich.console import Console
        from rich.progress import BarColumn, Progress, TaskProgressColumn, TextColumn, TimeElapsedColumn

        columns = (TextColumn("{task.description}"), BarColumn(), TaskProgressColumn(), TimeElapsedColumn())
        with self._lock:
            if not self._over:
                self._drawn = Progress(*columns, console=Console(stderr=True), transient=True)
                self._drawn.add_task(self._words, total=None)
                self._drawn.start()
        if self._steps is not None:
            self.tell(*self._steps)

    def tell(self, done: int, total: int) -> None:
        """Move it on."""
        self._steps = (done, total)
        with self._lock:
            if self._drawn is not None and not self._over:
                self._drawn.update(self._drawn.task_ids[0], completed=done, total=None if done >= total else total)

    def end(self) -> None:
        """Take it away."""
        with self._lock:
            self._over = True
            if self._drawn is not None:
                self._drawn.stop()
