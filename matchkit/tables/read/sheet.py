"""Rows of text become records: header matched to fields, cells parsed, everything that is wrong collected."""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

from matchkit.errors import Problem
from matchkit.names import nearly
from matchkit.records.building import build
from matchkit.records.quantity import OtherUnit, Quantity, Record, quantities
from matchkit.tables.read.cells import CellType, Refusal, cell_type, parse_cell, plain, shown, units_of_all

MAX_ROWS = 1_000_000


class NumberCell(str):
    """A cell that a spreadsheet holds as a number; a text column must not have one, or 007 has become 7."""

    __slots__ = ()


@dataclass
class Reading:
    """What a file gave: records with the row each stood in, what is wrong, and what is merely odd."""

    source: str
    records: list[Record] = field(default_factory=list)
    rows: list[int] = field(default_factory=list)
    problems: list[Problem] = field(default_factory=list)
    warnings: list[Problem] = field(default_factory=list)
    last_row: int = 1
    ids: set[str] = field(default_factory=set)
    """Every id that stands in the file, of refused rows too."""
    header_read: bool = False
    beyond: dict[str, list[tuple[Problem, float]]] = field(default_factory=dict)
    """Numbers out of range, by column, with what was said of each."""
    numbers: Counter[str] = field(default_factory=Counter)
    """How many cells of each column were filled in."""
    in_another_unit: bool = False
    """Whether a whole column is out of range: what the rest of the table says then follows from that."""
    refused: dict[int, dict[str, str]] = field(default_factory=dict)
    """Rows that could not be read, with the ids that stand in them."""


@dataclass(frozen=True)
class _Column:
    """A column of the file and the field it fills."""

    place: int
    header: str
    name: str
    kind: CellType
    quantity: Quantity
    other: OtherUnit | None


def take_rows(rows: Iterator[list[str]], model: type[Record], reading: Reading, *, decimal_comma: bool) -> None:
    """Read a header and its rows into ``reading``; rows count from 1, blank ones too."""
    header = next(rows, None)
    if header is None or not any(cell.strip() for cell in header):
        reading.problems.append(Problem(reading.source, 1, None, "an empty first row", "a header row with column names"))
        return
    columns = _columns(header, model, reading)
    if reading.problems:
        return
    reading.header_read = True
    for number, cells in enumerate(rows, start=2):
        if number > MAX_ROWS:
            reading.problems.append(Problem(reading.source, number, None, "more rows", f"at most {MAX_ROWS} rows"))
            return
        reading.last_row = number
        if any(cell.strip() for cell in cells):
            _read_row(number, cells, columns, model, reading, len(header), decimal_comma=decimal_comma)
    for column in columns:
        _told_once(column, reading, [other for other in columns if other is not column])
        _told_of_pieces(column, reading, [other for other in columns if other is not column])


WHOLE_COLUMN = 8
"""From so many numbers on, most of them out of range, a column is told as a whole."""

FACTORS = {"mm": (10.0, 25.4, 39.37, 100.0, 1000.0)}
OTHERWISE = (9.80665, 10.0, 100.0, 1000.0)
"""How units are mistaken: the decimal point, inches and thousandths of them; else kilograms and newtons."""


def _told_once(column: _Column, reading: Reading, others: Sequence[_Column]) -> None:
    """Tell a column most of whose numbers are out of range once, with the factors that would bring it in, or the column that it was exchanged with."""
    beyond, low, high = reading.beyond.get(column.header, []), column.quantity.low, column.quantity.high
    if len(beyond) < WHOLE_COLUMN or 3 * len(beyond) <= reading.numbers[column.header] or low is None or high is None:
        return
    exchanged = next((other for other in others if _exchanged(column, other, reading)), None)
    theirs = [] if exchanged is None else reading.beyond.pop(exchanged.header, [])
    gone = {id(problem) for problem, _ in (*beyond, *theirs)}
    first, _ = beyond[0]
    middle = sorted(number for _, number in beyond)[len(beyond) // 2]
    factors = FACTORS.get(column.quantity.unit, OTHERWISE)
    ways = [f"divide by {plain(factor)}" for factor in factors if low <= middle / factor <= high]
    ways += [f"multiply by {plain(factor)}" for factor in factors if low <= middle * factor <= high]
    hint = f"is the whole column in another unit? {' or '.join(ways[:2])} would bring it in" if ways else ""
    if middle < 0 and low <= -middle <= high:
        hint = "is the sign of the whole column turned round?"
    if exchanged is not None:
        hint = f"are {column.header} and {exchanged.header} exchanged?"
    read = f"{len(beyond)} of {reading.numbers[column.header]} numbers out of range, such as {first.read}"
    kept = [problem for problem in reading.problems if id(problem) not in gone]
    reading.in_another_unit = True
    reading.problems[:] = [*kept, Problem(reading.source, first.row, column.header, read, first.expected, hint, of_all=True)]


def _exchanged(one: _Column, other: _Column, reading: Reading) -> bool:
    """Tell two columns whose numbers out of range would each be within that of the other one."""
    for mine, its in ((one, other), (other, one)):
        beyond = reading.beyond.get(mine.header, [])
        if not beyond or not all(_within(number, its.quantity) for _, number in beyond):
            return False
    return True


def _within(number: float, quantity: Quantity) -> bool:
    return quantity.low is not None and quantity.high is not None and quantity.low <= number <= quantity.high


def _by_piece(column: _Column, reading: Reading) -> dict[str, list[tuple[Problem, float]]]:
    """Return the numbers of a column that are out of range, by the piece of their rows."""
    rows: dict[str, list[tuple[Problem, float]]] = defaultdict(list)
    for problem, number in reading.beyond.get(column.header, []):
        owner = "" if problem.row is None else reading.refused.get(problem.row, {}).get("mouthpiece_id", "")
        if owner and not problem.of_all:
            rows[owner].append((problem, number))
    return rows


def _turned(
    one: _Column, other: _Column, mine: Sequence[tuple[Problem, float]], theirs: Sequence[tuple[Problem, float]]
) -> _Column | None:
    """Return the other column where the numbers of a piece in both would each be within range in the other one, some of them in one row."""
    rows = {problem.row for problem, _ in mine} & {problem.row for problem, _ in theirs}
    fit = all(_within(number, other.quantity) for _, number in mine) and all(
        _within(number, one.quantity) for _, number in theirs
    )
    return other if rows and fit else None


PIECE_ROWS = 3
"""From so many rows of one piece on, all out of range, the piece is told to be in another unit."""


def _told_of_pieces(column: _Column, reading: Reading, others: Sequence[_Column]) -> None:
    """Tell the rows of a piece that are out of range, and all come in by one unit or in another column, as one slip with one hint."""
    beyond, rows = reading.beyond.get(column.header, []), _by_piece(column, reading)
    told: dict[int, Problem] = {}
    gone: set[int] = set()
    for owner, mine in rows.items():
        turned = next(
            (theirs for other in others if (theirs := _turned(column, other, mine, _by_piece(other, reading).get(owner, [])))),
            None,
        )
        if turned is not None:
            hint = f"are {column.header} and {turned.header} exchanged?"
            told |= {id(problem): replace(problem, hint=hint, cause=hint) for problem, _ in mine}
            gone |= {id(problem) for problem, _ in _by_piece(turned, reading)[owner]}
            reading.beyond[turned.header] = [one for one in reading.beyond[turned.header] if id(one[0]) not in gone]
            continue
        units = units_of_all([number for _, number in mine], column.quantity) if len(mine) >= PIECE_ROWS else []
        if units:
            hint = f"all {len(mine)} of {owner} would be right as {' or '.join(units)}"
            told |= {id(problem): replace(problem, hint=hint, cause=f"all as {units}") for problem, _ in mine}
    if not told:
        return
    reading.problems[:] = [told.get(id(problem), problem) for problem in reading.problems if id(problem) not in gone]
    reading.beyond[column.header] = [(told.get(id(problem), problem), number) for problem, number in beyond]


def _columns(header: list[str], model: type[Record], reading: Reading) -> list[_Column]:
    """Match the header to the fields; names are compared without regard to case."""
    described = quantities(model)
    kinds = {name: cell_type(info.annotation) for name, info in model.model_fields.items()}
    other = {unit.column: (name, unit) for name, quantity in described.items() for unit in quantity.accepts}
    columns: list[_Column] = []
    strange: list[str] = []
    for place, cell in enumerate(header):
        title = "".join(character for character in cell.strip() if character.isprintable())
        if not title:
            continue
        name, unit = other.get(title.lower(), (title.lower(), None))
        if name not in described:
            strange.append(title)
        elif any(column.name == name for column in columns):
            expected = f"one column for {name}"
            reading.problems.append(Problem(reading.source, 1, title, shown(title), expected, "two columns say the same thing"))
        else:
            columns.append(_Column(place, title, name, kinds[name], described[name], unit))
    present = {column.name for column in columns}
    for name, info in model.model_fields.items():
        if info.is_required() and name not in present:
            near = _near(name, strange)
            if near is not None:
                strange.remove(near)
            hint = f"is it the column {near}?" if near else ""
            reading.problems.append(Problem(reading.source, 1, name, "no such column", f"a column {name}", hint))
    for title in strange:
        near = _near(title, [*(name for name in described if name not in present), *other])
        expected = "a column of this table; it was left out"
        hint = f"did you mean {near}?" if near else ""
        reading.warnings.append(Problem(reading.source, 1, title, shown(title), expected, hint))
    return columns


def _near(word: str, others: list[str]) -> str | None:
    return next(iter(nearly(word.lower(), others, most=1, alike=0.75)), None)


def _read_row(
    number: int,
    cells: list[str],
    columns: list[_Column],
    model: type[Record],
    reading: Reading,
    width: int,
    *,
    decimal_comma: bool,
) -> None:
    spare = [cell for cell in cells[width:] if cell.strip()]
    if spare:
        hint = "a comma inside a number or a name needs quotes"
        reading.problems.append(Problem(reading.source, number, None, f"{len(cells)} cells", f"{width} cells", hint))
        named = ((column.name, cells[column.place].strip()) for column in columns if _is_id(column.name))
        reading.refused[number] = {name: text for name, text in named if text}
        return
    found: list[Problem] = []
    values: dict[str, Any] = {}
    for column in columns:
        text = cells[column.place] if column.place < len(cells) else ""
        if not text.strip():
            if model.model_fields[column.name].is_required():
                expected = f"a value: {column.quantity.meaning}"
                found.append(Problem(reading.source, number, column.header, "nothing", expected))
            continue
        reading.numbers[column.header] += 1
        value = _value(text, column, reading, decimal_comma=decimal_comma)
        if isinstance(value, Refusal):
            read = value.read or shown(text)
            found.append(Problem(reading.source, number, column.header, read, value.expected, value.hint, value.cause))
            if value.beyond is not None:
                reading.beyond.setdefault(column.header, []).append((found[-1], value.beyond))
        else:
            values[column.name] = value
    if found:
        reading.problems.extend(found)
        reading.refused[number] = _ids(values)
        return
    record = build(model, values)
    if isinstance(record, list):  # the schema knows more than the cell parser: keep its own words
        reading.refused[number] = _ids(values)
        reading.problems.extend(
            Problem(reading.source, number, slip.field or None, shown(slip.read) if slip.read else "this row", slip.expected)
            for slip in record
        )
        return
    reading.records.append(record)
    reading.rows.append(number)


def _is_id(name: str) -> bool:
    return name == "id" or name.endswith("_id")


def _ids(values: Mapping[str, Any]) -> dict[str, str]:
    return {name: str(value) for name, value in values.items() if _is_id(name)}


def _value(text: str, column: _Column, reading: Reading, *, decimal_comma: bool) -> Any | Refusal:
    """Parse one cell; ids lose blanks around them and are noted, whatever becomes of their row."""
    if _is_id(column.name):
        if isinstance(text, NumberCell):
            hint = "format the column as text and type it again: a number loses zeros before it"
            return Refusal("an id as text", hint, read=f"the number {text}", cause="number")
        text = text.strip()
        if column.name == "id":
            reading.ids.add(text)
    return parse_cell(text, column.kind, column.quantity, other=column.other, decimal_comma=decimal_comma)
