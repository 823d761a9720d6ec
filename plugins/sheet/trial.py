"""A test sheet: a block of fields, a blank line, a table of marks."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime, time
from typing import Any

import numpy as np
import pyarrow as pa

from rangebook.pipeline.reading import Finding, Item, Options, Rows, Said
from rangebook.pipeline.tables import END_REASONS, MARKS, TEST_KINDS, conform

from .columns import Header, columns_of, find, header, header_row, split, words
from .grid import Grid, Line
from .layout import Layout
from .register_rows import assumed, date_order_of, refuse_doubles, stray, unknown
from .times import Moment, in_utc
from .values import Place, choice, plain, value_at


def trial_items(grid: Grid, layout: Layout, options: Options) -> Iterator[Item]:
    """The test as one statement, its marks, and findings. Raises InputProblem for what a person has to mend."""
    order = date_order_of(grid)
    block, rest = _blocks(grid.lines[layout.first :])
    fields = _fields(grid, block, options.zone, order)
    row = _stated(grid, block[0], fields)
    marks = _marks(grid, rest, options.zone, order)
    moments = [row.get("started"), *marks.moments, row.get("ended")]
    numbers = [_line(fields, "started"), *marks.numbers, _line(fields, "ended")]
    try:
        utc, findings = in_utc(moments, numbers, options)
    except ValueError as problem:
        raise grid.problem(str(problem), "correct the times of the sheet", block[0].number) from problem
    yield from _block_findings(fields)
    yield from marks.findings
    yield from findings
    _refuse_backward(fields, utc[0], utc[-1])
    dated = {name: value for name, value in (("started", utc[0]), ("ended", utc[-1])) if value}
    yield Said("tests", row | dated, fields["test"].line.number)
    yield from marks.rows(utc[1:-1])


def _blocks(lines: Sequence[Line]) -> tuple[list[Line], list[Line]]:
    """The fields, and the marks behind the first blank line (or the first line that can only be their header)."""
    last = next((index for index, line in enumerate(lines) if line.blank or _heads_marks(line)), len(lines))
    return list(lines[:last]), [line for line in lines[last:] if not line.blank]


def _heads_marks(line: Line) -> bool:
    texts = [str(cell) for cell in line.cells if cell is not None]
    return len(texts) > 2 and split(texts[0])[0] in ("time", "elapsed") and find(texts[1], "marks") is not None


# ---- the block of fields ---------------------------------------------------------------------------------------


def _fields(grid: Grid, block: Sequence[Line], zone: str, order: str | None) -> dict[str, Place]:
    """The stated fields by canonical name (by their own words where unknown). Raises InputProblem for doubles."""
    fields: dict[str, Place] = {}
    for line in block:
        if line.at(0) is None or [words(cell) for cell in line.cells[:2]] == ["field", "value"]:
            continue
        one = header(grid, line, "tests", 0, str(line.at(0)))
        name = one.column.name if one.column else words(one.text)
        place = Place(grid, _joined(grid, line, one), one, zone, order)
        if name in fields:
            raise place.problem(f"is stated on line {fields[name].line.number} already", "keep one of the two lines")
        fields[name] = place
    return fields


def _joined(grid: Grid, line: Line, one: Header) -> Line:
    """The value at the header's own place; a text that was cut at its delimiters is put together again."""
    rest = [plain(cell) for cell in line.cells[1:] if cell is not None]
    if len(rest) > 1 and one.column and one.column.kind not in ("text", "words"):
        hint = "write one value; a number has a decimal point, or quotes around it"
        raise grid.problem(f"`{one.text}`: {len(rest)} cells where one is expected", hint, line.number)
    glue = "; " if one.column and one.column.kind == "words" else ", "
    return Line(line.number, (glue.join(rest) if len(rest) > 1 else line.at(1),))


def _stated(grid: Grid, top: Line, fields: Mapping[str, Place]) -> dict[str, Any]:
    """The row of the test; `started` and `ended` as written. Raises InputProblem when test or kind is missing."""
    known = {column.name: column for column in columns_of("tests").values()}
    values = {name: value_at(place, known[name]) for name, place in fields.items() if name in known}
    row = {name: value for name, value in values.items() if value is not None}
    for name, hint in (("test", "add a line such as `test,T-0117`"), ("kind", f"write one of {', '.join(TEST_KINDS)}")):
        if name not in row:
            raise grid.problem(f"the test sheet does not state `{name}`", hint, top.number)
    for name, allowed in (("kind", TEST_KINDS), ("end_reason", END_REASONS)):
        if name in row:
            row[name] = choice(fields[name], row[name], allowed)
    if isinstance(row.get("started"), time):
        raise fields["started"].problem("does not say the day", "write it like 2026-06-14 19:05")
    for name in ("started", "ended"):
        if name in row:
            _refuse_day(row[name], fields[name])
    return row


def _refuse_day(moment: Any, place: Place) -> None:
    if isinstance(moment, date) and not isinstance(moment, datetime):
        raise place.problem("does not say the time of day", "write it like 2026-06-14 19:05")


def _refuse_backward(fields: Mapping[str, Place], start: datetime | None, end: datetime | None) -> None:
    if start and end and end < start:
        raise fields["ended"].problem("the end lies before the start", "write both with their days")


def _block_findings(fields: Mapping[str, Place]) -> Iterator[Finding]:
    for place in fields.values():
        if place.line.at(0) is not None:
            yield from unknown([place.header], place.line, "a test")
            yield from assumed([place.header], place.line)


def _line(fields: Mapping[str, Place], name: str) -> int:
    return fields[name].line.number if name in fields else 0


# ---- the table of marks ----------------------------------------------------------------------------------------


@dataclass(frozen=True)
class _Marks:
    """Marks as written: values by canonical column, the moments of `time`, and the line of each."""

    columns: Mapping[str, list[Any]]
    lines: Sequence[Line]
    findings: Sequence[Finding]

    @property
    def moments(self) -> list[Moment]:
        return self.columns.get("time", [None] * len(self.lines))

    @property
    def numbers(self) -> list[int]:
        return [line.number for line in self.lines]

    def rows(self, times: Sequence[datetime | None]) -> Iterator[Item]:
        """The canonical rows, with their times in UTC."""
        if not self.lines:
            return
        arrays = {
            name: pa.array(list(times) if name == "time" else values, MARKS.field(name).type)
            for name, values in {"time": [], **self.columns}.items()
        }
        lines = self.lines
        yield Rows("marks", conform("marks", arrays), np.array(self.numbers, dtype=np.int64), lambda i: lines[i].text)


def _marks(grid: Grid, lines: Sequence[Line], zone: str, order: str | None) -> _Marks:
    if not lines:
        return _Marks({}, [], [])
    top, rows = lines[0], lines[1:]
    headers = header_row(grid, top, "marks")
    refuse_doubles(grid, top, headers)
    if not any(one.column for one in headers):
        hint = "begin it with a header such as `time,trip (mi),rest (V),note`, behind a blank line"
        raise grid.problem("the table of marks has no header that is known", hint, top.number)
    columns = {
        one.column.name: [_mark_value(Place(grid, line, one, zone, order)) for line in rows]
        for one in headers
        if one.column
    }
    return _Marks(columns, rows, [*unknown(headers, top, "the marks"), *assumed(headers, top), *stray(headers, rows)])


def _mark_value(place: Place) -> Any:
    """The value of one cell. Raises InputProblem when it cannot be, or is no time of a mark."""
    column = place.header.column
    if column is None:
        return None
    value = value_at(place, column)
    if column.kind == "moment":
        _refuse_day(value, place)
    facts = MARKS.field(column.name).metadata
    if value is not None and b"low" in facts and not float(facts[b"low"]) <= value <= float(facts[b"high"]):
        raise place.problem(f"`{plain(place.line.at(place.header.index))}` cannot be", "correct the figure or its unit")
    return value
