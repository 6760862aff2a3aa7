"""``matchkit log``: write down a playtest."""

from __future__ import annotations

import sys
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from matchkit.cli.options import wait_option
from matchkit.cli.printing import deliver, paragraph, to_csv, to_json
from matchkit.names import nearly

if TYPE_CHECKING:
    from matchkit.playtest.log import Logged
    from matchkit.tables.shelf import OutAlready

AGES = ("new", "broken in", "old")
SKIP = "skip"


@click.command(name="log")
@click.option("--data", metavar="RECORD", required=True, help="The shop's record: an SQLite file, or a PostgreSQL URL.")
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
@click.option("--now-plays", "plays", is_flag=True, help="Write down that this is what they play from now on.")
@click.option("--taken", is_flag=True, help="Write down that they took it home.")
@click.option("--returned", is_flag=True, help="Write down that they brought it back.")
@click.option("--kept", is_flag=True, help="Write down that they kept it; it is one less in stock.")
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
@wait_option
def command(
    data: str,
    source: str | None,
    style: str,
    out: str | None,
    wait_s: float,
    *,
    ask: bool | None,
    **given: Any,
) -> None:
    """Write a playtest into the shop's record, or every row of a csv.

    What is missing is asked for. The reed's place and age are asked too: each is worth half a strength. Nothing is ever overwritten; a
    slip is mended by a playtest that --corrects it. With --now-plays, --taken, --returned or --kept no marks are written: what somebody
    kept counts as a mark of 8 that says little, what they brought back as one of 3.
    """
    from matchkit.playtest.log import check_parts, known_ids, log_file, log_playtests, playtest_of

    if out is not None and not Path(out).absolute().parent.is_dir():
        raise click.UsageError(f"--out {out}: there is no such folder; nothing was written")
    acts = [act for act in ACTS if given.pop(act)]
    if len(acts) > 1:
        raise click.UsageError(f"one of {', '.join(_OPTIONS[act] for act in acts)} at a time")
    if acts:
        if style != "table":
            raise click.UsageError(f"{_OPTIONS[acts[0]]} has no {style}: matchkit stock loans lists what is out")
        deliver(_acted(data, acts[0], source, given, wait_s), out)
        return
    if source is not None:
        told = [name for name, value in given.items() if value is not None]
        if told:
            raise click.UsageError("a file, or one playtest by its options; not both")
        logged = log_file(data, source, wait_s=wait_s)
        deliver(_answer(logged, style, data), out)
        return
    if ask is None:
        ask = sys.stdin.isatty()
    values = _asked(given, known_ids(data), lambda parts: check_parts(data, parts)) if ask else _told(given)
    deliver(_answer(log_playtests(data, [playtest_of(values)], wait_s=wait_s), style, data), out)


_OPTIONS = {"plays": "--now-plays", "taken": "--taken", "returned": "--returned", "kept": "--kept"}
ACTS = {"plays": "plays it from now on", "taken": "took it home", "returned": "brought it back", "kept": "kept it"}


def _acted(data: str, act: str, source: str | None, given: dict[str, Any], wait_s: float) -> str:
    """Write down what somebody plays from now on, took home, brought back or kept; give what to say of it."""
    from matchkit.playtest.log import check_parts, new_id
    from matchkit.records.people import Loan
    from matchkit.tables.shelf import add_loan, change_present

    parts = ("mouthpiece_id", "reed_id", "ligature_id")
    used = {*parts, "player_id"} if act == "plays" else {*parts, "player_id", "note", "date"}
    also = {name for name, value in given.items() if value is not None} - used
    if source is not None or also:
        raise click.UsageError(f"give {_OPTIONS[act]} alone, without marks; what was marked is a playtest of its own")
    needed = ("player_id",) if act == "plays" else ("player_id", *parts[:2])
    for name in needed:
        if given[name] is None:
            raise click.UsageError(f"--{name.removesuffix('_id')} is needed")
    told = {name: None if given[name] == SKIP else given[name] for name in parts if given[name] is not None}
    if not told:
        raise click.UsageError("--mouthpiece, --reed or --ligature is needed")
    already: tuple[OutAlready, ...] = ()
    if act == "plays":
        change_present(data, given["player_id"], told, wait_s=wait_s)
    else:
        check_parts(data, {name: told.get(name) for name in parts})
        values = {**told, "player_id": given["player_id"], "note": given["note"], "what": act, "id": new_id()}
        already = add_loan(data, _loan(Loan, values, given["date"]), wait_s=wait_s)
    named = " + ".join(str(value) for value in told.values() if value)
    more = " If they play it from now on, say so with --now-plays." if act == "kept" else ""
    more += "".join(map(_already, already))
    return paragraph(f"Written: {given['player_id']}, {named}: {ACTS[act]}.{more}") + "\n"


def _already(one: OutAlready) -> str:
    """Return that a part was out already, with who has it."""
    from matchkit.words.screen import listed

    who = f": {listed(one.players)} {'has' if len(one.players) == 1 else 'have'} it" if one.players else ""
    return f" By the record no {one.part_id} was left{who}. Count it (matchkit stock count), or write down that it came back."


def _loan(model: Any, values: dict[str, Any], day: str | None) -> Any:
    import datetime as dt

    from matchkit.errors import DataError, Problem
    from matchkit.records.building import build

    found = build(model, {**values, "date": day or dt.date.today()})  # noqa: DTZ011 - the shop's own day
    if isinstance(found, list):
        raise DataError(Problem("the loan", None, slip.field, slip.read or "nothing", slip.expected) for slip in found)
    return found


def _told(given: dict[str, Any]) -> dict[str, Any]:
    """Take the options alone; who and what was played must be among them."""
    from matchkit.records.trials import LINES

    for name in ("player_id", "mouthpiece_id", "reed_id"):
        if given[name] is None:
            option = f"--{name.removesuffix('_id')}"
            raise click.UsageError(f"{option} is needed, or --ask")
    values = {name: None if value == SKIP else value for name, value in given.items()}
    numbers = {*LINES, "reed_offset_mm"}
    return {
        name: value.replace(",", ".") if name in numbers and isinstance(value, str) else value for name, value in values.items()
    }


def _asked(given: dict[str, Any], known: dict[str, tuple[str, ...]], check: Callable[[dict[str, Any]], None]) -> dict[str, Any]:
    """Ask for what the options leave out, one line each; an id that the book has not is asked for again at once.

    ``check`` looks at the parts as soon as they are told, before anybody marks anything.
    """
    from matchkit.records.trials import LINES

    values = dict(given)
    needed = {"player_id": "Player", "mouthpiece_id": "Mouthpiece", "reed_id": "Reed"}
    questions = {
        **needed,
        "ligature_id": "Ligature",
        "reed_offset_mm": "Reed's tip past the tip rail in mm, 0 is flush, - is behind it",
        "reed_age": f"Age of the reed: {', '.join(AGES)}",
        **{name: f"{name.capitalize()}: {line}" for name, line in LINES.items()},
    }
    for name, words in questions.items():
        told = values[name]
        if told is not None and told != SKIP and name in known and told not in known[name]:
            click.echo(f"{words} {told}: {_not_there(told, known[name])}", err=True)
            told = None
        if told is None:
            values[name] = _one(name, words, known.get(name), needed=name in needed)
        if name == "ligature_id":
            check({**values, name: None if values[name] == SKIP else values[name]})
    if values["note"] is None and all(values[name] == SKIP for name in LINES):
        click.echo("One mark or more is needed.", err=True)
        values["overall"] = _one("overall", f"Overall: {LINES['overall']}", None, needed=True)
    return {name: None if value == SKIP else value for name, value in values.items()}


def _one(name: str, words: str, known: tuple[str, ...] | None, *, needed: bool) -> str:
    """Ask until the answer can be one."""
    words += "" if needed else " (or skip)"
    while True:
        answer = str(click.prompt(words, default="", show_default=False, err=True)).strip()
        if answer.lower() == SKIP and not needed:
            return SKIP
        wrong = _wrong(name, answer, known, needed=needed)
        if wrong is None:
            if known is not None:
                return answer
            return answer.lower() if name == "reed_age" else answer.replace(",", ".")
        click.echo(f"   {wrong}", err=True)


def _wrong(name: str, answer: str, known: tuple[str, ...] | None, *, needed: bool) -> str | None:
    """Say why an answer cannot be one; None where it can."""
    if not answer:
        return "an answer is needed" if needed else "an answer, or skip where it is not known"
    if known is not None:
        return None if answer in known else _not_there(answer, known)
    if name == "reed_age":
        return None if answer.lower() in AGES else f"one of {', '.join(AGES)}, or skip"
    if name == "reed_offset_mm":
        return None if _number(answer) is not None else "a number of millimetres, or skip"
    value = _number(answer)
    return None if value is not None and 0 <= value <= 10 else "a number from 0 to 10, or skip"


def _not_there(name: str, known: tuple[str, ...]) -> str:
    near = nearly(name, known)
    return "no such id in the shop's record" + (f"; did you mean {', '.join(near)}?" if near else "")


def _number(text: str) -> float | None:
    try:
        return float(text.replace(",", "."))
    except ValueError:
        return None


MOST_TOLD = 3
"""Set-ups whose change is told, after a file of many playtests."""


def _changed(logged: Logged, data: str) -> list[str]:
    """Return what the new marks changed; what cannot be told after the writing is said, and undoes nothing."""
    from matchkit.words.playtest.changed import changed_words

    if logged.table != "playtests" or not logged.ids:
        return []
    import matchkit as mk

    try:
        found = mk.open(data).changed(logged.ids)
    except mk.MatchkitError:
        return ["What it changes cannot be told: matchkit tables check says what is wrong with the tables."]
    return changed_words(found, most=MOST_TOLD)


def _answer(logged: Logged, style: str, data: str) -> str:
    if style == "json":
        return to_json(logged.to_dict())
    if style == "csv":
        return to_csv([{"table": logged.table, "id": name} for name in logged.ids], ["table", "id"])
    many = len(logged.ids) - logged.there_already
    named = "" if not many else ", ".join(logged.ids[:5]) + (" ..." if len(logged.ids) > 5 else "")
    what = logged.table if many != 1 else logged.table.removesuffix("s")
    lines = [paragraph(f"{many} {what} written{f': {named}' if named else '' if logged.ids else ': there was no row'}.")]
    lines += [paragraph(f"Note: {note}.") for note in logged.notes]
    if logged.there_already:
        lines.append(paragraph(f"{logged.there_already} were there already, just so."))
    lines += [paragraph(line) for line in _changed(logged, data)]
    return "\n".join(lines) + "\n"
