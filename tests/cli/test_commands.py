"""The commands: what a user sees, exit codes, formats."""

from __future__ import annotations

import csv
import io
import json
import os
import re
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner, Result
from conftest import Rows, drop_playtests, edit_table
from rich.cells import cell_len

import matchkit
from matchkit.cli import COMMANDS, main
from matchkit.cli.printing import clean, deliver, lay_out, paragraph, table, to_csv, to_json
from matchkit.errors import Problem, listing
from matchkit.words.closing import closing_screen
from matchkit.words.screen import Text, screen


@pytest.fixture(autouse=True, scope="module")
def _evaluated_once() -> Iterator[None]:
    """The demo house is evaluated once for all formats: it is the longest answer, and always the same."""
    kept: dict[tuple[str, bool], Any] = {}
    evaluate = matchkit.House.evaluate

    def once(house: matchkit.House, **options: Any) -> Any:
        key = (house.tables.source, options["nested"])
        if key not in kept:
            kept[key] = evaluate(house, **options)
        return kept[key]

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(matchkit.House, "evaluate", once)
        yield


def run(*arguments: str) -> Result:
    return CliRunner().invoke(main, list(arguments))


def answer(*arguments: str) -> str:
    result = run(*arguments)
    assert result.exit_code == 0, result.output
    return result.stdout


def as_json(*arguments: str) -> dict[str, Any]:
    loaded: dict[str, Any] = json.loads(answer(*arguments, "--format", "json"))
    return loaded


EVERY_ANSWER = [
    ("rank", "P01"),
    ("rank", "P04", "--alike", "--wish", "bigger sound"),
    ("rank", "--instrument", "tenor", "--now-mouthpiece", "95thou", "--now-reed", "unfiled 2.5", "--in-stock"),
    ("explain", "AM-03", "AR-A-3", "L-02", "--player", "P05"),
    ("explain", "AM-11", "AR-E-3"),
    ("rank", "P02", "--complaint", "tired lip", "--change", "reed", "--budget", "30"),
    ("strengths", "AM-08", "--player", "P02"),
    ("strengths", "BM-03", "--instrument", "baritone", "--now-mouthpiece", "2.4", "--now-reed", "3"),
    ("swap", "P02", "--mouthpiece", "AM-08"),
    ("swap", "P11", "--reed", "TR-A-2.5"),
    ("evaluate", "--quick"),
    ("facing", "AM-07"),
    ("facing", "AM-11"),
    ("facing", "TM-04"),
    ("gauge", "--tolerance", "stop=1.3"),
    ("reface", "TB-25-07", "--to", "drawing"),
    ("reface", "TB-25-02", "--reed", "TR-A-3", "--closing", "12.5"),
    ("reface", "TM-04", "--tip", "2.6"),
    ("closing", "TM-01", "TR-A-2.5"),
    ("closing", "AM-10", "AR-E-3", "--player", "P03"),
]


@pytest.mark.parametrize("arguments", EVERY_ANSWER, ids=" ".join)
def test_text_fits_eighty_columns_without_colour(arguments: tuple[str, ...]) -> None:
    """No line is longer than 80 characters and no control sequence is sent."""
    text = answer(*arguments)
    assert max(len(line) for line in text.splitlines()) <= 80
    assert "\x1b" not in text
    assert "nan" not in re.findall(r"[a-z]+", text)
    assert not re.search(r"-0\.0+(?!\d)", text)


@pytest.mark.parametrize("arguments", EVERY_ANSWER, ids=" ".join)
def test_json_is_strict_and_carries_six_digits(arguments: tuple[str, ...]) -> None:
    """JSON parses, holds no NaN, and every float has six significant digits at most."""
    text = answer(*arguments, "--format", "json")
    for number in re.findall(r"-?\d+\.\d+(?:e-?\d+)?", re.sub(r'"(?:[^"\\]|\\.)*"', '""', text)):
        assert float(f"{float(number):.6g}") == float(number)
    assert json.loads(text, parse_constant=pytest.fail)["schema"].startswith("matchkit.")


@pytest.mark.parametrize("arguments", EVERY_ANSWER, ids=" ".join)
def test_csv_is_flat(arguments: tuple[str, ...]) -> None:
    """Csv answers have a header and rows of single values."""
    rows = list(csv.DictReader(io.StringIO(answer(*arguments, "--format", "csv"))))
    assert rows
    assert not any(cell.startswith(("[", "{", "(")) for row in rows for cell in row.values())


def test_rank_json_has_the_stable_keys() -> None:
    """The keys that others rely on are there, with rows and reasons."""
    found = as_json("rank", "P01", "--top", "2")
    assert found["schema"] == "matchkit.rank/1"
    assert {"player", "wish", "model", "rows", "refused"} <= found.keys()
    for row in found["rows"]:
        assert {
            "position", "mouthpiece_id", "reed_id", "ligature_id", "ligature_ids", "score", "score_low", "score_high",
            "computed", "correction", "evidence", "terms", "changes", "is_present", "groups", "playtests",
        } <= row.keys()  # fmt: skip
        assert {"name", "desirability", "weight", "share"} <= row["terms"][0].keys()
        assert {"name", "points"} <= row["groups"][0].keys()
        assert {"playtest", "points", "rating", "residual"} <= row["playtests"][0].keys()
        assert 0 <= row["score_low"] <= row["score_high"] <= 100


def test_closing_json_has_the_stable_keys() -> None:
    """Every quantity of a closing is there under its name and unit, with its uncertainty where one is known."""
    found = as_json("closing", "TM-01", "TR-A-2.5")
    assert {
        "closing_pressure_kpa", "stiffness_mpa_per_m", "rest_area_mm2", "effort_kpa", "lip_area_mm2", "lip_load_n",
        "playing_opening_mm", "playing_area_mm2", "peak_flow_l_s", "closing_share", "closing_share_free", "elbow_pressure_kpa",
        "seal_pressure_kpa", "first_contact_mm", "clamp_mm", "u_closing_pressure_kpa", "u_clamp_mm",
    } <= found.keys()  # fmt: skip
    assert found["stiffness_mpa_per_m"] == pytest.approx(found["closing_pressure_kpa"] / found["tip_opening_mm"], rel=1e-4)
    assert found["lip_load_n"] == pytest.approx(found["effort_kpa"] * found["lip_area_mm2"] * 1e-3, rel=1e-4)
    parts = found["u_parts"]
    assert sum(part**2 for part in parts.values()) ** 0.5 == pytest.approx(found["u_closing_pressure_kpa"], rel=1e-4)
    assert max(parts, key=lambda name: parts[name]) == found["u_dominated_by"]


def test_rank_says_what_it_rests_on() -> None:
    """The model, invented as it is, goes to stderr; the interval and what was left out are told once."""
    result = run("rank", "P01")
    assert "900 playtests (invented)" in result.stderr
    assert result.stdout.count("ight of ten next marks") == 1
    assert "Left out: " in run("rank", "P02", "--top", "1").stdout
    assert "Now: expect" in result.stdout


def test_the_place_of_the_lip_is_asked_for() -> None:
    """``--lip`` is the visitor's own; a lip further back has the larger lip area, and the assumption is no longer told."""
    near, far = (
        json.loads(answer("rank", "--instrument", "alto", "--lip", lip, "--top", "1", "--format", "json"))
        for lip in ("8", "13")
    )
    shares = [next(t for t in found["rows"][0]["terms"] if t["name"] == "closing")["desirability"] for found in (near, far)]
    assert shares[0] != shares[1]


def test_a_customer_known_by_a_tip_and_a_strength() -> None:
    """What was typed is repeated as a doubt; one step freer is told as such, with how sure it is."""
    text = answer(
        "rank", "--instrument", "alto", "--embouchure", "light", "--now-mouthpiece", "75thou", "--now-reed", "3",
        "--wish", "freer",
    )  # fmt: skip
    assert "who plays a 1.91 mm mouthpiece with a 3" in " ".join(text.split())
    assert "Strength numbers differ between makers" in " ".join(text.split())
    assert re.search(r"(a touch|half a strength) freer", " ".join(text.split()))


def test_partly_unknown_present_set_up() -> None:
    """With the reed unknown the target is the middle of the house, and says so."""
    text = answer("rank", "--instrument", "alto", "--now-mouthpiece", "1.9mm", "--now-reed", "?", "--top", "2")
    assert "What they play now would sharpen this: reed not known." in text
    assert "the middle of" in " ".join(text.split())


def test_fixed_parts_are_kept() -> None:
    """Each part can be fixed; a pair that does not fit is refused with its reason, and is a legal answer."""
    rows = as_json("rank", "P01", "--mouthpiece", "AM-02", "--ligature", "L-14", "--top", "50")["rows"]
    assert {row["mouthpiece_id"] for row in rows} == {"AM-02"}
    assert {name for row in rows for name in row["ligature_ids"]} == {"L-14"}
    text = answer("rank", "P01", "--reed", "TR-A-3")
    assert "Nothing fits" in text
    assert "for another instrument" in text
    assert as_json("rank", "P01", "--reed", "TR-A-3", "--across")["rows"]


def test_in_stock_leaves_out_what_is_gone() -> None:
    """Nothing of a stocked-only answer is counted as 0 in the tables."""
    house = matchkit.open()
    tables = house.tables
    gone = {piece.id for piece in tables.mouthpieces if piece.stock == 0}
    gone |= {reed.id for reed in tables.reeds if reed.stock == 0} | {item.id for item in tables.ligatures if item.stock == 0}
    for row in as_json("rank", "P02", "--in-stock", "--top", "200")["rows"]:
        assert not gone & {row["mouthpiece_id"], row["reed_id"], *row["ligature_ids"]}


def test_explain_shows_every_term_with_its_numbers() -> None:
    """Every term has its number, limits, how far it is fulfilled, weight and cost; assumptions and the measurement to take are named."""
    text = answer("explain", "AM-03", "AR-A-3", "L-02", "--player", "P05")
    for term in ("resistance", "opening", "closing", "smoothness", "rails", "box spread", "volume"):
        assert re.search(rf"^{term} .*\d", text, re.MULTILINE), term
    for words in ("Assumed:", "Measure next:", "With everything right", "Marks add", "behind it"):
        assert words in text


def test_explain_a_set_up_that_would_be_refused() -> None:
    """A set-up that does not fit is explained all the same, with the reason against it."""
    text = answer("explain", "AM-03", "AR-A-3", "L-12", "--player", "P05")
    assert "Would not be offered: ligature too small." in text


def test_train_and_use_a_model(demo_copy: Path) -> None:
    """Training writes the model beside the tables, says its settings, and the next command uses it."""
    assert "Learned from 900 marks" in answer("train", "--data", str(demo_copy))
    assert "model model.npz" in run("rank", "P01", "--data", str(demo_copy)).stderr
    assert "nothing about the world" in " ".join(answer("evaluate", "--quick").split())


def test_complaint_is_answered_first_with_what_is_free() -> None:
    """Free steps come before any set-up; the parts to lay ready and the cost are named."""
    text = answer("rank", "P02", "--complaint", "tired lip", "--change", "reed")
    assert text.index("Before anything is bought") < text.index("For P02")
    assert "Change only the reed" in text
    assert "Too hard? Try the" in text


def test_closes_up_is_said_in_words() -> None:
    """A set-up that shuts before the lip does anything says so and keeps its negative effort."""
    found = matchkit.open().closing("TM-01", "TR-A-2", player=matchkit.Visitor(instrument="tenor", blow_kpa=5.0))
    assert found.closes_up
    assert found.effort_kpa < 0
    assert "closes up" in " ".join(lay_out(closing_screen(found)).split())
    assumed = as_json("closing", "TM-01", "TR-A-2")
    assert assumed["effort_kpa"] < 0.35 * assumed["closing_pressure_kpa"]
    assert not assumed["closes_up"]  # nobody's blowing pressure was measured


@pytest.mark.parametrize(
    ("arguments", "code", "words"),
    [
        (("rank",), 2, "whom for?"),
        (("rank", "P99"), 2, "no player has the id 'P99'"),
        (("rank", "P01", "--instrument", "alto"), 2, "not both"),
        (("rank", "--embouchure", "light"), 2, "--instrument is needed"),
        (("rank", "P01", "--wish", "louder"), 2, "is not a wish"),
        (("rank", "P01", "--wish", "freer", "--wish", "more resistance"), 2, "are opposites"),
        (("rank", "P04", "--wish", "softer reed"), 2, "softer or harder reed than which?"),
        (("rank", "P04", "--wish", "brighter"), 2, "brighter or darker than what?"),
        (("rank", "P01", "--top", "0"), 2, "one set-up or more"),
        (("rank", "P01", "--jobs", "0"), 2, "jobs is 0"),
        (("rank", "P01", "--mouthpiece", "AM-0"), 2, "did you mean AM-"),
        (("rank", "--instrument", "alto", "--now-mouthpiece", "7*"), 2, "a maker's own number says nothing here"),
        (("rank", "--instrument", "alto", "--now-mouthpiece", "9mm"), 2, "expected a tip opening"),
        (("rank", "--instrument", "alto", "--now-reed", "medium"), 2, "as a reed"),
        (("rank", "--instrument", "alto", "--now-reed", "27"), 2, "did you mean 2.7?"),
        (("rank", "--instrument", "alto", "--now-ligature", "L-99"), 2, "no ligature"),
        (("rank", "--instrument", "alto", "--blow", "90"), 2, "0.3 to 15 kPa"),
        (("rank", "P01", "--neck", "N-Q"), 2, "no neck"),
        (("closing", "TM-01", "TR-A-9"), 2, "no reed"),
        (("closing", "TM-01", "TR-A-2", "--offset", "5"), 2, "expected -3 to 3"),
        (("rank", "P01", "--data", "/nowhere"), 4, "expected a directory"),
        (("tables", "check", "/nowhere"), 4, "expected a directory"),
        (("rank", "P01", "--out", "/nowhere/x.txt"), 4, "cannot be written"),
        (("rank", "P01", "--out", ""), 2, "expected the name of a file"),
        (("rank", "P01", "--neck", "N-S"), 2, "is for soprano; expected one for alto"),
        (("rank", "--instrument", "alto", "--now-mouthpiece", "AM-99"), 2, "did you mean AM-09"),
        (("rank", "--instrument", "alto", "--now-reed", "tenor-A 2.5"), 2, "did you mean 'alto-A 2.5'?"),
        (("tables", "template", "/dev/null/x"), 4, "cannot be written"),
        (("exchange",), 2, "No such command"),
        (("swap",), 2, "whom for?"),
        (("swap", "P02"), 2, "one of them"),
        (("strengths", "AM-77"), 2, "no mouthpiece"),
        (("rank", "P02", "--complaint", "noise"), 2, "not a complaint known here"),
        (("train",), 2, "name a file with --out"),
        (("rank", "P02", "--model", "/nowhere/m.npz"), 4, "no such model file"),
    ],
)
def test_errors_have_words_and_codes(arguments: tuple[str, ...], code: int, words: str) -> None:
    """Each wrong question gets one clear message on stderr and its exit code; nothing goes to stdout."""
    result = run(*arguments)
    assert result.exit_code == code, result.output
    assert words in re.sub(r"\s+", " ", result.stderr)
    assert not result.stdout
    assert "Traceback" not in result.output


def test_bad_data_is_exit_code_three(demo_copy: Path) -> None:
    """Bad tables stop every command with code 3 and every problem; check prints them with code 3 too, in each format."""

    def spoil(rows: Rows) -> Rows:
        rows[3]["tip_opening_mm"] = "192"
        rows[4]["instrument"] = "kazoo"
        return rows

    edit_table(demo_copy, "mouthpieces", spoil)
    for arguments in (("rank", "P01"), ("closing", "TM-01", "TR-A-2")):
        result = run(*arguments, "--data", str(demo_copy))
        assert result.exit_code == 3
        assert "192 looks like 1.92 mm in hundredths" in result.stderr
        assert "kazoo" in result.stderr
    for style in ("table", "json", "csv"):
        result = run("tables", "check", str(demo_copy), "--format", style)
        assert result.exit_code == 3
        assert "hundredths" in result.stdout
        assert "kazoo" in result.stdout
    found = json.loads(run("tables", "check", str(demo_copy), "--format", "json").stdout)
    assert {"source": "mouthpieces.csv", "row": 5, "column": "tip_opening_mm"}.items() <= found["problems"][0].items()


def test_check_of_a_good_house(demo_copy: Path) -> None:
    """A house without problems says what was read and exits 0."""
    text = answer("tables", "check", str(demo_copy))
    assert "no problems" in text
    assert "900 playtests" in text


def test_template_command(tmp_path: Path) -> None:
    """The template command names the files it wrote, and refuses to write them twice."""
    assert "mouthpieces.csv" in answer("tables", "template", str(tmp_path / "t"))
    assert run("tables", "template", str(tmp_path / "t")).exit_code == 4
    assert answer("tables", "check", str(tmp_path / "t"))


def test_out_writes_whole_files(tmp_path: Path) -> None:
    """--out writes what stdout would have shown, replaces a file whole, and leaves nothing else behind."""
    out = tmp_path / "answer.json"
    out.write_text("old")
    assert answer("closing", "TM-01", "TR-A-2", "--format", "json", "--out", str(out)) == ""
    assert out.read_text() == answer("closing", "TM-01", "TR-A-2", "--format", "json")
    assert [path.name for path in tmp_path.iterdir()] == ["answer.json"]


def test_a_kill_in_the_middle_of_a_write_keeps_the_old_file(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """If replacing fails, the old file stands as it was and no half file is left under its name."""
    out = tmp_path / "answer.txt"
    out.write_text("old")

    def fail(*_: object) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(Path, "replace", fail)
    result = run("closing", "TM-01", "TR-A-2", "--out", str(out))
    assert result.exit_code == 4
    assert "No space left" in result.stderr
    assert out.read_text() == "old"
    assert [path.name for path in tmp_path.iterdir()] == ["answer.txt"]


def test_out_keeps_permissions_and_follows_links(tmp_path: Path) -> None:
    """A file keeps its permissions, a new one gets the usual ones, a link stays a link, and a device is only written to."""
    real, link, new = tmp_path / "real.txt", tmp_path / "link.txt", tmp_path / "new.txt"
    real.write_text("old")
    real.chmod(0o640)
    link.symlink_to(real)
    before = os.umask(0o022)
    try:
        deliver("answer\n", str(link))
        deliver("answer\n", str(new))
        deliver("answer\n", os.devnull)
    finally:
        os.umask(before)
    assert link.is_symlink()
    assert real.read_text() == new.read_text() == "answer\n"
    assert (real.stat().st_mode & 0o777, new.stat().st_mode & 0o777) == (0o640, 0o644)
    assert not Path(os.devnull).is_file()


def test_a_terminal_of_few_characters_is_no_error() -> None:
    """Where the terminal cannot show a character it is replaced; the table's rule needs none."""
    command = [sys.executable, "-m", "matchkit", "explain", "TM-01", "TR-A-2.5"]
    done = subprocess.run(command, capture_output=True, check=True, env={**os.environ, "PYTHONIOENCODING": "ascii"})
    assert b"?m" in done.stdout
    assert b"----" in done.stdout


def test_long_lists_are_counted_in_text_and_whole_in_json(tmp_path: Path) -> None:
    """A thousand rows with one slip, of four thousand, print one line, and twenty slips of a column a line each and a count; JSON has all of them.

    A whole column is told once.
    """
    rows = "".join(f"M{k},alto,{180 + k / 100 if k % 4 == 0 else 1.9}\n" for k in range(4000))
    (tmp_path / "mouthpieces.csv").write_text(f"id,instrument,tip_opening_mm\n{rows}")
    (tmp_path / "reeds.csv").write_text("id,instrument,cut,strength\n")
    (tmp_path / "ligatures.csv").write_text("id\n")
    text = run("tables", "check", str(tmp_path)).stdout
    assert text.count("looks like") == 1
    assert "so in 1000 rows: '180.04', '180.08', '180.12' and others" in " ".join(text.split())
    assert len(json.loads(run("tables", "check", str(tmp_path), "--format", "json").stdout)["problems"]) == 1000
    told = listing(Problem("reeds.csv", row, "cut", f"'{row}'", "filed or unfiled") for row in range(2, 1002))
    assert len(told) == 21
    assert told[-1] == "reeds.csv, column cut: and 980 more"
    whole = "".join(f"M{k},alto,190\n" for k in range(1000))
    (tmp_path / "mouthpieces.csv").write_text(f"id,instrument,tip_opening_mm\n{whole}")
    (problem,) = json.loads(run("tables", "check", str(tmp_path), "--format", "json").stdout)["problems"]
    assert problem["read"] == "1000 of 1000 numbers out of range, such as '190'"
    assert "divide by 100" in problem["hint"]


def test_names_cannot_harm_terminal_or_spreadsheet(demo_copy: Path) -> None:
    """Markup is printed as typed, control characters are not sent, and a formula is no formula in csv."""
    drop_playtests(demo_copy)

    def rename(rows: Rows) -> Rows:
        for row in rows:
            row["label"] = "=HYPERLINK(\x1b[31m[red]<b>x</b>)"
        return rows

    edit_table(demo_copy, "mouthpieces", rename)
    text = answer("rank", "P01", "--data", str(demo_copy))
    assert "\x1b" not in text
    assert "[red]<b>x</b>" in text
    rows = list(csv.DictReader(io.StringIO(answer("rank", "P01", "--data", str(demo_copy), "--format", "csv"))))
    assert all(row["mouthpiece_label"].startswith("'=HYPERLINK") for row in rows)


def test_printing_pieces() -> None:
    """Cells are cleaned, markup in tables stays text, floats are rounded, empty csv is empty."""
    assert clean("a\x07b") == "a\N{REPLACEMENT CHARACTER}b"
    assert "[bold]x" in table([("a", "left")], [("[bold]x",)])


def test_a_wide_table_is_wrapped_and_never_cut() -> None:
    """Every word of every cell stands in a table that is too wide, which fits on 80 columns all the same: the column of most words gives way."""
    rows = [
        (f"TB-25-{k}", "left against right rail, 0.038 mm feeler", "0.395", "0.050", "-0.15 to 0.15", "100 %") for k in range(3)
    ]
    titles = [("piece", "left"), ("size", "left"), ("read", "right"), ("u", "right"), ("allowed", "left"), ("is out", "right")]
    text = table(titles, rows)
    assert max(map(len, text.splitlines())) <= 80
    for row in rows:
        assert all(cell in text for place, cell in enumerate(row) if place != 1)
    assert all(text.split().count(word) >= 3 for word in ["left", "against", "right", "rail,", "feeler"])
    assert json.loads(to_json({"x": [1.23456789, (2, None)]})) == {"x": [1.23457, [2, None]]}
    assert to_csv([], ["a", "b"]) == "a,b\n"
    assert to_csv([{"a": "@x", "b": 0.1 + 0.2}, {"a": " =1+1", "b": 1}], ["a", "b"]) == "a,b\n'@x,0.3\n' =1+1,1\n"


def test_long_and_wide_words_stay_within_the_page() -> None:
    """A word longer than a line is cut, and wide characters count as two."""
    for text in (paragraph("x" * 200 + " y"), lay_out(screen(Text("リード" * 40, indent=3))), paragraph("")):
        assert all(cell_len(line) <= 80 for line in text.splitlines())
    assert "".join(paragraph("x" * 200).split()) == "x" * 200


def test_help_of_every_command() -> None:
    """Each command explains itself within 80 columns."""
    for arguments in ([], *[[name] for name in COMMANDS], ["tables", "check"], ["tables", "template"]):
        text = answer(*arguments, "--help")
        assert "Usage:" in text
        assert max(len(line) for line in text.splitlines()) <= 80
    assert matchkit.__version__ in answer("--version")


def test_rows_that_differ_by_ligature_only_say_so(demo_copy: Path) -> None:
    """Where all rows are one mouthpiece and reed with other ligatures, that is said."""
    text = answer("rank", "P01", "--mouthpiece", "AM-06", "--reed", "AR-D-2", "--top", "2", "--data", str(demo_copy))
    assert "These differ by their ligature only." in re.sub(r"\s+", " ", text)
