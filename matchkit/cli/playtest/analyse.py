"""``matchkit analyse``: what blind trials and playtests say."""

from __future__ import annotations

import click

from matchkit.cli.options import data_option, open_data, output_options, picture_options
from matchkit.cli.printing import show
from matchkit.words.playtest.analyse import analyse_screen


@click.command(name="analyse")
@click.option("--session", metavar="NAME", help="Only what belongs to this session.  [default: everything]")
@click.option(
    "--claim", metavar="SET", help="A set-up that was said beforehand to have more of what was asked; one-sided tests."
)
@data_option
@picture_options
@output_options
def command(session: str | None, claim: str | None, data: str | None, model: str | None, style: str, out: str | None) -> None:
    """Say what blind trials and playtests show, and what they leave open. "Inconclusive" is a legal answer."""
    found = open_data(data, model).analyse(session=session, claim=claim)
    show(found, analyse_screen, style, out)
