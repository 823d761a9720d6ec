"""What a delimited file shows by its first bytes: encoding, delimiter, decimal mark, preamble, header.

The words follow the open Frictionless table dialect where it has one. Nothing here knows volts.
"""

from __future__ import annotations

import codecs
import csv
import hashlib
import io
import re
from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from .words import words

DELIMITERS = (",", ";", "\t", "|")
# Spellings of "nothing here", common practice, no source.
MISSING = ("", "-", "--", "---", "NaN", "nan", "NA", "N/A", "n/a", "NULL", "null", "None", "none")

_NUMBER = re.compile(r"[+-]?(?:\d+(?:[.,]\d*)?|[.,]\d+)(?:[eE][+-]?\d+)?")
_DATEISH = re.compile(r"\d{1,4}[-/. ](?:\d{1,2}|[A-Za-z]{3,9})[-/. ]\d{1,4}\b.*|\d+:\d{2}\b.*")
_BOMS = ((codecs.BOM_UTF8, "utf-8"), (codecs.BOM_UTF16_LE, "utf-16-le"), (codecs.BOM_UTF16_BE, "utf-16-be"))

Record = tuple[int, list[str]]  # the line on which it ends, counted from 1, and its cells


@dataclass(frozen=True)
class Table:
    """Where the table stands among the first records.

    names: header cells made unlike each other, one a column. units: the second header line, "" where it
    has none. header_line: line on which the header ends, 0 without one. rows: the first data records.
    first_line: line of the first of them. score: how well it hangs together, for comparing.
    """

    names: tuple[str, ...]
    units: tuple[str, ...]
    header_line: int
    first_line: int
    rows: tuple[tuple[str, ...], ...]
    score: tuple[bool, float, float, int]


@dataclass(frozen=True)
class Dialect:
    """How one file is written.

    bom: bytes to skip at its start. line_end: a line feed, or a carriage return where it stands alone.
    quote: the quote character, or "". preamble: the lines before the header.
    """

    encoding: str
    bom: int
    line_end: str
    delimiter: str
    decimal: str
    quote: str
    preamble: tuple[str, ...]
    table: Table

    @property
    def names(self) -> tuple[str, ...]:
        """Names of the columns, in order."""
        return self.table.names

    @property
    def signature(self) -> str:
        """SHA-256 of the header cells, without regard to case and spaces: the same for files of one logger."""
        cells = (" ".join(cell.split()).casefold() for cell in (*self.table.names, *self.table.units))
        return hashlib.sha256("\x1f".join(cells).encode()).hexdigest()

    def cells(self, position: int) -> list[str]:
        """What the first records state in one column, without the empty ones."""
        return [text for row in self.table.rows if (text := row[position].strip()) not in MISSING]


def sniff(head: bytes, whole: bool, said: Mapping[str, Any] | None = None) -> Dialect | None:
    """How a file that starts with `head` (all of it if `whole`) is written, or None when it shows no table.

    `said` overrides what shows: encoding, delimiter, decimal, quote, header_row (0 for none).
    """
    said = said or {}
    shown, bom = encoding_of(head)
    encoding = said.get("encoding", shown)
    text = _text(head[bom:], encoding, whole)
    quote = said.get("quote", '"')
    choices = [said["delimiter"]] if "delimiter" in said else DELIMITERS
    found = {choice: table_of(list(records(text, choice, quote)), said.get("header_row")) for choice in choices}
    tables = {choice: table for choice, table in found.items() if table is not None}
    if not tables:
        return None
    delimiter = max(tables, key=lambda choice: tables[choice].score)
    table = tables[delimiter]
    before = (table.header_line or table.first_line) - 1
    return Dialect(
        encoding=encoding,
        bom=bom,
        line_end="\r" if "\r" in text and "\n" not in text else "\n",
        delimiter=delimiter,
        decimal=said.get("decimal") or decimal_of(table.rows),
        quote=quote,
        preamble=tuple(text.splitlines()[:before]),
        table=table,
    )


def encoding_of(head: bytes) -> tuple[str, int]:
    """Encoding of a file that starts with `head`, and how many bytes its byte order mark takes.

    UTF-16 without a mark shows by a zero in every other byte. What is not UTF-8 is taken as Windows
    Latin-1 (cp1252), which gives every printable Latin-1 character the same meaning.
    """
    for mark, name in _BOMS:
        if head.startswith(mark):
            return name, len(mark)
    for name, start in (("utf-16-le", 1), ("utf-16-be", 0)):
        every_other = head[start:400:2]
        if (
            len(every_other) > 3
            and every_other.count(0) > 0.9 * len(every_other)
            and head[1 - start :: 2].count(0) == 0
        ):
            return name, 0
    try:
        codecs.getincrementaldecoder("utf-8")().decode(head)
    except UnicodeDecodeError:
        return "cp1252", 0
    return "utf-8", 0


def _text(head: bytes, encoding: str, whole: bool) -> str:
    """`head` as text without NULs and, unless `whole`, without the line it cuts off."""
    text = codecs.getincrementaldecoder(encoding)("replace").decode(head).replace("\0", "")
    cut = len(text) if whole else max(text.rfind("\n"), text.rfind("\r")) + 1
    return text[:cut]


def records(text: str, delimiter: str, quote: str) -> Iterator[Record]:
    """The records of `text` that are not blank (RFC 4180, with any line end)."""
    reader = csv.reader(
        io.StringIO(text, newline=""),
        delimiter=delimiter,
        quotechar=quote or None,
        quoting=csv.QUOTE_MINIMAL if quote else csv.QUOTE_NONE,
    )
    try:
        for cells in reader:
            if cells:
                yield reader.line_num, cells
    except csv.Error:  # a cell beyond csv's 128 KiB: what came before it shows enough
        return


def table_of(found: Sequence[Record], header_row: int | None = None) -> Table | None:
    """The table that starts in these records, or None when they hold none.

    Its width is the commonest number of cells; its first data record the first of that width whose numbers
    and times stand where most records have theirs; its header what stands right above. `header_row` (a line, 0
    for none) says it.
    """
    after = [record for record in found if record[0] >= (header_row or 0)]
    widths = Counter(len(cells) for _, cells in after if len(cells) > 1)
    if not widths:
        return None
    width = max(widths, key=lambda n: (widths[n], n))
    valued = _valued([cells for _, cells in after if len(cells) == width])
    data = [_is_data(cells, width, valued) and line > (header_row or 0) for line, cells in found]
    if True not in data:
        return _bare_header(found, width, header_row)
    first = data.index(True)
    rows = tuple(tuple(cells) for (_, cells), good in zip(found, data, strict=True) if good)
    header, units = _header_above(found[:first], rows, width, header_row)
    above = units or header or (found[first - 1] if first else (0, []))
    share = sum(len(cells) == width for _, cells in found[first:]) / len(found[first:])
    return Table(
        names=_names(header[1] if header else (), width),
        units=tuple(_padded(units[1] if units else (), width)),
        header_line=header[0] if header else 0,
        first_line=above[0] + 1,
        rows=rows,
        score=(header is not None, share, _data_share(rows[:200]), width),
    )


def _valued(rows: Sequence[Sequence[str]]) -> list[int]:
    """Columns of `rows` (equal lengths) in which numbers and times prevail: as the later rows tell, since a header

    is not among them.
    """
    later = rows[len(rows) // 2 :][-200:]
    told = [[cell for cell in column if cell.strip() not in MISSING] for column in zip(*later, strict=True)]
    return [place for place, cells in enumerate(told) if cells and 2 * sum(map(_is_value, cells)) > len(cells)]


def _is_data(cells: Sequence[str], width: int, valued: Sequence[int]) -> bool:
    """Whether a record is one of data: most of what it states where values prevail is a value."""
    if len(cells) != width:
        return False
    stated = [cells[place] for place in valued if cells[place].strip() not in MISSING]
    return bool(stated) and 2 * sum(map(_is_value, stated)) > len(stated)


def _is_value(cell: str) -> bool:
    text = cell.strip()
    return bool(_NUMBER.fullmatch(text) or _DATEISH.fullmatch(text))


def _data_share(rows: Sequence[Sequence[str]]) -> float:
    stated = [cell.strip() for row in rows for cell in row if cell.strip()]
    return sum(map(_is_value, stated)) / max(len(stated), 1)


def _bare_header(found: Sequence[Record], width: int, header_row: int | None) -> Table | None:
    """A header with nothing under it: the last record of full width."""
    full = [(line, cells) for line, cells in found if len(cells) == width and (not header_row or line == header_row)]
    if not full:
        return None
    line, cells = full[-1]
    return Table(_names(cells, width), ("",) * width, line, line + 1, (), (True, 0.0, 0.0, width))


def _header_above(
    above: Sequence[Record], rows: Sequence[Sequence[str]], width: int, header_row: int | None
) -> tuple[Record | None, Record | None]:
    """The header that ends the records `above` the data, and the line of units under it; None where there is none.

    Lines of numbers between it and the data, of another width, are data gone wrong.
    """
    if header_row is not None:
        below = [record for record in above if record[0] >= header_row] if header_row else []
        units = next((record for record in below[1:2] if _is_units(record[1])), None)
        return (below[0] if below else None), units
    texts = list(above)
    while texts and len(texts[-1][1]) != width and _data_share([texts[-1][1]]) >= 0.5:
        texts.pop()
    if len(texts) > 1 and _is_units(texts[-1][1]) and _is_header(texts[-2][1], rows, width):
        return texts[-2], texts[-1]
    return (texts[-1], None) if texts and _is_header(texts[-1][1], rows, width) else (None, None)


def _is_units(cells: Sequence[str]) -> bool:
    bare = [cell.strip().strip("[](){}").strip().casefold() for cell in cells]
    return any(bare) and all(not cell or cell in words()["units"] for cell in bare)


def _is_header(cells: Sequence[str], rows: Sequence[Sequence[str]], width: int) -> bool:
    """Whether `cells` can head `rows`: as wide, or short by a last column in which nothing ever stands."""
    named = len(_without_trailing(cells))
    return named == width or len(cells) == width or (named == width - 1 and not any(row[-1].strip() for row in rows))


def _without_trailing(cells: Sequence[str]) -> list[str]:
    kept = list(cells)
    while kept and not kept[-1].strip():
        kept.pop()
    return kept


def _padded(cells: Sequence[str], width: int) -> list[str]:
    return [*(cell.strip() for cell in cells), *[""] * width][:width]


def _names(cells: Sequence[str], width: int) -> tuple[str, ...]:
    """Header cells as names: a nameless column by its number, a name that stands again with a count."""
    seen: Counter[str] = Counter()
    names = []
    for number, cell in enumerate(_padded(cells, width), 1):
        name = " ".join(cell.replace("\ufeff", "").split()) or f"column {number}"
        seen[name] += 1
        names.append(name if seen[name] == 1 else f"{name} ({seen[name]})")
    return tuple(names)


def decimal_of(rows: Sequence[Sequence[str]]) -> str:
    """The decimal mark in the cells of `rows`: the one that more numbers carry; a point when none does."""
    marks = Counter(
        mark for row in rows for cell in row if _NUMBER.fullmatch(text := cell.strip()) for mark in ".," if mark in text
    )
    return "," if marks[","] > marks["."] else "."
