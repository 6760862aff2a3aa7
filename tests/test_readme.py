"""The tours of the README and the docs: every command is run and its output compared."""

from __future__ import annotations

import re
import shlex
import subprocess
import sys
from pathlib import Path

import pytest
from printed import hold_printed

README = (Path(__file__).parent.parent / "README.md").read_text(encoding="utf-8")
DOCS = Path(__file__).parent.parent / "docs"
TOUR, QUESTIONS = ((DOCS / name).read_text(encoding="utf-8") for name in ("tour.md", "questions.md"))
BLOCKS = re.findall(r"```console\n\$ matchkit (.*)\n((?:.*\n)*?)```", README + TOUR + QUESTIONS)


@pytest.mark.parametrize(("command", "shown"), BLOCKS, ids=[command for command, _ in BLOCKS])
def test_every_command_of_the_tour_prints_what_is_shown(command: str, shown: str, tmp_path: Path) -> None:
    """What a reader sees is what the command prints: the words, and numbers within one unit of their last digit."""
    done = subprocess.run(
        [sys.executable, "-m", "matchkit", *shlex.split(command)], cwd=tmp_path, capture_output=True, text=True, check=False
    )
    hold_printed(shown, done.stdout, command)
    assert len(done.stdout.splitlines()) == len(shown.splitlines())


def test_twenty_five_questions_are_answered() -> None:
    """Each question of the counter stands with one command and an answer."""
    assert len(re.findall(r"^## \d+\. ", QUESTIONS, re.MULTILINE)) == 25
    assert len(re.findall(r"^```console$", QUESTIONS, re.MULTILINE)) == 25


def test_the_tour_is_there() -> None:
    """Each command for the three users is shown, and the Python example runs."""
    assert {command.split()[0] for command, _ in BLOCKS} == {
        "rank",
        "explain",
        "strengths",
        "swap",
        "compare",
        "whatif",
        "facing",
        "closing",
        "batch",
        "reface",
        "gauge",
        "tables",
        "evaluate",
        "plan",
        "analyse",
        "next",
    }
    (example,) = re.findall(r"```python\n((?:.*\n)*?)```", README)
    done = subprocess.run([sys.executable, "-c", example], capture_output=True, text=True, check=True)
    assert len(done.stdout.splitlines()) == 2
