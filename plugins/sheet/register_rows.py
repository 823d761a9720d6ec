"""Rows of a register sheet, as statements."""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping, Sequence
from typing import Any

import numpy as np
import pyarrow as pa

from rangebook.pipeline import instants, units
from rangebook.pipeline.reading import Finding, Item, Options, Rows, Said
from rangebook.pipeline.tables import CHEMISTRIES, KEYS, conform

from .columns import Header, header_row, needed
from .grid import Grid, Line
from .layout import Layout
from .values import Place, choice, plain, value_at

INSTRUMENTS = ("shunt", "voltmeter", "gps", "odometer", "thermometer")
_UNITS_OF_INSTRUMENTS = ("A", "V", "m", "K")
_Seen = dict[tuple[Any, ...], dict[str, tuple[int, Any]]]
"""By key and column: the line that last stated it, and what."""


def register_items(grid: Grid, layout: Layout, options: Options) -> Iterator[Item]:
    """Statements of a register sheet, rejects for rows without their key, and findings. Raises InputProblem."""
    top = grid.lines[layout.first]
    headers = header_row(grid, top, layout.table)
    refuse_doubles(grid, top, headers)
    if layout.table != "settings":
        yield from unknown(headers, top, layout.table)
    yield from assumed(headers, top)
    yield from stray(headers, grid.lines[layout.first + 1 :])
    order = date_order_of(grid)
    seen: _Seen = {}
    for line in grid.lines[layout.first + 1 :]:
        if line.blank:
            continue
        row = _row(grid, line, headers, layout.table, options, order)
        missing = [name for name in needed(layout.table) if row.get(name) is None]
        if missing:
            yield from rejected(line, f"no {' and no '.join(missing)} in this row")
            continue
        yield from _contradictions(layout.table, row, line, seen)
        yield Said(layout.table, row, line.number)


def date_order_of(grid: Grid) -> str | None:
    """The order of day and month that all dates of the sheet show together."""
    return instants.date_order(cell for line in grid.lines for cell in line.cells if isinstance(cell, str))


def rejected(line: Line, why: str) -> Iterator[Item]:
    """A line that cannot be used, kept as it stood, and the finding that says so."""
    columns = {"line": pa.array([line.number]), "text": pa.array([line.text]), "why": pa.array([why])}
    yield Rows("rejects", conform("rejects", columns), np.array([line.number], dtype=np.int64))
    yield Finding("key-missing", "warning", f"{why}; it was set aside", line.number, line.number)


def refuse_doubles(grid: Grid, top: Line, headers: Sequence[Header]) -> None:
    """Raises InputProblem when two headers state the same column."""
    named: dict[str, Header] = {}
    for one in headers:
        name = one.column.name if one.column else f"`{one.text}`"
        if name in named:
            what = f"headers `{named[name].text}` and `{one.text}` state the same"
            raise grid.problem(what, "keep one of them", top.number)
        named[name] = one


def unknown(headers: Sequence[Header], top: Line, owner: str) -> Iterator[Finding]:
    """Headers that mean nothing here; what stands under them is in the original, and nowhere else."""
    for one in headers:
        if one.column is None:
            words = f"`{one.text}` is not one of the columns of {owner}; it stays in the original only"
            yield Finding("column-unknown", "note", words, top.number, top.number)


def assumed(headers: Sequence[Header], top: Line) -> Iterator[Finding]:
    """That headers without a unit were taken in the usual one."""
    taken = [f"`{one.text}` in {one.column.unit}" for one in headers if one.assumed and one.column]
    if taken:
        words = f"no unit is written, so the usual one was taken: {', '.join(taken)}"
        yield Finding("unit-assumed", "note", words, top.number, top.number)


def stray(headers: Sequence[Header], lines: Sequence[Line]) -> Iterator[Finding]:
    """That cells stand under no header, which a delimiter inside a text does."""
    held = {one.index for one in headers}
    beyond = [
        line.number
        for line in lines
        if any(cell is not None and index not in held for index, cell in enumerate(line.cells))
    ]
    if beyond:
        words = f"{len(beyond)} lines have cells under no header; put a text that holds the delimiter in quotes"
        yield Finding("cell-unheaded", "warning", words, beyond[0], beyond[-1])


def _row(
    grid: Grid, line: Line, headers: Sequence[Header], table: str, options: Options, order: str | None
) -> dict[str, Any]:
    row: dict[str, Any] = {}
    for one in headers:
        if one.column is None:
            continue
        value = value_at(Place(grid, line, one, options.zone, order), one.column)
        if value is not None:
            row[one.column.name] = value
    places = {one.column.name: Place(grid, line, one, options.zone, order) for one in headers if one.column}
    return row | _refined(table, row, places) | _further(table, line, headers)


def _refined(table: str, row: Mapping[str, Any], places: Mapping[str, Place]) -> dict[str, Any]:
    """What a table's own rules make of a row: words that must be known, units that depend on others."""
    if table == "packs":
        return _pack(row, places)
    if table == "instruments":
        return _instrument(row, places)
    return {}


def _pack(row: Mapping[str, Any], places: Mapping[str, Place]) -> dict[str, Any]:
    refined: dict[str, Any] = {}
    if "chemistry" in row:
        refined["chemistry"] = choice(places["chemistry"], row["chemistry"], CHEMISTRIES)
    if "price" in row and places["price"].header.unit and "currency" not in row:
        refined["currency"] = places["price"].header.unit
    return refined


def _instrument(row: Mapping[str, Any], places: Mapping[str, Place]) -> dict[str, Any]:
    refined: dict[str, Any] = {}
    if "kind" in row:
        refined["kind"] = choice(places["kind"], row["kind"], INSTRUMENTS)
    for name in ("offset", "resolution"):
        if name in row and places[name].header.unit:
            refined[name] = row[name] * _step(places[name])
    return refined


def _step(place: Place) -> float:
    """Factor of a header's unit to the canonical one of what an instrument may measure."""
    for canonical in _UNITS_OF_INSTRUMENTS:
        try:
            return units.difference(place.header.unit or "", canonical)
        except units.UnknownUnit:
            continue
    raise place.problem("its unit is not known", "write A, V, m or C in the brackets, as the instrument measures")


def _further(table: str, line: Line, headers: Sequence[Header]) -> dict[str, Any]:
    """The further columns that settings may have, as JSON text."""
    if table != "settings":
        return {}
    stated = {one.text: plain(line.at(one.index)) for one in headers if one.column is None and line.at(one.index)}
    return {"other": json.dumps(stated, ensure_ascii=False)} if stated else {}


def _contradictions(table: str, row: Mapping[str, Any], line: Line, seen: _Seen) -> Iterator[Finding]:
    key = tuple(row.get(name) for name in KEYS[table])
    before = seen.setdefault(key, {})
    against = [name for name in row if name in before and before[name][1] != row[name]]
    if against:
        told = ", ".join(f"{name} {before[name][1]} on line {before[name][0]}, now {row[name]}" for name in against)
        thing = " ".join(str(part) for part in key if part is not None)
        words = f"line {line.number} contradicts what the sheet said of {thing}: {told}; the later line counts"
        yield Finding("said-twice", "warning", words, min(before[name][0] for name in against), line.number)
    before.update({name: (line.number, value) for name, value in row.items()})
