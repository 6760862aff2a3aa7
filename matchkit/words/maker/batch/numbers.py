"""The tables of a batch, for ``--numbers``: what was read of pieces that are not good, how capable the making is, and the pairing."""

from __future__ import annotations

from collections.abc import Sequence

from matchkit.maker.conformity.batch import BatchReport, FeatureSummary
from matchkit.maker.conformity.capability import Capability, HeldBack, Index
from matchkit.maker.conformity.judged import PieceJudged
from matchkit.maker.pairing import Pairing
from matchkit.words.facts import assumed_words
from matchkit.words.maker.features import feature_words
from matchkit.words.numbers import allowed_words, percent
from matchkit.words.screen import Block, Table, sentences

SHOWN_FEATURES = 8


def batch_numbers(report: BatchReport) -> list[Block | str]:
    """Return the tables: what was read of pieces that are not good, how capable the making is, and the pairing."""
    told = [piece for piece in report.pieces if piece.verdict != "pass" and piece.worst is not None]
    read = tuple(_read_row(piece) for piece in told)
    blocks: list[Block | str] = []
    if read:
        blocks += [
            "",
            Table(("piece", "size", "read", "u", "allowed", "is out"), read, right=(2, 3, 5)),
            "",
            "u is one standard uncertainty. Is out: how likely the piece is; from 95 % it fails, from 5 % it is too near a limit.",
        ]
    blocks += _capable(report)
    for pairing in report.pairings:
        blocks += _pairing_table(pairing)
    assumed = assumed_words([*report.assumed, *(item for pairing in report.pairings for item in pairing.assumed)])
    return [*blocks, assumed] if assumed else blocks


def _capable(report: BatchReport) -> list[Block | str]:
    """Return the least capable features, with all pieces and without those that fail."""
    rows = [
        (item.capability.nearest.value, item, item.capability)
        for item in report.features
        if item.capability is not None and not _one_feeler(item)
    ]
    if not rows:
        return []
    rows.sort(key=lambda row: row[0])
    shown = [(item, made) for _, item, made in rows[:SHOWN_FEATURES]]
    sound = [(item, item.capability_sound) for item, _ in shown if item.capability_sound is not None]
    held = dict.fromkeys(made.held_back for _, made in (*shown, *sound))
    charts = sum(item.chart is not None for item in report.features)
    notes = [
        "Cp and Cpk are from neighbours in the order of making, Pp and Ppk from all pieces, each with its 95 % interval",
        *(_HELD_BACK[why] for why in held if why is not None),
        f"of sound batches 5 in 100 show a signal on any of the {charts} charts together" if charts > 1 else None,
    ]
    blocks: list[Block | str] = []
    for title, rows_of in (("least capable", shown), ("without the failed", sound)):
        near = tuple(_capable_row(item, made, report, (made.cp, made.cpk)) for item, made in rows_of)
        whole = tuple(_capable_row(item, made, report, (made.pp, made.ppk)) for item, made in rows_of)
        if any(made.cpk is not None for _, made in rows_of):
            blocks += ["", Table((title, "Cp", "Cpk"), near, right=(1, 2))]
        if rows_of:
            blocks += ["", Table((title, "Pp", "Ppk"), whole, right=(1, 2))]
    return [*blocks, "", sentences(*notes)]


def _one_feeler(item: FeatureSummary) -> bool:
    return item.feature == "rail_difference_mm" and item.feeler_mm is not None


def _read_row(piece: PieceJudged) -> tuple[str, ...]:
    worst = piece.worst
    if worst is None or piece.wants_measuring:
        return piece.mouthpiece_id, "not measured enough", "-", "-", "-", "-"
    allowed = allowed_words(worst.low, worst.high)
    return (
        piece.mouthpiece_id,
        feature_words(worst.at),
        f"{worst.value:.3f}",
        f"{worst.u:.3f}",
        allowed,
        percent(1 - worst.probability),
    )


_HELD_BACK: dict[HeldBack, str] = {
    "out of control": "* not to be quoted: a chart shows a signal or a drift",
    "read too coarsely": "where most neighbours read alike there is no Cpk: read to a finer step",
    "few pieces": "not to be quoted: fewer than 20 pieces",
    "order not known": "the order of making is not known, so there is no Cpk",
}


def _capable_row(item: FeatureSummary, made: Capability, report: BatchReport, found: Sequence[Index | None]) -> tuple[str, ...]:
    star = "*" if made.held_back == "out of control" else ""
    several = len({piece.model for piece in report.pieces}) > 1
    name = f"{item.model}, {feature_words(item.at)}" if several else feature_words(item.at)
    return f"{name}{star}", *map(_index, found)


def _index(found: Index | None) -> str:
    return "-" if found is None else f"{found.value:.2f} ({found.low:.2f} to {found.high:.2f})"


def _pairing_table(pairing: Pairing) -> list[Block | str]:
    rows = tuple(
        (
            strip.lot,
            f"{strip.low_kpa:.1f} to {strip.high_kpa:.1f}",
            f"± {2 * strip.level_pct:.0f} %",
            percent(strip.in_range_spread),
            _span([100 * strip.in_range_softest, 100 * strip.in_range_hardest], 0),
            percent(strip.in_range),
            percent(strip.shuts),
        )
        for strip in pairing.lots
    )
    titles = ("reeds", "close at, kPa", "lot", "in range", "if off", "in all", "shut")
    return [
        "",
        Table(titles, rows, right=(1, 2, 3, 4, 5)),
        "",
        sentences(
            "close at: nine in ten of the pieces and of a box, if the lot is as hard as thought",
            "lot: how well that is known (19 times of 20)",
            "if off: the share in range were it so much softer or harder",
            "in all: the share in range with that doubt counted in, by which reeds are said to go with all pieces, some or none",
            f"shut: how many close below {pairing.shuts_below_kpa:.1f} kPa, before the lip does anything, at the blowing pressure assumed",
        ),
    ]


def _span(values: Sequence[float], digits: int) -> str:
    low, high = (f"{value:.{digits}f}" for value in (min(values), max(values)))
    return low if low == high else f"{low} to {high}"
