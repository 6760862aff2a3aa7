"""``matchkit reface``: what to take off a facing, where, and in which order."""

from __future__ import annotations

from typing import TYPE_CHECKING

import click

from matchkit.cli.options import data_option, open_data, output_options
from matchkit.cli.printing import deliver, number, paragraph, table, to_csv, to_json, wrapped

if TYPE_CHECKING:
    from matchkit.bench.reface import RefacePlan, Step

TARGETS = ("fair", "drawing")
SHOWN_REEDS = 8


@click.command(name="reface")
@click.argument("piece")
@click.option("--pieces", metavar="PATH", help="Folder or workbook that the piece is in.  [default: the tables of --data]")
@click.option(
    "--to",
    metavar="fair|drawing|FILE",
    default="fair",
    show_default=True,
    help="The nearest fair curve, the drawing of its model, or that of another house.toml.",
)
@click.option("--tip", "tip_opening_mm", type=float, metavar="MM", help="A fair curve with this tip opening instead.")
@click.option("--reed", metavar="ID", help="The facing that closes most evenly on this reed instead.")
@click.option("--closing", "closing_kpa", type=float, metavar="KPA", help="Closing pressure wanted with --reed.")
@click.option("--table-down", is_flag=True, help="Allow the table to be faced down where the target asks for it.")
@data_option
@output_options
def command(
    piece: str,
    pieces: str | None,
    to: str,
    tip_opening_mm: float | None,
    reed: str | None,
    closing_kpa: float | None,
    data: str | None,
    model: str | None,
    style: str,
    out: str | None,
    *,
    table_down: bool,
) -> None:
    """Plan the refacing of PIECE. Only removal is possible; the plan says where a target stays out of reach."""
    house = open_data(data, model)
    plan = house.reface(
        piece,
        pieces=pieces,
        spec=None if to in TARGETS else to,
        drawing=to != "fair",
        tip_opening_mm=tip_opening_mm,
        reed=reed,
        closing_kpa=closing_kpa,
        table_down=table_down,
    )
    if style == "json":
        deliver(to_json(plan.to_dict()), out)
    elif style == "csv":
        rows = plan.rows()
        deliver(to_csv(rows, list(rows[0])), out)
    else:
        deliver(as_text(plan), out)


def as_text(plan: RefacePlan) -> str:
    """Lay out a plan: reasons against it first, then what comes off, the steps, the reeds, the cautions."""
    lines = [paragraph(f"Refacing of {plan.mouthpiece_id} to {plan.target}.")]
    lines += [paragraph(f"Do not do this: {reason}.") for reason in plan.do_not]
    lines += [paragraph(f"Out of reach: {place}.") for place in plan.unreached]
    if plan.unreached:
        lines.append(
            paragraph(
                f"Removing alone cannot mend that; facing the table down by {plan.needs_table_down_mm:.2f} mm would (--table-down), which is "
                "no small thing."
            )
        )
    lines += [
        paragraph(
            f"Tip {plan.tip_opening_mm:.2f} mm (u {plan.u_tip_opening_mm:.2f}) to {plan.target_tip_opening_mm:.2f} mm; facing length of the "
            f"target {plan.target_facing_length_mm:.1f} mm."
        ),
        "",
        table(
            [(title, "right") for title in ("from tip mm", "leaf mm", "left rail µm", "right rail µm", "u µm")],
            [
                (
                    number(removal.place_mm, 1),
                    "tip" if removal.place_mm == 0 else f"{removal.leaf_mm:.3f}",
                    number(removal.left_um, 0),
                    number(removal.right_um, 0),
                    number(removal.u_um, 0),
                )
                for removal in plan.removals
            ],
        ),
        "",
        paragraph("Take off so much there, where each leaf shall stop at the end; u is how well the lay is known there."),
        "",
    ]
    before: Step | None = None
    for place, step in enumerate(plan.steps, start=1):
        lines += _step(place, step, before)
        before = step
    lines += ["", *_reeds(plan)]
    lines += [paragraph(f"Note: {note}.") for note in plan.notes]
    lines += [paragraph(f"Caution: {caution}.") for caution in plan.cautions]
    if plan.assumed:
        lines.append(paragraph(f"Assumed: {'; '.join(plan.assumed)}."))
    return "\n".join(lines) + "\n"


def _step(place: int, step: Step, before: Step | None) -> list[str]:
    lines = [paragraph(f"{place}. {step.what[0].upper()}{step.what[1:]}.")]
    if step.until != "nothing to do":
        lines.append(wrapped("", [f"Stop when {step.until}."]))
    stops = _stops(step)
    if before is None or (stops != _stops(before) and step.until != "nothing to do"):
        lines.append(wrapped("", [f"{'Now' if before is None else 'After it'}: {stops}."]))
    sizes, were = _sizes(step), {} if before is None else _sizes(before)
    extra = [words for name, words in sizes.items() if words != were.get(name) or step.name in SIZED[name]]
    if extra:
        lines.append(wrapped("", [f"{'Now' if before is None else 'Expect'}: {', '.join(extra)}."]))
    return lines


SIZED = {"tip rail": ("tip", "rail widths"), "side rails": ("tip", "rail widths"), "baffle": ("tip", "baffle and window edge")}
"""Steps after which a size is told even where it is as before."""


def _sizes(step: Step) -> dict[str, str]:
    """Say the widths and the baffle to expect after a step, where they are known."""
    told = {
        "tip rail": (step.tip_rail_mm, "tip rail {:.2f} mm"),
        "side rails": (step.side_rail_mm, "side rails {:.2f} mm"),
        "baffle": (step.baffle_height_mm, "baffle {:.2f} mm under the rails"),
    }
    return {name: words.format(size) for name, (size, words) in told.items() if size is not None}


def _stops(step: Step) -> str:
    leaves = ", ".join(
        f"{stop.leaf_mm:g} at {number(stop.left_mm, 1)}"
        + ("" if number(stop.left_mm, 1) == number(stop.right_mm, 1) else f" left and {number(stop.right_mm, 1)} right")
        for stop in step.stops
    )
    return f"tip {step.tip_opening_mm:.2f} mm, leaves {leaves} mm"


def _reeds(plan: RefacePlan) -> list[str]:
    if not plan.reeds:
        return []
    low, high = plan.window_kpa or (0.0, float("inf"))
    near = sorted(
        plan.reeds,
        key=lambda item: max(low - item.closing_pressure_after_kpa, item.closing_pressure_after_kpa - high, 0.0),
    )[:SHOWN_REEDS]
    rows = [
        (
            item.reed,
            f"{item.closing_pressure_before_kpa:.1f} to {item.closing_pressure_after_kpa:.1f}",
            number(item.u_closing_pressure_kpa, 1),
            f"{item.playing_opening_before_mm:.2f} to {item.playing_opening_after_mm:.2f}",
            f"{100 * item.closing_share_before:.1f} to {100 * item.closing_share_after:.1f}",
        )
        for item in plan.reeds
        if item in near
    ]
    titles = ("house reed", "closing kPa", "u", "opening mm", "share left %")
    text = "before to after" if plan.window_kpa is None else f"before to after; the house window is {low:g} to {high:g} kPa"
    return [
        table([(title, "left" if place == 0 else "right") for place, title in enumerate(titles)], rows),
        "",
        paragraph(f"House reeds {text}. Share left: jet area at the closing pressure over that at rest."),
        "",
    ]
