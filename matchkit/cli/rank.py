"""``matchkit rank``: what to hand over first, and why."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import click

from matchkit.cli.options import (
    PERSON,
    data_option,
    jobs_option,
    open_data,
    output_options,
    person_options,
    read_person,
    wish_option,
)
from matchkit.cli.printing import WIDTH, clean, deliver, paragraph, to_csv, to_json, wrapped
from matchkit.cli.progress import bar

if TYPE_CHECKING:
    from matchkit.match.answers import Ranking, Setup


WRONG_INSTRUMENT = "wrong instrument"


@click.command(name="rank")
@click.argument("player", required=False)
@person_options
@wish_option
@click.option("--mouthpiece", metavar="ID", help="Keep this mouthpiece.")
@click.option("--reed", metavar="ID", help="Keep this reed.")
@click.option("--ligature", metavar="ID", help="Keep this ligature.")
@click.option(
    "--change", type=click.Choice(("mouthpiece", "reed", "ligature")), help="Change only this part of what they play now."
)
@click.option(
    "--complaint",
    multiple=True,
    metavar="WORDS",
    help="What is wrong now: squeaks, stuffy low notes, tired lip, closes up, hard to start, thin, flat or sharp high notes. May be repeated.",
)
@click.option("--budget", type=float, metavar="MONEY", help="Leave out what costs more; what they have costs nothing.")
@click.option("--in-stock", is_flag=True, help="Leave out what the tables count as 0.")
@click.option("--different", is_flag=True, help="Each row with another mouthpiece and another reed profile.")
@click.option("--across", is_flag=True, help="Allow parts made for another instrument.")
@click.option("--neck", metavar="ID", help="Neck of the instrument.")
@click.option("--top", type=int, default=3, show_default=True, help="How many rows.")
@jobs_option("Workers for the contact solutions")
@data_option
@output_options
def command(player: str | None, data: str | None, model: str | None, style: str, out: str | None, **options: Any) -> None:
    """Rank every set-up that fits, best first, with reasons.

    PLAYER is an id of the players table. A customer who is in no table is described with --instrument and the --now options;
    what is not known is "?".
    """
    house = open_data(data, model)
    described = {name: options.pop(name) for name in PERSON}
    person = read_person(house, player, described)
    if person is None:
        raise click.UsageError("whom for? name a PLAYER of the tables, or describe one with --instrument")
    fixed = {part: value for part in ("mouthpiece", "reed", "ligature") if (value := options.pop(part)) is not None}
    with bar("ranking") as progress:
        ranking = house.rank(person, fixed=fixed, progress=progress, **options)
    click.echo(f"model: {ranking.model}", err=True)
    if style == "json":
        deliver(to_json(ranking.to_dict()), out)
    elif style == "csv":
        deliver(to_csv([row.flat() for row in ranking.rows], ranking.columns), out)
    else:
        deliver(as_text(ranking), out)


def as_text(ranking: Ranking) -> str:
    """Lay out a ranking for the counter."""
    wish = f", wishing for {' and '.join(ranking.wish)}" if ranking.wish else ""
    aim = f"aimed at {ranking.target}" if not ranking.target.startswith("no target") else ranking.target
    lines = [*_first_try(ranking), paragraph(f"Set-ups for {ranking.player}{wish}; {aim}."), ""]
    for row in ranking.rows:
        lines += [*setup_lines(row, f"{row.position}."), ""]
    if not ranking.rows:
        lines += ["Nothing fits; what was left out, and why, is counted below.", ""]
    lines += [*_next_tries(ranking), *_against_present(ranking), *_reading(ranking)]
    lines += [paragraph(f"Note: {doubt}.") for doubt in ranking.doubts]
    if ranking.refused:
        counts = ", ".join(
            f"{reason} {count}"
            for reason, count in sorted(ranking.refused.items(), key=lambda item: item[0] == WRONG_INSTRUMENT)
        )
        lines.append(paragraph(f"Left out of {ranking.combinations} combinations: {counts}."))
    return "\n".join(lines) + "\n"


def _first_try(ranking: Ranking) -> list[str]:
    """What costs nothing, before anything is bought."""
    if not ranking.first_try:
        return []
    steps = [wrapped("", [step]) for step in ranking.first_try]
    return [paragraph("Try first what costs nothing:"), *steps, paragraph("If that does not help:"), ""]


def _next_tries(ranking: Ranking) -> list[str]:
    """The one part to change if the first row is wrong, and the reeds to lay ready."""
    tries = [item for item in ranking.next_tries if item.id is not None]
    if not tries:
        return []
    lines = ["If the first turns out wrong, change one part of it:"]
    for item in tries:
        label = f" ({item.label})" if item.label else ""
        price = "" if item.price is None else f", {item.price:g}"
        lines.append(wrapped("", [f"{item.turn}: {item.part} {item.id}{label}{price}"]))
    reeds = [item.id for item in tries if item.part == "reed"]
    if len(reeds) == 2:
        lines.append(paragraph(f"Lay ready {reeds[0]}, a step softer, and {reeds[1]}, a step harder."))
    return [*lines, ""]


def _against_present(ranking: Ranking) -> list[str]:
    """The present set-up by the same count, and whether anything beats it."""
    if ranking.present is None:
        return []
    now = ranking.present
    parts = " + ".join(part for part in (now.mouthpiece_id, now.reed_id, now.ligature_id) if part)
    lines = [paragraph(f"Now: {parts}, {now.score:.0f} of 100 by the same count.")]
    if ranking.rows and ranking.rows[0].score <= now.score:
        lines.append("Nothing here beats what you have.")
    return lines


def _reading(ranking: Ranking) -> list[str]:
    """How the answer is to be read, said once."""
    from matchkit.match.explain import own_line_words

    lines = []
    if len({(row.mouthpiece_id, row.reed_id) for row in ranking.rows}) == 1 < len(ranking.rows):
        lines.append("These are one mouthpiece and one reed with other ligatures; --different shows other set-ups.")
    if any(row.score_low is not None for row in ranking.rows):
        lines.append(
            "In brackets: where 8 of 10 next marks should fall, over all players. It is no test of one row against another."
        )
    if ranking.rows:
        lines.append("A step is about half a strength of reed, or a seventh of the opening for air.")
    if ranking.wish:
        lines.append("The score is the mark to expect if the wish is right.")
    if ranking.rows and (own := own_line_words(ranking.player, ranking.own_line)) is not None:
        lines.append(own)
    return [paragraph(line) for line in lines]


def setup_lines(row: Setup, head: str) -> list[str]:
    """Lay out one set-up: parts and score, labels, why, what will feel different, doubts."""
    others = len(row.ligature_ids) - 1
    alike = f" or {others} alike" if others > 0 else ""
    ligature = f"{row.ligature_id}{alike}" if row.ligature_id else ""
    parts = clean(" + ".join(part for part in (row.mouthpiece_id, row.reed_id, ligature) if part))
    interval = "" if row.score_low is None else f" ({row.score_low:.0f} to {row.score_high:.0f})"
    score = f"{row.score:.0f} of 100{interval}"
    title = f"{head:<3}{parts}"
    gap = WIDTH - len(title) - len(score)
    lines = [f"{title}{' ' * gap}{score}"] if gap >= 2 else [wrapped("", [parts]), f"{head:<3}{score:>{WIDTH - 3}}"]
    labels = [label for label in (row.mouthpiece_label, row.reed_label, row.ligature_label) if label]
    if labels:
        lines.append(wrapped("", labels))
    if row.changed is not None or row.price:
        cost = "" if row.price is None else f"{row.price:g} for what is new"
        only = f"only the {row.changed} changes" if row.changed else ""
        lines.append(wrapped("cost", [part for part in (only, cost or "a price is not known") if part]))
    lines.append(wrapped("why", row.why))
    if row.feel:
        lines.append(wrapped("feel", row.feel))
    if row.doubts:
        lines.append(wrapped("doubt", row.doubts))
        lines.append(wrapped("measure", [row.measure_next]))
    return lines
