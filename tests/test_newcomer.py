"""What ``DEVELOPERS.md`` promises a newcomer: a term is one file, an instrument rows of two tables, a column one field."""

from __future__ import annotations

import csv
import json
import os
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).parent.parent
TERM = '''"""How wide the tip rail is."""

from __future__ import annotations

from matchkit.score.term import Term

TERMS = (
    Term(
        name="tip rail",
        weight=1,
        good=1.0,
        poor=2.0,
        unit="mm",
        meaning="width of the tip rail",
        measure="the tip rail, with callipers",
        value=lambda asked: asked.pairs.of_facings(lambda facing: (facing.mouthpiece.tip_rail_mm or float("nan")) * 1e-3),
    ),
)
'''


@pytest.fixture
def tree(tmp_path: Path) -> Path:
    """A copy of the package and its data that a test may change."""
    for folder in ("matchkit", "data", "models"):
        shutil.copytree(ROOT / folder, tmp_path / folder, ignore=shutil.ignore_patterns("__pycache__"))
    return tmp_path


def run(tree: Path, *words: str) -> str:
    """Run the command of a copy and return what it prints."""
    environment = {**os.environ, "PYTHONPATH": str(tree), "XDG_CACHE_HOME": str(tree / "cache"), "PYTHONDONTWRITEBYTECODE": "1"}
    done = subprocess.run(
        [sys.executable, "-m", "matchkit", *words], cwd=tree, env=environment, capture_output=True, text=True, check=False
    )
    assert done.returncode == 0, done.stderr
    return done.stdout


def test_an_instrument_is_rows_of_two_tables(tree: Path) -> None:
    """An invented instrument with the baritone's defaults and a house of five small tables: its softer reed is the freer one, on its own scale."""
    for name in ("instruments.csv", "defaults.csv"):
        rows = (tree / "data" / name).read_text(encoding="utf-8").splitlines()
        more = [row.replace("baritone", "lowhorn", 1) for row in rows if row.startswith("baritone")]
        (tree / "data" / name).write_text("\n".join([*rows, *more, ""]), encoding="utf-8")
    house = tree / "house"
    house.mkdir()
    tables = {
        "mouthpieces": ["id,instrument,tip_opening_mm", "B-1,lowhorn,2.80", "B-2,lowhorn,3.00"],
        "reeds": [
            "id,instrument,profile_id,cut,strength",
            "R-2,lowhorn,P,unfiled,2",
            "R-25,lowhorn,P,unfiled,2.5",
            "R-3,lowhorn,P,unfiled,3",
        ],
        "strength_scale": [
            "profile_id,strength,stiffness_n_per_mm,spread_pct",
            "P,2,0.90,8",
            "P,2.5,1.02,8",
            "P,3,1.15,8",
        ],
        "ligatures": ["id", "L-1"],
    }
    for name, lines in tables.items():
        (house / f"{name}.csv").write_text("\n".join([*lines, ""]), encoding="utf-8")
    asked = (
        "--data",
        "house",
        "--instrument",
        "lowhorn",
        "--now-mouthpiece",
        "2.8mm",
        "--now-reed",
        "P 2.5",
        "--format",
        "json",
    )
    found = json.loads(run(tree, "rank", *asked, "--wish", "freer", "--mouthpiece", "B-1"))
    assert found["rows"][0]["reed_id"] == "R-2"
    pressures = {row["reed_id"]: row["closing_pressure_kpa"] for row in found["rows"]}
    assert pressures["R-2"] < pressures["R-25"] < pressures["R-3"]
    assert run(tree, "tables", "check", "house")


def test_a_default_that_stands_twice_is_named(tree: Path) -> None:
    """Rows of an instrument that is there already are refused with file and row, and not found out by the physics."""
    path = tree / "data" / "defaults.csv"
    rows = path.read_text(encoding="utf-8").splitlines()
    path.write_text("\n".join([*rows, next(row for row in rows if row.startswith("baritone,tip_width")), ""]), encoding="utf-8")
    environment = {**os.environ, "PYTHONPATH": str(tree)}
    done = subprocess.run(
        [sys.executable, "-m", "matchkit", "rank", "P02"],
        cwd=tree,
        env=environment,
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 3
    assert f"defaults.csv, row {len(rows) + 1}, column name: read baritone tip_width_mm; expected each one once" in done.stderr


def test_a_term_is_one_file(tree: Path) -> None:
    """A term in a file of its own is scored and explained with its limits; the column that it reads leaves the unread ones."""
    (tree / "matchkit" / "score" / "terms" / "tip_rail.py").write_text(TERM, encoding="utf-8")
    shown = run(tree, "explain", "AM-07", "AR-A-2.5", "L-14", "--player", "P02")
    (line,) = [line for line in shown.splitlines() if line.startswith("tip rail ")]
    assert "1 to 2 mm" in line
    rows = json.loads(run(tree, "rank", "P02", "--format", "json"))["rows"]
    assert all("tip rail" in {term["name"] for term in row["terms"]} for row in rows)


def test_a_column_is_one_field(tree: Path) -> None:
    """An optional column of mouthpieces: the template has it, a table that fills it is read, a slip in it is named."""
    path = tree / "matchkit" / "records" / "parts.py"
    before = path.read_text(encoding="utf-8")
    field = '    bite_angle_deg: Annotated[float | None, Quantity("slope of the beak", "degrees", 5, 60)] = None\n'
    mark = "    tip_rail_mm:"
    assert before.count(mark) == 1
    path.write_text(before.replace(mark, field + mark), encoding="utf-8")
    run(tree, "tables", "template", "empty")
    with (tree / "empty" / "mouthpieces.csv").open(encoding="utf-8") as file:
        assert "bite_angle_deg" in next(csv.reader(file))
    demo = tree / "data" / "demo" / "mouthpieces.csv"
    lines = demo.read_text(encoding="utf-8").splitlines()
    demo.write_text("\n".join([f"{lines[0]},bite_angle_deg", *(f"{line},22" for line in lines[1:]), ""]), encoding="utf-8")
    assert run(tree, "rank", "P02", "--data", str(tree / "data" / "demo"))
    demo.write_text(demo.read_text(encoding="utf-8").replace(",22\n", ",99\n", 1), encoding="utf-8")
    wrong = subprocess.run(
        [sys.executable, "-m", "matchkit", "tables", "check", "data/demo"],
        cwd=tree,
        env={**os.environ, "PYTHONPATH": str(tree)},
        capture_output=True,
        text=True,
        check=False,
    )
    assert wrong.returncode == 3
    assert "column bite_angle_deg: read '99'" in wrong.stdout + wrong.stderr
