"""The catalogue: generations, views over the readings, the fence."""

from __future__ import annotations

import fcntl
import math
import threading
import time
from pathlib import Path
from typing import Any

import duckdb
import pyarrow as pa
import pytest

from rangebook.archive import Book, BookProblem, catalogue

from .bookmaking import COLUMNS, add_reading, batch, full_book, new_book, original_file, publish


@pytest.fixture
def book(tmp_path: Path) -> Book:
    return new_book(tmp_path / "book")


def asked(book: Book, sql: str, **options: Any) -> list[tuple[Any, ...]]:
    with book.connect(**options) as connection:
        return connection.execute(sql).fetchall()


def generations(book: Book) -> list[str]:
    return sorted(path.name for path in (book.folder / "catalogue").glob("*.duckdb"))


def test_what_is_published_is_asked(book: Book) -> None:
    assert not book.published()
    name = book.publish({"tests": pa.table({"test": ["T1", "T2"], "u": [0.5, None]}), "odd name": pa.table({"a": [1]})})
    assert book.published()
    assert generations(book) == [name]
    assert asked(book, "from tests order by test") == [("T1", 0.5), ("T2", None)]
    assert asked(book, 'from "odd name"') == [(1,)]


def test_times_are_shown_in_utc(book: Book) -> None:
    book.publish({"tests": pa.table({"started": pa.array([0], pa.timestamp("us", tz="UTC"))})})
    assert asked(book, "select started::text from tests") == [("1970-01-01 00:00:00+00",)]


def test_the_views_are_typed_without_any_reading(book: Book) -> None:
    publish(book, [])
    described = "select column_name, column_type from (describe raw_samples)"
    assert asked(book, described) == [
        ("time", "TIMESTAMP WITH TIME ZONE"),
        ("x", "DOUBLE"),
        ("y", "DOUBLE"),
        ("cells", "DOUBLE[]"),
        ("original", "VARCHAR"),
        ("row", "BIGINT"),
    ]
    assert asked(book, "from raw_samples") == []
    assert asked(book, "from raw_rejects") == []


def test_without_originals_the_views_are_empty(book: Book) -> None:
    book.publish({}, COLUMNS)
    assert asked(book, "from raw_samples") == []


def test_rows_tell_original_and_number(book: Book, tmp_path: Path) -> None:
    path, sha256 = original_file(tmp_path)
    record = add_reading(book, path, sha256, batch(0, 300_000, "y"))
    publish(book, [record])
    found = asked(book, "select original, row, x, cells from raw_samples where row in (0, 262144, 299999) order by row")
    assert found == [(sha256, n, n / 4, None) for n in (0, 262_144, 299_999)]


def test_only_the_readings_that_are_named_are_seen(book: Book, tmp_path: Path) -> None:
    path, sha256 = original_file(tmp_path)
    add_reading(book, path, sha256, batch(0, 3))
    newer = add_reading(book, path, sha256, batch(0, 4), version="2")
    publish(book, [newer])
    assert asked(book, "select count(*) from raw_samples") == [(4,)]


def test_hundreds_of_readings_with_different_columns(book: Book, tmp_path: Path) -> None:
    records = []
    for n in range(300):
        path, sha256 = original_file(tmp_path, f"original {n}".encode())
        records.append(add_reading_of(book, path, sha256, n))
    publish(book, records)
    with book.connect("create view samples as from raw_samples") as connection:
        totals = "select count(*), count(y), count(cells), count(distinct original), sum(row) from samples"
        assert connection.execute(totals).fetchall() == [(900, 300, 300, 300, 900)]
        one = connection.execute("from samples where original = ? order by row", [records[7]["original"]])
        assert [row[1] for row in one.fetchall()] == [7 / 4, 8 / 4, 9 / 4]


def add_reading_of(book: Book, path: Path, sha256: str, n: int) -> dict[str, Any]:
    book.keep_original(path, sha256)
    with book.reading_writer(sha256, "lines", "1") as writer:
        writer.write("samples", batch(n, 3, *[("y",), ("cells",), ()][n % 3]))
        writer.finish({})
    return {"original": sha256, "reader": "lines", "reader_version": "1"}


def test_only_the_views_asked_for_are_made(book: Book) -> None:
    publish(book, [])
    with book.connect(tables=["rejects"]) as connection:
        connection.execute("from raw_rejects")
        with pytest.raises(duckdb.CatalogException):
            connection.execute("from raw_samples")


def test_a_float_that_is_not_a_number_is_found(book: Book, tmp_path: Path) -> None:
    # in DuckDB NaN is greater than every number (its manual, "Numeric Types"); the statistics of Parquet leave it out
    path, sha256 = original_file(tmp_path)
    times = pa.array([0, 1], pa.timestamp("us", tz="UTC"))
    record = add_reading(book, path, sha256, pa.record_batch({"time": times, "x": pa.array([1.0, math.nan])}))
    publish(book, [record])
    assert asked(book, "select row from raw_samples where x > 5") == [(1,)]


@pytest.mark.parametrize("name", ["it's [odd]*", "a b", "ü🛒", "%41", "a'; drop table x; --", '"'])
def test_a_book_may_be_called_anything(tmp_path: Path, name: str) -> None:
    (tmp_path / "beside").mkdir()
    book = full_book(tmp_path / name, tmp_path / "beside")
    assert asked(book, "select count(*) from raw_samples") == [(100,)]
    assert list(book.check()) == []


def test_a_new_generation_takes_over_and_old_ones_go(book: Book) -> None:
    names = [book.publish({"tests": pa.table({"n": [n]})}) for n in range(4)]
    assert names == sorted(set(names))
    assert generations(book) == names[-2:]
    assert (book.folder / "catalogue" / "current").read_text() == names[-1] + "\n"
    assert asked(book, "from tests") == [(3,)]


def test_who_reads_is_not_disturbed_by_who_writes(book: Book) -> None:
    book.publish({"tests": pa.table({"n": [0]})})
    with book.connect() as connection:
        for n in range(1, 4):
            with book.refreshing():
                book.publish({"tests": pa.table({"n": [n]})})
                assert asked(book, "from tests") == [(n,)]
        assert connection.execute("from tests").fetchall() == [(0,)]


def test_a_generation_that_goes_while_it_is_opened_is_replaced(book: Book, monkeypatch: pytest.MonkeyPatch) -> None:
    first = book.publish({"tests": pa.table({"n": [0]})})
    for n in (1, 2):
        last = book.publish({"tests": pa.table({"n": [n]})})
    told = iter([first, last])
    monkeypatch.setattr(catalogue, "current", lambda place: next(told))
    assert asked(book, "from tests") == [(2,)]


def test_reading_while_writing(book: Book) -> None:
    book.publish({"tests": pa.table({"n": [0]})})
    stop, seen, problems = threading.Event(), [], []

    def read() -> None:
        try:
            while not stop.is_set():
                seen.append(asked(book, "from tests")[0][0])
        except BaseException as problem:
            problems.append(problem)

    reader = threading.Thread(target=read)
    reader.start()
    for n in range(1, 40):
        book.publish({"tests": pa.table({"n": [n]})})
    stop.set()
    reader.join()
    assert problems == []
    assert seen == sorted(seen)


def test_without_a_catalogue_it_says_so(book: Book) -> None:
    with pytest.raises(BookProblem, match="no catalogue yet") as told:
        book.connect()
    assert "rangebook ingest" in told.value.hint


def test_a_missing_or_damaged_generation_is_named(book: Book) -> None:
    path = book.folder / "catalogue" / publish(book, [])
    path.write_bytes(path.read_bytes()[:100])
    with pytest.raises(BookProblem, match="cannot open the catalogue") as told:
        book.connect()
    assert "rangebook rebuild" in told.value.hint
    path.unlink()
    with pytest.raises(BookProblem, match="is missing"):
        book.connect()
    assert not book.published()


def test_wrong_views_are_a_problem_of_the_book(book: Book) -> None:
    publish(book, [])
    with pytest.raises(BookProblem, match="views"):
        book.connect("create view samples as select nothing from raw_samples")


def test_memory_and_threads_are_set(book: Book) -> None:
    publish(book, [])
    settings = "select current_setting('memory_limit'), current_setting('threads')"
    assert asked(book, settings, memory="64MiB", threads=1) == [("64.0 MiB", 1)]


def test_one_writes_the_catalogue_at_a_time(book: Book) -> None:
    lock = book.folder / "catalogue" / "lock"
    with book.refreshing(), book.refreshing(), lock.open("rb") as other, pytest.raises(BlockingIOError):
        fcntl.flock(other, fcntl.LOCK_EX | fcntl.LOCK_NB)
    done = threading.Event()

    def refresh() -> None:
        Book.open(book.folder).publish({})
        done.set()

    with lock.open("rb") as other:
        fcntl.flock(other, fcntl.LOCK_EX)
        thread = threading.Thread(target=refresh)
        thread.start()
        assert not done.wait(0.2)
        add_reading(book, *original_file(book.folder.parent), batch())
    thread.join(10)
    assert done.is_set()


def test_a_lock_that_was_replaced_is_taken_anew(book: Book) -> None:
    lock, done = book.folder / "catalogue" / "lock", threading.Event()
    with book.refreshing():
        pass

    def refresh() -> None:
        Book.open(book.folder).publish({})
        done.set()

    thread = threading.Thread(target=refresh)
    with lock.open("rb") as first:
        fcntl.flock(first, fcntl.LOCK_EX)
        thread.start()
        time.sleep(0.2)
        lock.unlink()
        second = lock.open("wb")
        fcntl.flock(second, fcntl.LOCK_EX)
    assert not done.wait(0.3)
    second.close()
    thread.join(10)
    assert done.is_set()


FORBIDDEN = [
    "from read_csv('/etc/passwd')",
    "from read_text('/etc/passwd')",
    "from read_blob('{readings}/../../../../../../../../etc/passwd')",
    "from '/etc/passwd'",
    "from glob('/etc/*')",
    "from read_parquet('{outside}/other.parquet')",
    "from read_text('{readings}x/file')",
    "from read_text('{book}/book.toml')",
    "from read_csv('https://example.com/x.csv')",
    "from read_duckdb('{outside}/x.duckdb')",
    "copy (select 1) to '{outside}/x.csv'",
    "copy (select 1) to '{book}/book.toml'",
    "copy tests from '/etc/passwd'",
    "export database '{outside}/x'",
    "import database '{outside}/x'",
    "attach '{outside}/x.duckdb'",
    "attach '/etc/passwd' (type sqlite)",
    "install httpfs",
    "load httpfs",
    "load '{outside}/x.so'",
    "install spatial from community",
    "select getenv('HOME')",
    "set enable_external_access = true",
    "set lock_configuration = false",
    "set allowed_directories = ['/']",
    "set temp_directory = '/etc'",
    "set threads = 8",
    "pragma memory_limit = '1TB'",
    "reset memory_limit",
    "set python_enable_replacements = true",
    "from secret",
    "call enable_logging(storage_path = '{outside}/x')",
    "create persistent secret s (type http)",
    "create table generation.x as select 1",
    "insert into tests values ('T9')",
    "drop table generation.tests",
    "update tests set test = 'T9'",
]


@pytest.mark.parametrize("sql", FORBIDDEN)
def test_the_fence(tmp_path: Path, sql: str) -> None:
    outside = tmp_path / "outside"
    outside.mkdir()
    book = full_book(tmp_path / "book", outside)
    secret = pa.table({"a": [1]})
    places = {"book": str(book.folder), "readings": str(book.folder / "readings"), "outside": str(outside)}
    (book.folder / "readingsx").mkdir()
    (book.folder / "readingsx" / "file").write_text("beside")
    with duckdb.connect() as free:
        free.register("secret", secret)
        free.execute(f"copy secret to '{outside}/other.parquet'")
        free.execute(f"attach '{outside}/x.duckdb' as x; create table x.t as from secret")
    before = listing(tmp_path)
    with book.connect() as connection:
        with pytest.raises(duckdb.Error):
            connection.execute(sql.format(**places)).fetchall()
        assert connection.execute("select count(*) from raw_samples").fetchall() == [(100,)]
    assert listing(tmp_path) == before


def listing(folder: Path) -> list[tuple[str, int]]:
    return sorted((str(path), path.stat().st_mtime_ns) for path in folder.rglob("*"))


def test_without_the_fence_the_program_may_read_files(tmp_path: Path) -> None:
    book = full_book(tmp_path / "book", tmp_path)
    (tmp_path / "file.csv").write_text("a\n1\n")
    with book.connect(fenced=False) as connection:
        assert connection.execute(f"from read_csv('{tmp_path}/file.csv')").fetchall() == [(1,)]


def test_variables_of_the_program_are_no_tables(tmp_path: Path) -> None:
    book = full_book(tmp_path / "book", tmp_path)
    secret = pa.table({"a": [1]})
    with book.connect(fenced=False) as connection, pytest.raises(duckdb.CatalogException):
        connection.execute("from secret")
    assert secret.num_rows == 1


def test_what_does_not_fit_into_memory_is_put_aside_and_cleared_away(tmp_path: Path) -> None:
    book = full_book(tmp_path / "book", tmp_path)
    with book.connect(memory="24MiB", threads=1) as connection:
        sql = "select max(c), count(*) from (select count(*) as c, a from range(2000000) t(a) group by a)"
        assert connection.execute(sql).fetchall() == [(1, 2_000_000)]
        spill = Path(str(connection.execute("select current_setting('temp_directory')").fetchall()[0][0]))
    assert not spill.exists()
