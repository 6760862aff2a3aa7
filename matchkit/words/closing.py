"""How one reed closes on one facing, for somebody who measures it."""

from __future__ import annotations

from matchkit.advise.answers import ClosingReport
from matchkit.constants import TWO_SIDED
from matchkit.words.facts import DOUBTS, assumed_words, measure_words
from matchkit.words.screen import Screen, Table, screen, sentences

_BLOWN = {"measured": "as measured", "present set-up": "from what they play now", "assumed": "usual"}


def closing_screen(report: ClosingReport) -> Screen:
    """Return the screen of a closing report."""
    half = 0.5 * report.pressure_per_mm_forward_pct
    return screen(
        _verdict(report),
        sentences(
            f"moving the reed by half a millimetre changes that by about {half:.0f} %",
            "forward is harder, back is freer: try that before another reed",
        ),
        "",
        Table(("", "value", "±", "unit", "what it is"), _rows(report), right=(1, 2)),
        "",
        sentences(
            "± holds 19 times of 20",
            f"most of it is {DOUBTS[report.u_dominated_by]}",
            f"measure next: {measure_words(report.measure_next)}",
        ),
        f"Blown at {report.blow_kpa:.1f} kPa ({_BLOWN[report.blow_source]}); the lip rests {report.lip_mm:g} mm from the tip.",
        assumed_words(report.assumed) or None,
    )


def _verdict(report: ClosingReport) -> str:
    place = ""
    if report.closing_range_kpa is not None:
        low, high = report.closing_range_kpa
        place = f", {_place(report.closing_pressure_kpa, low, high)} the house's range of {low:g} to {high:g}"
    return sentences(
        f"{report.reed_id} on {report.mouthpiece_id} closes at {report.closing_pressure_kpa:.1f} kPa{place}",
        None if report.shape_known else "its shape is assumed",
        "it closes up: the reed shuts before the lip does anything" if report.closes_up else None,
        "the lip closes the reed before there is anything to blow against" if report.lip_closes_reed else None,
    )


def _place(pressure: float, low: float, high: float) -> str:
    """Return where a pressure lies in a range, as it is felt."""
    if not low <= pressure <= high:
        return "below" if pressure < low else "above"
    third = (high - low) / 3
    return (
        "on the soft side of"
        if pressure < low + third
        else "on the hard side of"
        if pressure > high - third
        else "in the middle of"
    )


def _rows(report: ClosingReport) -> tuple[tuple[str, ...], ...]:
    def row(name: str, value: float, u: float | None, digits: int, unit: str, meaning: str) -> tuple[str, ...]:
        return name, f"{value:.{digits}f}", "-" if u is None else f"{TWO_SIDED * u:.{digits}f}", unit, meaning

    r = report
    return (
        row("closing pressure", r.closing_pressure_kpa, r.u_closing_pressure_kpa, 1, "kPa", "how hard it is to blow"),
        row("by breath alone", r.blown_closing_kpa, None, 1, "kPa", "if only the breath ahead of the lip pressed"),
        row("a note begins", r.threshold_kpa, None, 1, "kPa", "the least breath that makes one"),
        row("stiffness", r.stiffness_mpa_per_m, r.u_stiffness_mpa_per_m, 2, "kPa/mm", "closing pressure over tip opening"),
        row("left for the lip", r.effort_kpa, r.u_effort_kpa, 1, "kPa", "compare it between set-ups only"),
        row("tip opening", r.tip_opening_mm, r.u_tip_opening_mm, 2, "mm", "at rest"),
        row("open while playing", r.playing_opening_mm, r.u_playing_opening_mm, 2, "mm", "at the tip, under the lip"),
        row("area while playing", r.playing_area_mm2, None, 1, "mm2", f"of the jet; at rest {r.rest_area_mm2:.1f}"),
        row("peak flow", r.peak_flow_l_s, None, 2, "l/s", "how much air it takes"),
        row("left when closed", 100 * r.closing_share, 100 * r.u_closing_share, 1, "%", "of the opening, under the lip load"),
        row("the same, no lip", 100 * r.closing_share_free, None, 1, "%", "of the opening"),
        row("held", r.clamp_mm, r.u_clamp_mm, 2, "mm", "from the tip, where the reed is taken as held"),
        row("first contact", r.first_contact_mm, None, 1, "mm", "from the tip, where the reed lands first"),
        row("lip area", r.lip_area_mm2, None, 0, "mm2", "what the lip presses on"),
        row(
            "lip load", r.lip_load_n, None, 1, "N", "what is left for it here, as a force; a quarter more or less per mm of lip"
        ),
    )
