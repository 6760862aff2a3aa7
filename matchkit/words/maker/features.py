"""Features of a drawing and what can be wrong with them, in the craftsman's words."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence

from matchkit.errors import listing
from matchkit.maker.facts import Fault, FeatureAt, SetAside
from matchkit.words.screen import Block, Gap, Text

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
    name = NAMES.get(fault.feature, "")
    at = "" if fault.feeler_mm is None else f" at the {fault.feeler_mm:g} mm feeler"
    said: Mapping[str, Callable[[], str]] = {
        "rail short": lambda: f"{rails} {short_words(fault)}",
        "stop short": lambda: f"{rails} {fault.size:.2f} mm short{at}",
        "stop long": lambda: f"{rails} {fault.size:.2f} mm long{at}",
        "tip too close": lambda: f"tip {fault.size:.2f} mm too close",
        "tip too open": lambda: f"tip {fault.size:.2f} mm too open",
        "table hollow": lambda: f"table hollow by {fault.size:.3f} mm",
        "table convex": lambda: f"table convex by {fault.size:.3f} mm",
        "baffle too high": lambda: f"baffle {fault.size:.2f} mm too high at {BAFFLES[fault.feature]} mm",
        "baffle too low": lambda: f"baffle {fault.size:.2f} mm too low at {BAFFLES[fault.feature]} mm",
        "below the drawing": lambda: f"{name} {fault.size:.2f} too small",
        "above the drawing": lambda: f"{name} {fault.size:.2f} too large",
    }
    return said[fault.kind]()


def short_words(fault: Fault) -> str:
    """Return by how much a rail is short: on average over the feelers and at the thinnest one, each named as what it is.

    >>> short_words(Fault("rail short", "rail_difference_mm", 0.25, "left", None, True, 0.25, 0.42))
    '0.25 mm short on average, 0.42 mm at the thinnest feeler'
    """
    if fault.feeler_mm is None:
        at = (
            ""
            if fault.thinnest_mm is None or fault.thinnest_mm <= 0
            else f", {fault.thinnest_mm:.2f} mm at the thinnest feeler"
        )
        return f"{fault.size:.2f} mm short on average{at}"
    where = "the thinnest" if fault.size == fault.thinnest_mm else f"the {fault.feeler_mm:g} mm"
    mean = "" if fault.mean_mm is None or fault.mean_mm <= 0 else f", {fault.mean_mm:.2f} mm on average"
    return f"{fault.size:.2f} mm short at {where} feeler{mean}"


REMEDIES = {
    "rail short": "straight edge across the table first; if flat, lengthen that rail, if twisted, flatten it and measure again",
    "stop short": "take material off there",
    "stop long": "only facing the table down shortens it",
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


def again_words(fault: Fault) -> str:
    """Return what to read again, where a piece is too near a limit to say."""
    if fault.feature == "rail_difference_mm":
        return "both rails"
    return feature_words(FeatureAt(fault.feature, fault.rail if fault.rail != "both" else "left", fault.feeler_mm))
