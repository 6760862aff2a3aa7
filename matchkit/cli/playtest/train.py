"""``matchkit train``: learn from the playtests, fit the model, write it."""

from __future__ import annotations

import click

from matchkit.cli.options import cache_option, open_data
from matchkit.cli.printing import lay_out
from matchkit.cli.progress import bar
from matchkit.words.playtest.learned import trained_screen


@click.command(name="train")
@click.option(
    "--data",
    metavar="PATH|URL",
    help="Folder of csv tables, xlsx workbook, or shop's record.  [default: the demo house, which needs --out]",
)
@click.option(
    "--out",
    type=click.Path(dir_okay=False),
    help="Where to write the model.  [default: model.npz in the folder, or shop.model.npz beside shop.sqlite]",
)
@cache_option
def command(data: str | None, out: str | None) -> None:
    """Learn from the rated playtests of a house how far marks vary, fit the model and write it, with its card beside it.

    Commands then find it beside the tables. Playtests logged later are counted in; other parts, weights or constants make it stale.
    """
    if data is None and out is None:
        raise click.UsageError("the demo house is not written to; name a file with --out")
    house = open_data(data)
    with bar("learning from the playtests") as progress:
        trained = house.train(out, progress=progress)
    click.echo(lay_out(trained_screen(trained)), nl=False)
