"""``matchkit stock``: what stands on the shop's shelf, one part at a time, with history."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

import click

from matchkit.cli.options import columns_of, wait_option
from matchkit.cli.printing import cells_changed, deliver, paragraph, to_json
from matchkit.words.numbers import counted, money
from matchkit.words.screen import listed

if TYPE_CHECKING:
    from matchkit.tables.shelf import Shelved

_data = click.option("--data", metavar="RECORD", required=True, help="The shop's record: an SQLite file, or a PostgreSQL URL.")


@click.group(name="stock")
def command() -> None:
    """Add, price, count and retire parts in the shop's record. PART is an id, or a line of reeds for all of them."""


@command.command(name="add")
@click.argument("kind", type=click.Choice(("mouthpiece", "reed", "ligature")))
@click.argument("columns", nargs=-1, required=True, metavar="COLUMN=VALUE...")
@_data
@wait_option
def add(kind: str, columns: Sequence[str], data: str, wait_s: float) -> None:
    """Put a new KIND on the shelf, such as: stock add mouthpiece id=AM-20 instrument=alto tip_opening_thou=75 price=180."""
    from matchkit.tables.shelf import add_row

    _tell(add_row(data, kind, columns_of(columns, "price=180"), wait_s=wait_s), "added")


_numbers = {"ignore_unknown_options": True}  # a number below zero is no option: it is told what is wrong with it


@command.command(name="price", context_settings=_numbers)
@click.argument("part")
@click.argument("amount", metavar="PRICE")
@_data
@wait_option
def price(part: str, amount: str, data: str, wait_s: float) -> None:
    """Set the PRICE of a PART."""
    from matchkit.tables.shelf import change_parts

    try:
        price = float(amount.replace(",", "."))
    except ValueError:
        raise click.UsageError(f"'{amount}' as a price; expected a number such as 195 or 3.50") from None
    _tell(change_parts(data, part, "stock price", price=price, wait_s=wait_s), f"priced {money(price)}")


@command.command(name="count", context_settings=_numbers)
@click.argument("part")
@click.argument("number", type=int)
@_data
@wait_option
def count(part: str, number: int, data: str, wait_s: float) -> None:
    """Set how many pieces of a PART there are."""
    from matchkit.tables.shelf import change_parts

    _tell(change_parts(data, part, "stock count", stock=number, wait_s=wait_s), f"counted as {number}")


@command.command(name="retire")
@click.argument("part")
@click.option("--back", is_flag=True, help="Offer it again.")
@_data
@wait_option
def retire(part: str, data: str, wait_s: float, *, back: bool) -> None:
    """Offer a PART no longer; its readings and marks stay."""
    from matchkit.tables.shelf import change_parts

    done = change_parts(data, part, "stock retire", retired=None if back else True, wait_s=wait_s)
    _tell(done, "offered again" if back else "no longer offered")


@command.command(name="show")
@click.argument("part")
@_data
def show(part: str, data: str) -> None:
    """Show a PART as it stands, and what was changed of it and when."""
    from matchkit.tables.shelf import named_parts, steps_of

    table, found = named_parts(data, part)
    for record in found:
        held: Any = record
        count = "not counted" if held.stock is None else f"{held.stock} in stock"
        offered = ", no longer offered" if held.retired else ""
        click.echo(paragraph(f"{held.id}, {table.removesuffix('s')}: {money(held.price)}, {count}{offered}."))
        for step in steps_of(data, held):
            click.echo(paragraph(f"   {step.at[:16].replace('T', ' ')}  {step.command}: {cells_changed(step.columns)}"))


@command.command(name="loans")
@_data
@click.option(
    "--format", "style", type=click.Choice(("table", "json")), default="table", show_default=True, help="How to print it."
)
@click.option("--out", type=click.Path(dir_okay=False), help="Write the answer to a file instead.")
def loans(data: str, style: str, out: str | None) -> None:
    """List what was taken home and has neither come back nor been kept."""
    import matchkit as mk
    from matchkit.records.people import open_loans

    out_now = open_loans(mk.open(data).tables.loans)
    if style == "json":
        rows = [loan.model_dump(mode="json", exclude_none=True) for loan in out_now]
        deliver(to_json({"schema": "matchkit.loans/1", "rows": rows}), out)
        return
    lines = [
        paragraph(
            f"{loan.player_id} has {' + '.join(part for part in (loan.mouthpiece_id, loan.reed_id, loan.ligature_id) if part)}"
            f"{f' since {loan.date}' if loan.date else ''}."
        )
        for loan in out_now
    ]
    deliver("\n".join(lines or ["Nothing is out."]) + "\n", out)


def _tell(done: Shelved, what: str) -> None:
    names = [str(getattr(part, "id", "")) for part in done.parts]
    shown = listed(names) if len(names) <= 3 else f"{counted(len(names), 'reed')} ({names[0]} to {names[-1]})"
    same = "" if done.written else " It was so already."
    click.echo(paragraph(f"{shown}: {what}.{same}"))
