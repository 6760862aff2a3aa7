"""What must hold across rows and tables; each rule is a plain function that gives the problems it finds."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Iterable, Iterator
from itertools import pairwise

from matchkit import constants
from matchkit.errors import Problem
from matchkit.records.parts import Ligature, Mouthpiece, ProfilePoint, Reed, StrengthStep
from matchkit.records.people import Player, Playtest
from matchkit.records.quantity import Record, quantities
from matchkit.records.schema import REQUIRED_TABLES, TABLES
from matchkit.records.trials import Trial
from matchkit.tables.read.cells import plain, shown
from matchkit.tables.rules.facings import readings_make_sense
from matchkit.tables.rules.scans import scans_make_sense
from matchkit.tables.rules.twice import double_rows
from matchkit.tables.source import SPEC_FILE, SourceReading

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
        if table in house.tables:
            yield from double_rows(house.tables[table], model)


def references(house: SourceReading) -> Iterator[Problem]:
    """Check that an id which points to another table is there; each missing id is told once, where it first stands.

    A table that could not be read at all is not pointed at: its slips come first.
    """
    ids = {
        table: (house.tables[table].ids if table in house.tables else set()) | house.elsewhere.get(table, set())
        for table in TABLES
    }
    unusable = {table for table in REQUIRED_TABLES if table not in house.tables and table not in house.elsewhere}
    unusable |= {table for table, reading in house.tables.items() if not reading.header_read}
    for table, model in TABLES.items():
        targets = {name: quantity.refers_to for name, quantity in quantities(model).items() if quantity.refers_to}
        lost: dict[tuple[str, str, str], list[int]] = defaultdict(list)
        for row, name, value in _pointers(house, table, model, targets):
            if value is not None and targets[name] not in unusable and value not in ids[targets[name]]:
                lost[name, targets[name], value].append(row)
        for (name, target, value), unsorted in lost.items():
            rows = sorted(unsorted)
            hint = f"in {len(rows)} rows, this one first" if len(rows) > 1 else ""
            missing = "" if target in house.tables else ", which is not there"
            yield Problem(house.file(table), rows[0], name, shown(value), f"an id of {house.file(target)}{missing}", hint)


def _pointers(
    house: SourceReading, table: str, model: type[Record], names: Iterable[str]
) -> Iterator[tuple[int, str, str | None]]:
    """Yield row, column and id of every cell of a table that points to another, of rows that could not be read too."""
    for row, record in house.rows(table, model):
        yield from ((row, name, getattr(record, name)) for name in names)
    refused = house.tables[table].refused if table in house.tables else {}
    for row, ids in refused.items():
        yield from ((row, name, ids.get(name)) for name in names)


def reserved_names(house: SourceReading) -> Iterator[Problem]:
    """No player of the tables has the name of one who is in none: what is known of the one would be said of the other."""
    for row, player in house.rows("players", Player):
        if player.id == constants.VISITOR:
            meant = "it is what a player who is in no table is called"
            yield Problem(house.file("players"), row, "id", shown(player.id), "another id", meant)


def limits_in_order(house: SourceReading) -> Iterator[Problem]:
    """Check that a lower limit stands below its upper one, and that a vamp ends before the reed does."""
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
    for instrument, (low, high) in house.spec.closing_range.items():
        if not 0 < low < high:
            hint = "are the two swapped?" if low > high > 0 else ""
            yield Problem(
                SPEC_FILE,
                None,
                f"closing_range.{instrument}",
                f"[{plain(low)}, {plain(high)}]",
                "[low, high] in kPa, above 0",
                hint,
            )


def profiles_complete(house: SourceReading) -> Iterator[Problem]:
    """Check that a profile has three thicknesses or more."""
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
    """Check that a step of a strength scale says one thing: a stiffness, a modulus, or what it plays like."""
    steps = {(step.profile_id, step.strength): (row, step) for row, step in house.rows("strength_scale", StrengthStep)}
    scaled = {profile for profile, _ in steps}
    lines = {reed.profile_id for _, reed in house.rows("reeds", Reed)} - {None}
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
            other = str(step.equals_profile_id)
            if other in lines and other not in scaled:
                continue  # a line nobody measured is the house's reference
            read = f"{shown(other)} {plain(step.equals_strength or 0.0)}"
            expected = "a row of this table, or a line of reeds that has none"
            yield Problem(house.file("strength_scale"), row, "equals_profile_id", read, expected)
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
    """Warn of a stiffness read far from the tip, which says less about closing."""
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
    """Warn of a profile that does not reach from the tip to where the reed is held; it is completed with a generic one."""
    points: dict[str, list[tuple[float, int]]] = defaultdict(list)
    for row, point in house.rows("reed_profiles", ProfilePoint):
        points[point.profile_id].append((point.x_mm, row))
    for profile, found in points.items():
        (first, _), (last, row) = min(found), max(found)
        if first > PROFILE_START_MM or last < PROFILE_REACH_MM:
            read = f"{shown(profile)} from {plain(first)} to {plain(last)} mm"
            expected = "2 mm to the vamp's end; a generic profile is assumed for the rest"
            yield Problem(house.file("reed_profiles"), row, "x_mm", read, expected)


def odd_profiles(house: SourceReading) -> Iterator[Problem]:
    """Warn of a reed that does not thicken from tip to butt along its vamp, or that is no thicker in the middle than at its edges."""
    points: dict[str, list[tuple[float, float, int]]] = defaultdict(list)
    for row, point in house.rows("reed_profiles", ProfilePoint):
        points[point.profile_id].append((point.x_mm, point.thickness_mm, row))
        if point.edge_mm is not None and point.edge_mm > point.thickness_mm:
            expected = f"at most the thickness in the middle, {plain(point.thickness_mm)} mm"
            yield Problem(
                house.file("reed_profiles"), row, "edge_mm", f"{plain(point.edge_mm)} mm", expected, "are the two swapped?"
            )
    for profile, found in points.items():
        for (near, thin, _), (far, thick, row) in pairwise(sorted(found)):
            if thick < thin:
                read = f"{plain(thick)} mm at {plain(far)} mm of {shown(profile)}"
                expected = f"at least the {plain(thin)} mm read at {plain(near)} mm: a reed thickens towards the butt"
                yield Problem(house.file("reed_profiles"), row, "thickness_mm", read, expected)


def unknown_profiles(house: SourceReading) -> Iterator[Problem]:
    """Warn of a profile that was neither measured nor calibrated; it is taken as a generic one."""
    known = {point.profile_id for _, point in house.rows("reed_profiles", ProfilePoint)}
    steps = [step for _, step in house.rows("strength_scale", StrengthStep)]
    known |= {name for step in steps for name in (step.profile_id, step.equals_profile_id) if name is not None}
    told: set[str] = set()
    for row, reed in house.rows("reeds", Reed):
        if reed.profile_id is not None and reed.profile_id not in known | told:
            told.add(reed.profile_id)
            expected = "a profile of reed_profiles.csv or strength_scale.csv; a generic one is assumed"
            yield Problem(house.file("reeds"), row, "profile_id", shown(reed.profile_id), expected)


def other_instruments(house: SourceReading) -> Iterator[Problem]:
    """Warn of a player's own parts for another instrument than theirs."""
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


def scale_rises(house: SourceReading) -> Iterator[Problem]:
    """Warn of a higher strength of one profile that is not stiffer."""
    by_profile: dict[str, list[tuple[float, float, int]]] = defaultdict(list)
    for row, step in house.rows("strength_scale", StrengthStep):
        if step.stiffness_n_per_mm is not None and step.state == "dry":
            by_profile[step.profile_id].append((step.strength, step.stiffness_n_per_mm, row))
    for profile, steps in by_profile.items():
        for (low, soft, _), (high, stiff, row) in pairwise(sorted(steps)):
            if stiff <= soft:
                read = f"{plain(stiff)} N/mm for {shown(profile)} {plain(high)}"
                expected = f"more than the {plain(soft)} N/mm of strength {plain(low)}"
                yield Problem(house.file("strength_scale"), row, "stiffness_n_per_mm", read, expected)


def unrated_playtests(house: SourceReading) -> Iterator[Problem]:
    """Warn of a playtest without an overall mark, which teaches nothing."""
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


def corrections(house: SourceReading) -> Iterator[Problem]:
    """Check that a row which corrects another one stands after it, and that each row is corrected once at most (the correction may be corrected)."""
    kept: tuple[tuple[str, list[tuple[int, Playtest]] | list[tuple[int, Trial]]], ...] = (
        ("playtests", house.rows("playtests", Playtest)),
        ("trials", house.rows("trials", Trial)),
    )
    for table, rows in kept:
        first = {record.id: row for row, record in rows}
        replaced: dict[str, str] = {}
        for row, record in rows:
            old = record.corrects
            if old is None or old not in first:
                continue  # an id that is not there is told as such
            if first[old] >= row:
                yield Problem(house.file(table), row, "corrects", shown(old), "a row before this one")
            elif old in replaced:
                hint = f"{shown(replaced[old])} corrects it already: correct that one"
                yield Problem(house.file(table), row, "corrects", shown(old), "a row that nothing corrects yet", hint)
            else:
                replaced[old] = record.id


def trials_make_sense(house: SourceReading) -> Iterator[Problem]:
    """Check that the two set-ups of a trial are made of parts that are there: mouthpiece/reed or mouthpiece/reed/ligature."""
    parts = [
        (house.tables[table].ids if table in house.tables else set()) | house.elsewhere.get(table, set())
        for table in ("mouthpieces", "reeds", "ligatures")
    ]
    if not all(parts):
        return  # a table that is not there is told as such
    told: set[str] = set()
    for row, trial in house.rows("trials", Trial):
        if trial.set_a == trial.set_b:
            yield Problem(house.file("trials"), row, "set_b", shown(trial.set_b), "another set-up than set_a")
        for column in ("set_a", "set_b"):
            named = getattr(trial, column)
            ids = named.split("/")
            if named not in told and (
                len(ids) not in (2, 3) or any(item not in known for item, known in zip(ids, parts, strict=False))
            ):
                told.add(named)
                yield Problem(house.file("trials"), row, column, shown(named), "mouthpiece/reed/ligature, by their ids")


PROBLEM_RULES: tuple[Rule, ...] = (
    duplicates,
    references,
    readings_make_sense,
    scans_make_sense,
    reserved_names,
    limits_in_order,
    profiles_complete,
    scale_rows_whole,
    corrections,
    trials_make_sense,
)
WARNING_RULES: tuple[Rule, ...] = (
    far_loads,
    short_profiles,
    odd_profiles,
    unknown_profiles,
    scale_rises,
    other_instruments,
    unrated_playtests,
)
