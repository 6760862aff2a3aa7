"""The guided way: at most six questions, the same answer as rank, and what was meant is asked again."""

from __future__ import annotations

import re
import shlex

import pytest
from click.testing import CliRunner, Result

from matchkit.cli import main


def ask(*answers: str) -> Result:
    return CliRunner().invoke(main, ["ask"], input="\n".join([*answers, ""]))


CASES = (
    ("alto", "75thou", "2.5", "stuffy", "1", "60"),
    ("clarinet", "", "", "2", "", ""),
    ("P02", "freer", "", ""),
    ("ten", "2.5mm", "unfiled 3", "", "", ""),
    ("Alto saxophone", "", "3", "too soft", "", ""),
)


@pytest.mark.parametrize("answers", CASES, ids=["walk-in", "beginner", "player", "short", "half known"])
def test_six_questions_at_most_and_the_answer_of_rank(answers: tuple[str, ...]) -> None:
    """The command at the end gives the same answer, word for word."""
    assert len(answers) <= 6
    found = ask(*answers)
    assert found.exit_code == 0, found.output
    answer, _, command = found.stdout.partition("\nThe same again: matchkit ")
    again = CliRunner().invoke(main, shlex.split(command))
    assert again.exit_code == 0
    assert again.stdout.strip() == answer.strip()


def test_what_cannot_be_meant_is_asked_again() -> None:
    """Each slip is answered with what was perhaps meant, and the question comes again."""
    answers = (
        "kazoo",
        "alto",
        "TM-04",
        "19mm",
        "list",
        "#5",
        "2 1/2 hard",
        "2½",
        "stufy",
        "stuffy, too soft",
        "stuffy, squeaks",
    )
    found = ask(*answers, "9", "reed", "-3", "60")
    assert found.exit_code == 0, found.stderr
    said = re.sub(r"\s+", " ", found.stderr)
    asked = ("one of soprano", "another instrument", "did you mean 1.9mm", "AM-05", "did you mean 2.5", "did you mean stuffy")
    for words in (*asked, "ask for opposites", "from 1 to 4", "an amount of 0 or more"):
        assert words in said, words
    assert "--now-mouthpiece AM-05" in found.stdout


def test_an_answer_that_ends_leaves_nothing() -> None:
    """Where the answers end in the middle, nothing is printed as an answer."""
    found = CliRunner().invoke(main, ["ask"], input="alto\n75thou\n")
    assert found.exit_code == 1
    assert found.stdout.strip() == ""
