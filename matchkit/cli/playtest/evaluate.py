"""``matchkit evaluate``: how well the model predicts what it has not seen."""

from __future__ import annotations

import click

from matchkit.cli.options import cache_option, jobs_option, open_data, output_options, picture_options
from matchkit.cli.printing import show
from matchkit.cli.progress import bar
from matchkit.words.playtest.learned import compared_screen, evaluation_screen


@click.command(name="evaluate")
@click.option(
    "--data", metavar="PATH|URL", help="Folder of csv tables, xlsx workbook, or shop's record.  [default: the demo house]"
)
@click.option(
    "--quick",
    is_flag=True,
    help="Take the usual variances instead of learning them inside every fold, and ask fewer plain methods.",
)
@click.option("--models", nargs=2, metavar="FILE FILE", help="Compare two models instead, on the same playtests held back.")
@jobs_option("Processes that share the folds")
@cache_option
@picture_options
@output_options
def command(data: str | None, models: tuple[str, str] | None, jobs: int, style: str, out: str | None, *, quick: bool) -> None:
    """Hold players and mouthpieces back in turn, and compare the marks with what each method expected."""
    house = open_data(data)
    if models is not None:
        show(house.compare_models(*models), compared_screen, style, out)
        return
    with bar("holding players and mouthpieces back") as progress:
        evaluation = house.evaluate(nested=not quick, jobs=jobs, progress=progress)
    show(evaluation, lambda found: evaluation_screen(found, invented=house.demo), style, out)
