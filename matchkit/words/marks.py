"""What marks say of a set-up, in words: how much of an answer is measurement and how much is marks, and whose."""

from __future__ import annotations

from collections.abc import Sequence

from matchkit.advise.answers import Deciding, GroupReason, Played, Setup, Taste
from matchkit.constants import DECIMALS
from matchkit.words.numbers import counted, mark
from matchkit.words.screen import listed

SMALL = 1.0
"""Points of 100 below which a group is not named by itself."""

OF_LIGATURE = 2.5
"""Points of 100 from which on the ligature is named besides."""

_NAMES = {
    "player": "how they mark",
    "mouthpiece": "this mouthpiece",
    "line": "this line of reeds",
    "taste": "their taste",
    "alike": "set-ups alike",
    "again": "their marks on this very set-up",
    "ligature": "the ligature",
}


def shares_words(row: Setup) -> str:
    """Return how much of what to expect is measurement and how much is marks, without a capital; both as they are shown add up to it."""
    if not row.groups:
        return ""
    added = added_marks(row)
    if round(added, 1) == 0:
        return f"{mark(10 * row.computed)} by the measurements, marks change nothing"
    verb = "add" if added > 0 else "take"
    return f"{mark(10 * row.computed)} by the measurements, marks {verb} {abs(added):.1f}"


def added_marks(row: Setup) -> float:
    """Return what marks add to the measurements, as it is shown: what is left of the mark to expect, both rounded."""
    return round(row.score / 10, 1) - round(row.computed, 1) if 0 < row.score < 100 else round(row.correction, 1)


def groups_words(groups: Sequence[GroupReason], *, most: int = 1) -> str:
    """Return the largest groups that go the way of them all, as they follow on what marks add; the ligature too where it is worth naming."""
    whole = sum(group.points for group in groups)
    told = [group for group in groups if round(abs(group.points), DECIMALS) >= SMALL and group.points * whole > 0]
    told.sort(key=lambda group: -round(abs(group.points), DECIMALS))
    named = told[:most] + [group for group in told[most:] if group.name == "ligature" and abs(group.points) >= OF_LIGATURE]
    return listed([group_words(group) for group in named])


def group_words(group: GroupReason) -> str:
    """Return one group with its points of a mark and who stands behind it."""
    behind = ""
    if group.name in ("mouthpiece", "line", "ligature"):
        behind = f" ({counted(group.players, 'player')})" if group.players else ""
    elif group.marks:
        behind = f" ({counted(group.marks, 'mark')})"
    return f"{group_name(group.name)} {signed(group.points)}{behind}"


def group_name(name: str) -> str:
    """Return what a group is called."""
    return _NAMES[name]


def signed(points: float) -> str:
    """Return points of 100 as points of a mark, with a sign.

    >>> signed(4.2), signed(-0.3)
    ('+0.4', '0.0')
    """
    rounded = round(points / 10, 1)
    return f"{rounded:+.1f}" if rounded else "0.0"


def played_words(played: Played | None, *, who: str = "they") -> str:
    """Return how often a mouthpiece and reed were played and marked, without a capital, and which marks do not count yet."""
    if played is None:
        return ""
    told = ""
    if played.times and played.mean is not None:
        times = {1: "once", 2: "twice"}.get(played.times, f"{played.times} times")
        told = f"{who} marked this pair {times}, {played.mean:.1f}" + (" on average" if played.times > 1 else "")
    if played.doubted:
        open_ = listed([f"{mark:g}" for mark in played.doubted])
        more = f"a further {open_}" if told else f"{who} marked this {open_}, which"
        told = f"{told}; {more} does not count yet" if told else f"{more} does not count yet"
    return told


_WAYS = {
    "freer": "half a strength freer",
    "more resistant": "half a strength harder",
    "wider": "a step wider",
    "closer": "a step closer",
    "higher baffle": "a higher baffle",
    "lower baffle": "a lower baffle",
}


def tastes_words(tastes: Sequence[Taste], player: str) -> str:
    """Return what a player's own marks say of where to go."""
    if not tastes:
        return ""
    told = listed([f"{_WAYS[taste.way]} {taste.points:.1f} higher" for taste in tastes])
    return f"{player} marks {told} ({counted(tastes[0].marks, 'mark')})"


def deciding_words(deciding: Deciding, first: str) -> str:
    """Return that one mark decides who is first, and what settles it."""
    what = f"the {deciding.rating:g} of {deciding.player} for {deciding.mouthpiece_id} with {deciding.reed_id} ({deciding.playtest})"
    return f"{first} is first by one mark only, {what}: playing that again would settle it"
