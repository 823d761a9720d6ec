"""Where everything in a book is. The only file that knows a path; FORMAT.md describes it."""

from __future__ import annotations

import hashlib
import os
import platform
import re
import secrets
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

FORMAT_VERSION = 1

_SHA256 = re.compile(r"[0-9a-f]{64}")
_ORIGINAL = re.compile(r"([0-9a-f]{64})\.zst")
_RESULT = re.compile(r"([0-9a-f]{8,64})-([0-9a-f]{64})\.parquet")
_GENERATION = re.compile(r"([0-9]{8})-([0-9a-f]{64})\.duckdb")
_TEMPORARY = re.compile(r"\..*\.([0-9a-f]{8})-([0-9]+)-[0-9a-f]{8}\.tmp", re.DOTALL)
_TABLE = re.compile(r"[a-z][a-z0-9_]*")

_READER_KEEPS = re.compile(rb"[A-Za-z0-9_.-]")
_VERSION_KEEPS = re.compile(rb"[A-Za-z0-9_.]")
_SUBJECT_KEEPS = re.compile(rb"[A-Za-z0-9_-]")
_LONGEST, _KEPT = 120, 80

MACHINE = hashlib.sha256(platform.node().encode()).hexdigest()[:8]
"""This machine, in the names of temporary files: a process id means something on one machine only."""


def written(text: str, keeps: re.Pattern[bytes]) -> str:
    """`text` as one name of a file: never a path, never hidden, never too long, never the same for two texts."""
    raw = text.encode("utf-8", "surrogatepass")
    name = "".join(chr(byte) if keeps.match(bytes([byte])) else f"%{byte:02X}" for byte in raw) or "%"
    if name.startswith("."):
        name = "%2E" + name[1:]
    return name if len(name) <= _LONGEST else f"{name[:_KEPT]}~{hashlib.sha256(raw).hexdigest()[:32]}"


def _hex(text: str) -> str:
    if not _SHA256.fullmatch(text):
        raise ValueError(f"not a SHA-256 in small hexadecimal digits: {text!r}")
    return text


@dataclass(frozen=True)
class Layout:
    """The paths of one book. Nothing here touches the disk, but for the walks, which only list."""

    folder: Path

    @property
    def facts(self) -> Path:
        return self.folder / "book.toml"

    @property
    def originals(self) -> Path:
        return self.folder / "originals"

    @property
    def readings(self) -> Path:
        return self.folder / "readings"

    @property
    def results(self) -> Path:
        return self.folder / "results"

    @property
    def catalogue(self) -> Path:
        return self.folder / "catalogue"

    @property
    def recipes(self) -> Path:
        return self.folder / "recipes"

    @property
    def current(self) -> Path:
        return self.catalogue / "current"

    @property
    def lock(self) -> Path:
        return self.catalogue / "lock"

    def original(self, sha256: str) -> Path:
        return self.originals / _hex(sha256)[:2] / f"{sha256}.zst"

    def reading(self, sha256: str, reader: str, version: str) -> Path:
        return self.readings / reading_name(sha256, reader, version)

    def subject(self, subject: str) -> Path:
        return self.results / written(subject, _SUBJECT_KEEPS)

    def result(self, subject: str, digest: str, sha256: str) -> Path:
        return self.subject(subject) / f"{_digest(digest)}-{_hex(sha256)}.parquet"

    def generation(self, name: str) -> Path:
        return self.catalogue / name

    def walk_originals(self) -> Iterator[Path]:
        """Every file and folder in the shards of originals."""
        return _below(self.originals, 2)

    def walk_readings(self) -> Iterator[Path]:
        """Every folder of a reading, or what stands in its place."""
        return _below(self.readings, 3)

    def walk_results(self) -> Iterator[Path]:
        """Every file in the folders of subjects."""
        return _below(self.results, 2)

    def walk_catalogue(self) -> Iterator[Path]:
        """Every file of the catalogue."""
        return _below(self.catalogue, 1)


def _digest(text: str) -> str:
    if not re.fullmatch(r"[0-9a-f]{8,64}", text):
        raise ValueError(f"not a digest of 8 to 64 small hexadecimal digits: {text!r}")
    return text


def _below(folder: Path, depth: int) -> Iterator[Path]:
    """Everything `depth` levels below `folder`, in order of name; files met higher up come too."""
    try:
        paths = sorted(folder.iterdir())
    except (FileNotFoundError, NotADirectoryError):
        return
    for path in paths:
        if depth > 1 and path.is_dir() and not temporary(path):
            yield from _below(path, depth - 1)
        else:
            yield path


def reading_name(sha256: str, reader: str, version: str) -> str:
    """A reading's path under `readings/`: `ab/<sha256>/<reader>-<version>`."""
    named = f"{written(reader, _READER_KEEPS)}-{written(version, _VERSION_KEEPS)}"
    return f"{_hex(sha256)[:2]}/{sha256}/{named}"


def table_file(reading: Path, table: str) -> Path:
    """The Parquet file of `table` in the folder of a reading."""
    if not _TABLE.fullmatch(table):
        raise ValueError(f"not a name of a table: {table!r}")
    return reading / f"{table}.parquet"


def record_file(reading: Path) -> Path:
    """The record in the folder of a reading."""
    return reading / "reading.json"


def original_of(path: Path) -> str | None:
    """The SHA-256 that the file of an original claims to hold; None when `path` is no such file."""
    match = _ORIGINAL.fullmatch(path.name)
    return match[1] if match and path.parent.name == match[1][:2] else None


def content_of(path: Path) -> str | None:
    """The SHA-256 that a result's or a generation's name claims for its file; None for another file."""
    match = _RESULT.fullmatch(path.name) or _GENERATION.fullmatch(path.name)
    return match[2] if match else None


def is_result_of(path: Path, digest: str) -> bool:
    """Whether `path` is named as a result of `digest`."""
    match = _RESULT.fullmatch(path.name)
    return match is not None and match[1] == digest


def is_result(path: Path) -> bool:
    """Whether `path` is named as a result of whatever digest."""
    return _RESULT.fullmatch(path.name) is not None


def generation_number(path: Path) -> int | None:
    """The number of a generation's file; None when `path` is no such file."""
    match = _GENERATION.fullmatch(path.name)
    return int(match[1]) if match else None


def generation_name(number: int, sha256: str) -> str:
    """The file name of a generation."""
    return f"{number:08d}-{_hex(sha256)}.duckdb"


def temporary_for(target: Path) -> Path:
    """A fresh name beside `target` to write it under."""
    return target.parent / f".{target.name[:40]}.{MACHINE}-{os.getpid()}-{secrets.token_hex(4)}.tmp"


def temporary(path: Path) -> tuple[str, int] | None:
    """Machine and process that a temporary name tells of; None when `path` is not named as one."""
    match = _TEMPORARY.fullmatch(path.name)
    return (match[1], int(match[2])) if match else None
