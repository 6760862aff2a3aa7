"""A batch with the house reeds: which strengths go with it, and the one for the box."""

from __future__ import annotations

from matchkit.maker.pairing import Pairing
from matchkit.maker.strips import HALF, MOSTLY, ForTheBox
from matchkit.words.maker.features import shortened
from matchkit.words.numbers import percent
from matchkit.words.screen import Block, Text, sentences

FEW_STRENGTHS = 4
SHOWN_ALONE = 20


def pairing_words(pairing: Pairing) -> list[Block | str]:
    """Return which house reeds go with the pieces, and the one strength for the box with its reason."""
    low, high = pairing.closing_range_kpa
    pieces = len({pair.mouthpiece_id for pair in pairing.pairs})
    whole = [strip.lot for strip in pairing.lots if strip.whole == pieces]
    some = [f"{strip.lot} on {strip.whole} of {pieces}" for strip in pairing.lots if 0 < strip.whole < pieces]
    none = [strip.lot for strip in pairing.lots if not strip.whole]
    nowhere = len(none) == len(pairing.lots)
    told = (
        f"{pairing.model or pairing.instrument} with the house reeds; a strength goes with a piece where nine in ten of a box close at {low:g} to {high:g} kPa, the lot's doubt counted in:",
        f"{pieces} of {pairing.made} pieces, evenly through the batch." if pieces < pairing.made else None,
        f"On every piece: {', '.join(whole)}." if whole else None,
        f"On some: {', '.join(some)}." if some else None,
        _nowhere(pairing) if nowhere else f"On none: {', '.join(none)}." if none else None,
        _box(pairing.box),
        _wide(pairing) if _too_wide(pairing) else None,
        f"These go with no house reed: {shortened(pairing.alone, SHOWN_ALONE)}."
        if 0 < len(pairing.alone) < pieces and not nowhere
        else None,
    )
    first, *rest = (line for line in told if line is not None)
    return [first, *(Text(line, indent=2) for line in rest)]


def _nowhere(pairing: Pairing) -> str:
    """Return why no strength is within the range on any piece: all close below it or above it, or a box spreads too far."""
    low, high = pairing.closing_range_kpa
    hardest = max(pairing.lots, key=lambda strip: strip.closing_kpa)
    softest = min(pairing.lots, key=lambda strip: strip.closing_kpa)
    asked = "is closing_range in house.toml right?"
    if hardest.high_kpa < low:
        return f"On none: all close below {low:g} kPa, the hardest ({hardest.lot}) at {hardest.low_kpa:.1f} to {hardest.high_kpa:.1f}; {asked}"
    if softest.low_kpa > high:
        return f"On none: all close above {high:g} kPa, the softest ({softest.lot}) at {softest.low_kpa:.1f} to {softest.high_kpa:.1f}; {asked}"
    return "On none: a box spreads too far for that range; a wider closing_range would tell more."


def _box(box: ForTheBox | None) -> str:
    """Return the strength for the box, its reason, and what would make it surer."""
    if box is None:
        return "No strength can go on the box: none is playable within that range."
    strip = box.strip
    also = "" if box.also is None else f" (then {box.also.strength:g})"
    narrow = {
        "level": f"the lot's level is known to ± {2 * strip.level_pct:.0f} %: read five of it to know better",
        "spread": "only a tighter box would bring them closer together",
    }[box.narrow]
    close = f"nine in ten close at {strip.low_kpa:.1f} to {strip.high_kpa:.1f} kPa"
    if strip.in_range < HALF:
        return sentences(
            f"No strength can go on the box: the best, {strip.lot}, keeps {percent(strip.in_range)} of its pairs in range, the lot's doubt counted in; {close}"
        )
    if strip.in_range < MOSTLY:
        whole = f"{percent(strip.in_range)} of its pairs in range, the lot's doubt counted in"
        return sentences(f"For the box: {strip.lot}{also}, with {whole}; if the lot is as hard as thought {close}", narrow)
    return sentences(f"For the box: {strip.lot}{also}: {close}, nearest the middle ({box.middle_kpa:.1f})", narrow)


def _too_wide(pairing: Pairing) -> bool:
    return len(pairing.lots) >= FEW_STRENGTHS and pairing.wide > len(pairing.lots) / 2


def _wide(pairing: Pairing) -> str:
    return f"{pairing.wide} of {len(pairing.lots)} lie in range everywhere: a narrower closing_range would tell more."
