"""Proof that a book is whole: everything is read, and compared with what vouches for it."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from . import catalogue, files, layout, originals, readings
from .errors import BookProblem

Progress = Callable[[int, int], None]


@dataclass(frozen=True)
class Trouble:
    """Something wrong at `path`. Harmless: nothing is lost and nothing is answered wrongly for it."""

    path: Path
    what: str
    harmless: bool
    hint: str


_ORIGINAL = "copy it from a copy of the book, or take in the file again after removing this one"
_READING = "copy the folder of this reading from a copy of the book, or remove it and take in the original again"
_DERIVED = "`rangebook rebuild` makes it again"
_STRAY = "no part of the book; move it elsewhere"


def check(place: layout.Layout, progress: Progress | None = None) -> Iterator[Trouble]:
    """Read everything in the book and tell what is wrong. Changes nothing.

    `progress(done, all)` is called after each original, reading, result and generation.
    """
    newest = catalogue.current(place)
    if newest is not None and not place.generation(newest).is_file():
        yield Trouble(place.current, f"names a generation that is missing: {newest!r}", False, _DERIVED)
    steps: list[tuple[Callable[[layout.Layout, Path], Iterator[Trouble]], Path]] = [
        *((_check_original, path) for path in place.walk_originals()),
        *((_check_reading, path) for path in place.walk_readings()),
        *((_check_result, path) for path in place.walk_results()),
        *((_check_catalogue, path) for path in place.walk_catalogue()),
    ]
    for done, (step, path) in enumerate(steps, 1):
        if layout.temporary(path):
            yield Trouble(
                path,
                "left over from a writer that was stopped, or being written now",
                True,
                "none needed: it goes away by itself",
            )
        else:
            yield from step(place, path)
        if progress is not None:
            progress(done, len(steps))


def _check_original(place: layout.Layout, path: Path) -> Iterator[Trouble]:
    sha256 = layout.original_of(path)
    if sha256 is None:
        yield Trouble(path, "is not named as an original", True, _STRAY)
        return
    try:
        found = originals.content_sha256(path)
    except OSError as problem:
        yield Trouble(path, f"damaged: cannot be decompressed ({problem})", False, _ORIGINAL)
        return
    if found != sha256:
        yield Trouble(path, "damaged: does not hash to its name", False, _ORIGINAL)


def _check_reading(place: layout.Layout, folder: Path) -> Iterator[Trouble]:
    record_path = layout.record_file(folder)
    if not folder.is_dir():
        yield Trouble(folder, "is not the folder of a reading", True, _STRAY)
        return
    if not record_path.exists():
        yield Trouble(folder, "no whole reading: its record is missing", False, _READING)
        return
    try:
        record = readings.unsealed(record_path)
    except BookProblem as problem:
        yield Trouble(record_path, problem.what, False, problem.hint)
        return
    yield from _check_place(place, folder, record)
    yield from _check_tables(folder, record)


def _check_place(place: layout.Layout, folder: Path, record: dict[str, Any]) -> Iterator[Trouble]:
    sha256 = record["original"]
    if place.reading(sha256, record["reader"], record["reader_version"]) != folder:
        yield Trouble(folder, "its record belongs elsewhere", False, _READING)
    elif not place.original(sha256).exists():
        name = record.get("name", sha256)
        hint = f"take in {name} again, or copy the original from a copy of the book"
        yield Trouble(folder, f"the original of this reading is missing ({name})", False, hint)


def _check_tables(folder: Path, record: dict[str, Any]) -> Iterator[Trouble]:
    stored = {layout.table_file(folder, table): facts["sha256"] for table, facts in record["tables"].items()}
    for path, sha256 in stored.items():
        if not path.is_file():
            yield Trouble(path, "missing", False, _READING)
        else:
            yield from _check_bytes(path, sha256, _READING)
    for path in sorted({*folder.iterdir()} - {*stored, layout.record_file(folder)}):
        yield Trouble(path, "its reading does not name it", True, _STRAY)


def _check_result(place: layout.Layout, path: Path) -> Iterator[Trouble]:
    sha256 = layout.content_of(path)
    if sha256 is None:
        yield Trouble(path, "is not named as a result", True, _STRAY)
    else:
        yield from _check_bytes(path, sha256, _DERIVED)


def _check_catalogue(place: layout.Layout, path: Path) -> Iterator[Trouble]:
    if path == place.current:
        yield from _check_current(path)
        return
    sha256 = layout.content_of(path)
    if sha256 is not None:
        yield from _check_bytes(path, sha256, _DERIVED)
    elif path != place.lock:
        yield Trouble(path, "is not named as a generation", True, _STRAY)


def _check_current(path: Path) -> Iterator[Trouble]:
    content = path.read_bytes()
    if content != content.strip() + b"\n":
        yield Trouble(path, "damaged: is not one line", False, _DERIVED)


def _check_bytes(path: Path, sha256: str, hint: str) -> Iterator[Trouble]:
    try:
        whole = files.sha256_of(path) == sha256
    except FileNotFoundError:
        return  # removed since it was listed, as only derived files are
    except OSError as problem:
        yield Trouble(path, f"cannot be read ({problem})", False, hint)
        return
    if not whole:
        yield Trouble(path, "damaged: does not match its SHA-256", False, hint)
