"""Tables as Parquet files: whole row groups, encodings chosen by what the columns hold, the same bytes every time."""

from __future__ import annotations

from collections.abc import Iterator

import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.parquet as pq

from .files import Sink

ROW_GROUP = 1 << 18
"""Rows: small enough to stream and to share among threads, large enough to compress."""

SAMPLE = 1 << 16
"""Rows of the first row group that decide the encodings."""

LEVEL = 1
"""Of Zstandard: after the encodings, higher levels gain 1 % in size."""


class TableFile:
    """One table on its way into `sink`. Batches of one schema come in, row groups of ROW_GROUP go out.

    The bytes depend on the rows alone, not on how they were cut into batches.
    """

    def __init__(self, sink: Sink, schema: pa.Schema) -> None:
        self.sink = sink
        self.schema = schema
        self.rows = 0
        self.settled = False
        self._waiting: list[pa.RecordBatch] = []
        self._waiting_rows = 0
        self._writer: pq.ParquetWriter | None = None

    def write(self, batch: pa.RecordBatch) -> None:
        """Add the rows of `batch`, whose schema is the table's."""
        self._waiting.append(batch)
        self._waiting_rows += batch.num_rows
        self.rows += batch.num_rows
        while self._waiting_rows >= ROW_GROUP:
            self._put(ROW_GROUP)

    def settle(self, durable: bool = True) -> None:
        """Write what waits and the footer, fsync (if `durable`), close."""
        if self._waiting_rows or self._writer is None:
            self._put(self._waiting_rows)
        assert self._writer is not None
        self._writer.close()
        self.sink.settle(durable)
        self.settled = True

    def abandon(self) -> None:
        """Write no more: the file is about to be removed."""
        if self._writer is not None:
            self._writer.is_open = False
        self.sink.abandon()

    def _put(self, rows: int) -> None:
        waiting = pa.Table.from_batches(self._waiting, schema=self.schema)
        group = waiting.slice(0, rows).combine_chunks()
        rest = waiting.slice(rows)
        self._waiting = rest.to_batches()
        self._waiting_rows = rest.num_rows
        if self._writer is None:
            self._writer = writer(self.sink, group)
        if rows:
            self._writer.write_table(group, row_group_size=rows)


def writer(sink: Sink, first: pa.Table) -> pq.ParquetWriter:
    """A ParquetWriter into `sink` for tables like `first`, whose rows decide the encodings."""
    encodings = dict(_encodings(first.slice(0, SAMPLE)))
    return pq.ParquetWriter(
        sink,
        first.schema,
        compression="zstd",
        compression_level=LEVEL,
        use_dictionary=[path for path, encoding in encodings.items() if encoding == "DICTIONARY"] or False,
        column_encoding={path: encoding for path, encoding in encodings.items() if encoding != "DICTIONARY"},
        write_page_index=True,
    )


def write_table(sink: Sink, table: pa.Table) -> None:
    """Write `table` into `sink` as a whole Parquet file."""
    with writer(sink, table) as out:
        out.write_table(table, row_group_size=ROW_GROUP)


def _encodings(sample: pa.Table) -> Iterator[tuple[str, str]]:
    for field, column in zip(sample.schema, sample.columns, strict=True):
        yield from _encoding(field.name, column)


def _encoding(path: str, column: pa.ChunkedArray) -> Iterator[tuple[str, str]]:
    """Path of each leaf and its encoding.

    Instants and whole numbers as differences. Floats as a dictionary while few differ (a logger's two
    decimals), else with their bytes apart: three times as fast to write as a dictionary that overflows.
    """
    kind = column.type
    if pa.types.is_list(kind) or pa.types.is_large_list(kind):
        yield from _encoding(f"{path}.list.element", pc.list_flatten(column))
    elif pa.types.is_integer(kind) or pa.types.is_temporal(kind):
        yield path, "DELTA_BINARY_PACKED"
    elif pa.types.is_floating(kind):
        few = pc.count_distinct(column).as_py() * 4 <= len(column)
        yield path, "DICTIONARY" if few else "BYTE_STREAM_SPLIT"
    elif pa.types.is_boolean(kind):
        yield path, "PLAIN"
    else:
        yield path, "DICTIONARY"
