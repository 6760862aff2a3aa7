"""``matchkit facing``: what the readings of a mouthpiece tell."""

from __future__ import annotations

import click

from matchkit.cli.options import (
    OF_MOUTHPIECES,
    data_option,
    house_option,
    open_data,
    output_options,
    picture_options,
    study_option,
    tell_rules,
)
from matchkit.cli.printing import show
from matchkit.words.maker.facing import facing_screen


@click.command(name="facing")
@click.argument("mouthpiece")
@click.option("--pieces", metavar="PATH", help="Folder or workbook that it is in.  [default: the tables of --data]")
@house_option
@study_option
@click.option("--numbers", is_flag=True, help="Tables too: every length and every feeler.")
@click.option("--sheet", is_flag=True, help="A sheet to fill in at the bench instead.")
@click.option("--history", is_flag=True, help="What changed over the days on which it was read, before and after a refacing.")
@data_option
@picture_options
@output_options
def command(
    mouthpiece: str,
    pieces: str | None,
    spec: str | None,
    data: str | None,
    model: str | None,
    style: str,
    out: str | None,
    study: str | None,
    *,
    numbers: bool,
    history: bool,
    sheet: bool,
) -> None:
    """Say what the readings of MOUTHPIECE tell: lengths, shape, smoothness, rails, bumps and flats, and how sure each is."""
    import matchkit as mk

    if sheet and history:
        raise click.UsageError("either --sheet or --history")
    tell_rules(spec, pieces)
    if sheet:
        from matchkit.words.maker.paper import sheet_screen

        show(open_data(data, model, about=OF_MOUTHPIECES).sheet(mouthpiece, pieces=pieces, spec=spec), sheet_screen, style, out)
        return
    if history:
        from matchkit.words.maker.history import history_screen

        show(
            open_data(data, model, about=OF_MOUTHPIECES).history(mouthpiece, pieces=pieces, spec=spec),
            history_screen,
            style,
            out,
        )
        return
    studies = () if study is None else mk.gauge_study(study)
    report = open_data(data, model, about=OF_MOUTHPIECES).facing(mouthpiece, pieces=pieces, spec=spec, studies=studies)
    show(report, lambda found: facing_screen(found, numbers=numbers), style, out)
