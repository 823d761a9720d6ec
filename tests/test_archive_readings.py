"""Readings: whole or not at all, and the same rows for everybody."""

from __future__ import annotations

import json
import math
import subprocess
from collections.abc import Sequence
from itertools import pairwise
from pathlib import Path

import duckdb
import pyarrow as pa
import pyarrow.parquet as pq
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from rangebook.archive import Book, BookProblem, parquet, readings

from .bookmaking import COLUMNS, add_reading, batch, new_book, original_file

SHA256 = "ab" * 32


@pytest.fixture
def book(tmp_path: Path) -> Book:
    return new_book(tmp_path / "book")


def store(book: Book, batches: Sequence[pa.RecordBatch], version: str = "1", sort: str | None = None) -> Path:
    with book.reading_writer(SHA256, "lines", version) as writer:
        for one in batches:
            writer.write("samples", one)
        if sort:
            writer.sort("samples", sort)
        assert writer.finish({})
    return book.folder / "readings" / "ab" / SHA256 / f"lines-{version}" / "samples.parquet"


def files_of(book: Book) -> list[str]:
    return sorted(path.name for path in book.folder.rglob("*") if path.is_file())


def test_what_goes_in_comes_out(book: Book) -> None:
    whole = batch(0, 1000, "y", "cells")
    path = store(book, [whole.slice(0, 1), whole.slice(1, 0), whole.slice(1)])
    found = pq.read_table(path)
    assert found.equals(pa.Table.from_batches([whole]))
    assert [field.metadata for field in found.schema] == [field.metadata for field in whole.schema]
    assert found.schema.field("x").metadata == {b"unit": b"V", b"meaning": b"a number"}


def test_other_programs_read_the_same(book: Book) -> None:
    path = store(book, [batch(0, 1000, "y", "cells")])
    content = path.read_bytes()
    # "PAR1" opens and closes every Parquet file: apache/parquet-format, README, "File format"
    assert (content[:4], content[-4:]) == (b"PAR1", b"PAR1")
    rows = duckdb.connect().execute("select epoch_us(time), x, y, cells from read_parquet(?)", [str(path)]).fetchall()
    assert rows == [(n * 1_000_000, n / 4, n * n + 0.123, [n / 2, n / 3]) for n in range(1000)]


def test_the_record_vouches_for_all(book: Book) -> None:
    path = store(book, [batch(0, 1000)])
    (record,) = book.records()
    facts = record["tables"]["samples"]
    assert (facts["rows"], facts["columns"]) == (1000, ["time", "x"])
    assert (record["original"], record["reader"], record["reader_version"]) == (SHA256, "lines", "1")
    assert book.table_path(record, "samples") == path
    assert book.table_path(record, "fixes") is None
    # coreutils: the hash of the table, and that of the record before its last two lines
    told = subprocess.run(["sha256sum", str(path)], capture_output=True, text=True, check=True)
    assert told.stdout.split()[0] == facts["sha256"]
    command = f"head -n -2 '{path.parent}/reading.json' | sha256sum"
    told = subprocess.run(command, shell=True, capture_output=True, text=True, check=True)
    assert told.stdout.split()[0] == json.loads((path.parent / "reading.json").read_text())["sha256"]


def test_a_record_keeps_what_it_is_given(book: Book) -> None:
    given_record = {
        "name": "süß \udcff 🛒.csv",
        "said": [{"table": "tests", "row": {"test": "T1", "payload_kg": 85.5}, "line": None}],
        "sha256": "reserved",
    }
    with book.reading_writer(SHA256, "lines", "1") as writer:
        assert writer.finish(given_record)
    (record,) = book.records()
    assert record["name"] == given_record["name"]
    assert record["said"] == given_record["said"]
    assert record["tables"] == {}


@pytest.mark.parametrize("value", [math.nan, math.inf])
def test_a_record_is_strict_json(book: Book, value: float) -> None:
    with pytest.raises(ValueError, match="JSON"), book.reading_writer(SHA256, "lines", "1") as writer:
        writer.finish({"value": value})
    assert files_of(book) == ["book.toml"]


@settings(max_examples=25, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(cuts=st.lists(st.integers(0, 300), max_size=8))
def test_the_bytes_do_not_depend_on_the_cuts(book: Book, monkeypatch: pytest.MonkeyPatch, cuts: list[int]) -> None:
    monkeypatch.setattr(parquet, "ROW_GROUP", 128)
    whole = batch(0, 300, "y", "cells")
    edges = [0, *sorted(cuts), 300]
    name = "-".join(map(str, edges))
    parts = [whole.slice(a, b - a) for a, b in pairwise(edges)]
    one = once(book, [whole], "whole")
    assert once(book, parts, name).read_bytes() == one.read_bytes()
    assert pq.ParquetFile(one).metadata.num_row_groups == 3


def test_nor_do_the_bytes_of_many_rows(book: Book) -> None:
    # long enough for several pages of 1 MiB in a column, which must not end where a batch does
    whole = batch(0, 400_000, "y")
    one = store(book, [whole], "whole")
    assert store(book, [whole.slice(n, 777) for n in range(0, 400_000, 777)], "cut").read_bytes() == one.read_bytes()


def once(book: Book, batches: Sequence[pa.RecordBatch], version: str) -> Path:
    with book.reading_writer(SHA256, "lines", version) as writer:
        for one in batches:
            writer.write("samples", one)
        writer.finish({})
    return stored(book, version)


def stored(book: Book, version: str) -> Path:
    record = next(one for one in book.records() if one["reader_version"] == version)
    path = book.table_path(record, "samples")
    assert path is not None
    return path


def test_encodings_follow_the_content_and_statistics_are_kept(book: Book) -> None:
    path = store(book, [batch(0, 1000, "y")])
    with pq.ParquetFile(path) as file:
        time, _, y = (file.metadata.row_group(0).column(n) for n in range(3))
        assert "DELTA_BINARY_PACKED" in time.encodings
        assert "BYTE_STREAM_SPLIT" in y.encodings
        assert (y.statistics.min, y.statistics.max) == (0.123, 999 * 999 + 0.123)
    steps = pa.record_batch({"x": pa.array([n % 7 / 10 for n in range(1000)])})
    with pq.ParquetFile(store(book, [steps], "2")) as file:
        assert any("DICTIONARY" in one for one in file.metadata.row_group(0).column(0).encodings)


@pytest.mark.parametrize(
    "column",
    [
        pa.array([1, None, -(2**62)]),
        pa.array([True, None, False]),
        pa.array(["a", None, ""]),
        pa.array([b"\x00", None, b"\xff"]),
        pa.array([math.nan, None, -0.0]),
        pa.array([None, None, None], pa.float64()),
        pa.array([1, None, 2], pa.date32()),
        pa.array([[1.5], None, []], pa.list_(pa.float64())),
        pa.array([1, None, 2**31 - 1], pa.int32()),
        pa.array([1.5, None, 2], pa.float32()),
        pa.nulls(3),
    ],
    ids=lambda column: str(column.type),
)
def test_columns_of_many_types(book: Book, column: pa.Array) -> None:
    whole = pa.record_batch({"c": column})
    found = pq.read_table(store(book, [whole])).column("c").combine_chunks()
    assert found.type == column.type
    assert repr(found.to_pylist()) == repr(column.to_pylist())


def test_a_table_without_rows_is_a_table(book: Book) -> None:
    assert pq.read_table(store(book, [batch(0, 0)])).num_rows == 0


def test_columns_may_come_and_go(book: Book) -> None:
    path = store(book, [batch(0, 2), batch(2, 2, "y"), batch(4, 1), batch(5, 1, "cells")])
    found = pq.read_table(path)
    assert found.schema.names == ["time", "x", "y", "cells"]
    assert found.column("x").to_pylist() == [0, 0.25, 0.5, 0.75, 1, 1.25]
    assert found.column("y").to_pylist() == [None, None, 4.123, 9.123, None, None]
    assert found.column("cells").to_pylist() == [None] * 5 + [[5 / 2, 5 / 3]]
    assert sorted(one.name for one in path.parent.iterdir()) == ["reading.json", "samples.parquet"]


def test_a_column_keeps_its_type(book: Book) -> None:
    with pytest.raises(ValueError, match="column x changes from double to string"):
        store(book, [pa.record_batch({"x": [1.5]}), pa.record_batch({"x": ["1.5"]})])
    assert files_of(book) == ["book.toml"]


@settings(max_examples=30, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(keys=st.lists(st.one_of(st.none(), st.integers(-5, 5)), min_size=1, max_size=60))
def test_sorting_is_stable_with_nulls_last(book: Book, keys: list[int | None]) -> None:
    # Python's sort is stable by its definition (docs.python.org, library, list.sort)
    schema = pa.schema([COLUMNS["samples"].field("time"), pa.field("n", pa.int32(), metadata={"unit": "1"})])
    rows = pa.RecordBatch.from_arrays(
        [pa.array(keys, pa.timestamp("us", tz="UTC")), pa.array(range(len(keys)), pa.int32())], schema=schema
    )
    with book.reading_writer(SHA256, "lines", repr(keys)) as writer:
        writer.write("samples", rows)
        writer.sort("samples", "time")
        writer.finish({})
    found = pq.read_table(stored(book, repr(keys)))
    assert found.schema.equals(schema, check_metadata=True)
    expected = sorted(range(len(keys)), key=lambda n: (keys[n] is None, keys[n] or 0))
    assert found.column("n").to_pylist() == expected


def test_sorting_takes_bounded_memory(book: Book, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(readings, "SORT_MEMORY", "32MB")
    rows = 1_500_000
    whole = batch(0, rows, "y")
    path = store(book, [whole.take(pa.array([n * 700_001 % rows for n in range(rows)]))], sort="time")
    assert pq.read_table(path).equals(pa.Table.from_batches([whole]))
    assert sorted(one.name for one in path.parent.iterdir()) == ["reading.json", "samples.parquet"]


def test_sorting_many_equal_rows_is_stable(book: Book) -> None:
    rows = 400_000
    table = pa.record_batch({"key": pa.array([n * n % 3 for n in range(rows)]), "n": pa.array(range(rows))})
    found = pq.read_table(store(book, [table], sort="key"))
    assert found.column("n").to_pylist() == sorted(range(rows), key=lambda n: n * n % 3)


def test_sorting_after_columns_came(book: Book) -> None:
    path = store(book, [batch(5, 2), batch(0, 2, "y")], sort="time")
    assert pq.read_table(path).column("y").to_pylist() == [0.123, 1.123, None, None]


def test_several_tables_in_one_reading(book: Book) -> None:
    rejects = pa.RecordBatch.from_pydict({"line": [3], "text": ["?"]}, schema=COLUMNS["rejects"])
    with book.reading_writer(SHA256, "lines", "1") as writer:
        writer.write("samples", batch(0, 5))
        writer.write("rejects", rejects)
        assert writer.rows == {"samples": 5, "rejects": 1}
        writer.finish({})
        assert writer.rows == {"samples": 5, "rejects": 1}
    (record,) = book.records()
    assert list(record["tables"]) == ["rejects", "samples"]
    assert files_of(book) == ["book.toml", "reading.json", "rejects.parquet", "samples.parquet"]


@pytest.mark.parametrize("table", ["", "../x", "Samples", "a/b", "samples.parquet"])
def test_only_plain_words_name_tables(book: Book, table: str) -> None:
    with pytest.raises(ValueError, match="table"), book.reading_writer(SHA256, "lines", "1") as writer:
        writer.write(table, batch())


def test_leaving_without_finish_leaves_nothing(book: Book) -> None:
    with book.reading_writer(SHA256, "lines", "1") as writer:
        writer.write("samples", batch(0, 500_000))
    with pytest.raises(KeyError), book.reading_writer(SHA256, "lines", "1") as writer:
        writer.write("samples", batch())
        raise KeyError
    assert files_of(book) == ["book.toml"]
    assert list(book.records()) == []


def test_the_second_of_two_writers_gives_way(book: Book) -> None:
    with book.reading_writer(SHA256, "lines", "1") as first, book.reading_writer(SHA256, "lines", "1") as second:
        first.write("samples", batch(0, 5))
        second.write("samples", batch(0, 6))
        assert first.finish({}) is True
        assert second.finish({}) is False
    (record,) = book.records()
    assert record["tables"]["samples"]["rows"] == 5
    assert files_of(book) == ["book.toml", "reading.json", "samples.parquet"]


def test_half_a_reading_in_the_way_is_named_and_kept(book: Book) -> None:
    path = store(book, [batch()])
    (path.parent / "reading.json").unlink()
    with pytest.raises(BookProblem, match="no whole reading"):
        store(book, [batch()])
    assert path.exists()


def test_a_book_holds_a_reading_with_its_original(book: Book, tmp_path: Path) -> None:
    path, sha256 = original_file(tmp_path)
    assert not book.holds(sha256, "lines", "1")
    record = add_reading(book, path, sha256, batch())
    assert book.holds(sha256, "lines", "1")
    assert not book.holds(sha256, "lines", "2")
    assert not book.holds(sha256, "other", "1")
    add_reading(book, path, sha256, batch(), version="2")
    assert [one["reader_version"] for one in book.records()] == ["1", "2"]
    assert book.reading_name(record) == f"{sha256[:2]}/{sha256}/lines-1"
    (book.folder / "originals" / sha256[:2] / f"{sha256}.zst").unlink()
    assert not book.holds(sha256, "lines", "1")
    book.keep_original(path, sha256)
    assert book.holds(sha256, "lines", "1")


@pytest.mark.parametrize(
    ("reader", "version"), [("../..", "/etc"), ("", ""), (".", ".."), ("a b", "1+é"), ("x" * 300, "9" * 300)]
)
def test_odd_names_of_readers_stay_inside(book: Book, reader: str, version: str) -> None:
    with book.reading_writer(SHA256, reader, version) as writer:
        writer.write("samples", batch())
        assert writer.finish({})
    (record,) = book.records()
    assert (record["reader"], record["reader_version"]) == (reader, version)
    path = book.table_path(record, "samples")
    assert path is not None
    assert path.resolve().parent.parent == book.folder.resolve() / "readings" / "ab" / SHA256
    assert not path.parent.name.startswith(".")


def test_readers_and_versions_are_not_mixed_up(book: Book) -> None:
    names = {
        book.reading_name({"original": SHA256, "reader": reader, "reader_version": version})
        for reader, version in [("a-b", "1"), ("a", "b-1"), ("a", "b%2D1"), ("a%2Db", "1"), ("a", "b.1")]
    }
    assert len(names) == 5


@pytest.mark.parametrize("damage", [b"", b"{}", b"not json"])
def test_a_damaged_record_is_named(book: Book, damage: bytes) -> None:
    path = store(book, [batch()]).parent / "reading.json"
    path.write_bytes(damage)
    with pytest.raises(BookProblem, match=r"reading\.json.*damaged") as told:
        list(book.records())
    assert told.value.hint
