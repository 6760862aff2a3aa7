"""What blind trials and playtests show; a test speaks of those who took part."""

from __future__ import annotations

from matchkit.constants import TWO_SIDED
from matchkit.playtest.stats.analyse import Analysis
from matchkit.playtest.stats.discrimination import LEVEL
from matchkit.playtest.stats.ratings import LEAST_REPEATED
from matchkit.playtest.stats.trials import Comparison, Preference
from matchkit.words.numbers import counted, percent
from matchkit.words.screen import Block, Screen, Table, Text, listed, screen, sentences

SHOWN = 8

FEATURE_NAMES = {
    "tip_opening": "tip opening",
    "facing_length": "facing length",
    "smoothness": "roughness of the facing",
    "rail_leak": "gap of the rails",
    "baffle_height": "depth of the baffle",
    "chamber_volume": "chamber",
    "cut": "filed cut",
    "tip_thickness": "thickness of the reed's tip",
    "ln_closing_pressure": "closing pressure",
    "ln_tip_from_target": "tip opening against the one aimed at",
    "closing_share": "left when closed",
    "ln_from_target": "harder than now",
    "embouchure": "firm embouchure",
}


def analyse_screen(found: Analysis) -> Screen:
    """Return the screen of an analysis: comparisons first, then players, order, and what goes with what."""
    return screen(
        (line for item in found.comparisons for line in (*_comparison(item), "")),
        (line for item in found.preferences for line in (*_preference(item), "")),
        _chance(found),
        _agreement(found),
        _drift(found),
        _associations(found),
        _rests_on(found),
    )


def _p(value: float) -> str:
    return "p < 0.001" if value < 0.001 else f"p = {value:.3f}"


def _comparison(item: Comparison) -> list[str]:
    test = item.test
    set_a, set_b, where = _apart(item.set_a, item.set_b)
    sets = f"{set_a} against {set_b}{where}"
    if item.kind == "triangle":
        head = f"{sets}, any difference: {test.successes} of {test.trials} were right"
    else:
        head = f"{sets}, {item.attribute}: {test.successes} of {test.trials} chose {set_a}"
    share = f"{percent(test.share)}, {100 * test.share_low:.0f} to {100 * test.share_high:.0f}"
    adjusted = _p(item.adjusted)
    if item.verdict != "inconclusive":
        more = ""
        if item.kind == "two":
            winner = set_a if 2 * test.successes > test.trials else set_b
            more = f": {winner} has more {item.attribute}"
        said = f"{_who_can(item)} can tell{more} ({share}; {adjusted})"
        said += f". {_over(item)}" if item.kind == "two" else ""
    else:
        least = "" if test.critical is None else f"; {test.critical} would have shown one"
        said = f"no difference found ({share}; {adjusted}){least}"
    by = ", ".join(f"{own.player_id} {own.hits} of {own.trials}" for own in item.by_player)
    first, general = item.first_named, item.first_over
    order = ""
    if first is not None and first.verdict == "different":
        order = f"whichever came first was named {first.successes} of {first.trials} times, so the order counts"
        order += "" if general is not None and general.probability <= LEVEL else " for these players"
    silent = f"{counted(item.unanswered, 'trial')} without an answer left out" if item.unanswered else ""
    return [sentences(head, said), sentences(f"by player: {by}" if item.players > 1 else "", order, silent)]


def _who_can(item: Comparison) -> str:
    """Return who can tell: these players, or the one there was."""
    if item.players == 1:
        return f"{item.by_player[0].player_id} (and no other player)"
    return f"these {item.players} players"


def _over(item: Comparison) -> str:
    """Return what that says of players in general."""
    if item.over is None or item.over_adjusted is None:
        return ""
    if item.verdict == "different":
        return f"So would players in general ({_p(item.over_adjusted)} over players)"
    if item.over.least > LEVEL:
        return "So few players speak for themselves only: with six or more who choose alike it would hold of players in general"
    return f"Of players in general that is not known ({_p(item.over_adjusted)} over players)"


def _apart(first: str, second: str) -> tuple[str, str, str]:
    """Return two set-ups by the parts in which they differ, and the parts that both have."""
    ids = [name.split("/") for name in (first, second)]
    same = [a for a, b in zip(*ids, strict=False) if a == b]
    if len(ids[0]) != len(ids[1]) or not same or len(same) == len(ids[0]):
        return first, second, ""
    one, other = ("/".join(part for part in parts if part not in same) for parts in ids)
    return one, other, f" on {' + '.join(same)}"


def _preference(item: Preference) -> list[Block | str]:
    rows = tuple((name, f"{worth:+.2f}", "-" if u == 0 else f"{TWO_SIDED * u:.2f}") for name, worth, u in item.strengths)
    reference = next((name for name, _, u in item.strengths if u == 0), "")
    told = "" if item.told else "some were always named, so these are bounds and no estimates"
    first = "" if item.first is None or not item.told else f"coming first counts for {item.first:+.2f}"
    far = f"{listed(item.unbounded)} won or lost everything" if item.unbounded else ""
    return [
        f"More {item.attribute}, from all choices of two (Bradley and Terry, logarithms, against {reference}):",
        "",
        Table(("set-up", "more", "±"), rows, right=(1, 2)),
        "",
        sentences(told, first, far),
    ]


def _chance(found: Analysis) -> list[str]:
    if len(found.comparisons) < 2:
        return []
    by_chance = f"{len(found.comparisons) * LEVEL:.1f}"
    return [f"Of {len(found.comparisons)} comparisons {by_chance} would come out by chance; p allows for that."]


def _agreement(found: Analysis) -> list[Block | str]:
    blocks: list[Block | str] = []
    own = [item for item in found.consistency if item.attribute == "overall"][:SHOWN]
    if own:
        rows = tuple(
            (i.player_id, str(i.found.targets), f"{i.found.value:.2f}", f"{i.found.low:.2f} to {i.found.high:.2f}") for i in own
        )
        blocks += ["", "How far players agree with themselves, on set-ups marked twice (1 is wholly):", ""]
        blocks.append(Table(("player", "set-ups", "ICC(3,1)", "95 %"), rows, right=(1, 2, 3)))
    if found.shared:
        shared = tuple(
            (
                item.attribute,
                str(len(item.players)),
                str(item.sets),
                f"{item.found.value:.2f}",
                f"{item.found.low:.2f} to {item.found.high:.2f}",
                f"{item.concordance.value:.2f}",
                _p(item.concordance.probability),
                "" if item.ordered is None else _p(item.ordered),
            )
            for item in found.shared
        )
        blocks += ["", "How far players agree with one another, on set-ups that all of them marked:", ""]
        blocks.append(
            Table(
                ("", "players", "set-ups", "ICC(2,1)", "95 %", "Kendall's W", "", "as computed"), shared, right=(1, 2, 3, 4, 5)
            )
        )
    return blocks


def _drift(found: Analysis) -> list[Block | str]:
    if not found.drift:
        return []
    rows = tuple(
        (i.attribute, str(i.players), f"{i.slope:+.3f}", f"{i.low:+.3f} to {i.high:+.3f}", _p(i.adjusted)) for i in found.drift
    )
    titles = ("", "players", "a place", "95 %", "")
    return [
        "",
        "What a mark changes with each place further on in a sitting, over players:",
        "",
        Table(titles, rows, right=(1, 2, 3)),
    ]


def _associations(found: Analysis) -> list[Block | str]:
    if not found.associations:
        return []
    shown = found.associations[:SHOWN]
    rows = tuple(
        (
            FEATURE_NAMES[item.feature],
            item.attribute,
            str(item.units),
            f"{item.correlation:+.2f}",
            f"{item.low:+.2f} to {item.high:+.2f}",
            _p(item.adjusted),
        )
        for item in shown
    )
    titles = ("more of", "goes with", "parts", "r", "95 %", "")
    by_chance = f"{found.looked_at * LEVEL:.1f}"
    return [
        "",
        "What goes with what, within players; that is no cause:",
        "",
        Table(titles, rows, right=(2, 3, 4)),
        "",
        f"Of {found.looked_at} pairs looked at {by_chance} would come out by chance; p allows for that (Holm).",
    ]


def _rests_on(found: Analysis) -> list[Block | str]:
    lines = []
    if found.unplanned_claim is not None:
        lines.append(
            f"The claim about {found.unplanned_claim} is not in the plan: it counts only if it was made before playing."
        )
    if found.unanswered:
        lines.append(f"{counted(found.unanswered, 'trial')} without an answer left out.")
    if found.playtests and not found.consistency:
        lines.append(f"Nobody marked {LEAST_REPEATED} set-ups twice, so nobody's own agreement is known.")
    if len(found.players) == 1:
        lines.append(f"All of this speaks for {found.players[0]} only.")
    sizes = [counted(found.trials, "blind trial")] if found.trials else []
    sizes += [counted(found.playtests, "playtest")] if found.playtests else []
    size = listed(sizes)
    return ["", Text(f"From {size} of {counted(len(found.players), 'player')}."), *lines]
