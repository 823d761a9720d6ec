"""Check finds every damage, tidy takes leftovers and nothing else."""

from __future__ import annotations

import os
import random
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

from rangebook.archive import Book, Trouble
from rangebook.archive.layout import MACHINE

from .bookmaking import add_reading, batch, full_book, original_file


@pytest.fixture
def book(tmp_path: Path) -> Book:
    return full_book(tmp_path / "book", tmp_path)


def harmful(book: Book) -> list[Trouble]:
    return [trouble for trouble in book.check() if not trouble.harmless]


def only(book: Book, pattern: str) -> Path:
    (path,) = book.folder.glob(pattern)
    return path


VOUCHED_FOR = [
    "originals/*/*.zst",
    "readings/*/*/*/samples.parquet",
    "readings/*/*/*/reading.json",
    "results/*/*.parquet",
    "catalogue/*.duckdb",
    "catalogue/current",
]


def test_a_whole_book_has_no_trouble(book: Book) -> None:
    told: list[tuple[int, int]] = []
    assert list(book.check(lambda done, of: told.append((done, of)))) == []
    assert told == [(n, 6) for n in range(1, 7)]


@pytest.mark.parametrize("pattern", VOUCHED_FOR)
def test_any_flipped_bit_is_found(book: Book, pattern: str) -> None:
    # a flip, not an overwrite: the same byte written again would be no damage
    path = only(book, pattern)
    whole = path.read_bytes()
    chance = random.Random(pattern)
    places = sorted({0, len(whole) - 1, *(chance.randrange(len(whole)) for _ in range(40))})
    for place in places:
        damaged = bytearray(whole)
        damaged[place] ^= 1 << chance.randrange(8)
        path.write_bytes(damaged)
        found = harmful(book)
        assert {trouble.path for trouble in found} & {path, path.parent}, f"byte {place} of {path.name}"
        assert all(trouble.hint for trouble in found)
    path.write_bytes(whole)
    assert harmful(book) == []


@pytest.mark.parametrize("pattern", VOUCHED_FOR)
def test_a_cut_or_lengthened_file_is_found(book: Book, pattern: str) -> None:
    path = only(book, pattern)
    whole = path.read_bytes()
    for content in (b"", whole[:-1], whole + b"\0", whole + whole):
        path.write_bytes(content)
        assert harmful(book), f"{path.name} with {len(content)} of {len(whole)} bytes"


@pytest.mark.parametrize(
    ("pattern", "words"),
    [
        ("originals/*/*.zst", "original of this reading is missing"),
        ("readings/*/*/*/samples.parquet", "missing"),
        ("readings/*/*/*/reading.json", "record is missing"),
        ("catalogue/*.duckdb", "names a generation that is missing"),
    ],
)
def test_a_missing_file_is_found(book: Book, pattern: str, words: str) -> None:
    only(book, pattern).unlink()
    (trouble,) = harmful(book)
    assert words in trouble.what
    assert trouble.hint


def test_files_in_each_others_place_are_found(book: Book, tmp_path: Path) -> None:
    first = only(book, "originals/*/*.zst")
    path, sha256 = original_file(tmp_path, b"another")
    add_reading(book, path, sha256, batch(5))
    second = book.folder / "originals" / sha256[:2] / f"{sha256}.zst"
    for one, other in ((first, second), *[sorted(book.folder.glob("readings/*/*"))]):
        one.rename(tmp_path / "aside")
        other.rename(one)
        (tmp_path / "aside").rename(other)
        assert len(harmful(book)) == 2
        one.rename(tmp_path / "aside")
        other.rename(one)
        (tmp_path / "aside").rename(other)
    assert harmful(book) == []


@pytest.mark.parametrize(
    "stray",
    ["originals/file", "originals/ab/file", "readings/file", "readings/ab/file", "results/file", "results/T1/file",
     "catalogue/file", "readings/ab/{sha}/file", "readings/ab/{sha}/lines-1/notes.txt"],
)  # fmt: skip
def test_a_stray_file_is_told_and_harmless(book: Book, stray: str) -> None:
    reading = only(book, "readings/*/*/*")
    path = book.folder / stray.replace("ab/{sha}", reading.parent.relative_to(book.folder / "readings").as_posix())
    path.parent.mkdir(exist_ok=True, parents=True)
    path.write_text("stray")
    (trouble,) = book.check()
    assert (trouble.path, trouble.harmless) == (path, True)
    assert book.tidy() == []
    assert path.exists()


def test_what_else_is_in_the_folder_is_the_shops(book: Book) -> None:
    (book.folder / "recipes").mkdir()
    (book.folder / "recipes" / "ours.sql").write_text("select 1")
    (book.folder / "incoming").mkdir()
    assert list(book.check()) == []


def test_a_copied_folder_is_a_book(book: Book, tmp_path: Path) -> None:
    shutil.copytree(book.folder, tmp_path / "copy")
    copy = Book.open(tmp_path / "copy")
    assert list(copy.check()) == []
    assert list(copy.records()) == list(book.records())
    with copy.connect() as connection:
        assert connection.execute("select count(*) from raw_samples").fetchall() == [(100,)]


def test_clearing_leaves_what_cannot_be_made_again(book: Book) -> None:
    kept = [path for name in ("originals", "readings") for path in (book.folder / name).rglob("*")]
    book.clear_derived()
    assert not (book.folder / "results").exists()
    assert not book.published()
    assert book.load_results("T1", "ab" * 32) is None
    assert all(path.exists() for path in kept)
    assert list(book.check()) == []


def test_check_changes_nothing(book: Book) -> None:
    def listing() -> list[tuple[str, int]]:
        return [(str(path), path.stat().st_mtime_ns) for path in sorted(book.folder.rglob("*"))]

    before = listing()
    list(book.check())
    assert listing() == before


def dead_process() -> int:
    return int(subprocess.run([sys.executable, "-c", "import os; print(os.getpid())"], capture_output=True).stdout)


def leftover(book: Book, where: str, machine: str, process: int, age: float = 0, folder: bool = False) -> Path:
    path = book.folder / where / f".target.{machine}-{process}-00c0ffee.tmp"
    path.parent.mkdir(parents=True, exist_ok=True)
    inside = path / "part" if folder else path
    inside.parent.mkdir(exist_ok=True)
    inside.write_text("half")
    then = path.stat().st_mtime - age
    for one in (inside, path):
        os.utime(one, (then, then))
    return path


PLACES = ["", "originals/ab", "readings/ab/" + "ab" * 32, "results/T1", "catalogue"]


@pytest.mark.parametrize("folder", [False, True])
@pytest.mark.parametrize("where", PLACES)
def test_leftovers_of_the_dead_go(book: Book, where: str, folder: bool) -> None:
    path = leftover(book, where, MACHINE, dead_process(), folder=folder)
    before = sorted(one for one in book.folder.rglob("*") if path not in (one, *one.parents))
    if where:
        (trouble,) = book.check()
        assert (trouble.path, trouble.harmless) == (path, True)
    assert book.tidy() == [path]
    assert sorted(book.folder.rglob("*")) == before
    assert list(book.check()) == []


@pytest.mark.parametrize(
    ("machine", "process", "age", "goes"),
    [
        (MACHINE, os.getpid(), 60, False),
        (MACHINE, os.getpid(), 4000, True),
        ("0badcafe", 2**22 + 1, 60, False),
        ("0badcafe", 2**22 + 1, 4000, True),
        (MACHINE, 2**70, 60, True),
    ],
)
def test_leftovers_of_the_living_and_of_others_wait_an_hour(
    book: Book, machine: str, process: int, age: float, goes: bool
) -> None:
    path = leftover(book, "originals/ab", machine, process, age, folder=True)
    book.tidy()
    assert path.exists() != goes


def test_a_leftover_that_is_being_written_stays(book: Book) -> None:
    path = leftover(book, "originals/ab", MACHINE, os.getpid(), 4000, folder=True)
    (path / "part").write_text("more")
    assert book.tidy() == []


def test_nothing_else_looks_like_a_leftover(book: Book) -> None:
    names = [".hidden", "x.tmp", ".x.tmp", f".x.{MACHINE}-1-00c0ffee", f"x.{MACHINE}-1-00c0ffee.tmp"]
    for name in names:
        (book.folder / "originals" / name).write_text("kept")
    assert book.tidy() == []
    assert len(list(book.check())) == len(names)
