"""Encodings, delimiters, quoting, headers: RFC 4180 and what loggers do besides."""

from __future__ import annotations

import csv
import datetime
import io
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow as pa
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from rangebook.pipeline.original import Original
from rangebook.pipeline.reading import Options, Rows
from rangebook.plugins.delimited import Delimited, chunks
from rangebook.plugins.delimited.dialect import encoding_of, sniff

Reading = Callable[..., Any]
HEADER = "time,voltage (V),current (A),note"


def rows_of(got: Any) -> list[tuple[Any, ...]]:
    names = ("voltage_volt", "current_ampere")
    return list(zip(*(got.tables["samples"].column(name).to_pylist() for name in names), strict=True))


# ---- RFC 4180 section 2, rule by rule ---------------------------------------------------------------------------

LINE = "2026-06-14T19:05:0{},53.{},-38,{}"


@pytest.mark.parametrize("end", ["\r\n", "\n", "\r"])
@pytest.mark.parametrize("last", [True, False])
def test_line_ends_and_the_last_one(written: Reading, end: str, last: bool) -> None:
    """Rules 1 and 2: lines end with CRLF (here also LF and CR); the last may lack its end."""
    text = end.join([HEADER, *[LINE.format(n, n, "") for n in range(5)]]) + (end if last else "")
    got = written(text)
    assert rows_of(got) == [(53 + n / 10, -38.0) for n in range(5)]
    assert [rows.line.tolist() for rows in got.rows] == [[2, 3, 4, 5, 6]]


@pytest.mark.parametrize("cell", ['"a, b"', '"she said ""slow"""', '"two\nlines"', '"two\r\nlines, ""quoted"""', '""'])
def test_quoted_cells(written: Reading, cell: str) -> None:
    """Rules 5 to 7: quoted cells may hold delimiters, line ends and doubled quotes."""
    lines = [LINE.format(n, n, cell if n == 2 else "x") for n in range(5)]
    got = written("\n".join([HEADER, *lines]) + "\n")
    assert rows_of(got) == [(53 + n / 10, -38.0) for n in range(5)]
    assert got.rows[0].text(2).replace("\r", "") == lines[2].replace("\r", "")
    assert got.rows[0].text(3) == lines[3]
    assert got.rows[0].line[3] == 5 + cell.count("\n")


def test_quoted_numbers_and_header(written: Reading) -> None:
    got = written('"time";"voltage (V)"\n"2026-06-14T19:05:00";"53,1"\n"2026-06-14T19:05:01";"53,2"\n')
    assert got.tables["samples"].column("voltage_volt").to_pylist() == [53.1, 53.2]


def test_spaces_do_not_hurt_numbers_and_times(written: Reading) -> None:
    """Rule 4: spaces are part of a cell; of a number or a time they are no part."""
    got = written(
        "time , voltage (V) , current (A)\n 2026-06-14 19:05:00 , 53.1 , -38 \n 2026-06-14 19:05:01 , 53.2, -37\n"
    )
    assert rows_of(got) == [(53.1, -38.0), (53.2, -37.0)]


def test_blank_lines_are_nothing(written: Reading) -> None:
    got = written(f"{HEADER}\n\n{LINE.format(1, 1, '')}\n\n\r\n{LINE.format(2, 2, '')}\n\n")
    assert [rows.line.tolist() for rows in got.rows] == [[3, 6]]
    assert got.codes == ["columns-left-out", "sign-unknown"]


def test_a_quote_that_never_closes_costs_its_line(written: Reading) -> None:
    lines = [LINE.format(n, n, '"' if n == 2 else "x") for n in range(6)]
    got = written("\n".join([HEADER, *lines]) + "\n")
    assert len(got.tables["samples"]) == 6
    head = '"2026-06-14T19:05:02,53.2,-38,x'
    lines[2] = head
    got = written("\n".join([HEADER, *lines]) + "\n")
    assert len(got.tables["samples"]) == 5
    assert got.tables["rejects"].column("text").to_pylist() == [head]


def test_a_quote_that_never_closes_in_a_long_file(written: Reading) -> None:
    lines = [LINE.format(n % 10, n % 10, "x") for n in range(60_000)]
    lines[100] = '"' + lines[100]
    got = written("\n".join([HEADER, *lines]) + "\n")
    assert len(got.tables["samples"]) == 59_999
    assert got.tables["rejects"].column("line").to_pylist() == [102]


# ---- encodings ------------------------------------------------------------------------------------------------

TEXT = "Zeit;Spannung [V];Temperatur [°C]\n" + "".join(f"2026-06-14T19:05:0{n}Z;53,{n};2{n}\n" for n in range(8))


@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "utf-16", "utf-16-le", "utf-16-be", "latin-1", "cp1252"])
def test_encodings(written: Reading, fit: Reading, encoding: str) -> None:
    content = TEXT.encode(encoding)
    assert fit(content).sure == 0.8
    got = written(content)
    assert got.column("samples", "voltage_volt").tolist() == [53 + n / 10 for n in range(8)]
    assert got.column("samples", "temperature_t1_celsius").tolist() == [20.0 + n for n in range(8)]


def test_utf16_big_endian_with_mark(written: Reading) -> None:
    got = written(b"\xfe\xff" + TEXT.encode("utf-16-be"))
    assert len(got.tables["samples"]) == 8
    assert got.used["encoding"] == "utf-16-be"


def test_a_character_cut_by_the_head_is_no_other_encoding() -> None:
    assert encoding_of("°°°".encode()[:-1]) == ("utf-8", 0)


# ---- where the table is -----------------------------------------------------------------------------------------


def names(text: str, **said: Any) -> tuple[str, ...]:
    dialect = sniff(text.encode(), True, said)
    assert dialect is not None
    return dialect.names


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("a,b\n1,2\n3,4\n", ("a", "b")),
        ("Device,X\nSerial,7\n\na,b,c\n1,2,3\n3,4,5\n", ("a", "b", "c")),
        ("a;b;c\n1,5;2,5;3,5\n1,5;2,5;3,5\n", ("a", "b", "c")),
        ("a\tb\n1,5\t2,5\n", ("a", "b")),
        ("a|b\n1|2\n", ("a", "b")),
        ("a,b,\n1,2,\n3,4,\n", ("a", "b", "column 3")),
        ("a,b\n1,2,\n3,4,\n", ("a", "b", "column 3")),
        ("a,a,b\n1,2,3\n", ("a", "a (2)", "b")),
        (",a,b\n0,1,2\n1,1,2\n", ("column 1", "a", "b")),
        ("a,b\n1,2,x\n3,4,5\n1,2\n3,4\n5,6\n", ("a", "b")),
        ("1,2\n3,4\n", ("column 1", "column 2")),
        ("0,5;1,5\n0,6;1,6\n", ("column 1", "column 2")),
        ('"a\nb",c\n1,2\n', ("a b", "c")),
    ],
)
def test_header_and_delimiter_show(text: str, expected: tuple[str, ...]) -> None:
    assert names(text) == expected


def test_a_map_says_what_does_not_show() -> None:
    text = "x,y\n1,2\n1,3\nc,d\n3,4\n"
    assert names(text) == ("x", "y")
    assert names(text, header_row=4) == ("c", "d")
    assert names(text, header_row=0) == ("column 1", "column 2")
    assert names("a b c\n1 2 3\n", delimiter=" ") == ("a", "b", "c")


def test_no_table() -> None:
    assert sniff(b"one\ntwo\n", True) is None


def test_signature_is_that_of_the_header_alone() -> None:
    def signature(text: str) -> str:
        dialect = sniff(text.encode(), True)
        assert dialect is not None
        return dialect.signature

    assert signature("Time,Volts\n1,2\n") == signature("time ;VOLTS\n7;8\n9;9\n")
    assert signature("Time,Volts\n1,2\n") != signature("Time,Amps\n1,2\n")


# ---- any dialect, any piece size ----------------------------------------------------------------------------------

DIALECTS = st.fixed_dictionaries(
    {
        "delimiter": st.sampled_from(",;\t|"),
        "decimal": st.sampled_from(".,"),
        "end": st.sampled_from(["\n", "\r\n", "\r"]),
        "encoding": st.sampled_from(["utf-8", "utf-8-sig", "utf-16", "cp1252"]),
        "quoting": st.sampled_from([csv.QUOTE_MINIMAL, csv.QUOTE_ALL]),
        "preamble": st.lists(st.sampled_from(["Device 7", "made in May", ""]), max_size=3),
        "last_end": st.booleans(),
    }
)
VALUES = st.lists(
    st.tuples(
        st.integers(-400_000, 400_000),
        st.integers(0, 60_000),
        st.sampled_from(["", "slow", "a,b;c|d\te", 'he said "go"']),
    ),
    min_size=3,
    max_size=40,
)


def write_log(path: Path, rows: list[tuple[int, int, str]], how: dict[str, Any]) -> None:
    stream = io.StringIO(newline="")
    for line in how["preamble"]:
        stream.write(line + how["end"])
    writer = csv.writer(stream, delimiter=how["delimiter"], quoting=how["quoting"], lineterminator=how["end"])
    writer.writerow(["time", "température (°C)", "voltage (V)", "note"])
    for n, (current, volt, note) in enumerate(rows):
        time = datetime.datetime(2026, 6, 14, 19, 5) + datetime.timedelta(seconds=n)
        numbers = [f"{value / 1000:.3f}".replace(".", how["decimal"]) for value in (current % 90_000, volt)]
        writer.writerow([time.isoformat(), *numbers, note])
    text = stream.getvalue()
    path.write_bytes((text if how["last_end"] else text.removesuffix(how["end"])).encode(how["encoding"]))


@settings(max_examples=60, deadline=None)
@given(how=DIALECTS, rows=VALUES, piece=st.sampled_from([37, 100, 1000, 1 << 20]))
def test_round_trip_of_any_dialect(tmp_path_factory: Any, how: dict[str, Any], rows: list[Any], piece: int) -> None:
    """What Python's csv module writes in any dialect comes back to the last digit, in pieces of any size."""
    path = tmp_path_factory.mktemp("logs") / "log.csv"
    write_log(path, rows, how)
    before, chunks.PIECE = chunks.PIECE, piece
    try:
        items = list(Delimited().read(Original.at(path), Options()))
    finally:
        chunks.PIECE = before
    batches = [item for item in items if isinstance(item, Rows)]
    assert {rows.table for rows in batches} == {"samples"}
    table = pa.Table.from_batches([rows.batch for rows in batches])
    assert table.column("voltage_volt").to_pylist() == [volt / 1000 for _, volt, _ in rows]
    assert table.column("temperature_t1_celsius").to_pylist() == [current % 90_000 / 1000 for current, _, _ in rows]
    lines = np.concatenate([rows.line for rows in batches])
    assert lines.tolist() == list(range(len(how["preamble"]) + 2, len(how["preamble"]) + 2 + len(rows)))
