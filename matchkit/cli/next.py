"""``matchkit next``: which set-ups to play next to learn most."""

from __future__ import annotations

from typing import TYPE_CHECKING

import click

from matchkit.cli.options import data_option, open_data, output_options
from matchkit.cli.printing import deliver, number, paragraph, table, to_csv, to_json
from matchkit.cli.progress import bar

if TYPE_CHECKING:
    from matchkit.playtest.next_tests import NextTest


@click.command(name="next")
@click.argument("player", required=False)
@click.option("--count", type=int, default=8, show_default=True, help="How many playtests.")
@click.option("--in-stock", is_flag=True, help="Leave out what is counted as 0.")
@data_option
@output_options
def command(
    player: str | None, count: int, data: str | None, model: str | None, style: str, out: str | None, *, in_stock: bool
) -> None:
    """Say which set-ups PLAYER (default: everybody) should play next, so that the ranking learns most from it."""
    house = open_data(data, model)
    with bar("looking at every set-up") as progress:
        tests = house.next(player, count=count, in_stock=in_stock, progress=progress)
    rows = [test.to_dict() for test in tests]
    if style == "json":
        deliver(to_json({"schema": "matchkit.next/1", "model": house.model, "rows": rows}), out)
    elif style == "csv":
        deliver(to_csv(rows, list(rows[0])) if rows else "position\n", out)
    else:
        deliver(as_text(tests, house.model), out)


def as_text(tests: tuple[NextTest, ...], model: str) -> str:
    """Lay out what to play, and why."""
    if not tests:
        return "There is nothing to play: no mouthpiece and reed that fit.\n"
    rows = [
        (
            str(test.position),
            test.player_id,
            f"{test.mouthpiece_id} + {test.reed_id}",
            number(test.expected, 1),
            number(test.u_expected, 1),
            number(test.edge, 1),
            number(test.worth, 2),
        )
        for test in tests
    ]
    titles = ("", "player", "set-up", "expected", "u", "edge", "worth")
    lines = [
        paragraph("To play next, in this order; log each, train, and ask again:"),
        "",
        table([(title, "left" if place in (1, 2) else "right") for place, title in enumerate(titles)], rows),
        "",
        paragraph(
            "Expected mark (0 to 10) with its doubt u; edge: where the player's best five end. Worth: points expected to cross that edge by a playtest, for "
            "what it costs (a change of mouthpiece costs 0.3 of a playtest more, assumed)."
        ),
        paragraph("One reed a player; clean and disinfect a mouthpiece before it goes to another."),
        paragraph(f"By: {model}."),
    ]
    return "\n".join(lines) + "\n"
