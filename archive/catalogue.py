"""The catalogue: generations of one DuckDB file, written whole, attached read-only, fenced in."""

from __future__ import annotations

from collections.abc import Collection, Iterator, Mapping
from pathlib import Path

import duckdb
import pyarrow as pa

from . import engine, files, layout
from .errors import BookProblem

_TRIES = 20
_REBUILD = "make it again with `rangebook rebuild`"


def publish(place: layout.Layout, tables: Mapping[str, pa.Table], columns: Mapping[str, pa.Schema]) -> str:
    """Write a generation that holds exactly `tables`, make it the newest, drop all but the one before.

    `columns`: for each kind of table in readings, the schema its `raw_` view has even with nothing in it.
    The caller holds the lock. The name of the generation's file.
    """
    before = _generations(place)
    number = 1 + max((layout.generation_number(path) or 0 for path in before), default=0)
    with files.scratch(place.generation("new")) as folder:
        files.make_folder(folder)
        database = folder / "catalogue.duckdb"
        files.effect("write", database, lambda: _build(database, tables, columns))
        files.sync_file(database)
        name = layout.generation_name(number, files.sha256_of(database))
        files.place(database, place.generation(name))
    last = current(place)
    files.write_text(place.current, name + "\n")
    for path in before:
        if path.name not in (name, last):
            files.remove(path)
    return name


def _generations(place: layout.Layout) -> list[Path]:
    return [path for path in place.walk_catalogue() if layout.generation_number(path) is not None]


def _build(path: Path, tables: Mapping[str, pa.Table], columns: Mapping[str, pa.Schema]) -> None:
    with engine.complaints("write the catalogue", path), engine.engine(path, threads=1) as connection:
        connection.execute("begin; create schema raw")
        for table, content in tables.items():
            _create(connection, engine.name(table), content)
        for table, schema in columns.items():
            _create(connection, f"raw.{engine.name(table)}", schema.empty_table())
        # closing would do this too, but say nothing when it fails
        connection.execute("commit; checkpoint")


def _create(connection: duckdb.DuckDBPyConnection, name: str, content: pa.Table) -> None:
    connection.register("content", content)
    connection.execute(f"create table {name} as from content")
    connection.unregister("content")


def current(place: layout.Layout) -> str | None:
    """The file name of the newest generation, or None when there is none yet."""
    try:
        return place.current.read_text("utf-8", "replace").removesuffix("\n")
    except FileNotFoundError:
        return None


def connect(
    place: layout.Layout,
    zone: str,
    views: str,
    fenced: bool,
    tables: Collection[str] | None,
    memory: str | None,
    threads: int | None,
) -> duckdb.DuckDBPyConnection:
    """See `Book.connect`."""
    connection = engine.engine(memory=memory, threads=threads)
    try:
        connection.execute(f"set timezone = {engine.text(zone)}")
        _attach(place, connection)
        with engine.complaints("make the views of the catalogue", place.catalogue):
            connection.execute("set search_path = 'memory.main,generation.main'")
            for view in _raw_views(place, connection, tables):
                connection.execute(view)
            if views:
                connection.execute(views)
        if fenced:
            _fence(place, connection)
    except BaseException:
        connection.close()
        raise
    return connection


def _attach(place: layout.Layout, connection: duckdb.DuckDBPyConnection) -> None:
    """Attach the newest generation; when a writer removed it in between, the one that is newest then."""
    tried = None
    for _ in range(_TRIES):
        name = current(place)
        if name is None or name == tried:
            break
        path, tried = place.generation(name), name
        try:
            connection.execute(f"attach {engine.text(str(path))} as generation (read_only)")
        except duckdb.Error as problem:
            if path.exists():
                said = str(problem).splitlines()[0]
                raise BookProblem(f"{path}: cannot open the catalogue: {said}", _REBUILD) from problem
        else:
            return
    if tried is None:
        raise BookProblem(f"{place.folder}: has no catalogue yet", "take in files with `rangebook ingest`")
    raise BookProblem(f"{place.folder}: the catalogue {tried} is missing", _REBUILD)


def _raw_views(
    place: layout.Layout, connection: duckdb.DuckDBPyConnection, tables: Collection[str] | None
) -> Iterator[str]:
    kinds = connection.execute(
        "select table_name from duckdb_tables() where database_name = 'generation' and schema_name = 'raw' order by all"
    ).fetchall()
    readings = _readings(place, connection)
    for (kind,) in kinds:
        if tables is None or kind in tables:
            paths = [layout.table_file(reading, kind) for reading in readings]
            yield _raw_view(kind, [path for path in paths if path.exists()])


def _readings(place: layout.Layout, connection: duckdb.DuckDBPyConnection) -> list[Path]:
    """Folders of the readings that the generation names."""
    known = connection.execute(
        "select count(*) from duckdb_columns() where database_name = 'generation' and schema_name = 'main' "
        "and table_name = 'originals' and column_name = 'reading'"
    ).fetchone()
    if known is None or not known[0]:
        return []
    named = connection.execute(
        "select distinct reading from generation.main.originals where reading is not null order by all"
    ).fetchall()
    return [place.readings / reading for (reading,) in named]


def _raw_view(kind: str, paths: list[Path]) -> str:
    """The view raw_<kind>: all columns the kind may have, the original and the row of each; typed, if empty."""
    view = (
        f"create view {engine.name('raw_' + kind)} as "
        f"select *, null::varchar as original, null::bigint as row from generation.raw.{engine.name(kind)}"
    )
    if paths:
        found = engine.array([str(path) for path in paths])
        view += (
            " union all by name select *, split_part(filename, '/', -3) as original, file_row_number as row "
            f"from read_parquet({found}, union_by_name = true)"
        )
    return view


def _fence(place: layout.Layout, connection: duckdb.DuckDBPyConnection) -> None:
    connection.execute(f"set allowed_directories = {engine.array([str(place.readings)])}")
    connection.execute("set enable_external_access = false; set lock_configuration = true")
