"""``matchkit gauge``: how far a gauge and its people can be trusted."""

from __future__ import annotations

from dataclasses import asdict
from typing import TYPE_CHECKING

import click

from matchkit.cli.options import output_options
from matchkit.cli.printing import deliver, number, paragraph, table, to_csv, to_json

if TYPE_CHECKING:
    from matchkit.bench.gauge import GaugeStudy


@click.command(name="gauge")
@click.argument("study", required=False)
@click.option(
    "--tolerance",
    "tolerances",
    multiple=True,
    metavar="[QUANTITY=]MM",
    help="Upper minus lower limit of what is measured with it, as 1.3, or stop=1.3 and tip_opening=0.16 where both were read.",
)
@output_options
def command(study: str | None, tolerances: tuple[str, ...], style: str, out: str | None) -> None:
    """Analyse STUDY, a csv in which several people read several pieces several times (default: the demo study).

    Columns: quantity (stop, tip_opening or other), piece, operator, repeat, reading_mm. facing and batch take it with --study.
    """
    import matchkit as mk

    studies = mk.gauge_study(study, tolerance=_widths(tolerances))
    if study is None:
        click.echo("the demo study, which is invented", err=True)
    if style == "json":
        deliver(to_json({"schema": "matchkit.gauge/1", "studies": [item.to_dict() for item in studies]}), out)
    elif style == "csv":
        rows = [{"quantity": item.quantity, **asdict(row)} for item in studies for row in item.table]
        deliver(to_csv(rows, list(rows[0])), out)
    else:
        deliver("\n".join(as_text(item) for item in studies), out)


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


def as_text(study: GaugeStudy) -> str:
    """Lay out one study, and what it means for the bench."""
    quantity = study.quantity.replace("_", " ")
    lines = [
        paragraph(
            f"Gauge study of {quantity}: {study.pieces} pieces, {study.people} {'person' if study.people == 1 else 'people'}, {study.repeats} repeats."
        ),
        "",
        table(
            [("source", "left"), *((name, "right") for name in ("sum of squares", "df", "mean square", "F", "p"))],
            [
                (
                    row.source,
                    f"{row.sum_of_squares:.5g}",
                    str(row.degrees),
                    f"{row.mean_square:.4g}",
                    number(row.f),
                    number(row.probability, 3),
                )
                for row in study.table
            ],
        ),
        "",
        paragraph(
            f"One person again: {study.repeatability:.3f} {study.unit} (repeatability, one standard deviation). "
            + ("" if study.reproducibility is None else f"People among themselves: {study.reproducibility:.3f} {study.unit}. ")
            + f"Both: {study.gauge:.3f} {study.unit}; the pieces: {study.piece:.3f} {study.unit}."
        ),
    ]
    if study.pooled and study.people > 1:
        lines.append(paragraph("Pieces and people do not interact (p above 0.25), so the interaction is counted as touch."))
    lines.append(paragraph(f"The gauge makes {100 * study.share_of_study:.0f} % of the spread in this study."))
    if study.share_of_tolerance is not None:
        lines.append(
            paragraph(
                f"It takes {100 * study.share_of_tolerance:.0f} % of the tolerance of {study.tolerance:g} {study.unit} (six standard deviations)."
            )
        )
    if study.distinct is not None:
        lines.append(
            paragraph(f"Distinct categories: {study.distinct}, by {study.method}; 5 or more is usual for judging pieces.")
        )
    if study.by_ranges is not None:
        older = study.by_ranges
        lines.append(
            paragraph(
                f"By averages and ranges, the older way: once again {older.repeatability:.3f}, people {older.reproducibility:.3f}, both "
                f"{older.gauge:.3f} {study.unit}."
            )
        )
    guide = " (below 10 % good, to 30 % usable, beyond too coarse: a usual guideline)" if study.repeatability > 0 else ""
    alone = ", for one person" if study.people == 1 else ""
    lines.append(paragraph(f"Verdict{alone}: {study.verdict}{guide}."))
    if study.reduced:
        lines.append(paragraph(f"Note: {study.reduced}."))
    if study.quantity == "stop" and study.repeatability > 0:
        people = "" if study.reproducibility is None else f", u_operator_mm = {study.reproducibility:.3f}"
        lines.append(paragraph(f"For house.toml, under [gauge]: u_stop_mm = {study.repeatability:.3f}{people}."))
        lines.append(
            paragraph(
                f"The step to which stops are read is in it: where stop_step_mm is set as well, enter the root of {study.repeatability:.3f}² less "
                "step²/12. facing and batch do that by themselves with --study."
            )
        )
    elif study.quantity == "tip_opening" and study.repeatability > 0:
        lines.append(paragraph(f"For house.toml, under [gauge]: u_tip_mm = {study.gauge:.3f}."))
    return "\n".join(lines) + "\n"
