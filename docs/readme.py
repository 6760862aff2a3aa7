"""Refresh what the commands of the README, the tour and the questions print: ``python docs/readme.py``. A test holds the pages to it."""

from __future__ import annotations

import re
import shlex
import subprocess
import sys
import tempfile
from pathlib import Path

DOCS = Path(__file__).parent
PAGES = (DOCS.parent / "README.md", DOCS / "tour.md", DOCS / "questions.md")


def printed(match: re.Match[str]) -> str:
    """Run the command of one block and give the block with what it prints."""
    with tempfile.TemporaryDirectory() as empty:
        done = subprocess.run(  # noqa: S603 - the project's own command
            [sys.executable, "-m", "matchkit", *shlex.split(match[1])], cwd=empty, capture_output=True, text=True, check=False
        )
    if done.returncode not in (0, 5):  # 5: a batch that ran, and found pieces that fail
        raise SystemExit(f"matchkit {match[1]}: {done.stderr}")
    return f"```console\n$ matchkit {match[1]}\n{done.stdout}```"


if __name__ == "__main__":
    for page in PAGES:
        text = page.read_text(encoding="utf-8")
        page.write_text(re.sub(r"```console\n\$ matchkit (.*)\n(?:.*\n)*?```", printed, text), encoding="utf-8")
