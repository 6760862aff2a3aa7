"""How answers read: the verdict first, doubts said once, nothing too long, and no code that reads a sentence."""

from __future__ import annotations

import ast
import re
from pathlib import Path

import pytest

import matchkit as mk
from matchkit.cli.printing import WIDTH, lay_out
from matchkit.facts import Assumed, Change, Feel
from matchkit.words.facts import assumed_words, feel_words
from matchkit.words.maker.batch.screen import batch_screen
from matchkit.words.rank import rank_screen
from matchkit.words.screen import Screen, Text

ROOT = Path(__file__).parent.parent
PACKAGE = ROOT / "matchkit"
READS = {
    "cli/maker/reface.py": {"startswith", "endswith", "removesuffix"},  # a size, the name of a file
    "cli/maker/gauge.py": {"rpartition"},  # an option: name=value
    "cli/options.py": {"endswith", "removeprefix", "partition"},  # a file's name, a parameter's name, an option: column=value
    "cli/playtest/log.py": {"removesuffix"},  # the name of a column or a table
    "cli/printing.py": {"startswith", "split"},  # a cell that a spreadsheet would run; words to be wrapped
    "words/screen.py": {"partition"},  # whether a sentence begins with an id, whose letters stay as they are
    "words/numbers.py": {"removesuffix"},  # a number's last digit
    "words/rank.py": {"rpartition"},  # a wish, as the player said it
    "words/playtest/analyse.py": {"split"},  # ids of a set-up
    "advise/requests.py": {"split"},  # a complaint, as the player said it
    "cli/counter/ask.py": {
        "startswith",
        "removeprefix",
        "partition",
        "split",
    },  # an instrument as it was typed; the name of an option
    "cli/counter/strengths.py": {"endswith"},  # a file's name
    "cli/counter/compare.py": {"findall"},  # a set-up, as it was typed
    "cli/stock.py": {"removesuffix"},  # the name of a table
    "parts/said.py": {"fullmatch", "split"},  # a size or a strength, as it was typed
    "score/wishes.py": {"split", "removeprefix", "startswith"},  # a wish
    "maker/pieces.py": {"split"},  # a serial number
    "maker/measure/report.py": {"rpartition"},  # the unit in a key
    "maker/reface/plan.py": {"split"},  # an array
    "learn/nearest.py": {"partition"},  # an array
    "learn/model/found.py": {"startswith"},  # the name of a table
    "playtest/questions.py": {"split", "startswith"},  # ids of a set-up, the name of a session
    "playtest/log.py": {"removesuffix", "find", "split"},  # a column's name, rows of the record, ids of a set-up
    "playtest/design/plan.py": {"split"},  # ids of a set-up
}
"""Where text is taken apart outside of tables and names, by what, and what it is: never a sentence of an answer."""
TAKES_APART = {
    "startswith", "endswith", "removeprefix", "removesuffix", "partition", "rpartition", "split", "rsplit", "find", "rfind",
    "match", "fullmatch", "findall", "finditer",
}  # fmt: skip
ROOMS = ("parts", "pairs", "score", "learn", "advise", "maker", "playtest", "house", "report", "words", "cli")


def modules() -> list[Path]:
    return [path for room in ROOMS for path in sorted((PACKAGE / room).rglob("*.py"))]


def test_no_code_reads_a_sentence() -> None:
    """Text is taken apart only where it is an id, a name, a wish or an array; nothing looks for words in a text."""
    for path in modules():
        name = path.relative_to(PACKAGE).as_posix()
        tree = ast.parse(path.read_text(encoding="utf-8"))
        called = {
            node.func.attr for node in ast.walk(tree) if isinstance(node, ast.Call) and isinstance(node.func, ast.Attribute)
        }
        assert called & TAKES_APART <= READS.get(name, set()), name
        for node in ast.walk(tree):
            if isinstance(node, ast.Compare) and any(isinstance(operator, ast.In | ast.NotIn) for operator in node.ops):
                left, right = node.left, node.comparators[0]
                a_text = isinstance(right, ast.JoinedStr) or (isinstance(right, ast.Constant) and " " in str(right.value))
                assert not a_text, f"{name}:{node.lineno}"
                told = isinstance(left, ast.Constant) and isinstance(left.value, str) and " " in left.value
                assert not told, f"{name}:{node.lineno}: {ast.unparse(node)}"


def test_only_who_shows_an_answer_sees_its_words() -> None:
    """Rendered text is made by words and handed to the commands; no other room imports it, so none can read it."""
    for path in modules():
        room = path.relative_to(PACKAGE).parts[0]
        text = path.read_text(encoding="utf-8")
        if room not in {"words", "cli", "report"}:
            imported = re.findall(r"from matchkit\.words\S* import (.*)", text)
            assert not imported or "model_card" in imported[0], path


def test_every_sentence_of_an_answer_stands_in_words() -> None:
    """Outside of words no answer holds a text with a full stop: facts are values (a field of an answer that is a sentence would be)."""
    house = mk.open()
    answers = [
        house.rank("P05", wish=["brighter"]),
        house.explain("P02", "AM-07", "AR-A-2.5", "L-14"),
        house.facing("AM-07"),
    ]

    def texts(value: object) -> list[str]:
        if isinstance(value, dict):
            return [text for item in value.values() for text in texts(item)]
        if isinstance(value, list | tuple):
            return [text for item in value for text in texts(item)]
        return [value] if isinstance(value, str) else []

    for answer in answers:
        assert not [text for text in texts(answer.to_dict()) if re.search(r"[a-z]{2}\.( |$)", text)]


QUESTIONS = (
    {"player": "P02"},
    {"player": "P02", "alike": True},
    {"player": "P05", "wish": ["brighter"]},
    {"player": "P07", "wish": ["more even", "freer"]},
    {"player": "P15", "wish": ["darker"]},
    {"player": "P11", "wish": ["much bigger sound"]},
)


@pytest.mark.parametrize("question", QUESTIONS, ids=str)
def test_a_ranking_is_read_at_one_glance(question: dict[str, object]) -> None:
    """Three set-ups take 24 lines at most, each of them six, all of them within the width of a terminal."""
    lines = lay_out(rank_screen(mk.open().rank(**question))).splitlines()  # type: ignore[arg-type]
    assert len(lines) <= 24
    assert max(map(len, lines)) <= WIDTH
    assert lines[0].startswith("For ")
    heads = [place for place, line in enumerate(lines) if re.match(r"[123]  ", line)]
    assert len(heads) == 3
    assert lines[heads[0] - 1] == ""
    ends = [*heads[1:], lines.index("", heads[-1])]
    assert all(end - head <= 6 for head, end in zip(heads, ends, strict=True))


@pytest.mark.parametrize("player", [f"P{number:02d}" for number in range(1, 17)])
def test_every_row_says_what_is_new(player: str) -> None:
    """Each set-up with parts that the player does not have names them; where nothing is known of theirs nothing is said."""
    for wish in ((), ("bigger sound",)):
        ranking = mk.open().rank(player, wish=wish)
        text = " ".join(lay_out(rank_screen(ranking)).split())
        assert len(re.findall(r"New: (?:mouthpiece|reed|ligature)", text)) == sum(bool(row.new_parts) for row in ranking.rows)


@pytest.mark.parametrize("player", [f"P{number:02d}" for number in range(1, 17)])
def test_no_doubt_is_said_twice(player: str) -> None:
    """No sentence stands twice on the screen of a ranking, but for what a set-up feels like and what marks did to it."""
    ranking = mk.open().rank(player, top=3)
    text = " ".join(lay_out(rank_screen(ranking)).split())
    said = [
        sentence
        for sentence in re.split(r"(?<=[a-z])\. ", text)
        if re.match(r"(Not measured|Measure next|See |Assumed|Closes up)", sentence)
    ]
    assert all(said.count(sentence) < len(ranking.rows) for sentence in said), said  # what holds of all rows stands once


def test_what_is_dropped_goes_in_a_stated_order() -> None:
    """A screen that is too long loses the sentences with the largest number first, and what has none stays."""
    blocks = (Text("verdict"), Text("first to go", drop=3), Text("next", drop=2), Text("last", drop=1))
    shown = {most: lay_out(Screen(blocks, most)).split("\n")[:-1] for most in (4, 3, 2, 1)}
    assert shown == {
        4: ["verdict", "first to go", "next", "last"],
        3: ["verdict", "next", "last"],
        2: ["verdict", "last"],
        1: ["verdict"],
    }


def test_a_text_says_more_while_it_fits() -> None:
    """Further sentences are said in order until one would take a line too many; the first is said in any case."""
    long = "word " * 15
    assert len(lay_out(Screen((Text(long, more=(long, long), most=2),))).splitlines()) == 2
    assert len(lay_out(Screen((Text(long * 3, more=(long,), most=1),))).splitlines()) == 3


@pytest.mark.parametrize(
    ("steps", "sure", "words"),
    [
        (-1.0, "surely", "half a strength freer"),
        (-0.4, "surely", "a touch freer"),
        (2.0, "perhaps", "may be a full strength harder"),
        (0.1, "surely", "as free as now"),
        (3.1, "probably", "probably about 1.5 strengths harder"),
    ],
)
def test_resistance_is_said_in_strengths(steps: float, sure: str, words: str) -> None:
    """A step is half a strength; up to a quarter of a strength is a touch, below a tenth nothing."""
    assert feel_words(Feel(resistance=Change(steps, sure))) == words  # type: ignore[arg-type]


@pytest.mark.parametrize(("tone", "word"), [(1, "brighter"), (-1, "darker")])
def test_tone_is_never_more_than_may(tone: int, word: str) -> None:
    """However sure resistance and opening are, tone stands behind a "may be" of its own."""
    said = feel_words(Feel(resistance=Change(-1.0, "surely"), opening=Change(1.0, "surely"), tone=tone))
    assert said == f"half a strength freer, bigger, may be {word}"


def test_what_cannot_be_compared_is_said() -> None:
    """A reed of another line is not called alike."""
    assert feel_words(Feel(comparable=False)) == "how free it blows cannot be compared with now"


def test_what_was_assumed_is_said_once() -> None:
    """Two of a kind are one, and the last stands after an "and"."""
    twice = [Assumed("facing length"), Assumed("facing length"), Assumed("lip place", 10.0)]
    assert assumed_words(twice) == "Assumed: the facing length and lip 10 mm from the tip."


def test_forty_pieces_fit_on_two_screens() -> None:
    """The batch of the demo house takes two screens of 24 lines at most, verdict first."""
    lines = lay_out(batch_screen(mk.open().batch())).splitlines()
    assert len(lines) <= 48
    assert re.match(r"TB-25: \d+ good, \d+ too near a limit to say, \d+ out of drawing", lines[0])


def test_the_readme_fits_on_a_page() -> None:
    """At most 9 KB: the job in one paragraph, the two commands, an answer a user, own data, links, cautions."""
    text = (ROOT / "README.md").read_text(encoding="utf-8")
    assert len(text.encode()) <= 9000
    assert re.findall(r"^## (.*)", text, re.MULTILINE)[0] == "Two commands"


BANNED = ("leaf", "leaves stacked", "visitor", " u ", "effort", "let expect", "by itself")


@pytest.mark.parametrize("command", ["rank1", "explain", "strengths", "swap", "facing", "batch"])
def test_no_screen_speaks_of_what_has_to_be_looked_up(command: str) -> None:
    """None of the words that were not understood stands on the screens of the tour (columns of tables under --numbers apart)."""
    tour = (ROOT / "docs" / "tour.md").read_text(encoding="utf-8") + (ROOT / "README.md").read_text(encoding="utf-8")
    name = command.rstrip("1")
    blocks = re.findall(rf"```console\n\$ matchkit ({name} .*|{name})\n((?:.*\n)*?)```", tour)
    shown = [text for asked, text in blocks if "--numbers" not in asked]
    assert shown
    for text in shown:
        assert not [word for word in BANNED if word in text.lower()], command
