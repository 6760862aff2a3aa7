"""Generated pages are what their script writes; documentation points at what exists."""

from __future__ import annotations

import json
import re
import subprocess
import sys
from pathlib import Path

import pytest

from matchkit.cli import COMMANDS
from matchkit.records.schema import TABLES

ROOT = Path(__file__).parent.parent
sys.path.insert(0, str(ROOT / "docs"))
from build import PAGES  # noqa: E402 - a script of the docs folder


@pytest.mark.parametrize("page", list(PAGES))
def test_generated_pages_are_up_to_date(page: str) -> None:
    """``make docs`` would change nothing."""
    assert (ROOT / "docs" / page).read_text(encoding="utf-8") == PAGES[page]()


def test_schema_names_every_column_with_its_limits() -> None:
    """The JSON Schema has every table and column, and carries the limits of a tip opening."""
    schema = json.loads((ROOT / "docs" / "schema.json").read_text(encoding="utf-8"))
    for table, model in TABLES.items():
        assert set(schema["properties"][table]["items"]["properties"]) == set(model.model_fields)
    tip = schema["properties"]["mouthpieces"]["items"]["properties"]["tip_opening_mm"]
    assert (tip["minimum"], tip["maximum"]) == (0.5, 4.0)


def test_every_command_is_documented() -> None:
    """Each command has its section."""
    page = (ROOT / "docs" / "commands.md").read_text(encoding="utf-8")
    assert all(f"## matchkit {name}\n" in page for name in COMMANDS)


def test_pages_point_at_files_that_exist() -> None:
    """Every path named in code marks in README, DEVELOPERS and docs is there."""
    for page in [ROOT / "README.md", ROOT / "DEVELOPERS.md", *sorted((ROOT / "docs").glob("*.md"))]:
        for path in re.findall(r"`((?:docs|data|models|tests|matchkit)/[\\w./-]+)`", page.read_text(encoding="utf-8")):
            assert (ROOT / path).exists(), f"{page.name}: {path}"


def test_no_commit_or_page_names_a_host_or_a_place_of_work() -> None:
    """Nothing in the repository points at a registry's host or at where it is built."""
    tracked = subprocess.run(["git", "ls-files"], cwd=ROOT, capture_output=True, text=True, check=False).stdout.split()
    for name in tracked or ["README.md"]:
        path = ROOT / name
        if path.suffix in {".py", ".md", ".toml", ".csv", ".json", ""} and path.is_file():
            text = path.read_text(encoding="utf-8", errors="replace")
            assert "pypi" + ".org" not in text
            assert "/work" + "/" not in text
