"""What was learned from playtests: what to play next, a model and its card, and how well it predicts."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence

from matchkit.learn.blend import Blend
from matchkit.learn.marks import RatedTests
from matchkit.learn.model.file import Belonging
from matchkit.learn.trial.evaluation import Compared, Evaluation, Score
from matchkit.playtest.next import ToPlay
from matchkit.words.facts import model_words
from matchkit.words.numbers import counted
from matchkit.words.screen import Screen, Table, screen, sentences


def next_screen(found: ToPlay) -> Screen:
    """Return the screen of what to play next."""
    if not found.rows:
        return screen("There is nothing to play: no mouthpiece and reed that fit.")
    rows = tuple(
        (
            str(test.position),
            test.player_id,
            f"{test.mouthpiece_id} + {test.reed_id}",
            f"{test.expected:.1f} ± {test.u_expected:.1f}",
            f"{test.edge:.1f}",
        )
        for test in found.rows
    )
    return screen(
        "To play next, in this order; log each, train, and ask again:",
        "",
        Table(("", "player", "set-up", "expect", "best five from"), rows, right=(0, 3, 4)),
        "",
        "Each of them may well belong among the player's best five, or drop out of them: its mark will tell.",
        "One reed a player; clean and disinfect a mouthpiece before it goes to another.",
        sentences(model_words(found.model)),
    )


def trained_screen(name: str, blend: Blend) -> Screen:
    """Return what was learned and where it was written."""
    settings = blend.settings
    weighed = f"the {settings.neighbours} most alike count for each set-up"
    return screen(sentences(f"learned from {counted(blend.tests, 'playtest')}", weighed, f"written to {name}"))


_SPLITS = {"new player": "a new player", "new mouthpiece": "a new mouthpiece", "new both": "both new"}
_METHODS = {
    "random": "chance",
    "average": "middle mark",
    "physics alone": "measurements",
    "neighbours alone": "marks",
    "blend": "both",
}


def evaluation_screen(found: Evaluation, *, invented: bool) -> Screen:
    """Return how well marks are predicted that were held back."""
    titles = ("for", "from", "off by", "NDCG@5", "tau", "in range", "width")
    size = f"{counted(found.tests, 'playtest')} of {counted(found.players, 'player')}"
    blend = next(score for score in found.scores if score.method == "blend")
    plain = next(score for score in found.scores if (score.split, score.method) == (blend.split, "average"))
    return screen(
        sentences(
            f"for {_SPLITS[blend.split]} the mark to expect is off by {blend.error:.1f} of 10 on average",
            f"the middle mark would be off by {plain.error:.1f}",
        ),
        "The playtests are invented: these figures prove the machinery and say nothing about the world." if invented else None,
        "",
        Table(titles, tuple(map(_score_row, found.scores)), right=(2, 3, 4, 5, 6)),
        "",
        sentences(
            f"{size}, each held back in turn",
            "NDCG@5 says how good the first five are, from 0 to 1; tau is Kendall's, for the whole order",
            "in range: marks within the range for 8 of 10, and how wide it is",
        ),
    )


def _score_row(score: Score) -> tuple[str, ...]:
    def told(value: float | None, digits: int) -> str:
        return "-" if value is None or value != value else f"{value:.{digits}f}"  # noqa: PLR0124 - nan is not itself

    inside = "-" if score.coverage is None else f"{100 * score.coverage:.0f} %"
    names = _SPLITS[score.split], _METHODS[score.method]
    return *names, told(score.error, 2), told(score.ndcg, 3), told(score.kendall_tau, 3), inside, told(score.width, 1)


def compared_screen(found: Compared) -> Screen:
    """Return what two models differ by on playtests held back."""
    table = tuple(
        (
            _SPLITS[row.split],
            "off by" if row.figure == "error" else row.figure,
            f"{row.first:.3f}",
            f"{row.second:.3f}",
            f"{row.difference:+.4f}",
            f"{row.low:+.4f} to {row.high:+.4f}",
        )
        for row in found.differences
    )
    return screen(
        f"{found.models[0]} against {found.models[1]}, on the same playtests held back:",
        "",
        Table(("for", "figure", "first", "second", "difference", "19 times of 20"), table, right=(2, 3, 4, 5)),
        "",
        "A range that holds 0 leaves open which is better. Each player counts once.",
    )


def model_card(
    name: str, blend: Blend, tests: RatedTests, figures: Sequence[Score], *, belonging: Belonging, invented: bool
) -> str:
    """Return the card of a model as Markdown: what it was trained on, how well it does, and what it is not for."""
    by_instrument = Counter(tests.instruments)
    heavier = int((tests.weight > 1).sum())
    kinds = ", ".join(f"{count} {instrument}" for instrument, count in sorted(by_instrument.items()))
    size = f"{len(tests)} rated playtests of {len(set(tests.players))} players on {len(set(tests.mouthpieces))} mouthpieces"
    made_up = " **All of them are invented**: the model says nothing about the world." if invented else ""
    s = blend.settings
    ligatures = f"a ligature of the same contact {s.same_contact:g}, another {s.other_contact:g}"
    stranger = f"another player {s.other_player:g} in squared distance"
    weighing = f"{s.neighbours} neighbours, bandwidth {s.bandwidth:g}, kappa {s.kappa:g}, {stranger}, {ligatures}"
    lines = [
        f"# {name}",
        "",
        "Written by `matchkit train` together with the model. The model file is read without running anything in it.",
        "",
        f"* **Trained on**: {size} ({kinds}); {heavier} count more than one (blind, or a set-up marked twice).{made_up}",
        f"* **Settings**: {weighing}; rating = {blend.intercept:.3f} + {blend.slope:.3f} D.",
        f"* **Marks** stand on a common scale: {_raters(blend)} Errors below are on each player's own line.",
        f"* **Fingerprint** of the rules and parts it belongs to: `{belonging.fingerprint[:16]}`; others make it stale.",
        "* **Not for** other houses: each trains its own. The range is for one further mark; it tests no set-up against another.",
        "",
        "Out of fold, by group, with settings chosen on the same playtests (`matchkit evaluate` chooses them in every fold):",
        "",
        "| held out | method | error, points | NDCG@5 | Kendall's tau |",
        "| --- | --- | --- | --- | --- |",
    ]
    lines += [f"| {f.split} | {f.method} | {f.error:.2f} | {f.ndcg:.3f} | {f.kendall_tau:.3f} |" for f in figures]
    if not figures:
        lines.append("| too few playtests to say | | | | |")
    return "\n".join(lines) + "\n"


def _raters(blend: Blend) -> str:
    """Return how many players have a line of their own, and how far those lie apart."""
    lines = list(blend.raters.values())
    if not lines:
        return "no player has enough of them to be told from the others, so all are taken as given."
    offset, spread = ([getattr(line, name) for line in lines] for name in ("offset", "spread"))
    many = "1 player has a line" if len(lines) == 1 else f"{len(lines)} players have a line"
    span = f"offset {min(offset):+.2f} to {max(offset):+.2f} points, spread {min(spread):.2f} to {max(spread):.2f} times"
    return f"{many} of their own, {span}; shrunk as far as chance allows."
