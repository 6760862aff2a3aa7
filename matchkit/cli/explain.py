"""``matchkit explain``: every number behind one set-up."""

from __future__ import annotations

from dataclasses import asdict
from typing import TYPE_CHECKING, Any

import click

from matchkit.cli.options import data_option, open_data, output_options, person_options, read_person, wish_option
from matchkit.cli.printing import deliver, number, paragraph, signed, table, to_csv, to_json, wrapped
from matchkit.cli.rank import setup_lines

if TYPE_CHECKING:
    from matchkit.match.answers import Explanation, TermReason

SHOWN_NEIGHBOURS = 8
ABOVE_EXPECTED = "Above expected: in marks on this player's line, once everybody's marks stand on one scale (players with eight playtests or more)."


@click.command(name="explain")
@click.argument("mouthpiece")
@click.argument("reed")
@click.argument("ligature", required=False)
@click.option("--player", metavar="ID", help="A player of the tables.")
@person_options
@wish_option
@click.option("--neck", metavar="ID", help="Neck of the instrument.")
@data_option
@output_options
def command(
    mouthpiece: str,
    reed: str,
    ligature: str | None,
    player: str | None,
    data: str | None,
    model: str | None,
    style: str,
    out: str | None,
    **options: Any,
) -> None:
    """Show every term and playtest behind the score of MOUTHPIECE with REED (and LIGATURE) for a player."""
    house = open_data(data, model)
    wish, neck = options.pop("wish"), options.pop("neck")
    person = read_person(house, player, options)
    if person is None:
        person = house.visitor(house.workshop.facing(mouthpiece).mouthpiece.instrument)
    explanation = house.explain(person, mouthpiece, reed, ligature, wish=wish, neck=neck)
    click.echo(f"model: {explanation.model}", err=True)
    if style == "json":
        deliver(to_json(explanation.to_dict()), out)
    elif style == "csv":
        rows = [asdict(term) for term in explanation.setup.terms]
        deliver(to_csv(rows, list(rows[0])), out)
    else:
        deliver(as_text(explanation), out)


def as_text(explanation: Explanation) -> str:
    """Lay out an explanation."""
    from matchkit.match.explain import own_line_words

    setup = explanation.setup
    wish = f", wishing for {' and '.join(explanation.wish)}" if explanation.wish else ""
    lines = [paragraph(f"For {explanation.player}{wish}; aimed at {explanation.target}."), "", *setup_lines(setup, "")]
    lines += [wrapped("refused", explanation.refused)] if explanation.refused else []
    perfect = 10 * (explanation.intercept + explanation.slope)
    lines += [
        "",
        f"Perfect terms would reach {perfect:.1f} of 100. What each term costs:",
        "",
        table(
            [
                ("term", "left"),
                ("found", "right"),
                ("good to poor", "left"),
                ("d", "right"),
                ("weight", "right"),
                ("share", "right"),
                ("points", "right"),
            ],
            [_term_row(term) for term in setup.terms],
        ),
        "",
        f"The measurements alone let expect {10 * setup.computed:.1f} of 100 (D = {setup.overall_d:.2f}).",
    ]
    if setup.neighbours:
        lines += [
            f"Playtests nearby change that by {signed(10 * setup.correction)}, with a say of {100 * setup.blend:.0f} %.",
            "",
            table(
                [
                    ("playtest", "left"),
                    ("player", "left"),
                    ("distance", "right"),
                    ("weight", "right"),
                    ("mark", "right"),
                    ("above expected", "right"),
                    ("points", "right"),
                ],
                [
                    (
                        near.playtest,
                        near.player,
                        number(near.distance),
                        number(near.weight),
                        number(near.rating, 1),
                        signed(near.residual),
                        signed(near.points),
                    )
                    for near in setup.neighbours[:SHOWN_NEIGHBOURS]
                ],
            ),
        ]
        rest = setup.neighbours[SHOWN_NEIGHBOURS:]
        if rest:
            lines.append(f"and {len(rest)} more, {signed(sum(near.points for near in rest))} points together.")
        lines += [paragraph(ABOVE_EXPECTED)]
    else:
        lines.append("No playtest is near: the score is physics alone.")
    lines += [
        "",
        paragraph(
            f"Closing pressure {setup.closing_pressure_kpa:.1f} kPa (u {setup.u_closing_pressure_kpa:.1f}), "
            f"effort {setup.effort_kpa:.1f} kPa, playing opening {setup.playing_opening_mm:.2f} mm."
        ),
    ]
    if (own := own_line_words(explanation.player, explanation.own_line)) is not None:
        lines.append(paragraph(own))
    lines += [paragraph(f"Assumed: {'; '.join(explanation.assumed)}.")] if explanation.assumed else []
    lines.append(paragraph(f"Would narrow it most: {setup.measure_next}."))
    lines.append(
        paragraph("Limits and weights are assumed, chosen by judgement; d is 1 at best, 0.7 where a term is not known.")
    )
    return "\n".join(lines) + "\n"


def _term_row(term: TermReason) -> tuple[str, ...]:
    percent = term.name in ("closing", "box spread", "volume")
    scale, unit = (100, "%") if percent else (1, term.unit)
    digits = 0 if percent or term.unit == "µm" else 2
    limits = f"{scale * term.good:g} to {scale * term.poor:g} {unit}".rstrip() if term.name != "tone" else "a vote"
    found = "not known" if term.value is None else f"{scale * term.value:.{digits}f} {unit}".rstrip()
    return (
        term.name,
        found,
        limits,
        number(term.desirability),
        number(term.weight, 0),
        f"{100 * term.share:.0f} %",
        number(-term.cost if term.cost >= 0.05 else 0.0, 1),
    )
