"""Making and opening a book."""

from __future__ import annotations

import re
import subprocess
import sys
import tomllib
from importlib.resources import files
from pathlib import Path

import pytest

from rangebook.archive import Book, BookProblem

from .bookmaking import new_book


def test_a_new_book_holds_what_it_was_made_with(tmp_path: Path) -> None:
    made = Book.new(tmp_path / "deep" / "book", zone="Europe/Lisbon", units="mi", reference={"temperature_celsius": 20})
    opened = Book.open(tmp_path / "deep" / "book")
    assert opened.facts == made.facts
    assert opened.facts["format_version"] == 1
    assert (opened.facts["zone"], opened.facts["units"]) == ("Europe/Lisbon", "mi")
    assert opened.facts["reference"] == {"temperature_celsius": 20}
    assert list(opened.check()) == []


def test_the_example_in_the_format_is_what_is_written(tmp_path: Path) -> None:
    example = re.search(r"```toml\n(.*?)```", files("rangebook.archive").joinpath("FORMAT.md").read_text("utf-8"), re.S)
    assert example
    assert tomllib.loads(example[1]) == Book.new(tmp_path / "book", zone="Europe/Lisbon", units="km").facts


def test_odd_texts_survive_in_the_facts(tmp_path: Path) -> None:
    patterns = ['"quoted"', "back\\slash", "naïve 🛒", "tab\there"]
    book = Book.new(tmp_path / "book", zone="UTC", units="km", intake={"leave_out": patterns})
    assert book.facts["intake"]["leave_out"] == patterns


def test_an_empty_folder_and_one_with_a_leftover_will_do(tmp_path: Path) -> None:
    (tmp_path / ".book.toml.0123abcd-999999999-0123abcd.tmp").write_text("half")
    assert new_book(tmp_path).facts["zone"] == "UTC"


@pytest.mark.parametrize("verb", ["open", "new"])
def test_a_folder_with_other_things_is_no_book(tmp_path: Path, verb: str) -> None:
    (tmp_path / "letter.txt").write_text("dear customer")
    with pytest.raises(BookProblem) as told:
        Book.open(tmp_path) if verb == "open" else new_book(tmp_path)
    assert str(tmp_path) in told.value.what
    assert ("rangebook new" if verb == "open" else "empty") in told.value.hint
    assert [path.name for path in tmp_path.iterdir()] == ["letter.txt"]


def test_a_book_is_not_made_twice(tmp_path: Path) -> None:
    new_book(tmp_path / "book")
    with pytest.raises(BookProblem, match="already"):
        new_book(tmp_path / "book")


def test_a_file_is_no_place_for_a_book(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("")
    for folder in (tmp_path / "file", tmp_path / "file" / "below"):
        with pytest.raises(BookProblem):
            new_book(folder)
        with pytest.raises(BookProblem):
            Book.open(folder)


def test_a_path_that_duckdb_misreads_is_refused(tmp_path: Path) -> None:
    with pytest.raises(BookProblem, match="question mark"):
        new_book(tmp_path / "whose?")
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize(
    ("zone", "units"), [("Nowhere/Else", "km"), ("", "km"), ("../etc/passwd", "km"), ("UTC", "yd")]
)
def test_unknown_zones_and_units_are_refused(tmp_path: Path, zone: str, units: str) -> None:
    with pytest.raises(BookProblem) as told:
        Book.new(tmp_path / "book", zone=zone, units=units)
    assert told.value.hint
    assert not (tmp_path / "book").exists()


def test_a_newer_format_is_refused_and_nothing_is_touched(tmp_path: Path) -> None:
    new_book(tmp_path)
    facts = tmp_path / "book.toml"
    facts.write_text(facts.read_text().replace("format_version = 1", "format_version = 7"))
    before = [(path, path.stat().st_mtime_ns) for path in (tmp_path, *tmp_path.rglob("*"))]
    with pytest.raises(BookProblem, match=r"format 7.*format 1"):
        Book.open(tmp_path)
    assert [(path, path.stat().st_mtime_ns) for path in (tmp_path, *tmp_path.rglob("*"))] == before


@pytest.mark.parametrize(
    "text",
    [
        "",
        "\x00",
        "zone = 'UTC'",
        "format_version = ",
        "format_version = '1'",
        "format_version = true",
        "format_version = 1\nzone = 'X/Y'\nunits = 'km'",
        "format_version = 1\nzone = 'UTC'\nunits = 3",
    ],
)
def test_damaged_facts_are_named(tmp_path: Path, text: str) -> None:
    (tmp_path / "book.toml").write_text(text)
    with pytest.raises(BookProblem) as told:
        Book.open(tmp_path)
    assert "book.toml" in told.value.what
    assert told.value.hint


def test_facts_in_another_encoding_are_named(tmp_path: Path) -> None:
    (tmp_path / "book.toml").write_bytes("format_version = 1".encode("utf-16"))
    with pytest.raises(BookProblem, match=r"book\.toml"):
        Book.open(tmp_path)


def test_opening_a_book_loads_nothing_heavy(tmp_path: Path) -> None:
    new_book(tmp_path)
    code = (
        "import sys; from pathlib import Path; from rangebook.archive import Book; "
        f"Book.open(Path({str(tmp_path)!r})).tidy(); "
        "print(sorted({'pyarrow', 'duckdb', 'numpy'} & set(sys.modules)))"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"
