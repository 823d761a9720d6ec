"""DuckDB as the book uses it: opened without reaching outside, its complaints in words."""

from __future__ import annotations

import contextlib
import os
import tempfile
from collections.abc import Iterator, Sequence
from pathlib import Path

import duckdb
import pyarrow as pa

from .errors import AGAIN, BookProblem

_ALONE = {
    "autoload_known_extensions": False,
    "autoinstall_known_extensions": False,
    "allow_community_extensions": False,
    "allow_persistent_secrets": False,
    "python_enable_replacements": False,
}
"""No extension is fetched or loaded, no stored secret read, no variable of the program seen."""


def engine(
    database: Path | None = None,
    *,
    memory: str | None = None,
    threads: int | None = None,
    spill: Path | None = None,
) -> duckdb.DuckDBPyConnection:
    """A connection to `database` (in memory if None), with times shown in UTC.

    `memory` as DuckDB writes it (`2GB`), `threads` a number; unset, DuckDB decides. `spill`: the folder for
    what does not fit into memory, made when needed.
    """
    config: dict[str, str | bool | int] = {**_ALONE, "temp_directory": str(spill or _spill_folder())}
    if memory is not None:
        config["memory_limit"] = memory
    if threads is not None:
        config["threads"] = threads
    connection = duckdb.connect(":memory:" if database is None else str(database), config=config)
    # a column of floats may hold NaN, which the statistics of Parquet leave out
    connection.execute("set timezone = 'UTC'; set parquet_can_have_nan = true")
    return connection


def _spill_folder() -> Path:
    return Path(tempfile.gettempdir()) / f"rangebook-{os.getpid()}"


@contextlib.contextmanager
def complaints(doing: str, path: Path) -> Iterator[None]:
    """What DuckDB complains of inside becomes a BookProblem that names `path`."""
    try:
        yield
    except duckdb.Error as problem:
        said = str(problem).splitlines()[0]
        full = "no space left" in said.lower()
        hint = "free some space, then run the same command again" if full else AGAIN
        raise BookProblem(f"{path}: cannot {doing}: {said}", hint) from problem


def text(value: str) -> str:
    """`value` as a SQL string."""
    return "'" + value.replace("'", "''") + "'"


def name(value: str) -> str:
    """`value` as a SQL identifier."""
    return '"' + value.replace('"', '""') + '"'


def array(values: Sequence[str]) -> str:
    """`values` as a SQL list of strings."""
    return "[" + ", ".join(map(text, values)) + "]"


def in_order(path: Path, column: str, schema: pa.Schema, spill: Path, memory: str) -> Iterator[pa.RecordBatch]:
    """The rows of a Parquet file in ascending order of `column`, equal ones as they stood, nulls last.

    What does not fit into `memory` goes to the folder `spill`.
    """
    with complaints("sort the table", path), engine(memory=memory, threads=1, spill=spill) as connection:
        columns = ", ".join(map(name, schema.names))
        rows = connection.sql(
            f"select {columns} from read_parquet({text(str(path))}, file_row_number = true) "
            f"order by {name(column)} nulls last, file_row_number"
        )
        for batch in rows.to_arrow_reader(1 << 16):
            yield pa.RecordBatch.from_arrays(
                [found.cast(field.type) for found, field in zip(batch.columns, schema, strict=True)], schema=schema
            )
