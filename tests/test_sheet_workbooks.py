"""Workbooks that are broken, or made to fill the memory."""

from __future__ import annotations

import io
import zipfile
from datetime import datetime, timedelta
from pathlib import Path
from time import perf_counter

import pytest

from rangebook.pipeline.errors import InputProblem
from rangebook.plugins.sheet import Sheet, workbook

from .sheetmaking import (
    LOOP,
    items,
    ods,
    original,
    repacked,
    said,
    xlsx,
    zipped,
)


def test_a_workbook_that_expands_hugely_is_refused_by_its_declared_size(tmp_path: Path) -> None:
    content = zipped(xl__workbook_xml=b" " * (workbook.LIMIT + 1))
    assert len(content) < 200_000
    with pytest.raises(InputProblem, match="more than the 64 MB"):
        items(tmp_path, content, "bomb.xlsx")
    assert Sheet().recognise(original(tmp_path, content, "bomb.xlsx")) is None


def test_a_workbook_that_understates_its_size_is_refused(tmp_path: Path) -> None:
    content = bytearray(repacked(xlsx(C=[["cart"], ["C1"]]), "xl/worksheets/sheet1.xml", b" " * 3_000_000))
    size = (3_000_000).to_bytes(4, "little")
    assert content.count(size) == 2
    with pytest.raises(InputProblem, match="broken workbook"):
        items(tmp_path, bytes(content).replace(size, (1000).to_bytes(4, "little")), "liar.xlsx")


FAR_CELL = b"""<worksheet xmlns="http://schemas.openxmlformats.org/spreadsheetml/2006/main"><sheetData>
<row r="1"><c r="A1" t="inlineStr"><is><t>cart</t></is></c></row>
<row r="1048576"><c r="XFD1048576" s="2"><v>1</v></c></row></sheetData></worksheet>"""


def test_a_cell_far_out_does_not_fill_the_memory(tmp_path: Path) -> None:
    content = repacked(xlsx(C=[["cart"], ["C1"]]), "xl/worksheets/sheet1.xml", FAR_CELL)
    with pytest.raises(InputProblem, match="covers 17179869184 cells"):
        items(tmp_path, content, "far.xlsx")


@pytest.mark.parametrize(
    "cell",
    [
        b"<c s='>' r = 'XFD1048576' t=\"n\"><v>1</v></c>",
        b'<x-1:c xmlns:x-1="http://schemas.openxmlformats.org/spreadsheetml/2006/main" r="XFD1048576"><v>1</v></x-1:c>',
        b'<c\nr="xfd1048576"><v>1</v></c>',
    ],
)
def test_a_cell_far_out_is_seen_however_it_is_written(tmp_path: Path, cell: bytes) -> None:
    sheet = FAR_CELL.replace(b'<c r="XFD1048576" s="2"><v>1</v></c>', cell)
    assert cell in sheet
    for part in ("xl/worksheets/sheet1.xml", "xl/elsewhere.bin"):
        with pytest.raises(InputProblem, match="covers 17179869184 cells"):
            items(tmp_path, repacked(xlsx(C=[["cart"]]), part, sheet), "far.xlsx")


@pytest.mark.parametrize(
    "sheet",
    [
        FAR_CELL.replace(b's="2"', b's="<"'),
        FAR_CELL.replace(b"</sheetData>", b""),
        FAR_CELL[:-20],
        b"<!DOCTYPE x [<!ENTITY a 'b'>]>" + FAR_CELL,
        b"words",
    ],
)
def test_a_part_that_is_no_xml_is_refused(tmp_path: Path, sheet: bytes) -> None:
    with pytest.raises(InputProblem, match=r"xl/worksheets/sheet1\.xml is damaged"):
        items(tmp_path, repacked(xlsx(C=[["cart"]]), "xl/worksheets/sheet1.xml", sheet), "damaged.xlsx")


def test_pictures_and_empty_parts_are_left_alone(tmp_path: Path) -> None:
    content = repacked(xlsx(C=[["cart", "customer"], ["C1", "Resort"]]), "xl/media/image1.png", b"\x89PNG\r\n<c ")
    content = repacked(content, "Configurations2/accelerator/current.xml", b"")
    assert said(items(tmp_path, content, "pictures.xlsx"), "carts") == [{"cart": "C1", "customer": "Resort"}]


@pytest.mark.parametrize("digits", ["9" * 13, "9" * 200])
def test_numbers_beyond_counting_are_seen(tmp_path: Path, digits: str) -> None:
    content = ods(C=[["cart"], ["C1"]])
    with zipfile.ZipFile(io.BytesIO(content)) as archive:
        xml = archive.read("content.xml")
    grown = xml.replace(b"<table:table-cell", f'<table:table-cell table:number-columns-repeated="{digits}"'.encode())
    with pytest.raises(InputProblem, match="cells, more than"):
        items(tmp_path, repacked(content, "content.xml", grown), "far.ods")


def test_a_workbook_in_another_encoding_is_refused(tmp_path: Path) -> None:
    sheet = FAR_CELL.decode().encode("utf-16")
    with pytest.raises(InputProblem, match="not UTF-8"):
        items(tmp_path, repacked(xlsx(C=[["cart"]]), "xl/worksheets/sheet1.xml", sheet), "wide.xlsx")


def test_cells_that_do_not_say_where_they_stand_count(tmp_path: Path) -> None:
    sheet = FAR_CELL.replace(b'<c r="XFD1048576" s="2">', b"<c>")
    with pytest.raises(InputProblem, match="covers 2097152 cells"):
        items(tmp_path, repacked(xlsx(C=[["cart"]]), "xl/worksheets/sheet1.xml", sheet), "far.xlsx")


def test_a_text_of_open_tags_is_looked_over_quickly(tmp_path: Path) -> None:
    began = perf_counter()
    content = repacked(xlsx(C=[["cart"]]), "xl/worksheets/sheet1.xml", b"<c <c" * 500_000)
    with pytest.raises(InputProblem, match="is damaged"):
        items(tmp_path, content, "open.xlsx")
    assert perf_counter() - began < 5


def test_a_csv_of_too_many_cells_is_refused(tmp_path: Path) -> None:
    with pytest.raises(InputProblem, match="cells, more than"):
        items(tmp_path, "cart,customer\n" + "," * 1_000_001)


def test_every_minute_of_a_workbook_is_that_minute(tmp_path: Path) -> None:
    """Spreadsheets keep times as fractions of a day; none may come out a microsecond short."""
    minutes = [datetime(2026, 6, 14) + timedelta(minutes=n) for n in range(1440)]
    cells = [["cart", "pack", "from"], *(["C1", f"P{n}", minute] for n, minute in enumerate(minutes))]
    found = said(items(tmp_path, xlsx(F=cells), "minutes.xlsx", zone="UTC"), "fitments")
    assert [row["started"].replace(tzinfo=None) for row in found] == minutes


def test_cells_repeated_without_end_do_not_fill_the_memory(tmp_path: Path) -> None:
    content = ods(C=[["cart"], ["C1"]])
    with zipfile.ZipFile(io.BytesIO(content)) as archive:
        xml = archive.read("content.xml")
    for attribute in (b'table:number-columns-repeated="900000000"', b'table:number-rows-repeated="900000000"'):
        tag = b"<table:table-cell" if b"columns" in attribute else b"<table:table-row"
        assert tag in xml
        grown = xml.replace(tag, tag + b" " + attribute)
        with pytest.raises(InputProblem, match="cells, more than the 1000000"):
            items(tmp_path, repacked(content, "content.xml", grown), "far.ods")


def test_empty_repeats_that_fill_a_sheet_up_are_no_cells(tmp_path: Path) -> None:
    content = ods(C=[["cart", "customer"], ["C1", "Resort"]])
    with zipfile.ZipFile(io.BytesIO(content)) as archive:
        xml = archive.read("content.xml")
    rest = (
        b'<table:table-row table:number-rows-repeated="1048574"><table:table-cell '
        b'table:number-columns-repeated="16384"/></table:table-row></table:table>'
    )
    found = items(tmp_path, repacked(content, "content.xml", xml.replace(b"</table:table>", rest)), "full.ods")
    assert said(found, "carts") == [{"cart": "C1", "customer": "Resort"}]


def test_a_long_text_shared_by_many_cells_is_refused(tmp_path: Path) -> None:
    """One text of 30 kB that 12,000 cells point at would be 360 MB of cells."""
    space = b'xmlns="http://schemas.openxmlformats.org/spreadsheetml/2006/main"'
    cells = b'<c r="%c%d" t="s"><v>0</v></c>'
    lines = [
        b'<row r="%d">%b</row>' % (row, b"".join(cells % (column, row) for column in b"ABCDEFGHIJ"))
        for row in range(1, 1201)
    ]
    sheet = b"<worksheet %b><sheetData>%b</sheetData></worksheet>" % (space, b"".join(lines))
    content = repacked(xlsx(C=[["cart"]]), "xl/worksheets/sheet1.xml", sheet)
    shared = b"<sst %b><si><t>%b</t></si></sst>" % (space, b"x" * 30_000)
    content = repacked(content, "xl/sharedStrings.xml", shared)
    with pytest.raises(InputProblem, match="text of 300"):
        items(tmp_path, content, "long.xlsx")


@pytest.mark.parametrize("cut", [30, 200, 1000, 3000])
def test_a_cut_workbook_is_broken(tmp_path: Path, cut: int) -> None:
    with pytest.raises(InputProblem, match="broken workbook"):
        items(tmp_path, xlsx(Loop=LOOP)[:cut], "cut.xlsx")


def test_a_directory_that_points_before_the_file_is_broken(tmp_path: Path) -> None:
    content = bytearray(xlsx(Loop=LOOP))
    end = content.rindex(b"PK\x05\x06")  # end of central directory; its size and place follow (APPNOTE 4.3.16)
    content[end + 12 : end + 16] = (len(content) + 5000).to_bytes(4, "little")
    with pytest.raises(InputProblem, match="broken workbook"):
        items(tmp_path, bytes(content), "before.xlsx")


def test_other_zips_are_not_ours(tmp_path: Path) -> None:
    for content in (zipped(note=b"hello"), zipped(mimetype=b"application/epub+zip", content_xml=b"<x/>")):
        assert Sheet().recognise(original(tmp_path, content, "other.zip")) is None
        with pytest.raises(InputProblem, match="no sheet"):
            items(tmp_path, content, "other.zip")


def test_a_csv_beyond_the_limit_is_refused(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("rangebook.plugins.sheet.grid.LIMIT", 100)
    with pytest.raises(InputProblem, match="more than the"):
        items(tmp_path, "cart,customer\n" + "C1,Resort\n" * 20)
