"""Reeds side by side on one mouthpiece, and one part replaced by another."""

from __future__ import annotations

from matchkit.advise.beside.reeds import ReedLine, Strengths
from matchkit.advise.beside.swap import Swap, SwapLine
from matchkit.constants import TWO_SIDED, VISITOR
from matchkit.words.facts import aimed_words, feel_words
from matchkit.words.numbers import counted, is_alike, money, signed, strengths
from matchkit.words.screen import Block, Screen, Table, Text, Title, screen, sentences


def _who(player: str) -> str:
    return "the customer" if player == VISITOR else player


def strengths_screen(found: Strengths) -> Screen:
    """Return the screen of the reeds on a mouthpiece, softest first."""
    compared = (
        f"what {_who(found.player)} plays now ({' + '.join(found.present)})" if found.present else aimed_words(found.aimed)
    )
    placed = [row for row in found.rows if row.steps is not None]
    apart = sorted({row.profile for row in found.rows if row.steps is None})
    titles = ("  reed", "compared", "near", "or move it", "kPa")
    rows = tuple(_reed_row(row) for row in placed)
    return screen(
        f"Reeds on {found.mouthpiece_id}, compared with {compared}, softest first:",
        "",
        Table(titles, rows, right=(2, 4)) if rows else "No reed here can be compared with that.",
        "",
        sentences("> is closest", "near: how many of a box of ten are within half a strength of it") if rows else None,
        "Move the reed on the facing before buying another: forward is harder, back is freer." if rows else None,
        f"Not measured, and so not placed: {', '.join(apart)}." if apart else None,
        "kPa is the closing pressure, ± 19 times of 20; most of that moves all rows alike." if rows else None,
    )


def _reed_row(row: ReedLine) -> tuple[str, ...]:
    steps = row.steps or 0.0
    against = "alike" if is_alike(steps) else f"{strengths(steps)} {'harder' if steps > 0 else 'softer'}"
    box = "-" if row.box_share is None else f"{10 * row.box_share:.0f}"
    moved = row.place_mm is not None and round(abs(row.place_mm), 1) > 0
    move = f"{abs(row.place_mm or 0.0):.1f} mm {'forward' if (row.place_mm or 0) > 0 else 'back'}" if moved else "-"
    pressure = f"{row.closing_pressure_kpa:.1f} ± {TWO_SIDED * row.u_closing_pressure_kpa:.1f}"
    return f"{'>' if row.equal else ' '} {row.reed_id}", against, box, move, pressure


def swap_screen(found: Swap) -> Screen:
    """Return the screen of a swap, what feels nearest first."""
    kind = "reed" if found.part == "mouthpiece" else "mouthpiece"
    blocks: list[Block | str] = []
    for place, row in enumerate(found.rows, start=1):
        blocks += _swap_blocks(place, row, found.part)
    return screen(
        sentences(
            f"{_who(found.player)} plays {' + '.join(found.present)}",
            f"with the {found.part} {found.new_id}, these are nearest in resistance; what still differs is the opening:",
        ),
        "",
        blocks or ["Nothing here fits and can be compared."],
        "",
        f"Left out, as a reed is not measured: {counted(found.not_comparable, kind)}." if found.not_comparable else None,
    )


def _swap_blocks(place: int, row: SwapLine, part: str) -> list[Block | str]:
    other = row.reed_id if part == "mouthpiece" else row.mouthpiece_id
    label = f"  {row.label}" if row.label else ""
    lines: list[Block | str] = [Title(f"{place}  {other}{label}", "" if not row.price else money(row.price))]
    lines.append(Text(sentences(feel_words(row.feel)), indent=3))
    if row.place_mm is not None and not is_alike(row.steps_resistance):
        way = "forward" if row.place_mm > 0 else "back"
        lines.append(Text(f"Move the reed {abs(row.place_mm):.1f} mm {way} and it is as free as now.", indent=3))
    size = f"tip opening {signed(row.opening_difference_mm, 2)} mm"
    lines.append(Text(f"Closing pressure {signed(row.effort_difference_kpa, 1)} kPa, {size}.", indent=3))
    return lines
