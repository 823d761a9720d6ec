"""Sheets of these tests: written as CSV, XLSX and ODS, and read again."""

from __future__ import annotations

import io
import zipfile
from collections.abc import Iterable, Sequence
from datetime import UTC, date, datetime, time
from pathlib import Path
from typing import Any

import odf.opendocument
import odf.table
import odf.text
import openpyxl
import pint
import pytest

from rangebook.pipeline.original import Original
from rangebook.pipeline.reading import Finding, Item, Options, Rows, Said
from rangebook.plugins.sheet import Sheet

SAMPLES = Path(__file__).parent / "samples" / "sheet"
QUANTITY = pint.UnitRegistry(autoconvert_offset_to_baseunit=True).Quantity
Cells = Sequence[Sequence[Any]]


def original(folder: Path, content: str | bytes, name: str = "sheet.csv") -> Original:
    path = folder / name
    path.write_bytes(content.encode() if isinstance(content, str) else content)
    return Original.at(path)


def items(folder: Path, content: str | bytes, name: str = "sheet.csv", **options: Any) -> list[Item]:
    return list(Sheet().read(original(folder, content, name), Options(**options)))


def said(found: Iterable[Item], table: str) -> list[dict[str, Any]]:
    return [dict(one.row) for one in found if isinstance(one, Said) and one.table == table]


def rows(found: Iterable[Item], table: str) -> list[dict[str, Any]]:
    return [row for one in found if isinstance(one, Rows) and one.table == table for row in one.batch.to_pylist()]


def codes(found: Iterable[Item]) -> list[tuple[str, int | None, int | None]]:
    return [(one.code, one.first_row, one.last_row) for one in found if isinstance(one, Finding)]


def xlsx(**sheets: Cells) -> bytes:
    book = openpyxl.Workbook()
    book.remove(book.active)
    for name, cells in sheets.items():
        sheet = book.create_sheet(name)
        for row in cells:
            sheet.append(list(row))
    stream = io.BytesIO()
    book.save(stream)
    return stream.getvalue()


def ods(**sheets: Cells) -> bytes:
    book = odf.opendocument.OpenDocumentSpreadsheet()
    for name, cells in sheets.items():
        table = odf.table.Table(name=name)
        for row in cells:
            line = odf.table.TableRow()
            for cell in row:
                line.addElement(ods_cell(cell))
            table.addElement(line)
        book.spreadsheet.addElement(table)
    stream = io.BytesIO()
    book.write(stream)
    return stream.getvalue()


def ods_cell(value: Any) -> Any:
    if value is None:
        return odf.table.TableCell()
    if isinstance(value, datetime):
        return odf.table.TableCell(valuetype="date", datevalue=value.isoformat())
    if isinstance(value, date):
        return odf.table.TableCell(valuetype="date", datevalue=value.isoformat())
    if isinstance(value, time):
        return odf.table.TableCell(valuetype="time", timevalue=value.strftime("PT%HH%MM%SS"))
    if isinstance(value, int | float):
        return odf.table.TableCell(valuetype="float", value=value)
    cell = odf.table.TableCell(valuetype="string")
    cell.addElement(odf.text.P(text=value))
    return cell


def csv(cells: Cells, delimiter: str = ",") -> str:
    lines = [delimiter.join("" if cell is None else f'"{cell}"' for cell in row) for row in cells]
    return "\n".join(lines) + "\n"


LOOP: Cells = [
    ["field", "value"],
    ["test", "T-0117"],
    ["kind", "range"],
    ["cart", "C07"],
    ["pack", "P11"],
    ["settings", "gentle"],
    ["start", datetime(2026, 6, 14, 19, 5)],
    ["end", datetime(2026, 6, 14, 20, 6)],
    ["payload (kg)", 85],
    ["ambient (C)", 21],
    ["route", "harbour loop"],
    ["end reason", "cut-off"],
    ["logs", "P11-0614.csv; harbour.gpx"],
    ["note", "lights on throughout"],
    [],
    ["time", "trip (mi)", "rest (V)", "loaded (V)", "pack (C)", "note"],
    [time(19, 21), 6.2, 52.6, None, 24, None],
    [time(19, 49), 15.9, 50.1, 48.2, 27, "slower on the ramp"],
]
T_0117 = {
    "test": "T-0117",
    "kind": "range",
    "cart": "C07",
    "pack": "P11",
    "settings": "gentle",
    "started": datetime(2026, 6, 14, 18, 5, tzinfo=UTC),  # Lisbon is an hour ahead of UTC in June (zone database)
    "ended": datetime(2026, 6, 14, 19, 6, tzinfo=UTC),
    "payload_kg": 85.0,
    "ambient_celsius": 21.0,
    "route": "harbour loop",
    "end_reason": "cut-off",
    "logs": ["P11-0614.csv", "harbour.gpx"],
    "note": "lights on throughout",
}
LISBON = "Europe/Lisbon"


def loop_sample() -> bytes:
    return (SAMPLES / "test_harbour_loop.csv").read_bytes()


def check_loop(found: list[Item]) -> None:
    assert said(found, "tests") == [T_0117]
    assert codes(found) == []
    first, second = rows(found, "marks")
    assert first["time"] == datetime(2026, 6, 14, 18, 21, tzinfo=UTC)
    assert second["time"] == datetime(2026, 6, 14, 18, 49, tzinfo=UTC)
    assert first["distance_metre"] == pytest.approx(QUANTITY(6.2, "mile").to("metre").magnitude, rel=1e-12)
    assert second["distance_metre"] == pytest.approx(QUANTITY(15.9, "mile").to("metre").magnitude, rel=1e-12)
    assert [first["rest_voltage_volt"], second["rest_voltage_volt"]] == [52.6, 50.1]
    assert [first["loaded_voltage_volt"], second["loaded_voltage_volt"]] == [None, 48.2]
    assert [first["temperature_t1_celsius"], second["temperature_t1_celsius"]] == [24.0, 27.0]
    assert [first["note"], second["note"]] == [None, "slower on the ramp"]
    assert first["elapsed_second"] is None


def zipped(**parts: bytes) -> bytes:
    stream = io.BytesIO()
    with zipfile.ZipFile(stream, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, data in parts.items():
            archive.writestr(name.replace("__", "/").replace("_x", ".x"), data)
    return stream.getvalue()


def repacked(content: bytes, part: str, data: bytes) -> bytes:
    """The workbook with one part put in, or in another's place."""
    stream = io.BytesIO()
    with zipfile.ZipFile(io.BytesIO(content)) as old, zipfile.ZipFile(stream, "w", zipfile.ZIP_DEFLATED) as new:
        for name in old.namelist():
            if name != part:
                new.writestr(name, old.read(name))
        new.writestr(part, data)
    return stream.getvalue()
