"""The maker's commands: exit codes, formats, figures, and messages that say what to do."""

from __future__ import annotations

import csv
import io
import json
import re
import shutil
import xml.etree.ElementTree as ET
from dataclasses import replace
from pathlib import Path

import pytest
from click.testing import CliRunner, Result
from rich.cells import cell_len

import matchkit as mk
from matchkit.cli import main
from matchkit.cli.printing import lay_out
from matchkit.files import shipped
from matchkit.report import figures
from matchkit.words.maker.batch.screen import batch_screen
from matchkit.words.maker.reface import CAUTIONS


def run(*arguments: str) -> Result:
    return CliRunner().invoke(main, list(arguments))


def test_a_batch_that_fails_ends_with_five() -> None:
    """Exit code 5 with the whole answer printed, within 80 columns; stderr says that the batch is invented."""
    result = run("batch")
    assert result.exit_code == 5
    assert "which is invented" in result.stderr
    for words in (
        "6 out of drawing",
        "TB-25-07",
        "left rail",
        "with the house reeds",
        "For the box",
    ):
        assert words in result.stdout
    assert "must not be breathed" in result.stdout
    assert max(cell_len(line) for line in result.stdout.splitlines()) <= 80


def test_a_batch_that_passes_ends_with_nought(tmp_path: Path) -> None:
    """Sound pieces alone: exit code 0, and what a sample without a failure proves."""
    folder = Path(shutil.copytree(shipped("data/demo-bench/batch"), tmp_path / "batch"))
    report = mk.open().batch(pair=False)
    sound = {piece.mouthpiece_id for piece in report.pieces if piece.verdict == "pass"} - {"TB-25-40"}
    for table, column in (("mouthpieces", "id"), ("facings", "mouthpiece_id")):
        path = folder / f"{table}.csv"
        with path.open(encoding="utf-8", newline="") as file:
            rows = [row for row in csv.DictReader(file) if row[column] in sound]
        with path.open("w", encoding="utf-8", newline="") as file:
            writer = csv.DictWriter(file, list(rows[0]))
            writer.writeheader()
            writer.writerows(rows)
    (folder / "lay_points.csv").unlink()
    result = run("batch", str(folder), "--no-pairing")
    assert result.exit_code == 0
    assert f"{len(sound)} good." in result.stdout
    assert "All are good; of others made so at most" in result.stdout
    assert "invented" not in result.stderr


def test_batch_in_every_format(tmp_path: Path) -> None:
    """JSON has pieces, features and pairing; csv one flat row a piece; ``--out`` holds what would be printed."""
    found = json.loads(run("batch", "--format", "json").stdout)
    assert found["schema"] == "matchkit.batch/1"
    assert len(found["pieces"]) == 40
    assert found["pieces"][6]["worst"]["feature"] == "rail_difference_mm"
    assert found["pairings"][0]["lots"][0]["in_range"] <= 1
    rows = list(csv.DictReader(io.StringIO(run("batch", "--format", "csv", "--no-pairing").stdout)))
    assert [row["verdict"] for row in rows].count("fail") == 6
    out = tmp_path / "batch.txt"
    assert run("batch", "--no-pairing", "--out", str(out)).exit_code == 5
    assert out.read_text(encoding="utf-8") == run("batch", "--no-pairing").stdout


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (("batch", "--figure", "FILE.svg", "--no-pairing"), "TB-25-07 F"),
        (("batch", "--figure-pairs", "FILE.svg"), "tenor-D 3.5"),
        (("facing", "TM-04", "--figure", "FILE.svg"), "off the fair curve"),
    ],
)
def test_figures_are_drawn(tmp_path: Path, arguments: tuple[str, ...], words: str) -> None:
    """An svg is well formed, names what it shows and is the same bytes each time; a png is one."""
    path = tmp_path / "figure.svg"
    named = [str(path) if item == "FILE.svg" else item for item in arguments]
    assert run(*named).exit_code in {0, 5}
    first = path.read_bytes()
    texts = [element.text or "" for element in ET.fromstring(first).iter("{http://www.w3.org/2000/svg}text")]
    assert any(words in text for text in texts)
    run(*named)
    assert path.read_bytes() == first
    picture = tmp_path / "figure.png"
    run(*[str(picture) if item == "FILE.svg" else item for item in arguments])
    assert picture.read_bytes().startswith(b"\x89PNG")


def test_figures_that_cannot_be_drawn(tmp_path: Path) -> None:
    """A nominal mouthpiece has no readings to draw; another ending is refused; a folder that is not there is told."""
    nominal = run("facing", "TM-10", "--figure", str(tmp_path / "a.svg"))
    assert nominal.exit_code == 2
    assert "no readings to draw" in nominal.output
    assert run("facing", "TM-04", "--figure", str(tmp_path / "a.gif")).exit_code == 2
    assert run("facing", "TM-04", "--figure", str(tmp_path / "none" / "a.svg")).exit_code == 4
    with pytest.raises(ValueError, match="no readings to draw"):
        figures.figure_bytes(mk.open().facing("TM-10"))
    folder = Path(shutil.copytree(shipped("data/demo-bench/batch"), tmp_path / "batch"))
    bare = tmp_path / "house.toml"
    text = (shipped("data/demo") / "house.toml").read_text(encoding="utf-8")
    bare.write_text(text.replace("tenor = [9.0, 20.0]\n", ""), encoding="utf-8")
    alone = run("batch", str(folder), "--house", str(bare), "--figure-pairs", str(tmp_path / "p.svg"))
    assert alone.exit_code == 2
    assert "no pairing to draw" in alone.output
    told = run("batch", str(folder), "--house", str(bare))
    assert "house.toml has no closing range" in " ".join(told.stdout.split())


def test_a_name_with_markup_stays_a_name(tmp_path: Path) -> None:
    """A piece called after HTML is text in the figure, a formula is quoted in csv, and nothing is lost."""
    folder = Path(shutil.copytree(shipped("data/demo-bench/batch"), tmp_path / "batch"))
    for table in ("mouthpieces", "facings"):
        path = folder / f"{table}.csv"
        path.write_text(
            path.read_text(encoding="utf-8").replace("TB-25-07", "<b>=7&</b>").replace("TB-25-08", "=A1+1"), encoding="utf-8"
        )
    picture = tmp_path / "figure.svg"
    result = run("batch", str(folder), "--no-pairing", "--figure", str(picture), "--format", "csv")
    assert result.exit_code == 5
    texts = [element.text or "" for element in ET.fromstring(picture.read_bytes()).iter("{http://www.w3.org/2000/svg}text")]
    assert any("<b>=7&</b>" in text for text in texts)
    assert "'=A1+1" in result.stdout


def test_each_tolerance_once() -> None:
    """Two tolerances of one quantity are a slip."""
    assert "each tolerance once" in run("gauge", "--tolerance", "stop=1", "--tolerance", "stop=2").stderr


def test_a_piece_of_a_batch_is_measured_by_itself(tmp_path: Path) -> None:
    """``facing`` finds a piece of the demo batch, and one in a folder of its own; a long name is broken, not the table."""
    assert (
        run("facing", "TB-25-07").stdout == run("facing", "TB-25-07", "--pieces", str(shipped("data/demo-bench/batch"))).stdout
    )
    assert "no mouthpiece" in run("facing", "TB-25-07", "--data", str(shipped("data/demo"))).stderr
    folder = Path(shutil.copytree(shipped("data/demo-bench/batch"), tmp_path / "batch"))
    long = "a-name-that-somebody-typed-with-great-care-and-no-blanks"
    for name in ("mouthpieces", "facings"):
        path = folder / f"{name}.csv"
        path.write_text(path.read_text(encoding="utf-8").replace("TB-25-07", long), encoding="utf-8")
    told = run("batch", str(folder), "--no-pairing").stdout
    assert "left rail 0.25 mm short" in " ".join(told.split())
    assert max(cell_len(line) for line in told.splitlines()) <= 80


def test_a_rail_short_within_the_drawing_is_not_lengthened() -> None:
    """Facing and batch agree: what the drawing allows is told as allowed."""
    told = " ".join(run("facing", "TB-25-12").stdout.split())
    assert "lengthen" not in told
    assert "within the 0.15 mm of the drawing" in told or "the rails are level" in told
    assert "if it is not twisted, lengthen the left rail" in " ".join(run("facing", "TB-25-07").stdout.lower().split())


def test_more_workers_than_any_machine_has_are_refused() -> None:
    """A thousand workers are a slip, told as one."""
    assert "at most 64 workers" in run("batch", "--jobs", "999").stderr


def test_gauge_in_every_format() -> None:
    """JSON and csv hold both studies; the text gives the lines for house.toml and says that the study is invented."""
    result = run("gauge", "--tolerance", "stop=1.3")
    assert "u_stop_mm = " in result.stdout
    assert "u_tip_mm = " in result.stdout
    assert "which is invented" in result.stderr
    assert "mean square" in run("gauge", "--numbers").stdout
    found = json.loads(run("gauge", "--format", "json").stdout)
    assert [study["quantity"] for study in found["studies"]] == ["stop", "tip_opening"]
    rows = list(csv.DictReader(io.StringIO(run("gauge", "--format", "csv").stdout)))
    assert {row["quantity"] for row in rows} == {"stop", "tip_opening"}
    assert run("gauge", "none.csv").exit_code == 4
    assert run("gauge", "--tolerance", "stop=-1").exit_code == 2
    for wrong, words in (("1.3", "of which of stop, tip_opening"), ("width=1", "which nobody read"), ("stop=x", "QUANTITY=MM")):
        assert words in run("gauge", "--tolerance", wrong).stderr


def test_a_study_of_one_person_is_a_reduced_answer(tmp_path: Path) -> None:
    """One operator: repeatability is told, and that reproducibility is not known."""
    path = tmp_path / "study.csv"
    rows = [f"stop,{piece},A,{repeat},{20 + piece + 0.05 * repeat}" for piece in (1, 2, 3, 4) for repeat in (1, 2)]
    path.write_text("\n".join(["quantity,piece,operator,repeat,reading_mm", *rows]) + "\n", encoding="utf-8")
    result = run("gauge", str(path))
    assert result.exit_code == 0
    assert "what another would read is not known" in result.stdout
    same = tmp_path / "same.csv"
    same.write_text(
        "\n".join(
            [
                "quantity,piece,operator,repeat,reading_mm",
                *(f"stop,{p},{o},{r},20" for p in (1, 2) for o in "AB" for r in (1, 2)),
            ]
        ),
        encoding="utf-8",
    )
    told = " ".join(run("gauge", str(same)).stdout.split())
    assert "read to a finer step" in told
    assert "house.toml" not in told
    study = run("facing", "TM-02", "--study", str(path))
    assert study.exit_code == 0
    assert run("batch", "--study", str(path), "--no-pairing").exit_code == 5


def test_reface_in_every_format(tmp_path: Path) -> None:
    """The text holds reasons, steps and cautions; JSON the plan; csv a row a station; another house.toml is a target."""
    text = run("reface", "TB-25-18", "--to", "drawing").stdout
    assert "Out of reach" in text
    assert "--table-down" in text
    assert text.rstrip().endswith("Nothing to do at the bench.")
    down = run("reface", "TB-25-18", "--to", "drawing", "--table-down").stdout
    assert re.findall(r"^(\d)\. ", down, re.MULTILINE) == [
        str(step) for step in range(1, 6)
    ]  # the tip and the baffle need nothing
    assert "nothing comes off" in run("reface", "TB-25-02", "--to", "fair").stdout  # all of it is less than the gauge can tell
    little = run("reface", "TB-25-07", "--to", "fair").stdout
    assert CAUTIONS[0] in " ".join(little.split())
    assert CAUTIONS[1] not in " ".join(little.split())  # little comes off
    much = " ".join(run("reface", "AM-05", "--tip", "+0.1", "--keep", "resistance").stdout.split())
    assert all(caution in much for caution in CAUTIONS)
    assert "Every house reed below plays as hard on it as before" in much
    plan = json.loads(run("reface", "TB-25-18", "--to", "drawing", "--table-down", "--format", "json").stdout)
    assert plan["schema"] == "matchkit.reface/1"
    assert plan["unreached"] == []
    rows = list(csv.DictReader(io.StringIO(run("reface", "TB-25-02", "--tip", "2.6", "--format", "csv").stdout)))
    assert len(rows) == 9
    other = tmp_path / "other.toml"
    base = (shipped("data/demo") / "house.toml").read_text(encoding="utf-8")
    other.write_text(base.replace("nominal = 2.50", "nominal = 2.60"), encoding="utf-8")
    opened = json.loads(run("reface", "TB-25-02", "--to", str(other), "--format", "json").stdout)
    assert 2.52 + 1.645 * 0.02 <= opened["target_tip_opening_mm"] <= 2.57  # the lower limit, a guard band inside
    assert run("reface", "TB-25-02", "--to", "nothing.toml").exit_code == 4
    assert run("reface", "nothing").exit_code == 2
    frame = mk.open().reface("TB-25-02").to_frame()
    assert list(frame.columns) == ["place_mm", "feeler_mm", "left_um", "right_um", "u_um"]
    unmeasured = run("reface", "TM-10").stdout
    assert "The facing was never measured" in unmeasured


def test_many_pieces_are_cut_short_in_text() -> None:
    """More than twenty pieces that are out are counted, not printed, and csv is named; forty pieces fit on two screens."""
    report = mk.open().batch(pair=False)
    failing = next(piece for piece in report.pieces if piece.verdict == "fail")
    many = replace(report, pieces=tuple(replace(failing, mouthpiece_id=f"P{k}") for k in range(45)))
    assert "and 25 more: --format csv has all." in lay_out(batch_screen(many))
    assert report.to_frame().shape == (40, 14)
    assert len(run("batch").stdout.splitlines()) <= 48
