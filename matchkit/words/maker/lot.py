"""A lot of reeds for its maker: how hard it is against the house's scale, how much it spreads, and which reeds do not belong."""

from __future__ import annotations

from matchkit.constants import TWO_SIDED
from matchkit.errors import listing
from matchkit.maker.lot import LEAST_REEDS, LotFound, LotReport
from matchkit.words.numbers import counted, strengths
from matchkit.words.screen import Screen, Table, Text, screen, sentences

ALIKE = 0.25
"""Half strengths within which nobody tells a difference."""
TOO_WIDE = 2.0
"""A level that is known no better than to so many half strengths is none."""


def lot_screen(found: LotReport) -> Screen:
    """Return the screen of a lot."""
    titles = ("reeds", "read", "N/mm", "scale", "half strengths", "spread %", "box %")
    return screen(
        [
            Text("Left out, since something in these rows is wrong:"),
            *(Text(line, indent=2, hang=2) for line in listing(found.left_out)),
        ]
        if found.left_out
        else None,
        (_told(row, both_states=_both(found, row)) for row in found.rows),
        "",
        Table(titles, tuple(map(_row, found.rows)), right=(1, 2, 3, 4, 5, 6)),
        "",
        "Half strengths are harder where above 0; ± and ranges hold 19 times of 20.",
    )


def _both(found: LotReport, row: LotFound) -> bool:
    """Whether reeds of this strength were read dry and wet."""
    alike = [one for one in found.rows if (one.profile_id, one.strength) == (row.profile_id, row.strength)]
    return len({one.state for one in alike}) > 1


def _told(row: LotFound, *, both_states: bool) -> str:
    name = f"{row.profile_id} {row.strength:g}{f', {row.state}' if both_states else ''}"
    unlike = f"the readings of {', '.join(row.unlike)} disagree with one another: look for a slip" if row.unlike else None
    odd = (
        f"{'reed' if len(row.odd) == 1 else 'reeds'} {', '.join(row.odd)} far from the others: read again, or leave out"
        if row.odd
        else None
    )
    spread = None
    if row.spread_low_pct is not None and row.spread_high_pct is not None:
        if row.spread_low_pct > row.box_pct:
            spread = f"it spreads more than a box should ({row.spread_pct:.0f} % where {row.box_pct:.0f} % is usual)"
        elif row.spread_high_pct < row.box_pct:
            spread = f"it spreads less than usual ({row.spread_pct:.0f} % where {row.box_pct:.0f} % is)"
    elif row.reeds < LEAST_REEDS:
        spread = f"from {counted(row.reeds, 'reed')} its spread cannot be told"
    rest = sentences(unlike, spread, odd)
    return f"{name}: {_level(row)}{f' {rest}' if rest else ''}"


_UNKNOWN = {
    "profile": "does not have {row.profile_id}",
    "strength": "has no {row.profile_id} of strength {row.strength:g}",
    "state": "has it in the other state only, not {row.state}",
}


def _level(row: LotFound) -> str:
    if row.steps is None or row.u_steps is None:
        return f"the house's scale {_UNKNOWN[row.unknown or 'state'].format(row=row)}, so its level cannot be told."
    if row.factor is not None:
        return f"{row.factor:.2g} times as stiff as the house's scale says: is a column in another unit, or a point misplaced?"
    if TWO_SIDED * row.u_steps > TOO_WIDE:
        return f"how hard it is cannot be told from these readings, only to ± {TWO_SIDED * row.u_steps:.1f} half strengths."
    if abs(row.steps) <= TWO_SIDED * row.u_steps:
        return "as hard as the house's scale says, as far as these reeds tell."
    if abs(row.steps) < ALIKE:
        return "as hard as the house's scale says, within a touch."
    return f"{strengths(row.steps)} {'harder' if row.steps > 0 else 'softer'} than the house's scale says."


def _row(row: LotFound) -> tuple[str, ...]:
    steps = "-" if row.steps is None or row.u_steps is None else f"{row.steps:+.1f} ± {TWO_SIDED * row.u_steps:.1f}"
    spread = "-"
    if row.spread_pct is not None:
        spread = f"{row.spread_pct:.0f} ({row.spread_low_pct:.0f} to {row.spread_high_pct:.0f})"
    return (
        f"{row.profile_id} {row.strength:g} {row.state}",
        str(row.reeds),
        f"{row.stiffness_n_per_mm:.3f}",
        "-" if row.scale_n_per_mm is None else f"{row.scale_n_per_mm:.3f}",
        steps,
        spread,
        f"{row.box_pct:.0f}",
    )
