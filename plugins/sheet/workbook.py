"""Worksheets of an XLSX or ODS workbook, read with calamine, and kept from filling the memory.

A workbook is a zip of XML. Its parts are inflated here up to a limit, parsed once, looked over for cells far
out and texts repeated without end, and what passed is handed to calamine as a zip of its own: what it reads
is what was looked at.
"""

from __future__ import annotations

import io
import lzma
import re
import struct
import zipfile
import zlib
from collections.abc import Iterator
from pathlib import Path
from typing import Any
from xml.parsers import expat

from rangebook.pipeline.errors import InputProblem

LIMIT = 64 * 2**20
"""Bytes a sheet may have, a workbook when expanded."""
CELLS = 1_000_000
"""Cells that the used area of a worksheet may have."""
TEXT = 4 * LIMIT
"""Characters its cells may hold if each were as long as the longest."""

_BROKEN = (
    zipfile.BadZipFile, zlib.error, lzma.LZMAError, struct.error, NotImplementedError, RuntimeError, EOFError, OSError,
    ValueError,
)  # fmt: skip
"""What zipfile raises for a damaged, encrypted or otherwise strange archive."""
_ZIP = b"PK\x03\x04"
_OPEN_SHEET = "application/vnd.oasis.opendocument.spreadsheet"
_INSIDE = rb"""(?:[^<>"']|"[^"<]*"|'[^'<]*')*?"""
_PREFIX = rb"(?:[^\s<>/:]+:)?"
_XLSX_CELL = re.compile(rb"<" + _PREFIX + rb"c(\s" + _INSIDE + rb")?(/?)>")
_XLSX_ROW = re.compile(rb"<" + _PREFIX + rb"row(\s" + _INSIDE + rb")?/?>")
_XLSX_PLACE = re.compile(rb"""\sr\s*=\s*["']([A-Za-z]{0,9})(\d{1,4000})["']""")
_SHARED = re.compile(rb"<" + _PREFIX + rb"si\b")
_WIDE = (b"\xff\xfe", b"\xfe\xff", b"<\0", b"\0<")
"""How a text in UTF-16 begins."""
_ODS_TAG = re.compile(rb"<(/?)table:(table|table-row|table-cell|covered-table-cell)(\s" + _INSIDE + rb")?(/?)>")
_REPEATED = re.compile(rb"""number-(?:columns|rows)-repeated\s*=\s*["'](\d{1,4000})["']""")


def is_workbook(head: bytes) -> bool:
    """Whether these first bytes are those of a zip, as an XLSX or ODS is."""
    return head.startswith(_ZIP)


def worksheets(path: Path, name: str) -> list[tuple[str, list[list[Any]]]]:
    """Name and rows of each worksheet, rows from the first of the sheet; none when the zip is no workbook.

    Cells are str, float, bool, date, datetime, time or timedelta. Raises InputProblem, naming `name`, for what
    is broken or too large.
    """
    try:
        parts = _parts(path, name)
    except _BROKEN as problem:
        raise InputProblem(f"is a broken workbook: {problem}", "save it anew", path=name) from problem
    if not parts:
        return []
    _refuse_sprawl(parts, name)
    return _rows(parts, name)


def _parts(path: Path, name: str) -> dict[str, bytes]:
    """The parts of the workbook, inflated; empty when the zip is none."""
    with zipfile.ZipFile(path) as archive:
        names = set(archive.namelist())
        if "xl/workbook.xml" not in names and not _is_open_sheet(archive, names):
            return {}
        declared = sum(member.file_size for member in archive.infolist())
        if declared > LIMIT:
            words = f"expands to {declared / 2**20:.0f} MB, more than the {LIMIT / 2**20:.0f} MB a sheet may have"
            raise InputProblem(words, "keep sheets apart from logs and pictures", path=name)
        parts = {part: archive.read(part) for part in names if not part.endswith("/")}
    return {part: data for part, data in parts.items() if part == "mimetype" or _is_sound(part, data, name)}


def _is_sound(part: str, data: bytes, name: str) -> bool:
    """Whether a part is well-formed XML in UTF-8: calamine may go round for ever in any other, so it gets none.

    Pictures and empty parts are left out; InputProblem where a part should be XML and is not.
    """
    trouble = "not UTF-8" if data.startswith(_WIDE) else _trouble(data)
    if trouble and data and part.endswith((".xml", ".rels")):
        raise InputProblem(f"is a broken workbook: {part} is damaged: {trouble}", "save it anew", path=name)
    return not trouble


def _trouble(data: bytes) -> str:
    """What is wrong with an XML text, "" when nothing is. A document type is: no spreadsheet writes one."""

    def refuse(*_: object) -> None:
        raise ValueError("it declares a document type")

    parser = expat.ParserCreate()
    parser.StartDoctypeDeclHandler = refuse
    try:
        parser.Parse(data, True)
    except (expat.ExpatError, ValueError, LookupError) as problem:
        return str(problem)
    return ""


def _is_open_sheet(archive: zipfile.ZipFile, names: set[str]) -> bool:
    if "mimetype" not in names or "content.xml" not in names or archive.getinfo("mimetype").file_size > 200:
        return False
    return archive.read("mimetype").decode("ascii", "replace").strip() == _OPEN_SHEET


def _refuse_sprawl(parts: dict[str, bytes], name: str) -> None:
    """No worksheet may cover, and no repeated text may fill, more than memory should bear."""
    areas = [_xlsx_area(data) for data in parts.values()]  # of all, since a worksheet may have any name
    longest = max(map(len, re.split(_SHARED, parts.get("xl/sharedStrings.xml", b""))))
    for area, length in [*((area, longest) for area in areas), *_ods_areas(parts.get("content.xml", b""))]:
        if area > CELLS:
            words = f"a worksheet covers {area} cells, more than the {CELLS} a sheet may have"
            raise InputProblem(words, "delete what stands far below or right of the table", path=name)
        if area * length > TEXT:
            words = f"a worksheet of {area} cells has a text of {length} characters, too much for a sheet"
            raise InputProblem(words, "shorten the text", path=name)


def _xlsx_area(data: bytes) -> int:
    """Rows times columns up to the last written cell; a cell that does not say where it stands counts as a column."""
    width = height = unplaced = 0
    for cell in _XLSX_CELL.finditer(data):
        if not cell[2]:
            letters, row = _place(cell[1] or b"")
            width, height = max(width, _column(letters)), max(height, row)
            unplaced += not letters
    if unplaced:
        rows = [_place(attributes)[1] for attributes in _XLSX_ROW.findall(data)]
        height = max(height, len(rows), *rows, 1)
    return height * (width + unplaced)


def _place(attributes: bytes) -> tuple[bytes, int]:
    found = _XLSX_PLACE.search(attributes)
    return (found[1], int(found[2])) if found else (b"", 0)


def _column(letters: bytes) -> int:
    number = 0
    for letter in letters.upper():
        number = number * 26 + letter - 64
    return number


def _ods_areas(data: bytes) -> Iterator[tuple[int, int]]:
    """Of each table: rows times columns up to the last written cell, and its longest text.

    Repeats of empty cells and rows after that are free, since spreadsheets fill a sheet up with them.
    """
    rows = top = column = width = longest = opened = 0
    for tag in _ODS_TAG.finditer(data):
        closing, kind, attributes, ends = tag[1], tag[2], tag[3] or b"", tag[4]
        repeat = int(found[1]) if (found := _REPEATED.search(attributes)) else 1
        if kind.endswith(b"cell") and closing:
            longest = max(longest, tag.start() - opened)
        elif kind.endswith(b"cell"):
            column, opened = column + repeat, tag.start()
            if not ends or b"value" in attributes:
                top, width, longest = rows, max(width, column), max(longest, len(attributes))
        elif kind == b"table-row" and not closing:
            column, rows = 0, rows + repeat
        elif kind == b"table":
            yield top * width, longest
            rows = top = width = longest = 0


def _rows(parts: dict[str, bytes], name: str) -> list[tuple[str, list[list[Any]]]]:
    import python_calamine as calamine

    copy = io.BytesIO()
    with zipfile.ZipFile(copy, "w") as archive:
        for part, data in parts.items():
            archive.writestr(part, data)
    copy.seek(0)
    try:
        book = calamine.CalamineWorkbook.from_object(copy)
        sheets = [one.name for one in book.sheets_metadata if one.typ == calamine.SheetTypeEnum.WorkSheet]
        return [(sheet, book.get_sheet_by_name(sheet).to_python(skip_empty_area=False)) for sheet in sheets]
    except calamine.CalamineError as problem:
        raise InputProblem(f"is a broken workbook: {problem}", "save it anew", path=name) from problem
