"""``matchkit train``: choose settings, fit the model, write it."""

from __future__ import annotations

import click

from matchkit.cli.options import open_data
from matchkit.cli.printing import paragraph


@click.command(name="train")
@click.option(
    "--data",
    metavar="PATH|URL",
    help="Folder of csv tables, xlsx workbook, or book.  [default: the demo house, which needs --out]",
)
@click.option(
    "--out", type=click.Path(dir_okay=False), help="Where to write the model.  [default: model.npz beside the tables]"
)
def command(data: str | None, out: str | None) -> None:
    """Choose settings on the rated playtests of a house, fit the model and write it, with its card beside it.

    Commands then find it beside the tables, as long as the tables stay as they are.
    """
    if data is None and out is None:
        raise click.UsageError("the demo house is not written to; name a file with --out")
    house = open_data(data)
    path = house.train(out)
    settings = house.workshop.blend.settings
    click.echo(
        paragraph(
            f"{path}: {house.workshop.blend.tests} rated playtests; {settings.neighbours} neighbours, bandwidth "
            f"{settings.bandwidth:g}, kappa {settings.kappa:g}, another player {settings.other_player:g}, another ligature "
            f"{settings.same_contact:g} with the same contact and {settings.other_contact:g} without."
        )
    )
