"""A sheet as XLSX: the least an Office Open XML workbook needs (ECMA-376 part 1, 12 and 18)."""

from __future__ import annotations

import io
import zipfile
from collections.abc import Sequence
from xml.sax.saxutils import escape

OOXML = "http://schemas.openxmlformats.org"
_PARTS = {
    "[Content_Types].xml": (
        f'<Types xmlns="{OOXML}/package/2006/content-types">'
        '<Default Extension="rels" ContentType="application/vnd.openxmlformats-package.relationships+xml"/>'
        '<Override PartName="/xl/workbook.xml" '
        'ContentType="application/vnd.openxmlformats-officedocument.spreadsheetml.sheet.main+xml"/>'
        '<Override PartName="/xl/worksheets/sheet1.xml" '
        'ContentType="application/vnd.openxmlformats-officedocument.spreadsheetml.worksheet+xml"/></Types>'
    ),
    "_rels/.rels": (
        f'<Relationships xmlns="{OOXML}/package/2006/relationships"><Relationship Id="rId1" '
        f'Type="{OOXML}/officeDocument/2006/relationships/officeDocument" Target="xl/workbook.xml"/></Relationships>'
    ),
    "xl/workbook.xml": (
        f'<workbook xmlns="{OOXML}/spreadsheetml/2006/main" xmlns:r="{OOXML}/officeDocument/2006/relationships">'
        '<sheets><sheet name="test" sheetId="1" r:id="rId1"/></sheets></workbook>'
    ),
    "xl/_rels/workbook.xml.rels": (
        f'<Relationships xmlns="{OOXML}/package/2006/relationships"><Relationship Id="rId1" '
        f'Type="{OOXML}/officeDocument/2006/relationships/worksheet" Target="worksheets/sheet1.xml"/></Relationships>'
    ),
}


def _cell(column: int, row: int, value: object) -> str:
    place, text = f"{chr(65 + column)}{row}", str(value)
    try:
        float(text)
    except ValueError:
        return f'<c r="{place}" t="inlineStr"><is><t>{escape(text)}</t></is></c>' if text else ""
    return f'<c r="{place}"><v>{text}</v></c>'


def _sheet(rows: Sequence[Sequence[object]]) -> str:
    lines = (
        f'<row r="{number}">{"".join(_cell(column, number, value) for column, value in enumerate(row))}</row>'
        for number, row in enumerate(rows, 1)
    )
    return f'<worksheet xmlns="{OOXML}/spreadsheetml/2006/main"><sheetData>{"".join(lines)}</sheetData></worksheet>'


def xlsx(rows: Sequence[Sequence[object]]) -> bytes:
    """`rows` as the bytes of a workbook of one sheet, at most 26 columns; the same rows give the same bytes."""
    page = io.BytesIO()
    with zipfile.ZipFile(page, "w", zipfile.ZIP_DEFLATED) as book:
        for name, content in {**_PARTS, "xl/worksheets/sheet1.xml": _sheet(rows)}.items():
            whole = f'<?xml version="1.0" encoding="UTF-8" standalone="yes"?>\n{content}'
            book.writestr(zipfile.ZipInfo(name, (2026, 1, 1, 0, 0, 0)), whole, zipfile.ZIP_DEFLATED)
    return page.getvalue()
