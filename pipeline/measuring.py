"""From stored tables to results: the stretches of each log and each test, measured once and kept.

A log is cut into stints and each stint is measured; a test is measured over the logs tied to it. What
comes out is kept under a digest of all that went in, so nothing is measured twice and nothing old is lost.
"""

from __future__ import annotations

import hashlib
import json
from collections import deque
from collections.abc import Iterable, Iterator, Mapping, Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass, field, replace
from datetime import UTC, date, datetime
from functools import lru_cache
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.parquet as pq

from rangebook.archive import Book

from . import stints as cutting
from .reading import Finding
from .stretch import Fixes, Measure, Result, Samples, Stint, Stretch
from .tables import INSTANT
from .tying import SLACK, Log, window

if TYPE_CHECKING:
    from pyarrow import RecordBatch

LONG_ROWS = 100_000
"""From here on numpy works long enough at a time for two stints to be measured side by side."""
RESULTS = pa.schema(
    [
        ("test", pa.string()), ("stint", pa.string()), ("quantity", pa.string()), ("value", pa.float64()),
        ("unit", pa.string()), ("u", pa.float64()), ("lower_bound", pa.bool_()), ("method", pa.string()),
        ("method_version", pa.string()), ("computed_at", INSTANT), ("note", pa.string()),
    ]
)  # fmt: skip


@dataclass(frozen=True)
class Source:
    """A log as the measurer needs it: its tables' paths and what they hold."""

    original: str
    samples: Path | None
    fixes: Path | None
    started: int | None
    ended: int | None


@dataclass(frozen=True)
class Job:
    """All that goes into one measurement: a log's stints (test is None) or a test. Plain data, so that it can be
    sent to another process; `digest` names the outcome."""

    subject: str
    kind: str
    logs: Sequence[Source]
    tracks: Sequence[Source]
    cart: Mapping[str, Any]
    pack: Mapping[str, Any]
    test: Mapping[str, Any]
    marks: Sequence[Path]
    instruments: Mapping[str, Mapping[str, Any]]
    digest: str = ""


@dataclass
class Measured:
    """What came out: stints of a log (none for a test), rows of results, findings with the stint they are about."""

    stints: list[dict[str, Any]] = field(default_factory=list)
    results: list[dict[str, Any]] = field(default_factory=list)
    findings: list[dict[str, Any]] = field(default_factory=list)

    def add(self, more: Measured) -> None:
        self.stints += more.stints
        self.results += more.results
        self.findings += more.findings

    def table(self) -> pa.Table:
        facts = json.dumps({"stints": self.stints, "findings": self.findings})
        return pa.Table.from_pylist(self.results, schema=RESULTS.with_metadata({"rangebook": facts}))

    @classmethod
    def of(cls, table: pa.Table) -> Measured:
        facts = json.loads(table.schema.metadata[b"rangebook"])
        return cls(facts["stints"], table.to_pylist(), facts["findings"])


def source(book: Book, log: Log) -> Source:
    """Where the tables of a log stand."""
    return Source(
        log.original,
        book.table_path(dict(log.record), "samples") if log.rows("samples") else None,
        book.table_path(dict(log.record), "fixes") if log.rows("fixes") else None,
        log.started,
        log.ended,
    )


def digested(job: Job, logs: Iterable[Log], measures: Sequence[Measure]) -> Job:
    """`job` with the digest of its inputs: table hashes, register rows, marks and method versions."""
    inputs = {
        "subject": job.subject,
        "logs": sorted((log.original, log.record["reader"], log.record["reader_version"],
                        sorted((name, facts["sha256"]) for name, facts in log.record["tables"].items()))
                       for log in logs),
        "order": [one.original for one in (*job.logs, *job.tracks)],
        "marks": ["/".join(path.parts[-3:]) for path in job.marks],
        "register": [job.kind, _plain(job.cart), _plain(job.pack), _plain(job.test), _plain(job.instruments)],
        "methods": [cutting.VERSION, *(f"{measure.name}-{measure.version}" for measure in measures)],
    }  # fmt: skip
    text = json.dumps(inputs, sort_keys=True, default=str)
    return replace(job, digest=hashlib.sha256(text.encode()).hexdigest()[:32])


def _plain(value: Any) -> Any:
    if isinstance(value, Mapping):
        return {key: _plain(item) for key, item in value.items() if item is not None}
    return value.isoformat() if isinstance(value, datetime | date) else value


def measure(job: Job, measures: Sequence[Measure]) -> Measured:
    """Measure one job from the files it names. Pure: reads the tables, writes nothing."""
    return _measure_test(job, measures) if job.test else _measure_log(job, measures)


# A log: cut, then each stint for itself.


def _measure_log(job: Job, measures: Sequence[Measure]) -> Measured:
    measured = Measured()
    log = job.logs[0]
    if log.samples is not None:
        for piece in _measure_stints(job, log, _Rows(log.samples), measures):
            measured.add(piece)
    if log.fixes is not None and not any(stint["source"] == "samples" for stint in measured.stints):
        _measure_track(job, log, measures, measured)
    return measured


def _measure_stints(job: Job, log: Source, rows: _Rows, measures: Sequence[Measure]) -> Iterator[Measured]:
    """What each stint gives, in order. Two long ones are measured at once while the next is cut, which shares the
    cores; short ones would only wait for each other."""
    running: deque[Future[Measured]] = deque()
    with ThreadPoolExecutor(2) as pool:
        for number, stint in enumerate(cutting.cut(rows.batches(), rows.biggest())):
            table = rows.between(stint.first, stint.last)
            if len(table) >= LONG_ROWS:
                running.append(pool.submit(_measure_stint, job, log, measures, number, stint, table))
            while running and (len(running) > 2 or len(table) < LONG_ROWS):
                yield running.popleft().result()
            if len(table) < LONG_ROWS:
                yield _measure_stint(job, log, measures, number, stint, table)
        yield from (one.result() for one in running)


def _measure_stint(
    job: Job, log: Source, measures: Sequence[Measure], number: int, stint: Stint, table: pa.Table
) -> Measured:
    measured = Measured()
    samples = Samples.of(table)
    alone = replace(stint, first=0, last=len(samples) - 1)
    fixes = _fixes(job.tracks, stint.started, stint.ended, samples)
    stretch = _stretch(job, stint.kind, samples, [alone], fixes)
    _record(measured, stretch, measures, None, _stint(job, log, number, stint, "samples", measured))
    return measured


def _measure_track(job: Job, log: Source, measures: Sequence[Measure], measured: Measured) -> None:
    assert log.fixes is not None
    fixes = Fixes.of(pq.read_table(log.fixes))
    covered = [(one.started, one.ended) for one in job.logs[1:]]
    for number, stint in enumerate(cutting.cut_track(fixes)):
        if any(_share(stint, *span) for span in covered):
            continue
        part = _part(fixes, stint.first, stint.last)
        stretch = _stretch(job, stint.kind, None, [stint], part)
        _record(measured, stretch, measures, None, _stint(job, log, number, stint, "fixes", measured))


def _share(stint: Stint, started: int | None, ended: int | None) -> bool:
    if stint.started is None or stint.ended is None or started is None or ended is None:
        return False
    return min(stint.ended, ended) > max(stint.started, started)


def _stint(job: Job, log: Source, number: int, stint: Stint, kind: str, measured: Measured) -> str:
    name = f"{log.original[:12]}-{number:03d}"
    measured.stints.append(
        {"stint": name, "original": log.original, "kind": stint.kind, "started": stint.started, "ended": stint.ended,
         "first_row": stint.first, "last_row": stint.last, "source": kind}
    )  # fmt: skip
    return name


# A test: the stints of its logs that its sheet's times cover, with the rests beside them.


def _measure_test(job: Job, measures: Sequence[Measure]) -> Measured:
    measured = Measured()
    samples, stints = _gather(job)
    drives = [stint for stint in stints if stint.kind != "rest"]
    span = (drives[0].started, drives[-1].ended) if drives else (None, None)
    stretch = _stretch(job, job.kind, samples, stints, _fixes(job.tracks, *span, samples))
    marks = [row for path in job.marks for row in pq.read_table(path).to_pylist()]
    _record(measured, replace(stretch, marks=marks), measures, str(job.test["test"]), None)
    return measured


def _gather(job: Job) -> tuple[Samples | None, list[Stint]]:
    """Samples of the test's logs and how they are cut, by time. Of two that cover the same time the longer counts."""
    pieces: list[tuple[pa.Table, Stint]] = []
    for log in sorted(job.logs, key=lambda one: -(one.ended or 0) + (one.started or 0)):
        if log.samples is None:
            continue
        rows = _Rows(log.samples)
        cut = list(cutting.cut(rows.batches(), rows.biggest()))
        for stint in _of_test(cut, job):
            if not any(_share(stint, taken.started, taken.ended) for _, taken in pieces):
                pieces.append((rows.between(stint.first, stint.last), stint))
    if not pieces:
        return None, []
    pieces.sort(key=lambda piece: piece[1].started or 0)
    stints, first = [], 0
    for table, stint in pieces:
        stints.append(replace(stint, first=first, last=first + len(table) - 1))
        first += len(table)
    whole = pa.concat_tables([table for table, _ in pieces], promote_options="default")
    return Samples.of(whole), stints


def _of_test(stints: Sequence[Stint], job: Job) -> list[Stint]:
    """The stints a test is made of: those with load that its times touch (all, where none is touched or no times
    are stated), and the rests and charges that lie between them or right beside them."""
    span = window(job.test)
    loaded = [n for n, stint in enumerate(stints) if stint.kind == _wanted(job.kind)]
    inside = [n for n in loaded if span is not None and _share(stints[n], span[0] - SLACK, span[1] + SLACK)] or loaded
    if not inside:
        return list(stints)
    first, last = min(inside), max(inside)
    return list(stints[max(first - 2, 0) : _recharged(stints, last) + 1])


def _recharged(stints: Sequence[Stint], last: int) -> int:
    """The last of the stints that belong to the load at `last`: what follows it, and where that is a rest the charge
    after it and the rest after that, by which the recharge of a drive is told."""
    after = min(last + 1, len(stints) - 1)
    for kind in ("charge", "rest"):
        if stints[after].kind != kind and after + 1 < len(stints) and stints[after + 1].kind == kind:
            after += 1
    return after


def _wanted(kind: str) -> str:
    return {"charge": "charge", "standing": "rest"}.get(kind, "drive")


# Shared by both.


def _stretch(job: Job, kind: str, samples: Samples | None, stints: Sequence[Stint], fixes: Fixes | None) -> Stretch:
    return Stretch(kind, samples, fixes, stints, (), job.cart, job.pack, job.test, job.instruments)


def _record(
    measured: Measured, stretch: Stretch, measures: Sequence[Measure], test: str | None, stint: str | None
) -> None:
    """Run every measure over `stretch`, each seeing the results of those before it."""
    now = datetime.now(UTC)
    known: dict[str, Result] = {}
    for one in measures:
        for item in _computed(one, replace(stretch, known=known)):
            if isinstance(item, Finding):
                measured.findings.append({**vars(item), "test": test, "stint": stint})
                continue
            known[item.quantity] = item
            measured.results.append(
                {**vars(item), "test": test, "stint": stint, "computed_at": now,
                 "method_version": f"{one.name}-{one.version}"}
            )  # fmt: skip


def _computed(one: Measure, stretch: Stretch) -> Iterator[Result | Finding]:
    """What a measure yields; when it breaks, that is said in a finding and the other measures go on."""
    try:
        yield from one.compute(stretch)
    except Exception as problem:
        words = f"measure {one.name} {one.version} broke: {type(problem).__name__}: {problem}; its figures are missing"
        yield Finding("measure-broke", "problem", words)


def _fixes(tracks: Sequence[Source], started: int | None, ended: int | None, samples: Samples | None) -> Fixes | None:
    """The fixes that cover a span, from tracks that do not overlap, fullest first; the fullest track without a span."""
    parts: list[Fixes] = []
    spans: list[tuple[int, int]] = []
    for track in tracks:
        if track.fixes is None or any(_crosses(track, span) for span in spans):
            continue
        table = _within(track.fixes, started, ended)
        if not len(table):
            continue
        parts.append(Fixes.of(table, None if samples is None else samples.start))
        if track.started is not None and track.ended is not None:
            spans.append((track.started, track.ended))
        if started is None or track.started is None:
            break
    return _joined(parts)


def _crosses(track: Source, span: tuple[int, int]) -> bool:
    return track.started is not None and track.ended is not None and track.started < span[1] and track.ended > span[0]


def _within(path: Path, started: int | None, ended: int | None) -> pa.Table:
    """Fixes of a track inside a span, and five seconds around it; all of a track without times."""
    table = pq.read_table(path)
    time = table.column("time")
    if started is None or ended is None or time.null_count == len(table):
        return table
    micros = pc.fill_null(time.cast(pa.int64()), -1)
    margin = 5_000_000
    inside = pc.and_(pc.greater_equal(micros, started - margin), pc.less_equal(micros, ended + margin))
    return table.filter(inside)


def _joined(parts: Sequence[Fixes]) -> Fixes | None:
    if not parts:
        return None
    parts = sorted(parts, key=lambda one: one.second[0] if len(one) and not np.isnan(one.second[0]) else 0.0)
    offset, segments = 0, []
    for one in parts:
        segments.append(one.segment + offset)
        offset += int(one.segment.max()) + 1
    names = ("second", "latitude", "longitude", "elevation", "speed", "hdop")
    columns = {name: np.concatenate([getattr(one, name) for one in parts]) for name in names}
    return Fixes(start=parts[0].start, segment=np.concatenate(segments), **columns)


def _part(fixes: Fixes, first: int, last: int) -> Fixes:
    cut = slice(first, last + 1)
    names = ("second", "segment", "latitude", "longitude", "elevation", "speed", "hdop")
    return Fixes(start=fixes.start, **{name: getattr(fixes, name)[cut] for name in names})


class _Rows:
    """A stored samples table, read a row group at a time."""

    def __init__(self, path: Path) -> None:
        self.file = pq.ParquetFile(path)
        sizes = [self.file.metadata.row_group(n).num_rows for n in range(self.file.num_row_groups)]
        self.starts = np.concatenate([[0], np.cumsum(sizes)]) if sizes else np.zeros(1, dtype=np.int64)
        self.group = lru_cache(maxsize=4)(self.file.read_row_group)  # read once, for cutting and for measuring

    def batches(self) -> Iterator[RecordBatch]:
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
