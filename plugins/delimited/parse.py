"""One chunk of text as typed columns.

Arrow reads the whole chunk at once. Where it cannot, because a line of the chunk is not like the others,
the chunk is read once more as texts, columns are converted as far as they go, and each line that cannot be used is
set aside with its number and the reason.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
from pyarrow import csv

from rangebook.pipeline.reading import Wholes

from .chunks import Chunk, decoded, record_lines
from .columns import Column
from .dialect import MISSING, Dialect
from .written import Mask

_BLOCK = 2 << 20  # bytes that one thread parses at a time
_NUMBER = r"^[+-]?(?:\d+(?:[{0}]\d*)?|[{0}]\d+)(?:[eE][+-]?\d+)?$|^(?i)[+-]?inf(?:inity)?$"


@dataclass(frozen=True)
class Layout:
    """How the chunks of a file are read: its dialect, the columns to take, the types that some are read in, and

    what stands for nothing.
    """

    dialect: Dialect
    columns: Sequence[Column]
    kinds: Mapping[int, pa.DataType]
    missing: Sequence[str] = MISSING


@dataclass(frozen=True)
class Fault:
    """Lines of one chunk that cannot be used, for one reason. rows: which records; whys: in words, one a record."""

    code: str
    rows: Wholes
    whys: Sequence[str]


@dataclass
class Parsed:
    """A chunk's n records. cells: column by position, one cell a good record. good: which records those are.

    starts, ends: first and last line of each record.
    """

    cells: dict[int, pa.Array]
    good: Mask
    starts: Wholes
    ends: Wholes
    faults: list[Fault] = field(default_factory=list)

    @property
    def lines(self) -> Wholes:
        """First line of each good record."""
        return self.starts if self.good.all() else self.starts[self.good]


def parse(chunk: Chunk, layout: Layout) -> Parsed:
    """`chunk` as columns."""
    table = None if b"\0" in chunk.data else _at_once(chunk, layout)
    if table is None:
        return _forgiving(chunk, layout)
    starts, ends = places(chunk, chunk.data, len(table), layout.dialect.delimiter)
    return Parsed(_by_position(table), np.ones(len(table), dtype=np.bool_), starts, ends)


def _at_once(chunk: Chunk, layout: Layout) -> pa.Table | None:
    """The chunk as typed columns, None when a line of it does not fit."""
    kinds = {
        c.position: pa.float64() if c.number else layout.kinds.get(c.position, pa.string()) for c in layout.columns
    }
    try:
        return _read(chunk.data, chunk.quote, layout, kinds, csv.ReadOptions(block_size=_BLOCK))
    except pa.ArrowInvalid:
        return None


def _read(
    data: bytes,
    quote: str,
    layout: Layout,
    kinds: Mapping[int, pa.DataType],
    options: csv.ReadOptions,
    strays: list[csv.InvalidRow] | None = None,
) -> pa.Table:
    """Columns of `data` as `kinds`; lines of another width go to `strays`, without it they raise ArrowInvalid."""

    def stray(row: csv.InvalidRow) -> str:
        assert strays is not None
        strays.append(row)
        return "skip"

    options.column_names = [str(place) for place in range(len(layout.dialect.names))]
    quoted = bool(quote) and quote.encode() in data
    return csv.read_csv(
        pa.py_buffer(data),
        read_options=options,
        parse_options=csv.ParseOptions(
            delimiter=layout.dialect.delimiter,
            quote_char=quote or False,
            newlines_in_values=quoted,
            invalid_row_handler=None if strays is None else stray,
        ),
        convert_options=csv.ConvertOptions(
            column_types={str(place): kind for place, kind in kinds.items()},
            include_columns=[str(place) for place in kinds],
            null_values=list(layout.missing),
            strings_can_be_null=True,
            decimal_point=layout.dialect.decimal,
        ),
    )


def _by_position(table: pa.Table) -> dict[int, pa.Array]:
    return {int(name): _joined(table.column(name)) for name in table.schema.names}


def _joined(column: pa.ChunkedArray) -> pa.Array:
    if column.num_chunks == 1:
        return column.chunk(0)
    joined = column.combine_chunks()
    return joined if isinstance(joined, pa.Array) else pa.concat_arrays(joined.chunks)


# ---- where records stand --------------------------------------------------------------------------------------


def places(chunk: Chunk, data: bytes, count: int, delimiter: str) -> tuple[Wholes, Wholes]:
    """First and last line of each of the `count` records of `data`, which has the lines of `chunk`."""
    if chunk.line_count == count:
        lines = np.arange(chunk.line, chunk.line + count, dtype=np.int64)
        return lines, lines
    lines = _lines_not_blank(data) + chunk.line
    if len(lines) == count:
        return lines, lines
    first, last, _ = record_lines(data, delimiter, chunk.quote)
    return _exactly(first, count) + chunk.line - 1, _exactly(last, count) + chunk.line - 1


def _lines_not_blank(data: bytes) -> Wholes:
    """Which lines of `data`, from 0, hold anything."""
    if not data:
        return np.zeros(0, dtype=np.int64)
    whole = np.frombuffer(data, dtype=np.uint8)
    ends = np.flatnonzero(whole == ord("\n"))
    if not data.endswith(b"\n"):
        ends = np.append(ends, len(whole))
    starts = np.concatenate([[0], ends[:-1] + 1])
    bare = (ends - starts == 1) & (whole[np.minimum(starts, len(whole) - 1)] == ord("\r"))
    return np.flatnonzero((ends > starts) & ~bare).astype(np.int64)


def _exactly(lines: Sequence[int], count: int) -> Wholes:
    """`lines` cut or filled up to `count`: lone carriage returns in a file of line feeds can make them differ."""
    told = np.asarray(lines or [1], dtype=np.int64)[:count]
    return np.concatenate([told, np.full(count - len(told), told[-1])])


# ---- the forgiving way ----------------------------------------------------------------------------------------


def _forgiving(chunk: Chunk, layout: Layout) -> Parsed:
    """The chunk read as texts, with a fault for each line that cannot be used."""
    data, nuls = _without_nul_lines(chunk)
    strays: list[csv.InvalidRow] = []
    kinds = {column.position: pa.string() for column in layout.columns}
    table = _texts(data, chunk.quote, layout, kinds, strays)
    stray_rows = np.array([row.number - 1 for row in strays], dtype=np.int64)
    count = len(table) + len(strays)
    starts, ends = places(chunk, data, count, layout.dialect.delimiter)
    faults = _stray_faults(chunk, strays, stray_rows, count)
    good = np.ones(count, dtype=np.bool_)
    good[stray_rows] = False
    cells, usable, more = _converted(_by_position(table), layout, np.flatnonzero(good), chunk, count)
    good[np.flatnonzero(good)[~usable]] = False
    if len(nuls):  # they stand after the records here, which no other code needs to know
        rows = np.arange(count, count + len(nuls), dtype=np.int64)
        faults.append(Fault("nul-bytes", rows, ["holds NUL bytes"] * len(nuls)))
        starts, ends = np.concatenate([starts, nuls]), np.concatenate([ends, nuls])
        good = np.concatenate([good, np.zeros(len(nuls), dtype=np.bool_)])
    return Parsed(cells, good, starts, ends, [*faults, *more])


def _without_nul_lines(chunk: Chunk) -> tuple[bytes, Wholes]:
    """The chunk with lines that hold NUL bytes made blank, and the numbers of those lines."""
    if b"\0" not in chunk.data:
        return chunk.data, np.zeros(0, dtype=np.int64)
    whole = np.frombuffer(chunk.data, dtype=np.uint8)
    bad = np.unique(np.searchsorted(chunk.line_starts, np.flatnonzero(whole == 0), side="right") - 1)
    drop = np.zeros(len(whole) + 1, dtype=np.int64)
    drop[chunk.line_starts[bad]] += 1
    drop[chunk.line_starts[bad + 1]] -= 1
    keep = (np.cumsum(drop)[:-1] == 0) | (whole == ord("\n"))
    return whole[keep].tobytes(), bad + chunk.line


def _texts(
    data: bytes, quote: str, layout: Layout, kinds: Mapping[int, pa.DataType], strays: list[csv.InvalidRow]
) -> pa.Table:
    """Columns of `data` as texts."""
    whole = decoded(data).encode()
    if not whole.strip():
        return pa.table({str(place): pa.array([], kind) for place, kind in kinds.items()})
    return _read(whole, quote, layout, kinds, csv.ReadOptions(block_size=len(whole) + 1, use_threads=False), strays)


def _stray_faults(chunk: Chunk, strays: Sequence[csv.InvalidRow], rows: Wholes, count: int) -> list[Fault]:
    """Faults for records of another width; the last line of a file that ends within it is told apart."""
    short = len(strays) > 0 and rows[-1] == count - 1 and strays[-1].actual_columns < strays[-1].expected_columns
    if short and chunk.ends and not chunk.data.endswith(b"\n"):
        return [*_ragged(strays[:-1], rows[:-1]), Fault("truncated", rows[-1:], ["the file ends within this line"])]
    return _ragged(strays, rows)


def _ragged(strays: Sequence[csv.InvalidRow], rows: Wholes) -> list[Fault]:
    whys = [f"{row.actual_columns} cells where the header has {row.expected_columns}" for row in strays]
    return [Fault("ragged-rows", rows, whys)] if whys else []


def _converted(
    texts: dict[int, pa.Array], layout: Layout, rows: Wholes, chunk: Chunk, count: int
) -> tuple[dict[int, pa.Array], Mask, list[Fault]]:
    """Text columns as their types. rows: record number of each. Returns the cells of usable rows, which rows those

    are, and the faults of the others.
    """
    trimmed = {place: _trimmed(column, layout.missing) for place, column in texts.items()}
    again = _header_again(trimmed, layout)
    faults = [Fault("header-again", rows[again], ["the header again"] * int(again.sum()))] if again.any() else []
    usable, cells = ~again, {}
    for column in layout.columns:
        text = trimmed[column.position]
        cells[column.position] = text
        if column.number:
            cells[column.position], bad = numbers(text, layout.dialect.decimal)
            bad &= usable
            if bad.any():
                faults.append(_no_number(column, text, rows, bad, chunk, count))
            usable &= ~bad
    if usable.all():
        return cells, usable, faults
    keep = pa.array(usable)
    return {place: column.filter(keep) for place, column in cells.items()}, usable, faults


def _trimmed(column: pa.Array, missing: Sequence[str]) -> pa.Array:
    text = pc.utf8_trim_whitespace(column)
    return pc.if_else(pc.is_in(text, pa.array(list(missing))), pa.scalar(None, pa.string()), text)


def _header_again(texts: Mapping[int, pa.Array], layout: Layout) -> Mask:
    """Rows whose cells are the header's."""
    names = layout.dialect.names
    same = [pc.fill_null(pc.equal(column, names[place]), False) for place, column in texts.items()]
    everywhere: Mask = np.logical_and.reduce([mask.to_numpy(zero_copy_only=False) for mask in same])
    return everywhere


def numbers(texts: pa.Array, decimal: str) -> tuple[pa.Array, Mask]:
    """Texts as float64 (null where null or no number), and which are stated but no number."""
    pattern = _NUMBER.format(decimal)
    fits = pc.fill_null(pc.match_substring_regex(texts, pattern), True)
    plain = pc.replace_substring(texts, decimal, ".") if decimal != "." else texts
    bad: Mask = ~fits.to_numpy(zero_copy_only=False)
    return pc.if_else(fits, plain, pa.scalar(None, pa.string())).cast(pa.float64()), bad


def _no_number(column: Column, texts: pa.Array, rows: Wholes, bad: Mask, chunk: Chunk, count: int) -> Fault:
    told = texts.filter(pa.array(bad)).to_pylist()
    whys = [f"`{text[:40]}` in `{column.name}` is no number" for text in told]
    return Fault("no-number", rows[bad], whys)
