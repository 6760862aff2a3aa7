"""Options that several commands share."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from pathlib import PurePath
from typing import TYPE_CHECKING, Any, TypeVar

import click

from matchkit.cli.printing import FIGURE_FILE, INVENTED, PAGE_FILE, clean
from matchkit.constants import INSTRUMENTS
from matchkit.errors import listing

if TYPE_CHECKING:
    from matchkit.house import House
    from matchkit.score.player import Visitor

Command = TypeVar("Command", bound=Callable[..., Any])

FORMATS = ("table", "json", "csv")
PERSON = ("instrument", "embouchure", "blow_kpa", "lip_mm", "level", "now_mouthpiece", "now_reed", "now_ligature")
"""What :func:`person_options` asks for."""


CACHE = "matchkit.cache"


def _without_cache(ctx: click.Context, parameter: click.Parameter, value: bool) -> None:  # noqa: FBT001 - click passes by place
    del parameter
    if value:
        ctx.meta[CACHE] = False


def cache_option(function: Command) -> Command:
    """Add ``--no-cache``, which :func:`open_data` heeds."""
    return click.option(
        "--no-cache",
        is_flag=True,
        expose_value=False,
        callback=_without_cache,
        help="Neither read nor keep what was computed before on this machine.",
    )(function)


def jobs_option(what: str) -> Callable[[Command], Command]:
    """Add ``--jobs``."""
    return click.option("--jobs", type=int, default=1, show_default=True, help=f"{what}; -1 uses every core.")


def columns_of(texts: Sequence[str], example: str) -> dict[str, str]:
    """Return text by column, from texts such as "price=180"; raises UsageError."""
    values: dict[str, str] = {}
    for text in texts:
        name, equals, value = text.partition("=")
        if not equals or not name.strip():
            raise click.UsageError(f"'{text}'; expected COLUMN=VALUE, such as {example}")
        if name.strip() in values:
            raise click.UsageError(f"{name.strip()} stands twice")
        values[name.strip()] = value.strip()
    return values


def wait_option(function: Command) -> Command:
    """Add ``--wait``."""
    return click.option(
        "--wait",
        "wait_s",
        type=click.FloatRange(0, 3600),
        default=10.0,
        show_default=True,
        metavar="SECONDS",
        help="How long to wait for another program that is writing into it.",
    )(function)


def data_option(function: Command) -> Command:
    """Add ``--data``, ``--model`` and ``--no-cache``."""
    function = cache_option(function)
    function = click.option("--model", metavar="FILE", help="Model that train wrote.  [default: the one beside the tables]")(
        function
    )
    return click.option(
        "--data",
        metavar="PATH|URL",
        help="Folder of csv tables, xlsx workbook, or shop's record (SQLite file, PostgreSQL URL).  [default: the demo house]",
    )(function)


def _some_path(ctx: click.Context, parameter: click.Parameter, value: str | None) -> str | None:
    del ctx, parameter
    if value is not None and not value.strip():
        raise click.BadParameter("expected the name of a file")
    return value


def output_options(function: Command) -> Command:
    """Add ``--format`` and ``--out``."""
    function = click.option(
        "--out", type=click.Path(dir_okay=False), callback=_some_path, help="Write the answer to a file instead."
    )(function)
    return click.option(
        "--format", "style", type=click.Choice(FORMATS), default="table", show_default=True, help="How to print the answer."
    )(function)


def house_option(function: Command) -> Command:
    """Add ``--house``, of which :func:`tell_rules` tells the default."""
    return click.option(
        "--house",
        "spec",
        metavar="FILE",
        help="A house.toml with the drawings.  [default: the one beside the pieces, else that of --data]",
    )(function)


def tell_rules(spec: str | None, *pieces: str | None) -> None:
    """Say which house.toml beside the pieces is taken, where none was named."""
    from matchkit.tables.store import spec_beside

    for found in () if spec is not None else dict.fromkeys(filter(None, map(spec_beside, pieces))):
        click.echo(f"house.toml beside the pieces: {clean(str(found))}", err=True)


def study_option(function: Command) -> Command:
    """Add ``--study``."""
    return click.option(
        "--study", metavar="FILE", help="A gauge study whose result replaces the gauge's stated uncertainties."
    )(function)


def picture_options(function: Command) -> Command:
    """Add ``--figure`` and ``--page``, which :func:`matchkit.cli.printing.show` writes beside the answer."""

    def kept(key: str, suffixes: tuple[str, ...], what: str) -> Callable[[click.Context, click.Parameter, str | None], None]:
        def keep(context: click.Context, _: click.Parameter, value: str | None) -> None:
            if value is not None and not value.lower().endswith(suffixes):
                raise click.UsageError(f"{what}; read {value!r}")
            context.meta[key] = value

        return keep

    function = click.option(
        "--page",
        metavar="FILE",
        expose_value=False,
        callback=kept(PAGE_FILE, (".html", ".htm"), "a page is an html file"),
        help="Write it as a page too, one html file to look at, send or print.",
    )(function)
    return click.option(
        "--figure",
        metavar="FILE",
        expose_value=False,
        callback=kept(FIGURE_FILE, (".svg", ".png", ".pdf"), "a figure is an svg, a png or a pdf"),
        help="Draw it too, into an svg, png or pdf.",
    )(function)


def wish_option(function: Command) -> Command:
    """Add ``--wish``."""
    return click.option(
        "--wish",
        multiple=True,
        metavar="WISH",
        help="What the player wishes for: freer, more resistance, softer reed, harder reed, bigger sound, less air, "
        "brighter, darker, more even; 'much' before it is two steps. May be repeated.",
    )(function)


def person_options(function: Command) -> Command:
    """Add what describes a player who is in no table."""
    for decorate in reversed(
        (
            click.option("--instrument", type=click.Choice(INSTRUMENTS), help="Instrument of a player who is in no table."),
            click.option("--embouchure", type=click.Choice(("light", "medium", "firm")), help="How much they hold."),
            click.option("--blow", "blow_kpa", type=float, metavar="KPA", help="Blowing pressure, where it was measured."),
            click.option(
                "--lip", "lip_mm", type=float, metavar="MM", help="Tip to the middle of the lip, where it was measured."
            ),
            click.option(
                "--level",
                type=click.Choice(("beginner", "intermediate", "advanced")),
                help="How far they are, for somebody without a set-up.",
            ),
            click.option("--now-mouthpiece", metavar="ID|TIP|?", help="What they play now: an id, or 1.9mm, or 75thou, or ?"),
            click.option("--now-reed", metavar="ID|STRENGTH|?", help="An id, or 2.5, or 'unfiled 2.5', or ?"),
            click.option("--now-ligature", metavar="ID|CONTACT|?", help="An id, or rails, plate, wrap or points, or ?"),
        )
    ):
        function = decorate(function)
    return function


def read_person(house: House, player: str | None, described: dict[str, Any]) -> str | Visitor | None:
    """Return the player asked about: an id, a visitor, or None where nobody was named."""
    said = {name: value for name, value in described.items() if value is not None}
    if player is not None:
        if said:
            raise click.UsageError("name a player of the tables, or describe one with options; not both")
        return player
    if not said:
        return None
    if "instrument" not in said:
        raise click.UsageError("--instrument is needed to describe a player")
    return house.visitor(**{name.removeprefix("now_"): value for name, value in said.items()})


def _tell_slips(house: House) -> None:
    """Say which columns seem to be in another unit, where the parts were needed anyway."""
    if "parts" in vars(house):
        for line in listing(house.slips):
            click.echo(f"note: {clean(line)}", err=True)


OF_MOUTHPIECES = ("mouthpieces", "facings", "lay_points", "house")
"""Tables that a question about mouthpieces alone rests on."""


def open_data(data: str | None, model: str | None = None, *, about: tuple[str, ...] = ()) -> House:
    """Open the tables, saying on stderr what is odd in them, or in those that the question rests on."""
    import matchkit as mk

    context = click.get_current_context()
    house = mk.open(data, model=model, cache=context.meta.get(CACHE, True))
    context.meta[INVENTED] = house.demo or context.meta.get(INVENTED, False)
    context.call_on_close(lambda: click.echo(f"note: {house.cache.note}", err=True) if house.cache.note else None)
    if data is not None:
        told = [odd for odd in house.warnings if not about or PurePath(odd.source).stem in about]
        for line in listing(told):
            click.echo(f"note: {clean(line)}", err=True)
        if not about:
            context.call_on_close(lambda: _tell_slips(house))
    return house
