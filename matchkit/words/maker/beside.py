"""Two batches for their maker: what differs, by how much, and what does not as far as these pieces tell."""

from __future__ import annotations

from matchkit.maker.conformity.beside import BatchesBeside, FeatureBeside
from matchkit.maker.conformity.slip import EVEN
from matchkit.words.maker.features import aside_words, feature_words, unit_of
from matchkit.words.numbers import counted
from matchkit.words.screen import Block, Screen, Table, Text, screen, sentences

MOST = 10
MOSTLY = 0.75
FEW = 8
"""From fewer pieces nothing is said of how much they spread."""


def beside_screen(found: BatchesBeside, *, numbers: bool = False) -> Screen:
    """Return the screen of two batches, with every size where numbers were asked for."""
    shown = [item for item in found.features if item.feature != "rail_difference_mm" or item.feeler_mm is None]
    moved = sorted((item for item in shown if item.different), key=lambda item: -_size(item))
    wider = [item for item in shown if item.spread_differs]
    return screen(
        f"{found.second} ({counted(found.pieces[1], 'piece')}, {found.failed[1]} out of drawing) against {found.first} "
        f"({counted(found.pieces[0], 'piece')}, {found.failed[0]} out):",
        aside_words(found.set_aside),
        [*_all_stops(shown), *(Text(_moved(item), indent=2, hang=2) for item in _others(shown, moved)[:MOST])]
        or [Text("No size differs by more than these pieces can tell, or than matters.", indent=2)],
        [Text(f"and {len(_others(shown, moved)) - MOST} more: --numbers has all.", indent=2)]
        if len(_others(shown, moved)) > MOST
        else None,
        [Text(_wider(item), indent=2, hang=2) for item in wider[:MOST]]
        or [Text("They spread alike, as far as these pieces tell.", indent=2)],
        f"Only in one of them: {', '.join(found.only_in)}." if found.only_in else None,
        _numbers(shown) if numbers else None,
        "",
        "Ranges hold for all sizes together, 19 times of 20. What the gauge gets wrong is the same in both, if it is the same gauge.",
        "Where a size moved, look at the cutter and at the gauge's zero before the pieces." if moved else None,
    )


def _stops(shown: list[FeatureBeside]) -> list[FeatureBeside]:
    """Return the stops, where most of them moved the same way: then the gauge's zero or the whole facing did."""
    stops = [item for item in shown if item.feature == "stop_mm"]
    moved = [item for item in stops if item.different]
    alike = len(stops) > 2 and len(moved) > MOSTLY * len(stops) and len({item.difference > 0 for item in moved}) == 1
    return stops if alike else []


def _all_stops(shown: list[FeatureBeside]) -> list[Text]:
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
    return [
        Text(
            f"The stops are {sizes[0]:.2f} to {sizes[-1]:.2f} mm {way} on average: {first}.",
            indent=2,
        )
    ]


def _others(shown: list[FeatureBeside], moved: list[FeatureBeside]) -> list[FeatureBeside]:
    """Return what moved, without the stops where one line says it of all."""
    return [item for item in moved if item.feature != "stop_mm"] if _stops(shown) else moved


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
