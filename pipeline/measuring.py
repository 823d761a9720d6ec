"""From stored tables to results: the stretches of each log and each test, measured once and kept.

A log is cut into stints and each stint is measured; a test is measured over the logs tied to it. What
comes out is kept under a digest of all that went in, so nothing is measured twice and nothing old is lost.
"""

from __future__ import annotations

import hashlib
import json
from collections import deque
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass, field, replace
from datetime import UTC, date, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq

from . import clocks
from . import stints as cutting
from .reading import Finding
from .stored import SampleRows, Source, fixes_of, part_of
from .stretch import Fixes, Measure, Result, Samples, Stint, Stretch
from .tables import INSTANT
from .tying import SLACK, Log, window

if TYPE_CHECKING:
    pass

NEAR_SECOND = 300.0
"""Clocks of a log and a track that belong together by their times alone are no further apart."""
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
        "named": sorted(one.original for one in (*job.logs, *job.tracks) if one.named),
        "methods": [cutting.VERSION, clocks.VERSION, *(f"{measure.name}-{measure.version}" for measure in measures)],
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
        for piece in _measure_stints(job, log, SampleRows(log.samples), measures):
            measured.add(piece)
    if log.fixes is not None and not any(stint["source"] == "samples" for stint in measured.stints):
        _measure_track(job, log, measures, measured)
    return measured


def _measure_stints(job: Job, log: Source, rows: SampleRows, measures: Sequence[Measure]) -> Iterator[Measured]:
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
    fixes = fixes_of(job.tracks, stint.started, stint.ended, samples)
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
        part = part_of(fixes, stint.first, stint.last)
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
    fixes = fixes_of(job.tracks, *span, samples, _on_clock_of(samples, measured, str(job.test["test"])))
    stretch = _stretch(job, job.kind, samples, stints, fixes)
    marks = [row for path in job.marks for row in pq.read_table(path).to_pylist()]
    _record(measured, replace(stretch, marks=marks), measures, str(job.test["test"]), None)
    return measured


def _on_clock_of(samples: Samples | None, measured: Measured, test: str) -> Callable[[Source, Fixes], Fixes] | None:
    """What puts a track on the clock of the log, where the two match clearly, and says so in a finding.

    A track that only its time brought here is not believed to be far off: then it is another drive.
    """
    if samples is None:
        return None

    def put_right(track: Source, fixes: Fixes) -> Fixes:
        if np.isnan(fixes.second).all():
            return fixes
        found = clocks.match(samples, fixes)
        if found.applied and not track.named and abs(found.offset_second) > NEAR_SECOND:
            return fixes
        said = clocks.finding(found)
        if said is not None:
            measured.findings.append({**vars(said), "test": test, "stint": None})
        return clocks.aligned(fixes, found)

    return put_right


def _gather(job: Job) -> tuple[Samples | None, list[Stint]]:
    """Samples of the test's logs and how they are cut, by time. Of two that cover the same time the longer counts."""
    pieces: list[tuple[pa.Table, Stint]] = []
    for log in sorted(job.logs, key=lambda one: -(one.ended or 0) + (one.started or 0)):
        if log.samples is None:
            continue
        rows = SampleRows(log.samples)
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
