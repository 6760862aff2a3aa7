"""What must hold across rows and tables; each rule is a plain function that gives the problems it finds."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Iterator
from itertools import pairwise

from matchkit import constants
from matchkit.errors import Problem
from matchkit.records.parts import FacingReading, Ligature, Mouthpiece, ProfilePoint, Reed, StrengthStep
from matchkit.records.people import Player, Playtest
from matchkit.records.quantity import quantities
from matchkit.records.schema import TABLES
from matchkit.tables.cells import plain, shown
from matchkit.tables.store import SPEC_FILE, SourceReading

MAX_RAIL_DIFFERENCE_MM = 1.0
MAX_TIP_MISS_MM = 0.25
FACING_ENDS_MM = (8.0, 60.0)
PROFILE_REACH_MM = 20.0
PROFILE_START_MM = 3.0

Rule = Callable[[SourceReading], Iterator[Problem]]


def check_house(house: SourceReading) -> None:
    """Run every rule, adding to the problems and warnings of a reading."""
    for rule in PROBLEM_RULES:
        house.problems.extend(rule(house))
    for rule in WARNING_RULES:
        house.warnings.extend(rule(house))


def duplicates(house: SourceReading) -> Iterator[Problem]:
    """No two rows may share their key."""
    for table, model in TABLES.items():
        seen: dict[tuple[object, ...], int] = {}
        for row, record in house.rows(table, model):
            key = tuple(getattr(record, name) for name in model.key)
            if model is FacingReading and key[-1] is None:
                continue  # unnumbered repeats are averaged
            if key in seen:
                what = ", ".join(shown(str(part)) for part in key)
                yield Problem(house.file(table), row, model.key[0], what, "each one once", f"row {seen[key]} has it already")
            else:
                seen[key] = row


def references(house: SourceReading) -> Iterator[Problem]:
    """An id that points to another table must be there."""
    ids = {table: {getattr(record, "id", None) for _, record in house.rows(table, model)} for table, model in TABLES.items()}
    broken = {table for table, reading in house.tables.items() if reading.problems}
    for table, model in TABLES.items():
        targets = {name: quantity.refers_to for name, quantity in quantities(model).items() if quantity.refers_to}
        for row, record in house.rows(table, model):
            for name, target in targets.items():
                value = getattr(record, name)
                if value is not None and target not in broken and value not in ids[target]:
                    yield Problem(house.file(table), row, name, shown(value), f"an id of {house.file(target)}")


def _mean_stops(house: SourceReading) -> dict[tuple[str, str], dict[float, tuple[float, int]]]:
    """Give mean stop and last row for each mouthpiece, rail and feeler."""
    stops: dict[tuple[str, str], dict[float, list[tuple[float, int]]]] = defaultdict(lambda: defaultdict(list))
    for row, reading in house.rows("facings", FacingReading):
        stops[reading.mouthpiece_id, reading.rail][reading.feeler_mm].append((reading.stop_mm, row))
    return {
        rail: {
            feeler: (sum(stop for stop, _ in taken) / len(taken), max(row for _, row in taken))
            for feeler, taken in sorted(readings.items())
        }
        for rail, readings in stops.items()
    }


def readings_increase(house: SourceReading) -> Iterator[Problem]:
    """A thicker leaf stops nearer the tip."""
    for (_, rail), readings in _mean_stops(house).items():
        items = list(readings.items())
        for (thin, (far, _)), (thick, (near, row)) in pairwise(items):
            if near >= far:
                yield Problem(
                    house.file("facings"),
                    row,
                    "stop_mm",
                    f"{plain(near)} mm for the {plain(thick)} mm leaf",
                    f"less than the {plain(far)} mm of the {plain(thin)} mm leaf on the {rail} rail",
                    "are two readings swapped?",
                )


def tip_agrees(house: SourceReading) -> Iterator[Problem]:
    """The readings, carried on to the tip, agree with the tip opening.

    In sqrt(height) an arc is nearly straight, so the two thickest leaves of a rail are carried on in it.
    """
    tips = {record.id: (row, record.tip_opening_mm) for row, record in house.rows("mouthpieces", Mouthpiece)}
    for (piece, rail), readings in _mean_stops(house).items():
        if piece not in tips:
            continue
        row, tip = tips[piece]
        thick = sorted(readings, reverse=True)
        if thick[0] >= tip:
            yield Problem(
                house.file("facings"),
                readings[thick[0]][1],
                "feeler_mm",
                f"{plain(thick[0])} mm",
                f"less than the tip opening, {plain(tip)} mm in row {row} of {house.file('mouthpieces')}",
            )
        elif len(thick) > 1:
            (x0, _), (x1, _) = readings[thick[0]], readings[thick[1]]
            if x1 <= x0:
                continue
            root = thick[0] ** 0.5 + (thick[0] ** 0.5 - thick[1] ** 0.5) / (x1 - x0) * x0
            if abs(root**2 - tip) > max(MAX_TIP_MISS_MM, 0.15 * tip):
                yield Problem(
                    house.file("mouthpieces"),
                    row,
                    "tip_opening_mm",
                    f"{plain(tip)} mm",
                    f"about {root**2:.2f} mm, where the {rail} rail's readings lead",
                    "measure the tip again, or look for a slip in the readings",
                )


def facing_leaves_the_table(house: SourceReading) -> Iterator[Problem]:
    """The thickest leaf and the tip opening lead to a place where the facing can leave the table.

    In sqrt(height) an arc is nearly straight; carried on to nothing it must end between 8 and 60 mm from the tip.
    """
    tips = {record.id: record.tip_opening_mm for _, record in house.rows("mouthpieces", Mouthpiece)}
    for (piece, rail), readings in _mean_stops(house).items():
        thick = max(readings)
        stop, row = readings[thick]
        if piece not in tips or thick >= tips[piece]:
            continue
        end = stop / (1 - (thick / tips[piece]) ** 0.5)
        if not FACING_ENDS_MM[0] <= end <= FACING_ENDS_MM[1]:
            yield Problem(
                house.file("facings"),
                row,
                "stop_mm",
                f"{plain(stop)} mm for the {plain(thick)} mm leaf on the {rail} rail",
                f"a facing that ends {plain(FACING_ENDS_MM[0])} to {plain(FACING_ENDS_MM[1])} mm from the tip; this one would at {end:.0f} mm",
                "half millimetres, or another leaf?",
            )


def rails_agree(house: SourceReading) -> Iterator[Problem]:
    """The same leaf stops within 1 mm on both rails; more is a slip of the reading, not a facing."""
    stops = _mean_stops(house)
    for (piece, rail), left in stops.items():
        right = stops.get((piece, "right")) if rail == "left" else None
        for feeler in sorted(set(left) & set(right or {})):
            (here, _), (there, row) = left[feeler], (right or {})[feeler]
            if abs(here - there) > MAX_RAIL_DIFFERENCE_MM:
                yield Problem(
                    house.file("facings"),
                    row,
                    "stop_mm",
                    f"{plain(there)} mm right, {plain(here)} mm left for the {plain(feeler)} mm leaf",
                    f"rails within {plain(MAX_RAIL_DIFFERENCE_MM)} mm",
                    "half millimetres in one of them?"
                    if 1.7 < max(here, there) / min(here, there) < 2.3
                    else "read both again",
                )


def limits_in_order(house: SourceReading) -> Iterator[Problem]:
    """A lower limit stands below its upper one, a vamp ends before the reed does."""
    for row, ligature in house.rows("ligatures", Ligature):
        low, high = ligature.min_diameter_mm, ligature.max_diameter_mm
        if low is not None and high is not None and low > high:
            yield Problem(
                house.file("ligatures"),
                row,
                "max_diameter_mm",
                f"{plain(high)} mm",
                f"at least min_diameter_mm, {plain(low)} mm",
                "are the two swapped?",
            )
    for row, reed in house.rows("reeds", Reed):
        vamp, length = reed.vamp_length_mm, reed.length_mm
        if vamp is not None and length is not None and vamp >= length:
            yield Problem(
                house.file("reeds"), row, "vamp_length_mm", f"{plain(vamp)} mm", f"less than the length, {plain(length)} mm"
            )
        clamp = reed.stiffness_clamp_mm or constants.STIFFNESS_CLAMP[reed.instrument]
        load = constants.STIFFNESS_LOAD.value if reed.stiffness_load_mm is None else reed.stiffness_load_mm
        if load >= clamp:
            yield Problem(
                house.file("reeds"),
                row,
                "stiffness_load_mm",
                f"{plain(load)} mm",
                f"less than the clamp's place, {plain(clamp)} mm",
            )
    for instrument, (low, high) in house.spec.window.items():
        if not 0 < low < high:
            yield Problem(
                SPEC_FILE,
                None,
                f"window.{instrument}",
                f"[{plain(low)}, {plain(high)}]",
                "[low, high] in kPa",
                "are the two swapped?",
            )


def profiles_complete(house: SourceReading) -> Iterator[Problem]:
    """A profile needs three thicknesses or more."""
    points: dict[str, list[int]] = defaultdict(list)
    for row, point in house.rows("reed_profiles", ProfilePoint):
        points[point.profile_id].append(row)
    for profile, rows in points.items():
        if len(rows) < 3:
            hint = "2, 5, 10, 15, 20, 30 mm and the vamp's end are a good set"
            yield Problem(
                house.file("reed_profiles"),
                rows[-1],
                "profile_id",
                f"{len(rows)} points for {shown(profile)}",
                "three or more",
                hint,
            )


def scale_rows_whole(house: SourceReading) -> Iterator[Problem]:
    """A step of a strength scale says one thing: a stiffness, a modulus, or what it plays like."""
    steps = {(step.profile_id, step.strength): (row, step) for row, step in house.rows("strength_scale", StrengthStep)}
    for row, step in steps.values():
        likeness = step.equals_profile_id is not None or step.equals_strength is not None
        said = [step.stiffness_n_per_mm is not None, step.modulus_gpa is not None, likeness]
        if sum(said) != 1:
            expected = "one of stiffness_n_per_mm, modulus_gpa, or equals_profile_id with equals_strength"
            yield Problem(house.file("strength_scale"), row, None, f"{sum(said)} of them", expected)
        elif likeness and (step.equals_profile_id is None or step.equals_strength is None):
            yield Problem(
                house.file("strength_scale"),
                row,
                "equals_strength",
                "half of a likeness",
                "equals_profile_id with equals_strength",
            )
        elif likeness and (step.equals_profile_id, step.equals_strength) not in steps:
            read = f"{shown(str(step.equals_profile_id))} {plain(step.equals_strength or 0.0)}"
            yield Problem(house.file("strength_scale"), row, "equals_profile_id", read, "a row of this table")
        elif likeness and _goes_round(step, {key: found for key, (_, found) in steps.items()}):
            yield Problem(
                house.file("strength_scale"),
                row,
                "equals_profile_id",
                "a likeness that leads back to itself",
                "a measured row at its end",
            )


def _goes_round(step: StrengthStep, steps: dict[tuple[str, float], StrengthStep]) -> bool:
    seen = {(step.profile_id, step.strength)}
    while step.equals_profile_id is not None and step.equals_strength is not None:
        key = (step.equals_profile_id, step.equals_strength)
        if key in seen:
            return True
        if key not in steps:
            return False
        seen.add(key)
        step = steps[key]
    return False


def far_loads(house: SourceReading) -> Iterator[Problem]:
    """A stiffness read far from the tip says less about closing."""
    for row, reed in house.rows("reeds", Reed):
        load = reed.stiffness_load_mm
        if reed.stiffness_n_per_mm is not None and load is not None and load > constants.STIFFNESS_LOAD_FAR.value:
            yield Problem(
                house.file("reeds"),
                row,
                "stiffness_load_mm",
                f"{plain(load)} mm",
                f"{plain(constants.STIFFNESS_LOAD.value)} mm; further back the closing pressure is about twice as uncertain",
            )


def short_profiles(house: SourceReading) -> Iterator[Problem]:
    """A profile that does not reach from the tip to where the reed is held is completed with a generic one."""
    points: dict[str, list[tuple[float, int]]] = defaultdict(list)
    for row, point in house.rows("reed_profiles", ProfilePoint):
        points[point.profile_id].append((point.x_mm, row))
    for profile, found in points.items():
        (first, _), (last, row) = min(found), max(found)
        if first > PROFILE_START_MM or last < PROFILE_REACH_MM:
            read = f"{shown(profile)} from {plain(first)} to {plain(last)} mm"
            expected = "2 mm to the vamp's end; a generic profile is assumed for the rest"
            yield Problem(house.file("reed_profiles"), row, "x_mm", read, expected)


def unknown_profiles(house: SourceReading) -> Iterator[Problem]:
    """A profile that was neither measured nor calibrated is taken as a generic one."""
    known = {point.profile_id for _, point in house.rows("reed_profiles", ProfilePoint)}
    known |= {step.profile_id for _, step in house.rows("strength_scale", StrengthStep)}
    told: set[str] = set()
    for row, reed in house.rows("reeds", Reed):
        if reed.profile_id is not None and reed.profile_id not in known | told:
            told.add(reed.profile_id)
            expected = "a profile of reed_profiles.csv or strength_scale.csv; a generic one is assumed"
            yield Problem(house.file("reeds"), row, "profile_id", shown(reed.profile_id), expected)


def other_instruments(house: SourceReading) -> Iterator[Problem]:
    """A player's own parts are usually for their own instrument."""
    made: dict[str, dict[str, str]] = {
        "mouthpiece_id": {record.id: record.instrument for _, record in house.rows("mouthpieces", Mouthpiece)},
        "reed_id": {record.id: record.instrument for _, record in house.rows("reeds", Reed)},
    }
    for row, player in house.rows("players", Player):
        for name, parts in made.items():
            part = getattr(player, name)
            if part in parts and parts[part] != player.instrument:
                yield Problem(
                    house.file("players"), row, name, f"{shown(part)}, for {parts[part]}", f"a part for {player.instrument}"
                )
    plays = {player.id: player.instrument for _, player in house.rows("players", Player)}
    for row, test in house.rows("playtests", Playtest):
        piece = made["mouthpiece_id"].get(test.mouthpiece_id)
        if piece is not None and test.player_id in plays and plays[test.player_id] != piece:
            read = f"{shown(test.mouthpiece_id)}, for {piece}"
            expected = f"a part for {plays[test.player_id]}, the player's instrument; the test is kept and not learned from"
            yield Problem(house.file("playtests"), row, "mouthpiece_id", read, expected)


def unrated_playtests(house: SourceReading) -> Iterator[Problem]:
    """A playtest without an overall mark teaches nothing."""
    rows = [row for row, test in house.rows("playtests", Playtest) if test.overall is None]
    if rows:
        read = f"no mark in {len(rows)} rows" if len(rows) > 1 else "no mark"
        yield Problem(
            house.file("playtests"),
            rows[0],
            "overall",
            read,
            "a mark from 0 to 10; without it the row is kept and not learned from",
        )


PROBLEM_RULES: tuple[Rule, ...] = (
    duplicates,
    references,
    readings_increase,
    tip_agrees,
    facing_leaves_the_table,
    rails_agree,
    limits_in_order,
    profiles_complete,
    scale_rows_whole,
)
WARNING_RULES: tuple[Rule, ...] = (far_loads, short_profiles, unknown_profiles, other_instruments, unrated_playtests)
