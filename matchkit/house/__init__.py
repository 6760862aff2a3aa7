"""The way in: :func:`open_house` opens a house, and a :class:`House` answers one question a method."""

from __future__ import annotations

from typing import Any

from matchkit.house.house import House
from matchkit.house.opening import open_house
from matchkit.results import drawn_by

__all__ = ["House", "open_house"]


def _plot(answer: Any, ax: Any) -> Any:
    from matchkit.report.figures import plot

    return plot(answer, ax)


drawn_by(_plot)
