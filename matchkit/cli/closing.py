"""``matchkit closing``: how one reed closes on one facing."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import click

from matchkit.cli.options import data_option, open_data, output_options
from matchkit.cli.printing import deliver, flat, number, paragraph, table, to_csv, to_json

if TYPE_CHECKING:
    from matchkit.match.answers import ClosingReport


@click.command(name="closing")
@click.argument("mouthpiece")
@click.argument("reed")
@click.option("--player", metavar="ID", help="A player of the tables, for blowing pressure and lip.")
@click.option(
    "--offset", "reed_offset_mm", type=float, default=0.0, show_default=True, help="Reed's tip past the tip rail, mm."
)
@data_option
@output_options
def command(
    mouthpiece: str,
    reed: str,
    player: str | None,
    data: str | None,
    model: str | None,
    style: str,
    out: str | None,
    **options: Any,
) -> None:
    """Compute how REED closes on MOUTHPIECE: resistance, opening, air, and how sure each is."""
    house = open_data(data, model)
    report = house.closing(mouthpiece, reed, player=player, **options)
    if style == "json":
        deliver(to_json(report.to_dict()), out)
    elif style == "csv":
        row = flat(report.to_dict())
        deliver(to_csv([row], list(row)), out)
    else:
        deliver(as_text(report), out)


def as_text(report: ClosingReport) -> str:
    """Lay out a closing report: value, uncertainty, and what it means to a player."""
    rows = [
        (
            "closing pressure",
            number(report.closing_pressure_kpa),
            number(report.u_closing_pressure_kpa),
            "kPa",
            "the resistance",
        ),
        (
            "stiffness K0",
            number(report.stiffness_mpa_per_m),
            number(report.u_stiffness_mpa_per_m),
            "MPa/m",
            "closing pressure over tip opening",
        ),
        (
            "effort",
            number(report.effort_kpa),
            number(report.u_effort_kpa),
            "kPa",
            "what the lip must supply; only differences of it mean something",
        ),
        (
            "playing opening",
            number(report.playing_opening_mm),
            number(report.u_playing_opening_mm),
            "mm",
            "how far the tip stands open under the lip",
        ),
        ("playing area", number(report.playing_area_mm2, 1), "-", "mm2", "of the jet, under the lip"),
        ("peak flow", number(report.peak_flow_l_s), "-", "l/s", "how much air it takes"),
        (
            "closing share",
            number(report.closing_share, 3),
            number(report.u_closing_share, 3),
            "",
            "still open at the closing pressure, under the lip" + ("" if report.shape_known else "; from an assumed shape"),
        ),
        ("without lip", number(report.closing_share_free, 3), "-", "", "the same with no lip"),
        ("tip opening", number(report.tip_opening_mm), number(report.u_tip_opening_mm), "mm", ""),
        ("rest area", number(report.rest_area_mm2, 1), "-", "mm2", "of the jet, at rest"),
        ("clamp", number(report.clamp_mm), number(report.u_clamp_mm), "mm", "from the tip: where the reed is taken as held"),
        ("first contact", number(report.first_contact_mm, 1), "-", "mm", "from the tip: where the reed lands first"),
        ("lip area", number(report.lip_area_mm2, 0), "-", "mm2", f"lip {report.lip_mm:g} mm from the tip"),
        ("lip load", number(report.lip_load_n, 1), "-", "N", "an illustration: a quarter per mm of lip"),
    ]
    lines = [
        paragraph(f"{report.reed_id} on {report.mouthpiece_id}, blown at {report.blow_kpa:.1f} kPa ({report.blow_source}):"),
        "",
        table([("", "left"), ("value", "right"), ("u", "right"), ("unit", "left"), ("what it is", "left")], rows),
        "",
    ]
    if report.closes_up:
        lines.append(paragraph("It closes up: at this blowing pressure the reed shuts before the lip does anything."))
    if report.lip_closes_reed:
        lines.append(paragraph("The lip closes the reed against the lay before there is anything to blow against."))
    if report.window_kpa is not None:
        low, high = report.window_kpa
        place = "within" if low <= report.closing_pressure_kpa <= high else "outside"
        lines.append(paragraph(f"The closing pressure is {place} this house's window, {low:g} to {high:g} kPa."))
    half = 0.5 * report.pressure_per_mm_forward_pct
    lines += [
        paragraph(f"The uncertainty comes mostly from the {report.u_dominated_by}."),
        paragraph(
            f"Reed place: {report.reed_offset_mm:+.1f} mm. Half a millimetre moves the closing pressure by about {half:.0f} %: forward for "
            "more resistance, back for less. Try that before another reed; it costs nothing."
        ),
    ]
    if report.assumed:
        lines.append(paragraph(f"Assumed: {'; '.join(report.assumed)}."))
    lines.append(paragraph(f"Would narrow it most: {report.measure_next}."))
    return "\n".join(lines) + "\n"
