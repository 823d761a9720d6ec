"""Every call to the disk fails in turn, or is the last one of its process: nothing is half there, nothing is lost."""

from __future__ import annotations

import errno
import hashlib
import os
import random
import shutil
import subprocess
import sys
from pathlib import Path

import pyarrow as pa
import pytest

from rangebook.archive import Book, BookProblem

from .bookmaking import COLUMNS, batch, full_book, new_book, original_file
from .faults import failing

DIGEST = "cd" * 32
OLD = b"time,x\n0,0\n"
OLD_SHA256 = hashlib.sha256(OLD).hexdigest()


def take_in(book: Book, path: Path, sha256: str) -> None:
    """All that an ingest does to a book, more than one thing of each kind."""
    if not book.holds(sha256, "lines", "1"):
        book.keep_original(path, sha256)
        with book.reading_writer(sha256, "lines", "1") as writer:
            writer.write("samples", batch(5000, 5000))
            writer.write("samples", batch(0, 5000, "y"))
            writer.write("rejects", pa.RecordBatch.from_pydict({"line": [1], "text": ["?"]}, schema=COLUMNS["rejects"]))
            writer.finish({"name": path.name})
    with book.refreshing():
        book.store_results("T2", DIGEST, pa.table({"value": [2.5]}))
        publish_all(book)


def publish_all(book: Book) -> None:
    records = list(book.records())
    originals = {
        "original": [record["original"] for record in records],
        "reading": [book.reading_name(record) for record in records],
    }
    book.publish({"originals": pa.table(originals)}, COLUMNS)


def assert_held(book: Book, originals: dict[str, bytes]) -> None:
    """Nothing is damaged, and these originals and a reading of each are there, and a catalogue."""
    assert [trouble for trouble in book.check() if not trouble.harmless] == []
    for sha256, content in originals.items():
        with book.open_original(sha256) as stream:
            assert stream.read() == content
        assert book.holds(sha256, "lines", "1")
    assert book.published()


def assert_answers(book: Book, rows: int) -> None:
    """The catalogue shows so many rows of samples."""
    with book.connect() as connection:
        assert connection.execute("select count(*) from raw_samples").fetchall() == [(rows,)]


@pytest.fixture
def beside(tmp_path: Path) -> Path:
    (tmp_path / "beside").mkdir()
    return tmp_path / "beside"


def calls_of_a_life(tmp_path: Path, beside: Path) -> int:
    book = full_book(tmp_path / "counted", beside)
    with failing(10**9) as calls:
        take_in(book, *original_file(beside, b"new"))
    return len(calls.seen)


@pytest.mark.parametrize(
    ("persistent", "late"),
    [(False, False), (True, False), (False, True)],
    ids=["once", "from then on", "after it was done"],
)
def test_any_call_may_fail(tmp_path: Path, beside: Path, persistent: bool, late: bool) -> None:
    new = b"new"
    full_book(tmp_path / "before", beside)
    path, sha256 = original_file(beside, new)
    failed = 0
    for at in range(1, calls_of_a_life(tmp_path, beside) + 1):
        shutil.copytree(tmp_path / "before", tmp_path / "book")
        book = Book.open(tmp_path / "book")
        with failing(at, persistent=persistent, late=late) as calls:
            try:
                take_in(book, path, sha256)
            except BookProblem as problem:
                failed += 1
                assert "no space left" in problem.what
                assert "free some space" in problem.hint
        assert calls.fired, at
        assert_held(book, {OLD_SHA256: OLD})
        take_in(book, path, sha256)
        assert_held(book, {OLD_SHA256: OLD, sha256: new})
        assert_answers(book, 10_100)
        assert all("left over" in trouble.what for trouble in book.check())
        shutil.rmtree(tmp_path / "book")
    assert failed > at * 0.9, "only cleaning up may fail without a word"


def test_after_a_failed_write_a_reading_cannot_be_finished(tmp_path: Path) -> None:
    book = new_book(tmp_path / "book")
    noise = random.Random(1)
    rows = pa.record_batch({"x": pa.array([noise.random() for _ in range(300_000)])})
    with book.reading_writer("ab" * 32, "lines", "1") as writer:
        with failing(2) as calls, pytest.raises(BookProblem):
            writer.write("samples", rows)
        assert calls.seen[1].startswith("write")
        with pytest.raises(ValueError, match="closed"):
            writer.finish({})
    assert list(book.records()) == []
    assert list(book.check()) == []


def test_the_order_of_writing(tmp_path: Path, beside: Path) -> None:
    """FORMAT.md, "Writing": fsync before the rename, fsync of the folder after it, data before what names it."""
    book = full_book(tmp_path / "book", beside)
    path, sha256 = original_file(beside, b"new")
    with failing(10**9) as calls:
        take_in(book, path, sha256)
    seen = [call.split(": ")[0] + ": " + call.split(": ")[1].split(".")[-1] for call in calls.seen]
    for target in (f"{sha256}.zst", "lines-1", "current"):
        at = calls.seen.index(f"rename into place: {target}")
        assert seen[at - 1].startswith(("fsync", "close"))
        assert "fsync" in seen[at - 2] + seen[at - 1]
        assert seen[at + 1].startswith("fsync the folder")
    places = [
        calls.seen.index(f"rename into place: {name}") for name in (f"{sha256}.zst", "samples.parquet", "lines-1")
    ]
    record = calls.seen.index("create the file: reading.json")
    assert places[0] < places[1] < record < places[2]
    generation = next(n for n, call in enumerate(calls.seen) if call.endswith(".duckdb") and call.startswith("rename"))
    assert calls.seen[generation - 1] == "fsync: catalogue.duckdb"
    assert generation < calls.seen.index("rename into place: current")


@pytest.mark.parametrize("at", range(1, 9))
def test_making_a_book_may_fail(tmp_path: Path, at: int) -> None:
    with failing(at) as calls:
        try:
            new_book(tmp_path / "book")
        except BookProblem:
            assert at <= len(calls.seen)
    if not (tmp_path / "book" / "book.toml").exists():
        new_book(tmp_path / "book")
    assert list(Book.open(tmp_path / "book").check()) == []


@pytest.mark.parametrize(
    ("code", "hint"),
    [(errno.ENOSPC, "free some space"), (errno.EROFS, "read-only"), (errno.EACCES, "permissions"), (errno.EIO, "copy"),
     (errno.EINVAL, "run the same command again")],
)  # fmt: skip
def test_each_failure_says_what_to_do(tmp_path: Path, beside: Path, code: int, hint: str) -> None:
    book = new_book(tmp_path / "book")
    with failing(1, code=code), pytest.raises(BookProblem) as told:
        book.keep_original(*original_file(beside))
    assert os.strerror(code).lower() in told.value.what
    assert hint in told.value.hint


KILLED = """
import os, sys
from pathlib import Path
import pyarrow, pyarrow.compute, pyarrow.parquet, duckdb
from rangebook.archive import Book, catalogue, check, engine, originals, readings, results
from tests.faults import die_at
from tests.test_archive_faults import take_in
folder, path, sha256, calls = Path(sys.argv[1]), Path(sys.argv[2]), sys.argv[3], int(sys.argv[4])
for at in range(1, calls + 1):
    if os.fork() == 0:
        die_at(at)
        take_in(Book.open(folder / str(at)), path, sha256)
        os._exit(0)
    assert os.waitstatus_to_exitcode(os.wait()[1]) == 9, at
"""


def test_the_process_may_end_at_any_call(tmp_path: Path, beside: Path) -> None:
    new = b"new"
    full_book(tmp_path / "before", beside)
    path, sha256 = original_file(beside, new)
    calls = calls_of_a_life(tmp_path, beside)
    folders = [tmp_path / str(at) for at in range(1, calls + 1)]
    for folder in folders:
        shutil.copytree(tmp_path / "before", folder)
    done = outside(KILLED, str(tmp_path), str(path), sha256, str(calls))
    assert done.returncode == 0, done.stderr
    tidied = 0
    for folder in folders:
        book = Book.open(folder)
        assert_held(book, {OLD_SHA256: OLD})
        tidied += len(book.tidy())
        assert [trouble.what for trouble in book.check()] == []
        take_in(book, path, sha256)
        assert_held(book, {OLD_SHA256: OLD, sha256: new})
        assert_answers(book, 10_100)
    assert tidied > len(folders) / 2


LIMITED = """
import resource, sys
from pathlib import Path
from rangebook.archive import Book, BookProblem
from tests.test_archive_faults import take_in
resource.setrlimit(resource.RLIMIT_FSIZE, (int(sys.argv[4]),) * 2)
try:
    take_in(Book.open(Path(sys.argv[1])), Path(sys.argv[2]), sys.argv[3])
except BookProblem as problem:
    print(problem.what, problem.hint, sep="\\n")
    sys.exit(4)
"""


@pytest.mark.parametrize(("size", "where"), [(1_000, "originals"), (6_000, "readings"), (200_000, "catalogue")])
def test_a_real_limit_is_told_and_harms_nothing(tmp_path: Path, beside: Path, size: int, where: str) -> None:
    # no simulation: the system refuses to write files longer than `size` bytes, to the book and to DuckDB alike
    new = random.Random(1).randbytes(20_000)
    book = full_book(tmp_path / "book", beside)
    path, sha256 = original_file(beside, new)
    if where == "readings":
        path, sha256 = original_file(beside, new[:1000])
    done = outside(LIMITED, str(book.folder), str(path), sha256, str(size))
    assert done.returncode == 4, done.stderr
    assert where in done.stdout.splitlines()[0]
    assert "too large" in done.stdout.lower()
    assert_held(book, {OLD_SHA256: OLD})
    book.tidy()
    assert list(book.check()) == []
    take_in(book, path, sha256)
    assert_held(book, {OLD_SHA256: OLD, sha256: path.read_bytes()})
    assert_answers(book, 10_100)


def outside(code: str, *arguments: str) -> subprocess.CompletedProcess[str]:
    """Run `code` in a process of its own, which sees the tests as a package."""
    root = str(Path(__file__).parent.parent)
    command = [sys.executable, "-c", code, *arguments]
    return subprocess.run(command, env={**os.environ, "PYTHONPATH": root}, capture_output=True, text=True, timeout=120)
