"""The only file that writes, renames, removes or fsyncs. FORMAT.md says in which order, and why.

What is promised: after a step returned, its file is whole under its name, and (where fsync was asked for)
has been handed to the disk. What is not, POSIX does not promise either: a disk that answers before it has
written, or a file system that loses data with the power, stays within the standard.

Every effect goes through `_perform`, so that a test can let any one of them fail.
"""

from __future__ import annotations

import contextlib
import errno
import fcntl
import hashlib
import os
import shutil
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import TypeVar

from . import layout
from .errors import BookProblem, of_system

T = TypeVar("T")


def _perform(doing: str, path: Path, act: Callable[[], T]) -> T:
    """The one seam between the book and the disk."""
    return act()


def effect(doing: str, path: Path, act: Callable[[], T]) -> T:
    """Do something to the disk; a failed call of the system becomes a BookProblem that names it."""
    try:
        return _perform(doing, path, act)
    except OSError as problem:
        raise of_system(problem, doing, path) from problem


CHUNK = 1 << 20
"""Bytes that a file collects before they go to the disk: Parquet is written in many small pieces."""


class Sink:
    """A new file being written: hashes what goes through. Fit for pyarrow to write to."""

    def __init__(self, path: Path) -> None:
        self.path = path
        self._hash = hashlib.sha256()
        self._waiting = bytearray()
        self._stream = effect("create the file", path, lambda: path.open("xb"))

    @property
    def closed(self) -> bool:
        return self._stream.closed

    @property
    def sha256(self) -> str:
        """Of everything written so far."""
        return self._hash.hexdigest()

    def write(self, data: bytes | memoryview) -> int:
        """Append all of `data`."""
        self._hash.update(data)
        self._waiting += data
        if len(self._waiting) >= CHUNK:
            self._do("write", lambda: self._stream.write(self._waiting))
            self._waiting = bytearray()
        return len(data)

    def flush(self) -> None:
        """Nothing yet: `settle` flushes."""

    def settle(self, durable: bool = True) -> None:
        """Write what waits, fsync (if `durable`), close."""
        self._do("write", self._rest)
        if durable:
            self._do("fsync", lambda: os.fsync(self._stream.fileno()))
        self._do("close", self._stream.close)

    def _do(self, doing: str, act: Callable[[], object]) -> None:
        """An effect on the file; after a failed one it takes no more: what it holds is not what was given."""
        try:
            effect(doing, self.path, act)
        except BookProblem:
            self.abandon()
            raise

    def _rest(self) -> None:
        self._stream.write(self._waiting)
        self._stream.flush()

    def abandon(self) -> None:
        """Close, whatever became of the bytes: the file is about to be removed."""
        with contextlib.suppress(OSError):
            self._stream.close()


@contextlib.contextmanager
def scratch(target: Path) -> Iterator[Path]:
    """A temporary path beside `target`, whose folder is made. What is left of it at the end is removed.

    When even that fails the leftover stays; it is harmless, and named so that `tidy` finds it.
    """
    make_folder(target.parent)
    path = layout.temporary_for(target)
    try:
        yield path
    finally:
        with contextlib.suppress(BookProblem):
            remove(path)


@contextlib.contextmanager
def new_file(path: Path, durable: bool = True) -> Iterator[Sink]:
    """Write `path`, which must not exist, in place: for files in a folder that is itself temporary."""
    sink = Sink(path)
    try:
        yield sink
        sink.settle(durable)
    finally:
        sink.abandon()


def place(path: Path, target: Path, durable: bool = True) -> None:
    """Rename a finished temporary file to its target, replacing what is there, and fsync the folder."""
    effect("rename into place", target, lambda: path.replace(target))
    if durable:
        sync_folder(target.parent)


def place_folder(path: Path, target: Path) -> bool:
    """Rename a finished temporary folder to its target; False when the target is there already and not empty."""
    sync_folder(path)
    try:
        effect("rename into place", target, lambda: path.rename(target))
    except BookProblem:
        if target.exists():
            return False
        raise
    sync_folder(target.parent)
    return True


def write_text(target: Path, text: str) -> None:
    """Write a small file whole, in one step."""
    with scratch(target) as path:
        with new_file(path) as sink:
            sink.write(text.encode())
        place(path, target)


def make_folder(path: Path) -> None:
    """Make `path` and the folders above it, each fsynced into its parent."""
    if path.is_dir():
        return
    make_folder(path.parent)
    effect("make the folder", path, lambda: path.mkdir(exist_ok=True))
    sync_folder(path.parent)


def sync_file(path: Path) -> None:
    """fsync a file that another library wrote."""
    effect("fsync", path, lambda: _sync(path, os.O_RDWR))


def sync_folder(path: Path) -> None:
    """fsync the entries of a folder."""
    effect("fsync the folder", path, lambda: _sync_folder(path))


def _sync_folder(path: Path) -> None:
    try:
        _sync(path, os.O_RDONLY)
    except OSError as problem:
        # some network file systems cannot fsync a folder, and need not
        if problem.errno not in (errno.EINVAL, errno.ENOTSUP):
            raise


def _sync(path: Path, flags: int) -> None:
    descriptor = os.open(path, flags)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)


def remove(path: Path) -> None:
    """Remove a file, or a folder with all that is in it; nothing there is no error."""
    if path.is_dir() and not path.is_symlink():
        effect("remove the folder", path, lambda: _remove_folder(path))
    elif os.path.lexists(path):
        effect("remove", path, lambda: path.unlink(missing_ok=True))


def _remove_folder(path: Path) -> None:
    while path.exists():
        # another process may be removing the same leftover
        with contextlib.suppress(FileNotFoundError):
            shutil.rmtree(path)


def sha256_of(path: Path) -> str:
    """SHA-256 of a file's bytes. Raises OSError."""
    with path.open("rb") as stream:
        return hashlib.file_digest(stream, "sha256").hexdigest()


def sha256_of_bytes(content: bytes) -> str:
    """SHA-256 of bytes in memory."""
    return hashlib.sha256(content).hexdigest()


@contextlib.contextmanager
def locked(path: Path) -> Iterator[None]:
    """Hold the exclusive lock on `path` (made if need be); waits for whoever holds it."""
    make_folder(path.parent)
    while True:
        descriptor = effect("open", path, lambda: os.open(path, os.O_RDWR | os.O_CREAT, 0o666))
        try:
            _lock(descriptor, path)
            # whoever held it may have replaced the file meanwhile
            if path.exists() and os.path.samestat(os.fstat(descriptor), path.stat()):
                yield
                return
        finally:
            os.close(descriptor)


def _lock(descriptor: int, path: Path) -> None:
    effect("lock", path, lambda: fcntl.flock(descriptor, fcntl.LOCK_EX))
