"""What the tests share: the demo house opened once, houses made from it, and the reference cases."""

from __future__ import annotations

import atexit
import csv
import json
import os
import secrets
import shutil
import tempfile
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest
from hypothesis import settings
from postgres_server import must_be_installed, server

import matchkit as mk
from matchkit.files import shipped
from matchkit.tables.carry import carry_in
from matchkit.tables.source import Tables
from matchkit.tables.store import read_tables

if not os.environ.get("PYTEST_XDIST_WORKER"):
    # what the tests compute is kept in a place of their own, which the processes they start share
    os.environ["XDG_CACHE_HOME"] = tempfile.mkdtemp(prefix="matchkit-cache-")
    atexit.register(shutil.rmtree, os.environ["XDG_CACHE_HOME"], ignore_errors=True)

settings.register_profile("repeatable", derandomize=True, deadline=None)
settings.load_profile("repeatable")

REFERENCE = Path(__file__).parent / "reference"


@dataclass(frozen=True)
class Case:
    """One published or derived value with its source."""

    file: str
    label: str
    source: str
    place: str
    inputs: dict[str, Any]
    expected: dict[str, Any]
    tolerance: dict[str, float]

    def check(self, name: str, value: float, entry: int | None = None) -> None:
        """Hold a value against the case, within its own tolerance."""
        wanted = self.expected[name] if entry is None else self.expected[name][entry]
        assert value == pytest.approx(wanted, abs=self.tolerance[name], rel=0), f"{self.file}: {name} ({self.source})"


def reference(name: str, **needed: str) -> list[Case]:
    """Return the cases of a reference file; ``has`` keeps those that expect that name, ``given`` those with that input."""
    data = json.loads((REFERENCE / f"{name}.json").read_text(encoding="utf-8"))
    cases = [
        Case(name, case["label"], case["source"], case["place"], case["inputs"], case["expected"], case.get("tolerance", {}))
        for case in data["cases"]
    ]
    if "has" in needed:
        cases = [case for case in cases if needed["has"] in case.expected]
    if "given" in needed:
        cases = [case for case in cases if needed["given"] in case.inputs]
    assert cases, f"no case of {name} {needed}"
    return cases


@pytest.fixture(scope="session")
def postgres() -> Iterator[str]:
    """Start a throw-away PostgreSQL on the loopback, and give the address of its server without a database.

    Skipped where PostgreSQL is not installed, but never in CI.
    """
    must_be_installed()
    with server() as address:
        yield address


@pytest.fixture
def database(postgres: str) -> str:
    """Make an empty PostgreSQL database, and give its address."""
    import psycopg

    name = f"shop_{secrets.token_hex(4)}"
    with psycopg.connect(f"{postgres}/postgres", autocommit=True) as server:
        server.execute(f'CREATE DATABASE "{name}"'.encode())
    return f"{postgres}/{name}"


@pytest.fixture(params=["sqlite", "postgresql"])
def empty_book(request: pytest.FixtureRequest, tmp_path: Path) -> str:
    """Return where a book may be made: an SQLite file, then a PostgreSQL database."""
    return str(tmp_path / "shop.sqlite") if request.param == "sqlite" else str(request.getfixturevalue("database"))


@pytest.fixture(scope="session")
def _filled_file(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The demo house in an SQLite file, to be copied."""
    path = tmp_path_factory.mktemp("filled") / "demo.sqlite"
    carry_in(shipped("data/demo"), path)
    return path


@pytest.fixture(scope="session")
def _filled_database(postgres: str) -> str:
    """The demo house in a PostgreSQL database, to be copied: its name."""
    import psycopg

    with psycopg.connect(f"{postgres}/postgres", autocommit=True) as server:
        server.execute("CREATE DATABASE filled")
    carry_in(shipped("data/demo"), f"{postgres}/filled")
    return "filled"


@pytest.fixture(params=["sqlite", "postgresql"])
def demo_book(request: pytest.FixtureRequest, tmp_path: Path) -> str:
    """The demo house in a book of its own: an SQLite file, then a PostgreSQL database."""
    if request.param == "sqlite":
        return str(shutil.copy(request.getfixturevalue("_filled_file"), tmp_path / "shop.sqlite"))
    import psycopg

    postgres, filled = request.getfixturevalue("postgres"), request.getfixturevalue("_filled_database")
    name = f"shop_{secrets.token_hex(4)}"
    with psycopg.connect(f"{postgres}/postgres", autocommit=True) as server:
        server.execute(f'CREATE DATABASE "{name}" TEMPLATE {filled}'.encode())
    return f"{postgres}/{name}"


@pytest.fixture(autouse=True, scope="session")
def _demo_read_once() -> Iterator[None]:
    """The tables of the demo house, which nothing changes, are read once for all tests of a process."""
    demo = shipped("data/demo")
    kept = read_tables(demo)

    def read(source: str | Path, **options: Any) -> Tables:
        return kept if source == demo and not options else read_tables(source, **options)

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("matchkit.house.opening.read_tables", read)
        yield


@pytest.fixture(scope="session")
def house() -> mk.House:
    return mk.open()


Rows = list[dict[str, str]]
Edit = Callable[[Rows], Rows]


def read_rows(path: Path) -> Rows:
    with path.open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def write_rows(path: Path, rows: Rows, columns: list[str] | None = None) -> None:
    with path.open("w", encoding="utf-8", newline="") as file:
        writer = csv.DictWriter(file, columns or list(rows[0]))
        writer.writeheader()
        writer.writerows(rows)


@pytest.fixture
def demo_copy(tmp_path: Path) -> Path:
    """A copy of the demo house that a test may change."""
    return Path(shutil.copytree(shipped("data/demo"), tmp_path / "house"))


def edit_table(folder: Path, table: str, edit: Edit) -> None:
    """Change a table of a copied house; an empty result keeps the header."""
    path = folder / f"{table}.csv"
    rows = read_rows(path)
    columns = list(rows[0])
    write_rows(path, edit(rows), columns)


def drop_playtests(folder: Path) -> None:
    """Leave a copied house without playtests: physics alone."""
    edit_table(folder, "playtests", lambda _: [])
