"""Leftovers: what a writer had begun when it was stopped."""

from __future__ import annotations

import itertools
import os
import time
from collections.abc import Iterator
from pathlib import Path

from . import files, layout

IDLE = 3600.0
"""Seconds after which a leftover that nothing touched is nobody's."""


def leftovers(place: layout.Layout) -> Iterator[Path]:
    """Everything in the book that is named as temporary."""
    walks = itertools.chain(
        (path for path in place.folder.iterdir()),
        place.walk_originals(),
        place.walk_readings(),
        place.walk_results(),
        place.walk_catalogue(),
    )
    return (path for path in walks if layout.temporary(path))


def tidy(place: layout.Layout) -> list[Path]:
    """Remove leftovers whose process is gone, or that nothing touched for an hour. What was removed."""
    nobodys = [path for path in leftovers(place) if abandoned(path)]
    for path in nobodys:
        files.remove(path)
    return nobodys


def abandoned(path: Path) -> bool:
    """Whether nobody can be writing the leftover at `path` any more."""
    machine, process = layout.temporary(path) or ("", 0)
    if machine == layout.MACHINE and not _runs(process):
        return True
    return time.time() - _touched(path) > IDLE


def _runs(process: int) -> bool:
    try:
        os.kill(process, 0)
    except (ProcessLookupError, OverflowError):
        return False
    except PermissionError:
        return True
    return True


def _touched(path: Path) -> float:
    """When anything in `path` was last changed; now, if it is just being removed."""
    try:
        return max(found.stat().st_mtime for found in (path, *path.rglob("*")))
    except FileNotFoundError:
        return time.time()
