"""``matchkit swap``: one part replaced, and what on the new one feels like the old."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import click

from matchkit.cli.options import data_option, open_data, output_options, person_options, read_person
from matchkit.cli.printing import deliver, paragraph, signed, to_csv, to_json, wrapped

if TYPE_CHECKING:
    from matchkit.match.side_by_side import Swap


@click.command(name="swap")
@click.argument("player", required=False)
@person_options
@click.option("--mouthpiece", metavar="ID", help="The new mouthpiece; reeds are searched for it.")
@click.option("--reed", metavar="ID", help="The new reed; mouthpieces are searched for it.")
@click.option("--top", type=int, default=3, show_default=True, help="How many rows.")
@data_option
@output_options
def command(player: str | None, data: str | None, model: str | None, style: str, out: str | None, **options: Any) -> None:
    """Replace one part of what PLAYER has: what on the new part feels like the old, and what difference remains."""
    house = open_data(data, model)
    asked = {name: options.pop(name) for name in ("mouthpiece", "reed", "top")}
    person = read_person(house, player, options)
    if person is None:
        raise click.UsageError("whom for? name a PLAYER of the tables, or describe one with --instrument")
    found = house.swap(person, **asked)
    if style == "json":
        deliver(to_json(found.to_dict()), out)
    elif style == "csv":
        frame = found.to_frame()
        rows = [{str(key): value for key, value in row.items()} for row in frame.to_dict("records")]
        deliver(to_csv(rows, [str(name) for name in frame.columns]), out)
    else:
        deliver(as_text(found), out)


def as_text(found: Swap) -> str:
    """Lay out a swap, the nearest first."""
    lines = [paragraph(f"{found.player} plays {found.present}. With {found.part} {found.new_id} instead, nearest first:"), ""]
    for place, row in enumerate(found.rows, start=1):
        price = "" if row.price is None else f", {row.price:g}"
        other = row.reed_id if found.part == "mouthpiece" else row.mouthpiece_id
        lines.append(paragraph(f"{place}. {other}{f' ({row.label})' if row.label else ''}{price}"))
        share = (
            "not known"
            if row.share_difference is None
            else f"{signed(100 * row.share_difference)} % (u {100 * row.u_share_difference:.1f})"
        )
        lines.append(
            wrapped(
                "remains",
                [
                    f"effort {signed(row.effort_difference_kpa)} kPa ({signed(row.steps_effort)} steps)",
                    f"opening {signed(row.opening_difference_mm, 2)} mm ({signed(row.steps_air)} steps)",
                    f"left open when it closes {share}",
                ],
            )
        )
        lines.append(wrapped("feel", row.feel))
        if row.place_mm is not None:
            where = "forward" if row.place_mm > 0 else "back"
            lines.append(wrapped("free", [f"move the reed {abs(row.place_mm):.1f} mm {where} for the same resistance"]))
        lines.append("")
    if not found.rows:
        lines += ["Nothing here fits and can be compared.", ""]
    if found.not_comparable:
        lines.append(
            paragraph(f"{found.not_comparable} pairs are on another strength scale, or on none, and were not compared.")
        )
    return "\n".join(lines).rstrip("\n") + "\n"
