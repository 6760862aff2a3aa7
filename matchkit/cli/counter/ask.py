"""``matchkit ask``: a guided way for somebody who will not type ids."""

from __future__ import annotations

import shlex
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

import click

from matchkit.cli.options import data_option, open_data
from matchkit.cli.printing import paragraph, show
from matchkit.constants import INSTRUMENTS, UNKNOWN
from matchkit.errors import MatchkitError, RequestError

if TYPE_CHECKING:
    from matchkit.house import House

Found = TypeVar("Found")

FEELS = ("hard to blow", "too soft", "stuffy low notes", "squeaks", "tired lip", "bigger sound", "brighter", "darker")
"""What is offered by number; any complaint or wish may be typed."""
CHANGES = {"reed": "only the reed", "mouthpiece": "only the mouthpiece", "ligature": "only the ligature", "": "anything"}
LEVELS = ("beginner", "intermediate", "advanced")


@click.command(name="ask")
@data_option
def command(data: str | None, model: str | None) -> None:
    """Ask step by step what somebody plays, how it feels and what may change, and say what to try.

    Six questions at most; Enter passes any but the first. At the end stands the command that gives the same answer.
    """
    from matchkit.words.facts import model_words
    from matchkit.words.rank import rank_screen

    house = open_data(data, model)
    person, said = _who(house)
    wish, complaint = _feel(house, person)
    change = ""
    if house.scorer.view(person).present is not None:
        change = _one_of("What may change", list(CHANGES), list(CHANGES.values()), default="")
    budget = _until("What may it cost at most? (Enter: no limit)", _money)
    asked: dict[str, Any] = {"wish": wish, "complaint": complaint, "change": change or None, "budget": budget}
    ranking = house.rank(person, **asked)
    click.echo(f"{model_words(ranking.model)}", err=True)
    show(ranking, rank_screen, "table", None)
    words = [] if model is None else ["--model", model]
    words += [] if data is None else ["--data", data if Path(data).exists() else "RECORD"]  # an address may hold a password
    for option, value in said.items():
        words += [value] if option == "PLAYER" else [option, value]
    for option, values in (("--wish", wish), ("--complaint", complaint), ("--change", [change] if change else [])):
        words += [word for value in values for word in (option, value)]
    words += [] if budget is None else ["--budget", f"{budget:g}"]
    click.echo(f"\nThe same again: matchkit rank {shlex.join(words)}")


def _who(house: House) -> tuple[Any, dict[str, str]]:
    """Ask who plays what: one of the house's players, or somebody described; give them, and the options that say so."""
    players = {player.id for player in house.tables.players}
    plural = f", or a player's code ({min(players)} ...)" if players else ""

    def instrument(answer: str) -> str:
        if answer in players:
            return answer
        words = answer.lower().split()
        kinds = [name for name in INSTRUMENTS if name in words or (len(words) == 1 and name.startswith(words[0]))]
        if len(kinds) != 1:
            raise RequestError(f"one of {', '.join(INSTRUMENTS)}{plural}")
        return kinds[0]

    who = _until(f"Which instrument? ({', '.join(INSTRUMENTS)}{plural})", instrument)
    if who in players:
        return who, {"PLAYER": who}
    said = {"--instrument": who}
    pieces = [f"{part.id}  {part.label or ''}".rstrip() for part in house.tables.mouthpieces if part.instrument == who]
    reeds = [f"{part.id}  {part.label or ''}".rstrip() for part in house.tables.reeds if part.instrument == who]

    def mouthpiece(answer: str) -> str:
        _known_alone(house, who, mouthpiece=answer or UNKNOWN)
        return answer or UNKNOWN

    def reed(answer: str) -> str:
        house.scorer.view(house.visitor(who, mouthpiece=said["--now-mouthpiece"], reed=answer or UNKNOWN))
        return answer or UNKNOWN

    size = "tip opening as 75thou or 1.9mm, an id, list, or Enter where it is not known"
    said["--now-mouthpiece"] = _until(f"Which mouthpiece do they play? ({size})", mouthpiece, choose=pieces)
    strength = "strength as 2.5 or unfiled 2.5, an id, list, or Enter where it is not known"
    said["--now-reed"] = _until(f"Which reed? ({strength})", reed, choose=reeds)
    if said["--now-mouthpiece"] == UNKNOWN and said["--now-reed"] == UNKNOWN:
        level = _one_of("How far are they", ["", *LEVELS], ["not known", *LEVELS], default="")
        said |= {"--level": level} if level else {}
    options: dict[str, Any] = {name.removeprefix("--").removeprefix("now-"): value for name, value in said.items()}
    return house.visitor(options.pop("instrument"), **options), {
        name: value for name, value in said.items() if value != UNKNOWN
    }


def _known_alone(house: House, instrument: str, *, mouthpiece: str) -> None:
    """Refuse a mouthpiece that is none, or is for another instrument: here only a set-up that is named whole is a hint."""
    visitor = house.visitor(instrument, mouthpiece=mouthpiece)
    if visitor.mouthpiece_id is not None and house.parts.facing(visitor.mouthpiece_id).mouthpiece.instrument != instrument:
        raise RequestError(f"{mouthpiece} is for another instrument; expected what they play on {instrument}, or Enter")


def _feel(house: House, person: Any) -> tuple[list[str], list[str]]:
    """Ask what is wrong or wished for; give wishes and complaints that may be asked of this player."""
    from matchkit.advise.requests import check_wishes, find_complaint, understand_all
    from matchkit.score.wishes import understand

    view = house.scorer.view(person)

    def read(answer: str) -> tuple[list[str], list[str]]:
        found: tuple[list[str], list[str]] = [], []
        for word in filter(None, (part.strip() for part in answer.split(","))):
            try:
                understand([word])
                found[0].append(word)
            except RequestError:
                found[1].append(find_complaint(word)[0])
        check_wishes(understand_all(found[0], dict(map(find_complaint, found[1]))), view)
        return found

    click.echo("What is wrong, or wished for?", err=True)
    return _until("A number, words of their own, or Enter for nothing", read, choose=FEELS, listed=True)


def _one_of(question: str, values: Sequence[str], shown: Sequence[str], *, default: str) -> str:
    """Ask for one of a few, by number or name."""

    def read(answer: str) -> str:
        if not answer:
            return default
        for place, (value, words) in enumerate(zip(values, shown, strict=True), start=1):
            if answer.lower() in (str(place), value, words):
                return value
        raise RequestError(f"a number from 1 to {len(values)}")

    offered = ", ".join(f"{place} {words}" for place, words in enumerate(shown, start=1))
    return _until(f"{question}? ({offered}; Enter: {shown[values.index(default)]})", read)


def _money(answer: str) -> float | None:
    if not answer:
        return None
    try:
        value = float(answer.replace(",", "."))
    except ValueError:
        raise RequestError("an amount such as 60, or Enter for no limit") from None
    if not 0 <= value < float("inf"):
        raise RequestError("an amount of 0 or more, or Enter for no limit")
    return value


def _until(question: str, read: Callable[[str], Found], *, choose: Sequence[str] = (), listed: bool = False) -> Found:
    """Ask until an answer can be read; "list" shows what there is to choose from by number."""
    if listed:
        _show_list(choose)
    offered = listed
    while True:
        answer = str(click.prompt(question, default="", show_default=False, err=True)).strip()
        if choose and answer.lower() == "list":
            _show_list(choose, mark="#")
            offered = True
            continue
        place = answer if listed else answer.removeprefix("#") if answer.startswith("#") else ""
        if offered and place.isdigit() and 1 <= int(place) <= len(choose):
            chosen = choose[int(place) - 1]
            answer = chosen if listed else chosen.partition("  ")[0]
        try:
            return read(answer)
        except MatchkitError as error:
            click.echo(paragraph(f"   {error}"), err=True)


def _show_list(choose: Sequence[str], mark: str = "") -> None:
    for place, words in enumerate(choose, start=1):
        click.echo(f"  {mark + str(place):>3}  {words}", err=True)
    if mark:
        click.echo("Answer with the number as it stands, such as #1.", err=True)
