"""The simulated workshop: a season of ten carts on an island without cars, written as a workshop's computer would
have it. Nothing here knows how the program reads or measures; it states the truth beside the files."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING

from .fleet import ZONE

if TYPE_CHECKING:
    from .season import Outing

__all__ = ["MAPS", "ZONE", "make", "write"]

MAPS: tuple[tuple[str, str], ...] = (
    ("**/C02-*.csv", "maps/L02.toml"),
    ("**/L07-*.csv", "maps/L07.toml"),
    ("**/spare-logger.csv", "maps/spare.toml"),
)
"""Files that need a column map: a glob below `incoming`, and the map's path below `incoming`."""


def make(folder: Path, seed: int = 20260401, progress: Callable[[int, int], None] | None = None) -> None:
    """Write `folder`/incoming (originals), `folder`/truth.csv (test, quantity, value, unit: the simulation's exact
    figures), truth_everyday.csv (the same for logs without a test) and truth_fleet.csv (the same for packs and carts).
    The same seed gives the same bytes.

    progress: called with outings written and outings in all.
    """
    from .season import season

    write(folder, season(seed), seed, progress)


def write(folder: Path, outings: list[Outing], seed: int, progress: Callable[[int, int], None] | None = None) -> None:
    """As `make`, for `outings` only."""
    from . import files, truth
    from .drive import drive

    driven = drive(outings, seed)
    known: dict[str, list[truth.Line]] = {"range": [], "everyday": []}
    for path, content in files.of_shop():
        _put(folder / "incoming" / path, content)
    for row, outing in enumerate(outings):
        for path, content in files.of_outing(driven, row, outing, seed):
            _put(folder / "incoming" / path, content)
        known[outing.kind] += [*truth.of_outing(driven, row, outing), *files.recharged(driven, row, outing)]
        if progress:
            progress(row + 1, len(outings))
    _put(folder / "truth.csv", truth.table("test", known["range"]))
    _put(folder / "truth_everyday.csv", truth.table("log", known["everyday"]))
    _put(folder / "truth_fleet.csv", truth.table("thing", truth.of_fleet(seed)))


def _put(path: Path, content: bytes) -> None:
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_bytes(content)
