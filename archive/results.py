"""Results: computed once for given inputs, found again by the digest of those, proven by the digest in their name."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from pathlib import Path

import pyarrow as pa
import pyarrow.parquet as pq

from . import files, layout
from .parquet import write_table


def load(place: layout.Layout, subject: str, digest: str) -> pa.Table | None:
    """The result of `subject` with this digest, or None when there is none that is whole."""
    return next(_whole(path for path in _of(place, subject) if layout.is_result_of(path, digest)), None)


def load_all(place: layout.Layout, subject: str) -> Iterator[pa.Table]:
    """Every whole result of `subject`, whatever its inputs and methods were."""
    return _whole(path for path in _of(place, subject) if layout.is_result(path))


def _of(place: layout.Layout, subject: str) -> list[Path]:
    folder = place.subject(subject)
    return sorted(folder.iterdir()) if folder.is_dir() else []


def _whole(paths: Iterable[Path]) -> Iterator[pa.Table]:
    for path in paths:
        content = path.read_bytes()
        if files.sha256_of_bytes(content) == layout.content_of(path):
            yield pq.read_table(pa.BufferReader(content))


def store(place: layout.Layout, subject: str, digest: str, table: pa.Table) -> None:
    """Store a result with all its metadata. The same one again changes nothing.

    Not fsynced: a result torn by a loss of power does not match its name, and is computed again.
    """
    with files.scratch(place.result(subject, digest, "0" * 64)) as temporary:
        with files.new_file(temporary, durable=False) as sink:
            write_table(sink, table)
        files.place(temporary, place.result(subject, digest, sink.sha256), durable=False)
