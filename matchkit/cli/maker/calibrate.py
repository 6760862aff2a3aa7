"""``matchkit calibrate``: weights and dial readings become a strength scale."""

from __future__ import annotations

import click

from matchkit.cli.options import data_option, open_data, output_options
from matchkit.cli.printing import deliver, show, to_csv
from matchkit.words.maker.gauge import calibration_screen, scale_screen
from matchkit.words.maker.lot import lot_screen

ASIDE = 3
SCALE_COLUMNS = ("profile_id", "strength", "stiffness_n_per_mm", "state", "spread_pct")


@click.command(name="calibrate")
@click.argument("readings", type=click.Path(dir_okay=False), required=False)
@click.option(
    "--lot", is_flag=True, help="Hold the reeds of READINGS against the house's scale instead: level, spread, odd ones."
)
@data_option
@output_options
def command(readings: str | None, data: str | None, model: str | None, style: str, out: str | None, *, lot: bool) -> None:
    """Turn READINGS, a csv of loads and dial readings of a few reeds, into rows of strength_scale.csv.

    Columns: profile_id, strength, reed, load_n or mass_g, sink_mm, and state (dry or wet). docs/data.md shows how to take them;
    --format csv gives rows to paste.

    Without READINGS it says what the house's closing_tests make of its absolute scale, and how much doubt is left.
    """
    import matchkit as mk

    if lot:
        if readings is None:
            raise click.UsageError("which reeds? --lot goes with a csv of READINGS")
        found_lot = open_data(data, model).lot(readings)
        show(found_lot, lot_screen, style, out)
        if found_lot.left_out:
            click.get_current_context().exit(ASIDE)
        return
    if readings is None:
        show(open_data(data, model).closing_scale(), scale_screen, style, out)
        return
    found = mk.calibrate(readings)
    if style == "csv":
        rows = [{name: row[name] for name in SCALE_COLUMNS} for row in found.flat_rows()]
        deliver(to_csv(rows, SCALE_COLUMNS), out)
    else:
        show(found, calibration_screen, style, out)
