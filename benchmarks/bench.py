"""The figures of the project, printed as a table: ``make bench``.

Times are noisy, so speed is given as a ratio within one run. Errors on the demo house are on invented data.
"""

from __future__ import annotations

import os
import subprocess
import sys
import time
from collections.abc import Callable, Sequence
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parent))
from conftest import reference

import matchkit as mk
from matchkit.match.contacts import ContactKey, beams_for
from matchkit.match.folds import FoldTable
from matchkit.match.rated import DEFAULT_SETTINGS
from matchkit.match.validate import folds_of
from matchkit.physics.closing import LIP_SHARES
from matchkit.physics.contact import CELLS, build_beams, node_places_m, quadrature_places_m, solve_contact
from matchkit.physics.contact_nnls import DenseBeam

REPEATS = 5


def closed_form_miss() -> float:
    """Largest miss of the tip gap against the closed forms, as a share of the rest opening."""
    worst = 0.0
    for case in reference("uniform_beam_circular_lay"):
        inp = case.inputs
        length, opening, m = inp["length_mm"] * 1e-3, inp["tip_opening_mm"] * 1e-3, inp["exponent"]
        width, load = inp["width_mm"] * 1e-3, inp["load"]
        clamp = np.array([length])
        k0 = (m + 2) * opening / length**2
        x = length - node_places_m(clamp)
        second = width * (inp["thickness_mm"] * 1e-3) ** 3 / 12
        beams = build_beams(
            clamp_m=clamp,
            lay_m=k0 * length**2 / ((m + 1) * (m + 2)) * ((1 - x / length) ** (m + 2) - 1 + (m + 2) * x / length),
            second_moment_m4=np.full((1, CELLS, 3), second),
            width_m=np.array([width]),
            widening=np.zeros(1),
            lip_m=np.array([length / 2]),
            lip_spread_m=5e-3,
        )
        wrap = 2 * second * k0 / length**2 / width
        gap = float(solve_contact(beams, pressure_per_modulus=load * wrap).tip_gap_m[0]) / opening
        exact = 1 - (m + 2) / 4 * load if load <= 1 else (2 - m) / 4 * load ** (-(2 + m) / (2 - m))
        worst = max(worst, abs(gap - exact))
    return worst


def best_of(work: Callable[[], object]) -> float:
    """Shortest of a few runs, in seconds."""
    times = []
    for _ in range(REPEATS):
        start = time.perf_counter()
        work()
        times.append(time.perf_counter() - start)
    return min(times)


def solver_speed(house: mk.House) -> tuple[float, float, int]:
    """Time of a contact solution, production and independent, on what a ranking solves.

    Every alto and tenor facing with every reed shape, at the closing pressure lowered by each lip share: one block of a ranking.
    """
    workshop = house.workshop
    problems = [
        (facing, reed, ContactKey(facing.mouthpiece.id, reed.shape_key, 0.0, 10.0))
        for facing in workshop.facings
        for reed in {part.shape_key: part for part in workshop.instrument_reeds(facing.mouthpiece.instrument)}.values()
        if facing.mouthpiece.instrument in ("alto", "tenor")
    ]
    beams = beams_for(problems)
    load = beams.lay_m[:, -1] / beams.deflection_per_pressure_m()[:, -1]
    force = beams.lay_m[:, -1] / beams.deflection_per_force_m()[:, -1]
    loads = [((1 - taken) * load, taken * force) for taken in LIP_SHARES]
    dense = []
    for row, (facing, reed, _) in enumerate(problems):
        clamp = facing.lay.fair.clamp_m
        shape = reed.shape
        dense.append(
            DenseBeam(
                clamp_m=clamp,
                lay_m=beams.lay_m[row],
                second_moment_m4=shape.second_moment_m4(quadrature_places_m(np.array([clamp]))[0]),
                width_m=shape.tip_width_m,
                widening=(shape.butt_width_m - shape.tip_width_m) / shape.length_m,
                lip_m=10e-3,
                lip_spread_m=5e-3,
            )
        )

    every = beams.take(np.tile(np.arange(len(problems)), len(loads)))
    pressures = np.concatenate([pressure for pressure, _ in loads])
    forces = np.concatenate([np.broadcast_to(lip, len(problems)) for _, lip in loads])

    def production() -> None:
        solve_contact(every, pressure_per_modulus=pressures, force_per_modulus_m2=forces)

    def independent() -> None:
        for pressure, lip in loads:
            for row, beam in enumerate(dense):
                beam.solve(pressure_per_modulus=pressure[row], force_per_modulus_m2=lip[row])

    count = len(problems) * len(loads)
    return best_of(production) / count, best_of(independent) / count, count


def cold(*command: str) -> tuple[float, float]:
    """CPU seconds and peak memory in MB of a command, best of a few."""
    results = []
    for _ in range(REPEATS):
        child = subprocess.Popen(command, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
        _, _, usage = os.wait4(child.pid, 0)
        child.returncode = 0
        results.append((usage.ru_utime + usage.ru_stime, usage.ru_maxrss / 1024))
    return min(seconds for seconds, _ in results), max(memory for _, memory in results)


def errors(house: mk.House) -> list[tuple[str, float, float, float]]:
    """Mean absolute error of the average, physics alone and the blend, out of fold, on both splits."""
    tests = house.workshop.rated_tests
    table = FoldTable(tests, house.workshop.ligatures)
    rows = []
    for split in ("new player", "new mouthpiece"):
        found = table.predict(table.questions(folds_of(tests, split)), DEFAULT_SETTINGS)
        computed, blended = found.computed, found.blended
        seen = np.isfinite(blended)
        rating = tests.rating[seen]
        average = float(np.abs(rating - rating.mean()).mean())
        physics, blend = (float(np.abs(rating - guess[seen]).mean()) for guess in (computed, blended))
        rows.append((split, average, physics, blend))
    return rows


def show(rows: Sequence[tuple[str, str, str]]) -> None:
    """Print the table."""
    widths = [max(len(row[column]) for row in rows) for column in range(3)]
    for row in rows:
        print("  ".join(cell.ljust(width) for cell, width in zip(row, widths, strict=True)).rstrip())


def main() -> None:
    """Measure and print."""
    house = mk.open()
    house.rank("P01")
    mine, theirs, count = solver_speed(house)
    python = sys.executable
    own, _ = cold(python, "-c", "")
    imported, _ = cold(python, "-c", "import matchkit")
    helped, _ = cold(python, "-m", "matchkit", "--help")
    ranked, memory = cold(python, "-m", "matchkit", "rank", "P01")
    warm = best_of(lambda: house.rank("P02"))
    show(
        [
            ("figure", "found", "wanted"),
            ("contact: off the closed forms", f"{100 * closed_form_miss():.4f} % of opening", "at most 0.1 %"),
            ("contact: times faster than nnls", f"{theirs / mine:.1f} over {count} solutions", "at least 5"),
            ("contact: one solution", f"{mine * 1e6:.0f} µs, nnls {theirs * 1e6:.0f} µs", ""),
            ("import matchkit", f"{1e3 * (imported - own):.0f} ms CPU over the interpreter's {1e3 * own:.0f}", "under 50 ms"),
            ("matchkit --help", f"{1e3 * helped:.0f} ms CPU", "under 150 ms"),
            ("matchkit rank, cold", f"{ranked:.2f} s CPU", "under 3 s"),
            ("matchkit rank, memory", f"{memory:.0f} MB", "under 350 MB"),
            ("House.rank, warm", f"{1e3 * warm:.0f} ms", ""),
            ("contact problems in the demo house", f"{len(house.workshop.book)} solved once each", ""),
        ]
    )
    print("\nMean absolute error of an overall mark, out of fold, on the demo house (invented data):")
    show(
        [
            ("split", "average, physics, blend", ""),
            *((split, f"{average:.3f}  {physics:.3f}  {blend:.3f}", "") for split, average, physics, blend in errors(house)),
        ]
    )


if __name__ == "__main__":
    main()
