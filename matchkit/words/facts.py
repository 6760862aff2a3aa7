"""Facts in words: what was assumed, not checked, refused, aimed at and learned from, and what to measure next."""

from __future__ import annotations

from collections.abc import Iterable, Mapping

from matchkit.facts import Aimed, Assumed, Change, Feel, Guess, KnownOnly, MeasureNext, ModelUse, Refusal, Sure, Unchecked
from matchkit.score.term import all_terms
from matchkit.words.numbers import counted, is_alike, strengths
from matchkit.words.screen import listed

MEASURES = {
    "tip": "the tip opening, with a gauge",
    "facing": "the facing, with feelers on both rails",
    "window": "the width of the window and of a side rail",
    "stiffness": "the stiffness of the reed",
    "profile": "the thickness of the reed at seven places",
    "reed place": "where the reed's tip stands against the tip rail",
    "wet factor": "the stiffness of the reed when wet",
    "scale": "how hard a reed must be pressed to close, with a kitchen scale",
}
"""The measurement that narrows each part of the closing pressure's doubt."""

DOUBTS = {
    "tip": "the tip opening",
    "facing": "the length of the facing",
    "window": "the width of the window",
    "stiffness": "the stiffness of the reed",
    "profile": "the profile of the reed",
    "reed place": "the place of the reed",
    "wet factor": "how much the reed softens when wet",
    "scale": "the scale of the whole house, which no set-up of it moves against another",
}

GAUGES = {
    "u_feeler_mm": "feelers",
    "u_stop_mm": "one reading of a stop",
    "u_tip_mm": "the tip gauge",
    "u_scan_mm": "a height of a scan",
    "u_size_mm": "callipers",
    "u_depth_mm": "the depth gauge of the baffle",
    "u_table_mm": "the feelers under the straight edge",
    "u_volume_cm3": "the volume of the chamber",
}

_SOURCES = {"present set-up": "from what they play now", "assumed": "usual"}

_GUESSES: Mapping[Guess, str] = {
    "facing length": "the facing length",
    "facing shape": "the shape of the facing",
    "facing shape, few feelers": "the shape of the facing (fewer than {value:g} feelers)",
    "other rail": "the other rail, as the {like} one",
    "profile": "the profile of the reed",
    "part of the profile": "part of the reed's profile",
    "stiffness by strength number": "the stiffness, from the strength number",
    "stiffness by comparison": "the stiffness, by comparison with {like}, the reference here",
    "stiffness between strengths": "the stiffness, from the strengths beside it",
    "wetting": "how much the reed softens when wet",
    "blowing pressure": "blowing pressure {value:.1f} kPa{source}",
    "lip force": "lip force {value:.1f} N{source}",
    "lip place": "lip {value:g} mm from the tip",
    "neck": "the usual neck",
    "gauge": "{gauge} to {value:g} {unit}",
    "growth of side rails": "side rails that grow by {value:g} mm for each mm that comes off",
}


def guess_words(item: Assumed) -> str:
    """Return one thing that was assumed, as a noun phrase."""
    source = f" ({_SOURCES[item.like]})" if item.like in _SOURCES else ""
    gauge = GAUGES.get(item.like, "")
    return _GUESSES[item.what].format(value=item.value, unit=item.unit, like=item.like, source=source, gauge=gauge)


def assumed_words(items: Iterable[Assumed]) -> str:
    """Return what was assumed as one sentence, nothing where nothing was."""
    named = list(dict.fromkeys(guess_words(item) for item in items))
    return f"Assumed: {listed(named)}." if named else ""


_UNMEASURED: Mapping[Guess, str] = {
    "facing length": "facing",
    "facing shape": "facing",
    "facing shape, few feelers": "facing",
    "other rail": "one rail",
    "profile": "profile of the reed",
    "part of the profile": "profile of the reed",
    "stiffness by strength number": "stiffness of the reed",
    "stiffness by comparison": "stiffness of the reed",
    "stiffness between strengths": "stiffness of the reed",
}
"""What was not measured, in the fewest words, where something was assumed instead."""


def unmeasured_words(assumed: Iterable[Assumed], terms: Iterable[str] = ()) -> str:
    """Return in one short sentence what was not measured on a set-up; ``terms`` are those of the score that are not known."""
    parts = dict.fromkeys(_UNMEASURED[item.what] for item in assumed if item.what in _UNMEASURED)
    also = [part for part in (all_terms()[name].part for name in terms) if part]
    named = list(dict.fromkeys([*parts, *also]))
    return f"Not measured: {listed(named)}." if named else ""


_UNCHECKED: Mapping[Unchecked, str] = {
    "reed width": "whether the reed covers the rails",
    "vamp length": "whether the vamp is long enough",
    "ligature size": "whether the ligature goes on",
}


def unchecked_words(items: Iterable[Unchecked]) -> str:
    """Return what of the fit could not be checked, as one sentence."""
    named = [_UNCHECKED[item] for item in items]
    return f"See {listed(named)}." if named else ""


_REFUSALS = {
    Refusal.WRONG_INSTRUMENT: "for another instrument",
    Refusal.OUT_OF_STOCK: "out of stock",
    Refusal.RETIRED: "no longer offered",
    Refusal.REED_TOO_NARROW: "reed too narrow for the rails",
    Refusal.VAMP_TOO_SHORT: "vamp too short for the facing",
    Refusal.NOT_SOFTER: "reed not softer than now",
    Refusal.NOT_HARDER: "reed not harder than now",
    Refusal.NOT_COMPARABLE: "reed not to be compared with theirs",
    Refusal.LIGATURE_TOO_SMALL: "ligature too small",
    Refusal.LIGATURE_TOO_LARGE: "ligature too large",
    Refusal.OVER_BUDGET: "over the budget, or of no known price",
    Refusal.THEIRS_STAYS: "their own ligature stays",
}


def refusal_words(reason: Refusal) -> str:
    """Return why two parts do not go together, in a few words."""
    return _REFUSALS[reason]


def left_out_words(refused: Mapping[Refusal, int], *, everything: bool = False) -> str:
    """Return how many set-ups were left out and why; what is no news only where ``everything`` was left out for it."""
    said_elsewhere = (Refusal.WRONG_INSTRUMENT, Refusal.NOT_COMPARABLE, Refusal.THEIRS_STAYS)
    reasons = [(reason, count) for reason, count in refused.items() if reason not in said_elsewhere]
    if everything and not reasons:
        reasons = list(refused.items())
    told = [f"{count} set-ups ({refusal_words(reason)})" for reason, count in reasons]
    return f"Left out: {', '.join(told)}." if told else ""


def measure_words(item: MeasureNext) -> str:
    """Return the measurement to take next, as a noun phrase."""
    if item.term:
        return all_terms()[item.term].measure
    named = MEASURES[item.doubt or "stiffness"]
    return f"{named}, of what they play now" if item.of_present else named


def aimed_words(aimed: Aimed) -> str:
    """Return what is aimed at, as a noun phrase."""
    at = {
        "present": "what is played now",
        "liked": f"the middle of {counted(aimed.likes, 'playtest')} marked 7 or more",
        "fitting": "the middle of all set-ups that fit",
        "by line": "the middle of each line of reeds",
        "nothing": "no resistance: the reed cannot be compared with the one that is played now",
    }[aimed.at]
    moved = []
    if aimed.resistance and aimed.at != "nothing":
        moved.append(f"{strengths(aimed.resistance)} {'freer' if aimed.resistance < 0 else 'harder'}")
    if aimed.opening and aimed.at != "nothing":
        moved.append(f"{'much ' if abs(aimed.opening) > 1 else ''}{'bigger' if aimed.opening > 0 else 'smaller'}")
    told = f"{listed(moved)} than {at}" if moved else at
    steps = None if aimed.elsewhere is None else aimed.elsewhere.steps
    if aimed.elsewhere is not None and steps is not None and not is_alike(steps):
        way = "harder" if steps > 0 else "freer"
        told += f", moved {strengths(steps)} {way} as their {aimed.elsewhere.instrument} set-up is"
    elif aimed.elsewhere is not None and steps is not None:
        told += f", as their {aimed.elsewhere.instrument} set-up is usual too"
    return told + _LEVELS.get(aimed.level, "")


_LEVELS = {
    "beginner": ", for a beginner (a closer tip, a softer reed, not dear)",
    "intermediate": " (not dear)",
    "advanced": ", for somebody advanced (a wider tip, a harder reed, not dear)",
}


def typed_words(item: KnownOnly) -> str:
    """Return a part that was typed, as a noun phrase."""
    if item.part == "mouthpiece":
        return f"a {item.value:.2f} mm mouthpiece"
    before = f"{item.line or item.cut} " if item.line or item.cut else ""
    article = "an" if item.cut == "unfiled" and not item.line else "a"
    return f"{article} {before}{item.value:g}"


def typed_doubt_words(items: Iterable[KnownOnly]) -> str:
    """Return what a strength that was typed leaves open, as a sentence; nothing where none was."""
    reed = next((item for item in items if item.part == "reed" and not item.line), None)
    if reed is None:
        return ""
    doubt = "Strength numbers differ between makers: theirs may not match that number here."
    if reed.cut:
        return doubt
    taken = f"{reed.value:g} taken as filed"
    if reed.other_cut is None:
        return f"{taken}. {doubt}"
    if is_alike(reed.other_cut):
        return f"{taken}; unfiled reeds of this house are as hard. {doubt}"
    way = "harder" if reed.other_cut > 0 else "softer"
    return f"{taken}; unfiled reeds of this house are {strengths(abs(reed.other_cut))} {way} at one number. {doubt}"


def model_words(use: ModelUse) -> str:
    """Return what scores are learned from, as a sentence without its full stop."""
    if not use.tests:
        return "from measurements alone: there are no playtests with marks yet"
    heard = [counted(use.tests - use.loans, "playtest")] if use.tests > use.loans else []
    heard += [counted(use.loans, "loan")] if use.loans else []
    head = f"from {listed(['measurements', *heard])}{' (invented)' if use.invented else ''}"
    if use.use == "file":
        since = f" and {counted(use.since, 'playtest')} since" if use.since else ""
        changed = f", {counted(use.changed, 'mark')} of it changed or gone" if use.changed else ""
        again = "; train it again" if use.why == "marks changed" else ""
        return f"{head}; model {use.name}{since}{changed}{again}"
    why = {
        "": "" if use.name else "; matchkit train learns how far marks vary in this house",
        "other rules": f"; {use.name} was trained under other weights or constants, train it again",
        "other parts": f"; {use.name} was trained on other parts than these, train it again",
        "marks changed": "",
        "unreadable": f"; {use.error}",
    }[use.why]
    return head + why


def resistance_words(change: Change, against: str = "now") -> str:
    """Return how a set-up feels against the present one, or another, without a capital.

    >>> resistance_words(Change(-1.0, "surely")), resistance_words(Change(0.1, "perhaps")), resistance_words(Change(2.0, "perhaps"))
    ('half a strength freer', 'as free as now', 'may be a full strength harder')
    """
    if is_alike(change.steps):
        return f"as free as {against}"
    return _SURE[change.sure] + f"{strengths(change.steps)} {'harder' if change.steps > 0 else 'freer'}"


_SURE: Mapping[Sure, str] = {"surely": "", "probably": "probably ", "perhaps": "may be "}


def _size(change: Change) -> str:
    """Return how big a set-up sounds against the present one."""
    size = abs(change.steps)
    amount = "a little " if size < 0.75 else "" if size < 1.75 else "much "
    return f"{amount}{'bigger' if change.steps > 0 else 'smaller'}"


def sound_words(feel: Feel) -> str:
    """Return how big and how bright a set-up may sound against the present one; tone is never more than "may"."""
    said: dict[Sure, list[str]] = {}
    if feel.opening is not None and not is_alike(feel.opening.steps):
        said.setdefault(feel.opening.sure, []).append(_size(feel.opening))
    if feel.tone:
        said.setdefault("perhaps", []).append("brighter" if feel.tone > 0 else "darker")
    return ", ".join(f"{_SURE[sure]}{listed(words)}" for sure, words in said.items())


def feel_words(feel: Feel, against: str = "now") -> str:
    """Return what will feel different, as one sentence; nothing where there is nothing to hold it against."""
    parts = [] if feel.comparable else [f"how free it blows cannot be compared with {against}"]
    parts += [] if feel.resistance is None else [resistance_words(feel.resistance, against)]
    return ", ".join(part for part in (*parts, sound_words(feel)) if part)


def closes_up_words(feel: Feel) -> str:
    """Return that the reed may shut, as a sentence; nothing where it does not."""
    if not feel.closes_up:
        return ""
    return "Careful, it may close up: blown as they blow now, the reed shuts before the lip does anything."
