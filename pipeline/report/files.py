"""Answers written to files: CSV, Parquet, plots."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING

from ..errors import UsageProblem

if TYPE_CHECKING:
    import pyarrow as pa

    from rangebook.queries import Recipe


def write_answer(
    recipe: Recipe, table: pa.Table, csv: Path | None, parquet: Path | None, plot: Path | None, system: str
) -> Iterator[Path]:
    """Write what was asked for and yield each path written. Raises UsageProblem where a path or recipe can't."""
    for path in (csv, parquet, plot):
        if path is not None and not path.absolute().parent.is_dir():
            raise UsageProblem(f"there is no folder {path.parent}", "make it first, or name another")
    if csv is not None:
        from pyarrow.csv import write_csv

        write_csv(table, csv)
        yield csv
    if parquet is not None:
        from pyarrow.parquet import write_table

        write_table(table, parquet, compression="zstd")
        yield parquet
    if plot is not None:
        yield _plotted(recipe, table, plot, system)


def _plotted(recipe: Recipe, table: pa.Table, path: Path, system: str) -> Path:
    from .plot import draw

    if recipe.plot is None:
        raise UsageProblem(f"{recipe.name} has no plot", "read its table, or write it with `--csv`")
    draw(recipe.plot, table, recipe.columns, recipe.title, path, system=system)
    return path
