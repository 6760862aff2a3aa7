"""``matchkit evaluate``: how well the model predicts what it has not seen."""

from __future__ import annotations

from dataclasses import asdict
from typing import TYPE_CHECKING, Any

import click

from matchkit.cli.options import cache_option, jobs_option, open_data, output_options
from matchkit.cli.printing import deliver, number, paragraph, table, to_csv, to_json
from matchkit.cli.progress import bar

if TYPE_CHECKING:
    from matchkit.match.validate import Evaluation


@click.command(name="evaluate")
@click.option("--data", metavar="PATH|URL", help="Folder of csv tables, xlsx workbook, or book.  [default: the demo house]")
@click.option("--quick", is_flag=True, help="Keep the default settings instead of choosing them inside every fold.")
@click.option("--models", nargs=2, metavar="FILE FILE", help="Compare two models instead, on the same playtests held out.")
@jobs_option("Processes that share the folds")
@cache_option
@output_options
def command(data: str | None, models: tuple[str, str] | None, jobs: int, style: str, out: str | None, *, quick: bool) -> None:
    """Hold players and mouthpieces out in turn, and compare the marks with what each method let expect."""
    house = open_data(data)
    if models is not None:
        rows = [asdict(item) for item in house.compare(*models)]
        if style == "json":
            deliver(to_json({"schema": "matchkit.compare/1", "models": list(models), "differences": rows}), out)
        elif style == "csv":
            deliver(to_csv(rows, list(rows[0])), out)
        else:
            deliver(_compared(rows, models), out)
        return
    with bar("holding players and mouthpieces out") as progress:
        evaluation = house.evaluate(nested=not quick, jobs=jobs, progress=progress)
    if style == "json":
        deliver(to_json(evaluation.to_dict()), out)
    elif style == "csv":
        rows = [asdict(score) for score in evaluation.scores]
        deliver(to_csv(rows, list(rows[0])), out)
    else:
        deliver(as_text(evaluation, demo=house.demo), out)


def _compared(rows: list[dict[str, Any]], models: tuple[str, str]) -> str:
    """Lay out what two models differ by."""
    lines = [
        paragraph(
            f"{models[0]} minus {models[1]}, on the same playtests held out; intervals over players (bootstrap, paired)."
        ),
        "",
        table(
            [
                ("held out", "left"),
                ("figure", "left"),
                *((name, "right") for name in ("first", "second", "difference", "95 %")),
            ],
            [
                (
                    row["split"],
                    row["figure"],
                    number(row["first"], 3),
                    number(row["second"], 3),
                    f"{row['difference']:+.4f}",
                    f"{row['low']:+.4f} to {row['high']:+.4f}",
                )
                for row in rows
            ],
        ),
        "",
        paragraph(
            "Error: mean absolute one of each player, in points, averaged over players. An interval that holds 0 leaves open which is better."
        ),
    ]
    return "\n".join(lines) + "\n"


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
            "Error is the mean absolute one, in points of the mark (0 to 10) on each player's own line. Physics and neighbours stand alone; blend is both."
        ),
        paragraph(
            "In: per cent of marks within the 80 % interval; width in points; spread: nine of ten and one of ten players have more of their own marks inside."
        ),
    ]
    return "\n".join(lines) + "\n"
