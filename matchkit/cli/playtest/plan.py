"""``matchkit plan``: what to play, in what order, blind."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from matchkit.cli.options import data_option, open_data
from matchkit.cli.printing import deliver, deliver_bytes, lay_out, to_csv, to_json
from matchkit.errors import SourceError
from matchkit.words.playtest.plan import key_sheet, plan_screen, player_sheet

if TYPE_CHECKING:
    from matchkit.playtest.design.plan import Plan

KINDS = ("rate", "two", "triangle")


@click.command(name="plan")
@click.argument("kind", type=click.Choice(KINDS))
@click.argument("sets", nargs=-1, required=True, metavar="SET SET...")
@click.option("--player", "players", multiple=True, required=True, metavar="ID", help="Who plays; may be repeated.")
@click.option(
    "--session",
    default="session",
    show_default=True,
    metavar="NAME",
    help="Name of the session; ids of its rows begin with it.",
)
@click.option("--seed", type=int, default=1, show_default=True, help="The same seed gives the same plan.")
@click.option("--attribute", metavar="WORD", help="two: ease, resistance, brightness, evenness or overall.")
@click.option("--claim", metavar="SET", help="two: the set-up that is said to have more of it; the test is then one-sided.")
@click.option("--trials", type=int, help="two, triangle: trials in all.  [default: 24]")
@click.option(
    "--difference", "d_prime", type=float, metavar="D", help="two, triangle: difference to find, in d'.  [default: 1]"
)
@click.option("--most", type=int, metavar="N", help="rate: set-ups that one sitting can hold.  [default: 6]")
@click.option("--repeats", type=int, metavar="N", help="rate: hidden repeats a sitting.  [default: 3]")
@click.option(
    "--out",
    metavar="FOLDER",
    help="Write the key and the players' sheets, as text and as pages to print, and a csv to fill in, into a new folder.",
)
@click.option(
    "--format", "style", type=click.Choice(("table", "json")), default="table", show_default=True, help="json holds the key."
)
@data_option
def command(
    kind: str,
    sets: tuple[str, ...],
    players: tuple[str, ...],
    data: str | None,
    model: str | None,
    style: str,
    out: str | None,
    **options: float | str | None,
) -> None:
    """Plan a blind playtest of set-ups, each SET mouthpiece/reed or mouthpiece/reed/ligature by their ids.

    For two and triangle sizes will do, such as 75thou/2.5/plate. rate asks for marks of several set-ups, two asks which of two is more of something, triangle whether there is any difference at all.
    """
    given = {name: value for name, value in options.items() if value is not None}
    plan = open_data(data, model).plan(kind, sets, players=players, **given)
    if out is not None:
        _write(plan, Path(out))
    if style == "json":
        deliver(to_json(plan.to_dict()), None)
    else:
        deliver(lay_out(plan_screen(plan, out)), None)


def _write(plan: Plan, folder: Path) -> None:
    from matchkit.report.pages import evening_page
    from matchkit.words.paper.evening import key_page, player_sheets

    try:
        folder.mkdir(parents=True, exist_ok=False)
    except FileExistsError:
        raise SourceError(f"{folder}: already there; a plan goes into a new folder") from None
    except OSError as error:
        raise SourceError(f"{folder}: cannot be made ({error.strerror})") from error
    rows = plan.rows()
    for name, text in (
        ("key.txt", key_sheet(plan)),
        ("key.html", evening_page([key_page(plan)], key=True)),
        ("player.txt", player_sheet(plan)),
        ("player.html", evening_page(player_sheets(plan))),
        ("answers.csv", to_csv(rows, list(rows[0]))),
    ):
        deliver_bytes(text.encode("utf-8"), str(folder / name))
