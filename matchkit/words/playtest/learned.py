"""What was learned from playtests: what to play next, a model and its card, and how well it predicts."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import asdict

from matchkit import constants
from matchkit.learn.blend import Blend
from matchkit.learn.interval import Interval
from matchkit.learn.marks import RatedTests
from matchkit.learn.model.file import Belonging
from matchkit.learn.trained import CountsNow, Trained
from matchkit.learn.trial.evaluation import MOST_ON_CARD, Compared, Evaluation, Score
from matchkit.playtest.next import Reason, ToPlay
from matchkit.words.facts import model_words
from matchkit.words.numbers import counted
from matchkit.words.screen import Screen, Table, screen, sentences

_REASONS: Mapping[Reason, str] = {
    "mouthpiece never marked": "nobody has marked this mouthpiece",
    "line never marked": "nobody has marked this line of reeds",
    "tells of others": "tells something for other players too",
    "may be the best": "may be their best",
    "little known": "little is known of it",
}


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
            f"{test.best:.1f}",
            _REASONS[test.reason],
        )
        for test in found.rows
    )
    return screen(
        "To play next, in this order; log each and ask again:",
        "",
        Table(("", "player", "set-up", "expect", "their best", "why"), rows, right=(0, 3, 4)),
        "",
        "These marks are expected to teach most about what to play; ± is how far the expected mark is open.",
        "One reed a player; clean and disinfect a mouthpiece before it goes to another.",
        sentences(model_words(found.model)),
    )


_PARTS = {
    "player": "how differently players mark",
    "mouthpiece": "how far mouthpieces differ",
    "line": "how far lines of reeds differ",
    "slope": "how far players' wishes differ",
    "smooth": "what set-ups alike have in common",
    "own": "what is a player's own taste",
    "setup": "what is peculiar to one set-up with one player",
    "sitting": "how far evenings differ",
    "contact": "how far kinds of ligature differ",
    "ligature": "how far ligatures of one kind differ",
    "own_contact": "how far players' likings for ligatures differ",
    "noise": "how far a mark scatters",
    "length": "how far alike reaches",
}


FEW = 20
"""Marks below which it is said that they are few to learn from."""


def trained_screen(found: Trained) -> Screen:
    """Return what was learned, what that changed, and where it was written."""
    moved = found.moved
    size = (
        "much larger"
        if moved.factor > 2
        else "larger"
        if moved.factor > 1
        else "smaller"
        if moved.factor > 0.5
        else "much smaller"
    )
    return screen(
        sentences(
            f"learned from {counted(found.tests, 'mark')}",
            "so few marks say little: go on logging, and train again" if found.tests < FEW else "",
            f"most was learned of {_PARTS[moved.part]}: {size} than taken before",
            f"expected marks move by {moved.mean:.1f} of 10 on average",
            *(_counts_now(one) for one in moved.counts[:MOST_SLIPS]),
            f"and so {'does' if len(moved.counts) == MOST_SLIPS + 1 else 'do'} {counted(len(moved.counts) - MOST_SLIPS, 'other')}"
            if len(moved.counts) > MOST_SLIPS
            else "",
            f"written to {found.path}",
        )
    )


MOST_SLIPS = 3
"""So many marks that were taken for slips are named."""


def _counts_now(one: CountsNow) -> str:
    """Return that a mark counts that was taken for a slip before."""
    return f"the {one.mark:g} by {one.player_id} for {one.mouthpiece_id} with {one.reed_id}, taken for a slip until now, counts: marks scatter enough here"


SPLIT_NAMES = {
    "new player": "a new player",
    "new mouthpiece": "a new mouthpiece",
    "new both": "both new",
    "new pair": "a new pair",
    "later marks": "later marks",
}
METHOD_NAMES = {
    "average": "middle mark",
    "physics alone": "measurements",
    "marks alone": "marks",
    "blend": "both",
    "player mean": "player's mean",
}


def evaluation_screen(found: Evaluation, *, invented: bool) -> Screen:
    """Return how well marks are predicted that were held back."""
    titles = ("for", "from", "off by", "NDCG@5", "tau", "in range", "width")
    size = f"{counted(found.tests, 'playtest')} of {counted(found.players, 'player')}"
    splits = list(dict.fromkeys(score.split for score in found.scores))
    first = splits[-1]
    blend, plain = found.score(first, "blend"), found.score(first, "average")
    rows = []
    for split in splits:
        rows += [_score_row(found.score(split, method)) for method in METHOD_NAMES]
        rows += [_score_row(best) for kind in ("raw", "same") if (best := found.best_plain(split, kind)) is not None]
    stranger = _stranger(found) if any(split == "new player" for split in splits) else ""
    return screen(
        sentences(
            f"for {SPLIT_NAMES[first]}{' of a known player' if first == 'new pair' else ''} the mark to expect is off by {blend.error:.1f} of 10 on average",
            f"the middle mark would be off by {plain.error:.1f}",
            stranger,
        ),
        "The playtests are invented: these figures prove the machinery and say nothing about the world." if invented else None,
        "",
        Table(titles, tuple(rows), right=(2, 3, 4, 5, 6)),
        "",
        sentences(
            f"{size}, each held back in turn",
            "the last two of each are the best plain methods on the columns of the tables (raw) and on what the model sees (same)"
            if len(rows) > len(splits) * len(METHOD_NAMES)
            else "",
            "NDCG@5 says how good the first five are, from 0 to 1; tau is Kendall's, for the whole order",
            "in range: marks within the range for 8 of 10, and how wide it is",
        ),
    )


def _stranger(found: Evaluation) -> str:
    """Return how well somebody is served who has no marks yet, and whether the marks of others help there."""
    both, alone = found.score("new player", "blend"), found.score("new player", "physics alone")
    gain = alone.error - both.error
    helped = "the marks of others help" if gain >= HELPS else "no better than by the measurements alone"
    return f"for a player with no marks yet it is off by {both.error:.1f}: {helped}"


HELPS = 0.05
"""Points of a mark from which on others' marks are said to help a new player."""


def _score_row(score: Score) -> tuple[str, ...]:
    def told(value: float | None, digits: int) -> str:
        return "-" if value is None or value != value else f"{value:.{digits}f}"  # noqa: PLR0124 - nan is not itself

    inside = "-" if score.coverage is None else f"{100 * score.coverage:.0f} %"
    names = SPLIT_NAMES[score.split], METHOD_NAMES.get(score.method, score.method)
    return *names, told(score.error, 2), told(score.ndcg, 3), told(score.kendall_tau, 3), inside, told(score.width, 1)


def compared_screen(found: Compared) -> Screen:
    """Return what two models differ by on playtests held back."""
    table = tuple(
        (
            SPLIT_NAMES[row.split],
            "off by" if row.figure == "error" else row.figure,
            f"{row.first:.3f}",
            f"{row.second:.3f}",
            f"{row.difference:+.4f}",
            f"{row.low:+.4f} to {row.high:+.4f}",
        )
        for row in found.differences
    )
    seen = (
        f"On {counted(found.marks, 'later playtest')} that neither model was trained on."
        if found.held_back
        else "There are too few later playtests to hold back: these are the ones that the models were trained on, and flatter both."
    )
    return screen(
        f"{found.models[0]} against {found.models[1]}:",
        seen,
        "",
        Table(("for", "figure", "first", "second", "difference", "19 times of 20"), table, right=(2, 3, 4, 5)),
        "",
        "The two models expect the same marks."
        if all(row.difference == row.low == row.high == 0 for row in found.differences)
        else "A range that holds 0 leaves open which is better. Each player counts once.",
    )


def model_card(
    name: str,
    blend: Blend,
    tests: RatedTests,
    figures: Sequence[Score],
    *,
    coverage: tuple[float, float] | None,
    belonging: Belonging,
    invented: bool,
) -> str:
    """Return the card of a model as Markdown: what it was trained on, how well it does, and what it is not for."""
    by_instrument = Counter(tests.instruments)
    heavier = int((tests.weight > 1).sum())
    kinds = ", ".join(f"{count} {instrument}" for instrument, count in sorted(by_instrument.items()))
    size = f"{len(tests)} rated playtests of {len(set(tests.players))} players on {len(set(tests.mouthpieces))} mouthpieces"
    made_up = " **All of them are invented**: the model says nothing about the world." if invented else ""
    varied = ", ".join(f"{part} {value:.2f}" for part, value in asdict(blend.variances).items())
    wide = "; ".join(
        f"{kind} {interval.q:.2f} standard deviations ({_units(interval)})" for kind, interval in blend.intervals.items()
    )
    some = f"{MOST_ON_CARD:,} playtests by a fixed seed, " if len(tests) > MOST_ON_CARD else ""
    slips = sum(len(known.slips) for known in blend.by_instrument.values())
    lines = [
        f"# {name}",
        "",
        "Written by `matchkit train` together with the model. The model file is read without running anything in it.",
        "",
        f"* **Trained on**: {size} ({kinds}); {heavier} blind, which count {constants.BLIND_WEIGHT.value:g}.{made_up}",
        f"* **Line**: mark = {blend.line.intercept:.3f} + {blend.line.slope:.3f} D from the measurements.",
        f"* **Standard deviations** in points, length in scaled features: {varied}.",
        f"* **Ranges** for 8 of 10 further marks: {wide}.",
        f"* **Slips**: {counted(slips, 'mark')} taken for one, and not counted until confirmed.",
        f"* **Fingerprint** of the rules and parts it belongs to: `{belonging.fingerprint[:16]}`; others make it stale.",
        "* **Not for** other houses: each trains its own. The range is for one further mark; it tests no set-up against another.",
        "",
        f"Out of fold, by group, {some}at standard deviations learned on the same playtests (`matchkit evaluate` learns them in every fold):",
        "",
        "| held out | method | error, points | NDCG@5 | Kendall's tau | in range | of 10 players, 8 have |",
        "| --- | --- | --- | --- | --- | --- | --- |",
    ]
    for f in figures:
        inside = "" if f.coverage is None else f"{100 * f.coverage:.0f} %"
        span = (
            ""
            if f.coverage_low is None or f.coverage_high is None
            else f"{100 * f.coverage_low:.0f} to {100 * f.coverage_high:.0f} %"
        )
        lines.append(f"| {f.split} | {f.method} | {f.error:.2f} | {f.ndcg:.3f} | {f.kendall_tau:.3f} | {inside} | {span} |")
    if not figures:
        lines.append("| too few playtests to say | | | | | | |")
    if coverage is not None:
        lines += [
            "",
            f"In range by evidence: {100 * coverage[0]:.0f} % of the narrower half of the ranges, {100 * coverage[1]:.0f} % of the wider.",
        ]
    return "\n".join(lines) + "\n"


def _units(interval: Interval) -> str:
    return "the model's own" if interval.own else f"from {counted(interval.units, 'unit')}"
