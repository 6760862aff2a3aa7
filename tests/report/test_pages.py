"""Pages: text in every field stays text; Chromium opens them offline at three widths, light and dark, and prints them; axe finds no serious fault."""

from __future__ import annotations

import os
import re
import shutil
from collections.abc import Iterator
from functools import cache
from html.parser import HTMLParser
from pathlib import Path
from typing import TYPE_CHECKING, Any, get_args

import pytest
from click.testing import CliRunner
from conftest import read_rows, write_rows
from hypothesis import given, settings
from hypothesis import strategies as st

import matchkit as mk
from matchkit.cli import main
from matchkit.files import shipped
from matchkit.learn.trial.evaluation import Evaluation, Score
from matchkit.records.quantity import Record
from matchkit.records.schema import TABLES
from matchkit.report.pages import labels_page, page_of
from matchkit.words.paper.headings import INVENTED
from matchkit.words.paper.sheet import MEANING, Label, customer_sheet, label_of
from matchkit.words.playtest.learned import evaluation_screen
from matchkit.words.rank import rank_screen
from matchkit.words.screen import Screen, Table, Text, Title

if TYPE_CHECKING:
    from playwright.sync_api import Browser, Page

COMMANDS = {
    "customer": ["rank", "P02", "--wish", "freer"],
    "walk-in": ["rank", "--instrument", "clarinet", "--level", "beginner"],
    "strengths": ["strengths", "AM-08", "--player", "P02"],
    "swap": ["swap", "P02", "--mouthpiece", "AM-08"],
    "compare": ["compare", "AM-01+AR-A-3", "AM-08+AR-A-2.5", "--player", "P02"],
    "closing": ["closing", "AM-08", "AR-A-3"],
    "explain": ["explain", "AM-08", "AR-A-3", "--player", "P02"],
    "whatif": ["whatif", "AM-08", "--tip", "-0.1:0.1:0.1", "--player", "P02"],
    "facing": ["facing", "TB-25-07"],
    "record": ["batch", "--record", "--piece", "TB-25-13"],
    "batch": ["batch"],
    "plan": ["reface", "AM-05", "--tip", "+0.1", "--keep", "resistance"],
    "gauge": ["gauge"],
    "evening": ["analyse", "--session", "LIG"],
    "beside": ["batch", str(shipped("data/demo-bench/batch")), str(shipped("data/demo-bench/batch"))],
}
PLANS = {
    "rate": ["rate", "AM-01/AR-A-3", "AM-04/AR-A-3", "AM-05/AR-A-2.5", "--player", "P02", "--player", "P03"],
    "two": ["two", "AM-01/AR-A-3", "AM-04/AR-A-3", "--attribute", "ease", "--player", "P02"],
}
CHROMIUM = shutil.which("chromium") or shutil.which("chromium-browser")


@pytest.fixture(scope="module")
def pages(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Path]:
    """Every page that a command writes, and a sheet of labels."""
    folder = tmp_path_factory.mktemp("pages")
    found = {}
    for name, arguments in COMMANDS.items():
        path = folder / f"{name}.html"
        result = CliRunner().invoke(main, [*arguments, "--page", str(path)])
        assert result.exit_code in (0, 5), (name, result.output)
        found[name] = path
    for name, arguments in PLANS.items():
        assert CliRunner().invoke(main, ["plan", *arguments, "--out", str(folder / name)]).exit_code == 0
        found |= {f"{name} {sheet}": folder / name / f"{sheet}.html" for sheet in ("player", "key")}
    trust = folder / "evaluate.html"
    trust.write_text(page_of(_evaluation(), evaluation_screen(_evaluation(), invented=True)), encoding="utf-8")
    found["evaluate"] = trust
    labels = folder / "labels.html"
    assert CliRunner().invoke(main, ["strengths", "--instrument", "alto", "--label", str(labels)]).exit_code == 0
    return {**found, "labels": labels}


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    """Debian's Chromium; without it these tests are skipped, but never in CI."""
    if CHROMIUM is None and not os.environ.get("CI"):
        pytest.skip("no chromium on this machine")
    from playwright.sync_api import sync_playwright

    assert CHROMIUM is not None
    with sync_playwright() as running:
        opened = running.chromium.launch(executable_path=CHROMIUM, args=["--no-sandbox"])
        yield opened
        opened.close()


CUT = """() => [...document.querySelectorAll('p, li, h1, h2, h3, th, td, figcaption')].filter(
  e => getComputedStyle(e.closest('thead') || e).position !== 'absolute' && (e.scrollWidth > e.clientWidth + 1 || e.getBoundingClientRect().right > innerWidth + 1)
).map(e => e.textContent.slice(0, 40))"""


def _listen(page: Page, asked: list[str], said: list[str]) -> None:
    page.on("request", lambda request: asked.append(request.url))
    page.on("console", lambda message: said.append(message.text))


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("width", [360, 800, 1280])
def test_pages_open_offline_at_any_width(browser: Browser, pages: dict[str, Path], width: int, scheme: Any) -> None:
    """No request but the file itself, no console message, no sideways scroll, no text cut, every picture shown."""
    context = browser.new_context(viewport={"width": width, "height": 900}, color_scheme=scheme, offline=True)
    for name, path in pages.items():
        page = context.new_page()
        asked: list[str] = []
        said: list[str] = []
        _listen(page, asked, said)
        page.goto(path.as_uri())
        assert [url for url in asked if not url.startswith("data:")] == [path.as_uri()], name
        assert not said, name
        assert page.evaluate("document.documentElement.scrollWidth") <= width, name
        assert page.evaluate(CUT) == [], name
        assert page.evaluate("[...document.images].every(image => image.naturalWidth > 0)"), name
        page.close()
    context.close()


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_axe_finds_no_serious_fault(browser: Browser, pages: dict[str, Path], scheme: Any) -> None:
    """Contrast, names of pictures, headings, tables: axe-core (a published set of rules) reports nothing serious or critical."""
    from axe_playwright_python.sync_playwright import Axe

    context = browser.new_context(viewport={"width": 800, "height": 900}, color_scheme=scheme, offline=True)
    for name, path in pages.items():
        page = context.new_page()
        page.goto(path.as_uri())
        found = Axe().run(page).response["violations"]
        serious = [(item["id"], item["nodes"][0]["html"][:80]) for item in found if item["impact"] in ("serious", "critical")]
        assert not serious, (name, serious)
        page.close()
    context.close()


@pytest.mark.parametrize("paper", ["A4", "Letter"])
def test_pages_print(browser: Browser, pages: dict[str, Path], paper: str) -> None:
    """Chromium makes a PDF of each; a customer's sheet takes two pages at most."""
    page = browser.new_page()
    for path in pages.values():
        page.goto(path.as_uri())
        printed = page.pdf(format=paper)
        assert printed.startswith(b"%PDF")
        if path.stem == "customer":
            assert len(re.findall(rb"/Type\s*/Page\b", printed)) <= 2
    page.close()


def test_a_ranking_page_is_small_and_the_same_each_time(pages: dict[str, Path], tmp_path: Path) -> None:
    """Under 400 KB, no script, nothing from elsewhere, the same bytes again."""
    text = pages["customer"].read_bytes()
    assert len(text) < 400_000
    again = tmp_path / "again.html"
    CliRunner().invoke(main, [*COMMANDS["customer"], "--page", str(again)])
    assert again.read_bytes() == text
    for path in pages.values():
        whole = path.read_text(encoding="utf-8")
        assert "<script" not in whole
        assert not re.search(r"""(?:src|href|srcset)=["'](?!data:)""", whole)
        assert "http" not in re.sub(r"base64,[A-Za-z0-9+/=]*", "", whole)


class Tags(HTMLParser):
    """The elements of a page, and its text."""

    def __init__(self) -> None:
        super().__init__()
        self.found: set[str] = set()
        self.text = ""

    def handle_starttag(self, tag: str, attrs: object) -> None:
        """Keep it."""
        del attrs
        self.found.add(tag)

    def handle_data(self, data: str) -> None:
        """Keep it."""
        self.text += data


OURS = {
    *(
        "html",
        "head",
        "section",
        "meta",
        "title",
        "style",
        "body",
        "main",
        "h1",
        "h2",
        "h3",
        "p",
        "span",
        "strong",
        "footer",
        "figure",
    ),
    *("picture", "source", "img", "figcaption", "table", "thead", "tbody", "tr", "th", "td", "ol", "ul", "li"),
}
NASTY = "<script>alert(1)</script> \"'&amp; {{ 7*7 }} $x$ \N{ARABIC LETTER ALEF}\N{SAXOPHONE}"


IN_ID = "<b>'&\"\N{ARABIC LETTER BEH}"
"""What is put behind every id: a set-up is written with strokes between, so none is in it."""
COMPOSED = ("set_a", "set_b", "claim")


def _is_text(model: type[Record], name: str) -> bool:
    """Tell a field that may hold any text: no number, no date, no word of a list."""
    hint = model.model_fields[name].annotation
    return hint is str or str in get_args(hint)


def _marked_house(folder: Path) -> dict[str, set[str]]:
    """Put markup into every text field of every table of a house, ids consistently; returns which fields these were, by table."""
    done: dict[str, set[str]] = {}
    for path in sorted(folder.glob("*.csv")):
        model, rows = TABLES[path.stem], read_rows(path)
        texts = {name for name in model.model_fields if _is_text(model, name)}
        refers = {
            name
            for name in texts
            if name == "id" or any(getattr(m, "refers_to", None) for m in model.model_fields[name].metadata)
        }
        refers |= {name for name in texts if name.endswith("profile_id")}
        for row in rows:
            for name in texts:
                if name in refers:
                    row[name] = f"{row[name]}{IN_ID}" if row.get(name) else ""
                elif name in COMPOSED:
                    row[name] = "/".join(part + IN_ID for part in row.get(name, "").split("/") if part)
                else:
                    row[name] = NASTY
        write_rows(path, rows, [*rows[0]])
        done[path.stem] = texts
    return done


def _with_more_tables(folder: Path) -> None:
    """Give a copied house the tables that the demo has not: a loan, a closing test, and a scan of a piece (an arc; analytic)."""
    loan = {"id": "1", "player_id": "P02", "mouthpiece_id": "AM-04", "reed_id": "AR-A-3", "what": "taken", "note": "x"}
    write_rows(folder / "loans.csv", [loan], [*loan])
    pressed = {"mouthpiece_id": "AM-08", "reed_id": "AR-A-3", "place_mm": "2", "gap_mm": "0.1", "mass_g": "180", "note": "x"}
    write_rows(folder / "closing_tests.csv", [pressed], [*pressed])
    tip = float(next(row["tip_opening_mm"] for row in read_rows(folder / "mouthpieces.csv") if row["id"] == "AM-01"))
    points = [
        {
            "mouthpiece_id": "AM-01",
            "rail": rail,
            "x_mm": f"{0.5 * step:g}",
            "height_mm": f"{tip * max(1 - step / 50, 0) ** 2:.4f}",
            "operator": "x",
            "gauge_id": "x",
        }
        for rail in ("left", "right")
        for step in range(60)
    ]
    write_rows(folder / "lay_points.csv", points, [*points[0]])


def test_markup_in_every_text_field_of_a_house_stays_text(demo_copy: Path, tmp_path: Path) -> None:
    """Ids, labels, notes, materials, sessions and models that hold markup, quotes, a template, right-to-left letters and a picture letter are shown as they stand."""
    _with_more_tables(demo_copy)
    done = _marked_house(demo_copy)
    assert set(TABLES) - {"history"} <= set(done)
    assert {"label", "material", "serial"} <= done["mouthpieces"]
    assert {"note", "session"} <= done["playtests"]
    piece, reed, player = (name + IN_ID for name in ("AM-08", "AR-A-3", "P02"))
    sets = [f"{piece}/{reed}", f"AM-04{IN_ID}/{reed}"]
    for place, arguments in enumerate(
        (
            ["rank", player],
            ["strengths", piece, "--player", player],
            ["explain", piece, reed, "--player", player],
            ["swap", player, "--mouthpiece", piece],
            ["compare", f"{piece}+{reed}", f"AM-04{IN_ID}+{reed}", "--player", player],
            ["closing", piece, reed],
            ["whatif", piece, "--tip", "-0.1:0.1:0.1", "--player", player],
            ["facing", piece],
            ["facing", f"AM-01{IN_ID}"],
            ["reface", f"AM-05{IN_ID}", "--tip", "+0.1", "--keep", "resistance"],
            ["analyse"],
            ["plan", "two", *sets, "--attribute", "ease", "--player", player, "--session", f"other {NASTY}"],
        )
    ):
        path = tmp_path / f"{place}"
        wanted = ["--out", str(path)] if arguments[0] == "plan" else ["--page", f"{path}.html"]
        result = CliRunner().invoke(main, [*arguments, "--data", str(demo_copy), *wanted])
        assert result.exit_code == 0, (arguments, result.output, result.exception)
        for page in path.glob("*.html") if path.is_dir() else [path.with_suffix(".html")]:
            seen = Tags()
            seen.feed(page.read_text(encoding="utf-8"))
            assert seen.found <= OURS, arguments
            assert (NASTY if page.stem == "player" else IN_ID) in seen.text, arguments
        if arguments[0] == "rank":
            assert NASTY in seen.text


@settings(max_examples=60, deadline=None)
@given(text=st.text(max_size=60))
def test_any_text_stays_text(text: str) -> None:
    """Whatever stands in a sentence, a title, a cell or a label: only our own elements, and the text comes back."""
    screen = Screen((Text(text), Title(text, text), Table(("a", text), ((text, text),))))
    for page in (page_of(_Plain(), screen), labels_page([Label(text, (text,))])):
        seen = Tags()
        seen.feed(page)
        assert seen.found <= OURS
        shown = "".join(letter if letter.isprintable() or letter in " \n\t" else "\N{REPLACEMENT CHARACTER}" for letter in text)
        assert "".join(shown.split()) in "".join(seen.text.split())


def _evaluation() -> Evaluation:
    """An evaluation of invented figures, since a real one takes minutes."""
    methods = (("average", 1.9), ("physics alone", 1.5), ("marks alone", 1.4), ("blend", 1.2), ("player mean", 1.6))
    scores = tuple(
        Score(split, method, 0.8, 0.4, error, 0.8 if method == "blend" else None, 2.0, 0.75, 0.85)
        for split in ("new player", "new mouthpiece", "new pair")
        for method, error in methods
    )
    return Evaluation(900, 12, 10, scores)


class _Plain:
    """An answer without a picture or a heading of its own."""


@cache
def _ranking() -> mk.Ranking:
    return mk.open().rank("P02", wish=("freer",))


def test_the_sheet_says_what_the_screen_says() -> None:
    """The customer's sheet has every set-up with its mark, its price and what changes, in the words of the screen; and the free steps."""
    ranking = _ranking()
    sheet = customer_sheet(ranking)
    assert [card.number for card in sheet.cards] == [row.position for row in ranking.rows]
    assert "wants it freer" in sheet.asked
    assert sheet.free
    screen = " ".join(str(block) for block in rank_screen(ranking).blocks)
    assert all(card.expect in screen for card in sheet.cards)
    assert any("disinfected" in line for line in sheet.sure)


def test_a_label_names_a_strength_of_every_line() -> None:
    """The closest strength of each line of reeds that can be placed, with its neighbours."""
    found = mk.open().strengths("AM-08", "P02")
    label = label_of(found, "AM-08")
    for profile in {row.profile for row in found.rows if row.steps is not None}:
        best = min((row for row in found.rows if row.profile == profile), key=lambda row: abs(row.steps or 0.0))
        assert any(line.startswith(f"{profile}: {best.strength:g}") for line in label.lines)


def test_what_a_page_shows(pages: dict[str, Path]) -> None:
    """A piece's record has its lay, a batch its three kinds of picture; what is the demo's says that it is invented, a customer's sheet what its marks mean."""
    texts = {name: path.read_text(encoding="utf-8") for name, path in pages.items()}
    assert texts["record"].count("<img") == 1
    assert texts["batch"].count("<img") >= 3
    assert all(INVENTED in texts[name] for name in COMMANDS if name != "beside")
    assert INVENTED not in texts["beside"]  # pieces that were brought are not the demo's
    assert MEANING in texts["customer"]
    assert "\N{REPLACEMENT CHARACTER}" not in "".join(texts.values())


def test_the_sheets_of_an_evening_keep_the_secret(pages: dict[str, Path]) -> None:
    """A player's sheet has every code and a box a mark, and nothing of what the codes stand for, which the key has; each player's begins on paper of its own."""
    for kind, boxes in (("rate", 5), ("two", 0)):
        blind, told = Tags(), Tags()
        player = pages[f"{kind} player"].read_text(encoding="utf-8")
        blind.feed(player)
        told.feed(pages[f"{kind} key"].read_text(encoding="utf-8"))
        codes = re.findall(r"(\d{3}) = AM-0", told.text)
        assert codes
        assert all(code in blind.text for code in codes)
        assert "AM-0" not in blind.text
        assert "AR-A" not in blind.text
        turns = len(re.findall(r'scope="row">(?!rest)', player))
        assert len(re.findall(r'<td[^>]*><span class="box">', player)) == boxes * turns
    assert pages["rate player"].read_text(encoding="utf-8").count('<section class="sheet">') == 2


def test_what_a_page_or_figure_cannot_be(tmp_path: Path) -> None:
    """Another ending is a usage error that says what was expected; no file is left."""
    for option, words in (("--page", "a page is an html file"), ("--figure", "a figure is an svg")):
        result = CliRunner().invoke(main, ["rank", "P02", option, str(tmp_path / "a.doc")])
        assert result.exit_code == 2
        assert words in result.output
    assert not list(tmp_path.iterdir())
