"""Empty tables to fill in, computed from the schema."""

from __future__ import annotations

import csv
from pathlib import Path

from matchkit.errors import SourceError
from matchkit.records.quantity import quantities
from matchkit.records.schema import TABLES
from matchkit.tables.read.xlsx import write_workbook_template
from matchkit.tables.source import SPEC_FILE

_SPEC = """# What this house decides for itself; every line may be left out.
# name = "our workshop"
# wish_step = 0.86          # one step of "freer", as a factor on closing pressure
# wet_factor = 0.75         # modulus of wet cane over dry, assumed

# [gauge]                   # standard uncertainties of your own gauges
# u_feeler_mm = 0.005
# u_stop_mm = 0.10
# stop_step_mm = 0.5        # step to which a stop is read
# u_tip_mm = 0.02

# [closing_range]           # closing pressure you call playable, kPa
# alto = [4.0, 9.0]

# [drawing.MODEL]           # what a piece of one model shall measure
# rail_difference_mm = 0.15
# tip_opening_mm = { nominal = 1.90, lower = -0.05, upper = 0.05 }
# station = [
#     { feeler_mm = 0.038, stop_mm = 21.5, tol_mm = 0.8 },
#     { feeler_mm = 0.4, stop_mm = 14.0, tol_mm = 0.5 },
#     { feeler_mm = 0.9, stop_mm = 8.5, tol_mm = 0.5 },
# ]
"""


WORKBOOK = "house.xlsx"


def write_template(folder: Path, *, xlsx: bool = False) -> list[Path]:
    """Write a header row for every table, and a commented ``house.toml``; gives the files written.

    ``xlsx`` writes one workbook instead of csv files. Nothing is overwritten: raises SourceError, having written nothing, where
    one of the files is there already or the folder cannot be written.
    """
    files = {} if xlsx else {folder / f"{table}.csv": list(quantities(model)) for table, model in TABLES.items()}
    book, spec = folder / WORKBOOK, folder / SPEC_FILE
    everything = [*files, *([book] if xlsx else []), spec]
    taken = [path.name for path in everything if path.exists()]
    if taken:
        raise SourceError(f"{folder}: {', '.join(taken)} already there; nothing was written")
    try:
        folder.mkdir(parents=True, exist_ok=True)
        for path, columns in files.items():
            with path.open("x", encoding="utf-8", newline="") as file:
                csv.writer(file).writerow(columns)
        if xlsx:
            write_workbook_template(book)
        with spec.open("x", encoding="utf-8") as file:
            file.write(_SPEC)
    except OSError as error:
        raise SourceError(f"{folder}: cannot be written ({error.strerror})") from error
    return everything
