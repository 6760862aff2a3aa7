"""What was computed before: the same answers to the last bit, and nothing that can go wrong with the file changes them."""

from __future__ import annotations

import json
import os
import re
import sqlite3
import subprocess
import sys
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner

import matchkit as mk
from matchkit import constants, files
from matchkit.cli import main
from matchkit.files import CACHE_FILE, Cache, shipped
from matchkit.learn import kept
from matchkit.pairs import kept as pairs_kept
from matchkit.parts import kept as parts_kept
from matchkit.tables.store import read_tables

TABLES = read_tables(shipped("data/demo"))


def house(folder: Path | None) -> mk.House:
    """The demo house without its model, so that all of it is fitted."""
    return mk.House(TABLES, demo=True, cache=folder)


def asked(it: mk.House) -> dict[str, Any]:
    """A ranking with all its numbers, as Python has them."""
    return it.rank("P02", top=5, wish=["freer"]).to_dict()


@pytest.fixture(scope="module")
def computed() -> dict[str, Any]:
    return asked(house(None))


def refuse(*_: object, **__: object) -> None:
    raise AssertionError("computed again")


def test_the_second_answer_computes_nothing_and_is_the_same_to_the_last_bit(
    tmp_path: Path, computed: dict[str, Any], monkeypatch: pytest.MonkeyPatch
) -> None:
    """Facings, contacts and the fitted model come from the file; every number of the answer is the one that was computed."""
    first = house(tmp_path)
    assert asked(first) == computed
    for module, name in ((parts_kept, "facing_part"), (pairs_kept, "solve_block"), (kept, "fit_blend")):
        monkeypatch.setattr(module, name, refuse)
    again = house(tmp_path)
    assert asked(again) == computed
    assert not first.cache.note
    assert not again.cache.note
    for one, other in zip(first.parts.facings, again.parts.facings, strict=True):
        assert one.lay.fair.covariance_m2.tolist() == other.lay.fair.covariance_m2.tolist()
        assert one.lay.fair.with_tip_m2.tolist() == other.lay.fair.with_tip_m2.tolist()
        assert (one.smoothness_m, one.leak_m2, one.assumed) == (other.smoothness_m, other.leak_m2, other.assumed)


def _truncate(path: Path) -> None:
    path.write_bytes(path.read_bytes()[:5000])


def _foreign_text(path: Path) -> None:
    path.write_text("this is no cache at all, and long enough to be looked at\n" * 50)


def _foreign_database(path: Path) -> None:
    path.unlink()
    with sqlite3.connect(path) as other:
        other.execute("CREATE TABLE songs (name TEXT)")
    other.close()


def _middle_lost(path: Path) -> None:
    content = bytearray(path.read_bytes())
    content[4096 : len(content) // 2] = bytes(len(content) // 2 - 4096)
    path.write_bytes(bytes(content))


def _entries_flipped(path: Path) -> None:
    with sqlite3.connect(path) as ours:
        rows = ours.execute("SELECT key, value FROM kept").fetchall()
        ours.executemany("UPDATE kept SET value = ? WHERE key = ?", [(value[:-1] + b"!", key) for key, value in rows])
    ours.close()


def _entries_of_another_form(path: Path) -> None:
    with sqlite3.connect(path) as ours:
        rows = ours.execute("SELECT key FROM kept").fetchall()
        ours.executemany(
            "UPDATE kept SET value = ? WHERE key = ?",
            [(files._check(key, b'{"lay": 1}') + b'{"lay": 1}', key) for (key,) in rows],
        )
    ours.close()


@pytest.mark.parametrize(
    ("spoil", "told"),
    [
        (_truncate, 1),
        (_foreign_text, 1),
        (_foreign_database, 1),
        (_middle_lost, 1),
        (_entries_flipped, 1),
        (_entries_of_another_form, 0),
        (Path.unlink, 0),
    ],
)
def test_a_damaged_or_foreign_file_is_made_anew(
    spoil: Any, told: int, tmp_path: Path, computed: dict[str, Any], monkeypatch: pytest.MonkeyPatch
) -> None:
    """Whatever stands there, the answer is the computed one, said in one line at most, and the next question finds the file mended."""
    asked(house(tmp_path))
    spoil(tmp_path / CACHE_FILE)
    damaged = house(tmp_path)
    assert asked(damaged) == computed
    assert len(damaged.cache.note.splitlines()) == told
    asked(house(tmp_path))
    monkeypatch.setattr(pairs_kept, "solve_block", refuse)
    mended = house(tmp_path)
    assert asked(mended) == computed
    assert not mended.cache.note


def test_a_place_that_cannot_be_written_is_gone_without(tmp_path: Path, computed: dict[str, Any]) -> None:
    """A file where the folder should be, and a folder where the file should be, are no hindrance."""
    (tmp_path / "file").write_text("x")
    assert asked(house(tmp_path / "file")) == computed
    (tmp_path / "folder" / CACHE_FILE).mkdir(parents=True)
    assert asked(house(tmp_path / "folder")) == computed


def test_other_constants_and_other_code_have_entries_of_their_own(
    tmp_path: Path, computed: dict[str, Any], monkeypatch: pytest.MonkeyPatch
) -> None:
    """A changed constant is never answered from what was computed under the old one."""
    asked(house(tmp_path))
    monkeypatch.setattr(constants, "LIP_SPREAD", replace(constants.LIP_SPREAD, value=6.0))
    changed = asked(house(None))
    assert changed["rows"] != computed["rows"]
    assert asked(house(tmp_path))["rows"] == changed["rows"]
    one, other = Cache(tmp_path, version=b"1"), Cache(tmp_path, version=b"2")
    one.put({one.key("a", "b"): b"c"})
    assert one.get([one.key("a", "b")]) == {one.key("a", "b"): b"c"}
    assert other.get([other.key("a", "b")]) == {}
    assert one.key("a", "bc") != one.key("a", "b", "c")


def test_two_processes_at_once(tmp_path: Path) -> None:
    """Four programs that begin together on no cache give one answer, and leave a file that is whole."""
    command = [sys.executable, "-m", "matchkit", "rank", "P05", "--format", "json"]
    env = {**os.environ, "XDG_CACHE_HOME": str(tmp_path)}
    running = [subprocess.Popen(command, env=env, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True) for _ in range(4)]
    said = [process.communicate() for process in running]
    assert [process.returncode for process in running] == [0] * 4
    assert len({out for out, _ in said}) == 1
    assert not any("cache" in err for _, err in said)
    with sqlite3.connect(tmp_path / "matchkit" / CACHE_FILE) as ours:
        assert ours.execute("PRAGMA integrity_check").fetchone() == ("ok",)
    ours.close()


def test_without_cache_nothing_is_kept(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """--no-cache neither reads nor writes; the answer is the same. A damaged file is told on stderr in one line."""
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path))
    words = ["rank", "P02", "--format", "json"]
    plain = CliRunner().invoke(main, [*words, "--no-cache"])
    assert not list(tmp_path.iterdir())
    kept_ = CliRunner().invoke(main, words)
    assert json.loads(plain.stdout) == json.loads(kept_.stdout)
    _foreign_text(tmp_path / "matchkit" / CACHE_FILE)
    assert not CliRunner().invoke(main, [*words, "--no-cache"]).stderr.count("note: ")
    damaged = CliRunner().invoke(main, words)
    assert damaged.stdout == plain.stdout
    assert damaged.stderr.count("note: ") == 1
    assert "is made anew" in damaged.stderr
    assert not mk.open(cache=False).cache.on


def test_the_oldest_entries_are_forgotten(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Beyond its most the file keeps the newer half."""
    monkeypatch.setattr(files, "MOST_ENTRIES", 20)
    cache = Cache(tmp_path)
    keys = [cache.key("n", str(number)) for number in range(24)]
    for start in range(0, 24, 6):
        cache.put(dict.fromkeys(keys[start : start + 6], b"x"))
    left = cache.get(keys)
    assert keys[-1] in left
    assert keys[0] not in left
    assert len(left) <= 20


def test_whatever_computes_is_in_the_hash_of_the_code() -> None:
    """No room whose results are kept imports one that the hash leaves out, so that no change of code is answered from before."""
    home = Path(files.__file__).parent
    for room in files.COMPUTING:
        for path in (home / room).rglob("*.py"):
            imported = set(re.findall(r"(?:from|import) matchkit\.(\w+)", path.read_text(encoding="utf-8")))
            rooms = {name for name in imported if (home / name).is_dir()}
            assert rooms <= set(files.COMPUTING), path
