"""Readings: tables and a record, made beside their place and moved there whole."""

from __future__ import annotations

import contextlib
import hashlib
import json
import re
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any

import pyarrow as pa
import pyarrow.parquet as pq

from . import engine, files, layout
from .errors import BookProblem
from .parquet import TableFile

SORT_MEMORY = "512MB"
"""Of DuckDB, when a table is put in order; the rest goes to disk."""

_SEAL = re.compile(rb' "sha256": "([0-9a-f]{64})"\n\}\n')
_SEAL_SIZE = 80


class _Growing:
    """A table of a reading while it grows: parts one after the other, a new one when a batch brings a new column."""

    def __init__(self, folder: Path, table: str) -> None:
        self.folder = folder
        self.table = table
        self.parts: list[TableFile] = []
        self._made = 0

    @property
    def rows(self) -> int:
        return sum(part.rows for part in self.parts)

    @property
    def schema(self) -> pa.Schema:
        return self.parts[-1].schema

    def write(self, batch: pa.RecordBatch) -> None:
        if not self.parts:
            self.parts.append(self._part(batch.schema))
        elif new := set(batch.schema.names) - set(self.schema.names):
            added = [batch.schema.field(name) for name in batch.schema.names if name in new]
            self.parts[-1].settle(durable=False)
            self.parts.append(self._part(pa.schema([*self.schema, *added], self.schema.metadata)))
        self.parts[-1].write(_widened(batch, self.schema))

    def settle(self) -> None:
        """Close the table as one file with all columns."""
        several = len(self.parts) > 1
        self.parts[-1].settle(durable=not several)
        if several:
            self._again(_batches([part.sink.path for part in self.parts], self.schema))

    def sort(self, column: str) -> None:
        """Close the table as one file with its rows in order of `column`."""
        self.settle()
        spill = self.folder / "spill"
        self._again(engine.in_order(self.parts[0].sink.path, column, self.schema, spill, SORT_MEMORY))
        files.remove(spill)

    def abandon(self) -> None:
        for part in self.parts:
            part.abandon()

    def _again(self, batches: Iterator[pa.RecordBatch]) -> None:
        old, new = self.parts, self._part(self.schema)
        self.parts = [*old, new]
        for batch in batches:
            new.write(batch)
        new.settle()
        self.parts = [new]
        for part in old:
            files.remove(part.sink.path)

    def _part(self, schema: pa.Schema) -> TableFile:
        self._made += 1
        return TableFile(files.Sink(self.folder / f"{self.table}.{self._made}.part"), schema)


def _widened(batch: pa.RecordBatch, schema: pa.Schema) -> pa.RecordBatch:
    """`batch` with all columns of `schema`, null where it has none. Raises ValueError on another type."""
    if batch.schema.equals(schema, check_metadata=True):
        return batch
    arrays = [
        batch.column(field.name) if field.name in batch.schema.names else pa.nulls(batch.num_rows, field.type)
        for field in schema
    ]
    for found, field in zip(arrays, schema, strict=True):
        if found.type != field.type:
            raise ValueError(f"column {field.name} changes from {field.type} to {found.type} within one table")
    return pa.RecordBatch.from_arrays(arrays, schema=schema)


def _batches(paths: list[Path], schema: pa.Schema) -> Iterator[pa.RecordBatch]:
    for path in paths:
        with pq.ParquetFile(path) as part:
            for batch in part.iter_batches():
                yield _widened(batch, schema)


class ReadingWriter:
    """One reading on its way into the book; `writing` makes it."""

    def __init__(self, folder: Path, target: Path, about: Mapping[str, str]) -> None:
        self._folder = folder
        self._target = target
        self._about = about
        self._tables: dict[str, _Growing] = {}

    @property
    def rows(self) -> dict[str, int]:
        """Rows written so far to each table."""
        return {table: growing.rows for table, growing in self._tables.items()}

    def write(self, table: str, batch: pa.RecordBatch) -> None:
        """Add rows to `table`. A later batch may lack columns (they are null) or bring new ones (null before).

        Raises ValueError when a column changes its type.
        """
        layout.table_file(self._folder, table)
        self._tables.setdefault(table, _Growing(self._folder, table)).write(batch)

    def sort(self, table: str, column: str) -> None:
        """Put the rows of `table` in ascending order of `column`: stable, nulls last, in bounded memory.

        Nothing can be written to the table after that.
        """
        self._tables[table].sort(column)

    def finish(self, record: Mapping[str, Any]) -> bool:
        """Store the reading with `record` (JSON values; what its tables are is added here).

        False when the reading is in the book already: another process stored it meanwhile, and this one is dropped.
        """
        tables = {table: self._stored(table) for table in sorted(self._tables)}
        with files.new_file(layout.record_file(self._folder)) as sink:
            sink.write(sealed({**record, **self._about, "tables": tables}))
        if files.place_folder(self._folder, self._target):
            return True
        if layout.record_file(self._target).exists():
            return False
        raise BookProblem(
            f"{self._target}: something that is no whole reading stands in its place",
            "remove that folder (its original is kept), then run the same command again",
        )

    def abandon(self) -> None:
        """Let go of the files, finished or not."""
        for growing in self._tables.values():
            growing.abandon()

    def _stored(self, table: str) -> dict[str, Any]:
        growing = self._tables[table]
        if not growing.parts[-1].settled:
            growing.settle()
        part = growing.parts[0]
        target = layout.table_file(self._folder, table)
        files.effect("rename into place", target, lambda: part.sink.path.rename(target))
        return {"rows": part.rows, "sha256": part.sink.sha256, "columns": list(part.schema.names)}


@contextlib.contextmanager
def writing(place: layout.Layout, sha256: str, reader: str, version: str) -> Iterator[ReadingWriter]:
    """A writer for one reading. Leaving the block without `finish` leaves nothing."""
    target = place.reading(sha256, reader, version)
    with files.scratch(target) as folder:
        files.make_folder(folder)
        writer = ReadingWriter(folder, target, {"original": sha256, "reader": reader, "reader_version": version})
        try:
            yield writer
        finally:
            writer.abandon()


def sealed(record: Mapping[str, Any]) -> bytes:
    """A record as the bytes of its file: its last line but one vouches for all before it."""
    kept = {key: value for key, value in record.items() if key != "sha256"}
    body = json.dumps(kept, indent=1, allow_nan=False).removesuffix("\n}").encode() + b",\n"
    return body + f' "sha256": "{hashlib.sha256(body).hexdigest()}"\n}}\n'.encode()


def unsealed(path: Path) -> dict[str, Any]:
    """The record in the file at `path`. Raises BookProblem when its bytes are not as they were written."""
    try:
        content = path.read_bytes()
    except OSError as problem:
        raise BookProblem(f"{path}: cannot read it: {(problem.strerror or '').lower()}", _MEND) from problem
    body, seal = content[:-_SEAL_SIZE], content[-_SEAL_SIZE:]
    match = _SEAL.fullmatch(seal)
    if not match or hashlib.sha256(body).hexdigest().encode() != match[1]:
        raise BookProblem(f"{path}: damaged: it does not match its own SHA-256", _MEND)
    record: dict[str, Any] = json.loads(content)
    return record


_MEND = "copy the folder of this reading from a copy of the book, or remove it and take in the original again"


def records(place: layout.Layout) -> Iterator[dict[str, Any]]:
    """The record of every reading in the book, in order of path. Raises BookProblem at a damaged one."""
    for folder in place.walk_readings():
        path = layout.record_file(folder)
        if not layout.temporary(folder) and path.exists():
            yield unsealed(path)
