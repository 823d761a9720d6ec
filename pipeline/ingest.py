"""The left half of the way, on one page: original -> reader -> canonical tables -> book -> results -> catalogue."""

from __future__ import annotations

import multiprocessing
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from concurrent.futures import ProcessPoolExecutor, ThreadPoolExecutor
from dataclasses import asdict, dataclass, field, replace
from datetime import UTC, date, datetime
from fnmatch import fnmatch
from functools import cache
from hashlib import sha256
from importlib.metadata import version
from pathlib import Path, PurePath
from typing import TYPE_CHECKING, Any
from zoneinfo import ZoneInfo

from rangebook.archive import Book, BookProblem

from .clean import Cleaner
from .errors import InputProblem, PluginProblem, Problem
from .original import Original
from .reading import Finding, Item, Options, Reader, Rows, Said, Used
from .refresh import refresh, stale
from .registry import Plugins, choose, plugin_manager
from .state import State
from .tying import moment

if TYPE_CHECKING:
    from rangebook.archive import ReadingWriter

Progress = Callable[[str, int, int], None]


@dataclass(frozen=True)
class Wish:
    """What the person said about the files: the cart they belong to, the reader to use, the column map to go by."""

    cart: str | None = None
    reader: str | None = None
    map: str | None = None


@dataclass(frozen=True)
class Outcome:
    """What became of one file. status: read, known (held already) or rejected (nothing kept; `problem` says why)."""

    path: str
    sha256: str | None
    reader: str | None
    status: str
    tables: Mapping[str, int] = field(default_factory=dict)
    findings: Sequence[Finding] = ()
    tests: Sequence[str] = ()
    problem: Problem | BookProblem | None = None


@dataclass(frozen=True)
class Ingested:
    """What became of all files, and the state of the book after."""

    outcomes: Sequence[Outcome]
    state: State | None


def ingest(
    book: Book, paths: Iterable[Path], plugins: Plugins, wish: Wish = Wish(), jobs: int = 1,
    progress: Progress | None = None,
) -> Ingested:  # fmt: skip
    """Take files (and all files in folders) into the book, then measure what is new and refresh the catalogue.

    A file that cannot be used is reported in its outcome and harms nothing; the others are taken in.
    """
    book.tidy()
    files = list(gather(paths, book.facts.get("intake", {}).get("leave_out", ())))
    records = list(book.records())
    options = Options(zone=book.facts["zone"], map=wish.map, known_maps=known_maps(records))
    outcomes = []
    for outcome in _each(book, files, plugins, wish, options, jobs):
        outcomes.append(outcome)
        if progress:
            progress("reading", len(outcomes), len(files))
    outcomes = _again_with_dates(book, outcomes, records, wish, options, plugins)
    changed = any(one.status == "read" for one in outcomes)
    state = refresh(book, plugins.measures(), jobs, progress) if changed or stale(book) else None
    return Ingested(outcomes, state)


def gather(paths: Iterable[Path], leave_out: Sequence[str]) -> Iterator[Path]:
    """The files meant by `paths`: a file is itself, a folder all files in it, but none whose path in it has a part
    that fits one of the patterns `leave_out`."""
    for path in paths:
        if not path.is_dir():
            yield path
            continue
        found = sorted(
            one for one in path.rglob("*") if one.is_file() and not _left_out(one.relative_to(path), leave_out)
        )
        if not found:
            raise InputProblem("no files to take in it", "give a folder with logs and sheets", path=path)
        yield from found


def _left_out(path: Path, patterns: Sequence[str]) -> bool:
    return any(fnmatch(part, pattern) for part in path.parts for pattern in patterns)


def known_maps(records: Iterable[Mapping[str, Any]]) -> dict[str, str]:
    """Column maps given before: signature of the header to the map's text, the latest given counts."""
    used = [record["used"] for record in sorted(records, key=lambda record: str(record["taken_in"]))]
    return {facts["header"]: facts["map"] for facts in used if facts.get("map") and facts.get("header")}


# One file.


def take_in(book: Book, path: Path, plugins: Plugins, wish: Wish, options: Options) -> Outcome:
    """Read one file into the book: the original first, then its tables, then the record that names them."""
    try:
        original = Original.at(path)
        failed: list[PluginProblem] = []
        reader, _ = choose(plugins.readers(), original, wish.reader, failed)
    except Problem as problem:
        return Outcome(str(path), None, None, "rejected", problem=problem)
    label = reader.version if options.map is None else f"{reader.version}+{_short(options.map)}"
    try:
        if book.holds(original.sha256, reader.name, label):
            return Outcome(str(path), original.sha256, reader.name, "known")
        return _read(book, original, reader, label, wish, options, failed)
    except (Problem, BookProblem) as problem:
        return Outcome(str(path), original.sha256, reader.name, "rejected", problem=problem)


def _short(text: str) -> str:
    return sha256(text.encode()).hexdigest()[:8]


def _read(
    book: Book, original: Original, reader: Reader, label: str, wish: Wish, options: Options,
    failed: Iterable[PluginProblem],
) -> Outcome:  # fmt: skip
    intake = _Intake()
    intake.findings.extend(Finding("recogniser-broke", "warning", str(problem)) for problem in failed)
    with ThreadPoolExecutor(2) as beside, book.reading_writer(original.sha256, reader.name, label) as writer:
        kept = beside.submit(book.keep_original, original.path, original.sha256)
        for item in _ahead(_items(reader, original, options), beside):
            intake.put(item, writer)
        intake.close(writer)
        kept.result()
        stored = writer.finish(_record(original, reader, label, wish, intake))
        rows = dict(writer.rows)
    tests = [said["row"]["test"] for said in intake.said if said["table"] == "tests"]
    status = "read" if stored else "known"
    return Outcome(str(original.path), original.sha256, reader.name, status, rows, intake.findings, tests)


def _ahead(items: Iterator[Item], beside: ThreadPoolExecutor) -> Iterator[Item]:
    """The same items; the next is read while this one is cleaned and written."""
    coming = beside.submit(next, items, None)
    while (item := coming.result()) is not None:
        coming = beside.submit(next, items, None)
        yield item


def _items(reader: Reader, original: Original, options: Options) -> Iterator[Item]:
    """What the reader yields; anything it raises that is no Problem is that plugin's fault, and said so."""
    try:
        yield from reader.read(original, options)
    except (Problem, MemoryError):
        raise
    except OSError as problem:
        raise InputProblem(f"could not be read: {problem.strerror or problem}", path=original.path) from problem
    except Exception as problem:
        what = f"reader {reader.name} {reader.version} broke on {original.path}: {type(problem).__name__}: {problem}"
        raise PluginProblem(what, "tell its maker, and try another reader with `--reader`") from problem


class _Intake:
    """Where a reader's items go: rows through cleaning into the writer, the rest into the record."""

    def __init__(self) -> None:
        self.cleaners: dict[str, Cleaner] = {}
        self.said: list[dict[str, Any]] = []
        self.findings: list[Finding] = []
        self.used: dict[str, Any] = {}

    def put(self, item: Any, writer: ReadingWriter) -> None:
        match item:
            case Rows(table="samples" | "fixes"):
                cleaner = self.cleaners.setdefault(item.table, Cleaner(item.table))
                for clean in cleaner.take(item):
                    writer.write(clean.table, clean.batch)
            case Rows():
                writer.write(item.table, item.batch)
            case Said():
                row = {name: _plain(value) for name, value in item.row.items()}
                self.said.append({"table": item.table, "row": row, "line": item.line})
            case Finding():
                self.findings.append(item)
            case Used():
                self.used.update(item.facts)

    def close(self, writer: ReadingWriter) -> None:
        for table, cleaner in self.cleaners.items():
            self.findings.extend(cleaner.findings())
            if cleaner.needs_sort:
                writer.sort(table, "time")

    def span(self) -> tuple[int | None, int | None]:
        """First and last instant of all rows, microseconds."""
        first = [one.started for one in self.cleaners.values() if one.started is not None]
        last = [one.ended for one in self.cleaners.values() if one.ended is not None]
        return min(first, default=None), max(last, default=None)


def _record(original: Original, reader: Reader, label: str, wish: Wish, intake: _Intake) -> dict[str, Any]:
    started, ended = intake.span()
    return {
        "original": original.sha256,
        "name": original.name,
        "folder": original.path.absolute().parent.as_posix(),
        "bytes": original.size,
        "taken_in": datetime.now(UTC).isoformat(timespec="microseconds"),
        "cart": wish.cart,
        "reader": reader.name,
        "reader_version": label,
        "program_version": _program_version(),
        "said": intake.said,
        "findings": [asdict(finding) for finding in intake.findings],
        "used": intake.used,
        "started": None if started is None else _plain(moment(started)),
        "ended": None if ended is None else _plain(moment(ended)),
    }


@cache
def _program_version() -> str:
    return version("rangebook")


def _plain(value: Any) -> Any:
    return value.isoformat() if isinstance(value, date) else value


# Many files.


def _each(
    book: Book, files: Sequence[Path], plugins: Plugins, wish: Wish, options: Options, jobs: int
) -> Iterator[Outcome]:
    """The outcome of each file, in the order given."""
    if jobs <= 1 or len(files) < 8 * jobs:
        yield from (take_in(book, path, plugins, wish, options) for path in files)
        return
    spawn = multiprocessing.get_context("spawn")
    settled = (book.folder, wish, options)
    with ProcessPoolExecutor(jobs, mp_context=spawn, initializer=_settle, initargs=settled) as pool:
        yield from pool.map(_take_in_there, files, chunksize=max(1, min(32, len(files) // (4 * jobs))))


_there: dict[str, Any] = {}
"""What a worker process works with, set once when it starts."""


def _settle(folder: Path, wish: Wish, options: Options) -> None:
    _there.update(book=Book.open(folder), plugins=plugin_manager(), wish=wish, options=options)


def _take_in_there(path: Path) -> Outcome:
    return take_in(_there["book"], path, _there["plugins"], _there["wish"], _there["options"])


def _again_with_dates(
    book: Book, outcomes: Sequence[Outcome], records: Sequence[Mapping[str, Any]], wish: Wish, options: Options,
    plugins: Plugins,
) -> list[Outcome]:  # fmt: skip
    """Logs that hold only a time of day are read again once a sheet, maybe of this very run, gives their day."""
    if not any(_unread(one) for one in outcomes):
        return list(outcomes)
    dates = _dates([*records, *book.records()], ZoneInfo(options.zone))
    days = [dates.get(Path(one.path).name.casefold()) if _unread(one) else None for one in outcomes]
    return [
        one if day is None else take_in(book, Path(one.path), plugins, wish, replace(options, date=day))
        for one, day in zip(outcomes, days, strict=True)
    ]


def _unread(one: Outcome) -> bool:
    return one.status == "rejected" and isinstance(one.problem, InputProblem)


def _dates(records: Iterable[Mapping[str, Any]], zone: ZoneInfo) -> dict[str, date]:
    """Names of logs that test sheets name to the local day of the test."""
    found: dict[str, date] = {}
    for record in records:
        for said in record["said"]:
            row = said["row"]
            if said["table"] == "tests" and row.get("started"):
                day = datetime.fromisoformat(row["started"]).astimezone(zone).date()
                found.update({PurePath(name).name.casefold(): day for name in row.get("logs") or ()})
    return found


def read_map(path: Path | None) -> str | None:
    """The text of a column map file. Raises InputProblem when it cannot be read."""
    if path is None:
        return None
    try:
        return path.read_text(encoding="utf-8-sig")
    except (OSError, UnicodeDecodeError) as problem:
        raise InputProblem("cannot be read as a map", "give a TOML file in UTF-8", path=path) from problem
