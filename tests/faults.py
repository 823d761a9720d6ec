"""Faults for tests: let any call through rangebook.archive.files fail, or end the process there."""

from __future__ import annotations

import contextlib
import errno
import os
import threading
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import TypeVar

from rangebook.archive import files

T = TypeVar("T")


@dataclass
class Calls:
    """The calls seen so far, and whether the one to fail was among them."""

    seen: list[str] = field(default_factory=list)
    fired: bool = False


@contextlib.contextmanager
def failing(at: int, *, persistent: bool = False, late: bool = False, code: int = errno.ENOSPC) -> Iterator[Calls]:
    """Let the call number `at` (from 1) fail with the error `code`; if `persistent`, all after it as well.

    `late`: the call does its work first, and then reports the failure, as an fsync may.
    """
    calls, lock, perform = Calls(), threading.Lock(), files._perform

    def faulty(doing: str, path: Path, act: Callable[[], T]) -> T:
        with lock:
            calls.seen.append(f"{doing}: {path.name}")
            fails = len(calls.seen) == at or (persistent and len(calls.seen) > at)
            calls.fired = calls.fired or fails
        if not fails:
            return perform(doing, path, act)
        if late:
            perform(doing, path, act)
        raise OSError(code, os.strerror(code), str(path))

    files._perform = faulty
    try:
        yield calls
    finally:
        files._perform = perform


def die_at(at: int) -> None:
    """End this process before the call number `at`, as a kill would: no clean-up, nothing flushed."""
    perform, count = files._perform, 0

    def deadly(doing: str, path: Path, act: Callable[[], T]) -> T:
        nonlocal count
        count += 1
        if count == at:
            os._exit(9)
        return perform(doing, path, act)

    files._perform = deadly
