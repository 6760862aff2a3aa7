"""``matchkit next``: which set-ups to play next to learn most."""

from __future__ import annotations

from dataclasses import asdict

import click

from matchkit.cli.options import data_option, open_data, output_options
from matchkit.cli.printing import deliver, lay_out, to_csv, to_json
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
        tests = house.next(player, count=count, in_stock=in_stock, progress=progress)
    rows = [asdict(test) for test in tests]
    if style == "json":
        deliver(to_json({"schema": "matchkit.next/1", "model": asdict(house.model), "rows": rows}), out)
    elif style == "csv":
        deliver(to_csv(rows, list(rows[0])) if rows else "position\n", out)
    else:
        deliver(lay_out(next_screen(tests, house.model)), out)
