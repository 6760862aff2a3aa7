"""The command line: it parses, asks the library one question, and prints.

Commands are imported when they run, so that ``--help`` is quick.
"""

from __future__ import annotations

import os
import sys
import traceback
from importlib import import_module
from types import TracebackType
from typing import Any

import click

from matchkit import __version__
from matchkit.errors import (
    ContactError,
    DataError,
    MatchkitError,
    ModelError,
    PhysicsInputError,
    RequestError,
    SourceError,
    UnknownIdError,
    without_secrets,
)

EXIT_CODES: tuple[tuple[type[MatchkitError], int], ...] = (
    (DataError, 3),
    (PhysicsInputError, 3),
    (ContactError, 3),
    (SourceError, 4),
    (ModelError, 4),
    (RequestError, 2),
    (UnknownIdError, 2),
)

PLACES = {
    "counter": ("ask", "rank", "explain", "compare", "strengths", "swap", "whatif", "closing"),
    "maker": ("facing", "batch", "reface", "gauge", "calibrate"),
    "playtest": ("log", "plan", "analyse", "next", "train", "evaluate"),
}
"""Where the commands live; what is named nowhere lives beside this module."""

COMMANDS = {
    "ask": "Ask step by step, without codes: what to try for somebody at the counter.",
    "rank": "Rank set-ups for a player, best first, with reasons.",
    "explain": "Show every term and playtest behind one set-up.",
    "compare": "Hold two set-ups side by side: what differs, and which is better.",
    "strengths": "Lay every reed that fits a mouthpiece side by side.",
    "swap": "Replace one part: what on the new one feels like the old?",
    "whatif": "Say what a change to a mouthpiece would do.",
    "facing": "Say what the readings of a mouthpiece tell.",
    "batch": "Judge a batch of pieces, and pair it with the house reeds.",
    "reface": "Plan what to take off a facing, where, in which order.",
    "gauge": "Say how far a gauge and its people can be trusted.",
    "closing": "Compute how one reed closes on one facing.",
    "calibrate": "Turn weights and dial readings into a strength scale.",
    "log": "Write a playtest into the shop's record.",
    "plan": "Plan a blind playtest: what to play, in what order.",
    "analyse": "Say what blind trials and playtests show.",
    "next": "Say which set-ups to play next to learn most.",
    "train": "Choose settings, fit the model and write it.",
    "evaluate": "Say how well the model predicts what it has not seen.",
    "stock": "Add, price, count and retire parts; list what was taken home.",
    "tables": "Check tables, write empty ones, carry them to and from a shop's record.",
}


class _Lazy(click.Group):
    """A group whose commands live in modules of their own name."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        del ctx
        return list(COMMANDS)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        del ctx
        if cmd_name not in COMMANDS:
            return None
        place = next((f"{folder}." for folder, names in PLACES.items() if cmd_name in names), "")
        command: click.Command = import_module(f"matchkit.cli.{place}{cmd_name}").command
        return command

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        del ctx
        with formatter.section("Commands"):
            formatter.write_dl(list(COMMANDS.items()))

    def invoke(self, ctx: click.Context) -> Any:
        try:
            return super().invoke(ctx)
        except MatchkitError as error:
            for line in without_secrets(f"matchkit: {error}").splitlines():
                click.echo("".join(c if c.isprintable() else "\N{REPLACEMENT CHARACTER}" for c in line), err=True)
            ctx.exit(min((code for kind, code in EXIT_CODES if isinstance(error, kind)), default=1))
        except click.UsageError as error:
            raise click.UsageError(without_secrets(error.format_message()), ctx=error.ctx) from None


@click.group(cls=_Lazy, context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 80})
@click.version_option(__version__, prog_name="matchkit")
def main() -> None:
    """Match mouthpieces, reeds and ligatures of saxophones and clarinets.

    Without --data, commands use the demo house, whose parts, players and playtests are invented.
    """


THREADS = ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS", "VECLIB_MAXIMUM_THREADS")


def run() -> None:
    """Run the command line as a program: linear algebra takes one thread unless the machine says otherwise; --jobs brings more.

    What nobody foresaw ends in a traceback without addresses, as they may hold a password.
    """
    for name in THREADS:
        os.environ.setdefault(name, "1")
    sys.excepthook = _told
    main(prog_name="matchkit")


def _told(kind: type[BaseException], error: BaseException, trace: TracebackType | None) -> None:
    sys.stderr.write(without_secrets("".join(traceback.format_exception(kind, error, trace))))
