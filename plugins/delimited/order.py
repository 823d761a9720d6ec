"""Whether dates such as 04/05/2026 are day first or month first: decided over the whole file, or not at all."""

from __future__ import annotations

import pyarrow as pa

from rangebook.pipeline.errors import InputProblem
from rangebook.pipeline.original import Original

from .chunks import chunks
from .columns import Column
from .parse import Layout, parse
from .written import order_evidence

DAY_FIRST, MONTH_FIRST = "day-first", "month-first"


def date_order(original: Original, layout: Layout, column: Column) -> str | None:
    """The order that every date of `column` has, None when its first dates start with the year.

    A pass over that column alone. Raises InputProblem when the file's dates can be read both ways, or when
    some can be read only one way and some only the other.
    """
    shown = pa.array(layout.dialect.cells(column.position), pa.string())
    if not order_evidence(shown)[2]:
        return None
    only = Layout(layout.dialect, [column], {}, layout.missing)
    day_line = month_line = None
    for chunk in chunks(original, layout.dialect):
        parsed = parse(chunk, only)
        day_rows, month_rows, _ = order_evidence(parsed.cells[column.position])
        lines = parsed.lines
        day_line = day_line or _first(lines, day_rows)
        month_line = month_line or _first(lines, month_rows)
    return _decided(column, day_line, month_line)


def _first(lines: pa.Array, rows: pa.Array) -> int | None:
    return int(lines[rows.min()]) if len(rows) else None


def _decided(column: Column, day_line: int | None, month_line: int | None) -> str:
    hint = 'say it in a map:\n[time]\ndate_order = "day-first"     # or "month-first"'
    if day_line and month_line:
        what = f"`{column.name}` is day first on line {day_line} and month first on line {month_line}"
        raise InputProblem(what, "the file mixes two orders; part it, or mend the lines")
    if day_line:
        return DAY_FIRST
    if month_line:
        return MONTH_FIRST
    raise InputProblem(f"every date in `{column.name}` can be read day first or month first", hint)
