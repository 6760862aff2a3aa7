"""No answer changes unnoticed: what the demo house answers, every number of it, against what it answered when it was last looked at.

These files say that something changed, not that it was right before: what is right is held elsewhere, against sources. After a change that is
meant, ``python tests/test_answers.py`` writes them anew, and what the test said belongs into the commit's message. All on invented data.
"""

from __future__ import annotations

import json
import math
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner

from matchkit.cli import main

FOLDER = Path(__file__).with_name("answers")
RELATIVE, NOTHING = 1e-5, 1e-7
"""Numbers agree to this: they are written with six digits."""
QUESTIONS: dict[str, list[str]] = {
    "rank": ["rank", "P02", "--top", "5"],
    "rank-wish": ["rank", "P07", "--wish", "brighter", "--wish", "freer", "--top", "3"],
    "rank-walk-in": ["rank", "--instrument", "clarinet", "--level", "beginner", "--top", "3"],
    "rank-scale": ["rank", "--instrument", "baritone", "--now-mouthpiece", "2.6mm", "--now-reed", "2.5", "--top", "3"],
    "explain": ["explain", "AM-06", "AR-D-2", "L-07", "--player", "P02"],
    "explain-tenor": ["explain", "TM-04", "TR-A-3", "L-05", "--player", "P07", "--wish", "bigger sound"],
    "strengths": ["strengths", "AM-08", "--player", "P02"],
    "swap": ["swap", "P02", "--mouthpiece", "AM-05", "--top", "4"],
    "compare": ["compare", "AM-01+AR-A-3", "AM-08+AR-A-2.5", "--player", "P02"],
    "closing": ["closing", "TM-01", "TR-A-2.5", "--player", "P07"],
    "whatif-tip": ["whatif", "AM-05", "--tip", "-0.1:0.1:0.1", "--player", "P02"],
    "whatif-inside": ["whatif", "TM-04", "--baffle", "+1mm", "--chamber", "+0.5", "--player", "P07"],
    "facing-short-rail": ["facing", "AM-07"],
    "facing-scan": ["facing", "TB-25-40"],
    "facing-bump": ["facing", "TM-04"],
    "batch": ["batch", "--draws", "200"],
    "record": ["batch", "--record", "--piece", "TB-25-13"],
    "reface-drawing": ["reface", "TB-25-07", "--to", "drawing"],
    "reface-table": ["reface", "TB-25-18", "--to", "drawing", "--table-down"],
    "reface-keep": ["reface", "AM-05", "--tip", "+0.1", "--keep", "resistance"],
    "reface-reed": ["reface", "AM-05", "--reed", "AR-A-2", "--closing", "8.6"],
    "reface-like": ["reface", "AM-05", "--to", "AM-06"],
    "gauge": ["gauge", "--tolerance", "stop=0.5", "--tolerance", "tip_opening=0.1"],
    "analyse": ["analyse"],
    "analyse-session": ["analyse", "--session", "LIG"],
    "next": ["next", "P02"],
    "next-house": ["next"],
    "plan-two": ["plan", "two", "AM-01/AR-A-3", "AM-04/AR-A-3", "--attribute", "ease", "--player", "P02"],
    "plan-triangle": ["plan", "triangle", "AM-01/AR-A-3/L-01", "AM-01/AR-A-3/L-05", "--player", "P02", "--player", "P03"],
    "plan-rate": ["plan", "rate", *(f"AM-0{k}/AR-A-2.5" for k in range(1, 8)), "--player", "P02", "--player", "P03"],
}


def _answer(name: str) -> Any:
    result = CliRunner().invoke(main, [*QUESTIONS[name], "--format", "json"])
    assert result.exit_code in (0, 5), result.output
    return json.loads(result.stdout)


def _unlike(found: Any, kept: Any, where: str = "") -> Iterator[str]:
    """Name every place where an answer is another than it was."""
    if isinstance(kept, dict) and isinstance(found, dict):
        for key in sorted(found.keys() | kept.keys()):
            yield from _unlike(found.get(key, "nothing"), kept.get(key, "nothing"), f"{where}.{key}")
    elif isinstance(kept, list) and isinstance(found, list) and len(kept) == len(found):
        for place, pair in enumerate(zip(found, kept, strict=True)):
            yield from _unlike(*pair, f"{where}[{place}]")
    elif isinstance(kept, float) and isinstance(found, float | int):
        if not math.isclose(found, kept, rel_tol=RELATIVE, abs_tol=NOTHING):
            yield f"{where}: {found}, was {kept}"
    elif found != kept:
        yield f"{where}: {found!r:.60}, was {kept!r:.60}"


@pytest.mark.parametrize("name", QUESTIONS)
def test_no_answer_changes_unnoticed(name: str) -> None:
    """Every field of every answer is what it was, numbers to six digits; the first places that differ are named."""
    kept = json.loads((FOLDER / f"{name}.json").read_text(encoding="utf-8"))
    unlike = list(_unlike(_answer(name), kept))
    assert not unlike, "\n".join(unlike[:10])


def test_every_kept_answer_is_asked_for() -> None:
    """No file is left over."""
    assert {path.stem for path in FOLDER.iterdir()} == set(QUESTIONS)


if __name__ == "__main__":
    for question in QUESTIONS:
        (FOLDER / f"{question}.json").write_text(json.dumps(_answer(question), separators=(",", ":")) + "\n", encoding="utf-8")
