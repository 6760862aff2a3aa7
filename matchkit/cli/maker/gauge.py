"""``matchkit gauge``: how far a gauge and its people can be trusted."""

from __future__ import annotations

import click

from matchkit.cli.options import output_options, picture_options
from matchkit.cli.printing import FIGURE_FILE, INVENTED, deliver, draw, lay_out, to_csv, to_json
from matchkit.words.maker.gauge import gauge_screen


@click.command(name="gauge")
@click.argument("study", required=False)
@click.option(
    "--tolerance",
    "tolerances",
    multiple=True,
    metavar="[QUANTITY=]MM",
    help="Upper minus lower limit of what is measured with it, as 1.3, or stop=1.3 and tip_opening=0.16 where both were read.",
)
@click.option("--numbers", is_flag=True, help="The analysis of variance too.")
@picture_options
@output_options
def command(study: str | None, tolerances: tuple[str, ...], style: str, out: str | None, *, numbers: bool) -> None:
    """Analyse STUDY, a csv in which several people read several pieces several times (default: the demo study).

    Columns: quantity (stop, tip_opening or other), piece, operator, repeat, reading_mm. facing and batch take it with --study.
    """
    import matchkit as mk

    studies = mk.gauge_study(study, tolerance=_widths(tolerances))
    if study is None:
        click.get_current_context().meta[INVENTED] = True
        click.echo("the demo study, which is invented", err=True)
    if len(studies) > 1 and click.get_current_context().meta.get(FIGURE_FILE) is not None:
        click.echo(f"the figure shows {studies[0].quantity} only, the first of {len(studies)}; --page has all", err=True)
    draw(studies[0], lambda _: gauge_screen(studies, numbers=True), also=studies[1:])
    if style == "json":
        deliver(to_json({"schema": "matchkit.gauge/1", "studies": [item.to_dict() for item in studies]}), out)
    elif style == "csv":
        rows = [{"quantity": item.quantity, **row} for item in studies for row in item.flat_rows()]
        deliver(to_csv(rows, list(rows[0])), out)
    else:
        deliver(lay_out(gauge_screen(studies, numbers=numbers)), out)


def _widths(given: tuple[str, ...]) -> float | dict[str, float] | None:
    """Read the tolerances: one number, or some by quantity."""
    widths: dict[str, float] = {}
    for text in given:
        quantity, _, number_ = text.rpartition("=")
        try:
            widths[quantity] = float(number_)
        except ValueError:
            raise click.BadParameter(
                f"expected a number of mm, or QUANTITY=MM; read {text!r}", param_hint="--tolerance"
            ) from None
    if len(widths) < len(given):
        raise click.UsageError("each tolerance once")
    if "" in widths and len(given) > 1:
        raise click.UsageError("several tolerances: name what each is of")
    return widths.get("", widths or None)
