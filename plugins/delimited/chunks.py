"""The original in pieces of a few megabytes that end where a record ends, as UTF-8, with line numbers.

Memory holds one piece and the record it cuts off, whatever the file's size.
"""

from __future__ import annotations

import codecs
import csv
import io
import re
from collections.abc import Iterator
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from rangebook.pipeline.errors import InputProblem
from rangebook.pipeline.original import Original
from rangebook.pipeline.reading import Wholes

from .dialect import Dialect

PIECE = 8 << 20  # bytes read at a time
LONGEST_LINE = 1 << 20  # a line (or a quoted field) beyond this is no log
LONGEST_TEXT = 500  # characters kept of a line that is set aside
_STRAY_BYTES = {0xDC00 + byte: bytes([byte]).decode("cp1252", "replace") for byte in range(128, 256)}
_NULS = re.compile(rb"\0{2,}")
STRAY_QUOTES = 5  # unclosed quotes in one piece before quotes are taken to mean nothing in the rest of it


@dataclass(frozen=True)
class Chunk:
    """Whole records. data: UTF-8, lines end with a line feed. line: number of its first line in the original.

    quote: the quote character that holds here ("" where a quote was opened and never closed). ends: whether
    the original ends with it.
    """

    data: bytes
    line: int
    quote: str
    ends: bool

    @cached_property
    def line_ends(self) -> int:
        """How many line feeds it has."""
        return int(np.count_nonzero(np.frombuffer(self.data, dtype=np.uint8) == ord("\n")))

    @property
    def line_count(self) -> int:
        """How many lines it has: the last may lack its end."""
        return self.line_ends + (not self.data.endswith(b"\n"))

    @cached_property
    def line_starts(self) -> Wholes:
        """Where each line starts in `data`, and where the last ends."""
        ends = np.flatnonzero(np.frombuffer(self.data, dtype=np.uint8) == ord("\n")) + 1
        if not self.data.endswith(b"\n"):
            ends = np.append(ends, len(self.data))
        return np.concatenate([[0], ends])

    def text(self, line: int, lines: int = 1) -> str:
        """`lines` lines of the original from `line` on, as they stood, without the last line end."""
        first = line - self.line
        start, end = int(self.line_starts[first]), int(self.line_starts[min(first + lines, self.line_count)])
        piece = self.data[start : min(end, start + 4 * LONGEST_TEXT)]
        return decoded(piece).rstrip("\r\n")[:LONGEST_TEXT]


def decoded(data: bytes) -> str:
    """UTF-8 as text; single bytes that are not UTF-8 after all are read as Windows Latin-1."""
    return data.decode("utf-8", "surrogateescape").translate(_STRAY_BYTES)


def chunks(original: Original, dialect: Dialect, piece: int | None = None) -> Iterator[Chunk]:
    """The data records of `original` from the first on.

    Raises InputProblem for a line longer than LONGEST_LINE.
    """
    line, carry, skip = 1, b"", dialect.table.first_line - 1
    for data, ends in _transcoded(original, dialect, piece or PIECE):
        data = carry + data if carry else data
        while skip and (end := data.find(b"\n") + 1):
            data, skip, line = data[end:], skip - 1, line + 1
        carry = data
        for chunk in () if skip else _whole_records(data, line, dialect, ends):
            if chunk.data:
                yield chunk
            carry, line = carry[len(chunk.data) :], line + chunk.line_ends
        if len(carry) > LONGEST_LINE:
            raise _too_long(original, line)


def _transcoded(original: Original, dialect: Dialect, piece: int) -> Iterator[tuple[bytes, bool]]:
    """Pieces of the original as UTF-8 with line feeds, and whether each is the last.

    Runs of NUL, which a logger leaves in a file it made larger than it filled, shrink to one.
    """
    decoder = None if dialect.encoding == "utf-8" else codecs.getincrementaldecoder(dialect.encoding)("replace")
    with original.open() as stream:
        stream.seek(dialect.bom)
        ahead = stream.read(piece)
        while True:
            raw, ahead = ahead, stream.read(piece)
            data = decoder.decode(raw, not ahead).encode() if decoder else raw
            data = _NULS.sub(b"\0", data) if b"\0" in data else data
            yield (data.replace(b"\r", b"\n") if dialect.line_end == "\r" else data), not ahead
            if not ahead:
                return


def _whole_records(data: bytes, line: int, dialect: Dialect, ends: bool) -> Iterator[Chunk]:
    """Chunks from the start of `data` up to its last whole record; up to its very end when the original `ends`.

    A quote that is opened and closes neither within LONGEST_LINE nor before the end is no quote: its line is
    a chunk of its own in which quotes mean nothing. After a few such lines the rest is taken likewise.
    """
    for quote in (*[dialect.quote] * STRAY_QUOTES, ""):
        cut = _cut(data, dialect.delimiter, quote, ends)
        chunk = Chunk(data[:cut], line, quote, ends and cut == len(data))
        yield chunk
        data, line = data[cut:], line + chunk.line_ends
        stray = data.find(b"\n") + 1 or (len(data) if ends else 0)
        if not stray or not (ends or len(data) > LONGEST_LINE):
            return
        yield Chunk(data[:stray], line, "", ends and stray == len(data))
        data, line = data[stray:], line + 1


def _cut(data: bytes, delimiter: str, quote: str, ends: bool) -> int:
    """Where the last whole record of `data` ends, 0 when none does."""
    end = len(data) if ends else data.rfind(b"\n") + 1
    if not quote or data.count(quote.encode(), 0, end) % 2 == 0:
        return end
    _, ends_on, closed = record_lines(data[:end], delimiter, quote)
    if closed:
        return end
    place = 0
    for _ in range(ends_on[-1] if ends_on else 0):
        place = data.index(b"\n", place) + 1
    return place


def record_lines(data: bytes, delimiter: str, quote: str) -> tuple[list[int], list[int], bool]:
    """First and last line (from 1) of each record of `data` that is not blank, and whether `data` ends with one.

    Goes record by record as RFC 4180 has it: only for chunks in which quoted cells hold line ends.
    """
    after = "\x01" if data.endswith(b"\n") else "\n\x01"
    reader = csv.reader(
        io.StringIO(decoded(data) + after, newline="\n"),
        delimiter=delimiter,
        quotechar=quote or None,
        quoting=csv.QUOTE_MINIMAL if quote else csv.QUOTE_NONE,
    )
    starts: list[int] = []
    ends: list[int] = []
    last: list[str] = []
    before = 0
    try:
        for last in reader:
            if last:
                starts.append(before + 1)
                ends.append(reader.line_num)
            before = reader.line_num
    except csv.Error:  # a quoted cell beyond csv's 128 KiB
        return starts, ends, False
    return starts[:-1], ends[:-1], last == ["\x01"]


def _too_long(original: Original, line: int) -> InputProblem:
    what = f"the line is longer than {LONGEST_LINE >> 20} MiB, the most a line can have"
    return InputProblem(what, "check that this is a text file, and that its lines end", path=original.path, line=line)
