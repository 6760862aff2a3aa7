"""``matchkit log``: write down a playtest."""

from __future__ import annotations

import sys
from typing import TYPE_CHECKING, Any

import click

from matchkit.cli.printing import deliver, paragraph, to_csv, to_json

if TYPE_CHECKING:
    from matchkit.playtest.log import Logged

LINES = {
    "ease": "0 will not speak ... 10 speaks by itself",
    "resistance": "0 none ... 10 all it can stand",
    "brightness": "0 dark ... 10 bright",
    "evenness": "0 every note another ... 10 all alike",
    "overall": "0 never again ... 10 as good as can be",
}
"""The line a player marks, by attribute."""

AGES = ("new", "broken in", "old")
SKIP = "skip"


@click.command(name="log")
@click.option("--data", metavar="BOOK", required=True, help="The shop's book: an SQLite file, or a PostgreSQL URL.")
@click.option("--from", "source", metavar="FILE", help="A csv of playtests, or of the answers to a blind plan; all or none.")
@click.option("--player", "player_id", metavar="ID", help="Who played.")
@click.option("--mouthpiece", "mouthpiece_id", metavar="ID", help="Mouthpiece played.")
@click.option("--reed", "reed_id", metavar="ID", help="Reed played.")
@click.option("--ligature", "ligature_id", metavar="ID|skip", help="Ligature used.")
@click.option("--reed-place", "reed_offset_mm", metavar="MM", help="Reed's tip past the tip rail; 0 is flush.")
@click.option("--reed-age", metavar="new|broken in|old|skip", help="Age of the reed.")
@click.option("--ease", metavar="0-10|skip", help="Mark for ease.")
@click.option("--resistance", metavar="0-10|skip", help="Mark for resistance.")
@click.option("--brightness", metavar="0-10|skip", help="Mark for brightness.")
@click.option("--evenness", metavar="0-10|skip", help="Mark for evenness.")
@click.option("--overall", metavar="0-10|skip", help="Mark for the whole.")
@click.option("--blind/--sighted", default=None, help="Whether the player could not know the parts.")
@click.option("--session", metavar="NAME", help="Which sitting it belongs to.")
@click.option("--position", type=int, metavar="N", help="Place in the order of that sitting.")
@click.option("--date", metavar="DAY", help="As 2026-01-31.  [default: today]")
@click.option("--note", metavar="TEXT", help="Free text.")
@click.option("--corrects", metavar="ID", help="The earlier playtest that this one replaces.")
@click.option("--ask/--no-ask", default=None, help="Ask for what is missing.  [default: where somebody is there to answer]")
@click.option(
    "--format",
    "style",
    type=click.Choice(("table", "json", "csv")),
    default="table",
    show_default=True,
    help="How to print the answer.",
)
@click.option("--out", type=click.Path(dir_okay=False), help="Write the answer to a file instead.")
def command(data: str, source: str | None, style: str, out: str | None, *, ask: bool | None, **given: Any) -> None:
    """Write a playtest into the shop's book, or every row of a csv.

    What is missing is asked for. The reed's place and age are asked too: each is worth half a strength. Nothing is ever overwritten; a
    slip is mended by a playtest that --corrects it.
    """
    from matchkit.playtest.log import log_file, log_playtests, playtest_of

    if source is not None:
        told = [name for name, value in given.items() if value is not None]
        if told:
            raise click.UsageError("a file, or one playtest by its options; not both")
        deliver(_answer(log_file(data, source), style), out)
        return
    if ask is None:
        ask = sys.stdin.isatty()
    values = _asked(given) if ask else _told(given)
    deliver(_answer(log_playtests(data, [playtest_of(values)]), style), out)


def _told(given: dict[str, Any]) -> dict[str, Any]:
    """Take the options alone; who and what was played must be among them."""
    for name in ("player_id", "mouthpiece_id", "reed_id"):
        if given[name] is None:
            option = f"--{name.removesuffix('_id')}"
            raise click.UsageError(f"{option} is needed, or --ask")
    values = {name: None if value == SKIP else value for name, value in given.items()}
    numbers = {*LINES, "reed_offset_mm"}
    return {
        name: value.replace(",", ".") if name in numbers and isinstance(value, str) else value for name, value in values.items()
    }


def _asked(given: dict[str, Any]) -> dict[str, Any]:
    """Ask for what the options leave out, one line each."""
    values = dict(given)
    for name, words in (("player_id", "Player"), ("mouthpiece_id", "Mouthpiece"), ("reed_id", "Reed")):
        if values[name] is None:
            values[name] = click.prompt(words, err=True)
    questions = {
        "ligature_id": "Ligature (or skip)",
        "reed_offset_mm": "Reed's tip past the tip rail in mm, 0 is flush, - is behind it (or skip)",
        "reed_age": f"Age of the reed: {', '.join(AGES)} (or skip)",
        **{name: f"{name.capitalize()}: {line} (or skip)" for name, line in LINES.items()},
    }
    for name, words in questions.items():
        if values[name] is None:
            values[name] = _one(name, words)
    return {name: None if value == SKIP else value for name, value in values.items()}


def _one(name: str, words: str) -> str:
    """Ask until the answer can be one."""
    while True:
        answer = (
            str(click.prompt(words, err=True)).strip().lower()
            if name != "ligature_id"
            else str(click.prompt(words, err=True)).strip()
        )
        if answer.lower() == SKIP:
            return SKIP
        if name == "reed_age" and answer not in AGES:
            click.echo(f"   one of {', '.join(AGES)}, or skip", err=True)
        elif name in LINES and not _on_the_line(answer):
            click.echo("   a number from 0 to 10, or skip", err=True)
        elif name == "reed_offset_mm" and _number(answer) is None:
            click.echo("   a number of millimetres, or skip", err=True)
        else:
            return answer.replace(",", ".") if name in LINES or name == "reed_offset_mm" else answer


def _number(text: str) -> float | None:
    try:
        return float(text.replace(",", "."))
    except ValueError:
        return None


def _on_the_line(text: str) -> bool:
    value = _number(text)
    return value is not None and 0 <= value <= 10


def _answer(logged: Logged, style: str) -> str:
    if style == "json":
        return to_json(logged.to_dict())
    if style == "csv":
        return to_csv([{"table": logged.table, "id": name} for name in logged.ids], ["table", "id"])
    many = len(logged.ids) - logged.there_already
    lines = [
        paragraph(
            f"{many} {logged.table if many != 1 else logged.table.removesuffix('s')} written: {', '.join(logged.ids[:5])}{' ...' if len(logged.ids) > 5 else ''}."
        )
    ]
    if logged.there_already:
        lines.append(paragraph(f"{logged.there_already} were there already, just so."))
    return "\n".join(lines) + "\n"
