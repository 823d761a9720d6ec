"""Stored samples and fixes, read back for measuring."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq

from .stretch import Fixes, Samples
from .tying import Log

if TYPE_CHECKING:
    from rangebook.archive import Book

MARGIN_SECOND = 5.0
"""Fixes so little outside a span still tell where it begins and ends."""


@dataclass(frozen=True)
class Source:
    """A log as the measurer needs it: its tables' paths, when it began and ended (microseconds since 1970 UTC, None
    without times), and whether the sheet of the test at hand names it."""

    original: str
    samples: Path | None
    fixes: Path | None
    started: int | None
    ended: int | None
    named: bool = False


def source(book: Book, log: Log, named: bool = False) -> Source:
    """Where the tables of a log stand."""
    return Source(
        log.original,
        book.table_path(dict(log.record), "samples") if log.rows("samples") else None,
        book.table_path(dict(log.record), "fixes") if log.rows("fixes") else None,
        log.started,
        log.ended,
        named,
    )


class SampleRows:
    """A stored samples table, read a row group at a time."""

    def __init__(self, path: Path) -> None:
        self.file = pq.ParquetFile(path)
        sizes = [self.file.metadata.row_group(n).num_rows for n in range(self.file.num_row_groups)]
        self.starts = np.concatenate([[0], np.cumsum(sizes)]) if sizes else np.zeros(1, dtype=np.int64)
        self.group = lru_cache(maxsize=4)(self.file.read_row_group)  # read once, for cutting and for measuring

    def batches(self) -> Iterator[pa.RecordBatch]:
        """What stints are cut by, in order."""
        wanted = ("time", "voltage_volt", "current_ampere", "speed_metre_per_second")
        names = [name for name in wanted if name in self.file.schema_arrow.names]
        for n in range(self.file.num_row_groups):
            yield from self.group(n).select(names).to_batches()

    def biggest(self) -> float:
        """Largest |current| from the statistics of the row groups, 0 where there is none."""
        index = self.file.schema_arrow.get_field_index("current_ampere")
        found = 0.0
        for n in range(self.file.num_row_groups):
            facts = self.file.metadata.row_group(n).column(index).statistics
            if facts is not None and facts.has_min_max:
                found = max(found, abs(facts.min), abs(facts.max))
        return found

    def between(self, first: int, last: int) -> pa.Table:
        """Rows first to last, both included."""
        low = int(np.searchsorted(self.starts, first, side="right")) - 1
        high = int(np.searchsorted(self.starts, last, side="right")) - 1
        table = pa.concat_tables([self.group(n) for n in range(low, high + 1)])
        return table.slice(first - int(self.starts[low]), last - first + 1)


def fixes_of(
    tracks: Sequence[Source],
    started: int | None,
    ended: int | None,
    samples: Samples | None,
    clock: Callable[[Source, Fixes], Fixes] | None = None,
) -> Fixes | None:
    """The fixes of a span (microseconds), from tracks that do not overlap in it, the first given first; without a span,
    or from a track without times, one track whole. Their `second` counts from the start of `samples`, if any.

    clock: puts the fixes of a track on the clock of the samples, before they are cut.
    """
    start = samples.start if samples is not None else next((one.started for one in tracks if one.fixes), None)
    parts: list[Fixes] = []
    for track in tracks:
        if track.fixes is None:
            continue
        fixes = Fixes.of(pq.read_table(track.fixes), start)
        part = _within(fixes if clock is None else clock(track, fixes), started, ended)
        if not len(part) or any(_crosses(part, other) for other in parts):
            continue
        parts.append(part)
        if started is None or np.isnan(part.second).all():
            break
    return _joined(parts)


def part_of(fixes: Fixes, first: int, last: int) -> Fixes:
    """Fixes first to last, both included."""
    return _some(fixes, slice(first, last + 1))


def _within(fixes: Fixes, started: int | None, ended: int | None) -> Fixes:
    """The fixes inside a span and a little around it; all of a track without times."""
    if started is None or ended is None or np.isnan(fixes.second).all():
        return fixes
    low, high = (started - fixes.start) / 1e6 - MARGIN_SECOND, (ended - fixes.start) / 1e6 + MARGIN_SECOND
    return _some(fixes, np.flatnonzero((fixes.second >= low) & (fixes.second <= high)))


def _crosses(one: Fixes, other: Fixes) -> bool:
    return bool(np.nanmin(one.second) < np.nanmax(other.second) and np.nanmax(one.second) > np.nanmin(other.second))


COLUMNS = ("second", "segment", "latitude", "longitude", "elevation", "speed", "hdop")


def _some(fixes: Fixes, rows: slice | np.ndarray[tuple[int], np.dtype[np.int64]]) -> Fixes:
    return Fixes(start=fixes.start, **{name: getattr(fixes, name)[rows] for name in COLUMNS})


def _joined(parts: Sequence[Fixes]) -> Fixes | None:
    """Parts of one zero as one, in order of time; each keeps its segments apart."""
    if len(parts) < 2:
        return parts[0] if parts else None
    ordered = sorted(parts, key=lambda one: float(np.nanmin(one.second)))
    columns = {name: np.concatenate([getattr(one, name) for one in ordered]) for name in COLUMNS}
    sizes = [int(one.segment.max()) + 1 for one in ordered]
    shift = np.repeat(np.cumsum([0, *sizes[:-1]]), [len(one) for one in ordered])
    return Fixes(start=ordered[0].start, **{**columns, "segment": columns["segment"] + shift})
