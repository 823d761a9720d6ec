"""Headers: which column of the register, of a test or of its marks a header means, and in which unit."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache

import pyarrow as pa

from rangebook.pipeline import units
from rangebook.pipeline.tables import KEYS, REGISTER

from .grid import Cell, Grid, Line


@dataclass(frozen=True)
class Column:
    """A column a sheet may state: its canonical name, what its cells hold and their canonical unit (UCUM or "").

    kind: text, number, whole, day, instant, words (a list), moment (time of day or date-time), elapsed.
    """

    name: str
    kind: str
    unit: str = ""


@dataclass(frozen=True)
class Header:
    """A header as written, at its place in the row, and what it means; `column` is None when nobody knows.

    canonical = value * factor + offset. assumed: the unit was not written and only one is usual.
    """

    index: int
    text: str
    column: Column | None = None
    unit: str | None = None
    factor: float = 1.0
    offset: float = 0.0
    assumed: bool = False


# Endings of canonical names and the units they stand for, longest first.
_ENDINGS = {
    "_metre_per_second": "m/s", "_celsius": "Cel", "_percent": "%", "_ampere": "A", "_second": "s", "_metre": "m",
    "_volt": "V", "_watt": "W", "_kg": "kg", "_mm": "mm", "_ah": "A.h",
}  # fmt: skip
_SPELLINGS = {
    "rated_hours": ("rated hours", "h"),
    "warranty_years": ("warranty", "year"),
    "started": ("from", ""),
    "ended": ("until", ""),
}
# Few synonyms, all the trade's own words.
_SYNONYMS = {
    "weight": "mass", "tire diameter": "tyre diameter", "capacity": "rated capacity", "notes": "note",
    "remarks": "note", "to": "until", "start": "from", "end": "until", "distance": "trip", "soc": "state of charge",
    "rest voltage": "rest", "loaded voltage": "loaded", "pack temperature": "pack", "ambient temperature": "ambient",
}  # fmt: skip
_USUAL = frozenset({"V", "A", "A.h", "W", "s", "h", "%", "year"})
"""Units that go without saying; of a mass, a length, a speed or a temperature nobody can know."""

_TESTS = {
    "test": Column("test", "text"),
    "kind": Column("kind", "text"),
    "cart": Column("cart", "text"),
    "pack": Column("pack", "text"),
    "settings": Column("settings", "text"),
    "start": Column("started", "moment"),
    "end": Column("ended", "moment"),
    "end reason": Column("end_reason", "text"),
    "payload": Column("payload_kg", "number", "kg"),
    "ambient": Column("ambient_celsius", "number", "Cel"),
    "route": Column("route", "text"),
    "logs": Column("logs", "words"),
    "note": Column("note", "text"),
}
_MARKS = {
    "time": Column("time", "moment"),
    "elapsed": Column("elapsed_second", "elapsed", "s"),
    "trip": Column("distance_metre", "number", "m"),
    "rest": Column("rest_voltage_volt", "number", "V"),
    "loaded": Column("loaded_voltage_volt", "number", "V"),
    "average speed": Column("average_speed_metre_per_second", "number", "m/s"),
    "top speed": Column("top_speed_metre_per_second", "number", "m/s"),
    "pack": Column("temperature_t1_celsius", "number", "Cel"),
    "ambient": Column("ambient_temperature_celsius", "number", "Cel"),
    "state of charge": Column("state_of_charge_percent", "number", "%"),
    "note": Column("note", "text"),
}
_BRACKETED = re.compile(r"(.*?)\s*[(\[]\s*([^()\[\]]*?)\s*[)\]]\s*:?")


@cache
def columns_of(table: str) -> Mapping[str, Column]:
    """Words of a header (see `words`) to the column they mean, for a register table, `tests` or `marks`."""
    if table in ("tests", "marks"):
        return _TESTS if table == "tests" else _MARKS
    return dict(_spelled(name, kind) for name, kind in REGISTER[table].items())


def _spelled(name: str, kind: pa.DataType) -> tuple[str, Column]:
    ending = next((end for end in _ENDINGS if name.endswith(end)), "")
    spelling, unit = _SPELLINGS.get(name, (name.removesuffix(ending).replace("_", " "), _ENDINGS.get(ending, "")))
    return spelling, Column(name, _kind(kind), unit)


def _kind(kind: pa.DataType) -> str:
    kinds = {pa.float64(): "number", pa.int32(): "whole", pa.date32(): "day", pa.string(): "text"}
    return kinds.get(kind, "instant")


def words(text: Cell) -> str:
    """A header or a choice in the one way it is compared: lower case, without hyphens, underscores and colons."""
    return " ".join(re.sub(r"[-_:\s]+", " ", "" if text is None else str(text)).casefold().split())


def split(text: str) -> tuple[str, str | None]:
    """Words and unit of a header; the unit is None when no brackets stand at its end."""
    found = _BRACKETED.fullmatch(text)
    return (words(found[1]), found[2] or None) if found else (words(text), None)


def find(text: str, table: str) -> Column | None:
    """The column of `table` that a header means, or None."""
    name = split(text)[0]
    known = columns_of(table)
    return known.get(name) or known.get(_SYNONYMS.get(name, "")) or _canonical(name, table)


def _canonical(name: str, table: str) -> Column | None:
    return next((column for column in columns_of(table).values() if words(column.name) == name), None)


def header_row(grid: Grid, line: Line, table: str) -> list[Header]:
    """The headers of a line, read as those of `table`. Raises InputProblem for a unit that is missing or wrong."""
    return [header(grid, line, table, index, str(cell)) for index, cell in enumerate(line.cells) if cell is not None]


def header(grid: Grid, line: Line, table: str, index: int, text: str) -> Header:
    """One header, read as one of `table`. Raises InputProblem for a unit that is missing or wrong."""
    column, unit = find(text, table), split(text)[1]
    if column is None:
        return Header(index, text, None, unit)
    if not column.unit:
        return Header(index, text, column, unit)
    if unit is None:
        return _without_unit(grid, line, index, text, column)
    try:
        factor, offset = units.conversion(unit, column.unit)
    except units.UnknownUnit as problem:
        raise grid.problem(f"header `{text}`: {problem}", problem.hint, line.number) from problem
    return Header(index, text, column, unit, factor, offset)


def _without_unit(grid: Grid, line: Line, index: int, text: str, column: Column) -> Header:
    """A header without brackets: its canonical name tells the unit, elapsed times do, or only one is usual."""
    if words(text) == words(column.name):
        return Header(index, text, column, column.unit)
    if column.kind == "elapsed":
        return Header(index, text, column)
    if column.unit not in _USUAL:
        signs = {"kg": "kg or lb", "m": "m, km or mi", "mm": "mm or in", "m/s": "mph or km/h", "Cel": "C or F"}
        hint = f"write the unit in brackets behind it: {signs[column.unit]}"
        raise grid.problem(f"header `{text}` does not say its unit", hint, line.number)
    return Header(index, text, column, column.unit, assumed=True)


def needed(table: str) -> list[str]:
    """Columns a row of `table` cannot do without: its key, but for the start of a stay."""
    return [name for name in KEYS[table] if name != "started"]
