"""``matchkit compare``: two set-ups side by side."""

from __future__ import annotations

import re
from typing import Any

import click

from matchkit.cli.options import (
    data_option,
    open_data,
    output_options,
    person_options,
    picture_options,
    read_person,
    wish_option,
)
from matchkit.cli.printing import show
from matchkit.words.compare import compare_screen


@click.command(name="compare")
@click.argument("first")
@click.argument("second")
@click.option("--player", metavar="ID", help="A player of the tables.")
@person_options
@wish_option
@data_option
@picture_options
@output_options
def command(
    first: str,
    second: str,
    player: str | None,
    data: str | None,
    model: str | None,
    style: str,
    out: str | None,
    **options: Any,
) -> None:
    """Hold FIRST against SECOND: what differs, how sure that is, and which is expected to be marked higher.

    Each is MOUTHPIECE+REED or MOUTHPIECE+REED+LIGATURE, by ids or sizes ("75thou + 2.5"), or "now" for what they play.
    """
    house = open_data(data, model)
    wish = options.pop("wish")
    person = read_person(house, player, options)
    found = house.compare(_parts(first), _parts(second), person, wish=wish)
    show(found, compare_screen, style, out)


def _parts(text: str) -> tuple[str, ...]:
    """Take a set-up apart at its plus signs."""
    return tuple(part.strip() for part in re.findall(r"[^+]+", text) if part.strip())
