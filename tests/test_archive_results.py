"""Results: found by subject and digest, whatever the subject is called."""

from __future__ import annotations

from pathlib import Path

import pyarrow as pa
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from rangebook.archive import Book
from rangebook.archive.layout import Layout

from .bookmaking import new_book

DIGEST = "0123456789abcdef" * 4


@pytest.fixture
def book(tmp_path: Path) -> Book:
    return new_book(tmp_path / "book")


def figures(value: float = 1.5) -> pa.Table:
    schema = pa.schema([pa.field("value", pa.float64(), metadata={"unit": "1"})], metadata={"method": "3", "é": "🛒"})
    return pa.table({"value": [value]}, schema=schema)


ODD = [
    "../x",
    "a/b",
    "..",
    ".",
    "",
    "/etc/passwd",
    "🛒",
    "T\x00",
    "x" * 300,
    "🛒" * 300,
    "a:b|c?*",
    "CON ",
    "%2E",
    "\udcff",
]


@pytest.mark.parametrize("subject", ODD)
def test_any_subject_stays_inside(book: Book, subject: str) -> None:
    before = set(book.folder.parent.iterdir())
    book.store_results(subject, DIGEST, figures())
    found = book.load_results(subject, DIGEST)
    assert found is not None
    assert found.equals(figures(), check_metadata=True)
    (path,) = (path for path in book.folder.rglob("*") if path.suffix == ".parquet")
    assert path.resolve().parent.parent == (book.folder / "results").resolve()
    assert set(book.folder.parent.iterdir()) == before
    assert list(book.check()) == []


@settings(max_examples=300, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(one=st.text(), other=st.text())
def test_subjects_are_not_mixed_up(one: str, other: str) -> None:
    folder = Layout(Path("/book"))
    assert (folder.subject(one) == folder.subject(other)) == (one == other)
    assert folder.subject(one).parent == folder.results
    assert len(folder.subject(one).name.encode()) <= 120


def test_nothing_is_found_under_another_digest_or_subject(book: Book) -> None:
    book.store_results("T1", DIGEST, figures())
    assert book.load_results("T1", "f" * 64) is None
    assert book.load_results("T2", DIGEST) is None


def test_the_same_again_changes_nothing(book: Book) -> None:
    for _ in range(2):
        book.store_results("T1", DIGEST, figures())
    assert len(list((book.folder / "results" / "T1").iterdir())) == 1


def test_what_is_damaged_is_not_there(book: Book) -> None:
    book.store_results("T1", DIGEST, figures())
    (path,) = (book.folder / "results" / "T1").iterdir()
    path.write_bytes(path.read_bytes()[:-1])
    assert book.load_results("T1", DIGEST) is None
    book.store_results("T1", DIGEST, figures())
    assert book.load_results("T1", DIGEST) is not None
    assert list(book.check()) == []


@pytest.mark.parametrize("digest", ["", "xyz", "../../../x", "ABCDEF01", "0" * 65])
def test_only_digests_name_results(book: Book, digest: str) -> None:
    with pytest.raises(ValueError, match="digest"):
        book.store_results("T1", digest, figures())


def test_digests_of_other_lengths(book: Book) -> None:
    book.store_results("T1", "0badcafe", figures())
    assert book.load_results("T1", "0badcafe") is not None
