"""``matchkit next``: which set-ups to play next to learn most."""

from __future__ import annotations

import click

from matchkit.cli.options import data_option, open_data, output_options
from matchkit.cli.printing import show
from matchkit.cli.progress import bar
from matchkit.words.playtest.learned import next_screen


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
        found = house.next(player, count=count, in_stock=in_stock, progress=progress)
    show(found, next_screen, style, out)
