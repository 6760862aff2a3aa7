"""What newly written playtests changed, in words."""

from __future__ import annotations

from matchkit.playtest.changed import Change, Changed
from matchkit.words.numbers import counted, mark


def changed_words(found: Changed, *, most: int) -> list[str]:
    """Return one sentence for each mark taken for a slip, then for each set-up whose expected mark changed, at most so many of these."""
    doubted = [change for change in found.changes if change.doubted is not None]
    others = [change for change in found.changes if change.doubted is None]
    told = [_slip(change) for change in doubted] + [_change(change) for change in others[:most]]
    rest = len(others) - most
    if rest > 0:
        told.append(f"And {counted(rest, 'further set-up')}.")
    return told


def _slip(change: Change) -> str:
    what = f"{change.mouthpiece_id} {change.reed_id} for {change.player_id}"
    return (
        f"{what}: {change.doubted:g} is far from the {mark(10 * change.before)} to expect by all other marks, and does not count yet. "
        f"If it is a slip, correct it: matchkit log --corrects {change.playtest}. If it is meant, play it once more."
    )


def _change(change: Change) -> str:
    what = f"{change.mouthpiece_id} {change.reed_id} for {change.player_id}"
    confirmed = ", since earlier marks that were taken for slips count now" if change.confirmed else ""
    before, after = mark(10 * change.before), mark(10 * change.after)
    if before == after:
        return f"{what}: expect {after}, as before."
    return f"{what}: expect {after} instead of {before}{confirmed}."
