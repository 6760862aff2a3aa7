"""``matchkit plan``: what to play, in what order, blind."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from matchkit.cli.options import data_option, open_data
from matchkit.cli.printing import deliver, deliver_bytes, paragraph, to_csv, to_json
from matchkit.errors import SourceError

if TYPE_CHECKING:
    from matchkit.playtest.plan import Plan

KINDS = ("compare", "two", "triangle")


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
@click.option("--most", type=int, metavar="N", help="compare: set-ups that one sitting can hold.  [default: 6]")
@click.option("--repeats", type=int, metavar="N", help="compare: hidden repeats a sitting.  [default: 3]")
@click.option("--out", metavar="FOLDER", help="Write the key, the players' sheet and a csv to fill in, into a new folder.")
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

    compare rates several set-ups, two asks which of two is more of something, triangle whether there is any difference at all.
    """
    given = {name: value for name, value in options.items() if value is not None}
    plan = open_data(data, model).plan(kind, sets, players=players, **given)
    if out is not None:
        _write(plan, Path(out))
    if style == "json":
        deliver(to_json(plan.to_dict()), None)
    else:
        deliver(as_text(plan, out), None)


def _write(plan: Plan, folder: Path) -> None:
    from matchkit.playtest.plan import key_sheet, player_sheet

    try:
        folder.mkdir(parents=True, exist_ok=False)
    except FileExistsError:
        raise SourceError(f"{folder}: already there; a plan goes into a new folder") from None
    except OSError as error:
        raise SourceError(f"{folder}: cannot be made ({error.strerror})") from error
    rows = plan.rows()
    for name, text in (
        ("key.txt", key_sheet(plan)),
        ("player.txt", player_sheet(plan)),
        ("answers.csv", to_csv(rows, list(rows[0]))),
    ):
        deliver_bytes(text.encode("utf-8"), str(folder / name))


def as_text(plan: Plan, out: str | None) -> str:
    """Say what is planned and what it can show, without the key."""
    from matchkit.playtest.plan import MOST_TRIALS

    count = len(plan.turns)
    lines = [
        paragraph(
            f"{plan.kind}: {len(plan.sets)} set-ups, {len(plan.players)} {'player' if len(plan.players) == 1 else 'players'}, {count} turns. {plan.design}."
        )
    ]
    found = plan.power
    if found is not None:
        asked = (
            "either is named"
            if found.two_sided
            else "the claimed one is named"
            if plan.kind == "two"
            else "it is answered right"
        )
        lines.append(
            paragraph(
                f"A difference is shown where {asked} {found.critical} times of {found.trials}, or more: chance alone does that in {100 * found.size:.1f} %. "
                "Anything less is inconclusive."
            )
        )
        enough = (
            f"from {found.needed} trials on it is never fewer than 80"
            if found.needed is not None and found.needed <= MOST_TRIALS
            else "80 take more trials than one session holds: name what differs, or look for a larger difference"
        )
        lines.append(
            paragraph(
                f"A difference of d' = {found.d_prime:g} would be found in {100 * found.power:.0f} of 100 such sessions; {enough}."
            )
        )
    if len(plan.players) == 1:
        lines.append(paragraph("With one player the result speaks for that player only."))
    lines += [paragraph(f"Caution: {caution}.") for caution in plan.cautions]
    lines.append(
        paragraph("Write the key, the players' sheet and a csv to fill in with --out FOLDER.")
        if out is None
        else paragraph(
            f"In {out}: key.txt for the person who sets up, player.txt for the players, answers.csv to fill in and to log (matchkit log --from)."
        )
    )
    return "\n".join(lines) + "\n"
