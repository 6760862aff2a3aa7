"""``matchkit strengths``: every reed that fits a mouthpiece, side by side."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import click

from matchkit.cli.options import data_option, open_data, output_options, person_options, picture_options, read_person
from matchkit.cli.printing import deliver_bytes, show
from matchkit.words.numbers import counted
from matchkit.words.side_by_side import strengths_screen

if TYPE_CHECKING:
    from matchkit.house import House
    from matchkit.score.player import Visitor


@click.command(name="strengths")
@click.argument("mouthpieces", metavar="MOUTHPIECE...", nargs=-1)
@click.option(
    "--label",
    metavar="FILE",
    help="A card to stand beside each MOUTHPIECE, or beside every one of the instrument, on one html sheet.",
)
@click.option("--player", metavar="ID", help="A player of the tables.")
@person_options
@data_option
@picture_options
@output_options
def command(
    mouthpieces: tuple[str, ...],
    player: str | None,
    data: str | None,
    model: str | None,
    style: str,
    out: str | None,
    label: str | None,
    **described: Any,
) -> None:
    """Lay every reed that fits MOUTHPIECE side by side: which strength and cut, and which equals what they play now."""
    house = open_data(data, model)
    person = read_person(house, player, described)
    if label is not None:
        if not label.lower().endswith((".html", ".htm")):
            raise click.UsageError(f"labels are an html file; read {label!r}")
        _labels(house, mouthpieces, person, described["instrument"], label)
        return
    if len(mouthpieces) != 1:
        raise click.UsageError("one MOUTHPIECE; several go with --label")
    found = house.strengths(mouthpieces[0], person)
    show(found, strengths_screen, style, out)


def _labels(
    house: House, mouthpieces: tuple[str, ...], person: str | Visitor | None, instrument: str | None, path: str
) -> None:
    """Write the cards of some mouthpieces, or of all."""
    from matchkit.report.pages import labels_page
    from matchkit.words.paper.sheet import label_of

    every = [part for part in house.parts.facings if instrument in (None, part.mouthpiece.instrument)]
    names = {part.id: part.mouthpiece.label for part in every}
    chosen = mouthpieces or tuple(names)
    labels = []
    for name in chosen:
        label = names.get(name)
        labels.append(label_of(house.strengths(name, person), name if label is None else f"{name}: {label}"))
    deliver_bytes(labels_page(labels).encode("utf-8"), path)
    click.echo(f"{counted(len(labels), 'label')} in {path}", err=True)
