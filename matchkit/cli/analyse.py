"""``matchkit analyse``: what blind trials and playtests say."""

from __future__ import annotations

from typing import TYPE_CHECKING

import click

from matchkit.cli.options import data_option, open_data, output_options
from matchkit.cli.printing import deliver, number, paragraph, signed, table, to_csv, to_json

if TYPE_CHECKING:
    from matchkit.playtest.analyse import Analysis, Comparison

SHOWN = 8


@click.command(name="analyse")
@click.option("--session", metavar="NAME", help="Only what belongs to this session.  [default: everything]")
@click.option(
    "--claim", metavar="SET", help="A set-up that was said beforehand to have more of what was asked; one-sided tests."
)
@data_option
@output_options
def command(session: str | None, claim: str | None, data: str | None, model: str | None, style: str, out: str | None) -> None:
    """Say what blind trials and playtests show, and what they leave open. "Inconclusive" is a legal answer."""
    found = open_data(data, model).analyse(session=session, claim=claim)
    if style == "json":
        deliver(to_json(found.to_dict()), out)
    elif style == "csv":
        rows = found.rows()
        deliver(to_csv(rows, list(rows[0])) if rows else "kind\n", out)
    else:
        deliver(as_text(found), out)


def as_text(found: Analysis) -> str:
    """Lay out an analysis: comparisons first, then players, order, and what goes with what."""
    many = len(found.players)
    lines = [
        paragraph(
            f"{found.trials} blind trials and {found.playtests} playtests of {many} {'player' if many == 1 else 'players'}."
        )
    ]
    for item in found.comparisons:
        lines += ["", *_comparison(item)]
    for preference in found.preferences:
        lines += [
            "",
            paragraph(
                f"Strength in {preference.attribute}, from all choices of two (Bradley and Terry; logarithms, u in brackets):"
            ),
        ]
        lines += [paragraph(f"   {name}  {worth:+.2f} ({u:.2f})") for name, worth, u in preference.strengths]
        reference = next((name for name, _, u in preference.strengths if u == 0), "")
        lines.append(paragraph(f"Each is held against {reference}."))
        if not preference.told:
            lines.append(
                paragraph(
                    "These answers have no likeliest strengths (some set-ups, or whichever came first, were always named): the figures are bounds, not estimates."
                )
            )
        elif preference.first is not None:
            lines.append(paragraph(f"Coming first counts for {preference.first:+.2f} ({preference.u_first or 0:.2f})."))
        if preference.unbounded:
            lines.append(
                paragraph(
                    f"{', '.join(preference.unbounded)} won or lost everything: how strong they are is not told, only that it is far out."
                )
            )
    lines += [*_players(found), *_drift(found), *_associations(found)]
    if found.notes:
        lines += ["", *(paragraph(f"Note: {note}.") for note in found.notes)]
    return "\n".join(lines) + "\n"


def _comparison(item: Comparison) -> list[str]:
    test = item.test
    asked = "any difference" if item.kind == "triangle" else f"more {item.attribute}"
    more = ""
    if item.kind == "two" and item.verdict == "different":
        more = f" {item.set_a if 2 * test.successes > test.trials else item.set_b} has more {item.attribute}."
    lines = [paragraph(f"{item.set_a} against {item.set_b}, {asked}: {item.verdict.upper()}.{more}")]
    what = "right" if item.kind == "triangle" else f"named {item.set_a}"
    needed = (
        "no count could show anything"
        if test.critical is None
        else f"{test.critical} {'either way ' if test.two_sided else ''}would show a difference by itself"
    )
    lines.append(
        paragraph(
            f"   {test.successes} of {test.trials} {what}; {needed}. p {_p(test.probability, equals=True)} (exact binomial, {'two' if test.two_sided else 'one'}-sided), "
            f"{_p(item.adjusted)} after Holm. Share {100 * test.share:.0f} % ({100 * test.share_low:.0f} to {100 * test.share_high:.0f})."
        )
    )
    by = ", ".join(f"{own.player_id} {own.hits} of {own.trials}" for own in item.by_player)
    lines.append(paragraph(f"   By player: {by}." + (" It speaks for that player only." if item.players == 1 else "")))
    first = item.first_named
    if first is not None and first.verdict == "different":
        lines.append(
            paragraph(
                f"   Whichever came first was named {first.successes} of {first.trials} times (p {_p(first.probability, equals=True)}): the order counts."
            )
        )
    if item.unanswered:
        lines.append(paragraph(f"   {item.unanswered} trials have no answer and were left out."))
    return lines


def _p(value: float, *, equals: bool = False) -> str:
    return "below 0.001" if value < 0.001 else f"{'= ' if equals else ''}{value:.3f}"


def _players(found: Analysis) -> list[str]:
    lines: list[str] = []
    own = [item for item in found.consistency if item.attribute == "overall"]
    if own:
        rows = [
            (
                item.player_id,
                str(item.found.targets),
                number(item.found.value),
                f"{item.found.low:.2f} to {item.found.high:.2f}",
            )
            for item in own[:SHOWN]
        ]
        lines += ["", paragraph("Players with themselves: overall marks of set-ups played twice, ICC(3,1)."), ""]
        lines.append(table([("player", "left"), ("set-ups", "right"), ("ICC", "right"), ("95 %", "left")], rows))
    if found.shared:
        told = [
            (
                item.attribute,
                str(len(item.players)),
                str(item.sets),
                number(item.found.value),
                f"{item.found.low:.2f} to {item.found.high:.2f}",
                number(item.concordance.value),
                _p(item.concordance.probability),
            )
            for item in found.shared
        ]
        titles = ("attribute", "players", "set-ups", "ICC(2,1)", "95 %", "W", "p")
        lines += [
            "",
            paragraph("Players with one another, on the set-ups that all of them rated; W is Kendall's, p Friedman's."),
            "",
        ]
        lines.append(table([(title, "left" if place in (0, 4) else "right") for place, title in enumerate(titles)], told))
    return lines


def _drift(found: Analysis) -> list[str]:
    if not found.drift:
        return []
    rows = [
        (
            item.attribute,
            str(item.sittings),
            signed(item.slope, 3),
            f"{item.low:+.3f} to {item.high:+.3f}",
            _p(item.adjusted),
        )
        for item in found.drift
    ]
    titles = ("attribute", "sittings", "a place", "95 %", "p")
    return [
        "",
        paragraph("Order and fatigue: what a mark changes with each place further on in a sitting; p after Holm."),
        "",
        table([(title, "left" if place in (0, 3) else "right") for place, title in enumerate(titles)], rows),
    ]


def _associations(found: Analysis) -> list[str]:
    if not found.associations:
        return []
    few = [item for item in found.associations if item.players < 5]
    rows = [
        (
            item.feature.removeprefix("ln_").replace("_", " "),
            item.attribute,
            str(item.players),
            signed(item.correlation, 2),
            f"{item.low:+.2f} to {item.high:+.2f}",
            _p(item.adjusted),
        )
        for item in found.associations[:SHOWN]
    ]
    titles = ("feature", "goes with", "players", "r", "95 %", "p")
    lines = [
        "",
        paragraph("What goes with what, within players (mean correlation); a connection, not a cause:"),
        "",
        table([(title, "left" if place in (0, 1, 4) else "right") for place, title in enumerate(titles)], rows),
    ]
    if few:
        lines += [
            "",
            paragraph(f"Some of this rests on {min(item.players for item in few)} players: too few to speak for others."),
        ]
    return lines
