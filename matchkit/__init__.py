"""Match mouthpieces, reeds and ligatures of saxophones and clarinets.

``open`` reads a house (the demo house where no source is named); a house answers ``rank``, ``explain`` and ``closing``. Everything
is imported when it is first used, so importing the package costs next to nothing.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from matchkit.advise.answers import ClosingReport, Explanation, Ranking, Setup
    from matchkit.errors import (
        ContactError,
        DataError,
        MatchkitError,
        ModelError,
        PhysicsInputError,
        Problem,
        RequestError,
        SourceError,
        UnknownIdError,
    )
    from matchkit.house import House
    from matchkit.house import open_house as open
    from matchkit.learn.trial.evaluation import Evaluation
    from matchkit.maker.conformity.batch import BatchReport
    from matchkit.maker.files import calibrate, gauge_study
    from matchkit.maker.gauge import GaugeStudy
    from matchkit.maker.measure.report import FacingReport
    from matchkit.playtest.design.plan import Plan
    from matchkit.playtest.log import log_playtests as log
    from matchkit.playtest.stats.analyse import Analysis
    from matchkit.records.people import Playtest
    from matchkit.score.player import Visitor

__version__ = "0.1.0"

_PLACES = {
    "open": ("matchkit.house", "open_house"),
    "calibrate": ("matchkit.maker.files", "calibrate"),
    "gauge_study": ("matchkit.maker.files", "gauge_study"),
    "BatchReport": ("matchkit.maker.conformity.batch", "BatchReport"),
    "GaugeStudy": ("matchkit.maker.gauge", "GaugeStudy"),
    "House": ("matchkit.house", "House"),
    "log": ("matchkit.playtest.log", "log_playtests"),
    "Analysis": ("matchkit.playtest.stats.analyse", "Analysis"),
    "Plan": ("matchkit.playtest.design.plan", "Plan"),
    "Playtest": ("matchkit.records.people", "Playtest"),
    "Evaluation": ("matchkit.learn.trial.evaluation", "Evaluation"),
    "Visitor": ("matchkit.score.player", "Visitor"),
    "Ranking": ("matchkit.advise.answers", "Ranking"),
    "Setup": ("matchkit.advise.answers", "Setup"),
    "Explanation": ("matchkit.advise.answers", "Explanation"),
    "FacingReport": ("matchkit.maker.measure.report", "FacingReport"),
    "ClosingReport": ("matchkit.advise.answers", "ClosingReport"),
    **{
        name: ("matchkit.errors", name)
        for name in (
            "ContactError",
            "DataError",
            "MatchkitError",
            "ModelError",
            "PhysicsInputError",
            "Problem",
            "RequestError",
            "SourceError",
            "UnknownIdError",
        )
    },
}

__all__ = [
    "Analysis",
    "BatchReport",
    "ClosingReport",
    "ContactError",
    "DataError",
    "Evaluation",
    "Explanation",
    "FacingReport",
    "GaugeStudy",
    "House",
    "MatchkitError",
    "ModelError",
    "PhysicsInputError",
    "Plan",
    "Playtest",
    "Problem",
    "Ranking",
    "RequestError",
    "Setup",
    "SourceError",
    "UnknownIdError",
    "Visitor",
    "calibrate",
    "gauge_study",
    "log",
    "open",
]


def __getattr__(name: str) -> Any:
    """Import a public name when it is first asked for."""
    if name not in _PLACES:
        raise AttributeError(f"module 'matchkit' has no attribute '{name}'")
    module, attribute = _PLACES[name]
    value = getattr(import_module(module), attribute)
    globals()[name] = value
    return value


def __dir__() -> list[str]:
    return sorted([*globals(), *_PLACES])
