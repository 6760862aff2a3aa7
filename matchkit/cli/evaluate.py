"""``matchkit evaluate``: how well the model predicts what it has not seen."""

from __future__ import annotations

from dataclasses import asdict
from typing import TYPE_CHECKING

import click

from matchkit.cli.options import open_data, output_options
from matchkit.cli.printing import deliver, number, paragraph, table, to_csv, to_json

if TYPE_CHECKING:
    from matchkit.match.validate import Evaluation


@click.command(name="evaluate")
@click.option("--data", metavar="PATH", help="Folder of csv tables, or an xlsx workbook.  [default: the demo house]")
@click.option("--quick", is_flag=True, help="Keep the default settings instead of choosing them inside every fold.")
@output_options
def command(data: str | None, style: str, out: str | None, *, quick: bool) -> None:
    """Hold players and mouthpieces out in turn, and compare the marks with what each method let expect."""
    house = open_data(data)
    evaluation = house.evaluate(nested=not quick)
    if style == "json":
        deliver(to_json(evaluation.to_dict()), out)
    elif style == "csv":
        rows = [asdict(score) for score in evaluation.scores]
        deliver(to_csv(rows, list(rows[0])), out)
    else:
        deliver(as_text(evaluation, demo=house.demo), out)


def as_text(evaluation: Evaluation, *, demo: bool) -> str:
    """Lay out an evaluation."""
    rows = []
    for score in evaluation.scores:
        cover = "-" if score.coverage is None else f"{100 * score.coverage:.0f}"
        low, high = score.coverage_low, score.coverage_high
        spread = "-" if low is None or high is None else f"{100 * low:.0f}-{100 * high:.0f}"
        rows.append(
            (
                score.split,
                score.method.removesuffix(" alone"),
                *("-" if value != value else number(value, 3) for value in (score.ndcg, score.kendall_tau)),  # noqa: PLR0124 - nan
                number(score.error),
                cover,
                number(score.width, 1),
                spread,
            )
        )
    columns = [
        ("held out", "left"),
        ("method", "left"),
        *((name, "right") for name in ("NDCG@5", "tau", "error", "% in", "width", "spread")),
    ]
    lines = [
        paragraph(
            f"{evaluation.tests} rated playtests of {evaluation.players} players, {evaluation.lists} of them with six set-ups or more."
            + (" They are invented: these figures prove the machinery and say nothing about the world." if demo else "")
        ),
        "",
        table(columns, rows),
        "",
        paragraph(
            "NDCG@5: one list a player, repeats averaged, gain is the mark, discount log2(i + 1), ties averaged. Tau is Kendall's."
        ),
        paragraph(
            "Error is the mean absolute one, in points of the mark (0 to 10). Physics and neighbours stand alone; blend is both."
        ),
        paragraph(
            "In: per cent of marks within the 80 % interval; width in points; spread: nine of ten and one of ten players have more of their own marks inside."
        ),
    ]
    return "\n".join(lines) + "\n"
