"""What a change to a mouthpiece would do, a line a change."""

from __future__ import annotations

from matchkit.advise.beside.what_if import WhatIf, WhatIfLine
from matchkit.constants import VISITOR
from matchkit.words.numbers import is_alike, mark, strengths
from matchkit.words.screen import Screen, Table, Text, screen, sentences

_TITLES = {"tip": "tip mm", "facing": "facing mm", "baffle": "baffle mm", "chamber": "cm3"}
_SIZES = {
    "tip": lambda row: f"{row.tip_opening_mm:.2f}",
    "facing": lambda row: f"{row.facing_length_mm:.1f}",
    "baffle": lambda row: "-" if row.baffle_height_mm is None else f"{row.baffle_height_mm:.1f}",
    "chamber": lambda row: "-" if row.chamber_volume_cm3 is None else f"{row.chamber_volume_cm3:.1f}",
}
MANY = 3
"""Where so many sizes change the table has no room for the house's range."""
CAUTION = (
    "Refacing makes fine dust: work wet, and wear a mask; metal leaves sharp swarf. What was taken off cannot be put back. "
    "Local rules and a skilled refacer come first."
)


def what_if_screen(found: WhatIf) -> Screen:
    """Return the screen of a what-if: the mouthpiece as it is, then each change."""
    who = "" if found.player == VISITOR else f" for {found.player}"
    ranged = found.unchanged.in_range is not None and len(found.changed) < MANY
    titles = (*(_TITLES[what] for what in found.changed), "to blow", "kPa", "expect", "as before with")
    rows = [found.unchanged, *found.rows]
    removes = any(
        row.tip_opening_mm > found.unchanged.tip_opening_mm or _other_length(row, found.unchanged) for row in found.rows
    )
    return screen(
        Text(sentences(f"{found.mouthpiece_id} with {found.reed_id}{who}, as it is and changed")),
        "",
        Table(
            (*titles, "in range") if ranged else titles,
            tuple(_row(row, found, ranged=ranged) for row in rows),
            right=tuple(range(len(found.changed))),
        ),
        "",
        "As before with: the reed here that is as hard to blow on it as this one is now.",
        None
        if found.closing_range_kpa is None or not ranged
        else "In range: how many of the {} reeds here close at {:g} to {:g} kPa.".format(found.reeds, *found.closing_range_kpa),
        None if found.shape_known else "Its facing was not measured with feelers: an arc is taken, changed and unchanged.",
        "Half a strength harder or freer is about one reed of the same line."
        if any(not is_alike(row.steps_resistance) for row in found.rows)
        else None,
        CAUTION if removes else None,
        f"More: matchkit reface {found.mouthpiece_id}" if removes and found.of_house else None,
    )


def _other_length(row: WhatIfLine, now: WhatIfLine) -> bool:
    return abs(row.facing_length_mm - now.facing_length_mm) > 1e-6


def _row(row: WhatIfLine, found: WhatIf, *, ranged: bool) -> tuple[str, ...]:
    if row is found.unchanged:
        against = "as it is"
    elif is_alike(row.steps_resistance):
        against = "as free"
    else:
        against = f"{strengths(row.steps_resistance)} {'harder' if row.steps_resistance > 0 else 'freer'}"
    cells = [*(_SIZES[what](row) for what in found.changed), against, f"{row.closing_pressure_kpa:.1f}", mark(row.score)]
    cells.append(row.same_reed_id or "no reed here")
    return (*cells, str(row.in_range)) if ranged else tuple(cells)
