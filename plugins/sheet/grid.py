"""From a file to grids of cells: one for a CSV, one a worksheet for a workbook."""

from __future__ import annotations

import codecs
import csv
import datetime
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from typing import Any

from rangebook.pipeline.errors import InputProblem
from rangebook.pipeline.original import Original

from .workbook import CELLS, LIMIT, is_workbook, worksheets

Cell = str | float | int | bool | datetime.date | datetime.time | datetime.timedelta | None

_DELIMITERS = (",", ";", "\t")
_BOMS = {codecs.BOM_UTF8: "utf-8-sig", codecs.BOM_UTF16_LE: "utf-16", codecs.BOM_UTF16_BE: "utf-16"}
_PEEK_LINES = 40


@dataclass(frozen=True)
class Line:
    """One row of cells and its number in the original, from 1. Text is stripped; empty is None."""

    number: int
    cells: tuple[Cell, ...]

    @property
    def blank(self) -> bool:
        return all(cell is None for cell in self.cells)

    @property
    def text(self) -> str:
        """The row as it stood, as near as cells can show it."""
        return ",".join("" if cell is None else str(cell) for cell in self.cells)

    def at(self, index: int) -> Cell:
        """The cell in this column, None beyond the row's end."""
        return self.cells[index] if index < len(self.cells) else None


@dataclass(frozen=True)
class Grid:
    """The lines of one CSV or worksheet. comma: whether numbers may have decimal commas. how: for the record."""

    file: str
    sheet: str | None
    lines: tuple[Line, ...]
    comma: bool = False
    how: Mapping[str, Any] = field(default_factory=dict)

    def problem(self, what: str, hint: str, line: int | None = None) -> InputProblem:
        """The problem of a line of this grid, naming file, worksheet and line."""
        place = "" if self.sheet is None else f"worksheet {self.sheet}: "
        return InputProblem(place + what, hint, path=self.file, line=line)


def peek(original: Original) -> list[Grid]:
    """Grids of the head of an original, for the recogniser: one for each delimiter a CSV may have."""
    head = original.head()
    if is_workbook(head):
        try:
            return grids(original)
        except InputProblem:
            return []
    text, encoding = _decoded(head, whole=False)
    if "\0" in text:
        return []
    lines = text.splitlines(keepends=True)[:_PEEK_LINES]
    return [_csv_grid(original.name, lines, delimiter, encoding, strict=False) for delimiter in _DELIMITERS]


def grids(original: Original) -> list[Grid]:
    """All grids of an original. Raises InputProblem for what is too large, broken or not text."""
    if is_workbook(original.head(4)):
        return [
            Grid(original.name, name, tuple(_lines(enumerate(rows, 1))))
            for name, rows in worksheets(original.path, original.name)
        ]
    if original.size > LIMIT:
        words = f"is {original.size / 2**20:.0f} MB, more than the {LIMIT / 2**20:.0f} MB a sheet may have"
        raise InputProblem(words, "read it as a log, or split it", path=original.name)
    text, encoding = _decoded(original.path.read_bytes(), whole=True)
    if "\0" in text:
        line = text[: text.index("\0")].count("\n") + 1
        raise InputProblem("holds a NUL character", "save the sheet anew as UTF-8", path=original.name, line=line)
    delimiter = _delimiter(text)
    if text.count(delimiter) > CELLS:
        words = f"has {text.count(delimiter)} cells, more than the {CELLS} a sheet may have"
        raise InputProblem(words, "read it as a log, or split it", path=original.name)
    return [_csv_grid(original.name, text.splitlines(keepends=True), delimiter, encoding, strict=True)]


def _decoded(data: bytes, whole: bool) -> tuple[str, str]:
    encoding = next((name for mark, name in _BOMS.items() if data.startswith(mark)), "utf-8")
    try:
        return codecs.getincrementaldecoder(encoding)().decode(data, final=whole), encoding
    except UnicodeDecodeError:
        return data.decode("latin-1"), "latin-1"


def _delimiter(text: str) -> str:
    """The delimiter its first written line shows: the most frequent outside quotes."""
    first = next((line for line in text.splitlines() if line.strip(" ,;\t")), "")
    bare = "".join(first.split('"')[::2])
    return max(_DELIMITERS, key=bare.count)


def _csv_grid(file: str, lines: list[str], delimiter: str, encoding: str, strict: bool) -> Grid:
    rows = tuple(_lines(_csv_rows(file, lines, delimiter, strict)))
    how = {"delimiter": delimiter, "encoding": encoding}
    return Grid(file, None, rows, comma=delimiter == ";", how=how)


def _csv_rows(file: str, lines: list[str], delimiter: str, strict: bool) -> Iterator[tuple[int, list[str]]]:
    reader = csv.reader(lines, delimiter=delimiter, strict=strict, skipinitialspace=True)
    start = 1
    try:
        for row in reader:
            yield start, row
            start = reader.line_num + 1
    except csv.Error as problem:
        if strict:
            hint = 'close every quote; a quote inside a quoted cell is written twice ("")'
            raise InputProblem(f"cannot be split into cells: {problem}", hint, path=file, line=start) from problem


def _lines(rows: Iterable[tuple[int, Iterable[Any]]]) -> Iterator[Line]:
    for number, row in rows:
        yield Line(number, tuple(_cell(value) for value in row))


def _cell(value: Any) -> Cell:
    if isinstance(value, str):
        return value.strip() or None
    return value  # type: ignore[no-any-return]
