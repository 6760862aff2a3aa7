"""Features of a drawing and what can be wrong with them, in the craftsman's words."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence

from matchkit.constants import TWO_SIDED
from matchkit.errors import listing
from matchkit.maker.conformity.judged import ALL_STOPS, PieceJudged
from matchkit.maker.conformity.slip import Slip
from matchkit.maker.facts import Fault, FeatureAt, SetAside
from matchkit.maker.measure.flaws import FlawFound
from matchkit.words.numbers import counted
from matchkit.words.screen import Block, Gap, Text, listed

NAMES = {
    "tip_opening_mm": "tip opening",
    "table_gap_mm": "table",
    "tip_rail_mm": "tip rail",
    "side_rail_mm": "side rails",
    "window_width_mm": "window width",
    "window_length_mm": "window length",
    "baffle_height_mm": "baffle at 5 mm",
    "baffle_10_mm": "baffle at 10 mm",
    "baffle_15_mm": "baffle at 15 mm",
    "chamber_volume_cm3": "chamber",
    "throat_diameter_mm": "throat",
    "shank_bore_mm": "shank bore",
    "body_diameter_mm": "body",
}

BAFFLES = {"baffle_height_mm": 5, "baffle_10_mm": 10, "baffle_15_mm": 15}
"""How far behind the tip rail each of them is measured, in mm."""

SHOWN_POSITIONS, SHOWN_ALONE = 6, 20
"""So many pieces are named: of a signal, and of those that only the batch as a whole puts out."""

MOST_ASIDE = 12
"""So many pieces that could not be judged are named."""

VERDICTS = {"pass": "good", "inconclusive": "near a limit", "fail": "out of drawing"}

DUST = "Refacing makes dust that must not be breathed: work wet, follow local rules, ask a qualified person."


def feature_words(at: FeatureAt) -> str:
    """Return a feature with its rail and feeler.

    >>> feature_words(FeatureAt("stop_mm", "left", 0.1)), feature_words(FeatureAt("tip_opening_mm"))
    ('left rail, 0.1 mm feeler', 'tip opening')
    """
    feeler = "" if at.feeler_mm is None else f", {at.feeler_mm:g} mm feeler"
    if at.feature == "stop_mm":
        return f"{at.rail} rail{feeler}"
    if at.feature == "rail_difference_mm":
        return f"left against right rail{feeler}"
    return NAMES[at.feature]


def aside_words(set_aside: Sequence[SetAside]) -> list[Block]:
    """Return which pieces could not be judged, and what is wrong in their rows."""
    if not set_aside:
        return []
    ids = [one.mouthpiece_id for one in set_aside if one.mouthpiece_id is not None]
    problems = dict.fromkeys(problem for one in set_aside for problem in one.problems)
    more = len(ids) - MOST_ASIDE
    named = f"{', '.join(ids[:MOST_ASIDE])}{f' and {more} more' if more > 0 else ''}"
    head = f"Not judged, since something in their rows is wrong: {named}." if ids else "Wrong in the tables:"
    return [Text(head), *(Text(line, indent=2, hang=2) for line in listing(problems)), Gap()]


def unit_of(at: FeatureAt) -> str:
    """Return the unit of a feature.

    >>> unit_of(FeatureAt("chamber_volume_cm3")), unit_of(FeatureAt("tip_opening_mm"))
    ('cm³', 'mm')
    """
    return "cm³" if at.feature == "chamber_volume_cm3" else "mm"


def fault_words(fault: Fault) -> str:
    """Return what is wrong, with its size."""
    rails = "both rails" if fault.rail == "both" else f"{fault.rail} rail"
    name, unit = NAMES.get(fault.feature, ""), unit_of(FeatureAt(fault.feature))
    at = "" if fault.feeler_mm is None else f" at the {fault.feeler_mm:g} mm feeler"
    said: Mapping[str, Callable[[], str]] = {
        "rail short": lambda: f"{rails} {short_words(fault)}{_off_rail(fault)}",
        "rails uneven": lambda: f"{rails} {short_words(fault)}",
        "stop short": lambda: f"{rails} {fault.size:.2f} mm short{at}",
        "stop long": lambda: f"{rails} {fault.size:.2f} mm long{at}",
        "all stops short": lambda: f"every feeler stops {fault.size:.2f} mm short on both rails",
        "all stops long": lambda: f"every feeler stops {fault.size:.2f} mm long on both rails",
        "tip too close": lambda: f"tip {fault.size:.2f} mm too close",
        "tip too open": lambda: f"tip {fault.size:.2f} mm too open",
        "table hollow": lambda: f"table hollow by {fault.size:.3f} mm",
        "table convex": lambda: f"table convex by {fault.size:.3f} mm",
        "baffle too high": lambda: f"baffle {fault.size:.2f} mm too high at {BAFFLES[fault.feature]} mm",
        "baffle too low": lambda: f"baffle {fault.size:.2f} mm too low at {BAFFLES[fault.feature]} mm",
        "below the drawing": lambda: f"{name} {fault.size:.2f} {unit} too small",
        "above the drawing": lambda: f"{name} {fault.size:.2f} {unit} too large",
    }
    return said[fault.kind]()


def _off_rail(fault: Fault) -> str:
    """Return that it is the other rail that is off its drawing, where it is."""
    return "" if fault.off_rail is None else f" (it is as drawn, the {fault.off_rail} one is too long)"


def short_words(fault: Fault) -> str:
    """Return by how much a rail is short: on average over the feelers and at the thinnest one, each named as what it is.

    >>> short_words(Fault("rail short", "rail_difference_mm", 0.25, "left", None, True, 0.25, 0.42))
    '0.25 mm short on average, 0.42 mm at the thinnest feeler'
    """
    mean_mm = fault.size if fault.feeler_mm is None else fault.mean_mm
    if fault.kind == "rail short" and mean_mm is not None and mean_mm > 0:
        thin = fault.thinnest_mm
        return (
            f"{mean_mm:.2f} mm short on average{'' if thin is None or thin <= 0 else f', {thin:.2f} mm at the thinnest feeler'}"
        )
    if fault.feeler_mm is None:
        return f"{fault.size:.2f} mm short on average"
    where = "the thinnest" if fault.size == fault.thinnest_mm else f"the {fault.feeler_mm:g} mm"
    mean = "" if fault.mean_mm is None or fault.mean_mm <= 0 else f", {fault.mean_mm:.2f} mm on average"
    return f"{fault.size:.2f} mm {fault.way} at {where} feeler{mean}"


REMEDIES = {
    "rail short": "straight edge across the table first; if flat, lengthen that rail, if twisted, flatten it and measure again",
    "rails uneven": "the rails differ there most of all: read that feeler again, and if it stays see matchkit facing for a bump or a flat, before anything comes off",
    "stop short": "take material off there",
    "stop long": "only facing the table down shortens it",
    "all stops short": "look at the zero of the gauge and at how the piece lay first; if it stays, take material off",
    "all stops long": "look at the zero of the gauge and at how the piece lay first; if it stays, only facing the table down shortens it",
    "tip too close": "open it towards the tip",
    "tip too open": "only facing the table down closes it",
    "table hollow": "flatten it first, then measure everything again",
    "table convex": "flatten it first, then measure everything again",
    "baffle too high": "take material off there",
    "baffle too low": "nothing can be put back on it",
    "below the drawing": "see whether taking material off can mend it",
    "above the drawing": "see whether anything can mend it",
}
"""What to do about each fault: removing material is the only move on a facing (common practice, no source)."""
SCANNED_REMEDIES = {
    **REMEDIES,
    "rail short": "see that both scans count from the tip, and lay a straight edge across the table, first; if flat, lengthen that rail, if twisted, flatten it and measure again",
    "all stops short": "see that the scan counts from the tip first; if it does, take material off",
    "all stops long": "see that the scan counts from the tip first; if it does, only facing the table down shortens it",
    "rails uneven": "the rails differ there most of all: scan there again, and if it stays see matchkit facing for a bump or a flat, before anything comes off",
}


def also_words(piece: PieceJudged) -> str | None:
    """Return what else is surely wrong with a piece beside its fault, and what to do about that; None where nothing is."""
    remedies = SCANNED_REMEDIES if piece.scanned else REMEDIES
    told = [f"{fault_words(fault)}: {remedies[fault.kind]}" for fault in piece.also if fault.kind not in ALL_STOPS]
    lines = [f"Out of drawing too, {one}." for one in told]
    return " ".join([*lines, *([] if piece.fits is None else [model_words(piece)])]) or None


EXCHANGED = "left and right are as they were read before, the other way round"
"""What is said of rails that may have been written for one another."""


def zero_first(piece: PieceJudged) -> str | None:
    """Return, without a capital, that a zero or where a scan counts from is to be looked at before all else that is wrong; None where nothing asks for it."""
    zero = next((fault for fault in piece.also if fault.kind in ALL_STOPS), None)
    where = "see that the scan counts from the tip" if piece.scanned else "look at the zero of the gauge"
    return None if zero is None else f"first {where}: {fault_words(zero)}"


def model_words(piece: PieceJudged) -> str:
    """Return the question whether a piece is filed right."""
    if piece.of_another:
        return f"Filed as {piece.model}, but within the drawing of {piece.fits}: is its model right?"
    return f"It lies within the drawing of {piece.fits}: is its model right?"


def flaw_words(flaw: FlawFound) -> str:
    """Return a bump or flat with its place, its rail where it is on one alone, and its height where it is known.

    >>> flaw_words(FlawFound("bump", 12.2, 31.0, 4.0, 3.0, sized=True, rail="left"))
    'a bump 12 mm from the tip on the left rail, 31 ± 8 µm'
    """
    rail = "" if flaw.rail is None else f" on the {flaw.rail} rail"
    size = f", {abs(flaw.height_um):.0f} ± {TWO_SIDED * flaw.u_height_um:.0f} µm" if flaw.sized else ""
    return f"a {flaw.kind} {flaw.place_mm:.0f} mm from the tip{rail}{size}"


def again_words(fault: Fault) -> str:
    """Return what to read again, where a piece is too near a limit to say."""
    if fault.feature == "rail_difference_mm":
        return "both rails"
    told = feature_words(FeatureAt(fault.feature, fault.rail if fault.rail != "both" else "left", fault.feeler_mm))
    return told if fault.rail != "both" or fault.feeler_mm is None else f"both rails, {fault.feeler_mm:g} mm feeler"


def shortened(ids: Sequence[str], most: int = SHOWN_POSITIONS) -> str:
    """Return the first of some pieces, and how many more there are."""
    more = len(ids) - most
    return f"{', '.join(ids[:most])}{f' and {more} more' if more > 0 else ''}"


ZERO_FIRST, DRAWING_FIRST, BOTH_FIRST = (
    "Check the zero of the gauge first, then the drawing",
    "Check the drawing first, then the zero of the gauge",
    "Check the drawing and the zero of the gauge first",
)


def slip_words(slips: Sequence[Slip], pieces: Sequence[PieceJudged]) -> list[Block]:
    """Return by what the whole batch is off, a model in one paragraph: the drawing and the gauge's zero come before the pieces."""
    blocks: list[Block] = []
    several = len({piece.model for piece in pieces}) > 1
    for model in dict.fromkeys(slip.model for slip in slips):
        mine = [slip for slip in slips if slip.model == model]
        asks = dict.fromkeys(_asked(slip) for slip in mine)
        if {ZERO_FIRST, DRAWING_FIRST} <= set(asks):
            asks = dict.fromkeys(BOTH_FIRST if ask in (ZERO_FIRST, DRAWING_FIRST) else ask for ask in asks)
        asked = "; ".join(asks)
        asked = f"{model}: {asked[0].lower()}{asked[1:]}" if several else asked
        told = _told(mine)
        counts = sorted({slip.count for slip in mine})
        over = f"on average over {listed([str(count) for count in counts], last='or')} pieces"
        if len(told) == 1:
            blocks.append(Text(f"{asked}. {told[0][0].upper()}{told[0][1:]}, {over}."))
        else:
            blocks += [
                Text(f"{asked}. The whole batch is off, {over}:"),
                *(Text(f"{line}.", indent=2, hang=2) for line in told),
            ]
        beside = [_beside_words(slip) for slip in mine if slip.kind == "one stop" and slip.drawing_bent]
        blocks += [Text(line, indent=2) for line in beside]
        excused = {name for slip in mine for name in slip.alone}
        alone = [piece.mouthpiece_id for piece in pieces if piece.mouthpiece_id in excused]
        if alone:
            without = f"{counted(len(alone), 'piece')} would be good without {'it' if len(mine) == 1 else 'that'}"
            blocks.append(Text(f"{without}: {shortened(alone, SHOWN_ALONE)}.", indent=2))
        blocks.append(Gap())
    return blocks


def _asked(slip: Slip) -> str:
    """Return what to look at first."""
    if slip.at.feature == "rail_difference_mm":
        return "Check how a piece lies in the gauge, and the jig it was made on"
    if slip.kind == "every stop" and slip.even:
        return ZERO_FIRST
    return DRAWING_FIRST


def _told(slips: Sequence[Slip]) -> list[str]:
    """Return by how much sizes are off, stops that are off the same way together."""
    told = []
    for way, longer in (("longer", True), ("shorter", False)):
        stops = [slip for slip in slips if slip.kind == "one stop" and (slip.off_mm > 0) == longer]
        if stops:
            feelers, sizes = [f"{slip.at.feeler_mm:g}" for slip in stops], [_size(slip) for slip in stops]
            drawn = f" ({stops[0].nominal:.2f} mm)" if len(stops) == 1 and stops[0].nominal is not None else ""
            s = "s stop" if len(stops) > 1 else " stops"
            told.append(f"the {listed(feelers)} mm feeler{s} {listed(sizes)} mm {way} than drawn{drawn}")
    return told + [_one_told(slip) for slip in slips if slip.kind != "one stop"]


LEAST_SHOWN = 0.01
"""No mean is told to less, in mm: it was read to that."""


def _size(slip: Slip) -> str:
    return f"{abs(slip.off_mm):.2f} ± {max(2 * slip.u_off_mm, LEAST_SHOWN):.2f}"


def _one_told(slip: Slip) -> str:
    way = "longer" if slip.off_mm > 0 else "shorter"
    if slip.kind == "every stop" and slip.even:
        return f"every feeler stops {_size(slip)} mm {way} than drawn"
    if slip.kind == "every stop":
        low, high = sorted((abs(slip.least_mm or 0.0), abs(slip.most_mm or 0.0)))
        return f"feelers stop {low:.2f} to {high:.2f} mm {way} than drawn (a wrong zero would be the same for all of them)"
    if slip.at.feature == "rail_difference_mm":
        return f"the {'left' if slip.off_mm < 0 else 'right'} rail is {_size(slip)} mm short of the other"
    if slip.at.feature == "table_gap_mm":  # below 0 is hollow
        size = f"{abs(slip.off_mm):.3f} ± {2 * slip.u_off_mm:.3f}"
        return f"table is {size} mm more {'convex' if slip.off_mm > 0 else 'hollow'} than drawn ({slip.nominal:g})"
    more = "larger" if slip.off_mm > 0 else "smaller"
    return f"{feature_words(slip.at)} is {_size(slip)} {unit_of(slip.at)} {more} than drawn ({slip.nominal:g})"


def _beside_words(slip: Slip) -> str:
    return f"The rest of the drawing puts the {slip.at.feeler_mm:g} mm feeler at {slip.by_others_mm:.2f} mm."
