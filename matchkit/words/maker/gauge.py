"""How far a gauge can be trusted, and the strength scale that weights and a dial make."""

from __future__ import annotations

import math

from matchkit.constants import TWO_SIDED
from matchkit.maker.gauge import SPAN, AnovaRow, GaugeStudy, Range
from matchkit.pairs.closing_tests import ScaleReport, TestedSetUp
from matchkit.parts.calibrate import FEW, Calibration, ScaleRow
from matchkit.words.numbers import counted, percent
from matchkit.words.screen import Block, Screen, Table, screen, sentences

_WORTH = {
    "good": "good enough to pass and fail pieces",
    "usable": "good enough to sort pieces; near a limit read twice",
    "too coarse": "too coarse for this: read with a finer gauge, or more often",
    "nothing": "nothing can be said: every reading of a piece is the same; read to a finer step",
}

_SHORT = {"good": "good enough", "usable": "usable", "too coarse": "too coarse", "nothing": "of no use"}

ALL_OF = 0.9
"""A step that makes so much of what repeats scatter by explains all of it."""


def gauge_screen(studies: tuple[GaugeStudy, ...], *, numbers: bool = False) -> Screen:
    """Return the screen of gauge studies, one a quantity, with the analysis of variance where numbers were asked for."""
    blocks: list[Block | str] = []
    for study in studies:
        blocks += [*_study(study), *(_numbers(study) if numbers else ()), ""]
    return screen(
        blocks,
        "Ranges hold 19 times of 20; few people leave a wide one, whatever they read.",
        None if numbers else "More: --numbers has the full tables.",
    )


def _study(study: GaugeStudy) -> list[str]:
    name = study.quantity.replace("_", " ")
    people = ""
    if study.reproducibility is not None:
        people = f", people among one another by {study.reproducibility:.3f}{_range(study, 'people')}"
    of = (
        "that is against how far these pieces differ; --tolerance holds it against a drawing"
        if study.verdict != "nothing"
        else ""
    )
    if study.share_of_tolerance is not None:
        of = f"it takes {percent(study.share_of_tolerance)}{_share(study, study.tolerance)} of the tolerance of {study.tolerance:g} {study.unit}"
    lines = [
        f"A slip? {name}, piece {odd.piece} by {odd.person}, repeat {odd.repeat}: {odd.reading:g}, where the others of that piece read about "
        f"{odd.others:g}. Read it again; until then it is counted below."
        for odd in study.odd
    ]
    lines += [
        sentences(
            f"{name}: one person's readings scatter by {study.repeatability:.3f} {study.unit}{_range(study, 'touch')}{people}"
        ),
        sentences(_WORTH[study.verdict], of),
        *_without(study),
    ]
    if not study.table:
        lines.append(
            "Not every person read every piece equally often, so a mixed model (REML) took the place of the usual analysis."
        )
    if study.people == 1:
        lines.append("One person read everything: what another would read is not known.")
    if study.step is not None:
        alone = study.step / math.sqrt(12)
        part = (
            "which explains all of that" if alone >= ALL_OF * study.repeatability else f"which alone makes {alone:.3f} of that"
        )
        lines.append(f"Every reading lies on a step of {study.step:g} {study.unit}, {part}.")
    return [*lines, *_for_house(study)]


def _without(study: GaugeStudy) -> list[str]:
    """Return what the gauge would be worth without its odd readings."""
    rest = study.without
    if rest is None:
        return []
    which = "that reading" if len(study.odd) == 1 else "those readings"
    still = "still " if rest.verdict == study.verdict else ""
    takes = "" if rest.share_of_tolerance is None else f", and take {percent(rest.share_of_tolerance)} of the tolerance"
    return [sentences(f"without {which} it would {still}be {_SHORT[rest.verdict]}{takes}")]


def _range(study: GaugeStudy, name: str) -> str:
    """Return the range of a standard deviation, 19 times of 20."""
    found = study.ranges.get(name)
    return "" if found is None else f" ({found.low:.3f} to {found.high:.3f})"


def _share(study: GaugeStudy, tolerance: float | None) -> str:
    """Return the range of the share of a tolerance that a gauge takes, 19 times of 20."""
    found = study.ranges.get("gauge")
    if found is None or tolerance is None:
        return ""
    return f" ({100 * SPAN * found.low / tolerance:.0f} to {100 * SPAN * found.high / tolerance:.0f})"


def _for_house(study: GaugeStudy) -> list[str]:
    """Return the lines for house.toml, each with its range behind it."""
    if study.odd:
        return ["Nothing for house.toml until that is settled."]
    if study.repeatability <= 0 or study.quantity not in ("tip_opening", "stop"):
        return []
    if study.quantity == "stop" and study.step is not None and study.step / math.sqrt(12) >= ALL_OF * study.repeatability:
        return [
            "For house.toml, under [gauge]:",
            f"  stop_step_mm = {study.step:g}",
            "How well a stop is felt cannot be told at that step.",
        ]
    if study.quantity == "tip_opening":
        lines = [_pasted("u_tip_mm", study.gauge, study.ranges.get("gauge"))]
    else:
        lines = [_pasted("u_stop_mm", study.repeatability, study.ranges.get("touch"))]
        if study.reproducibility is not None:
            lines.append(_pasted("u_operator_mm", study.reproducibility, study.ranges.get("people")))
    more = "u_stop_mm has the step of the readings in it. Instead of these lines, facing and batch take the study with --study."
    return ["For house.toml, under [gauge]:", *lines, *([more] if study.quantity == "stop" else [])]


def _pasted(key: str, value: float, found: Range | None) -> str:
    return f"  {key} = {value:.3f}" + ("" if found is None else f"  # {found.low:.3f} to {found.high:.3f}")


def _numbers(study: GaugeStudy) -> list[Block | str]:
    up_to = "" if study.table else "up to "
    size = f"{counted(study.pieces, 'piece')}, {counted(study.people, 'person', 'people')}, {up_to}{counted(study.repeats, 'repeat')}"
    titles = ("source", "sum of squares", "df", "mean square", "F", "p")
    blocks: list[Block | str] = ["", f"{size}:", ""]
    if study.table:
        blocks += [Table(titles, tuple(map(_row, study.table)), right=(1, 2, 3, 4, 5)), ""]
    classes = "" if study.distinct is None else f"{counted(study.distinct, 'class', 'classes')} of pieces can be told apart"
    spread = f"gauge {study.gauge:.3f} {study.unit}{_range(study, 'gauge')}, pieces {study.piece:.3f}{_range(study, 'piece')}: the gauge makes {percent(study.share_of_study)}"
    pooled = (
        "pieces and people do not interact, so that is counted as repeatability" if study.pooled and study.people > 1 else ""
    )
    blocks.append(
        sentences(f"{spread} of the spread in this study", classes, pooled, "10 % is good and 30 % usable, by usual guideline")
    )
    if study.by_ranges is not None:
        older = study.by_ranges
        by = f"repeatability {older.repeatability:.3f}, people {older.reproducibility:.3f}, both {older.gauge:.3f} {study.unit}"
        blocks.append(f"By averages and ranges, the older way: {by}.")
    return blocks


def _row(row: AnovaRow) -> tuple[str, ...]:
    f = "-" if row.f is None else f"{row.f:.2f}"
    p = "-" if row.probability is None else "< 0.001" if row.probability < 0.001 else f"{row.probability:.3f}"
    return row.source, f"{row.sum_of_squares:.5g}", str(row.degrees), f"{row.mean_square:.4g}", f, p


def scale_screen(found: ScaleReport) -> Screen:
    """Return the screen of a house's absolute scale."""
    odd = [item for item in found.setups if item.odd]
    titles = ("mouthpiece", "reed", "readings", "pressed", "expected", "ratio")
    return screen(
        sentences(
            f"Closing pressures of this house are {found.factor:.2f} times what the usual scale says, "
            f"give or take {TWO_SIDED * found.u_pct:.0f} % (19 times of 20)",
            f"without these tests it would be {TWO_SIDED * found.before_pct:.0f} %",
        ),
        "Every pressure that is shown is on this scale now. Which set-up is harder or freer does not hang on it.",
        "",
        Table(titles, tuple(map(_tested_row, found.setups)), right=(2, 3, 4, 5)),
        "",
        *(
            f"{item.mouthpiece_id} with {item.reed_id} is far from what the others say and counts little: was the reed, its place or the feeler another?"
            for item in odd
        ),
        *(
            f"{item.mouthpiece_id} with {item.reed_id}, {item.mass_g:g} g {item.place_mm:g} mm from the tip: not used, {_NOT_USED[item.why]}."
            for item in found.unused
        ),
        "The ranges in house.toml stay as they were. If they were set before these tests, multiply them by "
        f"{found.factor:.2f}, or batch picks other reeds.",
        None if found.wet else "No cane reed was tested wet: how much cane softens is still a guess. Test a few wet.",
        f"Only {counted(len(found.setups), 'set-up')}: other mouthpieces and reeds say more than the same ones again."
        if len(found.setups) < FEW
        else None,
    )


_NOT_USED = {
    "another instrument": "the reed is for another instrument",
    "feeler too thick": "the feeler is too thick for that tip opening (0.1 mm will do)",
    "pressed too far back": "so far back the reed lies on the facing before the feeler is held (4 mm will do)",
    "far from any scale": "it is over four times from what is expected: read it again",
}


def _tested_row(item: TestedSetUp) -> tuple[str, ...]:
    return (
        item.mouthpiece_id,
        item.reed_id,
        str(item.readings),
        f"{item.measured_g:.0f} g",
        f"{item.predicted_g:.0f} g",
        f"{item.ratio:.2f}{' *' if item.odd else ''}",
    )


def calibration_screen(found: Calibration) -> Screen:
    """Return the screen of a strength scale."""
    titles = ("profile", "strength", "N/mm", "state", "spread", "reeds", "± in the mean")
    few = [row for row in found.rows if row.reeds < FEW]
    return screen(
        Table(titles, tuple(map(_scale_row, found.rows)), right=(1, 2, 4, 5, 6)),
        "",
        f"Fewer than {FEW} reeds say little about the spread within a box: read more of them." if few else None,
        "Add these rows to strength_scale.csv; --format csv writes them.",
    )


def _scale_row(row: ScaleRow) -> tuple[str, ...]:
    spread = "-" if row.spread_pct is None else f"{row.spread_pct:.1f} %"
    mean = f"{TWO_SIDED * row.u_pct:.0f} %"
    return row.profile_id, f"{row.strength:g}", f"{row.stiffness_n_per_mm:.3f}", row.state, spread, str(row.reeds), mean
