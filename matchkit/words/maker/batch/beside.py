"""Two batches for their maker: what differs, by how much, and what does not as far as these pieces tell."""

from __future__ import annotations

from matchkit.maker.conformity.beside import BatchesBeside, FeatureBeside
from matchkit.maker.conformity.slip import EVEN
from matchkit.words.maker.features import aside_words, feature_words, unit_of
from matchkit.words.numbers import counted
from matchkit.words.screen import Block, Screen, Table, Text, screen, sentences

MOSTLY = 0.75
FEW = 8
"""From fewer pieces of a batch it is not said that they spread alike."""


def beside_screen(found: BatchesBeside, *, numbers: bool = False) -> Screen:
    """Return the screen of two batches, with every size where numbers were asked for."""
    shown = [item for item in found.features if item.feature != "rail_difference_mm" or item.feeler_mm is None]
    moved = sorted((item for item in shown if item.different), key=lambda item: -_size(item))
    wider = [item for item in shown if item.spread_differs]
    return screen(
        f"{found.second} ({counted(found.pieces[1], 'piece')}, {found.failed[1]} out of drawing) against {found.first} "
        f"({counted(found.pieces[0], 'piece')}, {found.failed[0]} out):",
        aside_words(found.set_aside),
        [Text(line, indent=2, hang=2) for line in (*_all_stops(shown), *_moved_words(shown, moved))]
        or [Text("No size differs by more than these pieces can tell, or than matters.", indent=2)],
        [Text(line, indent=2, hang=2) for line in _wider_words(wider)] or [Text(_alike(shown), indent=2)],
        f"Only in one of them: {', '.join(found.only_in)}." if found.only_in else None,
        _numbers(shown) if numbers else None,
        "",
        "Ranges hold for all sizes together, 19 times of 20. What the gauge gets wrong is the same in both, if it is the same gauge.",
        "Where a size moved, look at the cutter and at the gauge's zero before the pieces."
        if moved and not _stops(shown)
        else None,
    )


def _stops(shown: list[FeatureBeside]) -> list[FeatureBeside]:
    """Return the stops, where most of them moved the same way: then the gauge's zero or the whole facing did."""
    stops = [item for item in shown if item.feature == "stop_mm"]
    moved = [item for item in stops if item.different]
    alike = len(stops) > 2 and len(moved) > MOSTLY * len(stops) and len({item.difference > 0 for item in moved}) == 1
    return stops if alike else []


def _all_stops(shown: list[FeatureBeside]) -> list[str]:
    stops = _stops(shown)
    if not stops:
        return []
    sizes = sorted(abs(item.difference) for item in stops)
    way = "longer" if sum(item.difference for item in stops) > 0 else "shorter"
    even = sizes[-1] - sizes[0] <= EVEN * sum(sizes) / len(sizes)
    first = (
        "look at the zero of the gauge first"
        if even
        else "a facing of another length, since a wrong zero would be the same for all"
    )
    return [f"The stops are {sizes[0]:.2f} to {sizes[-1]:.2f} mm {way} on average: {first}."]


def _moved_words(shown: list[FeatureBeside], moved: list[FeatureBeside]) -> list[str]:
    """Return what moved: sizes first, then the stops by the way they moved, where one line does not say it of all."""
    told = [_moved(item) for item in moved if item.feature != "stop_mm"]
    if _stops(shown):
        return told
    stops = sorted((item for item in moved if item.feature == "stop_mm"), key=lambda item: item.feeler_mm or 0.0)
    for longer, way in ((True, "longer"), (False, "shorter")):
        by_rail: dict[str, list[str]] = {}
        feelers = {item.feeler_mm: None for item in stops if (item.difference > 0) == longer}
        for feeler in feelers:
            mine = [item for item in stops if item.feeler_mm == feeler and (item.difference > 0) == longer]
            rail = "both rails" if len(mine) == 2 else f"the {mine[0].rail} rail"
            by = sum(abs(item.difference) for item in mine) / len(mine)
            doubt = max(item.difference_high - item.difference_low for item in mine) / 2
            by_rail.setdefault(rail, []).append(f"{feeler:g} by {by:.2f} ± {doubt:.2f}")
        told += [f"Feelers stop {way} on {rail}, on average: {', '.join(sizes)} mm." for rail, sizes in by_rail.items()]
    return told


def _wider_words(wider: list[FeatureBeside]) -> list[str]:
    """Return what spreads otherwise: sizes by themselves, the stops in one line a way."""
    told = [_wider(item) for item in wider if item.feature != "stop_mm"]
    stops = [item for item in wider if item.feature == "stop_mm"]
    if len(stops) == 1:
        return [*told, _wider(stops[0])]
    for more, way in ((True, "more"), (False, "less")):
        mine = [item for item in stops if ((item.spread or 1.0) > 1) == more]
        if mine:
            times = sorted(item.spread or 1.0 for item in mine)
            where = ", ".join(f"{feeler:g}" for feeler in sorted({item.feeler_mm or 0.0 for item in mine}))
            told.append(f"Stops of the feelers {where} mm spread {way}: {times[0]:.1f} to {times[-1]:.1f} times as much.")
    return told


def _alike(shown: list[FeatureBeside]) -> str:
    if min((min(item.counts) for item in shown), default=0) < FEW:
        return "Whether they spread alike cannot be told from so few pieces."
    if all(item.spread is None for item in shown):
        return "Whether they spread alike cannot be told: the sizes of a batch read all the same."
    return "They spread alike, as far as these pieces tell."


def _size(item: FeatureBeside) -> float:
    return abs(item.difference) / max(item.difference_high - item.difference_low, 1e-9)


def _moved(item: FeatureBeside) -> str:
    names = ("longer", "shorter") if item.feature == "stop_mm" else ("larger", "smaller")
    more = names[0] if item.difference > 0 else names[1]
    low, high = sorted((abs(item.difference_low), abs(item.difference_high)))
    if item.feature == "rail_difference_mm":
        rail = "right" if item.difference > 0 else "left"
        return f"The {rail} rail is {abs(item.difference):.2f} mm shorter against the other one than before, on average ({low:.2f} to {high:.2f})."
    return sentences(
        f"{feature_words(item.at)} {abs(item.difference):.2f} {unit_of(item.at)} {more} on average ({low:.2f} to {high:.2f})"
    )


def _wider(item: FeatureBeside) -> str:
    spread = item.spread or 1.0
    way = "more" if spread > 1 else "less"
    low, high = item.spread_low or spread, item.spread_high or spread
    return sentences(f"{feature_words(item.at)} spreads {way}: {spread:.1f} times as much ({low:.1f} to {high:.1f})")


def _numbers(shown: list[FeatureBeside]) -> list[Block | str]:
    rows = tuple(
        (
            feature_words(item.at),
            f"{item.means[0]:.3f}",
            f"{item.means[1]:.3f}",
            f"{item.difference_low:+.3f} to {item.difference_high:+.3f}",
            f"{item.sds[0]:.3f}",
            f"{item.sds[1]:.3f}",
        )
        for item in shown
    )
    return ["", Table(("size", "mean", "then", "difference", "sd", "then"), rows, right=(1, 2, 3, 4, 5)), ""]
