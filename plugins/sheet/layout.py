"""What a grid is: a register table, a test sheet, or neither."""

from __future__ import annotations

from dataclasses import dataclass

from .columns import Column, find, needed, split, words
from .grid import Cell, Grid, Line

_TABLES = ("carts", "packs", "fitments", "settings", "loggers", "instruments")
_FREE = frozenset({"settings"})
"""Tables that take any further columns."""
_CLOCKS = frozenset({"time", "date", "timestamp", "datetime", "elapsed", "seconds", "t"})
"""A table with such a column tells a course of time, which no register table does."""


@dataclass(frozen=True)
class Layout:
    """The table a grid states, the index of its first written line, how sure that is and why."""

    table: str
    first: int
    sure: float
    why: str


def layout_of(grid: Grid) -> Layout | None:
    """The layout a grid has, or None when it has none of a sheet."""
    first = next((index for index, line in enumerate(grid.lines) if not line.blank), None)
    if first is None:
        return None
    return _test_layout(grid, first) or _table_layout(grid.lines[first], first)


def _test_layout(grid: Grid, first: int) -> Layout | None:
    """A block of fields: under `field,value`, or with `test` and `kind` among its first cells."""
    block = []
    for line in grid.lines[first:]:
        if line.blank:
            break
        block.append(line)
    fields = {split(str(line.at(0)))[0] for line in block if line.at(0) is not None}
    headed = [words(cell) for cell in _written(block[0])[:2]] == ["field", "value"]
    if headed and "test" in fields:
        return Layout("tests", first, 0.95, "a test sheet: `field,value` and the field `test`")
    if {"test", "kind"} <= fields:
        return Layout("tests", first, 0.9, "a test sheet: fields `test` and `kind`")
    return Layout("tests", first, 0.6, "a block of `field,value`") if headed else None


def _table_layout(line: Line, first: int) -> Layout | None:
    texts = [str(cell) for cell in _written(line)]
    if any(split(text)[0] in _CLOCKS for text in texts):
        return None
    found = [layout for table in _TABLES if (layout := _scored(texts, table, first))]
    # of two tables that fit alike, the one with the longer key is meant
    return max(found, key=lambda one: (one.sure, len(needed(one.table))), default=None)


def _scored(texts: list[str], table: str, first: int) -> Layout | None:
    held = [column for text in texts if (column := find(text, table))]
    names = {column.name for column in held}
    if not set(needed(table)) <= names:
        return None
    share = len(held) / len(texts)
    if table in _FREE:
        sure = 0.95 if _first(texts, table) and len(held) > 1 else 0.7 if _first(texts, table) else 0.0
    else:
        sure = 0.0 if share < 0.5 else 0.95 if share == 1 else 0.6 + 0.3 * share
    if len(texts) == 1:
        sure = min(sure, 0.6)
    why = f"a sheet of {table}: {len(held)} of {len(texts)} headers are known"
    return Layout(table, first, sure, why) if sure >= 0.5 else None


def _first(texts: list[str], table: str) -> bool:
    column: Column | None = find(texts[0], table)
    return column is not None and column.name in needed(table)


def _written(line: Line) -> list[Cell]:
    return [cell for cell in line.cells if cell is not None]
