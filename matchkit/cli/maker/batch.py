"""``matchkit batch``: forty pieces, forty verdicts, and what they say together."""

from __future__ import annotations

import datetime as dt
from typing import TYPE_CHECKING, Any

import click

from matchkit.cli.options import (
    OF_MOUTHPIECES,
    data_option,
    house_option,
    jobs_option,
    open_data,
    output_options,
    picture_options,
    study_option,
    tell_rules,
)
from matchkit.cli.printing import PAGE_FILE, draw, show, write_figure
from matchkit.cli.progress import bar
from matchkit.words.maker.batch.beside import beside_screen
from matchkit.words.maker.batch.screen import batch_screen
from matchkit.words.maker.paper import record_screen, sheet_screen

if TYPE_CHECKING:
    from collections.abc import Sequence

    from matchkit.maker.conformity.batch import BatchReport
    from matchkit.maker.facts import SetAside

FAILS, ASIDE = 5, 3

MOST_LAYS = 6
"""A record of more pieces has no picture of each lay."""


@click.command(name="batch")
@click.argument("pieces", required=False)
@click.argument("second", required=False)
@house_option
@study_option
@click.option("--no-pairing", "pair", is_flag=True, flag_value=False, default=True, help="Judge only; leave the reeds out.")
@click.option("--draws", type=int, help="Monte Carlo draws a pair (default: 1000, fewer for more than 1000 pieces).")
@jobs_option("Workers")
@click.option("--figure-pairs", metavar="FILE", help="Draw the pairing, a strip a strength, into an svg, png or pdf.")
@click.option("--figure-chart", metavar="FILE", help="Draw the tip openings in the order of making, into an svg, png or pdf.")
@click.option("--sheet", is_flag=True, help="A sheet to fill in at the bench instead, for every piece.")
@click.option("--record", is_flag=True, help="A record for the file instead: every piece with every size, doubt and verdict.")
@click.option("--piece", metavar="ID", help="The record of this piece alone.")
@click.option("--date", "made_on", type=click.DateTime(["%Y-%m-%d"]), help="The day that stands on the record.")
@click.option("--numbers", is_flag=True, help="Tables too: what was read, how capable the making is, the pairing.")
@data_option
@picture_options
@output_options
def command(
    pieces: str | None,
    second: str | None,
    data: str | None,
    model: str | None,
    style: str,
    out: str | None,
    study: str | None,
    spec: str | None,
    figure_pairs: str | None,
    figure_chart: str | None,
    *,
    numbers: bool,
    sheet: bool,
    record: bool,
    piece: str | None,
    made_on: dt.datetime | None,
    **options: Any,
) -> None:
    """Judge PIECES against the drawings of their models, and pair them with the house reeds.

    PIECES is a folder of csv tables, or a workbook, with mouthpieces and facings (default: the demo batch). Ends with exit code 5 where a
    piece fails, else 3 where something in the rows of a piece is wrong: the others are judged. With a SECOND batch it says what differs between
    the two.
    """
    import matchkit as mk

    alone = sheet or record or piece is not None or second is not None or not options["pair"]
    house = open_data(data, model, about=OF_MOUTHPIECES if alone else ())
    if sum((sheet, record or piece is not None, second is not None)) > 1:
        raise click.UsageError("one of --sheet, --record (or --piece) and a second batch")
    tell_rules(spec, pieces, second)
    if pieces is not None and second is not None:
        if figure_pairs is not None or figure_chart is not None:
            raise click.UsageError("two batches have one picture: --figure FILE")
        both = house.batches(pieces, second, spec=spec)
        show(both, lambda found: beside_screen(found, numbers=numbers), style, out)
        _end(both.set_aside)
        return
    studies = () if study is None else mk.gauge_study(study)
    if sheet:
        show(house.sheet(pieces=pieces, spec=spec), sheet_screen, style, out)
        return
    if record or piece is not None:
        day = None if made_on is None else made_on.date()
        filed = house.record(pieces, piece=piece, spec=spec, studies=studies, made_on=day)
        if click.get_current_context().meta.get(PAGE_FILE) is not None and len(filed.pieces) <= MOST_LAYS:
            lays = [house.facing(one.mouthpiece_id, pieces=pieces, spec=spec, studies=studies) for one in filed.pieces]
            draw(filed, record_screen, also=lays)
        show(filed, record_screen, style, out)
        _end(filed.set_aside)
        return
    with bar("measuring and pairing") as progress:
        report = house.batch(pieces, spec=spec, studies=studies, progress=progress, **options)
    if pieces is None:
        own = "" if data is None else "; pieces of your own are named first: matchkit batch PIECES"
        click.echo(f"the demo batch, which is invented{own}", err=True)
    elif house.demo and report.pairings:
        click.echo("paired with the reeds of the demo house, which are invented: --data names your own", err=True)
    _draw(report, figure_pairs, figure_chart)
    draw(report, lambda found: batch_screen(found, numbers=True), also=(*charted(report), *report.pairings))
    show(report, lambda found: batch_screen(found, numbers=numbers), style, out)
    _end(report.set_aside, failed=report.failed)


def _end(set_aside: Sequence[SetAside], *, failed: bool = False) -> None:
    """End with the code of a batch in which a piece fails, or could not be judged."""
    if failed or set_aside:
        click.get_current_context().exit(FAILS if failed else ASIDE)


def charted(report: BatchReport) -> list[Any]:
    """Return the tip openings in the order of making, a chart a model."""
    return [item for item in report.features if item.feature == "tip_opening_mm" and item.chart is not None]


def _draw(report: BatchReport, figure_pairs: str | None, figure_chart: str | None) -> None:
    if figure_pairs is not None:
        if not report.pairings:
            raise click.UsageError("there is no pairing to draw")
        write_figure(report.pairings[0], figure_pairs)
        if len(report.pairings) > 1:
            click.echo(
                f"{figure_pairs} shows {report.pairings[0].model} only, the first of {len(report.pairings)} models", err=True
            )
    if figure_chart is not None:
        drawn = charted(report)
        if not drawn:
            raise click.UsageError("there is no chart to draw: ten pieces or more, in a known order")
        write_figure(drawn[0], figure_chart)
        if len(drawn) > 1:
            click.echo(f"{figure_chart} shows {drawn[0].model} only, the first of {len(drawn)} models", err=True)
