"""Originals: every byte kept, named by its hash, readable by others."""

from __future__ import annotations

import hashlib
import subprocess
import threading
from pathlib import Path

import duckdb
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from rangebook.archive import Book, BookProblem, originals

from .bookmaking import new_book, original_file
from .faults import failing


@pytest.fixture
def book(tmp_path: Path) -> Book:
    return new_book(tmp_path / "book")


def stored(book: Book) -> list[Path]:
    return [path for path in (book.folder / "originals").rglob("*") if path.is_file()]


@settings(max_examples=40, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(content=st.one_of(st.binary(max_size=200), st.binary(min_size=1, max_size=4).map(lambda piece: piece * 5000)))
def test_any_bytes_come_back(book: Book, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, content: bytes) -> None:
    monkeypatch.setattr(originals, "FRAME", 64)
    path, sha256 = original_file(tmp_path, content)
    book.keep_original(path, sha256)
    with book.open_original(sha256) as stream:
        assert stream.read() == content


def test_other_programs_find_the_same_bytes(book: Book, tmp_path: Path) -> None:
    # DuckDB carries its own Zstandard decoder; sha256sum is coreutils'
    content = "".join(f"{n},{n * n % 977}\n" for n in range(1_000_000)).encode()
    assert len(content) > 2 * originals.FRAME
    path, sha256 = original_file(tmp_path, content)
    book.keep_original(path, sha256)
    (file,) = stored(book)
    assert file.relative_to(book.folder).as_posix() == f"originals/{sha256[:2]}/{sha256}.zst"
    read = "from read_csv(?, compression = 'zstd', header = false, names = ['n', 'm'])"
    assert duckdb.connect().execute(f"select count(*), sum(n), sum(m) {read}", [str(file)]).fetchone() == (
        1_000_000,
        sum(range(1_000_000)),
        sum(n * n % 977 for n in range(1_000_000)),
    )
    restored = tmp_path / "restored"
    with book.open_original(sha256) as stream:
        restored.write_bytes(stream.read())
    told = subprocess.run(["sha256sum", str(restored)], capture_output=True, text=True, check=True)
    assert told.stdout.split()[0] == sha256


def test_a_stream_reads_lines_and_pieces(book: Book, tmp_path: Path) -> None:
    path, sha256 = original_file(tmp_path, b"one\ntwo\nthree")
    book.keep_original(path, sha256)
    with book.open_original(sha256) as stream:
        assert stream.readline() == b"one\n"
        assert stream.read(2) == b"tw"
        assert list(stream) == [b"o\n", b"three"]


def test_the_same_original_again_does_nothing(book: Book, tmp_path: Path) -> None:
    path, sha256 = original_file(tmp_path)
    book.keep_original(path, sha256)
    with failing(10**9) as calls:
        book.keep_original(path, sha256)
    assert calls.seen == []


def test_a_file_that_changed_is_not_kept(book: Book, tmp_path: Path) -> None:
    path, sha256 = original_file(tmp_path)
    path.write_bytes(b"time,x\n0,0\n1,1\n")
    with pytest.raises(BookProblem, match="changed while it was read") as told:
        book.keep_original(path, sha256)
    assert str(path) in told.value.what
    assert stored(book) == []


def test_a_file_that_is_gone_is_named(book: Book, tmp_path: Path) -> None:
    with pytest.raises(BookProblem, match=r"gone\.csv: cannot read it: no such file"):
        book.keep_original(tmp_path / "gone.csv", "0" * 64)
    assert stored(book) == []


def test_an_original_that_is_not_there_is_named(book: Book) -> None:
    with pytest.raises(BookProblem, match="missing") as told:
        book.open_original("0" * 64)
    assert told.value.hint


@pytest.mark.parametrize("name", ["", "../../x", "0" * 63, "A" * 64, "0" * 64 + "\n"])
def test_only_hashes_name_originals(book: Book, tmp_path: Path, name: str) -> None:
    with pytest.raises(ValueError, match="SHA-256"):
        book.keep_original(tmp_path / "any", name)


def test_many_may_keep_the_same_original_at_once(book: Book, tmp_path: Path) -> None:
    path, sha256 = original_file(tmp_path, b"0123456789" * 100_000)
    problems: list[BaseException] = []

    def keep() -> None:
        try:
            book.keep_original(path, sha256)
        except BaseException as problem:
            problems.append(problem)

    threads = [threading.Thread(target=keep) for _ in range(8)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert problems == []
    assert len(stored(book)) == 1
    with book.open_original(sha256) as stream:
        assert hashlib.sha256(stream.read()).hexdigest() == sha256
