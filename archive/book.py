"""A book: the archive folder of one workshop."""

from __future__ import annotations

import contextlib
import json
import tomllib
import zoneinfo
from collections.abc import Collection, Iterator, Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any, BinaryIO

from . import files, layout, leftovers
from .errors import BookProblem

if TYPE_CHECKING:
    import duckdb
    import pyarrow as pa

    from .check import Progress, Trouble
    from .readings import ReadingWriter

REFERENCE: Mapping[str, float] = {"temperature_celsius": 25.0}
INTAKE: Mapping[str, Sequence[str]] = {
    "leave_out": [".*", "*.toml", "*.md", "*.pdf", "*.jpg", "*.jpeg", "*.png", "*.tmp", "~*"]
}
UNITS = ("mi", "km")


class Book:
    """One book. `folder`: absolute path. `facts`: book.toml as parsed (format_version, zone, units, reference, intake).

    Holds no open files and no state but a lock while refreshing, so it can be used from several threads
    (`refreshing` and `publish` from one at a time).
    """

    def __init__(self, folder: Path, facts: Mapping[str, Any]) -> None:
        self.folder = folder
        self.facts = facts
        self._layout = layout.Layout(folder)
        self._refreshing = False

    @classmethod
    def new(
        cls,
        folder: Path,
        *,
        zone: str,
        units: str,
        reference: Mapping[str, float] = REFERENCE,
        intake: Mapping[str, Sequence[str]] = INTAKE,
    ) -> Book:
        """Make a book in `folder`, which is made if need be, and must be empty.

        zone: IANA name. units: `mi` or `km`, what is shown. reference: conditions by name. intake: shell
        patterns of names to `leave_out` of folders. Raises BookProblem.
        """
        folder = _absolute(folder)
        _check_zone(zone)
        if units not in UNITS:
            raise BookProblem(f"units {units!r} are not known", f"one of {', '.join(UNITS)}")
        _check_vacant(folder)
        facts = {"format_version": layout.FORMAT_VERSION, "zone": zone, "units": units}
        files.make_folder(folder)
        files.write_text(layout.Layout(folder).facts, _toml(facts, {"reference": reference, "intake": intake}))
        return cls.open(folder)

    @classmethod
    def open(cls, folder: Path) -> Book:
        """The book in `folder`. Raises BookProblem when there is none, or one in a newer format."""
        folder = _absolute(folder)
        path = layout.Layout(folder).facts
        try:
            facts = tomllib.loads(path.read_text("utf-8"))
        except (FileNotFoundError, NotADirectoryError) as problem:
            raise BookProblem(f"{folder}: no book here", f"make one with `rangebook new {folder}`") from problem
        except (tomllib.TOMLDecodeError, UnicodeDecodeError) as problem:
            raise BookProblem(
                f"{path}: cannot be read: {problem}", "mend the file; archive/FORMAT.md shows one"
            ) from problem
        except OSError as problem:
            raise BookProblem(f"{path}: cannot be read: {problem.strerror}", "check its permissions") from problem
        _check_facts(path, facts)
        return cls(folder, facts)

    def holds(self, sha256: str, reader: str, version: str) -> bool:
        """Whether the book holds the reading that this version of the reader made of the original, and the original."""
        reading = self._layout.reading(sha256, reader, version)
        return layout.record_file(reading).exists() and self._layout.original(sha256).exists()

    def keep_original(self, path: Path, sha256: str) -> None:
        """Store the file at `path`, byte for byte, unless the book has it. Safe beside other threads and processes.

        Raises BookProblem when what was copied does not hash to `sha256`: it changed since it was hashed.
        """
        from . import originals

        originals.keep(self._layout, path, sha256)

    def open_original(self, sha256: str) -> BinaryIO:
        """The bytes of an original as a stream. Raises BookProblem when the book does not have it."""
        from . import originals

        return originals.open_original(self._layout, sha256)

    def reading_writer(
        self, sha256: str, reader: str, version: str
    ) -> contextlib.AbstractContextManager[ReadingWriter]:
        """A writer for one reading, in a `with` block: write tables, then `finish`. Without that nothing is left."""
        from . import readings

        return readings.writing(self._layout, sha256, reader, version)

    def records(self) -> Iterator[dict[str, Any]]:
        """The record of every reading, of all versions, in order of path. Raises BookProblem at a damaged one."""
        from . import readings

        return readings.records(self._layout)

    def reading_name(self, record: Mapping[str, Any]) -> str:
        """The reading's path under `readings/`, as the catalogue's `originals.reading` names it."""
        return layout.reading_name(record["original"], record["reader"], record["reader_version"])

    def table_path(self, record: Mapping[str, Any], table: str) -> Path | None:
        """The Parquet file of a reading's table, or None when the reading has no such table."""
        if table not in record["tables"]:
            return None
        return layout.table_file(self._layout.readings / self.reading_name(record), table)

    def load_results(self, subject: str, digest: str) -> pa.Table | None:
        """What was stored for this subject and digest, metadata and all; None when there is none, or it is damaged."""
        from . import results

        return results.load(self._layout, subject, digest)

    def all_results(self, subject: str) -> Iterator[pa.Table]:
        """All that was ever stored for this subject, by other inputs and methods too; damaged ones are left out."""
        from . import results

        return results.load_all(self._layout, subject)

    def store_results(self, subject: str, digest: str, table: pa.Table) -> None:
        """Store `table` for any text `subject` and a `digest` of 8 to 64 hexadecimal digits."""
        from . import results

        results.store(self._layout, subject, digest, table)

    @contextlib.contextmanager
    def refreshing(self) -> Iterator[None]:
        """Hold the lock of those who write the catalogue; waits for another. Readers and other writers go on."""
        if self._refreshing:
            yield
            return
        with files.locked(self._layout.lock):
            self._refreshing = True
            try:
                yield
            finally:
                self._refreshing = False

    def publish(self, tables: Mapping[str, pa.Table], columns: Mapping[str, pa.Schema] | None = None) -> str:
        """Make a new generation of the catalogue that holds exactly `tables`; its file name.

        `columns`: for each kind of table that readings have (`samples`, ...) all columns it may have: what the
        views `raw_<kind>` show whether or not any reading has them.
        """
        from . import catalogue

        with self.refreshing():
            return catalogue.publish(self._layout, tables, columns or {})

    def published(self) -> bool:
        """Whether there is a generation of the catalogue to connect to."""
        from . import catalogue

        name = catalogue.current(self._layout)
        return name is not None and self._layout.generation(name).is_file()

    def connect(
        self,
        views: str = "",
        fenced: bool = True,
        *,
        tables: Collection[str] | None = None,
        memory: str | None = None,
        threads: int | None = None,
    ) -> duckdb.DuckDBPyConnection:
        """An in-memory DuckDB that sees the newest generation's tables, unqualified and read-only.

        Views `raw_<kind>` show the rows of the readings that `originals.reading` names: their columns, `original`
        (SHA-256) and `row` (from 0); `tables` limits the kinds. Then `views` is run. Then, if `fenced`, nothing
        outside the book can be read or written, no extension loaded, no setting changed. What the fence does
        not stop is a COPY into the folder of readings or onto the generation: so text from outside must be run
        only after it was seen to be one SELECT.

        Days and times without a zone in SQL are in the book's zone. memory: the limit as DuckDB
        writes it (`2GB`). threads: a number. Raises BookProblem when there is no catalogue yet or it is damaged.
        """
        from . import catalogue

        return catalogue.connect(self._layout, self.facts["zone"], views, fenced, tables, memory, threads)

    def check(self, progress: Progress | None = None) -> Iterator[Trouble]:
        """Read everything and tell what is wrong; changes nothing. `progress(done, all)` as it goes."""
        from . import check

        return check.check(self._layout, progress)

    def tidy(self) -> list[Path]:
        """Remove what stopped writers left behind, and nothing else. What was removed."""
        return leftovers.tidy(self._layout)

    def clear_derived(self) -> None:
        """Remove results and catalogue, to make them again. Waits for whoever writes the catalogue."""
        with self.refreshing():
            files.remove(self._layout.results)
            for path in self._layout.walk_catalogue():
                if path != self._layout.lock:
                    files.remove(path)


def _absolute(folder: Path) -> Path:
    absolute = Path(folder).expanduser().absolute()
    if "?" in str(absolute):
        # DuckDB takes what follows for the query of a web address, and puts its files in the wrong place
        raise BookProblem(f"{absolute}: a path with a question mark cannot be a book's", "rename or move the folder")
    return absolute


def _check_vacant(folder: Path) -> None:
    if layout.Layout(folder).facts.exists():
        raise BookProblem(
            f"{folder}: a book is here already", f"use it with `--book {folder}`, or choose another folder"
        )
    try:
        others = [path for path in folder.iterdir() if not layout.temporary(path)]
    except FileNotFoundError:
        return
    except OSError as problem:
        raise BookProblem(f"{folder}: cannot be a book: {problem.strerror}", "choose another folder") from problem
    if others:
        raise BookProblem(f"{folder}: the folder is not empty and is no book", "choose an empty or a new folder")


def _check_facts(path: Path, facts: Mapping[str, Any]) -> None:
    version = facts.get("format_version")
    if type(version) is not int or version < 1:
        raise BookProblem(
            f"{path}: `format_version` is missing or no whole number", "mend the file; archive/FORMAT.md shows one"
        )
    if version > layout.FORMAT_VERSION:
        raise BookProblem(
            f"{path}: the book is in format {version}, this program knows format {layout.FORMAT_VERSION}",
            "install a newer rangebook; nothing was changed",
        )
    _check_zone(str(facts.get("zone")), f"{path}: ")
    if facts.get("units") not in UNITS:
        raise BookProblem(f"{path}: `units` must be one of {', '.join(UNITS)}", "mend the file")


def _check_zone(zone: str, where: str = "") -> None:
    try:
        zoneinfo.ZoneInfo(zone)
    except (zoneinfo.ZoneInfoNotFoundError, ValueError, OSError) as problem:
        raise BookProblem(
            f"{where}time zone {zone!r} is not known", "an IANA name such as `Europe/Lisbon`"
        ) from problem


def _toml(facts: Mapping[str, Any], sections: Mapping[str, Mapping[str, Any]]) -> str:
    """TOML text of `facts` and of `sections`, all their values flat."""
    parts = [_toml_lines(facts), *([f"[{name}]", *_toml_lines(values)] for name, values in sections.items())]
    return "\n\n".join("\n".join(part) for part in parts) + "\n"


def _toml_lines(values: Mapping[str, Any]) -> list[str]:
    # JSON writes strings, numbers and lists the way TOML has them
    return [f"{key} = {json.dumps(value, ensure_ascii=False)}" for key, value in values.items()]
