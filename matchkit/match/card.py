"""The card that is written with each model: what it was trained on, how well it does out of fold, and what it is not for."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from pathlib import Path

from matchkit.match.blend import Blend
from matchkit.match.model_file import Belonging
from matchkit.match.rated import RatedTests
from matchkit.match.validate import grouped_figures
from matchkit.records.parts import Ligature


def model_card(
    name: str, blend: Blend, tests: RatedTests, ligatures: Sequence[Ligature], *, belonging: Belonging, invented: bool
) -> str:
    """Write the card of a model as Markdown; the same playtests give the same text."""
    by_instrument = Counter(tests.instruments)
    heavier = int((tests.weight > 1).sum())
    settings = blend.settings
    lines = [
        f"# {name}",
        "",
        "Written by `matchkit train` together with the model. The model file is read without running anything in it.",
        "",
        f"* **Trained on**: {len(tests)} rated playtests of {len(set(tests.players))} players on {len(set(tests.mouthpieces))} mouthpieces "
        f"({', '.join(f'{count} {instrument}' for instrument, count in sorted(by_instrument.items()))}); {heavier} count more than one "
        "(blind, or a set-up marked twice)."
        + (" **All of them are invented**: the model says nothing about the world." if invented else ""),
        (
            f"* **Settings**: {settings.neighbours} neighbours, bandwidth {settings.bandwidth:g}, kappa {settings.kappa:g}, another player "
            f"{settings.other_player:g} in squared distance, a ligature of the same contact {settings.same_contact:g}, another {settings.other_contact:g}; "
            f"rating = {blend.intercept:.3f} + {blend.slope:.3f} D."
        ),
        f"* **Marks** stand on a common scale: {_lines_words(blend)} Errors below are on each player's own line.",
        f"* **Fingerprint** of the rules and parts it belongs to: `{belonging.fingerprint[:16]}`. Other weights, constants or parts make it stale.",
        "* **Not for** other houses: each trains its own. The interval is for one further mark, over players; no test of one set-up against another.",
        "",
        "Out of fold, by group, with the settings above (chosen on the same playtests: `matchkit evaluate` chooses them anew inside every fold):",
        "",
        "| held out | method | error, points | NDCG@5 | Kendall's tau |",
        "| --- | --- | --- | --- | --- |",
    ]
    figures = grouped_figures(tests, ligatures, settings)
    lines += [
        f"| {score.split} | {score.method} | {score.error:.2f} | {score.ndcg:.3f} | {score.kendall_tau:.3f} |"
        for score in figures
    ]
    if not figures:
        lines.append("| too few playtests to say | | | | |")
    return "\n".join(lines) + "\n"


def _lines_words(blend: Blend) -> str:
    """Say how many players have a line of their own, and how far those lie apart."""
    lines = list(blend.own_lines.values())
    if not lines:
        return "no player has enough of them to be told from the others, so all are taken as given."
    offset, spread = ([getattr(line, name) for line in lines] for name in ("offset", "spread"))
    many = "1 player has a line" if len(lines) == 1 else f"{len(lines)} players have a line"
    return (
        f"{many} of their own, offset {min(offset):+.2f} to {max(offset):+.2f} points, spread {min(spread):.2f} to {max(spread):.2f} times; "
        "shrunk as far as chance allows."
    )


def card_path(model: Path) -> Path:
    """Give where the card of a model stands: beside it, as Markdown."""
    return model.with_suffix(".md")
