"""Originals: kept byte for byte, named by their SHA-256, compressed with Zstandard."""

from __future__ import annotations

import hashlib
import io
from collections.abc import Iterator
from pathlib import Path
from typing import BinaryIO, cast

import pyarrow as pa

from . import files
from .errors import BookProblem
from .layout import Layout

FRAME = 4 << 20
"""Bytes of the original in one frame: enough to compress well, little enough to stay in a processor's cache."""

LEVEL = 2
"""Of Zstandard. On logs in CSV the smallest files of levels -5 to 3, at 500 MB/s; 5 gains 4 % at half the speed."""


def keep(layout: Layout, path: Path, sha256: str) -> None:
    """Copy the file at `path` into the book, if it is not there yet.

    Raises BookProblem when what was copied does not hash to `sha256`, and then keeps nothing.
    """
    target = layout.original(sha256)
    if target.exists():
        return
    with files.scratch(target) as temporary:
        with files.new_file(temporary) as sink:
            found = _compress(path, sink)
        if found != sha256:
            raise BookProblem(f"{path}: changed while it was read", "wait until nothing writes to it, then run again")
        files.place(temporary, target)


def _compress(path: Path, sink: files.Sink) -> str:
    """Write the frames of the file at `path`; the SHA-256 of what was read."""
    codec = pa.Codec("zstd", compression_level=LEVEL)
    digest = hashlib.sha256()
    for piece in _pieces(path):
        digest.update(piece)
        sink.write(memoryview(codec.compress(piece)))
    return digest.hexdigest()


def _pieces(path: Path) -> Iterator[memoryview]:
    """The file in pieces of FRAME bytes, in one buffer; an empty file is one empty piece."""
    try:
        with path.open("rb") as stream:
            buffer = memoryview(bytearray(FRAME))
            size = stream.readinto(buffer)
            yield buffer[:size]
            while size := stream.readinto(buffer):
                yield buffer[:size]
    except OSError as problem:
        said = (problem.strerror or str(problem)).lower()
        raise BookProblem(f"{path}: cannot read it: {said}", "check the file, then run again") from problem


def open_original(layout: Layout, sha256: str) -> BinaryIO:
    """The original's bytes as a stream. Raises BookProblem when the book does not hold it."""
    path = layout.original(sha256)
    try:
        stream = pa.CompressedInputStream(pa.OSFile(str(path)), "zstd")
    except FileNotFoundError as problem:
        raise BookProblem(
            f"{path}: the original is missing", "take in the file again, or copy it from a copy of the book"
        ) from problem
    return cast(BinaryIO, io.BufferedReader(stream, FRAME))


def content_sha256(path: Path) -> str:
    """SHA-256 of what an original's file decompresses to. Raises OSError when it cannot be decompressed."""
    digest = hashlib.sha256()
    with pa.OSFile(str(path)) as raw, pa.CompressedInputStream(raw, "zstd") as stream:
        while piece := stream.read(FRAME):
            digest.update(piece)
    return digest.hexdigest()
