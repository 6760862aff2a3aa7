"""One open house, and all that can be asked of it: one method a question."""

from __future__ import annotations

from matchkit.house.bench import BenchQuestions
from matchkit.house.beside import BesideQuestions
from matchkit.house.counter import CounterQuestions
from matchkit.house.learning import LearningQuestions
from matchkit.house.maker import MakerQuestions
from matchkit.house.playtest import PlaytestQuestions


class House(CounterQuestions, BesideQuestions, MakerQuestions, BenchQuestions, PlaytestQuestions, LearningQuestions):
    """A house whose tables have been read and checked; one method a question."""
