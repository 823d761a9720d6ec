"""Small books for the tests of the archive. What is in the tables means nothing."""

from __future__ import annotations

import hashlib
from pathlib import Path
from typing import Any

import pyarrow as pa

from rangebook.archive import Book

COLUMNS = {
    "samples": pa.schema(
        [
            pa.field("time", pa.timestamp("us", tz="UTC"), metadata={"unit": "", "meaning": "instant"}),
            pa.field("x", pa.float64(), metadata={"unit": "V", "meaning": "a number"}),
            pa.field("y", pa.float64()),
            pa.field("cells", pa.list_(pa.float64())),
        ]
    ),
    "rejects": pa.schema([("line", pa.int64()), ("text", pa.string())]),
}


def new_book(folder: Path) -> Book:
    return Book.new(folder, zone="UTC", units="km")


def batch(first: int = 0, rows: int = 10, *columns: str) -> pa.RecordBatch:
    """Rows `first` and on of a table of samples: time, x, and of y and cells what is asked for."""
    numbers = range(first, first + rows)
    arrays = {
        "time": pa.array([n * 1_000_000 for n in numbers], pa.timestamp("us", tz="UTC")),
        "x": pa.array([n / 4 for n in numbers], pa.float64()),
        "y": pa.array([n * n + 0.123 for n in numbers], pa.float64()),
        "cells": pa.array([[n / 2, n / 3] for n in numbers], pa.list_(pa.float64())),
    }
    schema = pa.schema([field for field in COLUMNS["samples"] if field.name in ("time", "x", *columns)])
    return pa.RecordBatch.from_arrays([arrays[name] for name in schema.names], schema=schema)


def original_file(folder: Path, content: bytes = b"time,x\n0,0\n") -> tuple[Path, str]:
    """A file with `content` and its SHA-256."""
    sha256 = hashlib.sha256(content).hexdigest()
    path = folder / f"{sha256[:8]}.csv"
    path.write_bytes(content)
    return path, sha256


def add_reading(book: Book, path: Path, sha256: str, *batches: pa.RecordBatch, version: str = "1") -> dict[str, Any]:
    """Keep the original and store a reading with `batches` as samples; its record."""
    book.keep_original(path, sha256)
    with book.reading_writer(sha256, "lines", version) as writer:
        for one in batches:
            writer.write("samples", one)
        writer.finish({"name": path.name, "bytes": path.stat().st_size})
    return next(
        record for record in book.records() if (record["original"], record["reader_version"]) == (sha256, version)
    )


def publish(book: Book, records: list[dict[str, Any]]) -> str:
    """A generation whose `originals` names the readings of `records`."""
    originals = pa.table(
        {
            "original": pa.array([record["original"] for record in records], pa.string()),
            "reading": pa.array([book.reading_name(record) for record in records], pa.string()),
        }
    )
    return book.publish({"originals": originals, "tests": pa.table({"test": ["T1"]})}, COLUMNS)


def full_book(folder: Path, beside: Path) -> Book:
    """A book with one of everything."""
    book = new_book(folder)
    path, sha256 = original_file(beside)
    record = add_reading(book, path, sha256, batch(0, 100, "y"))
    publish(book, [record])
    book.store_results("T1", "ab" * 32, pa.table({"quantity": ["q"], "value": [1.5]}))
    return book
