"""What the book holds, understood: records, register, logs and their ties."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime
from typing import TYPE_CHECKING, Any

import pyarrow as pa

from .register import Register, Statement, fold
from .tables import REGISTER
from .tying import Log, Ties, moment, tie

if TYPE_CHECKING:
    from rangebook.archive import Book


@dataclass(frozen=True)
class State:
    """What the book holds, understood: the newest reading of each original and where it lies (by original), the
    readings that state each test, the register, the logs and their ties."""

    records: Sequence[Mapping[str, Any]]
    readings: Mapping[str, str]
    sheets: Mapping[str, Sequence[Mapping[str, Any]]]
    register: Register
    logs: Sequence[Log]
    ties: Ties


def newest(records: Iterable[Mapping[str, Any]]) -> list[Mapping[str, Any]]:
    """The reading of each original that was taken in last, in the order of taking in."""
    kept: dict[str, Mapping[str, Any]] = {}
    for record in sorted(records, key=lambda one: (one["taken_in"], one["original"])):
        kept.pop(record["original"], None)
        kept[record["original"]] = record
    return list(kept.values())


def statements(records: Iterable[Mapping[str, Any]]) -> Iterator[Statement]:
    """What the sheets among `records` say, row by row."""
    for record in records:
        said_at = datetime.fromisoformat(record["taken_in"])
        for said in record["said"]:
            row = typed(said["table"], said["row"])
            yield Statement(said["table"], row, said_at, record["original"], said.get("line"))


def typed(table: str, row: Mapping[str, Any]) -> dict[str, Any]:
    """A register row as JSON holds it, with its days and instants as such again."""
    kinds = REGISTER[table]
    return {name: _typed(value, kinds[name]) for name, value in row.items() if name in kinds}


def _typed(value: Any, kind: pa.DataType) -> Any:
    if not isinstance(value, str):
        return value
    if pa.types.is_timestamp(kind):
        return datetime.fromisoformat(value)
    return date.fromisoformat(value) if pa.types.is_date(kind) else value


def understand(book: Book) -> State:
    """Read every record of the book and tie logs to tests and carts."""
    records = newest(book.records())
    register = fold(statements(records))
    logs = [Log.of(record) for record in records if _is_log(record)]
    sheets: dict[str, list[Mapping[str, Any]]] = {}
    for record in records:
        for said in record["said"]:
            if said["table"] == "tests":
                sheets.setdefault(said["row"]["test"], []).append(record)
    folders = {test: {str(record["folder"]) for record in held} for test, held in sheets.items()}
    readings = {record["original"]: book.reading_name(record) for record in records}
    return State(records, readings, sheets, register, logs, tie(logs, register, folders))


def _is_log(record: Mapping[str, Any]) -> bool:
    return any(record["tables"].get(table, {}).get("rows") for table in ("samples", "fixes"))


def pack_of_test(register: Register, test: Mapping[str, Any], span: tuple[int, int] | None) -> str | None:
    """The pack the sheet names, else the one fitted to its cart at the time."""
    if test.get("pack"):
        return str(test["pack"])
    return register.pack_of(test.get("cart"), moment(span[0]) if span else None)
